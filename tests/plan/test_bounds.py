"""The relaxation never tells less than the best there is at its price; the second way agrees on medium forests."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_forests import all_plans, budget_of, random_forest

from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.relaxation import Relaxation
from barrierrank.plan.tree import PlanTree

LONG = 600.0
SEEDS = st.integers(0, 2**32 - 1)


def some_allowed(rng: np.random.Generator, tree: PlanTree) -> NDArray[np.bool_]:
    """Draw what is allowed: at least one action of every site."""
    allowed = rng.random(tree.cost.size) < 0.7
    allowed[tree.first[:-1]] |= ~np.logical_or.reduceat(allowed, tree.first[:-1])
    return allowed


@settings(max_examples=400, deadline=None)
@given(
    seed=SEEDS,
    steps=st.sampled_from([None, 2, 3, 5, 9]),
    prices=st.lists(st.sampled_from([0.0, 1e-3, 0.1, 0.11, 0.5, 2.0, 50.0]), min_size=1, max_size=4),
    held=st.integers(0, 3),
    laid=st.integers(0, 4),
)
def test_the_bound_at_a_price_is_no_less_than_the_best(
    seed: int, steps: int | None, prices: list[float], held: int, laid: int
) -> None:
    """One place for stops goes through several prices and several sets of decisions."""
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 5)))
    may = some_allowed(rng, tree)
    relaxation = Relaxation(tree, may, steps)
    stops = relaxation.stops()
    plans = all_plans(tree)
    policies = [plans.choices[k] for k in rng.integers(0, len(plans.choices), held)]
    for k, price in enumerate(prices):
        if k == 2 and price > 0.0:
            relaxation.centre(price)
        if k == laid:  # only policies of what is allowed at all
            those = np.flatnonzero(may[plans.choices].all(axis=1))
            relaxation.lay(price, [plans.choices[j] for j in rng.choice(those, held + 1)])
            stops = relaxation.stops()
        allowed = may & some_allowed(rng, tree) if k % 2 else may
        allowed[may & ~np.repeat(np.logical_or.reduceat(allowed, tree.first[:-1]), np.diff(tree.first))] = (
            True
        )
        within = allowed[plans.choices].all(axis=1)
        best = np.where(within, plans.worth - price * plans.cost, -np.inf).max()
        rounding = 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + price * float(tree.cost.sum()))
        done = relaxation.narrowed(allowed).at(price, stops, policies)
        assert done.bound >= best - rounding
        assert allowed[done.policy].all()
        assert done.reached <= best + rounding
        assert done.reached == pytest.approx(stops.reached, abs=rounding)
        if steps is None:  # so few sites leave next to nothing between bound and policy
            assert done.bound - done.reached <= 0.02 * (1.0 + float(np.abs(tree.weight).sum()))


@settings(max_examples=200, deadline=None)
@given(seed=SEEDS, price=st.sampled_from([0.0, 0.1, 1.0]), known=st.sampled_from([0.0, 0.09, 1.0]))
def test_the_bound_of_a_decision_is_no_less_than_the_best_of_it(
    seed: int, price: float, known: float
) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 4)))
    may = np.ones(tree.cost.size, dtype=bool)
    allowed = some_allowed(rng, tree)
    plans = all_plans(tree)
    relaxation = Relaxation(tree, may)
    relaxation.narrowed(may).at(known, relaxation.stops())
    site = int(rng.integers(len(tree)))
    count = int(tree.first[site + 1] - tree.first[site])
    variants = np.vstack([np.eye(count, dtype=bool), ~np.eye(count, dtype=bool)])
    variants &= allowed[tree.first[site] : tree.first[site + 1]]
    budget = float(rng.uniform(0.0, 1.0 + tree.cost.sum()))
    whole, *bounds = relaxation.narrowed(allowed).decided(price, budget, site, variants)
    rounding = 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + 3.0 * float(tree.cost.sum()))
    within = allowed[plans.choices].all(axis=1) & (plans.cost <= budget)
    assert whole >= np.where(within, plans.worth, -np.inf).max() - rounding
    for variant, bound in zip(variants, bounds, strict=True):
        left = variant[plans.choices[:, site] - tree.first[site]]
        assert bound <= whole + rounding
        if not variant.any():
            assert bound == -np.inf
        else:
            assert bound >= np.where(within & left, plans.worth, -np.inf).max() - rounding


@pytest.mark.parametrize("species", [1, 2, 3, 4])
@pytest.mark.parametrize("sites", [30, 60])
def test_both_ways_agree_on_forests_too_large_to_try_all(sites: int, species: int) -> None:
    rng = np.random.default_rng(1000 * sites + species)
    tree = random_forest(rng, sites, species, roots=0.1)
    for share in (0.2, 0.5):
        demands = Demands(tree, budget_of(tree, share))
        ours = best_plan(demands, gap=1e-6, seconds=LONG)
        theirs = mixed_plan(demands, gap=1e-6, seconds=LONG)
        slack = 1e-6 * (1.0 + float(np.abs(tree.weight).sum()))
        assert ours.status == theirs.status == "proven"
        assert ours.worth == pytest.approx(theirs.worth, abs=slack)
        assert ours.bound >= theirs.worth - slack
        assert theirs.bound >= ours.worth - slack


@pytest.mark.parametrize("kind", ["conflicts", "cap"])
def test_both_ways_agree_on_further_demands(kind: str) -> None:
    for seed in range(3):
        rng = np.random.default_rng(seed)
        tree = random_forest(rng, 30 if kind == "conflicts" else 12, 2, roots=0.1)
        budget = budget_of(tree, 0.3)
        demands = Demands(tree, budget)
        if kind == "conflicts":
            cheapest = demands.cheapest(demands.may)
            pairs = rng.integers(0, tree.cost.size, (40, 2))
            apart = (tree.site[pairs[:, 0]] != tree.site[pairs[:, 1]]) & ~np.isin(pairs, cheapest).all(axis=1)
            demands = Demands(tree, budget, None, pairs[apart])
        else:
            exposure = np.where(rng.random(tree.weight.shape) < 0.3, 1.0, 0.0)
            free = best_plan(demands, gap=1e-6, seconds=LONG)
            demands = Demands(tree, budget, exposure=exposure, cap=0.7 * tree.exposure(exposure, free.choice))
        ours = best_plan(demands, gap=1e-4, seconds=LONG)
        theirs = mixed_plan(demands, gap=1e-6, seconds=LONG)
        slack = 1e-4 * abs(ours.worth - ours.zero) + 1e-6 * float(np.abs(tree.weight).sum())
        assert ours.status == "proven"
        assert demands.met(ours.choice)
        assert demands.met(theirs.choice)
        assert ours.worth == pytest.approx(theirs.worth, abs=slack)
        assert ours.bound >= theirs.worth - slack
