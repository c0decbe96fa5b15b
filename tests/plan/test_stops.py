"""What is known of states is kept from one price and one set of decisions to the next, and never tells too much."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_forests import knotty_forest, random_forest

from barrierrank.plan import stops as kept
from barrierrank.plan.relaxation import Priced, Relaxation
from barrierrank.plan.tree import PlanTree

SEEDS = st.integers(0, 2**32 - 1)


def rounding_of(tree: PlanTree, price: float) -> float:
    """What sums on a tree may be off by."""
    return 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + price * float(tree.cost.sum()))


def some_decisions(rng: np.random.Generator, tree: PlanTree, many: int) -> NDArray[np.bool_]:
    """Forbid or force an action at a few sites."""
    allowed = np.ones(tree.cost.size, dtype=bool)
    for site in rng.integers(0, len(tree), many).tolist():
        first, last = tree.first[site], tree.first[site + 1]
        if last - first > 1:
            action = int(rng.integers(first, last))
            force = rng.random() < 0.5
            allowed[first:last] = not force
            allowed[action] = force
    return allowed


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, knotty=st.booleans(), species=st.integers(1, 4))
def test_no_bound_is_below_what_another_way_to_it_reaches(seed: int, knotty: bool, species: int) -> None:
    """Stops that went through other prices and decisions, fresh ones, and another grid bound each other's policies."""
    rng = np.random.default_rng(seed)
    sites = int(rng.integers(40, 200))
    tree = knotty_forest(rng, sites, species) if knotty else random_forest(rng, sites, species, roots=0.05)
    one = Relaxation(tree, np.ones(tree.cost.size, dtype=bool))
    other = Relaxation(tree, np.ones(tree.cost.size, dtype=bool), rough=True)
    carried = one.stops()
    scale = float(np.abs(tree.weight).sum()) / max(float(tree.cost.sum()), 1.0)
    last: NDArray[np.int64] | None = None
    for k in range(5):
        price = scale * float(rng.choice([0.0, 0.03, 0.1, 0.11, 0.5]))
        allowed = some_decisions(rng, tree, 0 if k == 0 else 4)
        known = [] if last is None else [last]
        ways: list[tuple[Priced, float]] = []
        for relaxation, stops in ((one, carried), (one, one.stops()), (other, other.stops())):
            done = relaxation.narrowed(allowed).at(price, stops, known)
            assert allowed[done.policy].all()
            assert done.reached == pytest.approx(stops.reached, abs=rounding_of(tree, price))
            ways.append((done, stops.bound))
        for done, _ in ways:
            for _, bound in ways:
                assert bound >= done.reached - rounding_of(tree, price)
        last = ways[0][0].policy


def test_what_others_imply_is_forgotten_and_bounds_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "ENOUGH", 0.0)
    forgotten = 0
    for seed in range(12):
        tree = knotty_forest(np.random.default_rng(seed), 120, 2)
        relaxation = Relaxation(tree, np.ones(tree.cost.size, dtype=bool))
        stops, price = relaxation.stops(), 0.0
        for price in (0.3, 0.5, 0.4, 0.45):
            before = stops.count
            whole = relaxation.narrowed(relaxation.may)
            done = whole.at(price, stops)
            forgotten += stops.count < before
            alone = relaxation.narrowed(relaxation.may).at(price, relaxation.stops())
            slack = rounding_of(tree, price)
            assert done.bound >= alone.reached - slack
            assert alone.bound >= done.reached - slack
            assert done.reached == pytest.approx(stops.reached, abs=slack)
    assert forgotten >= 3  # else nothing was put to the test


def test_tables_between_two_prices_and_about_another_centre_agree() -> None:
    tree = knotty_forest(np.random.default_rng(3), 80, 2)
    may = np.ones(tree.cost.size, dtype=bool)
    reached = []
    for centre in (0.0, 0.02, 0.37, 5.0):
        relaxation = Relaxation(tree, may)
        if centre:
            relaxation.centre(centre)
        done = relaxation.narrowed(may).at(0.4, relaxation.stops())
        assert done.bound >= done.reached - rounding_of(tree, 0.4)
        reached.append(done.reached)
        assert done.bound >= max(reached) - rounding_of(tree, 0.4)
