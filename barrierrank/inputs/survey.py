"""Measured habitat: what a survey found on lines or at points, read and checked."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers, read_shares
from barrierrank.inputs.crs import FARTHEST_M, check_units, transformer
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.tables import RawTable, is_plain_table, read_table
from barrierrank.inputs.vector import Wanted, find_layer
from barrierrank.problems import InputError, Problems, some
from barrierrank.project_check import nearest, parse_crs

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Dates = npt.NDArray[np.datetime64]

AT = "[survey]"
PREFIX = "share_"
COLUMNS = ("line", "x", "y", "species", "stage", "habitat", "quality", "date", "method")
SHARES_WITHIN = 0.02
"""Shares of classes may miss 1 by this, for rounding; they are made to sum to 1."""
_DATE = re.compile(r"(\d{4})(-\d{2}(-\d{2})?)?([ T]\d{2}:\d{2}(:\d{2}(\.\d+)?)?)?")
_YEARS = (1800, 2200)
_MOST_UNKNOWN = 10


@dataclass(frozen=True)
class SurveySource:
    """Where measured habitat is read from.

    Parameters
    ----------
    path : Path
    layer : str or None
        Layer or sheet.
    crs : str or None
        Coordinate system of the columns x and y; None: that of the basin.
    target : CRS
        Coordinate system of the basin.
    """

    path: Path
    layer: str | None
    crs: str | None
    target: CRS


@dataclass(frozen=True, eq=False)
class SurveyTable:
    """Records of a survey; r rows in the order of the table. Each has a line or a place, and one kind of value.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages.
    row : (r,) int64
        Row numbers: as a spreadsheet shows them (headings are row 1), or features from 1.
    line : (r,) int64
        Position of the line in the table of lines; -1 for a record at a point.
    x, y : (r,) float64
        Place in the CRS of the basin [m]; NaN for a record on a line.
    species, stage : (r,) object array of str
    amount : (r,) float64
        Habitat found [m or m2, as the stage is measured] on the whole line, or on the reach at the point; else NaN.
    quality : (r,) float64
        0 to 1; NaN where the record is of another kind.
    shares : Mapping of str to (r,) float64
        Share of each class, together 1; NaN where the record is of another kind.
    date : (r,) datetime64[D]
        First day of a month or year given alone; NaT where not given.
    method : (r,) object array of str
        ``""`` where not given.
    """

    label: str
    row: IntArray
    line: IntArray
    x: FloatArray
    y: FloatArray
    species: ObjectArray
    stage: ObjectArray
    amount: FloatArray
    quality: FloatArray
    shares: Mapping[str, FloatArray]
    date: Dates
    method: ObjectArray

    def __len__(self) -> int:
        return len(self.row)

    def of(self, species: str, stage: str) -> SurveyTable:
        """Return the records of one life stage of one species."""
        keep = np.flatnonzero((self.species == species) & (self.stage == stage))
        return SurveyTable(
            self.label, self.row[keep], self.line[keep], self.x[keep], self.y[keep], self.species[keep],
            self.stage[keep], self.amount[keep], self.quality[keep],
            {label: share[keep] for label, share in self.shares.items()}, self.date[keep], self.method[keep],
        )  # fmt: skip


def read_survey(
    source: SurveySource,
    line_ids: ObjectArray,
    stages: Mapping[str, Mapping[str, Collection[str]]],
    problems: Problems,
) -> SurveyTable:
    """Read measured habitat.

    Parameters
    ----------
    source : SurveySource
    line_ids : (n,) object array of str
        Ids of the lines, unique.
    stages : Mapping of str to Mapping of str to collection of str
        For each species key, for each of its life stages, the labels its tables of classes give a suitability.
    problems : Problems
        Gets everything that is wrong or worth knowing.

    Raises
    ------
    InputError
        With everything wrong with the table: unreadable, columns that are not there, unknown species, stages or
        lines, no place, no value or several, values out of range, shares that do not sum to 1, dates that are none.
    """
    with own_errors(problems):
        raw = read_table(
            source.path, source.layer, at=AT, problems=problems, wanted=_wanted(source), target=source.target,
            assume_crs=source.crs,
        )  # fmt: skip
        return _Reader(raw, source, line_ids, stages, Report(problems, raw.label, AT)).table()


def _wanted(source: SurveySource) -> Wanted:
    """Return whether the file has points to read; its faults are told when it is read."""
    if is_plain_table(source.path):
        return "anything"
    try:
        info = find_layer(source.path, source.layer, wanted="anything", at=AT, problems=Problems())
    except InputError:
        return "anything"
    return "points" if "Point" in (info.geometry_type or "") else "anything"


class _Reader:
    """Turns the columns of one table into the arrays of a :class:`SurveyTable`."""

    def __init__(
        self, raw: RawTable, source: SurveySource, line_ids: ObjectArray,
        stages: Mapping[str, Mapping[str, Collection[str]]], report: Report,
    ) -> None:  # fmt: skip
        self.raw = raw
        self.source = source
        self.line_ids = line_ids
        self.stages = stages
        self.report = report
        self.n = len(raw.frame)
        self.columns = [str(c) for c in raw.frame.columns]
        self.labels = [c.removeprefix(PREFIX) for c in self.columns if c.startswith(PREFIX) and c != PREFIX]

    def table(self) -> SurveyTable:
        """Return the whole table."""
        self.check_columns()
        species, stage = self.text("species"), self.text("stage")
        self.check_stages(species, stage)
        line = self.line_index()
        x, y = self.places(line >= 0)
        amount, quality, shares = self.values()
        self.check_labels(species, stage, ~np.isnan(next(iter(shares.values()), np.full(self.n, np.nan))))
        return SurveyTable(
            self.raw.label, self.raw.row, np.maximum(line, -1), x, y, species, stage, amount, quality, shares,
            self.dates(), self.text("method"),
        )  # fmt: skip

    def text(self, name: str) -> ObjectArray:
        """Return a column as texts, all empty where it is not there."""
        return self.raw.text(name) if name in self.columns else np.full(self.n, "", dtype=object)

    def error(self, kind: str, wrong: BoolArray, what: str, remedy: str) -> None:
        """Complain of the rows where `wrong` is true, if there are any."""
        if wrong.any():
            rows = true_rows(wrong, self.raw.row)
            self.report.error(kind, f"{in_rows(rows)}: {what}", ids=rows, remedy=remedy)

    def check_columns(self) -> None:
        """Complain of columns that are needed and not there; name those not used."""
        for need in ("species", "stage"):
            self.raw.has(need, self.report)
        if not {"habitat", "quality"} & set(self.columns) and not self.labels:
            message = "there is no column of what was found"
            remedy = "give habitat (amount), quality (0 to 1) or share_<class> columns"
            self.report.error("missing_column", message, remedy=remedy)
        unused: list[str] = []
        for name in (
            c for c in self.columns if c not in COLUMNS and c.removeprefix(PREFIX) not in self.labels
        ):
            if nearest(name, COLUMNS):
                message = f'column "{name}" is not used'
                self.report.add("warning", "unused_column", message, remedy=nearest(name, COLUMNS))
            else:
                unused.append(name)
        if unused:
            self.report.add("note", "unused_column", f"columns not used: {some(unused, 10)}")

    def check_stages(self, species: ObjectArray, stage: ObjectArray) -> None:
        """Complain of species and stages the project file has not."""
        if not {"species", "stage"} <= set(self.columns):
            return
        known = ", ".join(self.stages)
        for key in dict.fromkeys(species.tolist()):
            mine = species == key
            if key not in self.stages:
                what = f'there is no species "{key}"' if key else "no species is named"
                remedy = f"{nearest(key, self.stages)} species are {known}".strip()
                self.error("unknown_species", mine, what, remedy)
                continue
            stages = self.stages[key]
            for name in dict.fromkeys(stage[mine].tolist()):
                if name in stages:
                    continue
                what = f'species {key} has no stage "{name}"' if name else "no stage is named"
                have = f"{nearest(name, stages)} its stages are {', '.join(stages)}".strip()
                remedy = have if stages else f"add [species.{key}.{name or 'rearing'}] to the project file"
                self.error("unknown_stage", mine & (stage == name), what, remedy)

    def line_index(self) -> IntArray:
        """Return the position of each row's line; -1 where none is named, -2 after a complaint of an unknown one."""
        given = ids_of(self.text("line"))
        empty = is_blank(given)
        index = pd.Index(self.line_ids).get_indexer(pd.Index(given)).astype(np.int64)
        index[(index < 0) & ~empty] = -2
        index[empty] = -1
        names = list(dict.fromkeys(given[index == -2].tolist()))
        for name in names[:_MOST_UNKNOWN]:
            remedy = (
                nearest(name, self.line_ids.tolist())
                or "give ids as they stand in the id column of the lines"
            )
            self.error("unknown_id", given == name, f'column "line": no line has the id "{name}"', remedy)
        if len(names) > _MOST_UNKNOWN:
            rest = names[_MOST_UNKNOWN:]
            message = f'column "line": more ids that no line has: {some(rest)}'
            self.report.error(
                "unknown_id", message, ids=rest, remedy="check that the ids are those of the lines"
            )
        return index

    def places(self, on_line: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Return the places of the rows without a line; complain where there is none."""
        x, y = np.full(self.n, np.nan), np.full(self.n, np.nan)
        named = ~is_blank(self.text("line"))
        if {"x", "y"} <= set(self.columns):
            cells = self.text("x"), self.text("y")
            x, y = (
                read_numbers(c, self.raw.row, name, self.report, amounts=False)
                for c, name in zip(cells, ("x", "y"), strict=True)
            )
            missing = is_blank(cells[0]) | is_blank(cells[1])
            x[named], y[named] = np.nan, np.nan
            x, y = self.transformed(x, y)
        elif self.raw.geometry is not None:
            single = (shapely.get_num_coordinates(self.raw.geometry) == 1) & ~named
            x[single], y[single] = shapely.get_coordinates(self.raw.geometry[single])[:, :2].T
            missing = ~single
        else:
            missing = np.ones(self.n, dtype=bool)
        what = "neither a line nor a place (x and y) is given"
        self.error("missing_place", missing & ~named & ~on_line, what, "fill in line, or x and y")
        return x, y

    def transformed(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places given in columns in the CRS of the basin; complain of impossible ones."""
        given = np.flatnonzero(~np.isnan(x) & ~np.isnan(y))
        if not given.size:
            return x, y
        report = self.report.key("crs")
        system = self.source.target if self.source.crs is None else parse_crs(self.source.crs)
        here = x[given], y[given]
        check_units(np.array([here[0].min(), here[1].min(), here[0].max(), here[1].max()]), system, report)
        east, north = transformer(system, self.source.target, report).transform(*here)
        x[given], y[given] = east, north
        lost = np.zeros(self.n, dtype=bool)
        lost[given] = ~((np.abs(x[given]) <= FARTHEST_M) & (np.abs(y[given]) <= FARTHEST_M))
        remedy = f"check the coordinates and [survey] crs ({system.name})"
        self.error("coordinates", lost, "the place is not in the CRS of [basin]", remedy)
        return x, y

    def values(self) -> tuple[FloatArray, FloatArray, dict[str, FloatArray]]:
        """Return amount, quality and shares; complain of rows without a value, with several, or with wrong ones."""
        row, report = self.raw.row, self.report
        amount = read_numbers(self.text("habitat"), row, "habitat", report)
        check_range(amount, row, "habitat", report, low=0.0)
        quality = read_shares(self.text("quality"), row, "quality", report)
        names = [PREFIX + label for label in self.labels]
        cells = {name: self.text(name) for name in names}
        read = [read_numbers(c, row, name, report, amounts=False) for name, c in cells.items()]
        for name, share in zip(names, read, strict=True):
            check_range(share, row, name, report, low=0.0, high=1.0)
        by_share: BoolArray = np.zeros(self.n, dtype=bool)
        for c in cells.values():
            by_share |= ~is_blank(c)
        kinds = by_share.astype(int) + ~is_blank(self.text("habitat")) + ~is_blank(self.text("quality"))
        remedy = "fill in habitat, quality or shares; 0 is a value"
        self.error("missing_value", kinds == 0, "nothing was found there", remedy)
        what = "more than one of habitat, quality and shares is given"
        self.error("several_values", kinds > 1, what, "keep the one that was measured")
        return amount, quality, self.whole_shares(read, by_share)

    def whole_shares(self, read: list[FloatArray], by_share: BoolArray) -> dict[str, FloatArray]:
        """Return shares that sum to 1; complain where they are farther from it than rounding explains."""
        if not read:
            return {}
        shares = np.where(by_share, np.nan_to_num(np.array(read)), np.nan)
        total = shares.sum(axis=0)
        off = by_share & ~(np.abs(total - 1.0) <= SHARES_WITHIN + 1e-9)
        if off.any():
            given = total[np.flatnonzero(off)[0]]
            what = f"the shares of classes sum to {given:g}, allowed: 1 within {SHARES_WITHIN:.0%}"
            remedy = "give the share of every class, those without suitability too; per cent divided by 100"
            self.error("shares_sum", off, what, remedy)
        shares = shares / np.where(total > 0.0, total, 1.0)
        return dict(zip(self.labels, shares, strict=True))

    def check_labels(self, species: ObjectArray, stage: ObjectArray, by_share: BoolArray) -> None:
        """Complain of shares of classes that a stage gives no suitability."""
        for pair in dict.fromkeys(zip(species[by_share], stage[by_share], strict=True)):
            known = self.stages.get(pair[0], {}).get(pair[1])
            if known is None:
                continue  # told already
            mine = by_share & (species == pair[0]) & (stage == pair[1])
            unknown = [label for label in self.labels if label not in known]
            at = f"[species.{pair[0]}.{pair[1]}.curves]"
            if len(unknown) == len(self.labels):
                what = f"{at} gives none of the classes {', '.join(self.labels)} a suitability"
                remedy = (
                    f"its classes are {', '.join(known)}" if known else "add a table { class = suitability }"
                )
                self.error("unknown_class", mine, what, remedy)
            elif unknown:
                message = f"{at} gives no suitability for {some(unknown)}, which therefore counts 0"
                near = " ".join(filter(None, (nearest(label, known) for label in unknown)))
                self.report.add("warning" if near else "note", "class_without_suitability", message,
                                remedy=near, ids=unknown)  # fmt: skip

    def dates(self) -> Dates:
        """Return the dates; complain of those that are none."""
        cells = self.text("date")
        out = np.full(self.n, np.datetime64("NaT"), dtype="datetime64[D]")
        wrong = np.zeros(self.n, dtype=bool)
        for i in np.flatnonzero(~is_blank(cells)).tolist():
            day = _day(cells[i])
            if day is None:
                wrong[i] = True
            else:
                out[i] = day
        if wrong.any():
            what = f'column "date": "{cells[np.flatnonzero(wrong)[0]]}" is not a date'
            self.error("bad_date", wrong, what, "write year-month-day, for example 2024-06-30")
        return out


def _day(text: str) -> np.datetime64 | None:
    """Return the day in a text as ISO 8601 writes it, the first one of a month or year given alone; None if none."""
    match = _DATE.fullmatch(text)
    if match is None or not _YEARS[0] <= int(match[1]) <= _YEARS[1]:
        return None
    try:
        return np.datetime64(match[1] + (match[2] or ""), "D")
    except ValueError:
        return None
