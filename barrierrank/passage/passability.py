"""Passability of structures, year by year, from flows, hydraulics and fish."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import each
from barrierrank.passage import kernels_days as k
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.kernels_states import Place, states_of
from barrierrank.passage.results import Passage, RunWeights
from barrierrank.passage.structures import Structures

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_BLOCK = 64
"""Structures a thread takes at a time: enough to be worth it, few enough that all cores end together."""

NODES = 48
"""Discharges at which each structure is judged; more of them cost more there and less on the days between."""
_DIGITS = 12
"""Decimals of passabilities: weights that sum to 1 but for rounding must not part years that are alike."""


@dataclass(frozen=True, eq=False)
class RunDays:
    """The days that matter: those of any run and those fish wait for after it; K days, g gauges, S species.

    Parameters
    ----------
    date : (K,) datetime64[D]
    day : (K,) int64
        Running number; days that do not matter are left out, so numbers may jump.
    day_of_year : (K,) int64
        1 to 366, as in a leap year.
    log_flow, temperature : (g, K) float64
        [ln m3/s], -inf without flow; [deg C]. NaN = not known.
    weight : (S, g, K) float64
    year : (S, K) int64
    years : (Y,) int64
    complete : (S, g, Y) bool
    """

    date: NDArray[np.datetime64]
    day: IntArray
    day_of_year: IntArray
    log_flow: FloatArray
    temperature: FloatArray
    weight: FloatArray
    year: IntArray
    years: IntArray
    complete: NDArray[np.bool_]

    @cached_property
    def nodes(self) -> tuple[FloatArray, tuple[IntArray, IntArray, IntArray]]:
        """Flows of each gauge at which structures are judged, (g, NODES) [ln m3/s], and which days lie between them.

        Of these the cell of each day (g, K), and where the days of each cell begin (g, NODES) in a list of days (g, K).
        """
        log_node = np.stack([_log_nodes(flow) for flow in self.log_flow])
        cell = np.stack([k.cells_of(flow, node) for flow, node in zip(self.log_flow, log_node, strict=True)])
        members = np.argsort(cell, axis=1, kind="stable")
        starts = np.stack([np.searchsorted(c[m], np.arange(NODES)) for c, m in zip(cell, members, strict=True)])
        return log_node, (cell, starts, members)


def _log_nodes(log_flow: FloatArray) -> FloatArray:
    """Return nodes, half of them evenly between the extremes, half with as many days between each two."""
    known = log_flow[np.isfinite(log_flow)]
    if not known.size:
        return np.zeros(NODES)
    half = NODES // 2
    even = np.linspace(known.min(), known.max(), NODES - half + 2)[1:-1]
    return np.sort(np.concatenate([even, np.quantile(known, np.linspace(0.0, 1.0, half))]))


def run_days(
    date: NDArray[np.datetime64], discharge: FloatArray, temperature: FloatArray, runs: Sequence[RunWeights],
    wait_days: Sequence[float],
) -> RunDays:  # fmt: skip
    """Pick the days that matter out of a record.

    Parameters
    ----------
    date : (D,) datetime64[D]
        One after the other.
    discharge, temperature : (g, D) float64
        [m3/s], [deg C]; NaN = not known.
    runs : sequence of RunWeights
        One a species.
    wait_days : sequence of float
        How long each species waits [days].
    """
    keep = np.zeros(date.size, dtype=bool)
    for run, wait in zip(runs, wait_days, strict=True):
        coming = np.asarray((run.weight > 0.0).any(axis=0))
        for days in range(int(wait) + 1):
            keep[days:] |= coming[: coming.size - days]
    at = np.flatnonzero(keep)
    with np.errstate(divide="ignore"):
        log_flow = np.log(discharge[:, at])
    return RunDays(
        date=date[at],
        day=at.astype(np.int64),
        day_of_year=leap_day(date[at]),
        log_flow=log_flow,
        temperature=np.ascontiguousarray(temperature[:, at]),
        weight=np.ascontiguousarray(np.stack([r.weight[:, at] for r in runs])),
        year=np.ascontiguousarray(np.stack([r.year[at] for r in runs])),
        years=runs[0].years,
        complete=np.stack([r.complete for r in runs]),
    )


def leap_day(date: NDArray[np.datetime64]) -> IntArray:
    """Return days of the year as a leap year numbers them, 1 to 366, so that 1 March is 61 in every year.

    Parameters
    ----------
    date : (k,) datetime64[D]
    """
    month = date.astype("datetime64[M]")
    in_month = (date - month).astype(np.int64)
    leap = np.datetime64("2000-01", "M") + (month.astype(np.int64) % 12)
    start = (leap.astype("datetime64[D]") - np.datetime64("2000-01-01", "D")).astype(np.int64)
    return np.asarray(start + in_month + 1)


def run_passability(
    structures: Structures, fish: FloatArray, days: RunDays, *, crest_reach_m: float
) -> tuple[Passage, IntArray]:
    """Work out the passability of every structure for every species in every year.

    Memory does not depend on the length of the record but for `days` itself.

    Parameters
    ----------
    structures : Structures
        n rows; those without a gauge have no passability.
    fish : (S, TRAITS) float64
        See :func:`barrierrank.passage.fish.traits_of`.
    days : RunDays
    crest_reach_m : float
        Shortest stretch of fast water over a crest [m].

    Returns
    -------
    passage : Passage
        NaN in years that are not complete at a structure's gauge, and throughout where some day's state could not be
        worked out.
    unknown : (n,) int64
        Days of the runs with a known flow whose state could not be worked out.
    """
    n, species, years = len(structures), fish.shape[0], days.years.size
    shape = (n, species, years)
    p, open_days, all_days = np.full(shape, np.nan), np.zeros(shape), np.zeros(shape)
    stopped, unknown = np.zeros((n, species, f.REASONS)), np.zeros(n, dtype=np.int64)
    one = structures
    many = (
        one.numbers, one.tail_start, one.tail_x, one.tail_y, one.up_from, one.up_to, one.gauge, one.flow_factor,
        one.flow_exponent,
    )  # fmt: skip
    record = (days.log_flow, days.temperature, days.day, days.day_of_year, *days.nodes)
    blocks = [(lo, min(lo + _BLOCK, n)) for lo in range(0, n, _BLOCK)]

    def work(rows: tuple[int, int]) -> None:
        k.tally_structures(
            rows, many, float(crest_reach_m), record, (days.weight, days.year), fish,
            (p, open_days, all_days, stopped, unknown),
        )  # fmt: skip

    each(work, blocks, threads=n >= 2 * _BLOCK)
    gauged = structures.gauge >= 0
    complete = days.complete[:, np.maximum(structures.gauge, 0)].transpose(1, 0, 2) & gauged[:, None, None]
    p[~complete | (unknown > 0)[:, None, None]] = np.nan
    with np.errstate(invalid="ignore", divide="ignore"):
        stopped /= complete.sum(axis=2)[:, :, None]
    return Passage(days.years, np.minimum(p.round(_DIGITS), 1.0), open_days, all_days, stopped), unknown


def codes_of(
    structures: Structures, row: int, fish: FloatArray, days: RunDays, *, crest_reach_m: float
) -> NDArray[np.int8]:
    """Return what stops each species on each day at one structure, (S, K); codes as `kernels_fields.PASSES`."""
    gauge = int(structures.gauge[row])
    up = int(structures.up_from[row]), int(structures.up_to[row])
    record = (
        site_log_flow(structures, row, days.log_flow[gauge]), days.temperature[gauge], days.day_of_year,
        site_log_flow(structures, row, days.nodes[0][gauge]),
        (days.nodes[1][0][gauge], days.nodes[1][1][gauge], days.nodes[1][2][gauge]),
    )  # fmt: skip
    codes = np.empty((fish.shape[0], days.day.size), dtype=np.int8)
    k.day_codes(_place(structures, row, crest_reach_m), up, record, fish, codes)
    return codes


def site_log_flow(structures: Structures, row: int, log_flow: FloatArray) -> FloatArray:
    """Return the logarithm of the discharge at a structure [ln m3/s] from that at its gauge, (K,)."""
    return np.asarray(np.log(structures.flow_factor[row]) + structures.flow_exponent[row] * log_flow)


def site_states(
    structures: Structures, row: int, discharge: FloatArray, *, logs_in: bool, crest_reach_m: float
) -> FloatArray:
    """Return the states of one structure at k discharges [m3/s], (k, STATES)."""
    given = np.ascontiguousarray(discharge, dtype=np.float64)
    return np.asarray(states_of(given, _place(structures, row, crest_reach_m), logs_in))


def _place(structures: Structures, row: int, crest_reach_m: float) -> Place:
    """Return one structure as the kernels take it."""
    one = structures
    lo, hi = int(one.tail_start[row]), int(one.tail_start[row + 1])
    return one.numbers[row], one.tail_x, one.tail_y, lo, hi, float(crest_reach_m)
