"""What is not worth its price is left out with proof: no bound falls below what there is, at any greater price."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_forests import all_plans, budget_of, knotty_forest, random_forest, rounding_of

from barrierrank.plan import pricing
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.pruned import Pruned
from barrierrank.plan.search import Search
from barrierrank.plan.tree import PlanTree

SEEDS = st.integers(0, 2**32 - 1)
LONG = 600.0


def narrowed(rng: np.random.Generator, tree: PlanTree, may: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Forbid some of what may be done, often what is cheapest, all of a site never."""
    cheapest = tree.cost == np.minimum.reduceat(tree.cost, tree.first[:-1])[tree.site]
    allowed = may & (rng.random(tree.cost.size) < np.where(cheapest, rng.choice([0.2, 0.6]), 0.7))
    left = np.logical_or.reduceat(allowed, tree.first[:-1])[tree.site]
    return np.where(left, allowed, may)


@settings(max_examples=300, deadline=None)
@given(
    seed=SEEDS,
    least=st.sampled_from([0.01, 0.1, 0.5, 2.0]),
    times=st.lists(st.sampled_from([1.0, 1.01, 1.7, 20.0]), min_size=1, max_size=3),
)
def test_bounds_hold_with_any_decision_at_any_greater_price(
    seed: int, least: float, times: list[float]
) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 5)))
    may = narrowed(rng, tree, np.ones(tree.cost.size, dtype=bool)) if rng.random() < 0.5 else None
    count = np.add.reduceat(
        np.ones(tree.cost.size, dtype=int) if may is None else may, tree.first[:-1], dtype=int
    )
    pairs = rng.integers(0, tree.cost.size, (int(rng.integers(0, 3)), 2))
    pairs = pairs[
        (count[tree.site[pairs]] > 1).all(axis=1) & (tree.site[pairs[:, 0]] != tree.site[pairs[:, 1]])
    ]
    demands = Demands(tree, 1e9, may, conflicts=pairs)
    plans = all_plans(tree)
    pruned = Pruned(demands, least)
    if not pruned.small.kept.size:
        left = plans.worth - least * plans.cost
        within = demands.may[plans.choices].all(axis=1)
        worth, cost = tree.value(pruned.cheapest)
        assert left[within].max() <= worth - least * cost + rounding_of(tree, least)
        return
    stops = pruned.stops()
    for k, time in enumerate(times):
        price = least * time
        allowed = demands.may if k == 0 else narrowed(rng, tree, demands.may)
        within = allowed[plans.choices].all(axis=1)
        best = np.where(within, plans.worth - price * plans.cost, -np.inf).max()
        seen = pruned.narrowed(allowed)
        done = seen.at(price, stops, [plans.choices[np.flatnonzero(within)[0]]])
        assert done.bound >= best - rounding_of(tree, price)
        assert allowed[done.policy].all()
        assert (done.worth, done.cost) == pytest.approx(tree.value(done.policy))
        assert done.reached <= best + rounding_of(tree, price)
        if k == 0:  # so few sites leave next to nothing open
            assert done.bound - best <= 0.02 * (1.0 + float(np.abs(tree.weight).sum()))
        site, budget = int(rng.integers(len(tree))), float(rng.uniform(0.0, 1.0 + tree.cost.sum()))
        count = int(tree.first[site + 1] - tree.first[site])
        variants = np.vstack([np.eye(count, dtype=bool), ~np.eye(count, dtype=bool)])
        variants &= allowed[tree.first[site] : tree.first[site + 1]]
        whole, *bounds = seen.decided(price, budget, site, variants)
        paid = within & (plans.cost <= budget)
        assert whole >= np.where(paid, plans.worth, -np.inf).max() - rounding_of(tree, price)
        for variant, bound in zip(variants, bounds, strict=True):
            chosen = variant[plans.choices[:, site] - tree.first[site]]
            assert (bound == -np.inf) == (not variant.any())
            assert bound >= np.where(paid & chosen, plans.worth, -np.inf).max() - rounding_of(tree, price)


