"""Kernels of weirs and falls: discharge over a crest, the headwater it takes, and the state of the water.

An opening carries Q = (1 - w) Q_sharp + w Q_broad, w = 1 / (1 + (h / thickness)^4), h the water surface over the crest:

sharp
    Rehbock (1929) for the bottom, with the height of the crest above the bed where that is known. Its constant
    correction of the head is drawn down to nothing under 30 mm, below the range of the formula, so that no head gives
    no discharge; and the water coming up to the weir is not let be shallower than critical (sills, h / P above 8).
    Sloping ends count as the two halves of a V-notch of coefficient 0.58. Contracted ends take 0.1 h each off the
    width (Francis 1868), no more than at h = width / 3, where that rule ends.
broad
    Critical flow on the crest, (2/3)^1.5 sqrt(g) b H^1.5, times 0.848 for a square upstream edge (Bos 1989, Discharge
    Measurement Structures; Hager and Schwalt 1994, whose 0.326 sqrt(2 g) is the same), H with the velocity head
    of the approach where the height of the crest is known.
between
    w as in the coefficient of Hager and Schwalt (1994, J. Irrig. Drain. Eng. 120: 13-26).
drowned
    Sharp: Villemonte (1947), (1 - (h2 / h1)^n)^0.385, n = 1.5 for the bottom and 2.5 for the ends. Broad: the
    water on the crest stands as high as that below and speeds by h1 - h2, which begins at h2 / h1 = 2/3 (4/5 over
    sloping ends), where critical flow leaves off.

Sources from memory but for Rehbock. A given coefficient stands for all corrections but contraction and drowning.
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
    GRAVITY,
    HEADWATER,
    LOGS,
    NOTCH_DEPTH,
    NOTCH_WIDTH,
    POOL,
    POOL_BED,
    RISE_TO,
    SIDE,
    SPEED,
    TAILWATER,
    THICKNESS,
    WIDTH,
)
from barrierrank.passage.kernels_sections import critical_depth

FloatArray = NDArray[np.float64]
Crest = tuple[float, float, float, float, float, float, float, float]
"""width, side, thickness, height, coefficient, contractions, notch width, notch depth."""

IDEAL_BROAD = float((2.0 / 3.0) ** 1.5 * GRAVITY**0.5)
"""C of critical flow on a crest without losses [m^0.5/s]."""
SQUARE_EDGE = 0.848
_SHARP = float(2.0 / 3.0 * (2.0 * GRAVITY) ** 0.5)
_REHBOCK, _REHBOCK_P, _REHBOCK_HEAD, _LEAST_HEAD = 0.602, 0.0832, 0.00125, 0.03
_FRANCIS, _FRANCIS_TO = 0.1, 1.0 / 3.0
_SHARP_SIDE = 0.8 * 0.58 / _REHBOCK  # discharge over an end of slope 1 against that over a bottom h wide
_BROAD_SIDE = float(0.8**2.5 * 0.5**0.5 / (2.0 / 3.0) ** 1.5)
_STEPS = 120


@kernel
def broad_share(head: float, thickness: float) -> float:
    """Return how far a crest works as a broad one, 0 to 1."""
    if thickness <= 0.0:
        return 0.0
    ratio = head / thickness
    return float(1.0 / (1.0 + ratio * ratio * ratio * ratio))


@kernel
def _sharp_coefficient(head: float, height: float) -> float:
    """Return C of a sharp crest [m^0.5/s]; `height` NaN: no approach correction."""
    added = 1.0 + _REHBOCK_HEAD / max(head, _LEAST_HEAD)
    added *= np.sqrt(added)
    if np.isnan(height):
        return float(_SHARP * _REHBOCK * added)
    whole = (head + height) / head
    critical = np.sqrt(GRAVITY) * whole * np.sqrt(whole)
    if height == 0.0:
        return float(critical)
    return float(min(_SHARP * (_REHBOCK + _REHBOCK_P * head / height) * added, critical))


@kernel
def _broad_coefficient(head: float, height: float) -> float:
    """Return C of a broad crest [m^0.5/s].

    H / h = 1 + a (H / h)^3 with a = C^2 / 2g (h / (h + P))^2 gives the head with its velocity head in closed form.
    """
    c = SQUARE_EDGE * IDEAL_BROAD
    if np.isnan(height):
        return c
    share = head / (head + height)
    root = np.sqrt(3.0 * c * c / (2.0 * GRAVITY)) * share
    if root < 1e-6:
        return c
    energy = 2.0 / root * np.sin(np.arcsin(min(1.5 * root, 1.0)) / 3.0)
    return float(c * energy * np.sqrt(energy))


@kernel
def _drowned_sharp(fall: float, head: float, n: float) -> float:
    """Return what is left of the free discharge (Villemonte); `fall` = head less tailwater, exact where it is tiny."""
    if fall >= head:
        return 1.0
    return float((-np.expm1(n * np.log1p(-fall / head))) ** 0.385)


@kernel
def _drowned_broad(fall: float, head: float) -> float:
    """Return what is left of the free discharge over the bottom of a broad crest."""
    if fall >= head / 3.0:
        return 1.0
    return float(1.5**1.5 * np.sqrt(2.0) * (1.0 - fall / head) * np.sqrt(fall / head))


@kernel
def _drowned_broad_side(fall: float, head: float) -> float:
    """Return what is left of the free discharge over the sloping ends of a broad crest."""
    if fall >= 0.2 * head:
        return 1.0
    share = 1.0 - fall / head
    return float(2.0 / 0.8**2.5 * share * share * np.sqrt(fall / head))


@kernel
def submerged_share(head: float, tail_head: float, thickness: float) -> float:
    """Return what is left of the free discharge over the bottom of a crest, 0 to 1; heads above the crest [m]."""
    if np.isnan(head) or np.isnan(tail_head) or not thickness >= 0.0:
        return np.nan
    if head <= 0.0:
        return 0.0 if tail_head > 0.0 else 1.0
    fall = min(max(head - tail_head, 0.0), head)
    w = broad_share(head, thickness)
    return float((1.0 - w) * _drowned_sharp(fall, head, 1.5) + w * _drowned_broad(fall, head))


@kernel
def _contracted(head: float, width: float, contractions: float, depth: float) -> float:
    """Return the width left between contracted ends that are `depth` high [m]."""
    return float(width - _FRANCIS * contractions * min(head, depth, _FRANCIS_TO * width))


@kernel
def _opening(
    head: float, fall: float, width: float, side: float, thickness: float, height: float, coefficient: float
) -> float:
    """Return the discharge of an opening of which `width` counts; `fall` = head less tailwater, `head` where free."""
    w, ends, total = broad_share(head, thickness), side * head, 0.0
    if w < 1.0:
        c = _sharp_coefficient(head, height) if np.isnan(coefficient) else coefficient
        carried = width * _drowned_sharp(fall, head, 1.5)
        if side > 0.0:
            carried += _SHARP_SIDE * ends * _drowned_sharp(fall, head, 2.5)
        total += (1.0 - w) * c * carried
    if w > 0.0:
        c = _broad_coefficient(head, height) if np.isnan(coefficient) else coefficient
        carried = width * _drowned_broad(fall, head)
        if side > 0.0:
            carried += _BROAD_SIDE * ends * _drowned_broad_side(fall, head)
        total += w * c * carried
    return float(total * head * np.sqrt(head))


@kernel
def _notch_discharge(stage: float, fall: float, crest: Crest) -> float:
    """Return the discharge of the notch, `stage` above its bottom, ends contracted; what comes up to it is slow."""
    if stage <= 0.0:
        return 0.0
    width = _contracted(stage, crest[6], 2.0, crest[7])
    return float(_opening(stage, min(fall, stage), width, 0.0, crest[2], np.nan, crest[4]))


@kernel
def crest_discharge(stage: float, fall: float, crest: Crest) -> float:
    """Return the discharge over a crest and through its notch [m3/s].

    Parameters
    ----------
    stage : float
        Headwater above the lowest point of the crest [m].
    fall : float
        Headwater less tailwater, at most `stage` [m].
    crest : tuple
        See :data:`Crest`; without a notch its width and depth are 0.
    """
    total = 0.0
    if crest[6] > 0.0:
        total = _notch_discharge(stage, fall, crest)
    head = stage - crest[7]
    if head > 0.0:
        width = _contracted(head, max(crest[0] - crest[6], 0.0), crest[5], np.inf)
        total += _opening(head, min(fall, head), width, crest[1], crest[2], crest[3], crest[4])
    return float(total)


@kernel
def rise_over(q: float, drowned: float, crest: Crest) -> float:
    """Solve for how far the headwater stands above the lowest point of a crest, or above the tailwater over that [m].

    In the logarithms of both the discharge climbs at least 0.385-fold with the rise, however drowned: one
    evaluation brackets the answer. Secants, halving where they leave the bracket or linger.

    Parameters
    ----------
    q : float
        Discharge [m3/s], above 0.
    drowned : float
        Tailwater above the lowest point of the crest [m]; 0 where it is below.
    crest : tuple
        See :data:`Crest`.
    """
    if not (q > 0.0 and drowned >= 0.0) or np.isinf(q) or np.isinf(drowned):
        return np.nan
    wanted = np.log(q)
    u = (wanted - np.log(2.0 * (crest[0] + crest[1]))) / 1.5
    before, missed = np.nan, np.nan
    low, high = -np.inf, np.inf
    for step in range(_STEPS):
        rise = np.exp(u)
        carried = crest_discharge(drowned + rise, rise, crest)
        if not carried > 0.0:
            return np.nan
        miss = np.log(carried) - wanted
        if abs(miss) <= 1e-13 or high - low <= 1e-13:
            return float(rise)
        if miss < 0.0:
            low, high = max(low, u), min(high, u - miss / 0.38)
        else:
            low, high = max(low, u - miss / 0.38), min(high, u)
        slope = (miss - missed) / (u - before) if step > 0 and u != before else 1.6
        before, missed = u, miss
        if slope > 0.2 and (step < 20 or step % 2 == 0):
            u = u - miss / slope
        if u == before or not low <= u <= high:
            u = 0.5 * (low + high)
    return np.nan


@kernel
def _possible(
    width: float, side: float, thickness: float, height: float, coefficient: float, contractions: float
) -> bool:
    """Tell whether a crest can be worked out; height and coefficient may be NaN."""
    known = width >= 0.0 and side >= 0.0 and width + side > 0.0 and thickness >= 0.0
    return bool(known and 0.0 <= contractions <= 2.0 and not height < 0.0 and not coefficient <= 0.0)


@kernel
def weir_discharge(
    head: float, tail_head: float, width: float, side: float, thickness: float, height: float, coefficient: float,
    contractions: float,
) -> float:  # fmt: skip
    """Return the discharge over a crest without a notch [m3/s].

    Parameters
    ----------
    head, tail_head : float
        Water surfaces above and below, over the crest [m]. None flows where the lower is as high, nor back.
    width, side, thickness : float
        Of the crest; see `kernels_fields`.
    height : float
        Crest above the bed above the structure [m]; NaN = not known, deep.
    coefficient : float
        C of Q = C b H^1.5 [m^0.5/s]; NaN = worked out.
    contractions : float
        0, 1 or 2 ends.

    Returns
    -------
    float
        NaN where something needed is missing or impossible.
    """
    known = _possible(width, side, thickness, height, coefficient, contractions)
    if np.isnan(head) or np.isnan(tail_head) or not known:
        return np.nan
    if head <= 0.0 or tail_head >= head:
        return 0.0
    crest = (width, side, thickness, height, coefficient, contractions, 0.0, 0.0)
    return float(crest_discharge(head, min(head - tail_head, head), crest))


@kernel
def weir_head(
    q: float, tail_head: float, width: float, side: float, thickness: float, height: float, coefficient: float,
    contractions: float,
) -> float:  # fmt: skip
    """Return the head over a crest without a notch at a discharge [m]: :func:`weir_discharge` the other way round.

    At no discharge the crest (0), or the tailwater where that is higher. NaN where something needed is missing or
    impossible, or no solution was found.
    """
    known = _possible(width, side, thickness, height, coefficient, contractions)
    if not q >= 0.0 or np.isnan(tail_head) or not known:
        return np.nan
    drowned = max(tail_head, 0.0)
    if q == 0.0:
        return drowned
    crest = (width, side, thickness, height, coefficient, contractions, 0.0, 0.0)
    return drowned + float(rise_over(q, drowned, crest))


@kernel
def weir_values(heads: bool, table: FloatArray) -> FloatArray:
    """Return :func:`weir_head`, or :func:`weir_discharge`, of k crests; `table` (k, 8) holds their arguments."""
    out = np.empty(table.shape[0])
    for i in range(out.size):
        a = table[i]
        if heads:
            out[i] = weir_head(a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7])
        else:
            out[i] = weir_discharge(a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7])
    return out


@kernel
def submerged_shares(head: FloatArray, tail_head: FloatArray, thickness: FloatArray) -> FloatArray:
    """Return :func:`submerged_share` of k crests, (k,)."""
    out = np.empty(head.size)
    for i in range(head.size):
        out[i] = submerged_share(head[i], tail_head[i], thickness[i])
    return out


@kernel
def _or_none(value: float) -> float:
    """Return a measure that is 0 where it is not given."""
    return 0.0 if np.isnan(value) else float(value)


@kernel
def weir_state(
    q: float, row: FloatArray, tailwater: float, logs_in: bool, crest_reach: float, out: FloatArray
) -> None:
    """Work out the state of a weir or a fall at one discharge.

    Logs that are in raise the crest, as wide as it is without them, and shut the notch.

    Parameters
    ----------
    q : float
        Discharge [m3/s], 0 or more.
    row : (FIELDS,) float64
        The structure.
    tailwater : float
        Elevation of the water below [m].
    logs_in : bool
    crest_reach : float
        Shortest stretch of fast water over a crest [m].
    out : (STATES,) float64
        Filled; NaN throughout where something needed is missing or impossible, or no solution was found.
    """
    out[:] = np.nan
    logs = _or_none(row[LOGS]) if logs_in else 0.0
    notch_width, notch_depth = _or_none(row[NOTCH_WIDTH]), _or_none(row[NOTCH_DEPTH])
    if logs > 0.0 or not (notch_width > 0.0 and notch_depth > 0.0):
        notch_width, notch_depth = 0.0, 0.0
    crest = row[CREST] + logs
    width, side, thickness = row[WIDTH], _or_none(row[SIDE]), _or_none(row[THICKNESS])
    height, coefficient, contractions = crest - row[BED], row[COEFFICIENT], _or_none(row[CONTRACTIONS])
    if abs(height) < 1e-9:  # elevations in decimals do not subtract exactly
        height = 0.0
    known = q >= 0.0 and not np.isnan(tailwater) and not np.isnan(crest)
    if not known or not _possible(width, side, thickness, height, coefficient, contractions):
        return
    lowest = crest - notch_depth
    drowned = max(tailwater - lowest, 0.0)
    rise, depth, speed = 0.0, drowned, 0.0
    if q > 0.0:
        shape = (width, side, thickness, height, coefficient, contractions, notch_width, notch_depth)
        rise = rise_over(q, drowned, shape)
        if np.isnan(rise):
            return
        through, route_width, route_side = q, width, side
        if notch_width > 0.0:
            through, route_width, route_side = _notch_discharge(drowned + rise, rise, shape), notch_width, 0.0
        # over a sill low enough the critical depth of the crest would come out above the water itself
        depth = max(min(critical_depth(through, route_width, route_side), drowned + rise), drowned)
        area = depth * (route_width + route_side * depth)
        if not area > 0.0:
            return
        speed = through / area
    out[TAILWATER] = tailwater
    out[HEADWATER] = max(lowest, tailwater) + rise
    out[DROP] = lowest - tailwater
    out[RISE_TO] = max(lowest - tailwater, 0.0) + rise
    out[POOL] = max(tailwater - row[POOL_BED], 0.0)
    out[DEPTH] = depth
    out[DISTANCE] = max(thickness, crest_reach)
    out[SPEED:] = speed
