"""Plans against published and remembered problems that a plan has as special cases, and against a general solver.

Each test says where its numbers come from.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.found import Plan
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.tree import PlanTree

LONG = 600.0
Way = Callable[..., Plan]
WAYS: list[Way] = [best_plan, mixed_plan]

# Knapsack P01: capacity, weights and profits, and the optimum 309 by items 1, 2, 3, 4 and 6 of weight 165. Set
# KNAPSACK_01 of Florida State University, after Kreher & Stinson 1998, Combinatorial Algorithms
P01_CAPACITY = 165
P01_WEIGHT = (23, 31, 29, 44, 53, 38, 63, 85, 89, 82)
P01_PROFIT = (92, 57, 49, 68, 60, 43, 67, 84, 87, 72)
P01_OPTIMUM, P01_ITEMS = 309, (1, 2, 3, 4, 6)


def gates(parent: list[int], cost: list[float], profit: list[float]) -> PlanTree:
    """Make sites that are shut or, at a cost, open; behind each there is a profit for whoever gets there."""
    n = len(parent)
    return PlanTree(
        np.array(parent), np.array(profit, dtype=np.float64)[:, None], 2 * np.arange(n + 1),
        np.tile([[0.0], [1.0]], (n, 1)), np.column_stack([np.zeros(n), cost]).ravel(), np.zeros(2 * n),
    )  # fmt: skip


def opened(tree: PlanTree, choice: NDArray[np.int64]) -> list[int]:
    """Return which sites a choice opens, from 1 on."""
    return [b + 1 for b in range(len(tree)) if choice[b] > tree.first[b]]


@pytest.mark.parametrize("way", WAYS)
def test_knapsack_p01(way: Way) -> None:
    # sites that have nothing to do with each other are the 0-1 knapsack; source above
    tree = gates([-1] * 10, list(P01_WEIGHT), list(P01_PROFIT))
    plan = way(Demands(tree, P01_CAPACITY), gap=1e-9, seconds=LONG)
    assert plan.worth == pytest.approx(P01_OPTIMUM)
    assert plan.bound == pytest.approx(P01_OPTIMUM)
    assert plan.cost == pytest.approx(165.0)
    assert tuple(opened(tree, plan.choice)) == P01_ITEMS


# Each from memory, and recomputed by trying all subsets: Martello & Toth 1990, Knapsack Problems, chapter 2 (the first
# two); sets P02 and P07 of Florida State University (the others)
REMEMBERED = [
    (102, (2, 20, 20, 30, 40, 30, 60, 10), (15, 100, 90, 60, 40, 15, 10, 1), 280),
    (50, (31, 10, 20, 19, 4, 3, 6), (70, 20, 39, 37, 7, 5, 10), 107),
    (26, (12, 7, 11, 8, 9), (24, 13, 23, 15, 16), 51),
    (
        750,
        (70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120),
        (135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240),
        1458,
    ),
]


@pytest.mark.parametrize(("capacity", "weight", "profit", "best"), REMEMBERED)
@pytest.mark.parametrize("way", WAYS)
def test_remembered_knapsacks(
    way: Way, capacity: float, weight: tuple[float, ...], profit: tuple[float, ...], best: float
) -> None:
    taken = np.array(list(product([0, 1], repeat=len(weight))))
    assert (taken @ profit)[taken @ weight <= capacity].max() == best
    tree = gates([-1] * len(weight), list(weight), list(profit))
    plan = way(Demands(tree, capacity), gap=1e-9, seconds=LONG)
    assert (plan.worth, plan.bound) == pytest.approx((best, best))


@pytest.mark.parametrize("way", WAYS)
def test_on_a_chain_only_what_comes_first_can_be_taken(way: Way) -> None:
    # P01 (source above) with the items one above the other: 23 + 31 + 29 + 44 = 127 fits, with 53 it does not; so
    # 92 + 57 + 49 + 68 = 266. Reckoned by hand; common practice, no source
    tree = gates(list(range(-1, 9)), list(P01_WEIGHT), list(P01_PROFIT))
    plan = way(Demands(tree, P01_CAPACITY), gap=1e-9, seconds=LONG)
    assert plan.worth == pytest.approx(266.0)
    assert opened(tree, plan.choice)[:4] == [1, 2, 3, 4]


def closures(parent: list[int]) -> NDArray[np.int64]:
    """Return every set of projects that holds what each of them needs, a row of 0 and 1 each."""
    sets = np.array(list(product([0, 1], repeat=len(parent))))
    good = np.ones(len(sets), dtype=bool)
    for b, p in enumerate(parent):
        if p >= 0:
            good &= sets[:, b] <= sets[:, p]
    return sets[good]


@pytest.mark.parametrize("way", WAYS)
def test_project_selection(way: Way) -> None:
    # projects that lose and are needed by projects that gain; the best set that is closed under what is needed, no
    # budget: Rhys 1970 and Picard 1976, from memory; the numbers are invented, the optimum 7 is by trying all: 1, 2
    # and 4 pay together (-5 + 8 + 4), 3 and 5 do not (-6 + 5), nor do 6 and 7 (-3 + 1)
    parent, profit = [-1, 0, 0, 1, 2, -1, 5], [-5.0, 8.0, -6.0, 4.0, 5.0, -3.0, 1.0]
    assert (closures(parent) @ profit).max() == 7.0
    plan = way(Demands(gates(parent, [0.0] * 7, profit), 0.0), gap=1e-9, seconds=LONG)
    assert (plan.worth, plan.bound) == pytest.approx((7.0, 7.0))


def by_levels_of_cost(parent: list[int], cost: list[int], profit: list[float], budget: int) -> float:
    """Return the optimum of the tree knapsack: best profit above each node at every cost, from the leaves down."""
    n = len(parent)
    total = np.zeros(
        (n + 1, budget + 1)
    )  # of all that may be taken above a node, the last row for the outlets
    for b in range(n - 1, -1, -1):
        with_it = np.full(budget + 1, -np.inf)
        if cost[b] <= budget:
            with_it[cost[b] :] = profit[b] + total[b, : budget + 1 - cost[b]]
        own = np.maximum(with_it, 0.0)
        below = total[parent[b]].copy()
        for c in range(budget + 1):
            total[parent[b], c] = max(below[c - k] + own[k] for k in range(c + 1))
    return float(total[-1, budget])


@pytest.mark.parametrize("seed", range(12))
def test_tree_knapsack_by_dynamic_programming(seed: int) -> None:
    # Johnson & Niemi 1983, On knapsacks, partitions, and a new dynamic programming technique for trees, Math. Oper.
    # Res. 8:1-14, from memory: whole costs, an item only with all below it. Written anew above
    rng = np.random.default_rng(seed)
    n, budget = 40, 60
    parent = [int(rng.integers(-1, b)) if b else -1 for b in range(n)]
    cost = [int(c) for c in rng.integers(1, 15, n)]
    profit = [float(v) for v in rng.integers(-8, 25, n)]
    best = by_levels_of_cost(parent, cost, profit, budget)
    plan = best_plan(Demands(gates(parent, [float(c) for c in cost], profit), budget), gap=1e-9, seconds=LONG)
    assert (plan.worth, plan.bound) == pytest.approx((best, best))


def solved(gain: NDArray[np.float64], rows: list[tuple[NDArray[np.float64], float]]) -> float:
    """Return the optimum of a problem of 0 and 1, each row times the choice at most a limit, by HiGHS."""
    matrix = sparse.csr_array(np.array([row for row, _ in rows]))
    limits = LinearConstraint(matrix, -np.inf, np.array([limit for _, limit in rows]))
    answer = milp(
        -gain, integrality=np.ones(gain.size), bounds=Bounds(0.0, 1.0), constraints=limits,
        options={"mip_rel_gap": 0.0},
    )  # fmt: skip
    assert answer.status == 0
    return float(gain @ np.round(answer.x))


@pytest.mark.parametrize("seed", range(6))
def test_precedence_model_of_a_general_solver(seed: int) -> None:
    # the usual model of projects that need each other, y(above) <= y(below), in HiGHS by scipy: common practice, no
    # source. It knows nothing of access
    rng = np.random.default_rng(100 + seed)
    n = 150
    parent = [int(rng.integers(max(-1, b - 20), b)) if b else -1 for b in range(n)]
    cost, profit = rng.lognormal(0.0, 1.0, n), rng.normal(0.5, 1.0, n)
    budget = 0.2 * float(cost.sum())
    rows = [(cost, budget)]
    for b, p in enumerate(parent):
        if p >= 0:
            rows.append((np.eye(n)[b] - np.eye(n)[p], 0.0))
    best = solved(profit, rows)
    plan = best_plan(Demands(gates(parent, cost.tolist(), profit.tolist()), budget), gap=1e-6, seconds=LONG)
    assert plan.status == "proven"
    assert plan.worth == pytest.approx(best, rel=2e-6)
    assert plan.bound >= best - 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_multiple_choice_knapsack_of_a_general_solver(seed: int) -> None:
    # one of several at each place: the multiple-choice knapsack, Sinha & Zoltners 1979, Oper. Res. 27:503-515, from
    # memory; optimum by HiGHS through scipy
    rng = np.random.default_rng(seed)
    n, k = 60, 4
    cost, share = rng.lognormal(0.0, 1.0, (n, k)), rng.random((n, k))
    cost[:, 0] = share[:, 0] = 0.0
    weight = rng.lognormal(0.0, 1.0, n)
    budget = 0.1 * float(cost.sum())
    tree = PlanTree(
        np.full(n, -1),
        weight[:, None],
        k * np.arange(n + 1),
        share.reshape(-1, 1),
        cost.ravel(),
        np.zeros(n * k),
    )
    one_each = [(np.repeat(np.eye(n)[b], k), 1.0) for b in range(n)]
    best = solved((weight[:, None] * share).ravel(), [(cost.ravel(), budget), *one_each])
    plan = best_plan(Demands(tree, budget), gap=1e-6, seconds=LONG)
    assert plan.status == "proven"
    assert plan.worth == pytest.approx(best, rel=2e-6)
    assert plan.bound >= best - 1e-6
