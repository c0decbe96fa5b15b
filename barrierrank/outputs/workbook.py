"""The priority list as a workbook that can be filtered, printed and handed round."""

from __future__ import annotations

import math
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.writer.excel import ExcelWriter

from barrierrank.outputs.about import about_rows, parse_date
from barrierrank.outputs.cells import clean_table, neutralise
from barrierrank.outputs.columns import ColumnDoc, Kind, Table, describe
from barrierrank.outputs.columns_learning import HINGES_ON
from barrierrank.outputs.columns_passage import APART
from barrierrank.outputs.intervals import unsettled_remarks
from barrierrank.outputs.learning_words import survey_notes, weight_notes
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.sheet_sizes import WRAPPED, column_width, line_count, number_format, row_heights
from barrierrank.outputs.steady_zip import SteadyZip
from barrierrank.ranking.cautions import shortened

MOST_ROWS = 1_048_576  # of a sheet, header included (Office Open XML programs)
MOST_TEXT = 32_767  # characters of a cell
SHEETS = ("Priority list", "Sites", "Passability", "Survey next", "Weights", "Columns", "About", "Problems")

_TABLE_OF: dict[str, Table] = {
    "Priority list": "priority_list", "Sites": "sites", "Passability": "passage", "Problems": "problems",
    "Survey next": "survey_next", "Weights": "weights",
}  # fmt: skip
_INK, _PAPER, _BEST, _HARM = "1F3A4D", "FFFFFF", "E4EEF5", "F4E3D8"
# A footer holds 255 characters in all.
_DANGER = "Low-head dams drown people: keep away above and below. Works need a licensed engineer and permits."
_ROOM, _LEAST_SCALE = 215.0, 0.6  # of the large sheet at full size [characters], and the least that can be read
_THIN = Side(style="thin", color="BFC8CE")
_RULE = Border(bottom=_THIN)


@dataclass(frozen=True)
class Look:
    """How the cells of one kind of row are drawn."""

    font: Font
    fill: PatternFill | None = None


@dataclass(frozen=True)
class Layout:
    """How a table lies on its sheet.

    Parameters
    ----------
    folded : int
        So many of the last columns are folded away until a reader unfolds them.
    unprinted : int
        So many of the last columns are not printed.
    above : tuple of str
        What is said above the table, a paragraph each.
    """

    folded: int = 0
    unprinted: int = 0
    above: tuple[str, ...] = ()


USUAL = Layout()
PLAIN = Look(Font(name="Calibri", size=10))
BEST = Look(Font(name="Calibri", size=10, bold=True), PatternFill("solid", fgColor=_BEST))
HARM = Look(Font(name="Calibri", size=10, italic=True, color="7A2E0E"), PatternFill("solid", fgColor=_HARM))
HEAD = Look(Font(name="Calibri", size=8, bold=True, color=_PAPER), PatternFill("solid", fgColor=_INK))


