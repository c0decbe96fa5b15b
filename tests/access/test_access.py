"""Access and effects: exact against the plain definition on random trees and braids."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support import plain
from support.random_networks import Recipe, network_of, random_network, random_passability

from barrierrank.access.connectivity import diadromous_index, potamodromous_index
from barrierrank.access.graph import AccessGraph

recipes = st.builds(
    Recipe,
    nodes=st.integers(4, 22),
    outlets=st.integers(1, 3),
    braids=st.sampled_from([0, 1, 3, 8, 14]),
    sites=st.integers(0, 20),
    twins=st.integers(0, 4),
    lakes=st.sampled_from([0, 0, 1, 3]),
    dead=st.sampled_from([0, 0, 1, 2]),
    seed=st.integers(0, 10**6),
)
larger = st.builds(
    Recipe,
    nodes=st.integers(20, 120),
    outlets=st.integers(1, 4),
    braids=st.sampled_from([0, 5, 40, 120]),
    sites=st.integers(5, 80),
    twins=st.integers(0, 10),
    lakes=st.sampled_from([0, 0, 1, 3]),
    dead=st.sampled_from([0, 0, 1, 2]),
    seed=st.integers(0, 10**6),
)


@given(recipes)
@settings(max_examples=120, deadline=None)
def test_access_is_the_best_way(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    p = random_passability(np.random.default_rng(recipe.seed), (sites, 1))
    graph = AccessGraph.from_network(network, sites)
    got = graph.sweep(p).access[graph.of_reach, 0]
    np.testing.assert_allclose(got, plain.access_by_paths(network, p[:, 0]), rtol=1e-12)


@given(larger)
@settings(max_examples=150, deadline=None)
def test_effects_equal_working_it_out_anew(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 1)
    years = 3
    p = random_passability(rng, (sites, years))
    after = random_passability(rng, (sites, years))
    habitat = rng.random(len(network))
    graph = AccessGraph.from_network(network, sites)
    amount, sweep = graph.amounts(habitat), graph.sweep(p)
    gated = graph.gated(amount, sweep)
    weights = rng.random((years, 2))
    got = graph.effects(np.arange(sites), after, weights, sweep, (gated,))[0]
    before = [plain.access_by_shortest_way(network, p[:, t]) @ habitat for t in range(years)]
    np.testing.assert_allclose(gated[0], before, rtol=1e-9)
    np.testing.assert_allclose(graph.accessible(amount, sweep), before, rtol=1e-9)
    for s in rng.permutation(sites)[:6]:
        changed = p.copy()
        changed[s] = after[s]
        anew = [plain.access_by_shortest_way(network, changed[:, t]) @ habitat for t in range(years)]
        np.testing.assert_allclose(got[s], (np.array(anew) - before) @ weights, rtol=1e-9, atol=1e-9)


@given(larger)
@settings(max_examples=100, deadline=None)
def test_blocked_habitat_is_what_opening_would_add(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 2)
    p = random_passability(rng, (sites, 1))
    graph = AccessGraph.from_network(network, sites)
    sweep = graph.sweep(p)
    gated = graph.gated(graph.amounts(network.length_m), sweep)
    blocked = graph.blocked(sweep, gated)
    assert (blocked >= -1e-9).all()
    base = plain.access_by_shortest_way(network, p[:, 0]) @ network.length_m
    for s in rng.permutation(sites)[:6]:
        opened = p[:, 0].copy()
        opened[s] = 1.0
        anew = plain.access_by_shortest_way(network, opened) @ network.length_m
        np.testing.assert_allclose(blocked[s], anew - base, rtol=1e-9, atol=1e-9)


def test_two_sites_in_series_by_hand() -> None:
    # mouth - [A .5] - 10 m - [B .4] - 30 m: access .5 and .2
    network = network_of([2, 1], [1, 0], site=[1, 0], length=[30.0, 10.0])
    graph = AccessGraph.from_network(network, 2)
    sweep = graph.sweep(np.array([[0.5], [0.4]]))
    gated = graph.gated(graph.amounts(network.length_m), sweep)
    assert graph.accessible(graph.amounts(network.length_m), sweep)[0] == 0.5 * 10 + 0.2 * 30
    np.testing.assert_allclose(graph.blocked(sweep, gated), [0.5 * (10 + 0.4 * 30), 0.5 * 0.6 * 30])


def test_sites_in_both_arms_of_a_loop_by_hand() -> None:
    # 3 -> 2, arms 2 -> 1 with sites A (.2) and B (.6), 1 -> 0: the way leads through B
    network = network_of([3, 2, 2, 1], [2, 1, 1, 0], site=[-1, 0, 1, -1], length=[100.0, 5.0, 7.0, 1.0])
    graph = AccessGraph.from_network(network, 2)
    sweep = graph.sweep(np.array([[0.2], [0.6]]))
    assert sweep.access[graph.of_reach, 0].tolist() == [0.6, 0.2, 0.6, 1.0]
    gated = graph.gated(graph.amounts(network.length_m), sweep)
    # opening A: its arm gains .8 x 5, and 100 m above rise from .6 to 1
    np.testing.assert_allclose(graph.blocked(sweep, gated), [0.8 * 5 + 0.4 * 100, 0.4 * 7 + 0.4 * 100])


def test_a_free_arm_makes_a_site_beside_it_matter_only_for_its_own_arm() -> None:
    network = network_of([3, 2, 2, 1], [2, 1, 1, 0], site=[-1, 0, -1, -1], length=[100.0, 5.0, 7.0, 1.0])
    graph = AccessGraph.from_network(network, 1)
    sweep = graph.sweep(np.array([[0.0]]))
    gated = graph.gated(graph.amounts(network.length_m), sweep)
    assert graph.blocked(sweep, gated).tolist() == [5.0]


def test_where_no_run_enters_access_is_nothing() -> None:
    network = network_of([1, 3], [0, 2], site=[0, -1], entry=[True, False, False, False])
    graph = AccessGraph.from_network(network, 1)
    assert graph.sweep(np.ones((1, 1))).access[graph.of_reach, 0].tolist() == [1.0, 0.0]


@given(recipes)
@settings(max_examples=120, deadline=None)
def test_residents_index_is_the_sum_over_all_pairs(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 3)
    two_way = random_passability(rng, (sites,))
    got = potamodromous_index(network, network.length_m, two_way)
    np.testing.assert_allclose(got, plain.residents_index(network, network.length_m, two_way), rtol=1e-9)


@given(recipes)
@settings(max_examples=40, deadline=None)
def test_indices_lie_between_nothing_and_all(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    graph = AccessGraph.from_network(network, sites)
    for p in (np.zeros((sites, 1)), random_passability(np.random.default_rng(recipe.seed), (sites, 1))):
        index = diadromous_index(graph, network.length_m, graph.sweep(p))[0]
        assert 0.0 <= index <= 100.0 + 1e-9
    # with every site open all that some way joins to the receiving water is reached
    reached = plain.access_by_shortest_way(network, np.ones(sites)) @ network.length_m / network.length_m.sum()
    np.testing.assert_allclose(
        diadromous_index(graph, network.length_m, graph.sweep(np.ones((sites, 1)))), 100.0 * reached
    )
    assert recipe.dead > 0 or reached == 1.0


@given(larger)
@settings(max_examples=30, deadline=None)
def test_the_graph_for_networkx_is_the_same_network(recipe: Recipe) -> None:
    network, sites = random_network(recipe)
    graph = AccessGraph.from_network(network, sites)
    public = graph.to_networkx(length=graph.amounts(network.length_m))
    assert sum(d["length"] for _, d in public.nodes(data=True)) == np.float64(network.length_m.sum())
    assert {d["site"] for _, d in public.nodes(data=True)} - {None} == set(range(sites))
