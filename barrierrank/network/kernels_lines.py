"""Kernels over polylines kept as flat arrays: lengths, places along them, pieces of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def cumulative_length(coords: Floats, offsets: Ints) -> Floats:
    """Return the distance [m] of every vertex from the start of its own line, shape (k,)."""
    along = np.zeros(coords.shape[0])
    for line in range(offsets.size - 1):
        for k in range(offsets[line] + 1, offsets[line + 1]):
            dx = coords[k, 0] - coords[k - 1, 0]
            dy = coords[k, 1] - coords[k - 1, 1]
            along[k] = along[k - 1] + np.sqrt(dx * dx + dy * dy)
    return along


@kernel
def vertex_before(along: Floats, first: int, last: int, measure: float) -> int:
    """Return the last vertex k in [first, last - 2] with ``along[k] <= measure`` (binary search)."""
    low = first
    high = last - 1
    while high - low > 1:
        middle = (low + high) // 2
        if along[middle] <= measure:
            low = middle
        else:
            high = middle
    return low


@kernel
def point_at(coords: Floats, along: Floats, first: int, last: int, measure: float) -> tuple[float, float]:
    """Return the point [m] at `measure` along the line of vertices first..last-1."""
    k = vertex_before(along, first, last, measure)
    span = along[k + 1] - along[k]
    t = 0.0 if span <= 0.0 else (measure - along[k]) / span
    t = min(max(t, 0.0), 1.0)
    x = coords[k, 0] + t * (coords[k + 1, 0] - coords[k, 0])
    y = coords[k, 1] + t * (coords[k + 1, 1] - coords[k, 1])
    return x, y


@kernel
def points_at(coords: Floats, offsets: Ints, along: Floats, line: Ints, measure: Floats) -> Floats:
    """Return the points [m], shape (n, 2), at the given measures along the given lines."""
    out = np.empty((line.size, 2))
    for i in range(line.size):
        first, last = offsets[line[i]], offsets[line[i] + 1]
        out[i, 0], out[i, 1] = point_at(coords, along, first, last, measure[i])
    return out


@kernel
def piece_sizes(offsets: Ints, along: Floats, line: Ints, start: Floats, end: Floats) -> Ints:
    """Return how many vertices each piece of a line has: its inner ones and two ends."""
    out = np.empty(line.size, dtype=np.int64)
    for i in range(line.size):
        inner = 0
        for k in range(offsets[line[i]], offsets[line[i] + 1]):
            if start[i] < along[k] < end[i]:
                inner += 1
        out[i] = inner + 2
    return out


@kernel
def cut_pieces(
    coords: Floats,
    offsets: Ints,
    along: Floats,
    line: Ints,
    start: Floats,
    end: Floats,
    backward: NDArray[np.bool_],
) -> tuple[Floats, Ints]:
    """Return coordinates (k, 2) and offsets (n + 1,) of pieces ``start..end`` of lines, turned where `backward`.

    A piece of no length gets the same point twice, so that every piece stays a valid line.
    """
    sizes = piece_sizes(offsets, along, line, start, end)
    new_offsets = np.zeros(line.size + 1, dtype=np.int64)
    new_offsets[1:] = np.cumsum(sizes)
    out = np.empty((new_offsets[-1], 2))
    for i in range(line.size):
        first, last = offsets[line[i]], offsets[line[i] + 1]
        at = new_offsets[i]
        step = 1
        if backward[i]:
            at = new_offsets[i + 1] - 1
            step = -1
        out[at, 0], out[at, 1] = point_at(coords, along, first, last, start[i])
        for k in range(first, last):
            if start[i] < along[k] < end[i]:
                at += step
                out[at, 0] = coords[k, 0]
                out[at, 1] = coords[k, 1]
        at += step
        out[at, 0], out[at, 1] = point_at(coords, along, first, last, end[i])
    return out, new_offsets


@kernel
def same_course(coords: Floats, offsets: Ints, pairs: Ints) -> NDArray[np.bool_]:
    """Tell for pairs of lines (n, 2) whether they have the same vertices in the same order."""
    out = np.empty(pairs.shape[0], dtype=np.bool_)
    for i in range(pairs.shape[0]):
        a, b = offsets[pairs[i, 0]], offsets[pairs[i, 1]]
        n = offsets[pairs[i, 0] + 1] - a
        same = n == offsets[pairs[i, 1] + 1] - b
        k = 0
        while same and k < n:
            same = coords[a + k, 0] == coords[b + k, 0] and coords[a + k, 1] == coords[b + k, 1]
            k += 1
        out[i] = same
    return out


@kernel
def _spread_bits(value: int) -> int:
    """Put a zero bit between the 21 low bits of `value`."""
    v = value & 0x1FFFFF
    v = (v | (v << 16)) & 0x0000001F0000FFFF
    v = (v | (v << 8)) & 0x001F00FF00FF00FF
    v = (v | (v << 4)) & 0x010F0F0F0F0F0F0F
    v = (v | (v << 2)) & 0x1333333333333333
    return (v | (v << 1)) & 0x1555555555555555


@kernel
def z_order_keys(coords: Floats, offsets: Ints) -> Ints:
    """Return a key of 42 bits per line that runs along a Z-order curve (Morton 1966) of the lines' middle vertices."""
    n = offsets.size - 1
    x, y = np.empty(n), np.empty(n)
    for line in range(n):
        k = (offsets[line] + offsets[line + 1]) // 2
        x[line], y[line] = coords[k, 0], coords[k, 1]
    left, low, right, high = np.inf, np.inf, -np.inf, -np.inf
    for line in range(n):
        if np.isfinite(x[line]) and np.isfinite(y[line]):
            left, right = min(left, x[line]), max(right, x[line])
            low, high = min(low, y[line]), max(high, y[line])
    scale = (2.0**21 - 1.0) / max(right - left, high - low, 1e-9)
    out = np.zeros(n, dtype=np.int64)
    for line in range(n):
        if np.isfinite(x[line]) and np.isfinite(y[line]):
            across = _spread_bits(int((x[line] - left) * scale))
            out[line] = across | (_spread_bits(int((y[line] - low) * scale)) << 1)
    return out


@kernel
def order_of_keys(keys: Ints, bits: int) -> Ints:
    """Return the stable ascending order of keys of so many bits, spread about evenly: buckets, then insertion."""
    n = keys.size
    shift = bits
    while shift > 0 and 1 << (bits - shift) < 2 * n:
        shift -= 1
    starts = np.zeros((1 << (bits - shift)) + 1, dtype=np.int64)
    for key in keys:
        starts[(key >> shift) + 1] += 1
    for k in range(starts.size - 1):
        starts[k + 1] += starts[k]
    order = np.empty(n, dtype=np.int64)
    filled = starts[:-1].copy()
    for i in range(n):
        bucket = keys[i] >> shift
        at = filled[bucket]
        filled[bucket] += 1
        while at > starts[bucket] and keys[order[at - 1]] > keys[i]:
            order[at] = order[at - 1]
            at -= 1
        order[at] = i
    return order


@kernel
def gather(coords: Floats, offsets: Ints, lines: Ints, out: Floats) -> None:
    """Write the vertices of the given lines to `out`, one line after the other."""
    at = 0
    for line in lines:
        for k in range(offsets[line], offsets[line + 1]):
            out[at, 0], out[at, 1] = coords[k, 0], coords[k, 1]
            at += 1
