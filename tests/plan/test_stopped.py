"""A search that is stopped, by time or by the user, and one that is run again."""

from __future__ import annotations

from itertools import count
from typing import Any

import numpy as np
import pytest
from support.random_forests import all_plans, as_it_is, budget_of, random_forest

from barrierrank.plan import kernels_moves
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.relaxation import Narrowed
from barrierrank.plan.tree import PlanTree

LONG = 600.0


def forest(seed: int, sites: int = 7, species: int = 2) -> PlanTree:
    """Draw a forest on which something has to be decided."""
    return random_forest(np.random.default_rng(seed), sites, species, roots=0.1)


def half(tree: PlanTree) -> Demands:
    """Ask for a plan for less than half of what everything would cost."""
    return Demands(tree, budget_of(tree, 0.4))


def stop_after(monkeypatch: pytest.MonkeyPatch, calls: int) -> list[int]:
    """Have the user press Ctrl-C when the relaxation is solved for the time after `calls`."""
    number = count()
    pressed: list[int] = []
    sharp = Narrowed.at

    def stopped(self: Narrowed, *args: Any, **named: Any) -> Any:
        if next(number) >= calls:
            pressed.append(1)
            raise KeyboardInterrupt
        return sharp(self, *args, **named)

    monkeypatch.setattr(Narrowed, "at", stopped)
    return pressed


@pytest.mark.parametrize("calls", [0, 1, 2, 3, 5, 8, 13, 21, 34])
def test_stopped_from_the_keyboard_it_tells_the_best_so_far(
    monkeypatch: pytest.MonkeyPatch, calls: int
) -> None:
    interrupted = 0
    for seed in range(60):
        demands = half(forest(seed))
        plans = all_plans(demands.tree)
        within = plans.cost <= demands.budget * (1.0 + 1e-9)
        best = plans.worth[within].max()
        with monkeypatch.context() as patch:
            pressed = stop_after(patch, calls)
            plan = best_plan(demands, gap=1e-9, seconds=LONG)
        assert plan.status == ("interrupted" if pressed else "proven")
        assert demands.met(plan.choice)
        assert plan.worth - 1e-9 <= best <= plan.bound + 1e-9
        interrupted += bool(pressed)
    assert interrupted >= (10 if calls < 13 else 1)


def chain(seed: int, sites: int) -> PlanTree:
    """Draw a chain of shut sites, the dear habitat far up: a plan has to open all below it."""
    rng = np.random.default_rng(seed)
    passability = np.array([[0.0, 0.0], [0.33, 0.66], [1.0, 1.0]])
    cost = np.column_stack([np.zeros(sites), rng.uniform(0.3, 0.9, sites), np.ones(sites)])
    weight = rng.lognormal(0.0, 1.0, (sites, 2)) * [-1.0, 1.2]
    return PlanTree(
        np.arange(-1, sites - 1), weight, 3 * np.arange(sites + 1), np.tile(passability, (sites, 1)),
        cost.ravel(), np.zeros(3 * sites),
    )  # fmt: skip


def test_stopped_at_any_moment_of_a_long_search_the_bound_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    poorer = 0
    for seed in range(6):
        demands = Demands(chain(seed, 24), 9.0)
        whole = best_plan(demands, gap=1e-9, seconds=LONG)
        for calls in range(0, 120, 4):
            with monkeypatch.context() as patch:
                patch.setattr(kernels_moves, "improve", as_it_is)
                stop_after(patch, calls)
                plan = best_plan(demands, gap=1e-9, seconds=LONG)
            assert plan.bound >= whole.worth - 1e-9
            assert plan.worth <= whole.bound + 1e-9
            poorer += plan.worth < whole.worth - 1e-6
    assert poorer >= 10  # else the bound was not put to the test


def test_time_that_is_up_is_said_and_the_gap_left_open_is_shown() -> None:
    demands = half(forest(4, sites=400))
    plan = best_plan(demands, gap=0.0, seconds=0.0)
    assert plan.status == "time"
    assert plan.gap > 0.0
    assert demands.met(plan.choice)
    assert plan.seconds < LONG


def test_run_again_it_gives_the_same_plan() -> None:
    for seed in range(5):
        demands = half(forest(seed, sites=80, species=1 + seed % 4))
        one = best_plan(demands, gap=1e-4, seconds=LONG)
        two = best_plan(demands, gap=1e-4, seconds=LONG)
        assert one.choice.tolist() == two.choice.tolist()
        assert (one.worth, one.bound, one.decisions) == (two.worth, two.bound, two.decisions)


