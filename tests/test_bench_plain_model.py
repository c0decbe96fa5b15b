"""The plain mixed-integer model that plans are measured against: it must be right, or the measure means nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.random_forests import all_plans, feasible, random_forest

from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.tree import PlanTree

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
Solver = Callable[..., Plan]


@pytest.fixture
def plain_plan(monkeypatch: pytest.MonkeyPatch) -> Solver:
    monkeypatch.syspath_prepend(str(SCRIPTS))
    from plain_model import plain_plan  # noqa: PLC0415 - scripts are no package of the tests

    return plain_plan


def two_in_a_row(weight: float) -> PlanTree:
    """Two sites, one above the other, shut by half; each can be left, removed for 2, or shut for 1."""
    return PlanTree(
        np.array([-1, 0]), np.array([[weight], [4.0 * weight]]), np.array([0, 3, 6]),
        np.array([[0.5], [1.0], [0.0]] * 2), np.array([0.0, 2.0, 1.0] * 2), np.zeros(6),
    )  # fmt: skip


@pytest.mark.parametrize("weigh", ["both signs", "for", "against"])
@pytest.mark.parametrize("seed", range(6))
def test_it_finds_the_best_of_all_plans(plain_plan: Solver, seed: int, weigh: str) -> None:
    rng = np.random.default_rng([seed, 17])
    tree = random_forest(rng, 3 + seed % 4, 1 + seed % 3)
    sign = {"for": 1.0, "against": -1.0, "both signs": np.sign(tree.weight)}[weigh]
    tree = replace(tree, weight=np.abs(tree.weight) * sign)
    plans = all_plans(tree)
    allowed = rng.random(tree.cost.size) < 0.9
    allowed[tree.first[:-1]] = True
    least = tree.cost[Demands(tree, np.inf, allowed=allowed).cheapest(allowed)].sum()
    demands = Demands(tree, float(least + rng.random() * (plans.cost.max() - least)), allowed=allowed)
    best = plans.worth[feasible(demands, plans)].max()
    theirs = plain_plan(demands, seconds=30.0, gap=1e-9)
    ours = best_plan(demands, gap=1e-9, seconds=30.0)
    assert theirs.worth == pytest.approx(best, rel=1e-7, abs=1e-7)
    assert theirs.worth == pytest.approx(ours.worth, rel=1e-7, abs=1e-7)
    assert theirs.bound == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert (theirs.worth, theirs.cost) == tree.value(theirs.choice)
    assert demands.met(theirs.choice)


def test_two_sites_by_hand(plain_plan: Solver) -> None:
    # left as it is: 0.5 + 4 x 0.25 = 1.5; either site removed: below 1 + 4 x 0.5 = 3, above 0.5 + 4 x 0.5 = 2.5
    found = plain_plan(Demands(two_in_a_row(1.0), 2.0), gap=1e-9)
    assert found.choice.tolist() == [1, 3]
    assert (found.worth, found.cost, found.zero) == (3.0, 2.0, 1.5)
    # against an invader the lower site is shut for 1, and nothing is left to lose
    found = plain_plan(Demands(two_in_a_row(-1.0), 2.0), gap=1e-9)
    assert found.choice[0] == 2
    assert (found.worth, found.zero) == (0.0, -1.5)


def test_no_budget_and_one_without_end(plain_plan: Solver) -> None:
    tree = two_in_a_row(1.0)
    assert plain_plan(Demands(tree, 0.0), gap=1e-9).choice.tolist() == [0, 3]
    assert plain_plan(Demands(tree, np.inf), gap=1e-9).choice.tolist() == [1, 4]
    with pytest.raises(NoPlanError, match="the least that a plan can cost is 3; the budget is 2"):
        plain_plan(Demands(tree, 2.0, allowed=np.array([False, True, False, False, False, True])))


def test_what_it_does_not_know_is_refused(plain_plan: Solver) -> None:
    tree = two_in_a_row(1.0)
    with pytest.raises(ValueError, match="a budget only; 1 conflicts"):
        plain_plan(Demands(tree, 2.0, conflicts=np.array([[1, 4]])))
    with pytest.raises(ValueError, match="a cap of 3"):
        plain_plan(Demands(tree, 2.0, exposure=np.ones((2, 1)), cap=3.0))
