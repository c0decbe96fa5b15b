"""Kernels that join line ends into nodes and find points near lines, by grids of cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Short = NDArray[np.int32]
Grid = tuple[float, float, float, Ints, Ints, int, int]

AT_ONCE = 24
"""Segments of a line looked at in one box."""


@kernel
def _root(parent: Ints, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@kernel
def _bucket(cx: int, cy: int, mask: int) -> int:
    """Return the chain of a cell; a chain may hold points of other cells too."""
    mixed = (cx * 73856093) ^ (cy * 19349663)
    return (mixed ^ (mixed >> 15)) & mask


@kernel
def _join_near(
    x: Floats, y: Floats, i: int, grid: tuple[float, float, float, float], chains: tuple[Short, Short, Ints]
) -> None:
    """Unite point `i` with every distinct earlier point within the tolerance, in its own and the next cells."""
    x0, y0, cell, tolerance = grid
    heads, following, parent = chains
    mask = heads.size - 1
    left = int((x[i] - tolerance - x0) * (1.0 / cell))
    right = int((x[i] + tolerance - x0) * (1.0 / cell))
    low = int((y[i] - tolerance - y0) * (1.0 / cell))
    high = int((y[i] + tolerance - y0) * (1.0 / cell))
    for cx in range(left, right + 1):
        for cy in range(low, high + 1):
            j = heads[_bucket(cx, cy, mask)]
            while j >= 0:
                if j != i and (x[i] - x[j]) ** 2 + (y[i] - y[j]) ** 2 <= tolerance * tolerance:
                    a, b = _root(parent, i), _root(parent, j)
                    if a < b:
                        parent[b] = a
                    elif b < a:
                        parent[a] = b
                j = following[j]


@kernel
def join_ends(x: Floats, y: Floats, tolerance: float) -> tuple[Ints, Ints]:
    """Join points that lie within `tolerance` [m] of each other, chains of such points included.

    Parameters
    ----------
    x, y : (m,) float64
        Coordinates [m].
    tolerance : float
        Joining distance [m], 0 or more; 0 joins equal points only.

    Returns
    -------
    exact : (m,) int64
        For each point the first point with the very same coordinates.
    group : (m,) int64
        For each point the first point of its group. The groups do not depend on the order of the points.
    """
    m = x.size
    exact = np.empty(m, dtype=np.int64)
    parent = np.arange(m)
    if m == 0:
        return exact, parent
    span = max(x.max() - x.min(), y.max() - y.min()) + 1.0
    cell = max(16.0 * tolerance, span / 2.0**30, 1.0)
    x0, y0 = x.min() - 2.0 * cell, y.min() - 2.0 * cell
    size = 16
    while size < 2 * m:
        size *= 2
    heads = np.full(size, -1, dtype=np.int32)
    following = np.full(m, -1, dtype=np.int32)
    grid = (x0, y0, cell, tolerance)
    chains = (heads, following, parent)
    per_m, margin = 1.0 / cell, tolerance / cell * (1.0 + 1e-6)
    for i in range(m):
        across, up = (x[i] - x0) * per_m, (y[i] - y0) * per_m
        cx, cy = int(across), int(up)
        slot = _bucket(cx, cy, size - 1)
        j = heads[slot]
        # where the cell is empty and its edges are beyond the tolerance there is nothing to look for
        alone = j < 0 and margin < across - cx < 1.0 - margin and margin < up - cy < 1.0 - margin
        while j >= 0 and not (x[j] == x[i] and y[j] == y[i]):
            j = following[j]
        if j >= 0:
            exact[i] = j
            continue
        exact[i] = i
        if tolerance > 0.0 and not alone:
            _join_near(x, y, i, grid, chains)
        following[i] = heads[slot]
        heads[slot] = i
    for i in range(m):
        parent[i] = _root(parent, exact[i])
    return exact, parent


@kernel
def number_groups(group: Ints) -> tuple[Ints, Ints]:
    """Return consecutive numbers of the groups in order of first appearance, and the first member of each."""
    numbers = np.full(group.size, -1, dtype=np.int64)
    first = np.empty(group.size, dtype=np.int64)
    count = 0
    for i in range(group.size):
        if group[i] == i:
            numbers[i] = count
            first[count] = i
            count += 1
    out = np.empty(group.size, dtype=np.int64)
    for i in range(group.size):
        out[i] = numbers[group[i]]
    return out, first[:count]


@kernel
def grid_points(x: Floats, y: Floats, radius: float) -> Grid:
    """Sort points into square cells no smaller than `radius`: origin, cell size, starts, members, columns, rows."""
    n = x.size
    x0, y0 = x.min(), y.min()
    width, height = x.max() - x0, y.max() - y0
    cell = max(
        radius, np.sqrt(max(width * height, 1e-12) / max(n, 1)), max(width, height) / (4.0 * n + 16.0), 1e-9
    )
    columns = int(width / cell) + 1
    rows = int(height / cell) + 1
    starts = np.zeros(columns * rows + 1, dtype=np.int64)
    where = np.empty(n, dtype=np.int64)
    for i in range(n):
        where[i] = int((y[i] - y0) / cell) * columns + int((x[i] - x0) / cell)
        starts[where[i] + 1] += 1
    for c in range(columns * rows):
        starts[c + 1] += starts[c]
    fill = starts[:-1].copy()
    members = np.empty(n, dtype=np.int64)
    for i in range(n):
        members[fill[where[i]]] = i
        fill[where[i]] += 1
    return x0, y0, cell, starts, members, columns, rows


@kernel
def _to_segment(px: float, py: float, ax: float, ay: float, bx: float, by: float) -> tuple[float, float]:
    """Return squared distance of a point to a segment, and where along it (0 to 1) the nearest place is."""
    dx, dy = bx - ax, by - ay
    square = dx * dx + dy * dy
    t = 0.0 if square == 0.0 else ((px - ax) * dx + (py - ay) * dy) / square
    t = min(max(t, 0.0), 1.0)
    ex, ey = px - ax - t * dx, py - ay - t * dy
    return ex * ex + ey * ey, t


@kernel
def _nearest_on(px: float, py: float, coords: Floats, along: Floats, first: int, last: int) -> tuple[float, float]:
    """Return squared distance of a point to the line of vertices first..last-1, and the place on the line [m]."""
    least, where = np.inf, 0.0
    for k in range(first, last - 1):
        d, t = _to_segment(px, py, coords[k, 0], coords[k, 1], coords[k + 1, 0], coords[k + 1, 1])
        if d < least:
            least, where = d, along[k] + t * (along[k + 1] - along[k])
    return least, where


@kernel
def points_near_lines(
    points: tuple[Floats, Floats], lines: tuple[Floats, Ints, Floats], radius: float, ends: tuple[Ints, Ints],
    grid: Grid, share: tuple[int, int],
) -> tuple[Ints, Ints, Floats, Floats]:  # fmt: skip
    """Find every pair of a point and a piece of line no farther apart than `radius`, for a share of the lines.

    Lines are looked at a few segments at a time, so that a long winding line has small boxes too; a point near
    several pieces of one line comes with each of them.

    Parameters
    ----------
    points : x, y (n,) float64
        Points [m].
    lines : coords, offsets, along
        Lines as flat arrays, with the distance of each vertex from the start.
    radius : float
        Greatest distance [m].
    ends : two (lines,) int64
        Points that are ends of a line and are not to be paired with it; -1 for none.
    grid : from :func:`grid_points`
    share : first line, line after the last

    Returns
    -------
    point, line : (r,) int64
        Pairs, in the order of the lines.
    distance, measure : (r,) float64
        How far apart [m], and the place on the line [m from its start].
    """
    x, y = points
    coords, offsets, along = lines
    x0, y0, cell, starts, members, columns, rows = grid
    per_m = 1.0 / cell
    capacity, count = max(1024, x.size), 0
    point, line_of = np.empty(capacity, dtype=np.int64), np.empty(capacity, dtype=np.int64)
    distance, measure = np.empty(capacity), np.empty(capacity)
    for line in range(share[0], share[1]):
        for first in range(offsets[line], offsets[line + 1] - 1, AT_ONCE):
            last = min(first + AT_ONCE + 1, offsets[line + 1])
            west, south, east, north = _box(coords, first, last, radius)
            left, right = max(int((west - x0) * per_m), 0), min(int((east - x0) * per_m), columns - 1)
            low, high = max(int((south - y0) * per_m), 0), min(int((north - y0) * per_m), rows - 1)
            if east < x0 or north < y0 or left > right:
                continue
            for row in range(low, high + 1):
                for m in range(starts[row * columns + left], starts[row * columns + right + 1]):
                    p = members[m]
                    if x[p] < west or x[p] > east or y[p] < south or y[p] > north:
                        continue
                    if p == ends[0][line] or p == ends[1][line]:
                        continue
                    d, where = _nearest_on(x[p], y[p], coords, along, first, last)
                    if d > radius * radius:
                        continue
                    if count == capacity:
                        capacity *= 2
                        point, line_of = _grown_int(point, capacity), _grown_int(line_of, capacity)
                        distance, measure = _grown_float(distance, capacity), _grown_float(measure, capacity)
                    point[count], line_of[count], distance[count], measure[count] = p, line, np.sqrt(d), where
                    count += 1
    return point[:count].copy(), line_of[:count].copy(), distance[:count].copy(), measure[:count].copy()


@kernel
def _box(coords: Floats, first: int, last: int, margin: float) -> tuple[float, float, float, float]:
    """Return west, south, east, north of vertices first..last-1, widened by `margin`."""
    west = east = coords[first, 0]
    south = north = coords[first, 1]
    for k in range(first + 1, last):
        cx, cy = coords[k, 0], coords[k, 1]
        west, east = cx if cx < west else west, cx if cx > east else east
        south, north = cy if cy < south else south, cy if cy > north else north
    return west - margin, south - margin, east + margin, north + margin


@kernel
def nearest_per_pair(point: Ints, line: Ints, distance: Floats, points: int) -> Ints:
    """Return which records to keep so that each pair of point and line comes once, with its least distance.

    Records are in the order of the lines.
    """
    last_line, last_record = np.full(points, -1, dtype=np.int64), np.empty(points, dtype=np.int64)
    keep = np.empty(point.size, dtype=np.int64)
    count = 0
    for r in range(point.size):
        p = point[r]
        if last_line[p] != line[r]:
            last_line[p], last_record[p] = line[r], count
            keep[count] = r
            count += 1
        elif distance[r] < distance[keep[last_record[p]]]:
            keep[last_record[p]] = r
    return keep[:count]


@kernel
def _grown_int(values: Ints, capacity: int) -> Ints:
    out = np.empty(capacity, dtype=np.int64)
    out[: values.size] = values
    return out


@kernel
def _grown_float(values: Floats, capacity: int) -> Floats:
    out = np.empty(capacity)
    out[: values.size] = values
    return out


@kernel
def _before(distance: float, order: int, other_distance: float, other_order: int) -> bool:
    """Tell whether a pair goes first: nearer, or as near and of the line that goes first by its id."""
    if distance != other_distance:
        return distance < other_distance
    return order < other_order


@kernel
def two_nearest(n: int, point: Ints, distance: Floats, line: Ints) -> Ints:
    """Return for each point the records (n, 2) of its nearest and second nearest line, -1 where there is none.

    Of lines as near as each other the lower number goes first.
    """
    out = np.full((n, 2), -1, dtype=np.int64)
    for r in range(point.size):
        p = point[r]
        first, second = out[p, 0], out[p, 1]
        if first < 0 or _before(distance[r], line[r], distance[first], line[first]):
            out[p, 1] = first
            out[p, 0] = r
        elif second < 0 or _before(distance[r], line[r], distance[second], line[second]):
            out[p, 1] = r
    return out


@kernel
def first_with_key(key: Ints) -> Ints:
    """Return for each entry the first entry with the same key (0 or more), by a table of chains."""
    size = 16
    while size < 2 * key.size:
        size *= 2
    heads = np.full(size, -1, dtype=np.int64)
    following = np.full(key.size, -1, dtype=np.int64)
    out = np.empty(key.size, dtype=np.int64)
    for i in range(key.size):
        slot = _bucket(key[i] & 0xFFFFFF, key[i] >> 24, size - 1)
        j = heads[slot]
        while j >= 0 and key[j] != key[i]:
            j = following[j]
        out[i] = i if j < 0 else j
        if j < 0:
            following[i] = heads[slot]
            heads[slot] = i
    return out