def write_xlsx(path: Path, model: OutputModel) -> None:
    """Write the sheets ``Priority list``, ``Sites``, ``Columns``, ``About`` and ``Problems``.

    Where passability is worked out the sheet ``Passability`` comes after ``Sites``, then, where inputs were drawn,
    ``Survey next``, and by criteria ``Weights``; both of these begin with a few words on how to read them.

    Rows are streamed to the file, so that memory does not grow with their number; a sheet that would be
    longer than the format allows ends with a row that says so. The same results give the same bytes.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    book = Workbook(write_only=True)
    book.properties.title = safe_text(f"Priority list, {model.basin}")
    book.properties.creator = "barrierrank"
    book.properties.created = book.properties.modified = parse_date(model.run)
    priority = model.priority.copy(deep=False)
    remarks, looks = remarks_of(priority)
    remarks = ["; ".join(filter(None, both)) for both in zip(remarks, unsettled_remarks(model), strict=True)]
    names = list(priority.columns)
    priority.insert(names.index("why") if "why" in names else len(names), "remark", remarks)
    docs: list[ColumnDoc] = []
    folded, screen = _details(priority)
    docs += _table_sheet(book, model, "Priority list", priority, looks, Layout(folded, screen + folded))
    docs += _table_sheet(book, model, "Sites", _plain(model.sites))
    if model.passage is not None:
        apart = [name for name in APART if name in model.passage]
        passage = model.passage[[*(name for name in model.passage if name not in apart), *apart]]
        docs += _table_sheet(book, model, "Passability", passage, layout=Layout(unprinted=len(apart)))
    if model.survey_next is not None:
        docs += _table_sheet(
            book, model, "Survey next", model.survey_next, layout=Layout(above=survey_notes(model))
        )
    if model.weights is not None:
        docs += _table_sheet(book, model, "Weights", model.weights, layout=Layout(above=weight_notes(model)))
    reaches = describe(_plain(model.reaches).columns, model.species, table="reaches", currency=model.currency)
    problems = describe(_plain(model.problems).columns, model.species, table="problems")
    ranks = () if model.acceptability is None else describe(model.acceptability.columns, (), table="acceptability")
    _columns_sheet(book, [*docs, *problems, *reaches, *ranks], model)
    _about_sheet(book, model)
    _table_sheet(book, model, "Problems", _plain(model.problems))
    with SteadyZip(path, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
        ExcelWriter(book, archive).save()


def _details(priority: pd.DataFrame) -> tuple[int, int]:
    """Return how many columns at the end are details, behind the reason and the note, and how many stand before them.

    The latter are what the action's worth hinges on and passabilities after it: to be seen, too wide to be printed.
    """
    names = list(priority.columns)
    last = max((names.index(c) for c in ("why", "note") if c in names), default=len(names) - 1)
    behind = names[last + 1 :]
    after = sum(name.startswith(("passability_", HINGES_ON)) for name in behind)
    return len(behind) - after, after


def remarks_of(priority: pd.DataFrame) -> tuple[list[str], list[Look]]:
    """Say of each row in words what its look says too.

    Parameters
    ----------
    priority : DataFrame
        With columns `benefit`, `net_benefit` and `best`.

    Returns
    -------
    remarks : list of str
    looks : list of Look
    """
    benefit = priority["benefit"].to_numpy(dtype=float)
    net = priority["net_benefit"].to_numpy(dtype=float)
    best = priority["best"].to_numpy(dtype=bool)
    words = {
        (True, 0): "best at its site",
        (True, 1): "best at its site; costs more than it brings in",
        (True, 2): "best at its site; does more harm than good",
        (False, 0): "",
        (False, 1): "costs more than it brings in",
        (False, 2): "does more harm than good",
    }
    loss = np.where(benefit < 0, 2, np.where(net < 0, 1, 0))
    remarks = [words[bool(b), int(n)] for b, n in zip(best, loss, strict=True)]
    looks = [HARM if n == 2 else BEST if b else PLAIN for b, n in zip(best, loss, strict=True)]
    return remarks, looks


def _plain(frame: Any) -> pd.DataFrame:
    return pd.DataFrame(frame.drop(columns=frame.geometry.name))


def _table_sheet(
    book: Workbook, model: OutputModel, title: str, table: pd.DataFrame, looks: Sequence[Look] = (),
    layout: Layout = USUAL,
) -> tuple[ColumnDoc, ...]:  # fmt: skip
    """Write one table with a header that stays in sight, a filter and widths; return its column docs."""
    docs = describe(table.columns, model.species, table=_TABLE_OF[title], currency=model.currency)
    clean = clean_table(table, docs)
    head = 1 + len(layout.above)
    shown = min(len(clean), MOST_ROWS - head - (len(clean) > MOST_ROWS - head))
    formats = [number_format(doc, clean.iloc[:, i], model.currency) for i, doc in enumerate(docs)]
    widths = [column_width(doc, clean.iloc[:, i], formats[i]) for i, doc in enumerate(docs)]
    sheet = book.create_sheet(title)
    printed = len(docs) - layout.unprinted
    set_up_page(sheet, widths, model, folded=layout.folded, printed=printed, head=head)
    sheet.freeze_panes = f"{'A' if title == 'Problems' else 'D'}{head + 1}"
    sheet.print_area = f"A1:{get_column_letter(printed)}{head + shown}" if layout.unprinted else None
    sheet.auto_filter.ref = f"A{head}:{get_column_letter(len(docs))}{head + shown}"
    write_above(sheet, layout.above, widths)
    append_row(sheet, list(header_cells(sheet, docs)), head, 22.0)
    heights = row_heights(clean.iloc[:shown], [width - 1.5 for width in widths])  # less the indent
    rows = _rows(sheet, clean.iloc[:shown], docs, formats, looks)
    for number, (row, height) in enumerate(zip(rows, heights, strict=True), start=head + 1):
        append_row(sheet, row, number, height)
    if shown < len(clean):
        sheet.append([f"{len(clean) - shown:,} more rows do not fit in a sheet: see the other files."])
    return docs


def write_above(sheet: Any, above: Sequence[str], widths: Sequence[float]) -> None:
    """Write paragraphs across all columns, before the header."""
    last = get_column_letter(len(widths))
    for number, text in enumerate(above, start=1):
        cell = styled_cell(sheet, neutralise(text), PLAIN, wrap=True, across="left")
        sheet.merged_cells.add(f"A{number}:{last}{number}")
        append_row(sheet, [cell], number, 13.5 * line_count(text, sum(widths) - 3.0) + 4)


def header_cells(sheet: Any, docs: Sequence[ColumnDoc]) -> Iterator[Any]:
    """Return the cells of the header row, one for each column."""
    for doc in docs:
        cell = styled_cell(sheet, safe_text(doc.name), HEAD, wrap=True, across=alignment_of(doc.kind))
        unit = f" [{doc.unit}]" if doc.unit else ""
        note = safe_text(f"{doc.title}{unit}: {doc.meaning}")
        cell.comment = Comment(note, "barrierrank", height=110, width=280)
        yield cell


def append_row(sheet: Any, cells: list[Any], number: int, height: float) -> None:
    """Stream a row out with its height: programs do not agree on fitting heights when they open a file."""
    sheet.row_dimensions[number].height = height
    sheet.append(cells)
    del sheet.row_dimensions[number]  # written: memory stays flat


def _rows(
    sheet: Any, table: pd.DataFrame, docs: Sequence[ColumnDoc], formats: Sequence[str], looks: Sequence[Look]
) -> Iterator[list[Any]]:
    """Yield rows of cells; a cell is made once for each column and look and filled anew for each row."""
    kept: dict[int, list[Any]] = {}
    columns = [plain_values(table.iloc[:, i]) for i in range(len(docs))]
    for i, values in enumerate(zip(*columns, strict=True)):
        look = looks[i] if looks else PLAIN
        cells = kept.get(id(look))
        if cells is None:
            light = replace(look, font=PLAIN.font) if look is BEST else look  # sentences in bold are hard to read
            cells = [
                styled_cell(sheet, None, light if d.name in ("why", "note", "words") else look, wrap=d.name in WRAPPED,
                      across=alignment_of(d.kind))
                for d in docs
            ]  # fmt: skip
            for cell, form in zip(cells, formats, strict=True):
                cell.number_format = form
            kept[id(look)] = cells
        for cell, value in zip(cells, values, strict=True):
            _fill(cell, value)
        yield cells


def plain_values(column: pd.Series[Any]) -> list[Any]:
    """Return plain Python values, None where missing."""
    values = column.astype(object)
    return list(values.where(values.notna(), None).to_list())


def _fill(cell: Any, value: Any) -> None:
    if isinstance(value, float) and math.isinf(value):
        value = "unlimited" if value > 0 else "-unlimited"
    if isinstance(value, str):
        cell.value = safe_text(value)
        cell.data_type = "s"  # whatever it looks like
        return
    known = value is None or isinstance(value, (bool, int, float))
    cell.value = value if known else safe_text(neutralise(str(value)))


def safe_text(text: str) -> str:
    """Return text the format can hold: no control characters or broken surrogates, not too long."""
    text = ILLEGAL_CHARACTERS_RE.sub("\ufffd", text).encode("utf-8", "replace").decode("utf-8")
    text = re.sub("[\ufffe\uffff]", "\ufffd", text)
    return text if len(text) <= MOST_TEXT else text[: MOST_TEXT - 1] + "…"


def alignment_of(kind: Kind) -> str:
    if kind in ("id", "count", "flag"):
        return "center"
    return "left" if kind in ("text", "word") else "general" if kind == "other" else "right"


def styled_cell(sheet: Any, value: Any, look: Look, *, wrap: bool = False, across: str = "general") -> Any:
    """Return a cell with a look."""
    cell = WriteOnlyCell(sheet)
    cell.font = look.font
    if look.fill is not None:
        cell.fill = look.fill
    cell.border = _RULE
    upright = "center" if look is HEAD else "top"
    indent = 1 if across == "left" else 0  # away from the number on its left
    cell.alignment = Alignment(horizontal=across, vertical=upright, wrap_text=wrap, indent=indent)
    _fill(cell, value)
    return cell


def set_up_page(
    sheet: Any, widths: Sequence[float], model: OutputModel, *, folded: int = 0, printed: int | None = None,
    head: int = 1,
) -> None:  # fmt: skip
    """Set widths and the printed page: landscape, as many pages wide as can be read, header row repeated."""
    for i, width in enumerate(widths):
        column = sheet.column_dimensions[get_column_letter(i + 1)]
        column.width = round(width, 1)
        if i >= len(widths) - folded:
            column.outlineLevel, column.hidden = 1, True
    total = sum(widths[:printed])
    wide = total > _ROOM  # below about 60 % on the small sheet: take the large one
    small, large = (1, 17) if model.units == "us" else (9, 8)  # Letter, 11 × 17 in; A4, A3
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = large if wide else small
    pages = max(1, math.ceil(total * _LEAST_SCALE / _ROOM))
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = pages, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows, sheet.print_title_cols = f"{head}:{head}", "A:C" if pages > 1 else None
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top = margins.bottom = 0.85
    margins.header = margins.footer = 0.4
    # a lone ampersand would start a code of the header
    sheet.oddHeader.left.text = safe_text(model.basin.replace("&", "&&"))[:200]
    sheet.oddHeader.right.text = sheet.title
    sheet.oddFooter.left.text = "For planning only: see the sheet About"
    if len(shortened(model.cautions)) > 1:  # beside what is named on the sheet, not only on another one
        sheet.oddFooter.center.text = _DANGER
        sheet.oddFooter.center.size = 7
    sheet.oddFooter.right.text = "&P / &N"


def _columns_sheet(book: Workbook, docs: Iterable[ColumnDoc], model: OutputModel) -> None:
    places: dict[str, str] = {table: sheet for sheet, table in _TABLE_OF.items()}
    places |= {"reaches": "layer reaches", "acceptability": "acceptability.csv"}
    sheet = book.create_sheet("Columns")
    widths = (16, 30, 34, 16, 92)
    set_up_page(sheet, widths, model)
    sheet.freeze_panes = "A2"
    head = [styled_cell(sheet, h, HEAD) for h in ("where", "column", "in words", "unit", "meaning")]
    append_row(sheet, head, 1, 22.0)
    for number, doc in enumerate(docs, start=2):
        texts = [neutralise(t) for t in (places[doc.table], doc.name, doc.title, doc.unit, doc.meaning)]
        lines = max(line_count(t, w) for t, w in zip(texts, widths, strict=True))
        append_row(sheet, [styled_cell(sheet, t, PLAIN, wrap=True) for t in texts], number, 13.5 * lines + 2)


def _about_sheet(book: Workbook, model: OutputModel) -> None:
    sheet = book.create_sheet("About")
    set_up_page(sheet, (26, 110), model)
    sheet.print_title_rows = None
    for number, (head, text) in enumerate(about_rows(model), start=1):
        left = styled_cell(sheet, neutralise(head), BEST if text else HEAD, wrap=bool(text))
        right = styled_cell(sheet, neutralise(text), PLAIN if text else HEAD, wrap=True)
        lines = max(line_count(head, 24), line_count(text, 100)) if text else 1
        append_row(sheet, [left, right], number, 13.5 * lines + (4 if text else 8))
