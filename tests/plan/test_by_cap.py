"""Plans within a cap: what it leaves possible, bounds by a charge, and the best plan, against every plan there is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_forests import all_plans, budget_of, knotty_forest, random_forest, rounding_of

from barrierrank.plan import by_cap, by_stem, search
from barrierrank.plan.best import best_plan
from barrierrank.plan.by_budget import best_by_budget
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.found import Found
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.tree import PlanTree

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
SEEDS = st.integers(0, 2**32 - 1)
LONG = 600.0


def capped(seed: int, sites: int = 7) -> tuple[Demands, float]:
    """Draw a knotty forest with a cap that the best plan without one breaks, and the worth of the best plan within."""
    rng = np.random.default_rng(seed)
    while True:
        tree = knotty_forest(rng, sites, int(rng.integers(1, 4)))
        exposure = rng.lognormal(0.0, 1.0, tree.weight.shape)
        plans = all_plans(tree, exposure)
        budget = budget_of(tree, float(rng.uniform(0.1, 0.8)))
        paid = plans.cost <= budget
        free = np.where(paid, plans.worth, -np.inf).argmax()
        cap = float(plans.exposure[paid].min() + rng.uniform(0.05, 0.9) * np.ptp(plans.exposure[paid]))
        if plans.exposure[free] > cap:
            within = paid & (plans.exposure <= cap)
            return Demands(tree, budget, None, None, exposure, cap), float(plans.worth[within].max())


@settings(max_examples=300, deadline=None)
@given(seed=SEEDS, species=st.integers(1, 3))
def test_what_a_cap_leaves_possible(seed: int, species: int) -> None:
    """By all plans; with one species it is exactly what some plan within the cap does."""
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), species)
    exposure = rng.lognormal(0.0, 1.0, tree.weight.shape) * (rng.random(tree.weight.shape) < 0.7)
    plans = all_plans(tree, exposure)
    allowed = rng.random(tree.cost.size) < 0.7
    left = np.logical_or.reduceat(allowed, tree.first[:-1])[tree.site]
    allowed = np.where(left, allowed, True)
    may = allowed[plans.choices].all(axis=1)
    cap = float(np.quantile(plans.exposure[may], rng.random()))
    least, within, policy = Demands(tree, np.inf, None, None, exposure, cap).least_exposed(allowed)
    lowest = plans.exposure[may].min()
    assert least <= lowest * (1.0 + 1e-12) + 1e-15
    assert not within[~allowed].any()
    done = np.zeros(tree.cost.size, dtype=bool)
    done[plans.choices[may & (plans.exposure <= cap * (1.0 - 1e-12))]] = True
    assert within[done].all()
    assert allowed[policy].all()
    if species == 1:
        assert least == pytest.approx(lowest)
        assert tree.exposure(exposure, policy) == pytest.approx(lowest)
        done[plans.choices[may & (plans.exposure <= cap * (1.0 + 1e-8))]] = True
        assert done[within].all()


@pytest.mark.parametrize("stem", [False, True])
def test_the_best_is_found_where_the_cap_bites(monkeypatch: pytest.MonkeyPatch, stem: bool) -> None:
    if stem:
        monkeypatch.setattr(search, "PATIENT", 1)
        monkeypatch.setattr(search, "LONGER", 0.0)
        monkeypatch.setattr(by_stem, "UNITS", 60)
    for seed in range(8 if stem else 24):
        demands, best = capped(seed)
        for gap in (1e-9, 0.05):
            plan = best_plan(demands, gap=gap, seconds=LONG)
            rounding = rounding_of(demands.tree, 1.0)
            assert plan.status == "proven"
            assert demands.met(plan.choice)
            assert plan.worth <= best + rounding <= plan.bound + 2.0 * rounding
            assert plan.bound - plan.worth <= gap * abs(plan.worth - plan.zero) + rounding


@settings(max_examples=100, deadline=None)
@given(seed=SEEDS, seconds=st.sampled_from([0.0, 1e-3, 5e-3, 2e-2]))
def test_a_bound_holds_whenever_time_is_up(seed: int, seconds: float) -> None:
    demands, best = capped(seed, 6)
    try:
        plan = best_plan(demands, gap=1e-9, seconds=seconds)
    except NoPlanError as error:
        if "no plan was found" not in str(error):  # never that there is none
            raise
        return
    assert demands.met(plan.choice)
    assert plan.worth <= best + rounding_of(demands.tree, 1.0)
    assert plan.bound >= best - rounding_of(demands.tree, 1.0)


def test_stopped_from_the_keyboard_the_bound_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """In between two searches by budget, and within one, which then tells that it was interrupted."""
    stopped = 0
    for seed, after, within in [(s, k, w) for s in range(4) for k in range(5) for w in (False, True)]:
        demands, best = capped(seed)
        left = after

        def counted(*args: object, within: bool = within, **more: object) -> Found:
            nonlocal left
            if left == 0 and not within:
                raise KeyboardInterrupt
            left -= 1
            found = best_by_budget(*args, **more)  # type: ignore[arg-type]
            return replace(found, status="interrupted") if left < 0 else found

        monkeypatch.setattr(by_cap, "best_by_budget", counted)
        try:
            plan = best_plan(demands, gap=1e-9, seconds=LONG)
        except NoPlanError as error:
            if "no plan was found" not in str(error):
                raise
            continue
        assert plan.bound >= best - rounding_of(demands.tree, 1.0)
        assert plan.worth <= best + rounding_of(demands.tree, 1.0)
        stopped += plan.status == "interrupted"
    assert stopped > 14


def test_a_cap_that_money_cannot_keep_is_told() -> None:
    """Every single action can be paid and every site be shut, but not enough of them."""
    exposure = np.ones((6, 1))
    for seed in range(200):
        tree = random_forest(np.random.default_rng(seed), 6, 1, roots=1.0)
        plans = all_plans(tree, exposure)
        budget = budget_of(tree, 0.5)
        cap = 0.999 * plans.exposure[plans.cost <= budget * (1.0 + 1e-9)].min()
        if plans.exposure.min() < 0.9 * cap:
            with pytest.raises(NoPlanError, match=r"no plan is exposed to less than|leave no action"):
                best_plan(Demands(tree, budget, None, None, exposure, cap), seconds=LONG)
            break
    else:
        pytest.fail("no such forest was drawn")


def test_as_the_second_way_finds_on_larger_forests() -> None:
    """scipy's milp (HiGHS) as an independent solver: common practice, no source."""
    bites = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        tree = random_forest(rng, 22, 2, roots=0.1)
        exposure = np.zeros(tree.weight.shape)
        exposure[:, 0] = rng.lognormal(0.0, 1.0, len(tree))
        free = Demands(tree, budget_of(tree, 0.4))
        much = tree.exposure(exposure, best_plan(free, seconds=LONG).choice)
        demands = replace(free, exposure=exposure, cap=0.5 * much)
        try:
            other = mixed_plan(demands, gap=1e-7, seconds=60.0)
        except NoPlanError:
            with pytest.raises(NoPlanError):
                best_plan(demands, gap=1e-7, seconds=LONG)
            continue
        assert other.status == "proven"
        plan = best_plan(demands, gap=1e-7, seconds=LONG)
        size = float(np.abs(tree.weight).sum())
        assert plan.worth == pytest.approx(other.worth, abs=2e-6 * size)
        bites += plan.exposure > 0.2 * demands.cap
    assert bites >= 4


