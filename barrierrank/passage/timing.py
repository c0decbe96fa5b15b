"""When the run of a species comes by, day by day and year by year: by date, by temperature or by degree-days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.flows import FlowRecords
from barrierrank.passage.passability import leap_day
from barrierrank.passage.results import RunWeights
from barrierrank.problems import Problems, some
from barrierrank.project_dates import DAYS, month_day
from barrierrank.project_passage import RunSpec

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Dates = npt.NDArray[np.datetime64]

FILLED_DAYS = 5
"""Gaps of temperature up to this long are bridged by a straight line; water does not change faster than that [days]."""
_SLACK = 1.0 - 1e-9
_FEB_29 = 60


def run_weights(
    run: RunSpec, flows: FlowRecords, least_complete: float, problems: Problems, *, at: str = "run"
) -> RunWeights:
    """Spread the run of a species over the days of each year, at every gauge.

    A year is the one its season begins in. It is complete where

    1. its season lies wholly between the first and the last known flow of the gauge,
    2. the run can be timed on at least `least_complete` of the season's days (always, by date),
    3. some of the run comes by, and days with a known flow have at least `least_complete` of it.

    The run of a complete year is put on the days with a known flow, as if those without were like them; it sums to 1.

    Parameters
    ----------
    run : RunSpec
        The curve is straight between its points and keeps the end weights beyond them, within the season. Degree-days
        are those of the season up to and with the day itself.
    flows : FlowRecords
        g gauges, D days.
    least_complete : float
        Share, above 0 and up to 1.
    problems : Problems
        Told are years that do not count and why, and gauges at which none does.
    at : str
        Table of the project file, for messages.

    Returns
    -------
    RunWeights
        `years`: every calendar year from the first to the last day of the record, whatever the season.
    """
    seasons = _seasons(run.season, flows.day)
    raw = np.where(seasons.year >= 0, _raw_weights(run, flows, seasons), 0.0)
    timed, has_flow = ~np.isnan(raw), ~np.isnan(flows.discharge)
    raw = np.nan_to_num(raw, nan=0.0)
    usable = np.where(has_flow, raw, 0.0)
    length = np.maximum(seasons.total(np.ones((1, flows.day.size))), 1.0)
    share_timed = seasons.total(timed.astype(np.float64)) / length
    whole, known = seasons.total(raw), seasons.total(usable)
    within = seasons.within(flows.day, has_flow)
    timing = share_timed >= least_complete * _SLACK
    complete = within & timing & (known > 0.0) & (known >= least_complete * _SLACK * whole)
    scale = np.where(complete, 1.0 / np.where(complete, known, 1.0), 0.0)
    weight = np.where(seasons.year >= 0, usable * scale[:, np.maximum(seasons.year, 0)], 0.0)
    _Teller(run, flows, seasons.years, problems, at).tell(within, timing, whole > 0.0, complete)
    return RunWeights(weight, seasons.year, seasons.years, complete)


def fill_gaps(value: FloatArray, most: int = FILLED_DAYS) -> FloatArray:
    """Bridge short gaps by straight lines; gaps at the ends of a record stay.

    Parameters
    ----------
    value : (g, D) float64
        One row a gauge, one column a day; NaN where not known.
    most : int
        Longest gap to bridge [days].

    Returns
    -------
    (g, D) float64
    """
    days = value.shape[1]
    known = ~np.isnan(value)
    at = np.arange(days)
    before = np.maximum.accumulate(np.where(known, at, -1), axis=1)
    after = np.minimum.accumulate(np.where(known, at, days)[:, ::-1], axis=1)[:, ::-1]
    short = ~known & (before >= 0) & (after < days) & (after - before - 1 <= most)
    row, column = np.nonzero(short)
    left, right = before[row, column], after[row, column]
    out = value.copy()
    part = (column - left) / (right - left)
    out[row, column] = value[row, left] * (1.0 - part) + value[row, right] * part
    return out


@dataclass(frozen=True, eq=False)
class _Seasons:
    """The seasons of a record; D days, Y years.

    Parameters
    ----------
    year : (D,) int64
        Position in `years`, -1 out of season and where the season began before the record's first year.
    since : (D,) int64
        Days since the first of the season, of a leap year.
    years : (Y,) int64
    first, last : (Y,) datetime64[D]
        Both in the season.
    """

    year: IntArray
    since: IntArray
    years: IntArray
    first: Dates
    last: Dates

    def total(self, value: FloatArray) -> FloatArray:
        """Return the sums of (g, D) values over each year's season, (g, Y)."""
        out = np.zeros((value.shape[0], self.years.size))
        at = np.flatnonzero(self.year >= 0)
        if at.size:
            label = self.year[at]
            starts = np.flatnonzero(np.concatenate([[True], label[1:] != label[:-1]]))
            out[:, label[starts]] = np.add.reduceat(value[:, at], starts, axis=1)
        return out

    def within(self, day: Dates, known: BoolArray) -> BoolArray:
        """Return which seasons lie between the first and the last known day of each gauge, (g, Y)."""
        some_day = known.any(axis=1, keepdims=True)
        begin = day[known.argmax(axis=1)][:, None]
        end = day[day.size - 1 - known[:, ::-1].argmax(axis=1)][:, None]
        return np.asarray(some_day & (self.first >= begin) & (self.last <= end))


