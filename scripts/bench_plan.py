#!/usr/bin/env python3
"""Measure plans: how near the best they are proven to be in a given time, and how long a general solver takes for it.

    python scripts/bench_plan.py                          1,000 sites, 1 native and 1 invader, gap 0.1 % in 10 s
    python scripts/bench_plan.py --sites 10000 --gap 0.25 --seconds 30
    python scripts/bench_plan.py --sites 10000 --curve    20 budgets of each tree instead of three
    python scripts/bench_plan.py --sites 200 --plain 60   the plain model in HiGHS beside it, 60 s at most for each plan
    python scripts/bench_plan.py --sites 200 --mixed 60   the same with the flow form

The cells are all of three shapes of tree x two kinds of passability x budgets of 1, 10 and 40 % of the cost of removing
everything; every one is printed. HiGHS is given the plain mixed-integer model (``scripts/plain_model.py``) or the much
tighter flow form (``barrierrank/plan/mixed.py``), and the gap that was reached here, in the same run; the ratio of both
times is what counts.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

from plain_model import plain_plan  # noqa: E402

from barrierrank.plan.best import best_plan  # noqa: E402
from barrierrank.plan.demands import Demands  # noqa: E402
from barrierrank.plan.found import Plan  # noqa: E402
from barrierrank.plan.mixed import mixed_plan  # noqa: E402
from barrierrank.plan.tree import PlanTree  # noqa: E402

SHAPES = ("near", "chain", "random")
KINDS = ("hard", "soft")
BUDGETS = (0.01, 0.1, 0.4)
CURVE = tuple(np.linspace(0.02, 0.4, 20).tolist())
ACTIONS = 4
"""To leave a site as it is, two changes, to remove everything."""
HARD = (0.0, 0.1, 0.33, 0.66)
NEAR = 40
"""Sites among which the next one below is, in trees of that shape."""


def parents(rng: np.random.Generator, sites: int, shape: str) -> list[int]:
    """Draw the next site below each."""
    out = [-1]
    for b in range(1, sites):
        if shape == "chain" and rng.random() < 0.95:
            out.append(b - 1)
        else:
            out.append(int(rng.integers(max(0, b - NEAR) if shape == "near" else 0, b)))
    return out


def invented_tree(sites: int, shape: str, kind: str, natives: int, seed: int) -> PlanTree:
    """Draw a tree of sites with one invader and some natives.

    Parameters
    ----------
    sites : int
    shape : {"near", "chain", "random"}
    kind : {"hard", "soft"}
        Passabilities of a few values from 0 to 0.66, or of any, most near 1.
    natives, seed : int
    """
    rng = np.random.default_rng(seed)
    parent = parents(rng, sites, shape)
    species = natives + 1
    weight = rng.lognormal(0.0, 1.0, (sites, species))
    weight[:, 0] *= -1.0
    passability = np.empty((sites, ACTIONS, species))
    for a in range(ACTIONS):
        some = (sites, species)
        passability[:, a] = rng.choice(HARD, some) if kind == "hard" else 1.0 - rng.beta(1, 4, some) ** 1.5
    passability[:, -1] = 1.0
    cost = np.zeros((sites, ACTIONS))
    cost[:, -1] = rng.lognormal(0.0, 0.8, sites)
    for a in range(1, ACTIONS - 1):
        cost[:, a] = cost[:, -1] * rng.uniform(0.2, 1.0, sites)
    return PlanTree(
        np.array(parent), weight, ACTIONS * np.arange(sites + 1), passability.reshape(-1, species), cost.ravel(),
        np.zeros(sites * ACTIONS),
    )  # fmt: skip


def removing_all(tree: PlanTree) -> float:
    """Return what it costs to remove every structure."""
    return float(tree.cost.reshape(-1, ACTIONS)[:, -1].sum())


def told(name: str, plan: Plan) -> str:
    """Tell a plan in a line."""
    return (
        f"{name:<26} worth {plan.worth:13.3f}  bound {plan.bound:13.3f}  gap {100 * plan.gap:8.4f} %  "
        f"{plan.seconds:7.2f} s  {plan.decisions:7,} decisions  {plan.status}"
    )


class Against:
    """Times of a general solver beside ours.

    Parameters
    ----------
    name : str
    solver : callable
        Takes demands and, by name, `seconds`, `gap` and `zero`; returns a plan.
    seconds : float
        What it is given for each plan.
    """

    def __init__(self, name: str, solver: Callable[..., Plan], seconds: float) -> None:
        self.name, self.solver, self.seconds = name, solver, seconds
        self.ratios: list[tuple[float, bool]] = []
        self.no_slower = 0
        self.broken = 0

    def take(self, demands: Demands, ours: Plan, gap: float) -> str:
        """Have the solver go for the gap that was reached here, and tell what it came to."""
        same = max(gap, ours.gap)
        theirs = self.solver(demands, seconds=self.seconds, gap=same, zero=ours.zero)
        within = theirs.gap <= same * (1.0 + 1e-6)
        ratio = theirs.seconds / max(ours.seconds, 1e-9)
        self.ratios.append((ratio, within))
        self.no_slower += theirs.seconds <= ours.seconds and within
        line = f"{told('    ' + self.name, theirs)}  {'' if within else 'at least '}{ratio:.1f} x"
        if theirs.worth > ours.bound + 1e-6 * abs(ours.bound):
            self.broken += 1
            line += f"\n    BOUND BROKEN: it has a plan of {theirs.worth:.6f}, above {ours.bound:.6f}"
        return line

    def median(self) -> str:
        """Tell the median of the ratios; it is at least that where the solver ran out of time up to there."""
        ordered = sorted(self.ratios)
        middle = statistics.median(ratio for ratio, _ in ordered)
        least = not all(within for _, within in ordered[: len(ordered) // 2 + 1])
        return f"{'at least ' if least else ''}{middle:.1f}"

    def summary(self) -> str:
        """Tell all cases in a line."""
        out = sum(not within for _, within in self.ratios)
        return (
            f"{self.name} : ours to the same gap, median {self.median()}, least {min(self.ratios)[0]:.2f}; "
            f"it ran out of {self.seconds:g} s on {out} of {len(self.ratios)}, "
            f"was no slower on {self.no_slower}" + (f"; BOUND BROKEN on {self.broken}" if self.broken else "")
        )


def plain_model(seconds: float) -> Against:
    """Return the plain mixed-integer model in HiGHS as what plans are measured against."""
    return Against("HiGHS, plain model", plain_plan, seconds)


def flow_form(seconds: float) -> Against:
    """Return the model of ``barrierrank/plan/mixed.py`` in HiGHS as what plans are measured against."""
    return Against("HiGHS, flow form", mixed_plan, seconds)


@dataclass(frozen=True)
class Cells:
    """What is asked of the plans of every cell: shapes x kinds x seeds x budgets.

    Parameters
    ----------
    sites, natives : int
    gap : float
        To be proven, in per cent.
    seconds : float
        For each plan.
    seeds : int
        Trees of each shape and kind.
    curve : bool
        Twenty budgets of each tree, each plan from the one before it, instead of three.
    """

    sites: int
    natives: int
    gap: float
    seconds: float
    seeds: int = 1
    curve: bool = False


@dataclass
class Outcome:
    """What plans came to: the gap of each as a share, and the seconds that all budgets of each tree took."""

    cells: Cells
    gaps: list[float] = field(default_factory=list)
    trees_s: list[float] = field(default_factory=list)

    def summary(self) -> str:
        """Tell all cells in a line."""
        asked = self.cells
        good = sum(g <= asked.gap / 100.0 * (1.0 + 1e-9) for g in self.gaps)
        return (
            f"{asked.sites:,} sites, {ACTIONS} actions, {asked.natives + 1} species: "
            f"worst gap {100 * max(self.gaps):.4f} %, "
            f"{good} of {len(self.gaps)} plans within {asked.gap:g} % in {asked.seconds:g} s"
            + (f"; slowest curve of {len(CURVE)} budgets {max(self.trees_s):.1f} s" if asked.curve else "")
        )


def plan_cells(
    cells: Cells, against: Sequence[Against] = (), tell: Callable[[str], None] = lambda _: None
) -> Outcome:
    """Make the plan of every cell, and have each general solver go for the gap of it.

    Parameters
    ----------
    cells : Cells
    against : sequence of Against
        They keep what they came to.
    tell : callable
        Takes a line on each plan; nothing is told by default.
    """
    gap = cells.gap / 100.0
    warm = invented_tree(60, "near", "hard", cells.natives, seed=9)
    best_plan(Demands(warm, 0.1 * removing_all(warm)), gap=1e-4, seconds=600.0)  # compiles
    out = Outcome(cells)
    for shape, kind, seed in product(SHAPES, KINDS, range(cells.seeds)):
        tree = invented_tree(cells.sites, shape, kind, cells.natives, seed)
        before: Plan | None = None
        took = 0.0
        for share in CURVE if cells.curve else BUDGETS:
            began = time.perf_counter()
            demands = Demands(tree, share * removing_all(tree))
            start, price = ([], None) if before is None else ([before.choice], before.price)
            plan = best_plan(demands, gap=gap, seconds=cells.seconds, start=start, price=price)
            took += time.perf_counter() - began
            before = plan if cells.curve else None
            out.gaps.append(plan.gap)
            tell(told(f"{shape} {kind} {100 * share:g} % seed {seed}", plan))
            for other in against:
                tell(other.take(demands, plan, gap))
        out.trees_s.append(took)
        if cells.curve:
            tell(f"  curve of {len(CURVE)} budgets: {took:.1f} s")
    return out


def main() -> None:
    """Print every cell, then the worst."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--natives", type=int, default=1)
    parser.add_argument("--seeds", type=int, default=1, help="trees of each shape and kind")
    parser.add_argument("--seconds", type=float, default=10.0, help="for each plan")
    parser.add_argument("--gap", type=float, default=0.1, help="per cent")
    parser.add_argument("--curve", action="store_true", help="20 budgets, each from the plan before it")
    for option, model in (("--plain", "the plain model"), ("--mixed", "the flow form")):
        parser.add_argument(
            option, type=float, default=0.0, metavar="SECONDS", help=f"for {model} in HiGHS, each plan"
        )
    asked = parser.parse_args()
    solvers = ((plain_model, asked.plain), (flow_form, asked.mixed))
    against = [make(seconds) for make, seconds in solvers if seconds > 0.0]
    cells = Cells(asked.sites, asked.natives, asked.gap, asked.seconds, asked.seeds, asked.curve)
    print(plan_cells(cells, against, partial(print, flush=True)).summary())
    for other in against:
        print(other.summary())


if __name__ == "__main__":
    main()
