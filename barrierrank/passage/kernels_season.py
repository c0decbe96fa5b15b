"""Kernels of operation and design: passability under every pair of dates of a seasonal crest, levels turned to flows.

Of seasonal crests: days are positions in the picked days of a record (K of them, ascending, some left out between),
`end[t]` is the first position beyond the days that fish arriving at `t` wait for. Between two days on which the crest
moves, the share of the run that gets past is a difference of two running sums; only fish whose wait spans such a day
are looked at one day of arrival at a time.
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
    TAIL,
    TAIL_CHANNEL,
    TAIL_SECTION,
    TAIL_SHIFT,
)
from barrierrank.passage.kernels_sections import bed_of, manning_discharge, survey, tailwater, trapezoid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ALWAYS, NEVER = -1, -2
"""Instead of a position in the grid of dates: up all the year, down all the year."""
DOWN, UP = 0, 1


@kernel
def _next_open(passable: Bools, out: Ints) -> None:
    """Fill `out` (K + 1,) with the first passable position from each on; K where there is none."""
    out[passable.size] = passable.size
    for t in range(passable.size - 1, -1, -1):
        out[t] = t if passable[t] else out[t + 1]


@kernel
def _waits(day: Ints, wait: float) -> tuple[Ints, Ints]:
    """Return `end` (K,), and `late` (K + 1,): the first arrival whose wait is not over before each position."""
    end, late = np.empty(day.size, dtype=np.int64), np.empty(day.size + 1, dtype=np.int64)
    e = 0
    for t in range(day.size):
        while e < day.size and day[e] - day[t] <= wait:
            e += 1
        end[t] = e
    t = 0
    for position in range(day.size + 1):
        while t < day.size and end[t] <= position:
            t += 1
        late[position] = t
    return end, late


@kernel
def _running_sums(weight: Floats, end: Ints, ahead: Ints) -> Floats:
    """Return the share of the run that gets past before each position, for each state, (2, K + 1)."""
    sums = np.zeros((2, weight.size + 1))
    for state in range(2):
        for t in range(weight.size):
            gets_past = ahead[state, t] < end[t]
            sums[state, t + 1] = sums[state, t] + (weight[t] if gets_past else 0.0)
    return sums


@kernel
def _moves(
    up_at: int, down_at: int, wraps: bool, calendar: tuple[Ints, Ints, Ints], years: Ints, cuts: Ints
) -> int:
    """Fill `cuts` with the positions from which the crest has moved, ascending; return how many there are."""
    _, starts, stops = calendar
    count = 0
    for c in range(years[0], years[1] + 1):
        first, second = starts[up_at, c], stops[down_at, c]
        if wraps:
            first, second = second, first
        cuts[count], cuts[count + 1] = first, second
        count += 2
    return count


@kernel
def _gets_past(t: int, past: int, state: int, cut: int, moves: tuple[Ints, int], ahead: Ints) -> bool:
    """Tell whether some day from `t` to before `past` is passable; `cut` is the number of the next move."""
    cuts, count = moves
    while t < past:
        until = min(cuts[cut], past) if cut < count else past
        if ahead[state, t] < until:
            return True
        t, state, cut = until, 1 - state, cut + 1
    return False


@kernel
def _share(
    run: Ints, state: int, moves: tuple[Ints, int], weight: Floats, waits: tuple[Ints, Ints],
    past: tuple[Floats, Ints],
) -> float:  # fmt: skip
    """Return the share of one run, arriving from ``run[0]`` to before ``run[1]``, that gets past."""
    cuts, count = moves
    end, late = waits
    sums, ahead = past
    total, t = 0.0, run[0]
    for cut in range(count + 1):
        until = cuts[cut] if cut < count else end.size
        one_state = min(late[until], run[1])
        if one_state > t:
            total += sums[state, one_state] - sums[state, t]
            t = one_state
        while t < until and t < run[1]:
            if _gets_past(t, end[t], state, cut, moves, ahead):
                total += weight[t]
            t += 1
        if t >= run[1]:
            break
        state = 1 - state
    return total


@kernel
def _runs(weight: Floats, year: Ints, years: int) -> Ints:
    """Return the first and the position beyond the last day with fish of each year's run, (Y, 2); 0, 0: none."""
    runs = np.zeros((years, 2), dtype=np.int64)
    for t in range(weight.size):
        if weight[t] > 0.0 and year[t] >= 0:
            if runs[year[t], 1] == 0:
                runs[year[t], 0] = t
            runs[year[t], 1] = t + 1
    return runs


