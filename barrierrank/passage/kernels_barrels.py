"""Kernels of closed barrels: circular, box and arch, bare or with bed material inside; Manning's equation.

Depths are above what the water runs on: the invert, or the bed material where the barrel is embedded. An arch is the
upper half of an ellipse on a flat bed. A barrel is one tuple of numbers, made once by :func:`barrel_of`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_fields import ARCH, BOX, CIRCULAR, GRAVITY

FloatArray = NDArray[np.float64]
Form = tuple[float, float, float, float]
"""K, M, c, Y of inlet control."""
Series = tuple[float, float, float, float, float, float, float, float, float, float, float, float, float]
Barrel = tuple[float, ...]
"""Twenty-four numbers: the places below, then the series of an arch's wall."""

# what bed material hides: its area [m2], the length of wall behind it (of an arch: on one side) [m], its width [m]
_SHAPE, _RISE, _SPAN, _BED, _AREA_BED, _WALL_BED, WIDTH_BED, CLEAR, AREA_FULL = range(9)
_PERIMETER_FULL, _LID = 9, 10
_NO_ARC = (0.0,) * 13

LID_FROM = 0.95
"""The lid of a box counts as wetted little by little from this share of its clear rise on, as waves reach it."""
SUBMERGED_FROM = 4.0
UNSUBMERGED_TO = 3.5
"""Limits of the two forms of inlet control, by Ku Q / A D^0.5 (FHWA HDS-5, appendix A)."""
UNIT = 0.3048**-0.5
"""Ku, printed as 1.811: the coefficients of inlet control are those of feet and seconds."""

_CLOSE = 1e-12
_ITERATIONS = 100


@kernel
def _segment(s: float) -> tuple[float, float]:
    """Return the half angle of a circle filled to the share `s` of its diameter, and its area over diameter^2."""
    angle = 2.0 * np.arcsin(np.sqrt(min(s, 1.0)))
    if angle < 0.05:  # the difference of two like numbers: by its series
        a2 = angle * angle
        return angle, 0.25 * angle * a2 * (2.0 / 3.0 - a2 * (2.0 / 15.0 - a2 * (4.0 / 315.0)))
    return angle, 0.25 * (angle - 2.0 * np.sqrt(s * max(1.0 - s, 0.0)) * (1.0 - 2.0 * s))


@kernel
def _arc_series(rise: float, span: float) -> Series:
    """Return the Fourier series of the length of an ellipse's wall, for :func:`_arc` [m].

    With x = (r - b) / (r + b) of the half axes, ds/dt = (r + b) / 2 |1 + x exp(2it)|; the square root is written out
    as a binomial series. Thirteen terms hold to 1e-9 for a span of 1 to 4 rises, to 1e-6 for 0.6.
    """
    half = 0.5 * span
    x = (rise - half) / (rise + half)
    root = np.empty(64)  # binomial coefficients of the square root x powers of x
    root[0] = 1.0
    for m in range(63):
        root[m + 1] = root[m] * x * (0.5 - m) / (m + 1.0)
    d = np.zeros(13)
    for k in range(13):
        for m in range(51):
            d[k] += root[m] * root[m + k]
        d[k] *= 0.5 * (rise + half) / max(k, 1)
    return d[0], d[1], d[2], d[3], d[4], d[5], d[6], d[7], d[8], d[9], d[10], d[11], d[12]


@kernel
def _arc(angle: float, sine: float, cosine: float, b: Barrel) -> float:
    """Return the length of an arch's wall, on one side, up to an eccentric angle [m], by Clenshaw's recurrence."""
    twice = 2.0 * (1.0 - 2.0 * sine * sine)
    b12 = b[23]
    b11 = b[22] + twice * b12
    b10 = b[21] + twice * b11 - b12
    b9 = b[20] + twice * b10 - b11
    b8 = b[19] + twice * b9 - b10
    b7 = b[18] + twice * b8 - b9
    b6 = b[17] + twice * b7 - b8
    b5 = b[16] + twice * b6 - b7
    b4 = b[15] + twice * b5 - b6
    b3 = b[14] + twice * b4 - b5
    b2 = b[13] + twice * b3 - b4
    b1 = b[12] + twice * b2 - b3
    return b[11] * angle + 2.0 * sine * cosine * b1


