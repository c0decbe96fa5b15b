"""A second, independent way to the best plan: one mixed-integer model for a general solver.

Access is carried up the tree as a flow: what arrives below a site is dealt out over its actions, each lets its
passability of it through, and only the action that is chosen may be given any. While the choices are whole numbers the
flow is the very access, whatever the signs of the weights. Between whole numbers the model is much tighter than one
that limits the access after each action by inequalities, from above for positive weights and from below for negative.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.steps import JUST_BELOW, Steps
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SIZE = 1e4
"""Size that the objective and the rows of budget and cap are brought to: the solver's tolerances are absolute."""
INFEASIBLE = 2
"""Status of the solver."""
LEAST_SECONDS = 0.01
"""The solver is always given this much."""
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, eq=False)
class _Model:
    """A model: a column for each action, then for each species one for each action, then a constant.

    Parameters
    ----------
    gain : (columns,) float64
        To be as great as can be, in the solver's unit.
    whole : (columns,) int64
        1 where a column is a whole number.
    lower, upper : (columns,) float64
    limits : list of LinearConstraint
    unit : float
        The solver's unit in that of worth.
    """

    gain: Floats
    whole: Ints
    lower: Floats
    upper: Floats
    limits: list[LinearConstraint]
    unit: float


def mixed_plan(
    demands: Demands, *, seconds: float = 60.0, gap: float = 1e-3, zero: float | None = None,
    steps: Steps | None = None,
) -> Plan:  # fmt: skip
    """Find the plan of greatest worth with a general mixed-integer solver (HiGHS).

    The worth of the answer is reckoned from its choice, never taken from the solver. The bound is the solver's: hold it
    against that of :func:`barrierrank.plan.best.best_plan`.

    Parameters
    ----------
    demands : Demands
    seconds : float
        Stop then with the best plan so far and its bound.
    gap : float
        Stop when no plan can be better by more than this share of what the plan gains.
    zero : float, optional
        The worth that gains are counted from; by default that of the cheapest choice.
    steps : Steps, optional
        Costs that are due from a threshold of access on; they are taken off the worth.

    Returns
    -------
    Plan
        Of status "proven", or "time" where the gap asked for is not shown; `decisions` are the solver's nodes, and no
        price is told (nan).

    Raises
    ------
    NoPlanError
        Nothing meets the demands, or nothing was found in time that does.
    """
    began = time.perf_counter()
    tree = demands.tree
    choice = demands.cheapest(demands.may)
    zero = _worth(tree, choice, steps) if zero is None else zero
    model = _model(demands, zero)
    if steps is not None and steps.node.size:
        model = _with_steps(model, tree, steps)
    nodes = 0
    while True:
        left = max(began + seconds - time.perf_counter(), LEAST_SECONDS)
        answer = _solve(model, left, gap)
        nodes += int(answer.get("mip_node_count") or 0)
        if answer.status == INFEASIBLE:
            raise NoPlanError("no plan meets the demands: the mixed-integer model has no solution")
        if answer.x is not None:
            choice = _choice(demands, answer.x)
        if answer.x is None or demands.met(choice):
            break
        # it is beyond a limit by what the solver takes for rounding
        model.limits.append(_all_but(choice, model))
    if not demands.met(choice):
        raise NoPlanError("no plan that meets the demands was found in time")
    worth, cost = _worth(tree, choice, steps), tree.value(choice)[1]
    claimed = answer.get("mip_dual_bound")
    bound = max(worth, np.inf if claimed is None else zero - float(claimed) * model.unit)
    shown = bound - worth <= gap * abs(worth - zero) + ROUNDING * max(abs(worth), abs(zero))
    return Plan(
        choice, worth, cost, demands.exposure_of(choice), bound, zero, "proven" if shown else "time", nodes,
        time.perf_counter() - began, np.nan,
    )  # fmt: skip


def _worth(tree: PlanTree, choice: Ints, steps: Steps | None) -> float:
    return tree.value(choice)[0] - (0.0 if steps is None else steps.of(tree, choice))


def _with_steps(model: _Model, tree: PlanTree, steps: Steps) -> _Model:
    """Add a column for each step: whether its cost is paid."""
    k = steps.node.size
    columns = model.gain.size + k
    wider = [
        LinearConstraint(
            sparse.hstack([old.A, sparse.csr_array((old.A.shape[0], k))], format="csr"), old.lb, old.ub
        )
        for old in model.limits
    ]
    wider.append(LinearConstraint(steps.rows(tree, columns), -np.inf, steps.at * JUST_BELOW))
    ones = np.ones(k)
    return _Model(
        np.concatenate([model.gain, -steps.due / model.unit]),
        np.concatenate([model.whole, np.ones(k, dtype=np.int64)]),
        np.concatenate([model.lower, 0.0 * ones]), np.concatenate([model.upper, ones]), wider, model.unit,
    )  # fmt: skip


