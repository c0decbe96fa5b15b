"""Daily discharges and temperatures of gauges, read, checked and laid out day by day."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.cells import ids_of, is_blank
from barrierrank.inputs.flow_rows import AT, FlowRows, GaugeTable, careful_rows, quick_rows, read_gauges
from barrierrank.inputs.report import Report, in_rows, own_errors
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.project_check import nearest
from barrierrank.project_passage import FlowsSpec

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Dates = npt.NDArray[np.datetime64]

FT3_M3 = 0.028316846592
"""Cubic metres in a cubic foot (0.3048 m cubed)."""
TEMPERATURES_C = (-5.0, 50.0)
MOST_RUNOFF_MM = 10_000.0
"""More a year than this comes off no basin; the wettest on earth have some 8,000 [mm]."""
_YEARS = (1800, 2200)
_DATE = re.compile(r"(\d{4})(?:([-/.])(\d{1,2})\2(\d{1,2})|(\d{2})(\d{2}))(?:[ T]\d{1,2}:\d{2}.*)?")
_MOST_GAUGES = 10
_NO_DAY = np.datetime64("NaT", "D")


@dataclass(frozen=True, eq=False)
class FlowRecords:
    """Daily records of g gauges over D days.

    Parameters
    ----------
    gauge : (g,) object array of str
        Names in the order of the alphabet; that of a table without a column of gauges is the name of its file.
    area_km2 : (g,) float64
        Drainage area [km2]; NaN where not known.
    x, y : (g,) float64
        Place in the CRS of the basin [m]; NaN where not known.
    day : (D,) datetime64[D]
        One after the other without a gap in the calendar, from the first to the last of all gauges.
    discharge : (g, D) float64
        Mean of the day [m3/s]; NaN where missing.
    temperature : (g, D) float64
        Mean of the day [deg C]; NaN where missing.
    label : str
        File and layer, for messages.
    """

    gauge: ObjectArray
    area_km2: FloatArray
    x: FloatArray
    y: FloatArray
    day: Dates
    discharge: FloatArray
    temperature: FloatArray
    label: str = "flows"

    def __len__(self) -> int:
        return len(self.gauge)


def read_flows(project: Project, problems: Problems) -> FlowRecords:
    """Read the flows the project file names.

    Parameters
    ----------
    project : Project
        With `flows`.
    problems : Problems
        Gets everything that is wrong or was mended: rows out of order, gaps, values that stand for none.

    Returns
    -------
    FlowRecords

    Raises
    ------
    InputError
        With everything wrong with the tables: unreadable, columns that are not there, dates that are none or twice at
        one gauge, values that are no numbers, gauges listed twice.
    """
    spec = project.flows
    if spec is None:
        raise ValueError("the project has no [flows]")
    with own_errors(problems):
        target = project.basin.projection
        gauges = None if spec.gauges is None else read_gauges(spec.gauges, target, problems)
        rows = quick_rows(spec, problems) or careful_rows(spec, target, problems)
        if rows is None:  # columns are missing
            return _nothing()
        return _Reader(rows, spec, gauges, Report(problems, rows.label, AT)).records()


def _nothing() -> FlowRecords:
    """Return no records; never seen by callers, for the errors found are raised instead of it."""
    none, no = np.empty(0, dtype=object), np.empty(0)
    return FlowRecords(none, no, no, no, no.astype("datetime64[D]"), no.reshape(0, 0), no.reshape(0, 0))


def _day(text: str) -> np.datetime64:
    """Return the day in a text of year, month and day, less a time behind them; NaT where there is none."""
    match = _DATE.fullmatch(text)
    if match is None or not _YEARS[0] <= int(match[1]) <= _YEARS[1]:
        return _NO_DAY
    try:
        month, day = int(match[3] or match[5]), int(match[4] or match[6])
        return np.datetime64(datetime.date(int(match[1]), month, day), "D")
    except ValueError:  # no such day
        return _NO_DAY


class _Reader:
    """Lays the rows of one table out by gauge and day."""

    def __init__(self, rows: FlowRows, spec: FlowsSpec, gauges: GaugeTable | None, report: Report) -> None:
        self.rows = rows
        self.spec = spec
        self.listed = gauges
        self.report = report

    def records(self) -> FlowRecords:
        """Return the records; complain of rows and tell what was mended."""
        day, (gauge, names) = self.days(), self.gauges()
        discharge, temperature = self.values()
        order = np.flatnonzero(~np.isnat(day) & (gauge >= 0))
        if not order.size:
            return _nothing()  # told already
        order = order[np.argsort(gauge[order], kind="stable")]
        if self.tell_unsorted(gauge[order], day[order], order, names):
            order = order[np.lexsort((day[order], gauge[order]))]
        self.check_twice(gauge[order], day[order], discharge[order], temperature[order], order, names)
        first, last = day[order].min(), day[order].max()
        shape = len(names), int((last - first).astype(np.int64)) + 1
        at = gauge[order], (day[order] - first).astype(np.int64)
        flow, heat = np.full(shape, np.nan), np.full(shape, np.nan)
        flow[at], heat[at] = discharge[order], temperature[order]
        area, x, y = self.places(names)
        calendar = np.arange(first, last + 1)
        self.tell_gaps(flow, calendar, names)
        self.tell_runoff(flow, area, names)
        return FlowRecords(names, area, x, y, calendar, flow, heat, self.rows.label)

    def error(self, kind: str, at: IntArray, what: str, remedy: str) -> None:
        """Complain of the rows at some positions, if there are any."""
        if at.size:
            rows = self.rows.row[at].tolist()
            self.report.error(kind, f"{in_rows(rows)}: {what}", remedy=remedy, ids=rows)

    def days(self) -> Dates:
        """Return the day of each row, NaT where there is none; complain of what is no date."""
        days = np.array([_day(text) for text in self.rows.dates], dtype="datetime64[D]")
        wrong = np.isnat(days)
        if wrong.any():
            example = next(t for t, bad in zip(self.rows.dates, wrong, strict=True) if bad)
            at = np.flatnonzero(wrong[self.rows.date])
            allowed = f"a day of the years {_YEARS[0]} to {_YEARS[1]}"
            what = f'column "{self.spec.date}": given "{example}", allowed: {allowed}'
            self.error("bad_date", at, what, "write year-month-day, for example 2024-06-30")
        return days[self.rows.date]

    def gauges(self) -> tuple[IntArray, ObjectArray]:
        """Return the number of each row's gauge (-1: none) and the names, in the order of the alphabet."""
        if self.spec.gauge is None:
            name = self.spec.path.stem
            if self.listed is not None and len(self.listed.name) == 1:
                name = self.listed.name[0]
            elif self.listed is not None:
                count = len(self.listed.name)
                message = f"{self.listed.label} lists {count} gauges, but no column says whose row it is"
                remedy = "add [flows] gauge = the name of the column, or keep one gauge in that table"
                self.report.error("missing_key", message, remedy=remedy)
            return self.rows.gauge, np.array([name], dtype=object)
        blank = is_blank(self.rows.gauges)
        what = f'column "{self.spec.gauge}" is empty'
        self.error("missing_id", np.flatnonzero(blank[self.rows.gauge]), what, "name the gauge in every row")
        texts = ids_of(self.rows.gauges)
        names = np.array(sorted(set(texts[~blank])), dtype=object)
        place = {name: i for i, name in enumerate(names)}
        code = np.array([place.get(t, -1) for t in texts], dtype=np.int64)
        return code[self.rows.gauge], names

    def values(self) -> tuple[FloatArray, FloatArray]:
        """Return discharges [m3/s] and temperatures [deg C]; NaN where missing or impossible, which is told."""
        discharge = self.without_missing(self.rows.discharge, self.spec.discharge)
        negative = discharge < 0.0
        if negative.any():
            rows = self.rows.row[negative].tolist()
            least = f"{discharge[negative].min():g}"
            message = (
                f'{in_rows(rows)}, column "{self.spec.discharge}": {len(rows)} discharge(s) below 0, down to {least}; '
                "counted as missing"
            )
            remedy = f"if {least} stands for no value, add it to [flows] missing; else mend the values"
            self.report.add("warning", "negative_discharge", message, remedy=remedy, ids=rows)
            discharge = np.where(negative, np.nan, discharge)
        if self.spec.discharge_unit == "ft3s":
            discharge = discharge * FT3_M3
        temperature = self.rows.temperature
        if self.spec.temperature is not None:
            temperature = self.without_missing(temperature, self.spec.temperature)
            low, high = TEMPERATURES_C
            odd = np.flatnonzero((temperature < low) | (temperature > high))
            if odd.size:
                allowed = f"{low:g} to {high:g} deg C"
                what = f'column "{self.spec.temperature}": given {temperature[odd[0]]:g}, allowed: {allowed}'
                remedy = "convert degrees Fahrenheit; a number that stands for no value belongs into [flows] missing"
                self.error("out_of_range", odd, what, remedy)
        return discharge, temperature

    def without_missing(self, value: FloatArray, column: str) -> FloatArray:
        """Return a column with NaN for the numbers that stand for no value; tell how many."""
        stands = np.isin(value, [float(m) for m in self.spec.missing if not isinstance(m, str)])
        if stands.any():
            given = some([f"{v:g}" for v in np.unique(value[stands])])
            message = f'column "{column}": {int(stands.sum())} cell(s) with {given} count as missing'
            self.report.add("note", "missing_value", message, ids=self.rows.row[stands].tolist())
        return np.where(stands, np.nan, value)

    def tell_unsorted(self, gauge: IntArray, day: Dates, at: IntArray, names: ObjectArray) -> bool:
        """Return whether days of a gauge come out of order, and tell where first; rows are in the order of gauges."""
        back = np.flatnonzero((day[1:] < day[:-1]) & (gauge[1:] == gauge[:-1])) + 1
        if back.size:
            rows = self.rows.row[at[back]].tolist()
            whose = some(list(names[np.unique(gauge[back])]))
            message = f"{in_rows(rows)}: dates come before the one above them (gauge {whose}); sorted"
            self.report.add("mended", "unsorted_dates", message, ids=rows)
        return bool(back.size)

    def check_twice(
        self, gauge: IntArray, day: Dates, discharge: FloatArray, temperature: FloatArray, at: IntArray,
        names: ObjectArray,
    ) -> None:  # fmt: skip
        """Complain of days that are there twice with different values; tell of those with the same."""
        again = np.flatnonzero((gauge[1:] == gauge[:-1]) & (day[1:] == day[:-1])) + 1
        if not again.size:
            return
        same = np.ones(again.size, dtype=bool)
        for value in (discharge, temperature):
            one, other = value[again], value[again - 1]
            same &= (one == other) | (np.isnan(one) & np.isnan(other))
        rows = self.rows.row[at[again[same]]].tolist()
        if rows:
            message = f"{in_rows(rows)}: day(s) that are there twice with the same values; counted once"
            self.report.add("mended", "duplicate_date", message, ids=rows)
        differ = again[~same]
        if differ.size:
            first = differ[0]
            pairs = np.unique(at[np.concatenate([differ - 1, differ])])
            what = f"{day[first]} is there twice at gauge {names[gauge[first]]}, with different values"
            remedy = "keep one row a day: the mean of the day"
            if self.spec.gauge is None:
                remedy += "; if the table holds several gauges, name their column in [flows] gauge"
            self.error("duplicate_date", pairs, what, remedy)

    def places(self, names: ObjectArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return area [km2], x and y of each gauge; tell of gauges that are in one of the two tables alone."""
        nowhere = np.full(len(names), np.nan)
        if self.listed is None:
            return nowhere, nowhere, nowhere
        listed = self.listed
        place = {name: i for i, name in enumerate(listed.name)}
        at = np.array([place.get(name, -1) for name in names], dtype=np.int64)
        report = Report(self.report.problems, listed.label, f"{AT} gauges")
        for name in names[at < 0][:_MOST_GAUGES]:
            bare = [g for g in listed.name if g.lstrip("0") == name.lstrip("0")]
            lost = f'"{bare[0]}" looks like it but for zeros in front, which spreadsheets drop' if bare else ""
            remedy = lost or f"{nearest(name, listed.name)} add a row with its area_km2".strip()
            message = f'gauge "{name}" has flows but no row there, so that its drainage area is not known'
            report.add("warning", "unknown_gauge", message, remedy=remedy, ids=[name])
        if (at < 0).sum() > _MOST_GAUGES:
            rest = list(names[at < 0][_MOST_GAUGES:])
            message = f"more gauges with flows but no row there: {some(rest)}"
            report.add("warning", "unknown_gauge", message, remedy="add rows with their area_km2", ids=rest)
        idle = sorted(set(listed.name) - set(names) - {""})
        if idle:
            report.add("note", "gauge_without_flow", f"gauge {some(idle)} has no flows and is not used", ids=idle)
        area, x, y = (np.where(at >= 0, v[at], np.nan) for v in (listed.area_km2, listed.x, listed.y))
        return area, x, y

    def tell_gaps(self, flow: FloatArray, day: Dates, names: ObjectArray) -> None:
        """Tell how many gaps each gauge's record has and which is the longest."""
        told: list[tuple[int, int]] = []  # days of the longest gap, gauge
        found: dict[int, str] = {}
        for g, name in enumerate(names):
            known = np.flatnonzero(~np.isnan(flow[g]))
            if not known.size:
                message = f"gauge {name} has no discharge at all"
                remedy = f'check the column "{self.spec.discharge}" and [flows] missing'
                self.report.add("warning", "no_discharge", message, remedy=remedy, ids=[name])
                continue
            if not (flow[g][known] > 0.0).any():
                message = f"gauge {name}: every discharge is 0: what is worked out is for a dry stream"
                remedy = f'check the column "{self.spec.discharge}"'
                self.report.add("warning", "no_discharge", message, remedy=remedy, ids=[name])
            step = np.diff(known)
            gaps = np.flatnonzero(step > 1)
            if not gaps.size:
                continue
            longest = int(step.argmax())
            begin, end, days = known[longest] + 1, known[longest + 1] - 1, int(step[longest]) - 1
            found[g] = (
                f"gauge {name}, {day[known[0]]} to {day[known[-1]]}: {gaps.size} gap(s) without a discharge, "
                f"{int((step - 1).sum())} days in all, the longest of {days} days from {day[begin]} to {day[end]}"
            )
            told.append((-days, g))
        for _, g in sorted(told)[:_MOST_GAUGES]:
            self.report.add("note", "flow_gaps", found[g], ids=[names[g]])
        rest = [str(names[g]) for _, g in sorted(told)[_MOST_GAUGES:]]
        if rest:
            message = f"{len(rest)} more gauges have gaps, none of more than {-sorted(told)[_MOST_GAUGES][0]} days"
            self.report.add("note", "flow_gaps", message, ids=rest)

    def tell_runoff(self, flow: FloatArray, area: FloatArray, names: ObjectArray) -> None:
        """Warn of gauges with more water than any basin of their size can have: a unit is wrong."""
        for g in np.flatnonzero((area > 0.0) & ~np.isnan(flow).all(axis=1)):
            runoff = float(np.nanmean(flow[g])) * 86400.0 * 365.25 / (area[g] * 1e6) * 1000.0
            if runoff > MOST_RUNOFF_MM:
                message = (
                    f"gauge {names[g]}: its mean discharge is {runoff:,.0f} mm a year from {area[g]:g} km2, "
                    f"more than comes off any basin ({MOST_RUNOFF_MM:,.0f} mm)"
                )
                remedy = "check [flows] discharge_unit and the unit of area_km2"
                self.report.add("warning", "runoff", message, remedy=remedy, ids=[names[g]])
