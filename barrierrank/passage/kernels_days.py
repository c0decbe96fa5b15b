"""Which days of the run a fish can get past, structure by structure.

States are worked out at the discharges of some nodes, and once more on those days whose discharge lies between two
nodes with different answers. What a node answers is kept as a reason (0 = passes, or speed decides) and the warmth from
which its speed suffices, since endurance changes with temperature from day to day.
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
from barrierrank.passage.kernels_states import Place, state

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Codes = NDArray[np.int8]
Nodes = tuple[Codes, FloatArray, FloatArray]
Cells = tuple[Codes, FloatArray, FloatArray]
Grouped = tuple[IntArray, IntArray, IntArray]
SiteDays = tuple[FloatArray, FloatArray, IntArray, FloatArray, Grouped]
Known = tuple[tuple[float, float], NDArray[np.bool_]]
Tally = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
Record = tuple[FloatArray, FloatArray, IntArray, IntArray, FloatArray, Grouped]
Many = tuple[FloatArray, IntArray, FloatArray, FloatArray, IntArray, IntArray, IntArray, FloatArray, FloatArray]

UNKNOWN = -1
"""Code of a day without flow, or whose state cannot be worked out."""
UNSURE = -2
PARTS = 8
WORTH_REFINING = 16
"""So many days that are not sure in one cell are worth judging the structure at PARTS + 1 discharges more."""
_STEPS = 8
"""Halvings of the range of temperatures; days between the last two are solved for themselves."""


@kernel
def _node(row: FloatArray, one: FloatArray, traits: FloatArray, cold: float, warm: float) -> tuple[int, float, float]:
    """Return the reason at one node, and the signed warmths below which it is too cold and from which it is enough.

    Both are -inf where warmth does not matter and inf where none is enough.
    """
    if np.isnan(one[DROP]):
        return UNKNOWN, -np.inf, -np.inf
    kind, lip = int(row[KIND]), row[LIP]
    sign = 1.0 if traits[WARMTH] >= 0.0 else -1.0
    slow, fast = (cold, warm) if sign > 0.0 else (warm, cold)
    best = verdict(kind, lip, one, fast, traits)
    if best != PASSES:
        never = np.inf if best == BY_VELOCITY else -np.inf
        return (PASSES if best == BY_VELOCITY else best), never, never
    if traits[WARMTH] == 0.0 or verdict(kind, lip, one, slow, traits) == PASSES:
        return PASSES, -np.inf, -np.inf
    for _ in range(_STEPS):
        middle = 0.5 * (slow + fast)
        if verdict(kind, lip, one, middle, traits) == PASSES:
            fast = middle
        else:
            slow = middle
    return PASSES, sign * slow, sign * fast


@kernel
def _nodes(
    place: Place, logs_in: bool, log_node: FloatArray, warmth: tuple[float, float], fish: FloatArray
) -> Nodes:
    """Return the reasons and the two warmths of :func:`_node` of every species at every node, (S, nodes) each."""
    shape = (fish.shape[0], log_node.size)
    reasons, cold, warm = np.empty(shape, dtype=np.int8), np.empty(shape), np.empty(shape)
    one = np.empty(STATES)
    for k in range(log_node.size):
        state(np.exp(log_node[k]), place, logs_in, one)
        for s in range(fish.shape[0]):
            reasons[s, k], cold[s, k], warm[s, k] = _node(place[0], one, fish[s], warmth[0], warmth[1])
    return reasons, cold, warm


@kernel
def is_up(day: int, first: int, last: int) -> bool:
    """Tell whether logs are in on a day of the year; `first` -1: always."""
    if first < 0:
        return True
    if first <= last:
        return first <= day <= last
    return day >= first or day <= last


@kernel
def _span(values: FloatArray) -> tuple[float, float]:
    """Return the least and the greatest of the finite values; inf and -inf where there are none."""
    low, high = np.inf, -np.inf
    for value in values:
        if np.isfinite(value):
            low, high = min(low, value), max(high, value)
    return low, high


@kernel
def _warmth(temperature: FloatArray, fish: FloatArray) -> tuple[float, float]:
    """Return the coldest and the warmest water to reckon with.

    Days without a temperature count as at the one that speeds are given for.
    """
    cold, warm = _span(temperature)
    for s in range(fish.shape[0]):
        if fish[s, WARMTH] != 0.0:
            cold, warm = min(cold, fish[s, WARMTH_AT]), max(warm, fish[s, WARMTH_AT])
    return (cold, warm) if np.isfinite(cold) else (0.0, 0.0)


@kernel
def _cells(nodes: Nodes) -> Cells:
    """Return what holds between each two nodes: the answer or UNSURE, and the warmths below and from which it is clear.

    Where speed decides the answer is PASSES from the greater warmth on, BY_VELOCITY below the lesser one.
    """
    reasons, cold, warm = nodes
    shape = (reasons.shape[0], reasons.shape[1] - 1)
    answer, low, high = np.empty(shape, dtype=np.int8), np.empty(shape), np.empty(shape)
    for s in range(shape[0]):
        for k in range(shape[1]):
            same = reasons[s, k] == reasons[s, k + 1]
            answer[s, k] = reasons[s, k] if same else UNSURE
            low[s, k], high[s, k] = min(cold[s, k], cold[s, k + 1]), max(warm[s, k], warm[s, k + 1])
            if answer[s, k] == PASSES and low[s, k] == np.inf:
                answer[s, k], low[s, k], high[s, k] = BY_VELOCITY, -np.inf, -np.inf
    return answer, low, high


@kernel
def _look_up(
    cells: Cells, days: tuple[IntArray, FloatArray, NDArray[np.bool_]], fish: FloatArray, logs: bool, out: Codes
) -> None:
    """Fill in what the cells say of every day on which logs are as `logs` says; UNSURE where they do not."""
    (answer, low, high), (at, temperature, up) = cells, days
    for s in range(fish.shape[0]):
        sign, usual = np.sign(fish[s, WARMTH]), fish[s, WARMTH_AT]
        for d in range(at.size):
            if up[d] != logs:
                continue
            if at[d] < 0:
                out[s, d] = at[d]
                continue
            code, need = answer[s, at[d]], high[s, at[d]]
            if code == PASSES and need > -np.inf:  # speed decides
                warmth = sign * (usual if np.isnan(temperature[d]) else temperature[d])
                code = PASSES if warmth >= need else BY_VELOCITY if warmth < low[s, at[d]] else UNSURE
            out[s, d] = code


@kernel
def _refine(place: Place, logs: bool, days: SiteDays, known: Known, fish: FloatArray, out: Codes) -> None:
    """Look up days that are not sure yet once more, between PARTS nodes in their cell, where there are many of them."""
    (log_flow, temperature, _, log_node, grouped), (warmth, logs_in) = days, known
    _, starts, members = grouped
    for c in range(log_node.size - 1):
        count = 0
        for m in range(starts[c], starts[c + 1]):
            d = members[m]
            if logs_in[d] == logs:
                for s in range(fish.shape[0]):
                    if out[s, d] == UNSURE:
                        count += 1
                        break
        if count < WORTH_REFINING:
            continue
        low, high = log_node[c], log_node[c + 1]
        parts = np.linspace(low, high, PARTS + 1)
        answer, cold, warm = _cells(_nodes(place, logs, parts, warmth, fish))
        for m in range(starts[c], starts[c + 1]):
            d = members[m]
            if logs_in[d] != logs:
                continue
            at = min(int((log_flow[d] - low) / max(high - low, 1e-300) * PARTS), PARTS - 1)
            for s in range(fish.shape[0]):
                if out[s, d] == UNSURE:
                    out[s, d] = _answer((answer[s, at], cold[s, at], warm[s, at]), temperature[d], fish[s])


@kernel
def _answer(cell: tuple[int, float, float], temperature: float, traits: FloatArray) -> int:
    """Return what a cell says of a day: the answer, or by its warmth, or UNSURE."""
    code, low, high = cell
    if code != PASSES or high == -np.inf:
        return code
    warmth = np.sign(traits[WARMTH]) * (traits[WARMTH_AT] if np.isnan(temperature) else temperature)
    return PASSES if warmth >= high else BY_VELOCITY if warmth < low else UNSURE


@kernel
def cells_of(log_flow: FloatArray, log_node: FloatArray) -> IntArray:
    """Return between which nodes each day lies; UNKNOWN without flow data, UNSURE without flow.

    Parameters
    ----------
    log_flow : (K,) float64
    log_node : (m,) float64
        Ascending, the least and the greatest finite flow among them.
    """
    out = np.empty(log_flow.size, dtype=np.int64)
    for d in range(log_flow.size):
        if np.isnan(log_flow[d]):
            out[d] = UNKNOWN
        elif np.isinf(log_flow[d]):
            out[d] = UNSURE
        else:
            out[d] = min(max(np.searchsorted(log_node, log_flow[d], "right") - 1, 0), log_node.size - 2)
    return out


@kernel
def day_codes(place: Place, up: tuple[int, int], days: SiteDays, fish: FloatArray, out: Codes) -> None:
    """Fill `out` (S, K) with the reason that stops each species on each of K days, PASSES or UNKNOWN.

    Parameters
    ----------
    place : Place
    up : tuple of int
        First and last day of the year of the logs; see :func:`is_up`.
    days : log_flow, temperature, day_of_year (K,), log_node (m,), (cell (K,), starts (m,), members)
        Logarithm of the discharge at the site [ln m3/s], -inf = no flow; [deg C]; NaN = not known. The nodes are those
        of the site; `cell` as in :func:`cells_of`, and the days of each cell.
    """
    row, (log_flow, temperature, day_of_year, log_node, grouped) = place[0], days
    if row[KIND] == NONE:
        for d in range(log_flow.size):
            out[:, d] = UNKNOWN if np.isnan(log_flow[d]) else PASSES
        return
    warmth = _warmth(temperature, fish)
    moves = row[LOGS] > 0.0 and row[KIND] != CULVERT and up[0] >= 0
    logs_in = np.ones(log_flow.size, dtype=np.bool_)
    if moves:
        for d in range(log_flow.size):
            logs_in[d] = is_up(day_of_year[d], up[0], up[1])
    known = (grouped[0], temperature, logs_in)
    _look_up(_cells(_nodes(place, True, log_node, warmth, fish)), known, fish, True, out)
    _refine(place, True, days, (warmth, logs_in), fish, out)
    if moves:
        _look_up(_cells(_nodes(place, False, log_node, warmth, fish)), known, fish, False, out)
        _refine(place, False, days, (warmth, logs_in), fish, out)
    one = np.empty(STATES)
    for d in range(log_flow.size):
        solved = False
        for s in range(fish.shape[0]):
            if out[s, d] == UNSURE:
                if not solved:
                    state(np.exp(log_flow[d]), place, logs_in[d], one)
                    solved = True
                heat = temperature[d] if not np.isnan(temperature[d]) else fish[s, WARMTH_AT]
                lost = np.isnan(one[DROP])
                out[s, d] = UNKNOWN if lost else verdict(int(row[KIND]), row[LIP], one, heat, fish[s])


@kernel
def tally(codes: Codes, day: IntArray, run: tuple[FloatArray, IntArray], wait: float, out: Tally) -> None:
    """Add up one species at one structure.

    Parameters
    ----------
    codes : (K,) int8
    day : (K,) int64
        Running number of each day, ascending; numbers may be left out.
    run : weight, year (K,)
        Of :class:`barrierrank.passage.results.RunWeights`.
    wait : float
        Days the fish wait.
    out : p, days, run_days (Y,), stopped (REASONS,)
        Filled.
    """
    (weight, year), (p, days, run_days, stopped) = run, out
    p[:], days[:], run_days[:], stopped[:] = 0.0, 0.0, 0.0, 0.0
    never = np.iinfo(np.int64).max
    next_open = never
    for d in range(codes.size - 1, -1, -1):
        if codes[d] == PASSES:
            next_open = day[d]
        if weight[d] <= 0.0 or year[d] < 0:
            continue
        if next_open != never and next_open - day[d] <= wait:
            p[year[d]] += weight[d]
        if codes[d] != UNKNOWN:
            run_days[year[d]] += 1.0
            days[year[d]] += 1.0 if codes[d] == PASSES else 0.0
            stopped[codes[d]] += weight[d]


@kernel
def tally_structures(
    rows: tuple[int, int], structures: Many, crest_reach: float, record: Record, runs: tuple[FloatArray, IntArray],
    fish: FloatArray, out: tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray],
) -> None:  # fmt: skip
    """Tally structures `rows[0]` to `rows[1]`.

    Parameters
    ----------
    structures : Many
        numbers, tail_start, tail_x, tail_y, up_from, up_to, gauge, flow_factor, flow_exponent.
    record : Record
        log_flow (g, K), temperature (g, K), day (K,), day_of_year (K,), log_node (g, m), (cell (g, K), starts (g, m),
        members (g, K)).
    runs : weight (S, g, K), year (S, K)
    out : p, days, run_days (n, S, Y), stopped (n, S, REASONS), unknown (n,)
        `unknown` counts the days of any run with a known flow whose state cannot be worked out.
    """
    numbers, tail_start, tail_x, tail_y, up_from, up_to, gauge, factor, exponent = structures
    (log_flow, temperature, day, day_of_year, log_node, grouped), (weight, year) = record, runs
    codes = np.empty((fish.shape[0], day.size), dtype=np.int8)
    for i in range(rows[0], rows[1]):
        g = gauge[i]
        if g < 0:
            continue
        here = np.log(factor[i]) + exponent[i] * log_flow[g]
        node = np.log(factor[i]) + exponent[i] * log_node[g]
        place = (numbers[i], tail_x, tail_y, tail_start[i], tail_start[i + 1], crest_reach)
        days = (here, temperature[g], day_of_year, node, (grouped[0][g], grouped[1][g], grouped[2][g]))
        day_codes(place, (up_from[i], up_to[i]), days, fish, codes)
        for d in range(day.size):
            for s in range(fish.shape[0]):
                if codes[s, d] == UNKNOWN and weight[s, g, d] > 0.0 and not np.isnan(here[d]):
                    out[4][i] += 1
                    break
        for s in range(fish.shape[0]):
            one = (out[0][i, s], out[1][i, s], out[2][i, s], out[3][i, s])
            tally(codes[s], day, (weight[s, g], year[s]), fish[s, WAIT_DAYS], one)
