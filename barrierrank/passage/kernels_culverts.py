"""Kernels of culverts: the water surface along the barrel, and the water above by inlet and outlet control.

Gradually varied flow is followed by direct steps: from a control (critical depth or the tailwater) the distance is
integrated over depth. A barrel is steep where friction at critical depth is less than its slope. Then the water runs
from critical depth at the inlet towards normal depth, and a jump stands where the force of the water from below
equals it. Else it is followed up from the outlet. Where the water touches the crown, the pressure line is followed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_barrels import (
    CLEAR,
    Barrel,
    barrel_of,
    critical_depth,
    friction_slope,
    inlet_head,
    moment,
    normal_depth,
    section,
    slope_of,
    velocity_head,
)
from barrierrank.passage.kernels_fields import (
    BARREL_N,
    BARRELS,
    DEPTH,
    DISTANCE,
    DROP,
    EMBEDDED,
    ENTRANCE_LOSS,
    GRAVITY,
    HEADWATER,
    INLET,
    INLET_C,
    INLET_K,
    INLET_M,
    INLET_Y,
    LENGTH,
    OUTLET,
    PIECES,
    POOL,
    POOL_BED,
    RISE,
    RISE_TO,
    SHAPE,
    SPAN,
    SPEED,
    STATES,
    TAILWATER,
)

FloatArray = NDArray[np.float64]
Flow = tuple[float, float, float, float]
"""Discharge of the barrel [m3/s], Manning's n, slope, length [m]."""

STILL = 1e-9
"""A discharge of one barrel up to this [m3/s] counts as none."""
# a curve has so many Simpson steps, each with a point in its middle, and more where one were wider than _WIDEST in w
_STEPS = 10
_WIDEST = 0.5
_MOST_STEPS = 60
_JUMP_STEPS = 80
_CLOSE = 1e-9
_POINTS = 2 * _MOST_STEPS + 4
_STOP = 0.002  # a curve ends this near (as a share) to normal depth
_ALIKE = 1e-7
# columns of a curve: distance, depth, velocity, its integral over distance, and how the way to the next point bends:
# ds/dw at its start over twice its mean
_AT, _Y, _V, _SUM, _BEND = 0, 1, 2, 3, 4


@kernel
def _depth_at(w: float, pole: float, falls: bool) -> float:
    """Return the depth at a coordinate that is dense near the bed and near normal depth (`pole`)."""
    if pole == np.inf:
        return float(np.exp(w))
    return float(pole + np.exp(w) if falls else pole / (1.0 + np.exp(-w)))


@kernel
def _coordinate(y: float, pole: float) -> float:
    """Return the coordinate of a depth; the inverse of :func:`_depth_at`."""
    if pole == np.inf:
        return float(np.log(y))
    return float(np.log(y - pole) if y > pole else np.log(y / (pole - y)))


@kernel
def _follow(start: float, end: float, pole: float, flow: Flow, b: Barrel, first: int, out: FloatArray) -> int:
    """Fill `out` from row `first`, whose distance is set, with the curve from one depth to another; return its end.

    The distance between two depths is the integral of |(1 - Fr^2) / (S - Sf)|, by Simpson's rule. It ends early where
    it has passed the length of the barrel.
    """
    q, n, slope, length = flow
    falls = start > pole
    w0, w1 = _coordinate(start, pole), _coordinate(end, pole)
    steps = min(max(_STEPS, int(np.ceil(abs(w1 - w0) / _WIDEST))), _MOST_STEPS)
    step = (w1 - w0) / (2 * steps)
    width = 2.0 * abs(step)
    below_crown = (1.0 - 1e-9) * b[CLEAR]
    row = first
    for k in range(2 * steps + 1):
        y = _depth_at(w0 + k * step, pole, falls)
        if k == 0:
            y = start
        elif k == 2 * steps:
            y = end
        y = min(y, below_crown)
        area, around, top, _ = section(y, b)
        froude2 = q * q * top / (GRAVITY * area**3)
        spread = y if pole == np.inf else y - pole if falls else y * (pole - y) / pole  # dy/dw
        row = first + k
        short = max(abs(slope - slope_of(area, around, y, q, n, b)), 1e-200)
        out[row, _BEND] = abs(1.0 - froude2) / short * spread
        out[row, _Y], out[row, _V] = y, q / area
        if k > 0 and k % 2 == 0:
            f0, f1, f2 = out[row - 2, _BEND], out[row - 1, _BEND], out[row, _BEND]
            whole = width / 6.0 * (f0 + 4.0 * f1 + f2)
            half = min(max(width / 24.0 * (5.0 * f0 + 8.0 * f1 - f2), 0.0), whole)
            out[row - 1, _AT], out[row, _AT] = out[row - 2, _AT] + half, out[row - 2, _AT] + whole
            out[row - 2, _BEND] = f0 / max(f0 + f1, 1e-300)
            out[row - 1, _BEND] = f1 / max(f1 + f2, 1e-300)
            if out[row, _AT] >= length:
                break
    out[row, _BEND] = 0.5
    return row


