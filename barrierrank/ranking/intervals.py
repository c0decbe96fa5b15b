"""From ranks in many draws to what a list can be held to: intervals, chances, pairs whose order is settled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import SMALL, each

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHOWN = 30
"""Actions of the list in the table of acceptability."""
RANKS = 20
"""Ranks told one by one in it; what comes later is told together."""
NEAR = 0.05
"""Halves of the draws may differ by this much in the chance of a place among the first, for the draws to suffice."""
_SLAB = 1024
"""Actions summed up at a time: the copies made of their draws stay small."""


@dataclass(frozen=True, eq=False)
class Intervals:
    """What draws say of a actions.

    Parameters
    ----------
    rank_low, rank_high : (a,) int64
        Interval of ranks at the level asked for.
    chance_top : (a,) float64
        Chance of a rank among the first k.
    chance_of_harm : (a,) float64
        Chance that it does more harm than good.
    expected_benefit : (a,) float64
        Mean present worth of its benefit.
    """

    rank_low: Ints
    rank_high: Ints
    chance_top: Floats
    chance_of_harm: Floats
    expected_benefit: Floats


def intervals_of(ranks: NDArray[np.int32], benefit: Floats, *, level: float, top: int) -> Intervals:
    """Sum up ranks and benefits.

    Parameters
    ----------
    ranks : (a, D) int32
        From 1.
    benefit : (a, D) float64
    level : float
        Of the interval, above 0 and below 1: with 0.9 one draw in twenty lies below it and one above.
    top : int
        The k of the first k.

    Notes
    -----
    Quantiles are order statistics (inverse of the empirical distribution), so that bounds are ranks that occurred.
    """
    if not ranks.shape[1]:
        raise ValueError("no draws to sum up")
    at = [_place(q, ranks.shape[1]) for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0)]

    def sum_up(low: int) -> tuple[Floats, ...]:
        some, brings = ranks[low : low + _SLAB], benefit[low : low + _SLAB]
        ends = np.sort(some, axis=1)[:, at].T
        return ends[0], ends[1], (some <= top).mean(axis=1), (brings < 0.0).mean(axis=1), brings.mean(axis=1)

    slabs = each(sum_up, range(0, max(len(ranks), 1), _SLAB), threads=ranks.size >= SMALL)
    rank_low, rank_high, *shares = (np.concatenate(parts) for parts in zip(*slabs, strict=True))
    return Intervals(rank_low.astype(np.int64), rank_high.astype(np.int64), *shares)


def _place(share: float, draws: int) -> int:
    """Return the place, among numbers in order, of the quantile that the inverse of their distribution gives."""
    return int(np.clip(np.ceil(draws * share - 1.0), 0, draws - 1))


def acceptability(ranks: NDArray[np.int32], rows: Ints) -> Floats:
    """Return the share of draws in which each of some actions has each rank, (r, RANKS + 1); the last: any later one.

    Parameters
    ----------
    ranks : (a, D) int32
    rows : (r,) int64
        Actions to tell of.
    """
    later = np.minimum(ranks[rows], RANKS + 1) - 1
    out = np.zeros((rows.size, RANKS + 1))
    for i in range(rows.size):
        out[i] = np.bincount(later[i], minlength=RANKS + 1) / ranks.shape[1]
    return out


def ahead(ranks: NDArray[np.int32], first: Ints, second: Ints) -> Floats:
    """Return the chance that each first action ranks before its second one, (r,); equal ranks count half."""
    one, two = ranks[first], ranks[second]
    return np.asarray(((one < two) + 0.5 * (one == two)).mean(axis=1))


def is_enough(ranks: NDArray[np.int32], top: int) -> tuple[bool, float]:
    """Tell whether both halves of the draws say nearly the same, and their greatest difference.

    Parameters
    ----------
    ranks : (a, D) int32
    top : int

    Returns
    -------
    enough : bool
    difference : float
        Of the chance of a rank among the first k, over all actions.
    """
    half = ranks.shape[1] // 2
    if not half or not ranks.shape[0]:
        return False, 1.0
    inside = ranks <= top
    difference = np.abs(inside[:, :half].mean(axis=1) - inside[:, half : 2 * half].mean(axis=1)).max()
    return bool(difference <= NEAR), float(difference)
