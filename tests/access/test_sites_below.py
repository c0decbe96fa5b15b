"""Sites on the ways down from each site, against networkx."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, random_network

from barrierrank.access.graph import AccessGraph


@given(st.integers(0, 2**32 - 1), st.integers(0, 6))
@settings(max_examples=60, deadline=None)
def test_sites_below_are_those_that_networkx_finds(seed: int, braids: int) -> None:
    network, sites = random_network(Recipe(nodes=25, outlets=2, braids=braids, sites=9, twins=2, seed=seed))
    graph = AccessGraph.from_network(network, sites)
    ways = graph.to_networkx()
    kind = nx.get_node_attributes(ways, "site")
    starts, below = graph.sites_below(sites)
    _, few = graph.sites_below(2)
    assert starts.size == sites + 1
    for i in range(sites):
        found = below[starts[i] : starts[i + 1]].tolist()
        wanted = set()
        if graph.of_site[i] >= 0:
            wanted = {kind[n] for n in nx.ancestors(ways, int(graph.of_site[i])) if kind[n] is not None}
        assert set(found) == wanted
        assert len(found) == len(wanted)
    assert few.size == np.minimum(np.diff(starts), 2).sum()


def test_the_nearest_come_first() -> None:
    network, sites = random_network(Recipe(nodes=40, sites=30, seed=4))
    graph = AccessGraph.from_network(network, sites)
    starts, below = graph.sites_below(sites)
    first, one = graph.sites_below(1)
    depth = {i: below[starts[i] : starts[i + 1]] for i in range(sites)}
    for i, way in depth.items():
        assert one[first[i] : first[i + 1]].tolist() == way[:1].tolist()
        for near, far in pairwise(way):
            assert far in depth[int(near)]