def _solve(model: _Model, seconds: float, gap: float) -> OptimizeResult:
    with _silent():
        return milp(
            -model.gain,
            integrality=model.whole,
            bounds=Bounds(model.lower, model.upper),
            constraints=model.limits,
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )


@contextmanager
def _silent() -> Iterator[None]:
    """Let the solver print nothing: now and then it does, from below Python, whatever it is told."""
    with _ONE_AT_A_TIME:
        sys.stdout.flush()
        try:
            kept = os.dup(1)
        except OSError:  # there is no standard output
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


def _choice(demands: Demands, x: Floats) -> Ints:
    """Take the action that the solver gives most to at each site, (n,)."""
    tree = demands.tree
    share = np.where(demands.may, x[: tree.cost.size], -1.0)
    order = np.lexsort((-share, tree.site))
    return order[tree.first[:-1]].astype(np.int64)


def _model(demands: Demands, zero: float) -> _Model:
    """Write the model down; its gain is the worth less `zero`, so that the solver's relative gap is that of a plan."""
    tree = demands.tree
    m = tree.cost.size
    gain = np.concatenate([tree.worth, (tree.weight[tree.site] * tree.passability).T.ravel(), [-zero]])
    size = np.abs(tree.weight).sum() + np.abs(tree.worth).sum()
    unit = float(size) / SIZE if size > 0.0 else 1.0
    whole, lower = np.zeros(gain.size, dtype=np.int64), np.zeros(gain.size)
    whole[:m] = 1
    lower[-1] = 1.0
    reach = _reach(demands)[tree.site]
    upper = np.concatenate([demands.may.astype(np.float64), reach.T.ravel(), [1.0]])
    limits = _access_rows(tree, reach)
    if np.isfinite(demands.budget):
        limits.append(_limit(tree.cost, 0, demands.budget, gain.size))
    if np.isfinite(demands.cap):
        exposure = (demands.exposed[tree.site] * tree.passability).T.ravel()
        limits.append(_limit(exposure, m, demands.cap, gain.size))
    if len(demands.pairs):
        k = len(demands.pairs)
        both = sparse.csr_array(
            (np.ones(2 * k), (np.repeat(np.arange(k), 2), demands.pairs.ravel())), shape=(k, gain.size)
        )
        limits.append(LinearConstraint(both, -np.inf, 1.0))
    return _Model(gain / unit, whole, lower, upper, limits, unit)


def _reach(demands: Demands) -> Floats:
    """Return the greatest access just below each site that the actions allowed leave, (n, s)."""
    tree = demands.tree
    through = np.maximum.reduceat(np.where(demands.may[:, None], tree.passability, 0.0), tree.first[:-1])
    below = np.ones_like(tree.weight)
    for b, parent in enumerate(tree.parent.tolist()):
        if parent >= 0:
            below[b] = below[parent] * through[parent]
    return below


def _access_rows(tree: PlanTree, reach: Floats) -> list[LinearConstraint]:
    """One action at each site; what arrives is dealt out over the actions; nothing is given to those not chosen."""
    n, m = len(tree), tree.cost.size
    action, site = np.arange(m), tree.site
    one = sparse.csr_array((np.ones(m), (site, action)), shape=(n, m))
    inner = np.flatnonzero(tree.parent >= 0)
    below = sparse.csr_array((np.ones(inner.size), (inner, tree.parent[inner])), shape=(n, n))
    arrives = (tree.parent < 0).astype(np.float64)

    def columns(blocks: dict[int, sparse.csr_array], rows: int) -> sparse.csr_array:
        row = [blocks.get(k, sparse.csr_array((rows, m))) for k in range(tree.species + 1)]
        return sparse.hstack([*row, sparse.csr_array((rows, 1))], format="csr")

    out = [LinearConstraint(columns({0: one}, n), 1.0, 1.0)]
    for s in range(tree.species):
        through = one @ sparse.diags_array(tree.passability[:, s])
        out.append(LinearConstraint(columns({s + 1: one - below @ through}, n), arrives, arrives))
        only = {0: -sparse.diags_array(reach[:, s]), s + 1: sparse.eye_array(m)}
        out.append(LinearConstraint(columns(only, m), -np.inf, 0.0))
    return out


def _limit(amount: Floats, start: int, limit: float, columns: int) -> LinearConstraint:
    """Limit a sum of amounts, the first of them at column `start`."""
    size = limit if limit > 0.0 else max(amount.max(initial=0.0), 1.0)
    row = np.zeros((1, columns))
    row[0, start : start + amount.size] = amount * (SIZE / size)
    return LinearConstraint(sparse.csr_array(row), -np.inf, limit * (SIZE / size))


def _all_but(choice: Ints, model: _Model) -> LinearConstraint:
    """Rule one choice out."""
    row = np.zeros((1, model.gain.size))
    row[0, choice] = 1.0
    return LinearConstraint(sparse.csr_array(row), -np.inf, choice.size - 1.0)
