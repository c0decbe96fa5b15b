"""Which days of the run a fish can get past, structure by structure.

States are worked out at NODES discharges of each structure and species, and once more on those days whose discharge
lies between two nodes with different answers. What a node answers is kept as a reason (0 = passes or only speed decides)
and the warmth from which its speed suffices, since endurance changes with temperature from day to day.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_fields import (
    BY_VELOCITY,
    CULVERT,
    DROP,
    KIND,
    LIP,
    LOGS,
    NONE,
    PASSES,
    STATES,
    WAIT_DAYS,
    WARMTH,
    WARMTH_AT,
)
from barrierrank.passage.kernels_fish import verdict
from barrierrank.passage.kernels_states import state

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Codes = NDArray[np.int8]

NODES = 64
UNKNOWN = -1
"""Code of a day without flow, or whose state cannot be worked out."""
_STEPS = 30


@kernel
def _node(row: FloatArray, one: FloatArray, traits: FloatArray, cold: float, warm: float) -> tuple[int, float]:
    """Return the reason at one node and the signed warmth it needs (-inf: none, inf: never enough)."""
    if np.isnan(one[DROP]):
        return UNKNOWN, -np.inf
    kind, lip = int(row[KIND]), row[LIP]
    sign = 1.0 if traits[WARMTH] >= 0.0 else -1.0
    slow, fast = (cold, warm) if sign > 0.0 else (warm, cold)
    best = verdict(kind, lip, one, fast, traits)
    if best != PASSES:
        return (PASSES, np.inf) if best == BY_VELOCITY else (best, -np.inf)
    if traits[WARMTH] == 0.0 or verdict(kind, lip, one, slow, traits) == PASSES:
        return PASSES, -np.inf
    for _ in range(_STEPS):
        middle = 0.5 * (slow + fast)
        if verdict(kind, lip, one, middle, traits) == PASSES:
            fast = middle
        else:
            slow = middle
    return PASSES, sign * fast


@kernel
def _nodes(
    row: FloatArray, tail_x: FloatArray, tail_y: FloatArray, lo: int, hi: int, logs_in: bool, crest_reach: float,
    ends: tuple[float, float], warmth: tuple[float, float], fish: FloatArray,
) -> tuple[Codes, FloatArray]:  # fmt: skip
    """Return reasons and needed warmths of every species at every node, (S, NODES) each."""
    reasons = np.empty((fish.shape[0], NODES), dtype=np.int8)
    needs = np.empty((fish.shape[0], NODES))
    one = np.empty(STATES)
    for k in range(NODES):
        q = np.exp(ends[0] + (ends[1] - ends[0]) * k / (NODES - 1))
        state(q, row, tail_x, tail_y, lo, hi, logs_in, crest_reach, one)
        for s in range(fish.shape[0]):
            reasons[s, k], needs[s, k] = _node(row, one, fish[s], warmth[0], warmth[1])
    return reasons, needs


@kernel
def is_up(day: int, first: int, last: int) -> bool:
    """Tell whether logs are in on a day of the year; `first` -1: always."""
    if first < 0:
        return True
    if first <= last:
        return first <= day <= last
    return day >= first or day <= last


@kernel
def day_codes(
    row: FloatArray, tail_x: FloatArray, tail_y: FloatArray, lo: int, hi: int, up: tuple[int, int],
    crest_reach: float, log_flow: FloatArray, temperature: FloatArray, day_of_year: IntArray, fish: FloatArray,
    out: Codes,
) -> None:  # fmt: skip
    """Fill `out` (S, K) with the reason that stops each species on each of K days, PASSES or UNKNOWN.

    Parameters
    ----------
    up : tuple of int
        First and last day of the year of the logs; see :func:`is_up`.
    log_flow : (K,) float64
        Logarithm of the discharge at the site [ln m3/s]; -inf = no flow, NaN = not known.
    temperature : (K,) float64
        [deg C]; NaN = not known.
    """
    low, high, cold, warm = np.inf, -np.inf, np.inf, -np.inf
    for d in range(log_flow.size):
        if np.isfinite(log_flow[d]):
            low, high = min(low, log_flow[d]), max(high, log_flow[d])
        if not np.isnan(temperature[d]):
            cold, warm = min(cold, temperature[d]), max(warm, temperature[d])
    if row[KIND] == NONE or not np.isfinite(low):
        for d in range(log_flow.size):
            out[:, d] = PASSES if row[KIND] == NONE and not np.isnan(log_flow[d]) else UNKNOWN
        return
    for s in range(fish.shape[0]):  # days without a temperature count as at the temperature speeds are given for
        if fish[s, WARMTH] != 0.0:
            cold, warm = min(cold, fish[s, WARMTH_AT]), max(warm, fish[s, WARMTH_AT])
    high = max(high, low + 1e-6)
    ends, warmth = (low, high), (cold, warm)
    moves = row[LOGS] > 0.0 and up[0] >= 0 and row[KIND] != CULVERT
    reasons_in, needs_in = _nodes(row, tail_x, tail_y, lo, hi, True, crest_reach, ends, warmth, fish)
    reasons_out, needs_out = reasons_in, needs_in
    if moves:
        reasons_out, needs_out = _nodes(row, tail_x, tail_y, lo, hi, False, crest_reach, ends, warmth, fish)
    one = np.empty(STATES)
    step = (NODES - 1) / (high - low)
    for d in range(log_flow.size):
        if np.isnan(log_flow[d]):
            out[:, d] = UNKNOWN
            continue
        logs_in = is_up(day_of_year[d], up[0], up[1])
        reasons, needs = (reasons_in, needs_in) if logs_in else (reasons_out, needs_out)
        at = -1
        if log_flow[d] > -np.inf:
            at = min(int((log_flow[d] - low) * step), NODES - 2)
        solved = False
        for s in range(fish.shape[0]):
            heat = temperature[d] if not np.isnan(temperature[d]) else fish[s, WARMTH_AT]
            signed = 0.0 if fish[s, WARMTH] == 0.0 else heat if fish[s, WARMTH] > 0.0 else -heat
            if at >= 0 and reasons[s, at] == reasons[s, at + 1]:
                enough = signed >= needs[s, at]
                if enough == (signed >= needs[s, at + 1]):
                    code = reasons[s, at]
                    out[s, d] = BY_VELOCITY if code == PASSES and not enough else code
                    continue
            if not solved:
                state(np.exp(log_flow[d]), row, tail_x, tail_y, lo, hi, logs_in, crest_reach, one)
                solved = True
            out[s, d] = UNKNOWN if np.isnan(one[DROP]) else verdict(int(row[KIND]), row[LIP], one, heat, fish[s])


@kernel
def tally(
    codes: Codes, day: IntArray, weight: FloatArray, year: IntArray, wait: float, p: FloatArray, days: FloatArray,
    run_days: FloatArray, stopped: FloatArray,
) -> None:  # fmt: skip
    """Add up one species at one structure; the last four arrays are filled (named apart, as `out` elsewhere).

    Parameters
    ----------
    codes : (K,) int8
    day : (K,) int64
        Running number of each day, ascending; numbers may be left out.
    weight, year : (K,)
        Of :class:`barrierrank.passage.results.RunWeights`.
    """
    p[:], days[:], run_days[:], stopped[:] = 0.0, 0.0, 0.0, 0.0
    next_open = np.iinfo(np.int64).max
    for d in range(codes.size - 1, -1, -1):
        if codes[d] == PASSES:
            next_open = day[d]
        if weight[d] <= 0.0 or year[d] < 0:
            continue
        if next_open != np.iinfo(np.int64).max and next_open - day[d] <= wait:
            p[year[d]] += weight[d]
        if codes[d] != UNKNOWN:
            run_days[year[d]] += 1.0
            days[year[d]] += 1.0 if codes[d] == PASSES else 0.0
            stopped[codes[d]] += weight[d]


@kernel
def tally_structures(
    rows: tuple[int, int], numbers: FloatArray, tails: tuple[IntArray, FloatArray, FloatArray],
    ups: tuple[IntArray, IntArray], crest_reach: float, flows: tuple[IntArray, FloatArray, FloatArray],
    record: tuple[FloatArray, FloatArray, IntArray, IntArray], weight: FloatArray, year: IntArray,
    fish: FloatArray, out: tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray],
) -> None:  # fmt: skip
    """Tally structures `rows[0]` to `rows[1]`.

    Parameters
    ----------
    tails : tail_start, tail_x, tail_y
    ups : up_from, up_to
    flows : gauge, factor, exponent of each structure
    record : log_flow (g, K), temperature (g, K), day (K,), day_of_year (K,)
    weight, year : (S, g, K), (S, K)
    out : p, days, run_days (n, S, Y), stopped (n, S, REASONS), unknown (n,)
        `unknown` counts the days of the run with flow whose state cannot be worked out.
    """
    tail_start, tail_x, tail_y = tails
    log_flow, temperature, day, day_of_year = record
    codes = np.empty((fish.shape[0], day.size), dtype=np.int8)
    for i in range(rows[0], rows[1]):
        g = flows[0][i]
        if g < 0:
            continue
        here = np.log(flows[1][i]) + flows[2][i] * log_flow[g]
        day_codes(
            numbers[i], tail_x, tail_y, tail_start[i], tail_start[i + 1], (ups[0][i], ups[1][i]), crest_reach,
            here, temperature[g], day_of_year, fish, codes,
        )  # fmt: skip
        for s in range(fish.shape[0]):
            for d in range(day.size):
                if codes[s, d] == UNKNOWN and weight[s, g, d] > 0.0 and not np.isnan(here[d]):
                    out[4][i] += 1
            tally(
                codes[s], day, weight[s, g], year[s], fish[s, WAIT_DAYS], out[0][i, s], out[1][i, s],
                out[2][i, s], out[3][i, s],
            )  # fmt: skip
