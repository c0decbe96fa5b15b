"""Plans of thousands of small random forests against every plan there is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_forests import (
    AllPlans,
    all_plans,
    as_it_is,
    budget_of,
    feasible,
    knotty_forest,
    random_forest,
    renumbered,
)

from barrierrank.plan import kernels_moves
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.reduce import reduced

LONG = 600.0
"""Seconds that no small search comes near, compiling included."""
ROUNDING = 1e-9
NONE = (
    r"no plan (was found|meets|is exposed)|the least that a plan can|no action is allowed|what is forced excludes"
    r"|leave no action"
)
SEEDS = st.integers(0, 2**32 - 1)


def drawn(seed: int, kinds: str = "", sites: int = 6) -> tuple[Demands, AllPlans]:
    """Draw a forest and demands: `kinds` has a letter for each of allowed, conflicts and exposure."""
    rng = np.random.default_rng(seed)
    n, species = int(rng.integers(1, sites + 1)), int(rng.integers(1, 5))
    tree = random_forest(rng, n, species)
    m = tree.cost.size
    allowed = rng.random(m) < 0.75 if "a" in kinds else None
    conflicts = None
    if "c" in kinds:
        pairs = rng.integers(0, m, (int(rng.integers(1, 7)), 2))
        conflicts = pairs[tree.site[pairs[:, 0]] != tree.site[pairs[:, 1]]]
    exposure = None
    if "e" in kinds:
        exposure = np.where(rng.random((n, species)) < 0.5, rng.lognormal(0.0, 1.0, (n, species)), 0.0)
    plans = all_plans(tree, exposure)
    one = int(rng.integers(len(plans.cost)))
    most = float(plans.cost.max())
    budget = float(rng.choice([0.0, plans.cost[one], most * rng.random(), most, 1e6, np.inf]))
    cap = np.inf
    if "e" in kinds:
        some = float(np.quantile(plans.exposure, rng.random()))
        cap = float(rng.choice([0.0, some, some, plans.exposure[one]]))
    return Demands(tree, budget, allowed, conflicts, exposure, cap), plans


def optimum(demands: Demands, plans: AllPlans) -> float:
    """Return the worth of the best plan, -inf where there is none."""
    return float(np.where(feasible(demands, plans), plans.worth, -np.inf).max())


def size_of(demands: Demands) -> float:
    return float(np.abs(demands.tree.weight).sum() + np.abs(demands.tree.worth).sum()) + 1e-12


def check(plan: Plan, demands: Demands, best: float, gap: float) -> None:
    """Hold a proven plan against the optimum."""
    rounding = ROUNDING * size_of(demands)
    worth, cost = demands.tree.value(plan.choice)
    assert (plan.worth, plan.cost) == pytest.approx((worth, cost))
    assert demands.met(plan.choice)
    assert worth <= best + rounding
    assert plan.bound >= best - rounding
    assert plan.bound >= plan.worth
    assert plan.status == "proven"
    assert best - worth <= gap * abs(worth - plan.zero) + rounding
    assert plan.bound - worth <= gap * abs(worth - plan.zero) + rounding


@pytest.mark.parametrize("kinds", ["", "a", "c", "ac"])
@settings(max_examples=600, deadline=None)
@given(seed=SEEDS)
def test_the_best_of_all_plans_is_found(kinds: str, seed: int) -> None:
    demands, plans = drawn(seed, kinds)
    best = optimum(demands, plans)
    if best == -np.inf:
        with pytest.raises(NoPlanError, match=NONE):
            best_plan(demands, gap=1e-9, seconds=LONG)
        return
    check(best_plan(demands, gap=1e-9, seconds=LONG), demands, best, 1e-9)


@pytest.mark.parametrize("kinds", ["e", "ace"])
@settings(max_examples=200, deadline=None)
@given(seed=SEEDS)
def test_the_best_of_all_plans_under_a_cap(kinds: str, seed: int) -> None:
    demands, plans = drawn(seed, kinds, sites=5)
    best = optimum(demands, plans)
    if best == -np.inf:
        with pytest.raises(NoPlanError, match=NONE):
            best_plan(demands, gap=1e-9, seconds=LONG)
        return
    check(best_plan(demands, gap=1e-9, seconds=LONG), demands, best, 1e-9)


def knotty(seed: int, kinds: str) -> tuple[Demands, AllPlans]:
    """Draw a forest on which much has to be decided, and a budget for a part of it."""
    rng = np.random.default_rng(seed)
    tree = knotty_forest(rng, 7, int(rng.integers(1, 4)))
    exposure = rng.lognormal(0.0, 1.0, tree.weight.shape)
    plans = all_plans(tree, exposure)
    pairs = rng.integers(0, tree.cost.size, (6, 2))
    pairs = pairs[tree.site[pairs[:, 0]] != tree.site[pairs[:, 1]]]
    budget = budget_of(tree, float(rng.uniform(0.1, 0.6)))
    cap = float(np.quantile(plans.exposure, rng.uniform(0.1, 0.5))) if "e" in kinds else np.inf
    return Demands(tree, budget, None, pairs if "c" in kinds else None, exposure, cap), plans


@pytest.mark.parametrize("moves", [True, False])
@pytest.mark.parametrize("kinds", ["", "c", "e"])
def test_the_best_is_found_where_much_has_to_be_decided(
    monkeypatch: pytest.MonkeyPatch, kinds: str, moves: bool
) -> None:
    if not moves:
        monkeypatch.setattr(kernels_moves, "improve", as_it_is)
    decided = 0
    for seed in range(12 if kinds == "e" else 60):
        demands, plans = knotty(seed, kinds)
        best = optimum(demands, plans)
        if best == -np.inf:
            continue
        plan = best_plan(demands, gap=1e-9, seconds=LONG)
        check(plan, demands, best, 1e-9)
        decided += plan.decisions > 3
        for gap in (0.01, 0.3):
            check(best_plan(demands, gap=gap, seconds=LONG), demands, best, gap)
    assert decided >= 8


@settings(max_examples=300, deadline=None)
@given(seed=SEEDS, gap=st.sampled_from([1e-3, 0.05, 0.5]))
def test_a_loose_gap_is_an_honest_one(seed: int, gap: float) -> None:
    demands, plans = drawn(seed)
    best = optimum(demands, plans)
    if best > -np.inf:
        check(best_plan(demands, gap=gap, seconds=LONG), demands, best, gap)


@settings(max_examples=150, deadline=None)
@given(seed=SEEDS, kinds=st.sampled_from(["", "a", "c"]), seconds=st.sampled_from([0.0, 1e-4, 1e-3]))
def test_a_bound_holds_whenever_time_is_up(seed: int, kinds: str, seconds: float) -> None:
    demands, plans = drawn(seed, kinds)
    best = optimum(demands, plans)
    try:
        plan = best_plan(demands, gap=1e-9, seconds=seconds)
    except NoPlanError:
        assert best == -np.inf or "c" in kinds  # with conflicts none may have been found yet
        return
    rounding = ROUNDING * size_of(demands)
    assert plan.status in ("proven", "time")
    assert plan.worth - rounding <= best <= plan.bound + rounding
    assert demands.met(plan.choice)


@settings(max_examples=200, deadline=None)
@given(seed=SEEDS, kinds=st.sampled_from(["", "a", "c", "e"]))
def test_sites_may_be_numbered_in_any_way(seed: int, kinds: str) -> None:
    demands, plans = drawn(seed, kinds, sites=5)
    if optimum(demands, plans) == -np.inf:
        return
    other, action = renumbered(demands, np.random.default_rng(seed))
    one = best_plan(demands, gap=1e-9, seconds=LONG)
    two = best_plan(other, gap=1e-9, seconds=LONG)
    rounding = ROUNDING * size_of(demands)
    assert two.worth == pytest.approx(one.worth, abs=rounding, rel=1e-8)
    there = np.sort(action[two.choice])
    assert demands.met(there)
    assert demands.tree.value(there)[0] == pytest.approx(two.worth, abs=rounding)


@settings(max_examples=100, deadline=None)
@given(seed=SEEDS, kinds=st.sampled_from(["", "c", "e", "ace"]))
def test_the_second_way_finds_the_best_of_all_plans(seed: int, kinds: str) -> None:
    demands, plans = drawn(seed, kinds)
    best = optimum(demands, plans)
    if best == -np.inf:
        with pytest.raises(NoPlanError, match=NONE):
            mixed_plan(demands, gap=1e-9, seconds=LONG)
        return
    plan = mixed_plan(demands, gap=1e-9, seconds=LONG)
    rounding = 1e-7 * size_of(demands)
    assert demands.met(plan.choice)
    assert plan.worth == demands.tree.value(plan.choice)[0]
    assert plan.worth == pytest.approx(best, abs=rounding)
    assert plan.bound >= best - rounding


@settings(max_examples=300, deadline=None)
@given(seed=SEEDS, kinds=st.sampled_from(["", "a", "c", "e", "ace"]))
def test_the_smaller_tree_has_the_same_best_plan(seed: int, kinds: str) -> None:
    demands, plans = drawn(seed, kinds, sites=5)
    best = optimum(demands, plans)
    try:
        small = reduced(demands)
    except NoPlanError:
        assert best == -np.inf
        return
    rounding = ROUNDING * size_of(demands)
    if not small.kept.size:
        assert demands.met(small.fixed) == (best > -np.inf)
        return
    inner = all_plans(small.demands.tree, small.demands.exposed)
    some = np.unique(np.linspace(0, len(inner.choices) - 1, 40).astype(int))
    for k in some:  # every plan of the smaller tree comes to the same on the whole one
        whole = small.whole(inner.choices[k])
        assert demands.tree.value(whole) == pytest.approx(
            (inner.worth[k] + small.worth, inner.cost[k] + small.cost), abs=rounding, rel=1e-9
        )
        assert demands.exposure_of(whole) == pytest.approx(inner.exposure[k] + small.exposure, abs=1e-9)
        back = small.part(whole)
        assert back is not None
        assert back.tolist() == inner.choices[k].tolist()
    within = feasible(small.demands, inner)
    if best == -np.inf:
        assert not any(demands.met(small.whole(choice)) for choice in inner.choices[within])
    else:
        assert inner.worth[within].max() + small.worth == pytest.approx(best, abs=rounding)


def test_many_known_plans_and_a_guessed_price_change_nothing() -> None:
    for seed in range(40):
        demands, plans = drawn(seed)
        best = optimum(demands, plans)
        if best == -np.inf:
            continue
        start = [plans.choices[k] for k in (0, len(plans.choices) // 2, -1)]
        for price in (1e-6, 1.0, 1e6):
            check(best_plan(demands, gap=1e-9, seconds=LONG, start=start, price=price), demands, best, 1e-9)


def test_gains_are_counted_from_where_it_is_said() -> None:
    demands, plans = drawn(13)
    best = optimum(demands, plans)
    plan = best_plan(demands, gap=1e-9, seconds=LONG, zero=best - 4.0)
    assert plan.worth - plan.zero == pytest.approx(4.0)
    assert replace(plan, bound=best + 1.0).gap == pytest.approx(0.25)


def test_a_forest_where_the_price_never_came_above_none() -> None:
    """What is best at a price of 0 is beyond the budget there, and no price above was looked for: no end to it."""
    demands, plans = drawn(11929, "c")
    check(best_plan(demands, gap=1e-9, seconds=LONG), demands, optimum(demands, plans), 1e-9)