def test_nothing_given_is_written_to() -> None:
    tree = forest(8, sites=50)
    demands = half(tree)
    arrays = (tree.parent, tree.weight, tree.first, tree.passability, tree.cost, tree.worth)
    for array in arrays:
        array.setflags(write=False)
    before = [array.copy() for array in arrays]
    best_plan(demands, gap=1e-6, seconds=LONG)
    mixed_plan(demands, gap=1e-3, seconds=LONG)
    assert all((a == b).all() for a, b in zip(arrays, before, strict=True))


def sites_apart(cost: list[float], worth: list[float]) -> PlanTree:
    """Make a forest of sites that have nothing to do with each other: to leave each, or to do it."""
    n = len(cost)
    passability = np.tile([[0.0], [1.0]], (n, 1))
    costs = np.column_stack([np.zeros(n), cost]).ravel()
    weight = np.array(worth, dtype=np.float64)[:, None]
    return PlanTree(np.full(n, -1), weight, 2 * np.arange(n + 1), passability, costs, np.zeros(2 * n))


@pytest.mark.parametrize("way", [best_plan, mixed_plan])
def test_what_cannot_be_met_is_said(way: Any) -> None:
    tree = sites_apart([3.0, 4.0], [1.0, 1.0])
    forced = np.array([False, True, False, True])
    with pytest.raises(NoPlanError, match=r"the least that a plan can cost is 7; the budget is 6"):
        way(Demands(tree, 6.0, forced), seconds=LONG)
    with pytest.raises(NoPlanError, match="no action is allowed"):
        way(Demands(tree, 6.0, np.array([False, False, True, True])), seconds=LONG)
    with pytest.raises(NoPlanError, match="no plan"):  # of the two that are forced only one may be had
        way(Demands(tree, 9.0, None, np.array([[0, 2], [1, 2], [0, 3], [1, 3]])), seconds=LONG)
    exposed = np.ones((2, 1))
    with pytest.raises(NoPlanError, match=r"no plan is exposed to less than 2; the cap is 1\.5"):
        way(Demands(tree, 9.0, forced, exposure=exposed, cap=1.5), seconds=LONG)
    shutting = PlanTree(  # what lets nothing past costs 3 and 4, and the cap asks for both
        tree.parent, tree.weight, tree.first, 1.0 - tree.passability, tree.cost, tree.worth
    )
    with pytest.raises(NoPlanError, match="budget and cap together leave no action at some site"):
        way(Demands(shutting, 6.0, exposure=exposed, cap=0.5), seconds=LONG)


@pytest.mark.parametrize("way", [best_plan, mixed_plan])
def test_dependent_and_exclusive_actions(way: Any) -> None:
    tree = sites_apart([1.0, 1.0, 1.0], [9.0, -2.0, 8.0])
    exclusive = way(Demands(tree, 9.0, None, np.array([[1, 5]])), gap=1e-9, seconds=LONG)
    assert exclusive.choice.tolist() == [1, 2, 4]
    needs = np.array([[1, 2], [5, 2]])  # the first and the third only beside the second
    dependent = way(Demands(tree, 9.0, None, needs), gap=1e-9, seconds=LONG)
    assert dependent.choice.tolist() == [1, 3, 5]
    assert dependent.worth == pytest.approx(15.0)
    alone = way(Demands(tree, 2.0, None, needs), gap=1e-9, seconds=LONG)
    assert alone.choice.tolist() == [1, 3, 4]


def test_a_budget_of_nothing_and_one_beyond_everything() -> None:
    tree = sites_apart([1.0, 0.0, 2.0, 5.0], [3.0, 4.0, -1.0, 6.0])
    assert best_plan(Demands(tree, 0.0), gap=1e-9, seconds=LONG).choice.tolist() == [0, 3, 4, 6]
    for budget in (6.0, 1e12, np.inf):
        plan = best_plan(Demands(tree, budget), gap=1e-9, seconds=LONG)
        assert plan.choice.tolist() == [1, 3, 4, 7]
        assert plan.bound == pytest.approx(13.0)
    with pytest.raises(ValueError, match="budget"):
        Demands(tree, -1.0)
    with pytest.raises(ValueError, match="budget"):
        Demands(tree, np.nan)
