"""Kernels of effects: what changes when one site's passability changes, exactly, on trees and braids."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Swept = tuple[Floats, Floats]
Graph = tuple[Ints, Ints, Ints]
Edge = tuple[Ints, Ints]
Changed = tuple[Ints, Floats, int]

NOISE = 1e-13
"""A join whose access changes by less than this share has not changed: rounding of products taken in other order."""


@kernel
def _push(heap: Ints, size: int, value: int) -> int:
    """Add to a binary heap (least first); return its new size."""
    i = size
    heap[i] = value
    while i > 0 and heap[(i - 1) // 2] > heap[i]:
        heap[i], heap[(i - 1) // 2] = heap[(i - 1) // 2], heap[i]
        i = (i - 1) // 2
    return size + 1


@kernel
def _pop(heap: Ints, size: int) -> int:
    """Take the least entry off a binary heap; it is put behind the end. Return the new size."""
    size -= 1
    heap[0], heap[size] = heap[size], heap[0]
    i = 0
    while 2 * i + 1 < size:
        child = 2 * i + 1
        if child + 1 < size and heap[child + 1] < heap[child]:
            child += 1
        if heap[i] <= heap[child]:
            break
        heap[i], heap[child] = heap[child], heap[i]
        i = child
    return size


@kernel
def _new_access(
    j: int,
    c: int,
    sweep: Swept,
    graph: Graph,
    changed: Changed,
) -> float:
    """Return the access of join `j` in column `c` while the stamped elements have their new access."""
    access, relative = sweep
    first, parent, gate = graph
    stamp, new, mark = changed
    best = 0.0
    for k in range(first[j], first[j + 1]):
        z = parent[k]
        product = 1.0
        while stamp[z] != mark and z != gate[j]:
            product *= relative[z, c]
            z = gate[z]
        value = product * (new[z] if stamp[z] == mark else access[z, c])
        best = max(best, value)
    return best


@kernel
def spread(
    start: int, value: float, c: int, sweep: Swept, graph: Graph, edge: Edge,
    changed: Changed, room: tuple[Ints, Ints],
) -> int:  # fmt: skip
    """Follow a change of the access of element `start` to `value` through all joins it reaches.

    Parameters
    ----------
    sweep : access, relative (e, t)
    graph : first, parent, gate
    edge : starts and joins of the frontier
    changed : stamp (e,), new access (e,), mark of this call
    room : heap (e,), list of changed elements (e,), both to be written

    Returns
    -------
    int
        How many elements changed themselves (not through their gate); they are at the head of the list.
    """
    stamp, new, mark = changed
    heap, members = room
    starts, joins = edge
    stamp[start], new[start] = mark, value
    members[0] = start
    count, size, done = 1, 0, -1
    for k in range(starts[start], starts[start + 1]):
        size = _push(heap, size, joins[k])
    while size > 0:
        size = _pop(heap, size)
        j = heap[size]
        if j == done:
            continue
        done = j
        old = sweep[0][j, c]
        fresh = _new_access(j, c, sweep, graph, changed)
        if abs(fresh - old) <= NOISE * max(fresh, old):
            continue
        stamp[j], new[j] = mark, fresh
        members[count] = j
        count += 1
        for k in range(starts[j], starts[j + 1]):
            size = _push(heap, size, joins[k])
    return count


@kernel
def gated_apart(amount: Floats, group: Ints, relative: Floats, gate: Ints) -> Floats:
    """Sweep downstream: what each element gates, weighed by the access seen from it, amounts differing by group.

    Parameters
    ----------
    amount : (e, groups) float64
        Habitat of each element.
    group : (t,) int64
        Group of each column.
    relative : (e, t) float64

    Returns
    -------
    (e, t) float64
    """
    e, t = relative.shape
    gated = np.empty((e, t))
    for i in range(e):
        for c in range(t):
            gated[i, c] = amount[i, group[c]]
    for i in range(e - 1, 1, -1):  # above the receiving water (0) and nowhere (1)
        g = gate[i]
        for c in range(t):
            gated[g, c] += relative[i, c] * gated[i, c]
    return gated


@kernel
def _straight(
    out: Floats, b: int, below: int, after: Floats, weights: Floats, group: Ints, access: Floats,
    gated: Floats,
) -> None:  # fmt: skip
    """Add the effects (groups, k) of one action that no way leads round: it changes what its site gates alone."""
    for c in range(access.shape[1]):
        change = access[below, c] * after[c] - access[b, c]
        for k in range(weights.shape[1]):
            out[group[c], k] += weights[c, k] * change * gated[b, c]


@kernel
def effects(
    element: Ints, passability: Floats, columns: tuple[Floats, Ints, int], sweep: Swept,
    gated: tuple[Floats, ...], graph: Graph, edge: Edge,
) -> Floats:  # fmt: skip
    """Change of accessible habitat by each action alone, summed over the columns of each group with weights.

    Parameters
    ----------
    element : (a,) int64
        Element of the action's site; -1 where the site is not on the network.
    passability : (a, t) float64
        Passability after the action.
    columns : weights (t, k), group (t,), number of groups
    sweep : access, relative (e, t)
    gated : tuple of (e, t) float64
        From :func:`barrierrank.access.kernels.gated_sweep` or :func:`gated_apart`, one per kind of habitat.
    graph : first, parent, gate
    edge : frontier

    Returns
    -------
    (kinds of habitat, a, groups, k) float64
    """
    access, _ = sweep
    weights, group, groups = columns
    first, parent, _ = graph
    e, t = access.shape
    out = np.zeros((len(gated), element.size, groups, weights.shape[1]))
    stamp, new = np.full(e, -1, dtype=np.int64), np.zeros(e)
    room = (np.empty(edge[1].size + e + 1, dtype=np.int64), np.empty(e, dtype=np.int64))
    mark = 0
    for a in range(element.size):
        b = element[a]
        if b < 0:
            continue
        below = parent[first[b]]
        if edge[0][b] == edge[0][b + 1]:
            for h in range(len(gated)):
                _straight(out[h, a], b, below, passability[a], weights, group, access, gated[h])
            continue
        for c in range(t):
            value = access[below, c] * passability[a, c]
            if value == access[b, c]:
                continue
            mark += 1
            count = spread(b, value, c, sweep, graph, edge, (stamp, new, mark), room)
            for i in range(count):
                x = room[1][i]
                change = new[x] - access[x, c]
                for h in range(len(gated)):
                    for k in range(weights.shape[1]):
                        out[h, a, group[c], k] += weights[c, k] * change * gated[h][x, c]
    return out