@kernel
def _point(row: int, at: float, y: float, q: float, b: Barrel, out: FloatArray) -> None:
    """Fill one row of a curve save for its integral."""
    out[row, _AT], out[row, _Y], out[row, _BEND] = at, y, 0.5
    out[row, _V] = q / section(y, b)[0]


@kernel
def _sum(last: int, out: FloatArray) -> int:
    """Fill in the integral of velocity; return the number of rows."""
    out[0, _SUM] = 0.0
    for k in range(last):  # velocity even in w, as in _look at the end of the way
        mean = out[k, _V] + (out[k + 1, _V] - out[k, _V]) * (2.0 - out[k, _BEND]) / 3.0
        out[k + 1, _SUM] = out[k, _SUM] + (out[k + 1, _AT] - out[k, _AT]) * mean
    return last + 1


@kernel
def _look(at: float, rows: int, curve: FloatArray) -> tuple[float, float]:
    """Return depth and the integral of velocity at a distance along a curve; beyond its end it stays as it is."""
    low, high = 0, rows - 1
    if at >= curve[high, _AT]:
        return curve[high, _Y], curve[high, _SUM] + (at - curve[high, _AT]) * curve[high, _V]
    while high - low > 1:
        middle = (low + high) // 2
        if curve[middle, _AT] <= at:
            low = middle
        else:
            high = middle
    # depth and velocity change evenly with w, and ds/dw too: near critical depth distance goes with its square
    gone, bend = max(at - curve[low, _AT], 0.0), curve[low, _BEND]
    way = max(curve[high, _AT] - curve[low, _AT], 1e-300)
    share = gone / way / max(bend + np.sqrt(max(bend * bend + (1.0 - 2.0 * bend) * gone / way, 0.0)), 1e-300)
    y = curve[low, _Y] + share * (curve[high, _Y] - curve[low, _Y])
    change = share * share * (bend + 2.0 / 3.0 * (1.0 - 2.0 * bend) * share)
    total = curve[low, _SUM] + gone * curve[low, _V] + way * change * (curve[high, _V] - curve[low, _V])
    return y, total


@kernel
def _upstream(
    outlet: float, critical: float, steep: bool, flow: Flow, b: Barrel, out: FloatArray
) -> tuple[int, float]:
    """Follow the water up from its depth at the outlet; return the rows of the curve and how far up it holds [m]."""
    q, n, slope, length = flow
    clear, y, at = b[CLEAR], outlet, 0
    _point(0, 0.0, y, q, b, out)
    full = friction_slope(clear, q, n, b)
    if y >= clear:
        fall = slope - full
        if fall * length <= y - clear:  # the pressure line stays above the crown
            _point(1, length, y - fall * length, q, b, out)
            return _sum(1, out), length
        if y > clear:
            at = 1
            _point(1, (y - clear) / fall, clear, q, b, out)
        y = clear
    friction = friction_slope(y, q, n, b)
    left = length - out[at, _AT]
    if abs(slope - friction) <= _ALIKE * max(abs(slope), friction):
        return _sum(at, out), length
    pole = normal_depth(q, n, slope, b)
    if friction < slope:
        end = critical if steep else pole * (1.0 + _STOP)
        if pole == np.inf or end >= y:
            return _sum(at, out), length if not steep else out[at, _AT]
        # energy falls by no more than the bed rises
        least = y + velocity_head(y, q, b) - left * slope - velocity_head(end, q, b)
        cut = least > end
        at = _follow(y, max(end, min(least, 0.999999 * y)), pole, flow, b, at, out)
        return _sum(at, out), out[at, _AT] if steep and not cut else length
    end = clear
    if pole > y and pole != np.inf:
        end = pole * (1.0 - _STOP)
        if end <= y:
            return _sum(at, out), length
    else:
        pole = np.inf
    most = y + velocity_head(y, q, b) + left * (max(friction, full) - slope)
    at = _follow(y, min(end, most), pole, flow, b, at, out)
    if end == clear and most >= end and out[at, _AT] < length:
        _point(at + 1, length, clear + (full - slope) * (length - out[at, _AT]), q, b, out)
        at += 1
    return _sum(at, out), length