@pytest.fixture
def many_sites(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], tuple[PlanTree, float]]:
    """Return what makes a tree of 150 sites, with a budget of a tenth of removing everything."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    from bench_plan import invented_tree, removing_all  # noqa: PLC0415 - scripts are no package of the tests

    def drawn(shape: str) -> tuple[PlanTree, float]:
        tree = invented_tree(150, shape, "hard", 1, 1)
        return tree, 0.1 * removing_all(tree)

    return drawn


@pytest.mark.parametrize("shape", ["near", "random"])
def test_many_sites_under_a_cap_are_planned_with_proof(
    many_sites: Callable[[str], tuple[PlanTree, float]], shape: str
) -> None:
    """With no charge on exposure the bound stays near that without a cap."""
    tree, budget = many_sites(shape)
    exposure = np.where(tree.weight < 0.0, -tree.weight, 0.0)
    free = best_plan(Demands(tree, budget), seconds=LONG)
    cap = 0.15 * tree.exposure(exposure, free.choice)
    plan = best_plan(Demands(tree, budget, None, None, exposure, cap), gap=0.005, seconds=60.0)
    assert plan.status == "proven"
    assert plan.worth < 0.99 * free.worth
    assert plan.bound < free.worth - 0.3 * (free.worth - plan.worth)
