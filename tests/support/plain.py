"""The plain definitions, in networkx and brute force: slow, obvious, and nothing shared with the fast paths."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from barrierrank.network.model import RiverNetwork

Floats = NDArray[np.float64]


def reach_graph(network: RiverNetwork) -> nx.DiGraph:
    """Return the graph of reaches that points upstream, from the node "water"."""
    graph = nx.DiGraph()
    graph.add_node("water")
    graph.add_nodes_from(range(len(network)))
    leaving: dict[int, list[int]] = {}
    for r in range(len(network)):
        leaving.setdefault(int(network.tail[r]), []).append(r)
    for r in range(len(network)):
        foot = int(network.head[r])
        if network.entry[foot]:
            graph.add_edge("water", r)
        else:
            graph.add_edges_from((below, r) for below in leaving.get(foot, []))
    return graph


def access_by_paths(network: RiverNetwork, passability: Floats) -> Floats:
    """Return the access of each reach: greatest product over all simple ways from the receiving water."""
    graph = reach_graph(network)
    out = np.zeros(len(network))
    for r in range(len(network)):
        for way in nx.all_simple_paths(graph, "water", r):
            product = 1.0
            for step in way[1:]:
                if network.site[step] >= 0:
                    product *= passability[network.site[step]]
            out[r] = max(out[r], product)
    return out


def access_by_shortest_way(network: RiverNetwork, passability: Floats) -> Floats:
    """Return the same through networkx's Dijkstra over ``-log p``, for networks too large to list all ways."""
    graph = reach_graph(network)

    def weight(_: object, upper: int, __: object) -> float | None:
        site = network.site[upper]
        p = 1.0 if site < 0 else float(passability[site])
        return None if p == 0.0 else -math.log(p)

    far = nx.single_source_dijkstra_path_length(graph, "water", weight=weight)
    return np.array([math.exp(-far[r]) if r in far else 0.0 for r in range(len(network))])


def upstream_sets(network: RiverNetwork) -> list[set[int]]:
    """Return for each reach the set of reaches above it, itself included."""
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(network.nodes))
    for r in range(len(network)):
        graph.add_edge(int(network.tail[r]), int(network.head[r]), reach=r)
    above = {}
    for node in range(network.nodes):
        inside = nx.ancestors(graph, node) | {node}
        above[node] = {d["reach"] for _, v, d in graph.in_edges(inside, data=True) if v in inside}
    return [above[int(network.tail[r])] | {r} for r in range(len(network))]


def strahler(network: RiverNetwork) -> list[int]:
    """Return Strahler orders from the rule as worded, reach by reach."""
    entering: dict[int, list[int]] = {}
    for r in range(len(network)):
        entering.setdefault(int(network.head[r]), []).append(r)
    known: dict[int, tuple[int, bool]] = {}

    def settle(r: int) -> tuple[int, bool]:
        if r not in known:
            inflows = [settle(i) for i in entering.get(int(network.tail[r]), [])]
            major = [order for order, is_minor in inflows if not is_minor]
            if not inflows:
                known[r] = (1, bool(network.minor[r]))
            elif major:
                known[r] = (max(major) + (major.count(max(major)) >= 2), bool(network.minor[r]))
            else:
                known[r] = (max(order for order, _ in inflows), True)
        return known[r]

    return [settle(r)[0] for r in range(len(network))]


def residents_index(network: RiverNetwork, habitat: Floats, two_way: Floats) -> float:
    """Return the potamodromous connectivity index by the best way between every pair of reaches."""
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(network.nodes))
    for r in range(len(network)):
        q = 1.0 if network.site[r] < 0 else float(two_way[network.site[r]])
        if q > 0.0:
            graph.add_edge(int(network.tail[r]), int(network.head[r]), weight=-math.log(q))
    total = 0.0
    for a in range(len(network)):
        far = nx.single_source_dijkstra_path_length(graph, int(network.tail[a]))
        for b in range(len(network)):
            if int(network.tail[b]) in far:
                total += habitat[a] * habitat[b] * math.exp(-far[int(network.tail[b])])
    return 100.0 * total / float(habitat.sum()) ** 2
