"""The plain mixed-integer model of a plan, for a general solver: what the search of this project is measured against.

Written as one would at first: a whole number for each action, the access just above each site for each species, and
the product of choice, access from below and passability put into two inequalities for each action. An action that is
chosen makes them an equality; one that is not leaves them void, since access is 0 to 1. Both are there for every
species, so that the sign of a weight does not matter. The form in ``barrierrank/plan/mixed.py`` is much tighter.
"""

from __future__ import annotations

import time

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.mixed import INFEASIBLE, LEAST_SECONDS, SIZE
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def plain_plan(
    demands: Demands, *, seconds: float = 60.0, gap: float = 1e-3, zero: float | None = None
) -> Plan:
    """Find the plan of greatest worth for a budget by the plain model in HiGHS.

    The worth of the answer is reckoned from its choice, never taken from the solver; the bound is the solver's.

    Parameters
    ----------
    demands : Demands
        A budget, and actions that are allowed; nothing else.
    seconds : float
        Stop then with the best plan so far and its bound.
    gap : float
        Stop when no plan can be better by more than this share of what the plan gains.
    zero : float, optional
        The worth that gains are counted from; by default that of the cheapest choice.

    Returns
    -------
    Plan
        Of status "proven", or "time" where the gap asked for is not shown; `decisions` are the solver's nodes, and no
        price is told (nan).

    Raises
    ------
    ValueError
        There are conflicts or a cap.
    NoPlanError
        Nothing can be paid from the budget.
    """
    if len(demands.pairs) or np.isfinite(demands.cap):
        raise ValueError(
            f"the plain model knows a budget only; {len(demands.pairs)} conflicts and a cap of {demands.cap:g} "
            "were given: leave them out"
        )
    began = time.perf_counter()
    tree = demands.tree
    choice = demands.cheapest(demands.may)
    zero = tree.value(choice)[0] if zero is None else zero
    unit = float(np.abs(tree.weight).sum() + np.abs(tree.worth).sum()) / SIZE or 1.0
    gain = np.concatenate([tree.worth, tree.weight.T.ravel(), [-zero]]) / unit
    limits = [*_access_rows(tree), *_budget_row(demands)]
    nodes = 0
    while True:
        answer = _solved(
            demands, gain, limits, max(began + seconds - time.perf_counter(), LEAST_SECONDS), gap
        )
        nodes += int(answer.get("mip_node_count") or 0)
        if answer.status == INFEASIBLE:
            raise NoPlanError("the plain model has no solution")
        if answer.x is None:
            break
        found = _choice(demands, answer.x)
        if demands.met(found):
            choice = found
            break
        # it is beyond the budget by what the solver takes for rounding
        limits.append(_all_but(found, gain.size))
    worth, cost = tree.value(choice)
    claimed = answer.get("mip_dual_bound")
    bound = max(worth, np.inf if claimed is None else zero - float(claimed) * unit)
    shown = bound - worth <= gap * abs(worth - zero) + ROUNDING * max(abs(worth), abs(zero))
    return Plan(
        choice, worth, cost, demands.exposure_of(choice), bound, zero, "proven" if shown else "time", nodes,
        time.perf_counter() - began, np.nan,
    )  # fmt: skip


def _solved(
    demands: Demands, gain: Floats, limits: list[LinearConstraint], seconds: float, gap: float
) -> OptimizeResult:
    """Have the solver make gain as great as can be.

    Columns are the actions, then for each species the access above each site, then a constant of 1: with `zero` taken
    off, the solver's relative gap is that of a plan.
    """
    whole, lower, upper = np.zeros(gain.size, dtype=np.int64), np.zeros(gain.size), np.ones(gain.size)
    actions = demands.tree.cost.size
    whole[:actions] = 1
    upper[:actions] = demands.may
    lower[-1] = 1.0
    return milp(
        -gain,
        integrality=whole,
        bounds=Bounds(lower, upper),
        constraints=limits,
        options={"time_limit": seconds, "mip_rel_gap": gap},
    )


def _access_rows(tree: PlanTree) -> list[LinearConstraint]:
    """One action at each site; access above it is that below it times the passability of the action that is chosen."""
    n, m, site = len(tree), tree.cost.size, tree.site
    here = sparse.csr_array((np.ones(m), (np.arange(m), site)), shape=(m, n))
    one = sparse.hstack([here.T, sparse.csr_array((n, n * tree.species + 1))], format="csr")
    out = [LinearConstraint(one, 1.0, 1.0)]
    inner = np.flatnonzero(tree.parent[site] >= 0)
    outlet = tree.parent[site] < 0
    for s in range(tree.species):
        p = tree.passability[:, s]
        below = sparse.csr_array((p[inner], (inner, tree.parent[site[inner]])), shape=(m, n))
        before, after = sparse.csr_array((m, n * s)), sparse.csr_array((m, n * (tree.species - 1 - s) + 1))
        known = np.where(outlet, p, 0.0)  # below the first site from an outlet, access is 1
        for sign, low, high in ((1.0, -np.inf, known + 1.0), (-1.0, known - 1.0, np.inf)):
            row = sparse.hstack([sign * sparse.eye_array(m), before, here - below, after], format="csr")
            out.append(LinearConstraint(row, low, high))
    return out


def _budget_row(demands: Demands) -> list[LinearConstraint]:
    """What all actions cost, at most the budget, in a unit that suits the solver's absolute tolerances."""
    cost, budget = demands.tree.cost, demands.budget
    if not np.isfinite(budget):
        return []
    scale = SIZE / (budget if budget > 0.0 else max(cost.max(initial=0.0), 1.0))
    columns = cost.size + len(demands.tree) * demands.tree.species + 1
    row = sparse.csr_array(
        (cost * scale, (np.zeros(cost.size, dtype=np.int64), np.arange(cost.size))), shape=(1, columns)
    )
    return [LinearConstraint(row, -np.inf, budget * scale)]


def _choice(demands: Demands, x: Floats) -> Ints:
    """Take the action that the solver gives most to at each site, (n,)."""
    tree = demands.tree
    share = np.where(demands.may, x[: tree.cost.size], -1.0)
    return np.lexsort((-share, tree.site))[tree.first[:-1]].astype(np.int64)


def _all_but(choice: Ints, columns: int) -> LinearConstraint:
    """Rule one choice out."""
    row = sparse.csr_array(
        (np.ones(choice.size), (np.zeros(choice.size, dtype=np.int64), choice)), shape=(1, columns)
    )
    return LinearConstraint(row, -np.inf, choice.size - 1.0)