def test_much_is_left_out_and_the_best_at_a_price_stays() -> None:
    """By all plans: those without what was left out hold one of the best, at the least price and above."""
    left_out = 0
    for seed in range(150):
        rng = np.random.default_rng(seed)
        tree = random_forest(rng, 6, int(rng.integers(1, 4)))
        plans = all_plans(tree)
        least = float(rng.choice([0.1, 0.5, 1.0]))
        pruned = Pruned(Demands(tree, 1e9), least)
        may = np.zeros(tree.cost.size, dtype=bool)
        may[pruned.small.action] = True
        may[pruned.small.fixed] |= ~np.isin(tree.site, pruned.small.kept)[pruned.small.fixed]
        left_out += int((~may).sum())
        within = may[plans.choices].all(axis=1)
        for price in (least, 1.3 * least, 10.0 * least):
            value = plans.worth - price * plans.cost
            assert value[within].max() == pytest.approx(value.max(), abs=rounding_of(tree, price))
    assert left_out > 300


def test_an_action_that_pays_only_once_something_is_forced_above_it_stays() -> None:
    """Site 0 opened is not worth it while site 1 may be left; with site 1 opened by decision it is the least loss."""
    tree = PlanTree(
        np.array([-1, 0]), np.array([[0.0, 4.0], [12.0, 0.0]]), np.array([0, 3, 5]),
        np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 0.0], [1.0, 0.0]]),
        np.array([0.0, 5.0, 1.0, 0.0, 10.0]), np.zeros(5),
    )  # fmt: skip
    pruned = Pruned(Demands(tree, 100.0), 1.0)
    allowed = np.array([True, True, True, False, True])
    done = pruned.narrowed(allowed).at(1.0, pruned.stops())
    assert done.bound >= -3.0 - 1e-9


def test_what_lies_below_a_conflict_stays() -> None:
    """Site 0 opened is not worth it while site 1 may be left; with site 1 opened by decision it is the least loss."""
    tree = PlanTree(
        np.array([-1, 0, -1]), np.array([[0.0], [12.0], [1.0]]), np.array([0, 2, 4, 6]),
        np.array([[0.0], [1.0], [0.0], [1.0], [0.0], [1.0]]),
        np.array([0.0, 5.0, 0.0, 10.0, 0.0, 0.5]), np.zeros(6),
    )  # fmt: skip
    pruned = Pruned(Demands(tree, 100.0, conflicts=np.array([[3, 5]])), 1.0)
    allowed = np.array([True, True, False, True, True, False])
    done = pruned.narrowed(allowed).at(1.0, pruned.stops())
    assert done.bound >= -3.0 - 1e-9


def test_what_takes_part_in_a_conflict_is_not_left_out() -> None:
    seen = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        tree = random_forest(rng, 6, 2)
        pairs = rng.integers(0, tree.cost.size, (3, 2))
        free = (np.diff(tree.first) > 1)[tree.site[pairs]].all(axis=1)
        pairs = pairs[free & (tree.site[pairs[:, 0]] != tree.site[pairs[:, 1]])]
        pruned = Pruned(Demands(tree, 1e9, conflicts=pairs), 5.0)
        mine = tree.site[pairs.ravel()]
        assert np.isin(mine, pruned.small.kept).all()
        seen += pairs.shape[0]
    assert seen > 60


@pytest.mark.parametrize("least", [0.05, 0.95, 1.0, 1.5])
def test_plans_are_the_best_however_much_is_left_out(monkeypatch: pytest.MonkeyPatch, least: float) -> None:
    """With a least price so near that of the root many prices fall below it, and the whole tree must be looked at."""
    monkeypatch.setattr(pricing, "LEAST", least)
    fallen = 0
    settle = Search.settle

    def counted(self: Search, *args: object, **named: object) -> object:
        nonlocal fallen
        fallen += args[2] is self.whole and self.ground is not self.whole
        return settle(self, *args, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(Search, "settle", counted)
    for seed in range(80):
        rng = np.random.default_rng(seed)
        tree = knotty_forest(rng, 7, 2) if seed % 2 else random_forest(rng, 7, 2, roots=0.1)
        demands = Demands(tree, budget_of(tree, float(rng.uniform(0.1, 0.6))))
        plans = all_plans(tree)
        best = plans.worth[plans.cost <= demands.budget * (1.0 + 1e-9)].max()
        plan = best_plan(demands, gap=1e-9, seconds=LONG)
        assert plan.status == "proven"
        assert plan.worth == pytest.approx(best, abs=rounding_of(tree, 1.0))
        assert plan.bound >= best - rounding_of(tree, 1.0)
    if least == 0.95:
        assert fallen > 0
