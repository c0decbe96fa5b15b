"""Tables of sites and actions from CSV, spreadsheets and any layer GDAL reads, with their row numbers."""

from __future__ import annotations

import codecs
import csv
import io
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import numpy as np
import numpy.typing as npt
import pandas as pd
from openpyxl.utils.exceptions import InvalidFileException
from pyproj import CRS

from barrierrank.inputs.cells import column_text
from barrierrank.inputs.report import Report, in_rows
from barrierrank.inputs.vector import Wanted, column_remedy, find_layer, read_layer
from barrierrank.problems import Problems
from barrierrank.project_check import nearest

ObjectArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.int64]

_TEXT_FILES = (".csv", ".tsv", ".tab", ".txt")
_SPREADSHEETS = (".xlsx", ".xlsm")
_BROKEN_SPREADSHEET = (
    InvalidFileException, zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError,
    IndexError, AttributeError, EOFError, OSError, NotImplementedError,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class RawTable:
    """A table as read; n rows.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages.
    frame : DataFrame
        Cells as read; index 0 to n - 1.
    row : (n,) int64
        Row numbers as a spreadsheet shows them (headings are row 1); features of layers count from 1.
    geometry : (n,) object array or None
        Shapely geometries in the CRS asked for, where the file has them.
    """

    label: str
    frame: pd.DataFrame
    row: IntArray
    geometry: ObjectArray | None

    def text(self, column: str) -> ObjectArray:
        """Return a column as trimmed texts, ``""`` where empty."""
        return column_text(self.frame[column])

    def has(self, column: str, report: Report) -> bool:
        """Return whether there is such a column; complain with the nearest where there is not."""
        names = [str(c) for c in self.frame.columns]
        if column in names:
            return True
        message = f'there is no column "{column}"'
        report.error("missing_column", message, remedy=column_remedy(column, names))
        return False


def read_table(
    path: Path,
    layer: str | None,
    *,
    at: str,
    problems: Problems,
    wanted: Wanted = "anything",
    target: CRS,
    assume_crs: str | None = None,
) -> RawTable:
    """Read a table.

    Parameters
    ----------
    path : Path
        CSV (comma, semicolon, tab or bar), xlsx, or anything GDAL reads.
    layer : str or None
        Layer or sheet.
    at : str
        Table of the project file that names it.
    problems : Problems
    wanted : str
        Kind of geometry needed; ``"anything"``: none is read.
    target : CRS
        Coordinate system to return geometry in.
    assume_crs : str, optional
        Coordinate system of a layer that does not say.

    Raises
    ------
    InputError
        When the file cannot be read as a table, or has no rows.
    """
    report = Report(problems, path.name, at)
    suffix = path.suffix.lower()
    if not path.exists():
        raise report.key("path").fatal("missing_file", "there is no such file", remedy="mend the path")
    if suffix in _TEXT_FILES:
        if layer is not None:
            message = f'"{layer}" is not used: a text table has no layers'
            report.key("layer").add("warning", "unused", message, remedy="leave the key out")
        table = _read_csv(path, report)
    elif suffix in _SPREADSHEETS:
        table = _read_spreadsheet(path, layer, report)
    else:
        return _read_gdal(path, layer, wanted, target, assume_crs, report)
    if not len(table.frame):
        message = (
            "the table has no rows below its headings" if len(table.frame.columns) else "the table is empty"
        )
        raise report.fatal("empty_layer", message, remedy="fill it, or leave it out where it is optional")
    return table


def is_plain_table(path: Path) -> bool:
    """Tell whether a file is read as text or spreadsheet, without geometry."""
    return path.suffix.lower() in (*_TEXT_FILES, *_SPREADSHEETS)


def _read_gdal(
    path: Path, layer: str | None, wanted: Wanted, target: CRS, assume_crs: str | None, report: Report
) -> RawTable:
    info = find_layer(path, layer, wanted=wanted, at=report.at, problems=report.problems)
    report = Report(report.problems, info.label, report.at)
    read = read_layer(info, info.fields, target=target, wanted=wanted, report=report, assume_crs=assume_crs)
    frame = read.columns.to_pandas()
    geometry = None if wanted == "anything" else read.geometry
    return RawTable(info.label, frame, np.arange(1, len(frame) + 1, dtype=np.int64), geometry)


def _read_csv(path: Path, report: Report) -> RawTable:
    try:
        raw = path.read_bytes()
    except OSError as error:
        message = f"the file cannot be read ({error.strerror})"
        raise report.fatal("unreadable", message, remedy="check the path and its permissions") from None
    text = _decode(raw, report)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = _delimiter(first)
    if delimiter != ",":
        name = {";": "semicolons", "\t": "tabs", "|": "bars"}[delimiter]
        report.add("note", "delimiter", f"columns are separated by {name}")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        message = f"the table cannot be read ({error})"
        raise report.fatal("unreadable", message, remedy="look for a quote that is not closed") from None
    return _from_rows(rows, path.name, report)


def _decode(raw: bytes, report: Report) -> str:
    """Return the text of a file in UTF-8, UTF-16 with its mark, or Windows-1252; the latter is noted."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return raw.decode("utf-16")
        except UnicodeDecodeError:
            message = "the text breaks off inside a UTF-16 character"
            raise report.fatal("encoding", message, remedy="save it as CSV in UTF-8") from None
    if b"\0" in raw:
        line = raw[: raw.index(b"\0")].count(b"\n") + 1
        message = f"line {line} holds a NUL byte, so this is not a text table"
        raise report.fatal(
            "encoding", message, remedy="save it as CSV in UTF-8, or give its true file extension"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
    try:
        text = raw.decode("cp1252")
    except UnicodeDecodeError:
        message = f"line {line} is neither UTF-8 nor Windows-1252 text"
        raise report.fatal("encoding", message, remedy="save it as CSV in UTF-8") from None
    report.add(
        "note",
        "encoding",
        f"line {line} is not UTF-8; the file was read as Windows-1252 (Latin-1)",
        remedy="look at names with accents; save it as UTF-8 if they are wrong",
    )
    return text


def _delimiter(heading: str) -> str:
    """Return what separates the headings: the commonest candidate, comma where there is none."""
    bare = "".join(heading.split('"')[::2])  # outside quotes
    counts = {c: bare.count(c) for c in (",", ";", "\t", "|")}
    best = max(counts, key=lambda c: counts[c])
    return best if counts[best] else ","


def _from_rows(rows: list[list[str]], label: str, report: Report) -> RawTable:
    """Return the table in a list of rows; the first row that is not blank holds the headings."""
    filled = [i for i, r in enumerate(rows) if any(c.strip() for c in r)]
    if not filled:
        raise report.fatal(
            "empty_layer", "the table is empty", remedy="fill it, or leave it out where optional"
        )
    head, body = filled[0], filled[1:]
    names = _headings(rows[head], report)
    width = len(names)
    long = [i + 1 for i in body if len(rows[i]) > width and any(c.strip() for c in rows[i][width:])]
    if long:
        message = f"{in_rows(long)}: more cells than the {width} headings"
        remedy = "put texts that hold the separator in double quotes, or mend the headings"
        report.error("ragged_row", message, ids=long, remedy=remedy)
    cells = [(rows[i] + [""] * width)[:width] for i in body]
    frame = pd.DataFrame(cells, columns=names, dtype=object)
    return RawTable(label, frame, np.array(body, dtype=np.int64) + 1, None)


def _headings(cells: list[str], report: Report) -> list[str]:
    names = [c.strip() for c in cells]
    while names and not names[-1]:
        names.pop()
    twice = sorted({n for n in names if n and names.count(n) > 1})
    if twice:
        message = f"the heading {', '.join(twice)} is there twice"
        raise report.fatal(
            "duplicate_column", message, remedy="give each column a name of its own", ids=twice
        )
    return [n or f"column {i + 1}" for i, n in enumerate(names)]


def _read_spreadsheet(path: Path, sheet: str | None, report: Report) -> RawTable:
    try:
        with pd.ExcelFile(path, engine="openpyxl") as book:
            sheets = [str(s) for s in book.sheet_names]
            name = sheets[0] if sheet is None else sheet
            cells: Any = None
            if name in sheets:
                cells = pd.read_excel(
                    book, name, header=None, dtype=object, keep_default_na=False, na_filter=False
                )
    except _BROKEN_SPREADSHEET as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        message = f"the spreadsheet cannot be read ({reason})"
        remedy = "it may be cut short or protected; save it again as xlsx or CSV"
        raise report.key("path").fatal("unreadable", message, remedy=remedy) from None
    if cells is None:
        remedy = f"{nearest(name, sheets)} sheets are {', '.join(sheets)}".strip()
        raise report.key("layer").fatal("missing_layer", f'there is no sheet "{name}"', remedy=remedy)
    if sheet is None and len(sheets) > 1:
        report.add(
            "note", "layer", f'sheet "{name}", the first of {len(sheets)}, is read; `layer` names another'
        )
    label = f"{path.name}, sheet {name}" if len(sheets) > 1 else path.name
    report = Report(report.problems, label, report.at)
    texts = [column_text(cells[c]) for c in cells.columns]
    rows = [list(r) for r in zip(*texts, strict=True)]
    return _from_rows(rows, label, report)
