"""Kernels of the order of rows: their standings, the numbers they go by, which are equal, and their ranks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Small = NDArray[np.int8]
Flags = NDArray[np.bool_]
Ranks = NDArray[np.int32]
Parts = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats]
Rule = tuple[int, bool, float]

WORTH, COSTS_MORE, NO_EFFECT, NOT_KNOWN, HARM = range(5)
BY_RATIO, BY_NET, BY_SCORE = range(3)
TIE_TOLERANCE = 1e-9
"""Equal, relative to the amounts that a number is made of: differences below are those of rounding."""
ZONES = 3
"""0 costs nothing, 1 has a number, 2 has none."""
_KINDS = 5 * ZONES
_MOST = np.finfo(np.float64).max


@kernel
def _held(x: float) -> float:
    """Return 0 for what is missing and the greatest number for what is infinite."""
    if np.isnan(x):
        return 0.0
    return float(min(max(x, -_MOST), _MOST))


@kernel
def _per(amount: float, cost: float) -> float:
    """Return `amount` by cost: infinite where it costs nothing, NaN where it brings nothing either."""
    if cost != 0.0:
        return amount / cost
    if amount == 0.0 or np.isnan(amount):
        return np.nan
    return float(np.copysign(np.inf, amount) * np.copysign(1.0, cost))


@kernel
def _add_sizes(low: int, amount: Floats, out: Floats) -> None:
    """Add the sizes of an amount (n, d) in the draws from `low` on; what is missing or infinite counts nothing."""
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            size = abs(amount[i, low + k])
            out[i, k] += size if size < np.inf else 0.0


@kernel
def _add_moves(low: int, amount: Floats, out: Flags) -> None:
    """Note where an amount (n, d) in the draws from `low` on is more than rounding beside the greatest of its draw."""
    most = np.zeros(out.shape[1])
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            most[k] = max(most[k], abs(_held(amount[i, low + k])))
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[i, k] |= abs(_held(amount[i, low + k])) > TIE_TOLERANCE * most[k]


@kernel
def _sizes(low: int, high: int, parts: Parts) -> tuple[Floats, Flags]:
    """Return what each row amounts to in some of the draws, one amount after the other: memory is read in order.

    The summed sizes of all that its benefit is the balance of, to which the rounding of that is relative; and whether
    any species gains or loses habitat, or treatment changes; (n, draws).
    """
    benefit, _, _, _, saved, gain, worth = parts
    gross = np.zeros((benefit.shape[0], high - low))
    moves = np.zeros(gross.shape, dtype=np.bool_)
    _add_sizes(low, benefit, gross)
    _add_sizes(low, saved, gross)
    _add_moves(low, saved, moves)
    for s in range(worth.shape[0]):
        _add_sizes(low, worth[s], gross)
    for s in range(gain.shape[0]):
        _add_moves(low, gain[s], moves)
    return gross, moves


@kernel
def _standing(benefit: float, cost: float, net: float, gross: float, moves: bool, points: bool) -> int:
    """Return the standing of a row; for points there is no net: a benefit is worth doing."""
    zero = abs(benefit) <= TIE_TOLERANCE * gross
    if not zero and benefit < 0.0:
        return HARM
    if zero and (not moves or points or cost <= 0.0):
        return NO_EFFECT
    left = benefit if points else net
    if np.isnan(benefit) or np.isnan(left):
        return NOT_KNOWN
    if not zero and left > TIE_TOLERANCE * (gross if points else gross + _held(cost)):
        return WORTH
    return COSTS_MORE


@kernel
def _by_ratio(benefit: float, cost: float, ratio: float, gross: float, standing: int) -> tuple[bool, float, float]:
    """Return whether a row costs nothing, the number it goes by and what the rounding of that is relative to."""
    harm = standing == HARM
    free = (ratio == np.inf or (cost == 0.0 and benefit > 0.0)) and not harm
    if harm or free:
        return free, benefit, gross
    value = 0.0 if standing == NO_EFFECT else ratio
    share = _per(gross, cost)
    scale = np.nan if np.isnan(share) or np.isnan(ratio) else max(abs(ratio), share)
    return free, value, scale


@kernel
def sort_keys(
    draws: tuple[int, int], parts: Parts, score: Floats, rule: Rule, tiers: Ints
) -> tuple[Small, Small, Floats, Floats]:
    """Work out by what each row is sorted in some of the draws.

    Parameters
    ----------
    draws : (int, int)
        First draw and the one after the last.
    parts : benefit, cost, net, ratio, saved (n, d), gain, worth (S, n, d)
        Net and ratio may have no rows: then they follow from benefit and cost.
    score : (draws, n) float64
        Looked at when sorted by it.
    rule : (int, bool, float)
        BY_RATIO, BY_NET or BY_SCORE; whether values are points; what the rounding of scores is relative to.
    tiers : (5,) int64
        Where each standing comes in the list.

    Returns
    -------
    standing : (draws, n) int8
    kind : (draws, n) int8
        Tier and zone: rows of a lower kind come first.
    value, scale : (draws, n) float64
        Number within the kind, greatest first, and what its rounding is relative to.
    """
    low, high = draws
    benefit, cost, net, ratio = parts[0], parts[1], parts[2], parts[3]
    by, points, whole = rule
    shape = (high - low, benefit.shape[0])
    standing, kind = np.empty(shape, dtype=np.int8), np.empty(shape, dtype=np.int8)
    value, scale = np.empty(shape), np.empty(shape)
    sizes, moves = _sizes(low, high, parts)
    for i in range(shape[1]):
        for k in range(high - low):
            c, gross = low + k, sizes[i, k]
            b, spent = benefit[i, c], cost[i, c]
            left = net[i, c] if net.shape[0] else b - spent
            stands = _standing(b, spent, left, gross, moves[i, k], points)
            free, number, size = False, 0.0, whole
            if by == BY_SCORE:
                number = score[k, i]
            elif by == BY_NET:
                number, size = left, gross + _held(spent)
            else:
                per = ratio[i, c] if ratio.shape[0] else _per(b, spent)
                free, number, size = _by_ratio(b, spent, per, gross, stands)
            known = np.isfinite(number)
            zone = 2 if not known else 0 if free else 1
            standing[k, i], kind[k, i] = stands, ZONES * tiers[stands] + zone
            value[k, i] = number if known else 0.0
            scale[k, i] = 0.0 if size == np.inf else _held(size)
    return standing, kind, value, scale


@kernel
def groups(by_value: Ints, kind: Small, value: Floats, scale: Floats) -> Ints:
    """Number the groups of equal rows from the top of the list.

    Rows of one kind whose numbers are the same are equal; such runs are equal if neighbours differ by no more than
    rounding, seen from the end of the upper one with the greatest scale and that of the lower one with the least.

    Parameters
    ----------
    by_value : (n,) int64
        Rows with the greatest value first, whatever the order among equals.
    kind, value, scale : (n,)
        From :func:`sort_keys`.

    Returns
    -------
    (n,) int64
        From 0.
    """
    n = by_value.size
    starts, order = np.zeros(_KINDS + 1, dtype=np.int64), np.empty(n, dtype=np.int64)
    for i in range(n):
        starts[kind[i] + 1] += 1
    for k in range(_KINDS):
        starts[k + 1] += starts[k]
    for i in range(n):
        k = kind[by_value[i]]
        order[starts[k]] = by_value[i]
        starts[k] += 1
    group, number = np.empty(n, dtype=np.int64), -1
    low = 0
    before, above = 0, 0.0  # a row of the run above and the greatest scale there
    while low < n:
        row, high = order[low], low
        least = most = scale[row]
        while high < n and value[order[high]] == value[row] and kind[order[high]] == kind[row]:
            least, most = min(least, scale[order[high]]), max(most, scale[order[high]])
            high += 1
        if (
            low == 0
            or kind[row] != kind[before]
            or value[before] - value[row] > TIE_TOLERANCE * max(above, least)
        ):
            number += 1
        for i in range(low, high):
            group[order[i]] = number
        low, before, above = high, row, most
    return group


@kernel
def ranks(group: Ints, by_place: Ints, shared: bool) -> Ranks:
    """Return ranks from 1: those of the first of each group, or with the rows of a group told apart by place.

    Parameters
    ----------
    group : (n,) int64
        From :func:`groups`.
    by_place : (n,) int64
        Rows in the order that decides among equals.
    shared : bool
        Equal rows share the rank of the first of them.
    """
    n = group.size
    following, out = np.zeros(n + 1, dtype=np.int64), np.empty(n, dtype=np.int32)
    for i in range(n):
        following[group[i] + 1] += 1
    for g in range(n):
        following[g + 1] += following[g]
    for i in range(n):
        row = by_place[i]
        out[row] = following[group[row]] + 1
        if not shared:
            following[group[row]] += 1
    return out
