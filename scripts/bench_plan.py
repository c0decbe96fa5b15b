#!/usr/bin/env python3
"""Measure plans: how near the best they are proven to be in a given time, and how long a general solver takes for it.

    python scripts/bench_plan.py                          1,000 sites, 1 native and 1 invader, gap 0.1 % in 10 s
    python scripts/bench_plan.py --sites 10000 --gap 0.25 --seconds 30
    python scripts/bench_plan.py --sites 10000 --curve    20 budgets of each tree instead of three
    python scripts/bench_plan.py --sites 300 --mixed 60   HiGHS beside it, 60 s at most for each plan

The cells are all of three shapes of tree x two kinds of passability x budgets of 1, 10 and 40 % of the cost of removing
everything; every one is printed. HiGHS is given the model of ``barrierrank/plan/mixed.py`` and the gap that was
reached here, in the same run; the ratio of both times is what counts.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from itertools import product
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

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
    """Times of HiGHS beside ours."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.ratios: list[tuple[float, bool]] = []
        self.worse = 0

    def take(self, demands: Demands, ours: Plan, gap: float) -> None:
        """Have HiGHS go for the gap that was reached here, and print what it came to."""
        same = max(gap, ours.gap)
        theirs = mixed_plan(demands, seconds=self.seconds, gap=same, zero=ours.zero)
        within = theirs.gap <= same * (1.0 + 1e-6)
        ratio = theirs.seconds / max(ours.seconds, 1e-9)
        self.ratios.append((ratio, within))
        self.worse += theirs.seconds <= ours.seconds and within
        print(told("    HiGHS", theirs), f" {'' if within else 'at least '}{ratio:.1f} x", flush=True)
        if theirs.worth > ours.bound + 1e-6 * abs(ours.bound):
            print(f"    BOUND BROKEN: HiGHS has a plan of {theirs.worth:.6f}, above {ours.bound:.6f}")

    def summary(self) -> str:
        """Tell the median of the ratios; it is at least that where HiGHS ran out of time up to there."""
        ordered = sorted(self.ratios)
        middle = statistics.median(ratio for ratio, _ in ordered)
        least = not all(within for _, within in ordered[: len(ordered) // 2 + 1])
        out = sum(not within for _, within in ordered)
        return (
            f"HiGHS : ours to the same gap, median {'at least ' if least else ''}{middle:.1f}, "
            f"least {ordered[0][0]:.2f}; HiGHS ran out of {self.seconds:g} s on {out} of {len(ordered)}, "
            f"was no slower on {self.worse}"
        )


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
    parser.add_argument("--mixed", type=float, default=0.0, metavar="SECONDS", help="for HiGHS, each plan")
    asked = parser.parse_args()
    gap = asked.gap / 100.0
    warm = invented_tree(60, "near", "hard", asked.natives, seed=9)
    best_plan(Demands(warm, 0.1 * removing_all(warm)), gap=1e-4, seconds=600.0)  # compiles
    against = Against(asked.mixed)
    gaps: list[float] = []
    curves: list[float] = []
    for shape, kind, seed in product(SHAPES, KINDS, range(asked.seeds)):
        tree = invented_tree(asked.sites, shape, kind, asked.natives, seed)
        began = time.perf_counter()
        before: Plan | None = None
        for share in CURVE if asked.curve else BUDGETS:
            demands = Demands(tree, share * removing_all(tree))
            known = {} if before is None else {"start": [before.choice], "price": before.price}
            plan = best_plan(demands, gap=gap, seconds=asked.seconds, **known)
            before = plan if asked.curve else None
            gaps.append(plan.gap)
            print(told(f"{shape} {kind} {100 * share:g} % seed {seed}", plan), flush=True)
            if asked.mixed > 0.0:
                against.take(demands, plan, gap)
        curves.append(time.perf_counter() - began)
        if asked.curve:
            print(f"  curve of {len(CURVE)} budgets: {curves[-1]:.1f} s")
    good = sum(g <= gap * (1.0 + 1e-9) for g in gaps)
    print(
        f"{asked.sites:,} sites, {ACTIONS} actions, {asked.natives + 1} species: worst gap {100 * max(gaps):.4f} %, "
        f"{good} of {len(gaps)} plans within {asked.gap:g} % in {asked.seconds:g} s"
        + (f"; slowest curve {max(curves):.1f} s" if asked.curve else "")
    )
    if asked.mixed > 0.0:
        print(against.summary())


if __name__ == "__main__":
    main()
