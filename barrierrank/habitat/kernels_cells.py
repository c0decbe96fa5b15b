"""Kernels: which raster cells lie under a line, how much of it, and what their values come to.

Lines are in cell units: x counts columns, y counts rows, from the corner of the first cell. exactextract, which serves
for areas, does not serve for lines: it finds nothing under a line that runs along a row or a column of the grid
(its box has no area), gives a line on the edge of two cells to one of them, and weighs by length in the
raster's own units, which in degrees depends on the direction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

MEAN, MEDIAN, MIN, MAX = 0, 1, 2, 3


@kernel
def most_pieces(xy: Floats, offsets: Ints, rows: int, columns: int) -> Ints:
    """Return an upper bound of the pieces each line is cut in, (n,).

    Parameters
    ----------
    xy : (k, 2) float64
        Vertices [cells].
    offsets : (n + 1,) int64
        Line i has the vertices ``offsets[i]`` to ``offsets[i + 1] - 1``.
    rows, columns : int
        Size of the raster.
    """
    out = np.empty(offsets.size - 1, dtype=np.int64)
    for i in range(out.size):
        most = 4.0
        for s in range(offsets[i], offsets[i + 1] - 1):
            across = min(abs(xy[s + 1, 0] - xy[s, 0]), float(columns))
            most += 2.0 * (across + min(abs(xy[s + 1, 1] - xy[s, 1]), float(rows)) + 4.0)
        out[i] = np.int64(most)
    return out


@kernel
def pieces_in_cells(
    xy: Floats, metres: Floats, offsets: Ints, rows: int, columns: int, room: int
) -> tuple[Ints, Floats]:
    """Cut lines at the edges of cells.

    Parameters
    ----------
    xy : (k, 2) float64
        Vertices [cells].
    metres : (k,) float64
        Length from each vertex to the next [m]; the last of a line is not looked at.
    offsets : (n + 1,) int64
    rows, columns : int
        Size of the raster.
    room : int
        Sum of :func:`most_pieces`.

    Returns
    -------
    starts : (n + 1,) int64
    pieces : (p, 2) float64
        Cell (row times columns plus column; -1 outside the raster) and length [m] of each piece. A line without
        length is one piece of weight 1. What runs along an edge goes half to the cell on either side.
    """
    starts = np.zeros(offsets.size, dtype=np.int64)
    pieces = np.empty((room, 2))
    k = 0
    for i in range(offsets.size - 1):
        total = 0.0
        for s in range(offsets[i], offsets[i + 1] - 1):
            total += metres[s]
            if metres[s] > 0.0:
                k = _cut(xy[s], xy[s + 1], metres[s], rows, columns, k, pieces)
        if total == 0.0 and offsets[i + 1] > offsets[i]:
            pieces[k, 0] = _cell_at(xy[offsets[i]], rows, columns)
            pieces[k, 1] = 1.0
            k += 1
        starts[i + 1] = k
    return starts, pieces[:k].copy()


@kernel
def _cell_at(place: Floats, rows: int, columns: int) -> int:
    """Return the cell at a place; the one below and right of an edge, save at the last edges of the raster."""
    x, y = float(place[0]), float(place[1])
    if not (0.0 <= x <= columns and 0.0 <= y <= rows):
        return -1
    return min(int(y), rows - 1) * columns + min(int(x), columns - 1)


@kernel
def _cut(a: Floats, b: Floats, length: float, rows: int, columns: int, k: int, out: Floats) -> int:
    """Write the pieces of one segment from place `k` on; return the place after them."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    low, high = _within(a[0], dx, columns, 0.0, 1.0)
    low, high = _within(a[1], dy, rows, low, high)
    if not low < high:
        out[k, 0], out[k, 1] = -1.0, length
        return k + 1
    if high - low < 1.0:
        out[k, 0], out[k, 1] = -1.0, length * (1.0 - (high - low))
        k += 1
    t = low
    edge_x, step_x = _first_edge(a[0] + low * dx, dx)
    edge_y, step_y = _first_edge(a[1] + low * dy, dy)
    while t < high:
        to_x = (edge_x - a[0]) / dx if dx != 0.0 else np.inf
        to_y = (edge_y - a[1]) / dy if dy != 0.0 else np.inf
        end = min(to_x, to_y, high)
        if end > t:
            middle = 0.5 * (t + end)
            x, y = a[0] + middle * dx, a[1] + middle * dy
            k = _give(x, y, (dx == 0.0, dy == 0.0), length * (end - t), (rows, columns), k, out)
            t = end
        if to_x <= end:
            edge_x += step_x
        if to_y <= end:
            edge_y += step_y
    return k


