"""Kernels of channels: cross-sections, Manning's equation, normal and critical depth, the water below a structure.

A section is a trapezoid (bottom width and slope of the sides; width 0 = a triangle) or surveyed points: stations
ascending, equal ones a vertical step, with upright walls on both ends as high as it takes. Water stands in every low
place of a surveyed section alike, whether or not it is cut off from the others at that stage.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_fields import (
    CHANNEL_BED,
    CHANNEL_N,
    CHANNEL_SIDE,
    CHANNEL_SLOPE,
    CHANNEL_WIDTH,
    GRAVITY,
    TAIL,
    TAIL_CHANNEL,
    TAIL_RATING,
    TAIL_SECTION,
    TAIL_SHIFT,
)

FloatArray = NDArray[np.float64]

_STEPS = 100
_CLOSE = 1e-12
"""Depths are found to this share of themselves."""
_JUST_BELOW = 1.0 - 1e-10


@kernel
def trapezoid(depth: float, width: float, side: float) -> tuple[float, float, float]:
    """Return flow area [m2], wetted perimeter [m] and width of the water surface [m] of a trapezoid."""
    if depth <= 0.0:
        return 0.0, width, width
    return (
        depth * (width + side * depth),
        width + 2.0 * depth * np.sqrt(1.0 + side * side),
        width + 2.0 * side * depth,
    )


@kernel
def bed_of(x: FloatArray, y: FloatArray, lo: int, hi: int) -> float:
    """Return the lowest elevation of a surveyed section [m]; NaN where it is not a section."""
    if hi - lo < 2 or not x[hi - 1] > x[lo]:
        return np.nan
    bed = y[lo]
    for i in range(lo, hi):
        if np.isnan(y[i]) or (i > lo and not x[i] >= x[i - 1]):
            return np.nan
        bed = min(bed, y[i])
    return float(bed)


@kernel
def survey(
    depth: float, bed: float, x: FloatArray, y: FloatArray, lo: int, hi: int
) -> tuple[float, float, float, float, float]:
    """Return the measures of a surveyed section at a depth over its lowest point.

    A level stretch at the very height of the water is dry, so that measures are those of the stage approached from
    below.

    Returns
    -------
    area [m2], perimeter [m], top [m], and by how much perimeter and top grow per metre of depth.
    """
    area, perimeter, top, perimeter_rate, top_rate = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(lo, hi - 1):
        low, high = y[i] - bed, y[i + 1] - bed
        if low > high:
            low, high = high, low
        if depth <= low:
            continue
        across = x[i + 1] - x[i]
        rise = high - low
        length = np.sqrt(across * across + rise * rise)
        if depth <= high:
            wet = (depth - low) / rise
            area += 0.5 * across * wet * (depth - low)
            perimeter += length * wet
            top += across * wet
            perimeter_rate += length / rise
            top_rate += across / rise
        else:
            area += across * (depth - 0.5 * (low + high))
            perimeter += length
            top += across
    for end in (lo, hi - 1):
        wall = depth - (y[end] - bed)
        if wall > 0.0:
            perimeter += wall
            perimeter_rate += 1.0
    return area, perimeter, top, perimeter_rate, top_rate


@kernel
def manning_discharge(area: float, perimeter: float, slope: float, n: float) -> float:
    """Return the discharge of uniform flow [m3/s], A (A / P)^(2/3) S^(1/2) / n; NaN where slope or n is not above 0."""
    if np.isnan(area) or not (slope > 0.0 and n > 0.0):
        return np.nan
    if area <= 0.0 or not perimeter > 0.0:
        return 0.0 if perimeter >= 0.0 else np.nan
    return float(area * (area / perimeter) ** (2.0 / 3.0) * np.sqrt(slope) / n)


@kernel
def _normal_goal(q: float, slope: float, n: float) -> float:
    """Return A^(5/3) / P^(2/3) at normal depth; NaN where there is none."""
    if not (q >= 0.0 and slope > 0.0 and n > 0.0) or np.isinf(q):
        return np.nan
    return float(q * n / np.sqrt(slope))


@kernel
def _critical_goal(q: float) -> float:
    """Return A^(3/2) / T^(1/2) at critical depth; NaN where there is none."""
    if not q >= 0.0 or np.isinf(q):
        return np.nan
    return float(q / np.sqrt(GRAVITY))


@kernel
def normal_depth(q: float, width: float, side: float, slope: float, n: float) -> float:
    """Return the depth of uniform flow in a trapezoid [m]; NaN where something is missing or impossible."""
    return float(_depth(_normal_goal(q, slope, n), width, side, False))


@kernel
def critical_depth(q: float, width: float, side: float) -> float:
    """Return the critical depth in a trapezoid [m]; NaN where something is missing or impossible."""
    return float(_depth(_critical_goal(q), width, side, True))


@kernel
def _depth(goal: float, width: float, side: float, critical: bool) -> float:
    """Solve for the depth at which A^(5/3) / P^(2/3), or A^(3/2) / T^(1/2), comes to `goal`.

    Newton in the logarithms of both, where the curve is nearly straight: its slope lies between 1 and 10/3 in every
    trapezoid, so that each point gives a bracket on either side of the answer.
    """
    if not (goal >= 0.0 and width >= 0.0 and side >= 0.0 and width + side > 0.0):
        return np.nan
    if goal == 0.0:
        return 0.0
    wanted, wall = np.log(goal), 2.0 * np.sqrt(1.0 + side * side)
    u = np.inf
    if width > 0.0:  # as if it had no sides
        u = (wanted - np.log(width)) * (2.0 / 3.0 if critical else 0.6)
    if side > 0.0:  # as if it had no bottom
        if critical:
            u = min(u, 0.4 * (wanted + 0.5 * np.log(2.0) - np.log(side)))
        else:
            u = min(u, 0.375 * (wanted + (2.0 * np.log(wall) - 5.0 * np.log(side)) / 3.0))
    low, high = -np.inf, np.inf
    for _ in range(_STEPS):
        y = np.exp(u)
        middle, top = width + side * y, width + 2.0 * side * y
        if critical:
            miss = 1.5 * (u + np.log(middle)) - 0.5 * np.log(top) - wanted
            slope = 1.5 * top / middle - side * y / top
        else:
            perimeter = width + wall * y
            miss = (5.0 * (u + np.log(middle)) - 2.0 * np.log(perimeter)) / 3.0 - wanted
            slope = (5.0 * top / middle - 2.0 * wall * y / perimeter) / 3.0
        step = miss / slope
        if abs(step) <= _CLOSE:
            return float(np.exp(u - step))
        if miss < 0.0:
            low, high = max(low, u - 0.3 * miss), min(high, u - miss)
        else:
            low, high = max(low, u - miss), min(high, u - 0.3 * miss)
        u = u - step
        if not low <= u <= high:
            u = 0.5 * (low + high)
    return np.nan


@kernel
def normal_level(q: float, x: FloatArray, y: FloatArray, lo: int, hi: int, slope: float, n: float) -> float:
    """Return the elevation of uniform flow in a surveyed section [m]: the lowest stage that carries `q`."""
    bed = bed_of(x, y, lo, hi)
    return float(bed + _survey_depth(_normal_goal(q, slope, n), bed, x, y, lo, hi, False))


@kernel
def critical_level(q: float, x: FloatArray, y: FloatArray, lo: int, hi: int) -> float:
    """Return the elevation of critical flow in a surveyed section [m], the lowest one where there are several."""
    bed = bed_of(x, y, lo, hi)
    return float(bed + _survey_depth(_critical_goal(q), bed, x, y, lo, hi, True))


@kernel
def _carried(
    depth: float, bed: float, x: FloatArray, y: FloatArray, lo: int, hi: int, critical: bool
) -> tuple[float, float]:
    """Return the logarithm of what a stage carries, and its slope over the logarithm of depth."""
    area, perimeter, top, perimeter_rate, top_rate = survey(depth, bed, x, y, lo, hi)
    if not (area > 0.0 and top > 0.0):
        return -np.inf, 0.0
    if critical:
        return 1.5 * np.log(area) - 0.5 * np.log(top), depth * (1.5 * top / area - 0.5 * top_rate / top)
    value = (5.0 * np.log(area) - 2.0 * np.log(perimeter)) / 3.0
    return value, depth * (5.0 * top / area - 2.0 * perimeter_rate / perimeter) / 3.0


@kernel
def _survey_depth(
    goal: float, bed: float, x: FloatArray, y: FloatArray, lo: int, hi: int, critical: bool
) -> float:
    """Solve for the least depth that carries `goal`.

    Between the heights of two points that follow each other top and perimeter grow along straight lines, and what is
    carried falls first, if at all, and rises from there on. So the first height that carries enough closes the only
    stretch to look in, and the answer within it is the only one. Where a level bench is reached its bed is wetted all
    at once, so the end of the stretch is taken from just below.
    """
    if np.isnan(goal) or np.isnan(bed):
        return np.nan
    if goal == 0.0:
        return 0.0
    wanted = np.log(goal)
    below, above = 0.0, 0.0
    for _ in range(hi - lo + _STEPS):
        above = np.inf
        for i in range(lo, hi):
            if below < y[i] - bed < above:
                above = y[i] - bed
        if np.isinf(above):  # higher than every point
            above = max(2.0 * below, 1e-3)
        end = above * _JUST_BELOW
        if _carried(end, bed, x, y, lo, hi, critical)[0] >= wanted:
            return float(_survey_between(wanted, (below, end), bed, x, y, lo, hi, critical))
        if _carried(above, bed, x, y, lo, hi, critical)[0] >= wanted:
            return above
        below = above
    return np.nan


@kernel
def _survey_between(
    wanted: float,
    ends: tuple[float, float],
    bed: float,
    x: FloatArray,
    y: FloatArray,
    lo: int,
    hi: int,
    critical: bool,
) -> float:
    """Refine a depth between two that carry too little and enough: Newton in logarithms, else halving."""
    low = np.log(ends[0]) if ends[0] > 0.0 else -np.inf
    high = np.log(ends[1])
    u = high
    for _ in range(2 * _STEPS):
        value, slope = _carried(np.exp(u), bed, x, y, lo, hi, critical)
        miss = value - wanted
        if miss < 0.0:
            low = u
        else:
            high = u
        step = miss / slope if slope > 0.0 and np.isfinite(miss) else np.inf
        if abs(step) <= _CLOSE or high - low <= _CLOSE:
            return float(np.exp(high if np.isinf(step) else min(max(u - step, low), high)))
        u = u - step
        if not low < u < high:
            u = 0.5 * (low + high) if low > -np.inf else high - 1.0
    return np.nan


@kernel
def rated(q: float, x: FloatArray, y: FloatArray, lo: int, hi: int) -> float:
    """Return the elevation of a rating at a discharge [m].

    Straight between points; below the first one its elevation. Beyond the last point the last piece is drawn on
    straight: ratings bend the other way, so the water below is rather put too high than too low, which is the safe side
    for a structure that has to stop a fish, and no height of zero flow has to be guessed as a power law would need.
    """
    if hi <= lo or np.isnan(q):
        return np.nan
    if q <= x[lo]:
        return float(y[lo])
    first, last = lo, hi - 1
    if last == first or np.isnan(x[lo]):
        return np.nan
    while last - first > 1:
        middle = (first + last) // 2
        if q < x[middle]:
            last = middle
        else:
            first = middle
    across = x[last] - x[first]
    if not across > 0.0:
        return np.nan
    return float(y[first] + (y[last] - y[first]) * (q - x[first]) / across)


@kernel
def tailwater(q: float, row: FloatArray, tail_x: FloatArray, tail_y: FloatArray, lo: int, hi: int) -> float:
    """Return the elevation of the water below a structure [m], its TAIL_SHIFT added.

    Parameters
    ----------
    q : float
        Discharge [m3/s], 0 or more.
    row : (FIELDS,) float64
        The structure.
    tail_x, tail_y : (k,) float64
        Points of ratings and of sections; this structure's are `lo` to `hi`.

    Returns
    -------
    float
        At no discharge the bed, or the first elevation of a rating. NaN where something needed is missing.
    """
    source = row[TAIL]
    if not q >= 0.0:
        return np.nan
    level = np.nan
    if source == TAIL_RATING:
        level = rated(q, tail_x, tail_y, lo, hi)
    elif source == TAIL_SECTION:
        if q == 0.0:
            level = bed_of(tail_x, tail_y, lo, hi)
        else:
            level = normal_level(q, tail_x, tail_y, lo, hi, row[CHANNEL_SLOPE], row[CHANNEL_N])
    elif source == TAIL_CHANNEL:
        level = row[CHANNEL_BED]
        if q > 0.0:
            level += normal_depth(
                q, row[CHANNEL_WIDTH], row[CHANNEL_SIDE], row[CHANNEL_SLOPE], row[CHANNEL_N]
            )
    return float(level + row[TAIL_SHIFT])


@kernel
def normal_depths(
    q: FloatArray, width: FloatArray, side: FloatArray, slope: FloatArray, n: FloatArray
) -> FloatArray:
    """Return :func:`normal_depth` of k trapezoids, (k,)."""
    out = np.empty(q.size)
    for i in range(q.size):
        out[i] = normal_depth(q[i], width[i], side[i], slope[i], n[i])
    return out


@kernel
def critical_depths(q: FloatArray, width: FloatArray, side: FloatArray) -> FloatArray:
    """Return :func:`critical_depth` of k trapezoids, (k,)."""
    out = np.empty(q.size)
    for i in range(q.size):
        out[i] = critical_depth(q[i], width[i], side[i])
    return out


@kernel
def survey_levels(
    q: FloatArray, x: FloatArray, y: FloatArray, slope: float, n: float, critical: bool
) -> FloatArray:
    """Return :func:`normal_level`, or :func:`critical_level`, of one surveyed section at k discharges, (k,)."""
    out = np.empty(q.size)
    for i in range(q.size):
        if critical:
            out[i] = critical_level(q[i], x, y, 0, x.size)
        else:
            out[i] = normal_level(q[i], x, y, 0, x.size, slope, n)
    return out


@kernel
def survey_measures(level: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return area, perimeter and top of one surveyed section at k elevations of the water, (k, 3)."""
    bed = bed_of(x, y, 0, x.size)
    out = np.full((level.size, 3), np.nan)
    for i in range(level.size):
        if not np.isnan(bed + level[i]):
            out[i, 0], out[i, 1], out[i, 2], _, _ = survey(level[i] - bed, bed, x, y, 0, x.size)
    return out


@kernel
def tailwaters(
    q: FloatArray, row: FloatArray, tail_x: FloatArray, tail_y: FloatArray, lo: int, hi: int
) -> FloatArray:
    """Return :func:`tailwater` at k discharges, (k,)."""
    out = np.empty(q.size)
    for i in range(q.size):
        out[i] = tailwater(q[i], row, tail_x, tail_y, lo, hi)
    return out
