"""Whether a fish gets past what the water does at one discharge: drop, leap, pool, depth, and endurance against speed.

Endurance is a line ln T = A + B U between two swimming speeds U, one line for prolonged and one for burst swimming
(Castro-Santos 2005, J. Exp. Biol. 208:421-432). Against water of speed v a fish makes (U - v) T(U) before it tires, and
is taken to choose the U that takes it farthest, on either line. Modes are not chained one after the other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_fields import (
    BURST_A,
    BURST_B,
    BURST_FROM,
    BURST_TO,
    BY_DEPTH,
    BY_DROP,
    BY_LEAP,
    BY_POOL,
    BY_VELOCITY,
    CULVERT,
    DEPTH,
    DEPTH_LEAST,
    DISTANCE,
    DROP,
    LEAP,
    LEAPS,
    NONE,
    PASSES,
    PIECES,
    POOL,
    POOL_LEAST,
    POOL_SHARE,
    PROLONGED_A,
    PROLONGED_B,
    PROLONGED_FROM,
    PROLONGED_TO,
    REQUIRED_DROP,
    REQUIRED_DROP_LIP,
    RISE_TO,
    SPEED,
    VELOCITY_SHARE,
    WARMTH,
    WARMTH_AT,
)

FloatArray = NDArray[np.float64]

UNKNOWN = -1
"""Verdict where something it depends on is NaN."""
CLOSE = 1e-6
"""Heights that differ by less count as equal [m]: a crest raised to just the required drop holds it."""
_FULL = 1.0 + 1e-9
_COLDEST, _WARMEST = 0.25, 2.0
_HALVINGS = 60


@kernel
def warmth_factor(temp: float, traits: FloatArray) -> float:
    """Return the factor of prolonged speeds at a temperature [deg C]; 1 where either is not known."""
    if np.isnan(temp) or np.isnan(traits[WARMTH]) or np.isnan(traits[WARMTH_AT]):
        return 1.0
    return float(min(max(1.0 + traits[WARMTH] * (temp - traits[WARMTH_AT]), _COLDEST), _WARMEST))


@kernel
def _best_on_line(v: float, a: float, b: float, slow: float, fast: float) -> tuple[float, float]:
    """Return the greatest distance on one line [m] and the speed it is made at [m/s]; 0 and NaN where there is none.

    (U - v) exp(a + b U) rises up to U = v - 1 / b and falls beyond it, so that the ends of the line bound the rest.
    """
    if not v < fast:  # no line (NaN), or the water is as fast
        return 0.0, np.nan
    u = v - 1.0 / b if b < 0.0 else fast
    u = min(max(u, slow), fast)
    return (u - v) * np.exp(a + b * u), u


@kernel
def greatest_way(v: float, factor: float, traits: FloatArray) -> tuple[float, float]:
    """Return how far a fish gets against water before it tires [m] and at what speed through the water [m/s].

    Parameters
    ----------
    v : float
        Speed of the water it meets [m/s], VELOCITY_SHARE applied.
    factor : float
        See :func:`warmth_factor`.

    Returns
    -------
    distance : float
        inf where the speed is held without end, or no line is known; 0 where it makes no way.
    speed : float
        NaN where it makes no way or no line is known; the held speed where it is held without end.
    """
    if np.isnan(v):
        return np.nan, np.nan
    fastest = traits[BURST_TO]
    held = traits[PROLONGED_FROM] * factor
    if np.isnan(fastest) and np.isnan(held):
        return np.inf, np.nan
    if v >= fastest:
        return 0.0, np.nan
    if v <= 0.0 or v < held:
        return np.inf, held
    limit = traits[PROLONGED_TO] * factor
    if limit > fastest:  # warmth makes no fish swim faster than its burst  # noqa: PLR1730 (NaN = no burst)
        limit = fastest
    far, u = _best_on_line(v, traits[PROLONGED_A], traits[PROLONGED_B] / factor, held, limit)
    way, w = _best_on_line(v, traits[BURST_A], traits[BURST_B], traits[BURST_FROM], fastest)
    if way > far:
        return way, w
    return far, u


@kernel
def effort(speeds: FloatArray, distance: float, temp: float, traits: FloatArray) -> float:
    """Return what part of its strength a fish spends on a way; above 1 it does not get through.

    Parameters
    ----------
    speeds : (k,) float64
        Mean velocities of k pieces of equal length [m/s]; those that are not against it cost nothing.
    distance : float
        Length of the way [m].
    temp : float
        Temperature of the water [deg C]; NaN = speeds as given.
    traits : (TRAITS,) float64

    Returns
    -------
    float
        Sum over the pieces of length / greatest distance against its speed; inf where a piece cannot be passed.
    """
    if np.isnan(distance):
        return np.nan
    factor = warmth_factor(temp, traits)
    piece = distance / speeds.size
    total, cost, last = 0.0, 0.0, np.nan
    for k in range(speeds.size):
        if speeds[k] != last:  # over a crest all pieces have one speed
            last = speeds[k]
            far, _ = greatest_way(last * traits[VELOCITY_SHARE], factor, traits)
            cost = piece / far if far > 0.0 else np.inf
            if np.isnan(far):
                return np.nan
        total += cost
    return total


@kernel
def greatest_velocity(distance: float, temp: float, traits: FloatArray) -> float:
    """Return the greatest even mean velocity that a fish passes over a distance [m/s], by bisection.

    Parameters
    ----------
    distance : float
        [m]
    temp : float
        [deg C]; NaN = speeds as given.
    traits : (TRAITS,) float64

    Returns
    -------
    float
        The least upper bound; inf where speed never stops it, 0 where it passes still water alone.
    """
    share = traits[VELOCITY_SHARE]
    if np.isnan(distance) or np.isnan(share):
        return np.nan
    factor = warmth_factor(temp, traits)
    high = traits[BURST_TO]
    if np.isnan(high):
        high = traits[PROLONGED_TO] * factor
    if np.isnan(high) or share <= 0.0:
        return np.inf
    low = 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        far, _ = greatest_way(middle, factor, traits)
        if distance <= far * _FULL and far > 0.0:
            low = middle
        else:
            high = middle
    return float(low / share)


@kernel
def _swims(state: FloatArray, temp: float, traits: FloatArray) -> int:
    """Return the verdict on depth and speed."""
    if np.isnan(state[DEPTH]):
        return UNKNOWN
    if state[DEPTH] <= 0.0 or state[DEPTH] < traits[DEPTH_LEAST] - CLOSE:  # nothing swims over a dry crest
        return BY_DEPTH
    spent = effort(state[SPEED : SPEED + PIECES], state[DISTANCE], temp, traits)
    if np.isnan(spent):
        return UNKNOWN
    return BY_VELOCITY if spent > _FULL else PASSES


@kernel
def _leaps(kind: int, state: FloatArray, temp: float, traits: FloatArray) -> int:
    """Return the verdict on a fish that leaps, where there is a drop."""
    rise = state[RISE_TO]
    if np.isnan(rise) or np.isnan(traits[LEAP]):
        return UNKNOWN
    if rise > traits[LEAP] + CLOSE:
        return BY_LEAP
    if state[POOL] < max(traits[POOL_SHARE] * rise, traits[POOL_LEAST]) - CLOSE:  # false where not known
        return BY_POOL
    if kind == CULVERT:
        return _swims(state, temp, traits)
    if np.isnan(state[DEPTH]):
        return UNKNOWN
    return BY_DEPTH if state[DEPTH] <= 0.0 else PASSES


@kernel
def verdict(kind: int, lip: float, state: FloatArray, temp: float, traits: FloatArray) -> int:
    """Return what stops a fish at one discharge, PASSES or UNKNOWN.

    Parameters
    ----------
    kind : int
        KIND of the structure.
    lip : float
        Overhang of its crest [m].
    state : (STATES,) float64
    temp : float
        Temperature of the water [deg C]; NaN = speeds as given.
    traits : (TRAITS,) float64

    Returns
    -------
    int
        The first that stops it. A fish that does not leap: drop, depth, velocity. One that leaps, where there is a
        drop: leap, pool, then in a culvert depth and velocity; over any other crest only whether it is dry. Where a
        crest is drowned it swims, or leaps over water that is too fast for it.
        UNKNOWN where what decides is NaN; a pool that is not known (NaN) stops nothing.
    """
    if kind == NONE:
        return PASSES
    drop = state[DROP]
    if np.isnan(drop) or np.isnan(traits[LEAPS]):
        return UNKNOWN
    if traits[LEAPS] == 0.0:
        required = traits[REQUIRED_DROP_LIP] if lip > 0.0 else traits[REQUIRED_DROP]
        if drop >= required - CLOSE:  # false where no drop stops it (NaN)
            return BY_DROP
        return _swims(state, temp, traits)
    if drop <= 0.0:
        reason = _swims(state, temp, traits)
        if reason == BY_VELOCITY and kind != CULVERT and _leaps(kind, state, temp, traits) == PASSES:
            return PASSES  # over the fast water of a drowned crest
        return reason
    return _leaps(kind, state, temp, traits)