def _seasons(season: tuple[int, int], day: Dates) -> _Seasons:
    """Cut a record into seasons given as days of a leap year."""
    first, last = season
    of_year = leap_day(day)
    calendar = day.astype("datetime64[Y]").astype(np.int64) + 1970
    years = np.arange(calendar[0], calendar[-1] + 1)
    since = (of_year - first) % DAYS
    begun = calendar - (of_year < first)  # within a season that passes new year: the year before
    inside = (since <= (last - first) % DAYS) & (begun >= years[0])
    year = np.where(inside, begun - years[0], -1).astype(np.int64)
    ends = years + (last < first)
    return _Seasons(year, since, years, _date(years, first, late=True), _date(ends, last, late=False))


def _date(years: IntArray, of_year: int, *, late: bool) -> Dates:
    """Return a day of the year in each year; for 29 February where there is none the day after or before."""
    leap = (years % 4 == 0) & ((years % 100 != 0) | (years % 400 == 0))
    missed = ~leap & (of_year > _FEB_29 if late else of_year >= _FEB_29)
    new_year = (years - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray(new_year + (of_year - 1 - missed.astype(np.int64)))


def _raw_weights(run: RunSpec, flows: FlowRecords, seasons: _Seasons) -> FloatArray:
    """Return the curve's weight on each day, (g, D), not to scale; NaN where the run cannot be timed."""
    x, weight = np.array(run.curve, dtype=np.float64).T
    if run.by == "date":
        by_date = np.interp(seasons.since, (x - run.season[0]) % DAYS, weight)
        return np.broadcast_to(by_date, flows.discharge.shape)
    temperature = fill_gaps(flows.temperature)
    if run.by == "temperature":
        return np.asarray(np.interp(temperature, x, weight))
    return _by_degree_days(temperature, run.base_c, seasons, (x, weight))


def _by_degree_days(
    temperature: FloatArray, base_c: float, seasons: _Seasons, curve: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Return weights by degree-days since the season's first day.

    After a day without temperature the sum is only known to be at least what it was. That decides nothing but where the
    curve's last point is passed already, beyond which its weight does not change.
    """
    x, weight = curve
    inside = seasons.year >= 0
    unknown = np.isnan(temperature) & inside
    warmth = np.where(unknown | ~inside, 0.0, np.maximum(temperature - base_c, 0.0))
    least, gaps = np.cumsum(warmth, axis=1), np.cumsum(unknown, axis=1)
    new = inside & (np.diff(seasons.year, prepend=-1) != 0)
    start = np.maximum.accumulate(np.where(new, np.arange(inside.size), 0))  # first day of the season a day is in
    least = least - (least - warmth)[:, start]
    gaps = gaps - (gaps - unknown)[:, start]
    out = np.interp(least, x, weight)
    out[(gaps > 0) & (least < x[-1])] = np.nan
    return np.asarray(out)


class _Teller:
    """Says which years of which gauges do not count, and why."""

    def __init__(
        self, run: RunSpec, flows: FlowRecords, years: IntArray, problems: Problems, at: str
    ) -> None:  # fmt: skip
        self.run = run
        self.flows = flows
        self.years = years
        self.problems = problems
        self.at = at

    def tell(self, within: BoolArray, timing: BoolArray, comes: BoolArray, complete: BoolArray) -> None:
        """Tell everything; each argument is (g, Y)."""
        self.tell_open_ends()
        self.years_out(
            "run_not_timed", within & ~timing, "too few days of the season have a temperature",
            "fill gaps of the temperatures",
        )  # fmt: skip
        curve = {"temperature": "temperatures", "degree_days": "degree-days", "date": "dates"}[self.run.by]
        self.years_out(
            "no_run", within & timing & ~comes, f"no day of the season has a weight above 0 on the curve of {curve}",
            "check the season and the curve",
        )  # fmt: skip
        self.years_out(
            "run_without_flow", within & timing & comes & ~complete, "too much of the run falls on days without a flow",
            "fill gaps of the discharges",
        )  # fmt: skip
        none = [str(g) for g in self.flows.gauge[~complete.any(axis=1)]]
        if none:
            first, last = (month_day(d) for d in self.run.season)
            gauges = f"gauge{'s' if len(none) > 1 else ''} {some(none)}"
            never = ~complete.any(axis=1, keepdims=True)
            remedy = "give a longer record, fill its gaps, or lower [passage] least_complete"
            if (never & within & ~timing).any():
                remedy = 'fill gaps of the temperatures, or time the run by = "date"'
            elif (never & within & timing & ~comes).any():
                remedy = f"no day has a weight above 0: check the season and the curve of {curve}"
            self.problems.warning(
                "no_complete_year",
                f"[{self.at}]: {gauges}: no season from {first} to {last} is complete, so that passability cannot be "
                "computed there",
                where=self.flows.label, ids=none, remedy=remedy,
            )  # fmt: skip

    def years_out(self, kind: str, out: BoolArray, why: str, remedy: str) -> None:
        """Tell the years that do not count for one reason, if there are any."""
        if not out.any():
            return
        gauges = np.flatnonzero(out.any(axis=1))
        listed = [f"gauge {self.flows.gauge[g]}: {some(self.years[out[g]], 10)}" for g in gauges[:5]]
        more = f"; and at {gauges.size - 5} more gauges" if gauges.size > 5 else ""
        message = f"[{self.at}]: {int(out.sum())} year(s) are left out, for {why} ({'; '.join(listed)}{more})"
        ids: Iterable[str] = (str(self.flows.gauge[g]) for g in gauges)
        self.problems.note(kind, message, where=self.flows.label, ids=tuple(ids), remedy=remedy)

    def tell_open_ends(self) -> None:
        """Tell where a curve of dates ends above 0 within the season and so goes on to the season's end."""
        if self.run.by != "date":
            return
        season, points = self.run.season, self.run.curve
        for (x, weight), end in ((points[0], season[0]), (points[-1], season[1])):
            if weight > 0.0 and int(x) != end:
                ends = "begins" if end == season[0] else "ends"
                message = (
                    f"[{self.at}] curve: its weight {weight:g} on {month_day(int(x))} holds to {month_day(end)}, "
                    f"where the season {ends}"
                )
                remedy = "give a point of weight 0 where the run is over, or a shorter season"
                self.problems.note("open_curve", message, remedy=remedy)