@kernel
def barrel_of(shape: float, rise: float, span: float, embedded: float) -> Barrel:
    """Make the tuple that stands for a barrel; its CLEAR rise is NaN where the measures are impossible.

    Parameters
    ----------
    shape : float
        CIRCULAR (`span` is not used), BOX or ARCH.
    rise, span, embedded : float
        Height, width and depth of bed material inside [m].
    """
    clear = rise - embedded
    known = shape in (CIRCULAR, BOX, ARCH)
    if not (known and rise > 0.0 and embedded >= 0.0 and clear > 0.0 and (shape == CIRCULAR or span > 0.0)):
        return (shape, rise, span, embedded, 0.0, 0.0, 0.0, np.nan, np.nan, np.nan, 0.0, *_NO_ARC)
    s = embedded / rise
    if shape == BOX:
        full, around = span * clear, 2.0 * (span + clear)
        return (shape, rise, span, embedded, 0.0, 0.0, span, clear, full, around, span, *_NO_ARC)
    if shape == CIRCULAR:
        angle, area = _segment(s)
        below, wall, width = area * rise * rise, angle * rise, 2.0 * rise * np.sqrt(s * (1.0 - s))
        full, around = 0.25 * np.pi * rise * rise - below, np.pi * rise - wall + width
        return (shape, rise, span, embedded, below, wall, width, clear, full, around, 0.0, *_NO_ARC)
    series = _arc_series(rise, span)
    c, angle = np.sqrt(1.0 - s * s), np.arcsin(s)
    width = span * c
    below = 0.5 * rise * (s * width + span * angle)
    full = 0.25 * np.pi * rise * span - below
    made = (shape, rise, span, embedded, below, 0.0, width, clear, full, 0.0, 0.0, *series)
    wall = _arc(angle, s, c, made)
    around = np.pi * series[0] - 2.0 * wall + width
    return (shape, rise, span, embedded, below, wall, width, clear, full, around, 0.0, *series)


@kernel
def section(y: float, b: Barrel) -> tuple[float, float, float, float]:
    """Return area [m2], wetted perimeter [m], top width [m] and its change with depth; full: no top width."""
    if y >= b[CLEAR]:
        return b[AREA_FULL], b[_PERIMETER_FULL], 0.0, 0.0
    if b[_SHAPE] == BOX:
        return b[_SPAN] * y, b[_SPAN] + 2.0 * y, b[_SPAN], 0.0
    rise, z = b[_RISE], y + b[_BED]
    s = z / rise
    if b[_SHAPE] == CIRCULAR:
        angle, area = _segment(s)
        half = np.sqrt(max(z * (rise - z), 1e-24 * rise * rise))
        around = rise * angle - b[_WALL_BED] + b[WIDTH_BED]
        return area * rise * rise - b[_AREA_BED], around, 2.0 * half, (rise - 2.0 * z) / half
    c = np.sqrt(max(1.0 - s * s, 1e-24))
    angle = np.arcsin(min(s, 1.0))
    area = 0.5 * b[_SPAN] * (z * c + rise * angle) - b[_AREA_BED]
    around = 2.0 * (_arc(angle, s, c, b) - b[_WALL_BED]) + b[WIDTH_BED]
    return area, around, b[_SPAN] * c, -b[_SPAN] * s / (rise * c)


@kernel
def _moment_to(z: float, b: Barrel) -> float:
    """Return the first moment about the surface of what lies below a height above the invert [m3]."""
    rise, span = b[_RISE], b[_SPAN]
    if b[_SHAPE] == BOX:
        return 0.5 * span * z * z
    s = min(z / rise, 1.0)
    if b[_SHAPE] == CIRCULAR:
        angle = 2.0 * np.arcsin(np.sqrt(s))
        sine = 2.0 * np.sqrt(s * (1.0 - s))
        return float(rise**3 / 24.0 * (3.0 * sine - sine**3 - 3.0 * angle * (1.0 - 2.0 * s)))
    c = np.sqrt(1.0 - s * s)
    return float(0.5 * span * rise * rise * (np.arcsin(s) * s + c - c**3 / 3.0 - 2.0 / 3.0))