@kernel
def _within(start: float, change: float, size: int, low: float, high: float) -> tuple[float, float]:
    """Narrow the part of a segment, 0 to 1, to where one coordinate lies between 0 and `size`."""
    if change == 0.0:
        return (low, high) if 0.0 <= start <= size else (1.0, 0.0)
    one, other = -start / change, (size - start) / change
    return max(low, min(one, other)), min(high, max(one, other))


@kernel
def _first_edge(x: float, change: float) -> tuple[float, float]:
    """Return the first edge of cells ahead, and the step to the next."""
    if change >= 0.0:
        return np.floor(x) + 1.0, 1.0
    return np.ceil(x) - 1.0, -1.0


@kernel
def _give(
    x: float, y: float, along: tuple[bool, bool], weight: float, shape: tuple[int, int], k: int, out: Floats
) -> int:
    """Write a piece with its middle at x, y; halves of it where it runs along an edge."""
    rows, columns = shape
    column, row = int(np.floor(x)), int(np.floor(y))
    on_x, on_y = along[0] and x == column, along[1] and y == row
    # rounding may put the middle of a piece that is not on an edge a hair beyond the last cell
    column = column if on_x else min(max(column, 0), columns - 1)
    row = row if on_y else min(max(row, 0), rows - 1)
    share = weight * (0.5 if on_x else 1.0) * (0.5 if on_y else 1.0)
    for r in range(row - 1 if on_y else row, row + 1):
        for c in range(column - 1 if on_x else column, column + 1):
            inside = 0 <= r < rows and 0 <= c < columns
            out[k, 0] = r * columns + c if inside else -1
            out[k, 1] = share
            k += 1
    return k


@kernel
def merged(starts: Ints, pieces: Floats) -> tuple[Ints, Floats]:
    """Return the pieces with each cell once a line, by cell; arguments and results as of `pieces_in_cells`."""
    out = np.empty_like(pieces)
    new_starts = np.zeros_like(starts)
    k = 0
    for i in range(starts.size - 1):
        mine = pieces[starts[i] : starts[i + 1]]
        begin = k
        for j in np.argsort(mine[:, 0], kind="mergesort"):
            if k > begin and out[k - 1, 0] == mine[j, 0]:
                out[k - 1, 1] += mine[j, 1]
            else:
                out[k] = mine[j]
                k += 1
        new_starts[i + 1] = k
    return new_starts, out[:k].copy()


@kernel
def weighted_statistic(starts: Ints, value: Floats, weight: Floats, which: int) -> tuple[Floats, Floats]:
    """Summarise weighted values of each line.

    Parameters
    ----------
    starts : (n + 1,) int64
        Line i has the values ``starts[i]`` to ``starts[i + 1] - 1``.
    value : (p,) float64
        NaN where there are no data.
    weight : (p,) float64
    which : int
        `MEAN`, `MEDIAN`, `MIN` or `MAX`. The median is interpolated as exactextract does it.

    Returns
    -------
    out : (n,) float64
        NaN where a line has no data.
    counted : (n,) float64
        Weight of the values with data.
    """
    n = starts.size - 1
    out = np.full(n, np.nan)
    counted = np.zeros(n)
    for i in range(n):
        v, w = value[starts[i] : starts[i + 1]], weight[starts[i] : starts[i + 1]]
        has = ~np.isnan(v) & (w > 0.0)
        v, w = v[has], w[has]
        counted[i] = w.sum()
        if v.size == 0:
            continue
        if which == MEAN:
            out[i] = v[0] + ((v - v[0]) * w).sum() / counted[i]  # one value alone comes back as it is
        elif which == MEDIAN:
            out[i] = _median(v, w)
        elif which == MIN:
            out[i] = v.min()
        else:
            out[i] = v.max()
    return out, counted


@kernel
def _median(value: Floats, weight: Floats) -> float:
    """Return the weighted median of m values, interpolated where half the way of the weights is done.

    The j-th value in order, from 0, stands at j times its weight plus (m - 1) times the weight before it; the way
    is (m - 1) times the sum of the weights long.
    """
    order = np.argsort(value, kind="mergesort")
    m = value.size
    wanted = 0.5 * (m - 1) * weight.sum()
    before, here, last = 0.0, 0.0, value[order[0]]
    for j in range(m):
        w = weight[order[j]]
        stands = j * w + (m - 1) * before
        if stands >= wanted and j > 0:
            share = (wanted - here) / (stands - here) if stands > here else 1.0
            return float(last + share * (value[order[j]] - last))
        before += w
        here, last = stands, value[order[j]]
    return float(last)
