"""Kernels that follow fish up from the receiving water to the first fall, and larvae down from where they hatched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def above_all(head: Ints, order: Ints, starts: Ints, members: Ints, entry: Bools, barred: Bools) -> Bools:
    """Tell which reaches cannot be reached from any entry without passing a barred foot, (n,).

    `starts`, `members` group the reaches by tail; `order` has the nodes upstream first. A reach whose own foot is
    barred is among them; so is one that no way leads to from an entry at all. Downstream first, linear.
    """
    reached = entry.copy()  # nodes a fish can stand at
    out = np.ones(head.size, dtype=np.bool_)
    for i in range(order.size - 1, -1, -1):
        node = order[i]
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            if reached[head[r]] and not barred[r]:
                out[r] = False
                reached[node] = True
    return out


@kernel
def nearest_spawning(
    head: Ints, order: Ints, starts: Ints, members: Ints, length_m: Floats, spawning: Bools, drift_m: float
) -> tuple[Ints, Floats]:
    """Return for each reach the nearest reach with spawning habitat at or above it, (n,), and how far up, (n,) [m].

    Distance goes along the flow, from the top of the reach up to the foot of the spawning reach; a reach with
    spawning habitat is its own nearest, at 0. -1 and NaN where none is within `drift_m` [m]. Of equally near ones
    the lower number is taken. Each node passes down the nearest of all that meets there, upstream first: linear,
    and exact on braids, for the shortest way through a node is the shortest way to it.
    """
    nodes = starts.size - 1
    nearest = np.full(nodes, -1, dtype=np.int64)
    distance = np.full(nodes, np.inf)
    source = np.full(head.size, -1, dtype=np.int64)
    far = np.full(head.size, np.nan)
    for node in order:
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            # what comes to the foot of r: from above it, or from r itself
            best, way = nearest[node], distance[node]
            if best >= 0 and way <= drift_m:
                source[r], far[r] = best, way
            way += length_m[r]
            if spawning[r]:
                source[r], far[r] = r, 0.0
                if best < 0 or way > 0.0 or r < best:
                    best, way = r, 0.0
            below = head[r]
            if best >= 0 and (way < distance[below] or (way == distance[below] and best < nearest[below])):
                nearest[below], distance[below] = best, way
    return source, far


@kernel
def rearing_by_source(rearing: Floats, source: Ints) -> Floats:
    """Return rearing amounts at the reach whose access decides on them, (n,): that of the parents' spawning.

    `source` is the nearest spawning reach of each reach; where it is -1, rearing counts nothing.
    """
    out = np.zeros(rearing.size)
    for r in range(rearing.size):
        if source[r] >= 0:
            out[source[r]] += rearing[r]
    return out
