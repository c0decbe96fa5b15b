"""Reaches above natural falls, and the spawning that the young of a reach come from."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_networks import Recipe, network_of, random_network

from barrierrank.habitat.kernels_drift import above_all, rearing_by_source
from barrierrank.habitat.stages import above_falls, spawning_sources
from barrierrank.network.model import RiverNetwork

recipes = st.builds(
    Recipe,
    nodes=st.integers(3, 30),
    outlets=st.integers(1, 2),
    braids=st.integers(0, 12),
    sites=st.integers(0, 5),
    twins=st.integers(0, 3),
    seed=st.integers(0, 10_000),
)


def plain_above(network: RiverNetwork, barred: NDArray[np.bool_]) -> list[bool]:
    """Walk up from the entries over the reaches that are not barred."""
    up = nx.MultiDiGraph()
    up.add_nodes_from(range(network.nodes))
    up.add_edges_from(
        (int(network.head[r]), int(network.tail[r])) for r in range(len(network)) if not barred[r]
    )
    stood = set[int]().union(*(nx.descendants(up, int(n)) | {int(n)} for n in np.flatnonzero(network.entry)))
    return [bool(barred[r]) or int(network.head[r]) not in stood for r in range(len(network))]


def plain_nearest(
    network: RiverNetwork, spawning: NDArray[np.bool_], drift_m: float
) -> list[tuple[int, float]]:
    """Try every spawning reach above every reach, by shortest ways against the flow."""
    up = nx.DiGraph()
    up.add_nodes_from(range(network.nodes))
    for r in range(len(network)):
        a, b = int(network.head[r]), int(network.tail[r])
        length = min(float(network.length_m[r]), up.edges[a, b]["w"] if up.has_edge(a, b) else np.inf)
        up.add_edge(a, b, w=length)
    out = []
    for r in range(len(network)):
        if spawning[r]:
            out.append((r, 0.0))
            continue
        ways = nx.single_source_dijkstra_path_length(up, int(network.tail[r]), weight="w")
        near = [
            (ways[int(network.head[s])], int(s))
            for s in np.flatnonzero(spawning)
            if int(network.head[s]) in ways and ways[int(network.head[s])] <= drift_m
        ]
        out.append((min(near)[1], min(near)[0]) if near else (-1, np.nan))
    return out


@settings(deadline=None)
@given(recipes, st.floats(0.0, 0.6))
def test_above_all_is_what_a_walk_up_cannot_reach(recipe: Recipe, share: float) -> None:
    network, _ = random_network(recipe)
    rng = np.random.default_rng(recipe.seed)
    barred = rng.random(len(network)) < share
    # runs may enter half way up too, and not where flow ends
    network = replace(network, entry=network.entry ^ (rng.random(network.nodes) < 0.2))
    out = above_all(network.head, network.order, *network.below, network.entry, barred)
    assert out.tolist() == plain_above(network, barred)


def test_a_braid_round_a_fall_is_a_way_past_it() -> None:
    # 0 -> 1 parts into reaches 1 (with the fall) and 2, which meet again above the mouth
    network = network_of([0, 1, 1, 2], [1, 2, 2, 3])
    assert above_falls(network, np.array([False, True, False, False])).tolist() == [False, True, False, False]
    assert above_falls(network, np.array([False, True, True, False])).tolist() == [True, True, True, False]


@settings(deadline=None)
@given(recipes, st.floats(0.0, 0.5), st.integers(0, 150))
def test_nearest_spawning_is_that_of_the_shortest_way(recipe: Recipe, share: float, drift: int) -> None:
    network, _ = random_network(recipe)
    spawning = np.random.default_rng(recipe.seed).random(len(network)) < share
    source, distance = spawning_sources(network, spawning.astype(float), drift / 1000.0)
    plain = plain_nearest(network, spawning, drift / 1000.0 * 1000.0)
    assert source.tolist() == [s for s, _ in plain]
    assert distance == pytest.approx([d for _, d in plain], nan_ok=True)


def test_distance_goes_from_the_top_of_the_reach_to_the_foot_of_the_spawning_reach() -> None:
    # 0 (spawning) -> 1 -> 2 -> 3 -> mouth, 500 m each
    network = network_of([0, 1, 2, 3], [1, 2, 3, 4], length=[500.0] * 4)
    spawning = np.array([20.0, 0.0, 0.0, 0.0])
    source, distance = spawning_sources(network, spawning, 0.5)
    assert source.tolist() == [0, 0, 0, -1]
    assert distance[:3].tolist() == [0.0, 0.0, 500.0]
    assert np.isnan(distance[3])
    rearing = np.array([1.0, 2.0, 4.0, 8.0])
    # what lies beyond the drift counts nothing
    assert rearing_by_source(rearing, source).tolist() == [7.0, 0.0, 0.0, 0.0]


def test_equally_near_spawning_goes_to_the_lower_number() -> None:
    # two arms of 100 m, both spawning, meet above reach 2; and the same with the arms exchanged
    for tail in ([0, 1, 2], [1, 0, 2]):
        network = network_of(tail, [2, 2, 3], length=[100.0] * 3)
        assert spawning_sources(network, np.array([1.0, 1.0, 0.0]), 1.0)[0].tolist() == [0, 1, 0]


def test_a_reach_of_no_length_does_not_hide_a_lower_number() -> None:
    network = network_of([1, 0, 2], [2, 1, 3], length=[0.0, 100.0, 100.0])
    spawning = np.array([1.0, 1.0, 0.0])
    # reach 1 lies above reach 0, which has no length: both are 0 m above reach 2
    assert spawning_sources(network, spawning, 1.0)[0].tolist() == [0, 1, 0]
    swapped = network_of([0, 1, 2], [1, 2, 3], length=[100.0, 0.0, 100.0])
    assert spawning_sources(swapped, spawning, 1.0)[0].tolist() == [0, 1, 0]


@settings(deadline=None)
@given(recipes)
def test_no_rearing_is_made_or_lost_but_beyond_the_drift(recipe: Recipe) -> None:
    network, _ = random_network(recipe)
    rng = np.random.default_rng(recipe.seed)
    source, _ = spawning_sources(network, (rng.random(len(network)) < 0.3).astype(float), 0.05)
    rearing = rng.integers(0, 9, len(network)).astype(float)
    moved = rearing_by_source(rearing, source)
    assert moved.sum() == rearing[source >= 0].sum()
    assert not moved[~np.isin(np.arange(len(network)), source)].any()


def test_a_million_reaches_in_a_row_and_in_a_comb() -> None:
    n = 500_000
    spine = np.arange(n)
    row = network_of(spine.tolist(), (spine + 1).tolist(), length=[1.0] * n)
    spawning = np.zeros(n)
    spawning[0] = 1.0
    source, distance = spawning_sources(row, spawning, n)
    assert not source.any()
    assert distance[-1] == n - 2
    teeth = n + 1 + spine
    comb = network_of(
        np.concatenate([spine, teeth]).tolist(),
        np.concatenate([spine + 1, spine + 1]).tolist(),
        length=[1.0] * 2 * n,
    )
    spawning = np.zeros(2 * n)
    spawning[n:] = 1.0
    source, distance = spawning_sources(comb, spawning, 10.0)
    assert source[0] == -1
    assert source[1 : n - 1].tolist() == (n + spine[: n - 2]).tolist()  # the tooth that ends at its top
    assert not distance[1:].any()
    assert above_falls(comb, spawning > 0).sum() == n