@kernel
def season_passability(
    passable: Bools, run: tuple[Floats, Ints, Bools, Floats], day: Ints, pairs: tuple[Ints, Ints, Bools],
    calendar: tuple[Ints, Ints, Ints],
) -> Floats:  # fmt: skip
    """Return the mean passability of every species under every pair of dates, (k, S); NaN without a complete year.

    Parameters
    ----------
    passable : (2, S, K) bool
        By day with the crest down (0) and with it up (1).
    run : weight (S, K), year (S, K), complete (S, Y), wait (S,)
        The first three of :class:`barrierrank.passage.results.RunWeights` at the structure's gauge; days of waiting.
    day : (K,) int64
        Running number of each day.
    pairs : up (k,), down (k,), wraps (k,)
        Positions in the grid of dates, or ALWAYS or NEVER; whether the crest is up over the new year.
    calendar : year_of (K,), starts (m, C), stops (m, C)
        Calendar year of each day, from 0; the first position on or after each date of the grid in each calendar year,
        and the first after it.
    """
    weight, year, complete, wait = run
    species, days = weight.shape
    out = np.full((pairs[0].size, species), np.nan)
    cuts = np.empty(2 * calendar[1].shape[1], dtype=np.int64)
    ahead, spanned = np.empty((2, days + 1), dtype=np.int64), np.empty(2, dtype=np.int64)
    for s in range(species):
        count = complete[s].sum()
        if count == 0:
            continue
        _next_open(passable[DOWN, s], ahead[DOWN])
        _next_open(passable[UP, s], ahead[UP])
        waits = _waits(day, wait[s])
        past = (_running_sums(weight[s], waits[0], ahead), ahead)
        runs = _runs(weight[s], year[s], complete.shape[1])
        out[:, s] = 0.0
        for y in range(complete.shape[1]):
            if not complete[s, y] or runs[y, 1] == 0:
                continue
            spanned[0], spanned[1] = calendar[0][runs[y, 0]], calendar[0][waits[0][runs[y, 1] - 1] - 1]
            for k in range(pairs[0].size):
                moved, state = 0, UP if pairs[0][k] == ALWAYS or pairs[2][k] else DOWN
                if pairs[0][k] >= 0:
                    moved = _moves(pairs[0][k], pairs[1][k], pairs[2][k], calendar, spanned, cuts)
                out[k, s] += _share(runs[y], state, (cuts, moved), weight[s], waits, past) / count
    return out


MOST = 1e7
"""No stream carries more [m3/s]: a level not reached until there never is."""
_LEAST = 1e-9
_TOLERANCE = 1e-11
_PROOF = 1e-9


@kernel
def _uniform_flow(level: float, row: Floats, tail_x: Floats, tail_y: Floats, lo: int, hi: int) -> float:
    """Return the discharge of uniform flow below a structure at a level [m3/s]; NaN where it is rated."""
    level -= row[TAIL_SHIFT]
    area, perimeter = np.nan, np.nan
    if row[TAIL] == TAIL_CHANNEL:
        area, perimeter, _ = trapezoid(level - row[CHANNEL_BED], row[CHANNEL_WIDTH], row[CHANNEL_SIDE])
    elif row[TAIL] == TAIL_SECTION:
        bed = bed_of(tail_x, tail_y, lo, hi)
        area, perimeter, _, _, _ = survey(level - bed, bed, tail_x, tail_y, lo, hi)
    return float(manning_discharge(area, perimeter, row[CHANNEL_SLOPE], row[CHANNEL_N]))


@kernel
def flow_at_level(level: float, row: Floats, tail_x: Floats, tail_y: Floats, lo: int, hi: int) -> float:
    """Return the greatest discharge at which the water below stands no higher than `level` [m3/s].

    0 where it does so without any flow, inf where it never does, NaN where the tailwater is not known so far. The
    tailwater must not fall with discharge. Where uniform flow gives the answer, the tailwater on either side of it
    proves it; else bracketed by factors of 4, then false position on the logarithm of the discharge (Illinois), every
    third step a bisection.
    """
    guess = _uniform_flow(level, row, tail_x, tail_y, lo, hi)
    if (
        guess > _LEAST
        and tailwater(guess * (1.0 - _PROOF), row, tail_x, tail_y, lo, hi) <= level
        and tailwater(guess * (1.0 + _PROOF), row, tail_x, tail_y, lo, hi) > level
    ):
        return guess
    low = 1.0
    below = tailwater(low, row, tail_x, tail_y, lo, hi) - level
    while below > 0.0:
        low /= 4.0
        if low < _LEAST:
            return 0.0
        below = tailwater(low, row, tail_x, tail_y, lo, hi) - level
    high, above = low, below
    while above <= 0.0:
        low, below = high, above
        high *= 4.0
        if high > MOST:
            return np.inf
        above = tailwater(high, row, tail_x, tail_y, lo, hi) - level
    if np.isnan(below) or np.isnan(above):
        return np.nan
    left, right, side = np.log(low), np.log(high), 0
    for step in range(300):
        if right - left <= _TOLERANCE:
            return float(np.exp(left))
        x = right - above * (right - left) / (above - below)
        if step % 3 == 2 or not left < x < right:
            x = 0.5 * (left + right)
        y = tailwater(np.exp(x), row, tail_x, tail_y, lo, hi) - level
        if np.isnan(y):
            return np.nan
        if y <= 0.0:
            left, below = x, y
            above = 0.5 * above if side == -1 else above
            side = -1
        else:
            right, above = x, y
            below = 0.5 * below if side == 1 else below
            side = 1
    return np.nan


@kernel
def tail_levels(
    rows: tuple[int, int], flow: Floats, numbers: Floats, tails: tuple[Ints, Floats, Floats], out: Floats
) -> None:
    """Fill `out` (n, m) with the elevation of the water below [m] at the discharges `flow` (n, m) of each row."""
    start, x, y = tails
    for i in range(rows[0], rows[1]):
        for j in range(flow.shape[1]):
            out[i, j] = np.nan
            if flow[i, j] >= 0.0:
                out[i, j] = tailwater(flow[i, j], numbers[i], x, y, start[i], start[i + 1])


@kernel
def flows_at_levels(
    rows: tuple[int, int], level: Floats, numbers: Floats, tails: tuple[Ints, Floats, Floats], out: Floats
) -> None:
    """Fill `out` (n, m) with the discharges at which the water below reaches the levels (n, m) of each row."""
    start, x, y = tails
    for i in range(rows[0], rows[1]):
        for j in range(level.shape[1]):
            out[i, j] = np.nan
            if not np.isnan(level[i, j]):
                out[i, j] = flow_at_level(level[i, j], numbers[i], x, y, start[i], start[i + 1])
