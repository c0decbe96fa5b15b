"""Effects summed group by group: each group against the effects of its columns alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import plain
from support.random_networks import Recipe, network_of, random_network, random_passability

from barrierrank.access.graph import AccessGraph

recipes = st.builds(
    Recipe,
    nodes=st.integers(5, 60),
    outlets=st.integers(1, 4),
    braids=st.sampled_from([0, 2, 10, 40]),
    sites=st.integers(1, 40),
    twins=st.integers(0, 5),
    lakes=st.sampled_from([0, 0, 1, 3]),
    dead=st.sampled_from([0, 0, 1, 2]),
    seed=st.integers(0, 10**6),
)


@given(recipes, st.integers(1, 4))
@settings(max_examples=150, deadline=None)
def test_each_group_is_as_if_worked_out_alone(recipe: Recipe, groups: int) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 3)
    t = 7
    group = rng.integers(0, groups, t)
    p, after = random_passability(rng, (sites + 2, t)), random_passability(rng, (sites + 2, t))
    graph = AccessGraph.from_network(network, sites + 2)  # two sites lie off the network
    habitat = rng.random((len(network), groups))
    amount = np.column_stack([graph.amounts(habitat[:, g]) for g in range(groups)])
    weights, site = rng.random((t, 2)), rng.integers(0, sites + 2, 25)
    sweep = graph.sweep(p)
    gated = graph.gated_apart(amount, sweep, group)
    got = graph.effects_apart(site, after[site], weights, group, groups, sweep, (gated, 2.0 * gated))
    assert got.shape == (2, 25, groups, 2)
    np.testing.assert_array_equal(got[1], 2.0 * got[0])
    for g in range(groups):
        mine = np.flatnonzero(group == g)
        alone = graph.sweep(p[:, mine])
        own = graph.gated(amount[:, g], alone)
        np.testing.assert_allclose(gated[:, mine], own, rtol=1e-12)
        want = graph.effects(site, after[site][:, mine], weights[mine], alone, (own,))[0]
        np.testing.assert_allclose(got[0, :, g], want, rtol=1e-12, atol=1e-12)


@given(recipes)
@settings(max_examples=60, deadline=None)
def test_a_draw_is_the_difference_of_two_whole_sums(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 4)
    p, after = random_passability(rng, (sites, 3)), random_passability(rng, (sites, 3))
    habitat = rng.random((len(network), 3))
    graph = AccessGraph.from_network(network, sites)
    sweep, group = graph.sweep(p), np.arange(3)
    gated = graph.gated_apart(np.column_stack([graph.amounts(habitat[:, d]) for d in group]), sweep, group)
    got = graph.effects_apart(np.arange(sites), after, np.ones((3, 1)), group, 3, sweep, (gated,))[0, :, :, 0]
    for s in rng.permutation(sites)[:4]:
        for d in group:
            changed = p[:, d].copy()
            changed[s] = after[s, d]
            anew = plain.access_by_shortest_way(network, changed) @ habitat[:, d]
            before = plain.access_by_shortest_way(network, p[:, d]) @ habitat[:, d]
            assert got[s, d] == pytest.approx(anew - before, rel=1e-9, abs=1e-9)


@given(recipes)
@settings(max_examples=100, deadline=None)
def test_a_column_is_the_same_to_the_last_bit_whatever_stands_beside_it(recipe: Recipe) -> None:
    # slices of draws are cut as room and cores allow: that must not show
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 5)
    p, after = random_passability(rng, (sites, 6)), random_passability(rng, (sites, 6))
    after = np.where(rng.random(after.shape) < 0.3, p, after)  # nothing changes in some columns
    graph = AccessGraph.from_network(network, sites)
    site, weights, amount = np.arange(sites), rng.random((6, 2)), rng.random((len(graph), 6))

    def effects(columns: np.ndarray) -> np.ndarray:
        sweep, group = graph.sweep(p[:, columns]), np.arange(columns.size)
        gated = graph.gated_apart(amount[:, columns], sweep, group)
        beside = weights[columns]
        return graph.effects_apart(site, after[:, columns], beside, group, columns.size, sweep, (gated,))[0]

    whole, some = effects(np.arange(6)), rng.permutation(6)[:3]
    np.testing.assert_array_equal(effects(some), whole[:, some])
    for c in some:
        np.testing.assert_array_equal(effects(np.array([c]))[:, 0], whole[:, c])


def test_two_draws_by_hand() -> None:
    # mouth site A, 100 m, site B, 60 m above; opening B fully in draws with A at .8 and .5, B at .5 and .2
    network = network_of([2, 1], [1, 0], site=[1, 0], length=[60.0, 100.0])
    graph = AccessGraph.from_network(network, 2)
    sweep = graph.sweep(np.array([[0.8, 0.5], [0.5, 0.2]]))
    group = np.array([0, 1])
    above_b = int(graph.of_site[1])
    amount = np.zeros((len(graph), 2))
    amount[above_b] = 60.0, 30.0  # habitat is drawn too
    gated = graph.gated_apart(amount, sweep, group)
    got = graph.effects_apart(np.array([1]), np.ones((1, 2)), np.ones((2, 1)), group, 2, sweep, (gated,))
    np.testing.assert_allclose(got[0, 0, :, 0], [0.8 * 0.5 * 60, 0.5 * 0.8 * 30])