@kernel
def _downstream(critical: float, flow: Flow, b: Barrel, out: FloatArray) -> int:
    """Follow the water down a steep barrel from critical depth at the inlet; return the rows of the curve."""
    q, n, slope, _ = flow
    start = min(critical, (1.0 - 1e-9) * b[CLEAR])
    _point(0, 0.0, start, q, b, out)
    pole = normal_depth(q, n, slope, b)
    end = pole * (1.0 + _STOP)
    if end >= start:
        return _sum(0, out)
    return _sum(_follow(start, end, pole, flow, b, 0, out), out)


@kernel
def _jump(
    reach: float, from_below: FloatArray, below: int, from_above: FloatArray, above: int, flow: Flow, b: Barrel,
) -> float:  # fmt: skip
    """Return the distance from the inlet at which the water from above jumps [m]; the length of the barrel: nowhere."""
    q, _, _, length = flow
    low, high = max(length - reach, 0.0), length
    at_low, at_high, side, scale = 0.0, 0.0, 0, 0.0
    for k in range(_JUMP_STEPS):  # false position (Illinois), the forces being smooth; halving at last
        x = high if k == 0 else low if k == 1 else 0.5 * (low + high)
        if 2 <= k < _JUMP_STEPS // 2:
            x = (low * at_high - high * at_low) / (at_high - at_low)
        deep, shallow = _look(length - x, below, from_below)[0], _look(x, above, from_above)[0]
        force = moment(deep, b) - moment(shallow, b)
        force += q * q / GRAVITY * (1.0 / section(deep, b)[0] - 1.0 / section(shallow, b)[0])
        if k == 0 and force <= 0.0:
            return length
        if k == 1 and force >= 0.0:
            return low
        if force > 0.0:
            high, at_high = x, force
            at_low = 0.5 * at_low if side == 1 else at_low
            side = 1
        else:
            low, at_low = x, force
            at_high = 0.5 * at_high if side == -1 else at_high
            side = -1
        scale = max(scale, abs(force))
        if k > 1 and (high - low <= _CLOSE * length or abs(force) <= _CLOSE * scale):
            return x
    return 0.5 * (low + high)


@kernel
def _still(tailwater: float, inlet: float, outlet: float, clear: float, out: FloatArray) -> None:
    """Fill in the state of a barrel through which nothing flows."""
    sill = max(inlet, outlet)
    out[HEADWATER] = max(tailwater, sill)
    out[RISE_TO] = max(outlet - tailwater, 0.0)
    out[DEPTH] = min(max(tailwater - sill, 0.0), clear)
    out[SPEED : SPEED + PIECES] = 0.0


@kernel
def culvert_profile(outlet_depth: float, flow: Flow, b: Barrel, speeds: FloatArray, out: FloatArray) -> bool:
    """Fill in depths and mean velocities along a barrel; tell whether the water is held at the inlet (a steep barrel).

    Parameters
    ----------
    outlet_depth : float
        Tailwater above the bed at the outlet [m]; may be negative.
    flow : Flow
    speeds : (PIECES,) float64
        Filled with the mean velocity of each piece [m/s].
    out : (PIECES + 3,) float64
        Filled with the depth at the ends of the pieces, that of the pressure line where full, with the least depth of
        water, and with critical depth [m].
    """
    q, n, slope, length = flow
    clear = b[CLEAR]
    critical = critical_depth(q, b)
    steep = slope > 0.0 and friction_slope(critical, q, n, b) < slope
    from_below, from_above = np.empty((_POINTS, 5)), np.empty((_POINTS, 5))
    below, above, jump = 0, 0, 0.0
    if steep:
        above = _downstream(critical, flow, b, from_above)
        jump = length
    if not steep or outlet_depth > critical:
        below, reach = _upstream(max(outlet_depth, critical), critical, steep, flow, b, from_below)
        if steep:
            jump = _jump(reach, from_below, below, from_above, above, flow, b)
    least = clear
    to_jump, past_jump = 0.0, 0.0
    if jump > 0.0:
        y, to_jump = _look(jump, above, from_above)
        least = min(least, y, from_above[0, _Y])
    if jump < length:
        y, past_jump = _look(length - jump, below, from_below)
        least = min(least, y, from_below[0, _Y])
    before = 0.0
    for k in range(PIECES + 1):
        x = length * k / PIECES
        if x < jump or below == 0:
            y, total = _look(x, above, from_above)
        else:
            y, up = _look(length - x, below, from_below)
            total = to_jump + past_jump - up
        out[k] = y
        if k > 0:
            speeds[k - 1] = (total - before) * PIECES / length
        before = total
    out[PIECES + 1], out[PIECES + 2] = least, critical
    return jump > 0.0


