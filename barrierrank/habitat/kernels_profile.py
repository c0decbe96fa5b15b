"""Kernels over the elevation profile of a whole network: points, spikes, gaps, the falling profile, gradients.

Points lie reach after reach, downstream, the ends of every reach among them: reach r has the points ``offsets[r]``
to ``offsets[r + 1] - 1``, two at least. All reaches that meet at a node have one elevation there. `ways` holds
`tail` and `head` of the reaches and, per node, the main reach above and the main reach below it (-1 for none).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Ways = tuple[Ints, Ints, Ints, Ints]


@kernel
def place_points(
    start: Floats, end: Floats, backward: Bools, length: Floats, spacing: Floats, offsets: Ints
) -> tuple[Floats, Floats]:
    """Return the measure on its polyline of every point, and its distance from the top of its reach.

    Inner points stand at whole multiples of the polyline's `spacing`, wherever the line is cut into reaches. There
    are ``offsets[r + 1] - offsets[r] - 2`` of them, the first at the first multiple beyond `start`.
    """
    measure, distance = np.empty(offsets[-1]), np.empty(offsets[-1])
    for r in range(start.size):
        first, last = offsets[r], offsets[r + 1] - 1
        drawn = end[r] - start[r]
        scale = length[r] / drawn if drawn > 0.0 else 0.0
        step = np.floor(start[r] / spacing[r]) + 1.0
        for k in range(first, last + 1):
            at = (step + (k - first - 1)) * spacing[r]
            if k == first:
                at = start[r]
            elif k == last:
                at = end[r]
            at = min(max(at, start[r]), end[r])
            place = last - (k - first) if backward[r] else k
            measure[place] = at
            distance[place] = (end[r] - at if backward[r] else at - start[r]) * scale
        distance[first], distance[last] = 0.0, length[r]
    return measure, distance


@kernel
def on_points(inner: Floats, at_node: Floats, offsets: Ints, ways: Ways) -> Floats:
    """Return the value at every point from those at inner points, reach after reach, and those at nodes."""
    out = np.empty(offsets[-1])
    taken = 0
    for r in range(offsets.size - 1):
        first, last = offsets[r], offsets[r + 1] - 1
        out[first], out[last] = at_node[ways[0][r]], at_node[ways[1][r]]
        for k in range(first + 1, last):
            out[k] = inner[taken]
            taken += 1
    return out


@kernel
def at_nodes(z: Floats, offsets: Ints, ways: Ways) -> Floats:
    """Return the value at every node; NaN at nodes without reaches."""
    out = np.full(ways[2].size, np.nan)
    for r in range(offsets.size - 1):
        out[ways[0][r]] = z[offsets[r]]
        out[ways[1][r]] = z[offsets[r + 1] - 1]
    return out


@kernel
def _middle(values: Floats, count: int) -> float:
    """Return the median of the first `count` values, which get sorted; NaN of none."""
    if count == 0:
        return np.nan
    for i in range(1, count):
        value, k = values[i], i
        while k > 0 and values[k - 1] > value:
            values[k] = values[k - 1]
            k -= 1
        values[k] = value
    if count % 2 == 1:
        return float(values[count // 2])
    return float((values[count // 2 - 1] + values[count // 2]) / 2.0)


@kernel
def _neighbours(
    z: Floats, offsets: Ints, ways: Ways, place: tuple[int, int], downstream: bool, out: Floats
) -> int:
    """Write to `out` the known values of the next points up or down the main course; return how many there are."""
    r, k = place
    found = 0
    for _ in range(out.size):
        if downstream and k == offsets[r + 1] - 1:
            r = ways[3][ways[1][r]]
            k = offsets[r]
        elif not downstream and k == offsets[r]:
            r = ways[2][ways[0][r]]
            k = offsets[r + 1] - 1
        if r < 0:
            break
        k += 1 if downstream else -1
        if not np.isnan(z[k]):
            out[found] = z[k]
            found += 1
    return found


@kernel
def _without_spike(
    z: Floats, offsets: Ints, ways: Ways, place: tuple[int, int], spike_m: float, room: tuple[Floats, Floats]
) -> float:
    """Return the value of one point, or the median of its neighbours where it is a spike."""
    value = z[place[1]]
    if np.isnan(value):
        return np.nan
    above, both = room
    up = _neighbours(z, offsets, ways, place, False, above)
    down = _neighbours(z, offsets, ways, place, True, both[: above.size])
    below_median = _middle(both, down)
    down = _neighbours(z, offsets, ways, place, True, both[: above.size])
    both[down : down + up] = above[:up]
    above_median = _middle(above, up)
    median = _middle(both, up + down)
    # A bed that falls all the way is never higher than what lies above it nor lower than what lies below it, so
    # that no fall or steep start is taken for a spike. NaN, where there is nothing on one side, compares false.
    too_high = value - median > spike_m and value - above_median > spike_m
    too_low = median - value > spike_m and below_median - value > spike_m
    return median if too_high or too_low else value


@kernel
def without_spikes(z: Floats, offsets: Ints, ways: Ways, spike_m: float, reach: int) -> Floats:
    """Replace spikes by the median of their neighbours, `reach` points up and down the main course."""
    out = z.copy()
    room = (np.empty(reach), np.empty(2 * reach))
    above, below = ways[2], ways[3]
    node_z = np.full(above.size, np.nan)
    for v in range(above.size):
        if above[v] >= 0:
            place = (above[v], offsets[above[v] + 1] - 1)
        elif below[v] >= 0:
            place = (below[v], offsets[below[v]])
        else:
            continue
        node_z[v] = _without_spike(z, offsets, ways, place, spike_m, room)
    for r in range(offsets.size - 1):
        out[offsets[r]], out[offsets[r + 1] - 1] = node_z[ways[0][r]], node_z[ways[1][r]]
        for k in range(offsets[r] + 1, offsets[r + 1] - 1):
            out[k] = _without_spike(z, offsets, ways, (r, k), spike_m, room)
    return out


@kernel
def _nearest_known(
    z: Floats,
    points: tuple[Ints, Floats],
    ways: Ways,
    order: Ints,
    below: tuple[Ints, Ints],
    downstream: bool,
) -> tuple[Floats, Floats, Bools]:
    """Return per node the nearest known value above it (or, `downstream`, below it), how far, and whether adjoining.

    Adjoining: on a reach that ends at the node.
    """
    offsets, distance = points
    known = at_nodes(z, offsets, ways)
    value, far = np.full(known.size, np.nan), np.full(known.size, np.inf)
    adjoins = np.zeros(known.size, dtype=np.bool_)
    for i in range(order.size):
        v = order[order.size - 1 - i] if downstream else order[i]
        if not np.isnan(known[v]) and not downstream:
            value[v], far[v], adjoins[v] = known[v], 0.0, True
        for m in range(below[0][v], below[0][v + 1]):
            r = below[1][m]
            first, last = offsets[r], offsets[r + 1] - 1
            source, target = (ways[1][r], v) if downstream else (v, ways[1][r])
            k = first + 1 if downstream else last - 1
            while first < k < last and np.isnan(z[k]):
                k += 1 if downstream else -1
            if first < k < last:
                found, away = z[k], abs(distance[k] - distance[first if downstream else last])
                near = True
            else:
                found, away = value[source], far[source] + distance[last]
                near = not np.isnan(known[source])
            if away < far[target]:
                value[target], far[target], adjoins[target] = found, away, near
        if not np.isnan(known[v]) and downstream:
            value[v], far[v], adjoins[v] = known[v], 0.0, True
    return value, far, adjoins


@kernel
def without_gaps(
    z: Floats, points: tuple[Ints, Floats], ways: Ways, order: Ints, below: tuple[Ints, Ints]
) -> Floats:
    """Fill gaps from the nearest known values above and below, in proportion to distance along the channel.

    Where one side has nothing known, the other side's value is carried to the end of its reach and no farther.
    """
    offsets, distance = points
    upper, up, upper_adjoins = _nearest_known(z, points, ways, order, below, False)
    lower, down, lower_adjoins = _nearest_known(z, points, ways, order, below, True)
    node_z = at_nodes(z, offsets, ways)
    for v in range(node_z.size):
        if not np.isnan(node_z[v]):
            continue
        if not np.isnan(upper[v]) and not np.isnan(lower[v]):
            share = up[v] / (up[v] + down[v]) if up[v] + down[v] > 0.0 else 0.5
            node_z[v] = upper[v] + (lower[v] - upper[v]) * share
        elif upper_adjoins[v]:
            node_z[v] = upper[v]
        elif lower_adjoins[v]:
            node_z[v] = lower[v]
    out = z.copy()
    for r in range(offsets.size - 1):
        first, last = offsets[r], offsets[r + 1] - 1
        out[first], out[last] = node_z[ways[0][r]], node_z[ways[1][r]]
        before = first
        for k in range(first + 1, last + 1):
            if np.isnan(out[k]):
                continue
            span = distance[k] - distance[before]
            for j in range(before + 1, k):  # of a gap that begins at a point with nothing known, NaN stays
                share = (distance[j] - distance[before]) / span if span > 0.0 else 0.5
                out[j] = out[before] + (out[k] - out[before]) * share
            before = k
    return out


@kernel
def falling(z: Floats, offsets: Ints, ways: Ways, order: Ints, below: tuple[Ints, Ints]) -> Floats:
    """Return the mean of the carved and the filled profile; both fall downstream everywhere, so it does too.

    Carved: the least value at or above a point. Filled: the greatest value at or below it. NaN stays NaN.
    """
    known = at_nodes(z, offsets, ways)
    low, high = known.copy(), known.copy()
    out = np.full(z.size, np.nan)
    for v in order:  # upstream first: all inflows have been counted in
        for m in range(below[0][v], below[0][v + 1]):
            r = below[1][m]
            run = low[v]
            for k in range(offsets[r] + 1, offsets[r + 1] - 1):
                run = np.fmin(run, z[k])
                out[k] = run
            low[ways[1][r]] = np.fmin(low[ways[1][r]], run)
    for i in range(order.size):  # downstream first
        v = order[order.size - 1 - i]
        for m in range(below[0][v], below[0][v + 1]):
            r = below[1][m]
            run = high[ways[1][r]]
            for back in range(offsets[r + 1] - offsets[r] - 2):
                k = offsets[r + 1] - 2 - back
                run = np.fmax(run, z[k])
                out[k] = np.nan if np.isnan(z[k]) else (out[k] + run) / 2.0
            high[v] = np.fmax(high[v], run)
    for r in range(offsets.size - 1):
        for v, k in ((ways[0][r], offsets[r]), (ways[1][r], offsets[r + 1] - 1)):
            out[k] = np.nan if np.isnan(known[v]) else (low[v] + high[v]) / 2.0
    return out


@kernel
def _level_at(z: Floats, distance: Floats, first: int, last: int, at: float) -> float:
    """Return the elevation at a distance from the top of the reach with the points first..last."""
    k = first + int(np.searchsorted(distance[first : last + 1], at))
    if k <= first:
        return float(z[first])
    if k > last:
        return float(z[last])
    span = distance[k] - distance[k - 1]
    share = (at - distance[k - 1]) / span if span > 0.0 else 0.5
    return float(z[k - 1] + (z[k] - z[k - 1]) * share)


@kernel
def _extend(
    z: Floats, points: tuple[Ints, Floats], nexts: Ints, start: int, want: float, downstream: bool
) -> tuple[float, float]:
    """Go `want` metres up or down from a reach's end; return how far that was possible and the elevation there."""
    offsets, distance = points
    gone, r = 0.0, start
    level = z[offsets[r + 1] - 1] if downstream else z[offsets[r]]
    while gone < want:
        r = nexts[r]
        if r < 0:
            break
        first, last = offsets[r], offsets[r + 1] - 1
        if np.isnan(z[first]) or np.isnan(z[last]):
            break
        length = distance[last]
        if gone + length <= want:
            gone += length
            level = z[last] if downstream else z[first]
            continue
        rest = want - gone
        level = _level_at(z, distance, first, last, rest if downstream else length - rest)
        gone = want
    return gone, level


@kernel
def gradients(z: Floats, points: tuple[Ints, Floats], upper: Ints, lower: Ints, over_m: float) -> Floats:
    """Return the gradient of every reach; short ones are extended evenly up and down the main course.

    `upper`, `lower` are the main reach above and below each reach, -1 for none.
    """
    offsets, distance = points
    out = np.empty(offsets.size - 1)
    for r in range(out.size):
        length = distance[offsets[r + 1] - 1]
        need = max(over_m - length, 0.0)
        up, top = _extend(z, points, upper, r, need / 2.0, False)
        down, bottom = _extend(z, points, lower, r, need - up, True)
        if up + down < need:  # the mouth, or the known profile, is near: what is left goes up
            up, top = _extend(z, points, upper, r, need - down, False)
        span = up + length + down
        out[r] = max((top - bottom) / span, 0.0) if span > 0.0 else np.nan
    return out
