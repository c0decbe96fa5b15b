"""The relaxation never tells less than the best there is at its price; the second way agrees on medium forests."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_forests import all_plans, budget_of, random_forest

from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.relaxation import Relaxation

LONG = 600.0
SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=400, deadline=None)
@given(
    seed=SEEDS,
    steps=st.sampled_from([None, 2, 3, 5, 9]),
    price=st.sampled_from([0.0, 1e-3, 0.1, 0.5, 2.0, 50.0]),
    held=st.integers(0, 3),
)
def test_the_bound_at_a_price_is_no_less_than_the_best(
    seed: int, steps: int | None, price: float, held: int
) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 5)))
    allowed = rng.random(tree.cost.size) < 0.7
    allowed[tree.first[:-1]] |= ~np.logical_or.reduceat(allowed, tree.first[:-1])
    plans = all_plans(tree)
    may = allowed[plans.choices].all(axis=1)
    at_price = np.where(may, plans.worth - price * plans.cost, -np.inf)
    policies = [plans.choices[k] for k in rng.integers(0, len(plans.choices), held)]
    rounding = 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + price * float(tree.cost.sum()))
    done = Relaxation(tree, steps).at(price, allowed, policies)
    assert done.bound >= at_price.max() - rounding
    assert done.by_grid >= done.bound - rounding
    assert allowed[done.policy].all()
    assert done.reached <= at_price.max() + rounding
    sharp = Relaxation(tree, steps).sharp(price, allowed, policies, tolerance=0.0, mark=np.nan, most=6)
    assert sharp.bound >= at_price.max() - rounding
    if steps is None:  # so few sites leave nothing between bound and policy
        assert sharp.bound == pytest.approx(sharp.reached, abs=max(1e-6, rounding))


@settings(max_examples=200, deadline=None)
@given(seed=SEEDS, price=st.sampled_from([0.0, 0.1, 1.0]))
def test_the_bound_of_a_decision_is_no_less_than_the_best_of_it(seed: int, price: float) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 4)))
    allowed = np.ones(tree.cost.size, dtype=bool)
    plans = all_plans(tree)
    at_price = plans.worth - price * plans.cost
    relaxation = Relaxation(tree)
    done = relaxation.at(price, allowed, [plans.choices[0]])
    site = int(rng.integers(len(tree)))
    count = int(tree.first[site + 1] - tree.first[site])
    variants = np.vstack([np.eye(count, dtype=bool), ~np.eye(count, dtype=bool)])
    change = relaxation.decided(done, allowed, site, variants)
    rounding = 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + price * float(tree.cost.sum()))
    assert (change <= 0.0).all()
    for variant, less in zip(variants, change, strict=True):
        left = variant[plans.choices[:, site] - tree.first[site]]
        if not left.any():
            assert less == -np.inf
        else:
            assert done.by_grid + less >= at_price[left].max() - rounding


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