@kernel
def culvert_state(q: float, row: FloatArray, tailwater: float, out: FloatArray) -> None:
    """Work out the state of a culvert at one discharge of the stream, shared evenly by its barrels.

    Depths, and the drop at the outlet, are above the bed material where the barrel is embedded. The water above is
    that of inlet or of outlet control, whichever stands higher; it is NaN where the inlet's coefficients are. Water
    over the road is not followed. All is NaN where a measure of the barrel is missing or impossible.
    """
    out[:] = np.nan
    b = barrel_of(row[SHAPE], row[RISE], row[SPAN], row[EMBEDDED])
    length, n, barrels = row[LENGTH], row[BARREL_N], row[BARRELS]
    inlet, outlet = row[INLET] + row[EMBEDDED], row[OUTLET] + row[EMBEDDED]
    if not (np.isfinite(q + tailwater + inlet + outlet) and q >= 0.0):
        return
    if not (b[CLEAR] > 0.0 and length > 0.0 and n > 0.0 and barrels > 0.0):
        return
    out[TAILWATER], out[DROP], out[DISTANCE] = tailwater, outlet - tailwater, length
    out[POOL] = max(tailwater - row[POOL_BED], 0.0)
    q /= barrels
    if q <= STILL:
        _still(tailwater, inlet, outlet, b[CLEAR], out)
        return
    slope = (inlet - outlet) / length
    depths = np.empty(PIECES + 3)
    culvert_profile(tailwater - outlet, (q, n, slope, length), b, out[SPEED : SPEED + PIECES], depths)
    out[DEPTH] = depths[PIECES + 1]
    out[RISE_TO] = max(depths[PIECES] + outlet - tailwater, 0.0)
    form = (row[INLET_K], row[INLET_M], row[INLET_C], row[INLET_Y])
    critical = depths[PIECES + 2]
    by_inlet = inlet_head(q, critical, -0.5 * slope, form, b)
    lost = 1.0 + row[ENTRANCE_LOSS]
    by_outlet = depths[0] + lost * velocity_head(depths[0], q, b)
    # water that enters at critical depth stands no lower than that which enters deeper and loses less
    by_outlet = max(by_outlet, critical + lost * velocity_head(critical, q, b))
    # not max(): it may pass over NaN
    out[HEADWATER] = inlet + (by_inlet if by_inlet > by_outlet or np.isnan(by_inlet) else by_outlet)
    if np.isnan(np.sum(out[SPEED : SPEED + PIECES]) + out[DEPTH]):
        out[:] = np.nan


@kernel
def profiles(q: FloatArray, numbers: FloatArray, tail: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the states of n culverts, (n, STATES), and their depths as :func:`culvert_profile` does."""
    states = np.empty((q.size, STATES))
    depths = np.full((q.size, PIECES + 3), np.nan)
    for i in range(q.size):
        row, out = numbers[i], states[i]
        culvert_state(q[i], row, tail[i], out)
        if np.isnan(out[DEPTH]):
            continue
        inlet, outlet = row[INLET] + row[EMBEDDED], row[OUTLET] + row[EMBEDDED]
        each = q[i] / row[BARRELS]
        if each <= STILL:
            level = max(tail[i], outlet)
            for k in range(PIECES + 1):
                depths[i, k] = max(level - inlet + (inlet - outlet) * k / PIECES, 0.0)
            continue
        b = barrel_of(row[SHAPE], row[RISE], row[SPAN], row[EMBEDDED])
        flow = (each, row[BARREL_N], (inlet - outlet) / row[LENGTH], row[LENGTH])
        culvert_profile(tail[i] - outlet, flow, b, out[SPEED : SPEED + PIECES], depths[i])
    return states, depths
