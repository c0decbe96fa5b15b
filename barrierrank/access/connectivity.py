"""Dendritic connectivity index (Cote et al. 2009), for fish from the receiving water and for residents."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from barrierrank.access import kernels_pairs
from barrierrank.access.graph import AccessGraph, Sweep
from barrierrank.network.model import RiverNetwork

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

ROWS_AT_ONCE = 256
"""Sources of shortest ways worked out in one go on braids: bounds the memory."""


def diadromous_index(graph: AccessGraph, per_reach: Floats, sweep: Sweep) -> Floats:
    """Dendritic connectivity index for fish that come from the receiving water: ``100 sum(h a) / sum(h)``.

    Parameters
    ----------
    graph : AccessGraph
    per_reach : (n,) float64
        Length or habitat of each reach.
    sweep : Sweep

    Returns
    -------
    (t,) float64
        0 to 100; NaN where there is no habitat.

    References
    ----------
    Cote, Kehler, Bourne & Wiersma 2009, Landscape Ecology 24:101-113.
    """
    total = float(per_reach.sum())
    if total <= 0.0:
        return np.full(sweep.access.shape[1], np.nan)
    return 100.0 * graph.accessible(graph.amounts(per_reach), sweep) / total


def potamodromous_index(network: RiverNetwork, per_reach: Floats, two_way: Floats) -> float:
    """Dendritic connectivity index for residents: ``100 sum_i sum_j h_i h_j c_ij / (sum h)^2``.

    `c_ij` is the greatest product of two-way passabilities on a way between i and j along the lines. Streams that
    end at separate mouths count as apart, whatever lies between these in the receiving water; lines that meet in one
    node are joined there, at a mouth too.

    Parameters
    ----------
    network : RiverNetwork
    per_reach : (n,) float64
        Length or habitat of each reach.
    two_way : (sites,) float64
        Upstream times downstream passability of each site.

    Returns
    -------
    float
        0 to 100; NaN where there is no habitat.

    Notes
    -----
    Linear on trees: leaves are folded into their neighbours. What is left lies on braids; there the best ways are
    found from each fragment in turn.

    References
    ----------
    Cote, Kehler, Bourne & Wiersma 2009, Landscape Ecology 24:101-113.
    """
    total = float(per_reach.sum())
    if total <= 0.0:
        return float("nan")
    fragment, count = fragments(network, two_way)
    habitat = np.bincount(fragment[network.tail], per_reach, minlength=count).astype(np.float64)
    here = np.flatnonzero(network.site >= 0)
    a, b = fragment[network.head[here]], fragment[network.tail[here]]
    factor = two_way[network.site[here]]
    a, b, factor = _distinct(a, b, factor)
    pairs, held, alive = kernels_pairs.fold_leaves(habitat, a, b, factor)
    left = alive[a] & alive[b]
    if left.any():
        pairs += _pairs_on_braids(held, a[left], b[left], factor[left])
    return 100.0 * pairs / total**2


def fragments(network: RiverNetwork, passability: Floats) -> tuple[Ints, int]:
    """Return the fragment of each node (nodes,) and their number; a fully passable site does not divide.

    Parameters
    ----------
    network : RiverNetwork
    passability : (sites,) float64
    """
    open_reach = network.site < 0
    here = np.flatnonzero(~open_reach)
    open_reach[here] = passability[network.site[here]] >= 1.0
    tail, head = network.tail[open_reach], network.head[open_reach]
    graph = csr_array((np.ones(tail.size, dtype=np.int8), (tail, head)), shape=(network.nodes, network.nodes))
    count, fragment = connected_components(graph, directed=False)
    return fragment.astype(np.int64), int(count)


def _distinct(a: Ints, b: Ints, factor: Floats) -> tuple[Ints, Ints, Floats]:
    """Return the pairs of different fragments with a way between them, each once, with the best factor."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((-factor, high, low))
    low, high, factor = low[order], high[order], factor[order]
    new = np.ones(low.size, dtype=np.bool_)
    new[1:] = (np.diff(low) != 0) | (np.diff(high) != 0)
    new &= (low != high) & (factor > 0.0)
    return low[new], high[new], factor[new]


def _pairs_on_braids(held: Floats, a: Ints, b: Ints, factor: Floats) -> float:
    """Return the sum of ``held_i held_j c_ij`` over ordered pairs of different fragments joined by braids."""
    members, index = np.unique(np.concatenate([a, b]), return_inverse=True)
    i, j = np.split(index.ravel(), 2)
    size = members.size
    graph = csr_array((-np.log(factor), (i.astype(np.int32), j.astype(np.int32))), shape=(size, size))
    amount = held[members]
    total = 0.0
    for start in range(0, size, ROWS_AT_ONCE):
        rows = np.arange(start, min(start + ROWS_AT_ONCE, size))
        best = np.exp(-dijkstra(graph, directed=False, indices=rows))
        best[np.arange(rows.size), rows] = 0.0
        total += float(amount[rows] @ best @ amount)
    return total
