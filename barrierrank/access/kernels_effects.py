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
Slots = tuple[Ints, int]
Flags = NDArray[np.bool_]
Rows = tuple[Floats, Flags]

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
def _most_changed(edge: Edge) -> int:
    """Return how many elements can change themselves at most: where a change starts, and all joins of the frontier."""
    starts, joins = edge
    seen = np.zeros(starts.size, dtype=np.bool_)
    count = 1
    for k in range(joins.size):
        count += 0 if seen[joins[k]] else 1
        seen[joins[k]] = True
    return count


@kernel
def _ways_anew(j: int, sweep: Swept, graph: Graph, slots: Slots, rows: Rows, product: Floats, out: Floats) -> None:
    """Work out the access of join `j` in every column: by each way, from the first changed element down it or its gate.

    `product` is room for one row (t,): of what is passed so far, 0 once a changed element has been met.
    """
    access, relative = sweep
    first, parent, gate = graph
    slot, mark = slots
    new, moved = rows
    t = out.size
    out[:] = 0.0
    for k in range(first[j], first[j + 1]):
        z = parent[k]
        product[:] = 1.0
        going = True
        while z != gate[j] and going:
            i = slot[z] - mark
            if i < 0:
                for c in range(t):
                    product[c] *= relative[z, c]
            else:
                going = False
                for c in range(t):
                    met = product[c] * new[i, c] if moved[i, c] else 0.0
                    out[c] = max(out[c], met)
                    product[c] = 0.0 if moved[i, c] else product[c] * relative[z, c]
                    going |= product[c] > 0.0
            z = gate[z]
        if going:
            i = slot[z] - mark
            for c in range(t):
                value = new[i, c] if i >= 0 and moved[i, c] else access[z, c]
                out[c] = max(out[c], product[c] * value)


@kernel
def _reach(
    x: int, edge: Edge, slots: Slots, moved: Flags, heap: Ints, members: Ints, counts: tuple[int, int]
) -> tuple[int, int]:
    """Give the joins just beyond element `x` rows, and note in which columns a change comes to them; return counts."""
    slot, mark = slots
    starts, joins = edge
    size, used = counts
    for k in range(starts[x], starts[x + 1]):
        j = joins[k]
        if slot[j] < mark:
            slot[j], members[used] = mark + used, j
            moved[used, :] = False
            size, used = _push(heap, size, j), used + 1
        for c in range(moved.shape[1]):
            moved[slot[j] - mark, c] |= moved[slot[x] - mark, c]
    return size, used


@kernel
def _spread_all(
    start: int, sweep: Swept, graph: Graph, edge: Edge, slots: Slots, rows: Rows,
    room: tuple[Ints, Ints, Ints, Floats, Floats],
) -> tuple[int, int]:  # fmt: skip
    """Follow changes of the access of element `start` through all joins they reach, all columns together.

    Column by column this does what :func:`spread` does, whatever the other columns are.

    Parameters
    ----------
    slots : slot (e,), mark
        Row of each element that a change comes to, plus the mark of this call; below the mark: none.
    rows : new access, whether it changed (rows, t)
        The first row, of `start`, is filled.
    room : heap, element of each row, list of rows, a row of products, one of access (t,)
        All to be written.

    Returns
    -------
    changed : int
        How many elements changed; their rows are at the head of the list, downstream first.
    used : int
        How many rows are filled.
    """
    slot, mark = slots
    new, moved = rows
    heap, members, listed, product, fresh = room
    slot[start], members[0], listed[0] = mark, start, 0
    count = 1
    size, used = _reach(start, edge, slots, moved, heap, members, (0, 1))
    while size > 0:
        size = _pop(heap, size)
        j = heap[size]
        row = slot[j] - mark
        _ways_anew(j, sweep, graph, slots, rows, product, fresh)
        anywhere = False
        for c in range(fresh.size):
            old = sweep[0][j, c]
            moved[row, c] &= abs(fresh[c] - old) > NOISE * max(fresh[c], old)
            new[row, c] = fresh[c]
            anywhere |= moved[row, c]
        if anywhere:
            listed[count] = row
            count += 1
            size, used = _reach(j, edge, slots, moved, heap, members, (size, used))
    return count, used


@kernel
def _straight(
    out: Floats, b: int, below: int, after: Floats, weights: Floats, group: Ints, access: Floats,
    gated: Floats,
) -> None:  # fmt: skip
    """Add the effects (k, groups) of one action that no way leads round: it changes what its site gates alone."""
    for k in range(weights.shape[1]):
        for c in range(access.shape[1]):
            change = access[below, c] * after[c] - access[b, c]
            out[k, group[c]] += weights[c, k] * change * gated[b, c]


@kernel
def _round(
    out: Floats, changed: tuple[Ints, Ints], rows: Rows, weights: Floats, group: Ints, access: Floats, gated: Floats
) -> None:
    """Add the effects (k, groups) of one action that ways lead round, by the rows that changed and their elements."""
    listed, members = changed
    new, moved = rows
    for k in range(weights.shape[1]):
        for c in range(access.shape[1]):
            total = out[k, group[c]]
            for row in listed:
                if moved[row, c]:
                    x = members[row]
                    total += weights[c, k] * (new[row, c] - access[x, c]) * gated[x, c]
            out[k, group[c]] = total


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
    (kinds of habitat, k, a, groups) float64
    """
    access, _ = sweep
    weights, group, groups = columns
    first, parent, _ = graph
    e, t = access.shape
    out = np.zeros((len(gated), weights.shape[1], element.size, groups))
    most = _most_changed(edge)
    slot, mark = np.full(e, -1, dtype=np.int64), 0
    new, moved = np.empty((most, t)), np.empty((most, t), dtype=np.bool_)
    heap, members = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
    listed = np.empty(most, dtype=np.int64)
    room = (heap, members, listed, np.empty(t), np.empty(t))
    for a in range(element.size):
        b = element[a]
        if b < 0:
            continue
        below = parent[first[b]]
        if edge[0][b] == edge[0][b + 1]:
            for h in range(len(gated)):
                _straight(out[h, :, a], b, below, passability[a], weights, group, access, gated[h])
            continue
        anywhere = False
        for c in range(t):
            new[0, c] = access[below, c] * passability[a, c]
            moved[0, c] = new[0, c] != access[b, c]
            anywhere |= moved[0, c]
        if not anywhere:
            continue
        count, used = _spread_all(b, sweep, graph, edge, (slot, mark), (new, moved), room)
        mark += used
        for h in range(len(gated)):
            _round(out[h, :, a], (listed[:count], members), (new, moved), weights, group, access, gated[h])
    return out
