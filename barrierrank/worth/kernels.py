"""Kernel of treatment: which streams an action frees of the invader, or opens to it, and what that saves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.kernels_effects import Edge, Graph, Swept, spread
from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Parts = tuple[Ints, Ints]
Ground = tuple[Floats, Parts, Ints, Floats, Ints]
Listed = tuple[Ints, Ints, Floats]

ROUNDING = 1.0 - 1e-12
"""Access is compared with the threshold times this, so that products that should equal it do."""


@kernel
def infested_per_stream(access: Floats, parts: Parts, streams: int, threshold: float) -> Ints:
    """Count the infested parts of elements in each stream in each column, (streams, t)."""
    out = np.zeros((streams, access.shape[1]), dtype=np.int64)
    for x in range(access.shape[0]):
        for k in range(parts[0][x], parts[0][x + 1]):
            for c in range(access.shape[1]):
                if access[x, c] >= threshold * ROUNDING:
                    out[parts[1][k], c] += 1
    return out


@kernel
def _flips(
    roots: int, c: int, threshold: float, sweep: Swept, children: tuple[Ints, Ints],
    change: tuple[Ints, Floats], room: tuple[Ints, Floats, Ints, Ints],
) -> int:  # fmt: skip
    """Collect the elements whose state flips above the changed ones; access only falls on the way up, so stop early."""
    access, relative = sweep
    starts, members = children
    changed, new = change
    stack, held, flipped, state = room
    limit, count = threshold * ROUNDING, 0
    for i in range(roots):
        stack[0], held[0] = changed[i], new[changed[i]]
        top = 1
        while top > 0:
            top -= 1
            x, now = stack[top], held[top]
            was, will = access[x, c] >= limit, now >= limit
            if not was and not will:
                continue
            if was != will:
                flipped[count], state[count] = x, 1 if will else -1
                count += 1
            for k in range(starts[x], starts[x + 1]):
                stack[top], held[top] = members[k], now * relative[members[k], c]
                top += 1
    return count


@kernel
def _discharge_at_foot(s: int, c: int, infested: Bools, ground: Ground, listed: Listed) -> float:
    """Return the greatest discharge of stream `s` among its infested elements and what is always infested."""
    best = float(ground[3][s])
    starts, members, flow = listed
    for k in range(starts[s], starts[s + 1]):
        if flow[k] <= best:
            break
        if infested[members[k], c]:
            return float(flow[k])
    return best


@kernel
def _settle(
    c: int, count: int, infested: Bools, ground: Ground, tally: tuple[Ints, Ints, Ints],
    flips: tuple[Ints, Ints], listed: Listed, draw: int,
) -> tuple[float, float, float]:  # fmt: skip
    """Return the change of infested habitat, of treated streams and of discharge at their feet by `count` flips.

    `infested` is written to and put back; so is the tally of infested elements with habitat per stream. Habitat is
    that of column `draw`.
    """
    habitat, (starts, stream), inside, always = ground[0], ground[1], ground[2], ground[4]
    gain, streams, seen = tally
    amount, treated, discharge, met = 0.0, 0.0, 0.0, 0
    for i in range(count):
        x = flips[0][i]
        amount += flips[1][i] * habitat[x, draw]
        for k in range(starts[x], starts[x + 1]):
            s = stream[k]
            if seen[s] == 0:
                seen[s], streams[met] = 1, s
                discharge -= _discharge_at_foot(s, c, infested, ground, listed)
                met += 1
            gain[s] += flips[1][i]
    for i in range(count):
        infested[flips[0][i], c] = flips[1][i] > 0
    for i in range(met):
        s = streams[i]
        before = inside[s, c] + always[s]
        treated += (1.0 if before + gain[s] > 0 else 0.0) - (1.0 if before > 0 else 0.0)
        discharge += _discharge_at_foot(s, c, infested, ground, listed)
        gain[s], seen[s] = 0, 0
    for i in range(count):
        infested[flips[0][i], c] = flips[1][i] < 0
    return amount, treated, discharge


@kernel
def treatment_change(
    actions: tuple[Ints, Floats], columns: tuple[Floats, Ints, int], threshold: float, sweep: Swept,
    graph: Graph, edge: Edge, ground: Ground, order: tuple[tuple[Ints, Ints], Listed],
) -> Floats:  # fmt: skip
    """Change of infested habitat, of treated streams, and of discharge at the foot of infested parts, by action.

    Parameters
    ----------
    actions : element (a,), passability after it (a, t)
    columns : weights (t,), group (t,), number of groups
        Columns are summed group by group with these weights.
    threshold : float
        Access from which on an element is infested.
    sweep : access, relative (e, t)
    graph : first, parent, gate
    edge : frontier
    ground : habitat (e, groups), parts of elements (starts, streams), infested parts (streams, t), discharge of what
        is always infested (streams,), count of what is always infested (streams,)
    order : the elements each element gates directly (starts, members); the parts of each stream by falling discharge
        (starts, elements, discharges)

    Returns
    -------
    (a, groups, 3) float64
        Habitat, streams, discharge.
    """
    element, passability = actions
    weights, group, groups = columns
    access, e, streams = sweep[0], sweep[0].shape[0], ground[4].size
    limit = threshold * ROUNDING
    infested = access >= limit
    out = np.zeros((element.size, groups, 3))
    stamp, new = np.full(e, -1, dtype=np.int64), np.zeros(e)
    spreading = (np.empty(edge[1].size + e + 1, dtype=np.int64), np.empty(e, dtype=np.int64))
    room = (
        np.empty(e + 1, dtype=np.int64),
        np.empty(e + 1),
        np.empty(e, dtype=np.int64),
        np.empty(e, dtype=np.int64),
    )
    tally = (
        np.zeros(streams, dtype=np.int64),
        np.empty(streams, dtype=np.int64),
        np.zeros(streams, dtype=np.int64),
    )
    mark = 0
    for a in range(element.size):
        b = element[a]
        for c in range(access.shape[1] if b >= 0 else 0):
            value = access[graph[1][graph[0][b]], c] * passability[a, c]
            alone = edge[0][b] == edge[0][b + 1]
            if value == access[b, c] or (alone and max(value, access[b, c]) < limit):
                continue
            mark += 1
            roots = spread(b, value, c, sweep, graph, edge, (stamp, new, mark), spreading)
            count = _flips(roots, c, threshold, sweep, order[0], (spreading[1], new), room)
            change = _settle(c, count, infested, ground, tally, (room[2], room[3]), order[1], group[c])
            for k in range(3):
                out[a, group[c], k] += weights[c] * change[k]
    return out
