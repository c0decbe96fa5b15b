"""The tables of flows and of gauges as they stand in their files."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
from pyproj import CRS

from barrierrank.inputs.cells import BLANKS, check_range, ids_of, is_blank, read_numbers
from barrierrank.inputs.report import Report, in_rows
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.problems import Problems, some
from barrierrank.project_passage import FlowsSpec

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

AT = "[flows]"
SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}
"""What separates cells where commas do not, and its name in messages."""


@dataclass(frozen=True, eq=False)
class FlowRows:
    """The table as read; n rows. Dates and gauges are kept once each, with the number of theirs for every row."""

    label: str
    row: IntArray
    date: IntArray
    dates: ObjectArray
    gauge: IntArray
    gauges: ObjectArray
    discharge: FloatArray
    temperature: FloatArray


@dataclass(frozen=True, eq=False)
class GaugeTable:
    """The table of gauges; k rows."""

    label: str
    name: ObjectArray
    area_km2: FloatArray
    x: FloatArray
    y: FloatArray


def quick_rows(spec: FlowsSpec, problems: Problems) -> FlowRows | None:
    """Read a sound CSV file in a fraction of the time :func:`careful_rows` takes.

    Returns
    -------
    FlowRows or None
        The same as :func:`careful_rows` returns; None where anything is odd and wants a closer look.
    """
    names = [n for n in (spec.date, spec.discharge, spec.temperature, spec.gauge) if n is not None]
    text = spec.layer is None and spec.path.suffix.lower() in (".csv", ".txt")
    if not text or len(set(names)) < len(names):
        return None
    separator, headings = _headings(spec.path)
    trimmed = [h.strip() for h in headings]
    if not set(names) <= set(trimmed) or len(set(trimmed)) < len(trimmed):
        return None
    raw = {n: headings[trimmed.index(n)] for n in names}
    words = {"", *(str(m) for m in spec.missing if isinstance(m, str)), *BLANKS}
    kinds = {h: pa.float64() for h in raw.values()}
    kinds[raw[spec.date]] = pa.dictionary(pa.int32(), pa.string())
    if spec.gauge is not None:
        kinds[raw[spec.gauge]] = pa.dictionary(pa.int32(), pa.string())
    options = pa_csv.ConvertOptions(
        column_types=kinds, include_columns=list(raw.values()), strings_can_be_null=False,
        null_values=sorted({v for w in words for v in (w, w.upper(), w.title())}),
    )  # fmt: skip
    try:
        parse = pa_csv.ParseOptions(ignore_empty_lines=False, delimiter=separator)
        table = pa_csv.read_csv(spec.path, parse_options=parse, convert_options=options)
    except (pa.ArrowException, OSError, UnicodeDecodeError):
        return None
    n = table.num_rows
    date, dates = _codes(table.column(raw[spec.date]))
    gauge, gauges = np.zeros(n, dtype=np.int64), np.array([""], dtype=object)
    if spec.gauge is not None:
        gauge, gauges = _codes(table.column(raw[spec.gauge]))
    discharge = np.asarray(table.column(raw[spec.discharge]).to_numpy(), dtype=np.float64)
    temperature = np.full(n, np.nan)
    if spec.temperature is not None:
        temperature = np.asarray(table.column(raw[spec.temperature]).to_numpy(), dtype=np.float64)
    if not n or is_blank(dates).any() or np.isinf(discharge).any() or np.isinf(temperature).any():
        return None
    if separator in SEPARATORS:
        message = f"columns are separated by {SEPARATORS[separator]}"
        Report(problems, spec.path.name, AT).add("note", "delimiter", message)
    row = np.arange(2, n + 2, dtype=np.int64)
    return FlowRows(spec.path.name, row, date, dates, gauge, gauges, discharge.copy(), temperature.copy())


def _headings(path: Path) -> tuple[str, list[str]]:
    """Return what separates the cells of a text in UTF-8 and its headings; none where that is in doubt."""
    try:
        with path.open("rb") as file:
            line = file.readline().removeprefix(codecs.BOM_UTF8).decode("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError):
        return ",", []
    found = [c for c in (",", *SEPARATORS) if c in line]
    if len(found) != 1 or "\0" in line:
        return ",", []
    return found[0], next(csv.reader([line], delimiter=found[0]))


def _codes(column: pa.ChunkedArray) -> tuple[IntArray, ObjectArray]:
    """Return a column of texts as numbers and what they stand for, trimmed."""
    one = column.combine_chunks()
    one = one.combine_chunks() if isinstance(one, pa.ChunkedArray) else one
    texts = np.array([str(t).strip() for t in one.dictionary.to_pylist()] or [""], dtype=object)
    return one.indices.to_numpy().astype(np.int64), texts


def careful_rows(spec: FlowsSpec, target: CRS, problems: Problems) -> FlowRows | None:
    """Read a table of any kind and complain of what is wrong with it; None where columns are not there.

    Raises
    ------
    InputError
        When the file cannot be read as a table.
    """
    raw = read_table(spec.path, spec.layer, at=AT, problems=problems, target=target)
    report = Report(problems, raw.label, AT)
    names = {"date": spec.date, "discharge": spec.discharge}
    names |= {"temperature": spec.temperature} if spec.temperature is not None else {}
    names |= {"gauge": spec.gauge} if spec.gauge is not None else {}
    there = [raw.has(name, report.key(key)) for key, name in names.items()]  # all are told
    if not all(there):
        return None
    date, dates = pd.factorize(raw.text(spec.date))
    gauge, gauges = np.zeros(len(raw.row), dtype=np.int64), np.array([""], dtype=object)
    if spec.gauge is not None:
        gauge, gauges = pd.factorize(raw.text(spec.gauge))
    temperature = np.full(len(raw.row), np.nan)
    if spec.temperature is not None:
        temperature = _numbers(raw, spec.temperature, spec.missing, report)
    discharge = _numbers(raw, spec.discharge, spec.missing, report)
    return FlowRows(raw.label, raw.row, date, dates, gauge, gauges, discharge, temperature)


def _numbers(raw: RawTable, column: str, missing: Sequence[float | int | str], report: Report) -> FloatArray:
    """Return a column of numbers, NaN where a word stands for no value."""
    cells = raw.text(column)
    words = {m.casefold() for m in missing if isinstance(m, str)}
    if words:
        cells[[c.casefold() in words for c in cells]] = ""
    return read_numbers(cells, raw.row, column, report)


def read_gauges(path: Path, target: CRS, problems: Problems) -> GaugeTable | None:
    """Read the table of gauges and complain of what is wrong with it; None where columns are not there.

    Raises
    ------
    InputError
        When the file cannot be read as a table.
    """
    at = f"{AT} gauges"
    raw = read_table(path, None, at=at, problems=problems, target=target)
    report = Report(problems, raw.label, at)
    there = [raw.has(name, report) for name in ("gauge", "area_km2")]
    if not all(there):
        return None
    name = ids_of(raw.text("gauge"))
    area = read_numbers(raw.text("area_km2"), raw.row, "area_km2", report)
    check_range(area, raw.row, "area_km2", report, low=0.0, above=True, who=name)
    nowhere = np.full(len(name), np.nan)
    x, y = nowhere, nowhere
    if {"x", "y"} <= {str(c) for c in raw.frame.columns}:
        x = read_numbers(raw.text("x"), raw.row, "x", report, amounts=False)
        y = read_numbers(raw.text("y"), raw.row, "y", report, amounts=False)
    blank = is_blank(name)
    if blank.any():
        rows = raw.row[blank].tolist()
        report.error("missing_id", f'{in_rows(rows)}: column "gauge" is empty', remedy="fill it in", ids=rows)
    twice = pd.Series(name).duplicated(keep=False).to_numpy() & ~blank
    if twice.any():
        rows = raw.row[twice].tolist()
        message = f"{in_rows(rows)}: gauge {some(sorted(set(name[twice])))} is there twice"
        report.error("duplicate_id", message, remedy="keep one row for each gauge", ids=rows)
    bare = np.isnan(area) & ~blank
    if bare.any():
        rows = raw.row[bare].tolist()
        message = f"{in_rows(rows)}: gauge {some(name[bare])} has no area_km2"
        remedy = "fill it in: flows are carried over to structures by drainage areas"
        report.add("warning", "gauge_without_area", message, remedy=remedy, ids=rows)
    return GaugeTable(raw.label, name, area, x, y)
