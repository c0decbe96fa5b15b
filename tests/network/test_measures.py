"""Upstream sums, Strahler order, outlets: fast paths against the plain definitions on random networks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import plain
from support.random_networks import Recipe, network_of, random_network

recipes = st.builds(
    Recipe,
    nodes=st.integers(5, 45),
    outlets=st.integers(1, 4),
    braids=st.sampled_from([0, 0, 1, 3, 10, 30]),
    sites=st.integers(0, 25),
    twins=st.integers(0, 4),
    lakes=st.sampled_from([0, 0, 1, 3]),
    dead=st.sampled_from([0, 0, 1, 2]),
    seed=st.integers(0, 10**6),
)


@given(recipes)
@settings(max_examples=150, deadline=None)
def test_upstream_sum_counts_every_reach_once(recipe: Recipe) -> None:
    network, _ = random_network(recipe)
    rng = np.random.default_rng(recipe.seed)
    weights = rng.random((len(network), 2))
    expected = np.array([weights[sorted(s)].sum(axis=0) for s in plain.upstream_sets(network)])
    np.testing.assert_allclose(network.upstream_sum(weights), expected, rtol=1e-12)


@given(recipes)
@settings(max_examples=150, deadline=None)
def test_sum_to_the_next_sites_stops_there(recipe: Recipe) -> None:
    network, _ = random_network(recipe)
    weights = network.length_m[:, None]
    entering: dict[int, list[int]] = {}
    for r in range(len(network)):
        entering.setdefault(int(network.head[r]), []).append(r)
    for r in range(len(network)):
        seen, stack = {r}, [r]
        while stack:
            for above in entering.get(int(network.tail[stack.pop()]), []):
                if above not in seen and network.site[above] < 0:
                    seen.add(above)
                    stack.append(above)
        got = network.upstream_sum(weights, stop_at_sites=True)[r, 0]
        assert got == pytest.approx(network.length_m[sorted(seen)].sum(), rel=1e-12)


@given(recipes)
@settings(max_examples=150, deadline=None)
def test_strahler_follows_the_rule(recipe: Recipe) -> None:
    network, _ = random_network(recipe)
    assert network.strahler.tolist() == plain.strahler(network)


def test_strahler_by_hand() -> None:
    # Strahler (1957): two of order 1 make a 2, a 1 joining a 2 leaves 2, two 2s make a 3; three 1s make a 2
    network = network_of([0, 1, 2, 3, 4, 5, 6, 7, 8, 9], [2, 2, 6, 5, 5, 6, 7, 10, 7, 7])
    assert network.strahler.tolist() == [1, 1, 2, 1, 1, 2, 3, 3, 1, 1]


def test_upstream_of_a_diamond_by_hand() -> None:
    # 0 -> 1, two arms 1 -> 2, 2 -> 3: below the island everything above counts once
    network = network_of([0, 1, 1, 2], [1, 2, 2, 3], length=[10.0, 3.0, 4.0, 5.0])
    assert network.upstream_m.tolist() == [10.0, 13.0, 14.0, 22.0]


def test_outlets_are_numbered_by_what_drains_to_them() -> None:
    network = network_of([1, 3, 4], [0, 2, 3], length=[5.0, 4.0, 3.0])
    assert network.outlet.tolist() == [2, 1, 1]
    assert network.downstream.tolist() == [-1, -1, 1]


def test_minor_arm_is_not_the_main_course() -> None:
    network = network_of([0, 1, 1, 2], [1, 2, 2, 3], minor=[False, True, False, False])
    assert network.downstream.tolist() == [2, 3, 3, -1]


@pytest.mark.parametrize("shape", ["chain", "comb", "ladder"])
def test_a_hundred_thousand_reaches_in_any_shape(shape: str) -> None:
    n = 100_000
    above = np.arange(1, n + 1)
    tail = [*above.tolist()]
    head = [*(above - 1).tolist()]
    if shape == "comb":
        tail += range(n + 1, 2 * n + 1)
        head += range(1, n + 1)
    if shape == "ladder":  # an island on every second reach
        tail += range(2, n, 4)
        head += range(0, n - 2, 4)
    network = network_of(tail, head, length=[1.0] * len(tail))
    total = network.upstream_m[np.flatnonzero(network.head == 0)].max()
    assert total == pytest.approx(len(tail), abs=2)
    assert network.order.size == network.nodes