@kernel
def moment(y: float, b: Barrel) -> float:
    """Return the first moment of the wetted area about the surface, or the pressure line of a full barrel [m3]."""
    top = min(y, b[CLEAR])
    inside = _moment_to(top + b[_BED], b) - _moment_to(b[_BED], b) - top * b[_AREA_BED]
    if b[_SHAPE] == BOX:
        inside = 0.5 * b[_SPAN] * top * top
    return inside + b[AREA_FULL] * max(y - b[CLEAR], 0.0)


@kernel
def _lid(y: float, b: Barrel) -> float:
    """Return how much of the lid counts as wetted [m] below a full barrel."""
    return b[_LID] * max(y / b[CLEAR] - LID_FROM, 0.0) / (1.0 - LID_FROM)


@kernel
def slope_of(area: float, perimeter: float, y: float, q: float, n: float, b: Barrel) -> float:
    """Return the friction slope by Manning's equation of a section already worked out."""
    if y < b[CLEAR]:
        perimeter += _lid(y, b)
    radius = area / perimeter
    speed = n * q / area
    return float(speed * speed / (radius * np.cbrt(radius)))


@kernel
def friction_slope(y: float, q: float, n: float, b: Barrel) -> float:
    """Return the friction slope at a depth by Manning's equation."""
    area, perimeter, _, _ = section(y, b)
    return slope_of(area, perimeter, y, q, n, b)


@kernel
def critical_depth(q: float, b: Barrel) -> float:
    """Return the depth at which Q^2 T = g A^3 [m]; at most the clear rise (a box may run critical when full)."""
    clear = b[CLEAR]
    if np.isnan(q) or np.isnan(clear) or q < 0.0:
        return np.nan
    if q == 0.0:
        return 0.0
    if b[_SHAPE] == BOX:
        return float(min(np.cbrt(q * q / (GRAVITY * b[_SPAN] * b[_SPAN])), clear))
    guess = 1.01 * np.sqrt(q / np.sqrt(GRAVITY)) / b[_RISE] ** 0.26 if b[_BED] == 0.0 else 0.5 * clear
    if b[WIDTH_BED] > 0.0:
        guess = np.cbrt(q * q / (GRAVITY * b[WIDTH_BED] * b[WIDTH_BED]))
    y = min(guess, 0.95 * clear)
    low, high = 0.0, clear
    step = y
    for _ in range(_ITERATIONS):
        area, _, top, change = section(y, b)
        short = np.log(q / area * np.sqrt(top / (GRAVITY * area)))
        if short > 0.0:
            low = y
        else:
            high = y
        step = y * float(np.exp(short / (y * (1.5 * top / area - 0.5 * change / top))))
        if not low < step < high:
            step = 0.5 * (low + high)
        if abs(step - y) <= _CLOSE * y or high - low <= _CLOSE * y:
            return step
        y = step
    return np.nan


@kernel
def normal_depth(q: float, n: float, slope: float, b: Barrel) -> float:
    """Return the depth of uniform flow with a free surface [m], the lesser where there are two.

    Infinite where there is none: the barrel does not fall, or carries less than `q` at every depth.
    """
    clear = b[CLEAR]
    if np.isnan(q) or np.isnan(clear) or np.isnan(slope) or not n > 0.0 or q < 0.0:
        return np.nan
    if slope <= 0.0:
        return np.inf
    if q == 0.0:
        return 0.0
    wanted = q * n / np.sqrt(slope)
    low, high, found = 0.0, clear, False  # below the root; not below it, or past the greatest conveyance
    y = 0.5 * clear
    for _ in range(_ITERATIONS):
        area, perimeter, top, change = section(y, b)
        wet = 2.0 * np.sqrt(1.0 + 0.25 * change * change)
        if y > LID_FROM * clear:
            perimeter += _lid(y, b)
            wet += b[_LID] / ((1.0 - LID_FROM) * clear)
        radius = area / perimeter
        short = np.log(wanted / (area * np.cbrt(radius * radius)))
        steepness = y * (5.0 / 3.0 * top / area - 2.0 / 3.0 * wet / perimeter)
        if short <= 0.0:
            high, found = y, True
        elif steepness <= 0.0:
            high = y
        else:
            low = y
        step = y * np.exp(min(short / steepness, 3.0)) if steepness > 0.0 else -1.0
        if not low < step < high:
            step = 0.5 * (low + high)
        if abs(step - y) <= _CLOSE * y or high - low <= _CLOSE * y:
            return step if found or abs(short) < 1e-9 else np.inf
        y = step
    return np.nan


