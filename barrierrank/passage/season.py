"""Dates of a seasonal crest: what each pair of dates does to every species, the trade between two, and the best pair.

Planning-level: the dates in a permit and the safety of people at a crest that moves come first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_season as k
from barrierrank.passage.kernels_days import UNKNOWN
from barrierrank.passage.passability import RunDays, codes_of
from barrierrank.passage.structures import Structures

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ALWAYS_UP = -1
NEVER_UP = 0
"""Instead of both dates: as `up_from` and `up_to` of :class:`Structures` have it."""

Worth = Callable[[FloatArray], FloatArray]

_DIGITS = 12
"""Passabilities are rounded to so many decimals: sums in another order must not part equal pairs of dates."""
_YEAR = 366


@dataclass(frozen=True, eq=False)
class CrestDays:
    """Days of the runs at one structure with a movable crest; K days, S species, Y years.

    Parameters
    ----------
    date : (K,) datetime64[D]
        Ascending; days that matter to no species may be left out.
    day_of_year : (K,) int64
        1 to 366, as in a leap year.
    up, down : (S, K) bool
        Whether each species gets past on a day with the crest up, and with it down; False where not known.
    weight : (S, K) float64
        Share of the run that arrives on a day.
    year : (S, K) int64
        Position of the run it belongs to; -1 = none.
    complete : (S, Y) bool
        Runs that count.
    wait_days : (S,) float64
        How long each species waits [days], past the end of its season too.
    """

    date: NDArray[np.datetime64]
    day_of_year: IntArray
    up: BoolArray
    down: BoolArray
    weight: FloatArray
    year: IntArray
    complete: BoolArray
    wait_days: FloatArray


@dataclass(frozen=True, eq=False)
class SeasonTrade:
    """What pairs of dates do; k pairs, S species.

    Pairs stand in the order of the days with the crest up, most first, then of `up`: of pairs that do the same in
    the years on record the first keeps the crest up longest, which leaves the widest margin before and after the run.

    Parameters
    ----------
    up, down : (k,) int64
        First and last day of the year (1 to 366, of a leap year) with the crest up; `up` after `down`: over the new
        year. Both ALWAYS_UP or both NEVER_UP: it does not move.
    p : (k, S) float64
        Share of the run that gets past, mean of the complete years; NaN without one.
    on_front : (k,) bool
        Pairs to which no other is better for one of the two species traded and as good for the other.
    best : int
        The pair of greatest worth, the first of equal ones; -1 where no worth is asked for or known.
    """

    up: IntArray
    down: IntArray
    p: FloatArray
    on_front: BoolArray
    best: int

    def __len__(self) -> int:
        return len(self.up)


def crest_days(
    structures: Structures, row: int, fish: FloatArray, days: RunDays, *, crest_reach_m: float
) -> CrestDays:
    """Work out on which days each species gets past a structure with its crest up and with it down.

    Parameters
    ----------
    structures : Structures
        The dates of the structure do not matter.
    row : int
        One with a movable crest, LOGS above 0, and a gauge.
    fish : (S, TRAITS) float64
    days : RunDays
    crest_reach_m : float
        Shortest stretch of fast water over a crest [m].

    Returns
    -------
    CrestDays
        Without complete years where the state of some day of a run cannot be worked out: no passability is known.

    Raises
    ------
    ValueError
        Where the structure has no movable crest, or no gauge.
    """
    gauge = int(structures.gauge[row])
    if gauge < 0 or not structures.numbers[row, f.LOGS] > 0.0:
        raise ValueError(
            f"structure {row} has no movable crest (logs_m above 0) or no gauge to take its flows from"
        )
    codes = []
    for held in (ALWAYS_UP, NEVER_UP):
        still = np.full(len(structures), held, dtype=np.int64)
        one = replace(structures, up_from=still, up_to=still)
        codes.append(codes_of(one, row, fish, days, crest_reach_m=crest_reach_m))
    weight, complete = days.weight[:, gauge], days.complete[:, gauge]
    lost = (np.stack(codes) == UNKNOWN).any(axis=0) & (weight > 0.0) & ~np.isnan(days.log_flow[gauge])
    if lost.any():
        complete = np.zeros_like(complete)
    up, down = (c == f.PASSES for c in codes)
    return CrestDays(days.date, days.day_of_year, up, down, weight, days.year, complete, fish[:, f.WAIT_DAYS])


def date_grid(first: int, last: int, step_days: int = 3) -> IntArray:
    """Return days of the year from `first` to `last`, `step_days` apart, both ends among them; ascending.

    Parameters
    ----------
    first, last : int
        Days of a leap year, 1 to 366; `first` after `last`: over the new year.
    step_days : int

    Raises
    ------
    ValueError
        Days out of range, or a step of less than 1.
    """
    if not (1 <= first <= _YEAR and 1 <= last <= _YEAR and step_days >= 1):
        raise ValueError(f"days {first} to {last} by {step_days}: days are 1 to 366, the step is 1 or more")
    span = (last - first) % _YEAR
    return np.unique((first - 1 + np.append(np.arange(0, span, step_days), span)) % _YEAR + 1).astype(
        np.int64
    )


def season_trade(
    crest: CrestDays, grid: IntArray, *, invader: int, native: int, worth: Worth | None = None
) -> SeasonTrade:
    """Work out the passability of every species under every pair of dates.

    On each day the crest is up or down by its dates; the passability of a year is the share of its run that arrives
    on a day from which on, within the days it waits, there is one on which it gets past.

    Parameters
    ----------
    crest : CrestDays
    grid : (m,) int64
        Days of the year to try, ascending; see :func:`date_grid`. All m x m pairs are tried, and a crest that never
        moves, up or down.
    invader, native : int
        Positions of the two species to trade.
    worth : callable, optional
        Takes passabilities (k, S), returns the worth of each pair (k,).

    Raises
    ------
    ValueError
        Where the grid is not ascending or out of range.
    """
    if grid.size and (grid[0] < 1 or grid[-1] > _YEAR or (np.diff(grid) < 1).any()):
        raise ValueError("the days of the year to try must ascend, from 1 to 366")
    up_at, down_at = _pairs(grid)
    wraps = (up_at >= 0) & (up_at > down_at)
    p = k.season_passability(
        np.ascontiguousarray(np.stack([crest.down, crest.up])),
        (
            np.ascontiguousarray(crest.weight), np.ascontiguousarray(crest.year),
            np.ascontiguousarray(crest.complete), np.ascontiguousarray(crest.wait_days, dtype=np.float64),
        ),
        crest.date.astype("datetime64[D]").astype(np.int64), (up_at, down_at, wraps), _calendar(crest, grid),
    ).round(_DIGITS)  # fmt: skip
    still = np.where(up_at == k.ALWAYS, ALWAYS_UP, NEVER_UP)
    days = np.append(grid, 0)  # a place to point at for pairs without dates
    up, down = (
        np.where(at >= 0, days[np.maximum(at, -1)], still).astype(np.int64) for at in (up_at, down_at)
    )
    return SeasonTrade(
        up, down, p, trade_front(p[:, invader], p[:, native]), -1 if worth is None else best(p, worth)
    )  # fmt: skip


def trade_front(p_invader: FloatArray, p_native: FloatArray) -> BoolArray:
    """Tell which pairs of dates are undominated: none lets fewer invaders past and as many natives, or the reverse.

    Parameters
    ----------
    p_invader, p_native : (k,) float64
        NaN is never on the front.

    Returns
    -------
    (k,) bool
        Of pairs alike in both the first alone.
    """
    place = np.arange(p_invader.size)
    order = np.lexsort((place, -p_native, p_invader))
    order = order[~np.isnan(p_invader[order] + p_native[order])]
    reached = np.maximum.accumulate(np.append(-np.inf, p_native[order]))
    front = np.zeros(p_invader.size, dtype=bool)
    front[order] = p_native[order] > reached[:-1]
    return front


def best(p: FloatArray, worth: Worth) -> int:
    """Return the pair of dates of greatest worth, the first of equal ones; -1 where none is known.

    Parameters
    ----------
    p : (k, S) float64
    worth : callable
        Takes (k, S) passabilities, returns (k,).

    Raises
    ------
    ValueError
        Where `worth` returns another shape.
    """
    value = np.asarray(worth(p), dtype=np.float64)
    if value.shape != p.shape[:1]:
        raise ValueError(
            f"worth must return one number a pair of dates, {p.shape[:1]}; it returned {value.shape}"
        )
    if value.size == 0 or np.isnan(value).all():
        return -1
    return int(np.nanargmax(value))


def _pairs(grid: IntArray) -> tuple[IntArray, IntArray]:
    """Return positions in the grid of all pairs, those with most days up first."""
    up, down = (a.ravel() for a in np.meshgrid(np.arange(grid.size), np.arange(grid.size), indexing="ij"))
    length = (grid[down] - grid[up]) % _YEAR
    order = np.lexsort((up, -length))
    still = np.array([k.ALWAYS]), np.array([k.NEVER])
    up, down = (np.concatenate([still[0], a[order], still[1]]).astype(np.int64) for a in (up, down))
    return up, down


def _calendar(crest: CrestDays, grid: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return the calendar year of each day, from 0, and where the dates of the grid fall in each of them."""
    year = crest.date.astype("datetime64[Y]").astype(np.int64)
    year -= year[0] if year.size else 0
    key = year * (_YEAR + 1) + crest.day_of_year
    years = np.arange(year[-1] + 1 if year.size else 0)
    wanted = grid[:, None] + years[None, :] * (_YEAR + 1)
    return year, np.searchsorted(key, wanted, "left"), np.searchsorted(key, wanted, "right")
