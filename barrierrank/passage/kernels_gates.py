"""Kernels of gates: flow under a sharp-edged upright gate on a sill, and over its top.

The jet under the gate contracts to CONTRACTION x opening (Henderson 1966, Open Channel Flow, ch. 6). Energy is kept
from the water above to the jet; where the jet is drowned, momentum is kept from it to the water below (Rajaratnam
& Subramanya 1967, J. Irrig. Drain. Div. ASCE 93(3)). Sources from memory. Where the water would run over the bare sill
no deeper than that jet the gate does not touch it: the sill is a weir. As critical depth grows past that, or the water
below rises to the gate's edge, the gate takes over without a step. Heads of a gate are of energy above the sill: the
speed of the water well above it is left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_fields import (
    BED,
    COEFFICIENT,
    CONTRACTIONS,
    CREST,
    DEPTH,
    DISTANCE,
    DROP,
    GATE_TOP,
    GRAVITY,
    HEADWATER,
    LOGS,
    OPENING,
    PIECES,
    POOL,
    POOL_BED,
    RISE_TO,
    SPEED,
    TAILWATER,
    THICKNESS,
    WIDTH,
)
from barrierrank.passage.kernels_weirs import weir_discharge, weir_head

FloatArray = NDArray[np.float64]

CONTRACTION = 0.61
"""Depth of the free jet as a share of the opening."""
Crest = tuple[float, float, float, float, float, float]
"""width, side, thickness, height, coefficient, contractions: as the weirs take them."""
_CLOSE = 1e-12
_TAKEN_OVER = 0.3  # the gate alone decides from this share of critical depth over that of the jet on
_ITERATIONS = 120
_LEAST = 1e-9  # an opening less than this is shut: elevations in decimals do not subtract exactly


@kernel
def under_gate(q: float, tail: float, jet: float) -> tuple[float, float]:
    """Return the head above the sill [m] and the depth of the fast water [m] of a discharge under a gate.

    Parameters
    ----------
    q : float
        Discharge per width [m2/s].
    tail : float
        Water below, above the sill [m]; may be negative.
    jet : float
        Depth of the free jet [m], above 0.
    """
    speed_head = q * q / (2.0 * GRAVITY)  # x depth^2
    critical = np.cbrt(2.0 * speed_head)
    if tail <= jet and critical < jet:
        depth = max(critical, tail)
        return (depth + speed_head / (depth * depth), depth) if depth > 0.0 else (0.0, 0.0)
    free = jet + speed_head / (jet * jet)
    if tail <= jet:
        return free, jet
    # depth just below the gate, by momentum; it cannot be less than the jet
    pull = 4.0 * (1.0 / jet - 1.0 / tail)
    depth = np.sqrt(max(tail * tail - speed_head * pull, 0.0))
    # just before the jet is swept free this head would fall with rising discharge, by a per cent or so: it is held
    least = max(2.0 * jet * (1.0 - jet / tail), jet)
    if depth < least:
        most = least + (tail * tail - least * least) / pull / (jet * jet)
        return max(free, most), jet
    return depth + speed_head / (jet * jet), jet


@kernel
def _over(q: float, tail: float, crest: Crest) -> float:
    """Return the head over a crest [m]."""
    return weir_head(q, tail, crest[0], crest[1], crest[2], crest[3], crest[4], crest[5])


@kernel
def _head(q: float, tail: float, jet: float, sill: Crest) -> float:
    """Return the head above the sill of a discharge under a gate [m], the gate touching the water or not."""
    alone = _over(q, tail, sill)
    critical = np.cbrt((q / sill[0]) ** 2 / GRAVITY)
    touched = max((critical / jet - 1.0) / _TAKEN_OVER, (tail / jet - 1.0) / (1.0 / CONTRACTION - 1.0))
    if touched <= 0.0 or np.isnan(alone):
        return alone
    held = max(under_gate(q / sill[0], tail, jet)[0], alone)
    return float(alone + min(touched, 1.0) * (held - alone))


@kernel
def _share_under(q: float, tail: float, jet: float, sill: Crest, above: float, top: Crest) -> float:
    """Return how much of a discharge passes under a gate that is also overflowed [m3/s].

    `above` is the gate's top above the sill. Bracketed false position (Illinois), as both parts rise with the head.
    """
    # the head is no more than if all went over the top, and no jet is faster than from that into the air
    most = above + _over(q, tail - above, top)
    low, high = 0.0, min(q, 1.000001 * sill[0] * jet * np.sqrt(2.0 * GRAVITY * max(most - jet, jet)))
    at_low, at_high, side = 0.0, 0.0, 0
    for k in range(_ITERATIONS):
        x = low if k == 0 else high if k == 1 else 0.5 * (low + high)
        if 2 <= k < _ITERATIONS // 2:
            x = (low * at_high - high * at_low) / (at_high - at_low)
        head = _head(x, tail, jet, sill) - above
        over = x - q + weir_discharge(head, tail - above, top[0], top[1], top[2], top[3], top[4], top[5])
        if np.isnan(over):
            return np.nan
        if abs(over) <= _CLOSE * q or (k > 1 and high - low <= _CLOSE * high):
            return x
        if over > 0.0:
            high, at_high = x, over
            at_low = 0.5 * at_low if side == 1 else at_low
            side = 1
        else:
            low, at_low = x, over
            at_high = 0.5 * at_high if side == -1 else at_high
            side = -1
    return np.nan


@kernel
def _height(crest: float, bed: float) -> float:
    """Return the height of a crest above the bed; elevations in decimals do not subtract exactly."""
    return 0.0 if abs(crest - bed) < 1e-9 else crest - bed


@kernel
def _or_none(value: float) -> float:
    """Return a measure that is 0 where it is not given."""
    return 0.0 if np.isnan(value) else value


@kernel
def _shut(out: FloatArray) -> None:
    """Fill in a way that neither water nor fish can take."""
    out[DROP], out[RISE_TO], out[DEPTH] = np.inf, np.inf, 0.0
    out[SPEED : SPEED + PIECES] = np.inf


@kernel
def gate_state(
    q: float, row: FloatArray, tailwater: float, logs_in: bool, crest_reach: float, out: FloatArray
) -> None:
    """Work out the state of a gate at one discharge of the stream.

    A fish passes under the gate, at the speed of the contracted jet. Logs on the sill raise it and take as much from
    the opening. Where nothing is left of the opening, the way leads over the gate's top, a thin plate; where that is
    never overflowed (GATE_TOP NaN) no water and no fish passes: HEADWATER is NaN, DROP, RISE_TO and the speeds are
    infinite and DEPTH is 0. THICKNESS and COEFFICIENT are those of the sill. All is NaN where a measure is missing
    or impossible.
    """
    out[:] = np.nan
    width, thickness = row[WIDTH], _or_none(row[THICKNESS])
    logs = _or_none(row[LOGS]) if logs_in else 0.0
    sill, opening = row[CREST] + logs, row[OPENING] - logs
    if not (np.isfinite(q + tailwater + sill + opening) and q >= 0.0 and width > 0.0 and thickness >= 0.0):
        return
    top = max(row[GATE_TOP], sill + max(opening, 0.0)) if not np.isnan(row[GATE_TOP]) else np.inf
    over = (width, 0.0, 0.0, _height(top, row[BED]) if top < np.inf else np.nan, np.nan, 0.0)
    through, crest, head, depth = q, sill, np.nan, 0.0
    if opening > _LEAST:
        jet, tail = CONTRACTION * opening, tailwater - sill
        bare = (width, 0.0, thickness, _height(sill, row[BED]), row[COEFFICIENT], _or_none(row[CONTRACTIONS]))
        head = _head(q, tail, jet, bare)
        if sill + head > top:
            through = _share_under(q, tail, jet, bare, top - sill, over)
            head = _head(through, tail, jet, bare)
        depth = under_gate(through / width, tail, jet)[1]
    elif top < np.inf:
        crest = top
        head = _over(q, tailwater - crest, over)
        depth = max(min(np.cbrt((q / width) ** 2 / GRAVITY), head), tailwater - crest, 0.0)
    if opening > _LEAST or top < np.inf:
        if np.isnan(through) or np.isnan(head):
            return
        out[HEADWATER] = max(crest + head, tailwater)
        out[DROP], out[RISE_TO], out[DEPTH] = crest - tailwater, out[HEADWATER] - tailwater, depth
        out[SPEED : SPEED + PIECES] = through / (width * depth) if depth > 0.0 else 0.0
    else:
        _shut(out)
    out[TAILWATER], out[POOL] = tailwater, max(tailwater - row[POOL_BED], 0.0)
    out[DISTANCE] = max(thickness, crest_reach)


@kernel
def gate_heads(q: FloatArray, opening: FloatArray, tail: FloatArray) -> FloatArray:
    """Return the heads above the sill of n gates [m], (n,)."""
    out = np.full(q.size, np.nan)
    for i in range(q.size):
        if q[i] >= 0.0 and opening[i] > 0.0 and not np.isnan(tail[i]):
            out[i] = under_gate(q[i], tail[i], CONTRACTION * opening[i])[0]
    return out