@kernel
def velocity_head(y: float, q: float, b: Barrel) -> float:
    """Return the velocity head [m]."""
    speed = q / section(y, b)[0]
    return speed * speed / (2.0 * GRAVITY)


@kernel
def inlet_head(q: float, critical: float, slope_part: float, form: Form, b: Barrel) -> float:
    """Return the head above the bed at the inlet under inlet control [m].

    FHWA HDS-5 appendix A, form 1 below UNSUBMERGED_TO, the submerged form above SUBMERGED_FROM, a straight line
    between; never falling with discharge.

    Parameters
    ----------
    slope_part : float
        Added to head over clear rise: -0.5 S, or +0.7 S for a mitred inlet.
    form : K, M, c, Y
    """
    k, m, c, y = form
    clear = b[CLEAR]
    scale = UNIT / (b[AREA_FULL] * np.sqrt(clear))
    x = scale * q
    if x > UNSUBMERGED_TO:
        limit = UNSUBMERGED_TO / scale
        depth = critical_depth(limit, b)
        low = (depth + velocity_head(depth, limit, b)) / clear + k * UNSUBMERGED_TO**m
        high = max(c * max(x, SUBMERGED_FROM) ** 2 + y, low)
        share = min((x - UNSUBMERGED_TO) / (SUBMERGED_FROM - UNSUBMERGED_TO), 1.0)
        return float(clear * (low + share * (high - low) + slope_part))
    return float(critical + velocity_head(critical, q, b) + clear * (k * x**m + slope_part))


@kernel
def sections(depth: FloatArray, barrels: FloatArray) -> FloatArray:
    """Return area, perimeter and top width of n barrels, (n, 3)."""
    out = np.full((depth.size, 3), np.nan)
    for i in range(depth.size):
        b = barrel_of(barrels[i, 0], barrels[i, 1], barrels[i, 2], barrels[i, 3])
        if np.isnan(b[CLEAR]) or not depth[i] >= 0.0:
            continue
        if depth[i] == 0.0:
            out[i] = 0.0, 0.0, b[WIDTH_BED]
        else:
            out[i] = section(depth[i], b)[:3]
    return out


@kernel
def depths(q: FloatArray, n: FloatArray, slope: FloatArray, barrels: FloatArray, normal: bool) -> FloatArray:
    """Return normal or critical depths of n barrels [m], (n,)."""
    out = np.empty(q.size)
    for i in range(q.size):
        b = barrel_of(barrels[i, 0], barrels[i, 1], barrels[i, 2], barrels[i, 3])
        out[i] = normal_depth(q[i], n[i], slope[i], b) if normal else critical_depth(q[i], b)
    return out


@kernel
def inlet_heads(q: FloatArray, part: FloatArray, forms: FloatArray, barrels: FloatArray) -> FloatArray:
    """Return heads under inlet control of n barrels [m], (n,)."""
    out = np.full(q.size, np.nan)
    for i in range(q.size):
        b = barrel_of(barrels[i, 0], barrels[i, 1], barrels[i, 2], barrels[i, 3])
        if q[i] > 0.0 and not np.isnan(b[CLEAR]):
            form = (forms[i, 0], forms[i, 1], forms[i, 2], forms[i, 3])
            out[i] = inlet_head(q[i], critical_depth(q[i], b), part[i], form, b)
        elif q[i] == 0.0:
            out[i] = 0.0
    return out
