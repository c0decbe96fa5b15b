"""A plan as a workbook that can be filtered, printed and handed round, in the looks of the priority list's."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.utils import get_column_letter
from openpyxl.writer.excel import ExcelWriter

from barrierrank.outputs.about import parse_date
from barrierrank.outputs.cells import clean_table, neutralise
from barrierrank.outputs.columns import ColumnDoc
from barrierrank.outputs.plan_about import plan_about_rows
from barrierrank.outputs.plan_columns import PlanTable, describe_plan
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import how_near, price_words
from barrierrank.outputs.sheet_sizes import WRAPPED, column_width, line_count, number_format
from barrierrank.outputs.steady_zip import SteadyZip
from barrierrank.outputs.workbook import (
    BEST,
    HEAD,
    MOST_ROWS,
    PLAIN,
    Look,
    alignment_of,
    append_row,
    header_cells,
    plain_values,
    safe_text,
    set_up_page,
    styled_cell,
    write_above,
)
from barrierrank.problems import one_line

SHEETS: Mapping[PlanTable, str] = {
    "plan": "Plan",
    "plan_left_out": "Left out",
    "plan_steadiness": "Steadiness",
    "plan_curve": "Curve",
    "plan_front": "Front",
    "plan_access": "Access",
}
# Widest that a column of text gets before it wraps [characters].
_WRAPPED = {**WRAPPED, "adds": 56, "drops": 56, "presumes": 22, "instead": 22, "site": 16, "label": 30}
_LIGHT = ("why", "presumes")  # sentences in bold are hard to read
_TALLEST = 400.0  # of a row [points]


@dataclass(frozen=True)
class _Sheet:
    """One table and how it lies on its sheet: what stays in sight, what is said above it, looks of its rows."""

    name: PlanTable
    table: pd.DataFrame
    frozen: str
    above: tuple[str, ...] = ()
    looks: tuple[Look, ...] = ()


def write_plan_xlsx(path: Path, look: PlanLook, tables: Mapping[PlanTable, pd.DataFrame]) -> None:
    """Write the sheets ``About``, those of the tables, and ``Columns``; the same plan gives the same bytes.

    Tables are on ``Plan``, ``Left out``, ``Steadiness``, ``Curve``, ``Front`` and ``Access``, as far as there are such.

    Parameters
    ----------
    path : Path
    look : PlanLook
    tables : Mapping of str to DataFrame
        Those of :func:`~barrierrank.outputs.plan_tables.plan_tables`.

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    book = Workbook(write_only=True)
    book.properties.title = safe_text(f"Plan, {look.base.basin}")
    book.properties.creator = "barrierrank"
    book.properties.created = book.properties.modified = parse_date(look.run)
    _about_sheet(book, look)
    docs: list[tuple[str, ColumnDoc]] = []
    for name, table in tables.items():
        written = _table_sheet(book, look, _sheet_of(name, table, look))
        docs += [(SHEETS[name], doc) for doc in written]
    _columns_sheet(book, docs, look)
    with SteadyZip(path, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
        ExcelWriter(book, archive).save()


def _sheet_of(name: PlanTable, table: pd.DataFrame, look: PlanLook) -> _Sheet:
    frozen = {"plan": "F", "plan_left_out": "D", "plan_steadiness": "D", "plan_access": "D"}.get(name, "B")
    above = {
        "plan": ("In the order in which to do them; an action counts on those that its column presumes names.",),
        "plan_left_out": ("What taking the list from the top would do and the plan does not.",),
        "plan_steadiness": (f"Out of the best plans of {look.draws:,} draws of the inputs.",),
        "plan_curve": ("A plan for each budget, beside two simpler ways of choosing.", price_words(look)),
        "plan_front": ("What natives can gain at most for each cap on the habitat that the invader can reach.",),
        "plan_access": ("Habitat that each species can reach, in the unit of its row.", how_near(look)),
    }[name]
    looks: tuple[Look, ...] = ()
    if name == "plan":
        looks = tuple(BEST if word == "core" else PLAIN for word in table["steadiness"])
    return _Sheet(name, table, frozen, tuple(one_line(text) for text in above if text), looks)


def _table_sheet(book: Workbook, look: PlanLook, one: _Sheet) -> tuple[ColumnDoc, ...]:
    """Write one table with a header that stays in sight, a filter and widths; return its column docs."""
    docs = describe_plan(one.table.columns, look, table=one.name)
    clean = clean_table(one.table, docs)
    head = 1 + len(one.above)
    shown = min(len(clean), MOST_ROWS - head - (len(clean) > MOST_ROWS - head))
    formats = [number_format(doc, clean.iloc[:, i], look.base.currency) for i, doc in enumerate(docs)]
    widths = [_width(doc, clean.iloc[:, i], formats[i]) for i, doc in enumerate(docs)]
    sheet = book.create_sheet(SHEETS[one.name])
    set_up_page(sheet, widths, look.base, head=head)
    sheet.freeze_panes = f"{one.frozen}{head + 1}"
    sheet.auto_filter.ref = f"A{head}:{get_column_letter(len(docs))}{head + shown}"
    write_above(sheet, one.above, widths)
    append_row(sheet, list(header_cells(sheet, docs)), head, 22.0)
    columns = [plain_values(clean.iloc[:shown, i]) for i in range(len(docs))]
    for number, row in enumerate(zip(*columns, strict=True)):
        cells = _row(sheet, row, docs, formats, one.looks[number] if one.looks else PLAIN)
        append_row(sheet, cells, head + 1 + number, _height(row, docs, widths))
    if shown < len(clean):
        sheet.append([f"{len(clean) - shown:,} more rows do not fit in a sheet: see {one.name}.csv."])
    return docs


def _row(sheet: Any, row: Sequence[Any], docs: Sequence[ColumnDoc], formats: Sequence[str], look: Look) -> list[Any]:
    cells = []
    for value, doc, form in zip(row, docs, formats, strict=True):
        mine = Look(PLAIN.font, look.fill) if doc.name in _LIGHT else look
        cell = styled_cell(sheet, value, mine, wrap=doc.name in _WRAPPED, across=alignment_of(doc.kind))
        cell.number_format = form
        cells.append(cell)
    return cells


def _width(doc: ColumnDoc, values: pd.Series[Any], form: str) -> float:
    """Width of a column [characters]; texts that wrap in these tables only are treated here."""
    if doc.name not in _WRAPPED or doc.name in WRAPPED:
        return column_width(doc, values, form)
    longest = max((len(v) for v in values if isinstance(v, str)), default=0)
    return max(0.8 * len(doc.name) + 3.0, min(float(_WRAPPED[doc.name]), longest + 2.0))


def _height(row: Sequence[Any], docs: Sequence[ColumnDoc], widths: Sequence[float]) -> float:
    """How tall a row is [points] once its texts are wrapped; widths are less the indent."""
    columns = zip(row, docs, widths, strict=True)
    lines = [line_count(value, width - 1.5) for value, doc, width in columns if doc.name in _WRAPPED]
    return min(13.5 * max(lines, default=1) + 2, _TALLEST)


def _columns_sheet(book: Workbook, docs: Iterable[tuple[str, ColumnDoc]], look: PlanLook) -> None:
    sheet = book.create_sheet("Columns")
    widths = (16, 30, 34, 16, 92)
    set_up_page(sheet, widths, look.base)
    sheet.freeze_panes = "A2"
    head = [styled_cell(sheet, h, HEAD) for h in ("where", "column", "in words", "unit", "meaning")]
    append_row(sheet, head, 1, 22.0)
    for number, (where, doc) in enumerate(docs, start=2):
        texts = [neutralise(t) for t in (where, doc.name, doc.title, doc.unit, doc.meaning)]
        lines = max(line_count(t, w) for t, w in zip(texts, widths, strict=True))
        append_row(sheet, [styled_cell(sheet, t, PLAIN, wrap=True) for t in texts], number, 13.5 * lines + 2)


def _about_sheet(book: Workbook, look: PlanLook) -> None:
    sheet = book.create_sheet("About")
    set_up_page(sheet, (26, 110), look.base)
    sheet.print_title_rows = None
    for number, (head, text) in enumerate(plan_about_rows(look), start=1):
        left = styled_cell(sheet, neutralise(head), BEST if text else HEAD, wrap=bool(text))
        right = styled_cell(sheet, neutralise(text), PLAIN if text else HEAD, wrap=True)
        lines = max(line_count(head, 24), line_count(text, 100)) if text else 1
        append_row(sheet, [left, right], number, 13.5 * lines + (4 if text else 8))
