"""Bounds by money along a stem hold whatever is decided, and tell half a way from all of it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_forests import all_plans, budget_of, knotty_forest, random_forest, rounding_of

from barrierrank.plan import by_stem, search, stem
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.pruned import Pruned
from barrierrank.plan.relaxation import Relaxation
from barrierrank.plan.search import Search
from barrierrank.plan.stem import NarrowedStem, Stem, relaxation_for, stem_of
from barrierrank.plan.tree import PlanTree

SEEDS = st.integers(0, 2**32 - 1)
LONG = 600.0


def narrowed(rng: np.random.Generator, tree: PlanTree, share: float = 0.6) -> NDArray[np.bool_]:
    """Forbid some of what may be done, all of a site never."""
    allowed = rng.random(tree.cost.size) < share
    left = np.logical_or.reduceat(allowed, tree.first[:-1])[tree.site]
    return np.where(left, allowed, True)


def way_from(tree: PlanTree, top: int) -> NDArray[np.int64]:
    """Return a site and all below it, uppermost first."""
    way = [top]
    while tree.parent[way[-1]] >= 0:
        way.append(int(tree.parent[way[-1]]))
    return np.array(way)


@settings(max_examples=300, deadline=None)
@given(
    seed=SEEDS,
    parts=st.sampled_from([1, 2, 7, 50]),
    prices=st.lists(st.floats(0.0, 20.0), min_size=1, max_size=3),
)
def test_bounds_hold_for_every_amount_of_money(seed: int, parts: int, prices: list[float]) -> None:
    """By all plans: with decisions, none within the budget is above the bound for what it spends along the stem."""
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 6)))
    budget = budget_of(tree, float(rng.choice([0.0, 0.2, 0.5, 1.0])))
    plans = all_plans(tree)
    whole = Relaxation(tree, np.ones(tree.cost.size, dtype=bool), int(rng.integers(1, 5)))
    if rng.random() < 0.5:
        whole.follow([plans.choices[0], plans.choices[-1]])
    bounds = Stem(whole, way_from(tree, int(rng.integers(len(tree)))), budget, parts)
    allowed = narrowed(rng, tree) if rng.random() < 0.7 else whole.may
    seen = NarrowedStem(bounds, whole.narrowed(allowed))
    paid = allowed[plans.choices].all(axis=1) & (plans.cost <= budget)
    met = seen.solve(list(dict.fromkeys(prices)))
    spent = bounds.units[plans.choices].sum(axis=1)[paid]
    assert (spent <= bounds.parts).all()
    assert (plans.worth[paid] <= seen.least[spent] + rounding_of(tree, max(prices))).all()
    if paid.any():
        assert seen.bound >= plans.worth[paid].max() - rounding_of(tree, max(prices))
        for policy in met:
            assert allowed[policy].all()


@settings(max_examples=150, deadline=None)
@given(seed=SEEDS, least=st.sampled_from([0.01, 0.1, 0.5, 2.0]))
def test_bounds_hold_where_what_is_not_worth_its_price_is_left_out(seed: int, least: float) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(2, 7)), int(rng.integers(1, 4)))
    budget = budget_of(tree, float(rng.uniform(0.1, 1.0)))
    pruned = Pruned(Demands(tree, budget), least)
    if not pruned.small.kept.size:
        return
    inner, plans = pruned.inner, all_plans(tree)
    bounds = Stem(
        inner, way_from(inner.tree, int(rng.integers(len(inner.tree)))), budget - pruned.small.cost, 20
    )
    allowed = narrowed(rng, tree)
    seen = NarrowedStem(bounds, inner.narrowed(allowed[pruned.small.action]))
    seen.solve([least, 1.3 * least, 9.0 * least])
    paid = allowed[plans.choices].all(axis=1) & (plans.cost <= budget)
    if paid.any():
        bound = seen.bound + pruned.small.worth
        assert bound >= plans.worth[paid].max() - rounding_of(tree, 9.0 * least)


def long_way(sites: int = 12) -> PlanTree:
    """Return a chain that is worth opening as a whole, for 1 at each site; what is above the last one is worth most."""
    weight = np.full((sites, 1), 0.1)
    weight[-1] = 100.0
    return PlanTree(
        np.arange(-1, sites - 1), weight, 2 * np.arange(sites + 1), np.tile([[0.5], [1.0]], (sites, 1)),
        np.tile([0.0, 1.0], sites), np.zeros(2 * sites),
    )  # fmt: skip


def test_half_of_a_long_way_is_told_from_all_of_it() -> None:
    """A price cannot: its bound is many times the best plan. Counted along the way it is the best plan."""
    tree = long_way()
    budget = 6.0
    plans = all_plans(tree)
    best = plans.worth[plans.cost <= budget].max()
    whole = Relaxation(tree, np.ones(tree.cost.size, dtype=bool), 40)
    prices = np.linspace(0.1, 20.0, 60).tolist()
    by_price = min(whole.narrowed(whole.may).at(p, whole.stops()).bound + p * budget for p in prices)
    assert by_price > 5.0 * best
    under, over = plans.choices[0], plans.choices[-1]
    whole.follow([under, over, plans.choices[np.where(plans.cost <= budget, plans.worth, -np.inf).argmax()]])
    bounds = Stem(whole, stem_of(tree, under, over), budget, 60)
    seen = NarrowedStem(bounds, whole.narrowed(whole.may))
    policies = seen.search([10.0, 1.0], 0.0, lambda _: True, 12)
    assert seen.bound == pytest.approx(best)
    assert max(tree.value(policy)[0] for policy in policies if tree.value(policy)[1] <= budget) > 0.9 * best


def test_the_stem_is_the_way_along_which_policies_differ_most_in_cost() -> None:
    for seed in range(60):
        rng = np.random.default_rng(seed)
        tree = knotty_forest(rng, 9, 1)
        one, other = (tree.first[:-1] + rng.integers(0, 3, 9) for _ in range(2))
        apart = np.abs(tree.cost[one] - tree.cost[other])
        sums = [apart[way_from(tree, b)].sum() for b in range(9)]
        found = stem_of(tree, one, other)
        assert apart[found].sum() == pytest.approx(max(sums))
        assert (found == way_from(tree, int(found[0]))).all()


def test_a_stem_that_takes_too_long_has_a_coarser_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    tree = knotty_forest(np.random.default_rng(0), 9, 3)
    whole = Relaxation(tree, np.ones(tree.cost.size, dtype=bool))
    sites = way_from(tree, 8)
    assert relaxation_for(whole, sites).nodes is whole.nodes
    monkeypatch.setattr(stem, "WORK", 2e6)
    fewer = relaxation_for(whole, sites)
    assert stem.LEAST_STEPS < fewer.steps < whole.steps
    assert Stem(fewer, sites, 5.0).parts >= stem.FEW_UNITS
    monkeypatch.setattr(stem, "WORK", 1.0)
    assert Stem(relaxation_for(whole, sites), sites, 5.0).parts == 1


@pytest.mark.parametrize("helps", [-np.inf, 0.3])
def test_plans_are_the_best_where_a_stem_is_tried_at_once(
    monkeypatch: pytest.MonkeyPatch, helps: float
) -> None:
    """Against every plan; also where a stem is kept that is of no help at all."""
    monkeypatch.setattr(search, "PATIENT", 1)
    monkeypatch.setattr(search, "LONGER", 0.0)
    monkeypatch.setattr(by_stem, "UNITS", 120)
    monkeypatch.setattr(search, "HELPS", helps)
    looked = 0
    lowered = Search._lowered

    def counted(self: Search, *args: object) -> object:
        nonlocal looked
        looked += 1
        return lowered(self, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(Search, "_lowered", counted)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        species = int(rng.integers(1, 4))
        tree = knotty_forest(rng, 7, species) if seed % 2 else random_forest(rng, 7, species, roots=0.1)
        demands = Demands(tree, budget_of(tree, float(rng.uniform(0.1, 0.6))))
        plans = all_plans(tree)
        best = plans.worth[plans.cost <= demands.budget * (1.0 + 1e-9)].max()
        plan = best_plan(demands, gap=1e-9, seconds=LONG)
        assert plan.status == "proven"
        assert plan.worth == pytest.approx(best, abs=rounding_of(tree, 1.0))
        assert plan.bound >= best - rounding_of(tree, 1.0)
    assert looked > 25


def test_stopped_while_a_stem_is_worked_out_the_bound_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "PATIENT", 1)
    monkeypatch.setattr(search, "LONGER", 0.0)
    monkeypatch.setattr(by_stem, "UNITS", 120)
    solve = NarrowedStem.solve
    stopped = 0
    for seed, after in product(range(1, 12, 2), range(0, 12, 3)):
        rng = np.random.default_rng(seed)
        tree = knotty_forest(rng, 8, 2)
        demands = Demands(tree, budget_of(tree, 0.4))
        plans = all_plans(tree)
        best = plans.worth[plans.cost <= demands.budget * (1.0 + 1e-9)].max()
        left = after

        def counted(self: NarrowedStem, prices: list[float]) -> object:
            nonlocal left
            if left == 0:
                raise KeyboardInterrupt
            left -= 1
            return solve(self, prices)

        monkeypatch.setattr(NarrowedStem, "solve", counted)
        plan = best_plan(demands, gap=1e-9, seconds=LONG)
        assert plan.bound >= best - rounding_of(tree, 1.0)
        assert plan.worth <= best + rounding_of(tree, 1.0)
        stopped += plan.status == "interrupted"
    assert stopped >= 10
