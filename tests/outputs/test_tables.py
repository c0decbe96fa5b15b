"""The priority list as CSV and as workbook: read back, compared, safe to open, laid out for print."""

from __future__ import annotations

import csv
import dataclasses
import re

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.outputs import workbook
from barrierrank.outputs.cells import neutralise, restore, rounded
from barrierrank.outputs.columns import COLUMN_DOCS, describe
from barrierrank.outputs.tables import write_cautions, write_csv, write_xlsx
from barrierrank.ranking.cautions import cautions_for

# from memory: signs that spreadsheets start a formula with, bare, after blanks and after what may part cells
PAYLOADS = (
    "=1+1",
    "+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "\tplain",
    "  =1",
    "\u00a0=1",
    "\ufeff=1",
    "\u200b@x",
    "\uff1d1",
    '=HYPERLINK("http://x.invalid","y")',
    "=cmd|' /C calc'!A0",
    "x;=1",
    "x\t=1",
    "x\n@y",
    "'=1",
    "''=1",
    '","=1+1',
    '";=1+1',
)
FORMULA = re.compile(r"(?:^|[;\t\r\n])[\s\u200b\ufeff]*[=+\-@\uff1d]")


def _poisoned(model, texts=PAYLOADS):
    priority = model.priority.copy()
    for i, column in enumerate(("name", "action", "why", "site")):
        cells = [texts[(k + i) % len(texts)] for k in range(len(priority))]
        priority[column] = pd.Series(cells, index=priority.index, dtype=object)
    return dataclasses.replace(model, priority=priority, basin=texts[0])


@pytest.fixture(scope="module")
def book(small_model, tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "p.xlsx"
    model = small_model()
    write_xlsx(path, model)
    return model, openpyxl.load_workbook(path)


def test_csv_gives_back_the_list(small_model, tmp_path):
    model = small_model()
    before = model.priority.copy(deep=True)
    write_csv(tmp_path / "p.csv", model)
    back = pd.read_csv(tmp_path / "p.csv")
    assert list(back.columns) == list(model.priority.columns)
    pd.testing.assert_frame_equal(back, model.priority, check_dtype=False, rtol=1e-5, atol=1e-9)
    pd.testing.assert_frame_equal(before, model.priority)  # the caller's data is untouched
    assert back["rank"].is_monotonic_increasing


def test_csv_is_plain_utf8_for_machines(small_model, tmp_path):
    model = small_model()
    model.priority.loc[0, "name"] = "Älvö 北 dam"
    write_csv(tmp_path / "p.csv", model)
    raw = (tmp_path / "p.csv").read_bytes()
    assert raw.startswith(b"rank,site,")
    assert "Älvö 北 dam".encode() in raw
    assert b"\r" not in raw


def test_csv_holds_no_formula_and_loses_no_text(small_model, tmp_path):
    model = _poisoned(small_model())
    write_csv(tmp_path / "p.csv", model)
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as file:
        back = pd.DataFrame(list(csv.DictReader(file)))
    assert len(back) == len(model.priority)
    for column in ("name", "action", "why", "site"):
        assert not [t for t in back[column] if FORMULA.search(t)]
        assert [restore(t) for t in back[column]] == list(model.priority[column])


def test_numbers_are_not_touched_by_the_guard(small_model, tmp_path):
    model = small_model()
    write_csv(tmp_path / "p.csv", model)
    first = (tmp_path / "p.csv").read_text("utf-8").splitlines()[1]
    assert "'" not in first
    assert ",-" in first  # the first row shuts lamprey out: a number below zero


@given(st.text(alphabet="'=+-@;\t\r\n a\u00a0\u200b1\uff1d", max_size=12))
def test_neutralise_can_be_undone_and_is_safe(text):
    safe = neutralise(text)
    assert restore(safe) == text
    assert not FORMULA.search(safe)
    assert not safe.startswith(("\t", "\r", "\n"))


@given(st.text(max_size=30))
def test_neutralise_can_be_undone_for_any_text(text):
    assert restore(neutralise(text)) == text


@pytest.mark.parametrize(
    "text", ["Mill dam", "Long beck - upper", "a=b", "3 + 4", "it's", "'so'", "", "x; y"]
)
def test_harmless_text_stays(text):
    assert neutralise(text) == text


def test_rounding_keeps_six_figures_order_and_the_special_values():
    values = np.array([1234567.891234, 0.000123456789, 0.0, -0.0, np.nan, np.inf, 5e-324, 1e300, -2.5])
    out = rounded(values, "money")
    np.testing.assert_allclose(out, values, rtol=5.1e-6)
    assert out[0] == 1234567.89
    assert out[1] == 0.000123457
    assert not np.signbit(out[3])
    assert np.isnan(out[4])
    assert values[0] == 1234567.891234  # fresh array


@given(st.lists(st.floats(-1e12, 1e12), min_size=2, max_size=50))
def test_rounding_keeps_a_sorted_column_sorted(values):
    out = rounded(np.sort(np.array(values)), "ratio")
    assert (np.diff(out) >= 0).all()


def test_workbook_sheets_and_cells(book):
    model, opened = book
    assert opened.sheetnames == ["Priority list", "Sites", "Columns", "About", "Problems"]
    sheet = opened["Priority list"]
    head = [c.value for c in sheet[1]]
    assert [h for h in head if h != "remark"] == list(model.priority.columns)
    assert sheet.max_row == len(model.priority) + 1
    for position, name in enumerate(head, start=1):
        if name == "remark":
            continue
        found = [sheet.cell(r, position).value for r in range(2, sheet.max_row + 1)]
        wanted = model.priority[name]
        if pd.api.types.is_float_dtype(wanted.dtype):
            np.testing.assert_allclose(np.array(found, float), wanted, rtol=1e-5, atol=1e-9)
        else:
            assert found == wanted.tolist()
    assert opened["Sites"].max_row == len(model.sites) + 1
    assert opened["Problems"].max_row == len(model.problems) + 1


def test_workbook_is_laid_out_for_reading_and_print(book):
    _, opened = book
    sheet = opened["Priority list"]
    assert sheet.freeze_panes == "D2"
    assert sheet.auto_filter.ref == f"A1:{sheet.cell(1, sheet.max_column).column_letter}{sheet.max_row}"
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
    assert sheet.print_title_rows in ("1:1", "$1:$1")
    head = {c.value: c for c in sheet[1]}
    assert "USD" in sheet.cell(2, head["cost"].column).number_format
    assert sheet.cell(2, head["why"].column).alignment.wrap_text
    assert sheet.column_dimensions[head["why"].column_letter].width >= 20
    assert "m²" in sheet.cell(2, head["gain_brook_trout"].column).number_format


def test_best_and_harmful_rows_are_told_without_colour(book):
    model, opened = book
    sheet = opened["Priority list"]
    head = {c.value: c.column for c in sheet[1]}
    harmful = best = 0
    for row, (is_best, benefit) in enumerate(
        zip(model.priority["best"], model.priority["benefit"], strict=True), start=2
    ):
        cell, remark = sheet.cell(row, head["name"]), sheet.cell(row, head["remark"]).value or ""
        harm = benefit < 0
        assert ("more harm than good" in remark) == harm
        assert remark.startswith("best at its site") == is_best
        assert bool(cell.font.italic) == harm
        assert bool(cell.font.bold) == (is_best and not harm)
        harmful, best = harmful + harm, best + is_best
    assert harmful
    assert best


def test_workbook_holds_no_formula(small_model, tmp_path):
    model = _poisoned(small_model(hostile=True), (*PAYLOADS, "bell\x07", "half \ud800 pair", "x" * 40_000))
    write_xlsx(tmp_path / "p.xlsx", model)
    opened = openpyxl.load_workbook(tmp_path / "p.xlsx")
    texts = [c for sheet in opened for row in sheet.iter_rows() for c in row if isinstance(c.value, str)]
    assert len(texts) > 400
    assert {c.data_type for c in texts} == {"s"}
    # a carriage return comes back as a line break: XML knows no other
    assert not [c.value for c in texts if FORMULA.search(c.value)]


def test_columns_sheet_tells_meaning_and_unit_of_every_column(book):
    _, opened = book
    rows = list(opened["Columns"].iter_rows(min_row=2, values_only=True))
    told = {(r[0], r[1]): r for r in rows}
    for name in [c.value for c in opened["Priority list"][1]]:
        assert told["Priority list", name][4]
    for name in [c.value for c in opened["Sites"][1]]:
        assert told["Sites", name][4]
    assert told["Priority list", "cost"][3] == "USD"
    assert told["Sites", "blocked_brook_trout"][3] == "m²"
    assert told["layer reaches", "length_m"][3] == "m"


def test_about_sheet_tells_what_a_reader_must_know(book):
    model, opened = book
    text = "\n".join(str(v) for row in opened["About"].iter_rows(values_only=True) for v in row if v)
    for needed in (model.basin, model.ranked_by, "30 years", "3.00%", "0.1.0", "planning", *model.cautions):
        assert needed in text


def test_points_and_us_units(small_model, tmp_path):
    model = small_model(currency=None, units="us")
    write_xlsx(tmp_path / "p.xlsx", model)
    sheet = openpyxl.load_workbook(tmp_path / "p.xlsx")["Priority list"]
    head = {c.value: c.column for c in sheet[1]}
    assert sheet.cell(2, head["net_benefit"]).value is None
    assert "$" not in sheet.cell(2, head["cost"]).number_format
    assert int(sheet.page_setup.paperSize) in (1, 17)


def test_same_results_give_the_same_bytes(small_model, tmp_path):
    for name in ("a", "b"):
        write_xlsx(tmp_path / f"{name}.xlsx", small_model())
        write_csv(tmp_path / f"{name}.csv", small_model())
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_rows_beyond_the_format_are_told(small_model, tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ROWS", 20)
    write_xlsx(tmp_path / "p.xlsx", small_model())
    sheet = openpyxl.load_workbook(tmp_path / "p.xlsx")["Priority list"]
    assert sheet.max_row == 20
    assert re.match(r"\d+ more rows do not fit", sheet.cell(20, 1).value)
    assert int(sheet.cell(20, 1).value.split()[0]) + 18 == len(small_model().priority)


def test_unlimited_and_missing_numbers(small_model, tmp_path):
    model = small_model()
    model.priority.loc[0, "benefit_per_cost"] = np.inf
    model.priority.loc[1, "benefit_per_cost"] = np.nan
    write_xlsx(tmp_path / "p.xlsx", model)
    sheet = openpyxl.load_workbook(tmp_path / "p.xlsx")["Priority list"]
    column = {c.value: c.column for c in sheet[1]}["benefit_per_cost"]
    assert [sheet.cell(r, column).value for r in (2, 3)] == ["unlimited", None]
    write_csv(tmp_path / "p.csv", model)
    assert pd.read_csv(tmp_path / "p.csv")["benefit_per_cost"][0] == np.inf


def test_empty_list(small_model, tmp_path):
    model = dataclasses.replace(small_model(), priority=small_model().priority.iloc[:0])
    write_csv(tmp_path / "p.csv", model)
    write_xlsx(tmp_path / "p.xlsx", model)
    assert openpyxl.load_workbook(tmp_path / "p.xlsx")["Priority list"].max_row == 1


def test_every_column_of_the_contract_is_described(small_model):
    model = small_model()
    frames = {"reaches": model.reaches, "sites": model.sites, "problems": model.problems}
    frames = {k: f.drop(columns=f.geometry.name) for k, f in frames.items()} | {
        "priority_list": model.priority
    }
    for table, frame in frames.items():
        docs = describe(frame.columns, model.species, table=table, currency="USD")
        assert [d.name for d in docs] == list(frame.columns)
        for doc in docs:
            assert doc.kind != "other", doc.name
            assert doc.meaning
            assert "{" not in doc.title + doc.meaning + doc.unit
    assert describe(["guess"], model.species, table="sites")[0].kind == "other"


def test_units_are_given_where_values_have_them():
    with_unit = {"length", "habitat", "money", "worth", "ratio", "measure"}
    assert [d.name for d in COLUMN_DOCS if (d.kind in with_unit) != bool(d.unit)] == []


def test_a_list_of_four_species_is_readable_in_print(small_model, tmp_path):
    """On A3 landscape, margins taken off, some 215 characters of the workbook's font fit at full size."""
    write_xlsx(tmp_path / "p.xlsx", small_model())
    sheet = openpyxl.load_workbook(tmp_path / "p.xlsx")["Priority list"]
    names = [c.value for c in sheet[1]]
    assert names[-5:] == ["why", *(f"passability_{s.key}" for s in small_model().species)]
    assert not any(sheet.column_dimensions[c.column_letter].hidden for c in sheet[1][-4:])  # seen, if not printed
    assert sheet.print_area == f"'Priority list'!$A$1:${sheet[1][-5].column_letter}${sheet.max_row}"
    columns = [sheet.column_dimensions[c.column_letter] for c in sheet[1][:-4]]
    printed = sum(c.width for c in columns if not c.hidden)
    assert len(small_model().species) >= 3
    assert printed <= 215 / 0.6  # ten points become six at the least
    assert int(sheet.page_setup.paperSize) == 8
    head = {c.value: c.column for c in sheet[1]}
    best = next(r for r in range(2, 40) if sheet.cell(r, head["best"]).value)
    assert sheet.cell(best, head["name"]).font.bold
    assert not sheet.cell(best, head["why"]).font.bold


def test_a_sheet_too_wide_to_be_read_on_one_page_is_printed_on_several(book):
    _, opened = book
    sheet = opened["Sites"]
    wide = sum(sheet.column_dimensions[c.column_letter].width for c in sheet[1])
    pages = sheet.page_setup.fitToWidth
    assert pages > 1
    assert wide / pages <= 215 / 0.6 < wide
    assert sheet.print_title_cols == "$A:$C"  # what a row is about stands on each of them


def test_cautions_are_written_in_full(small_model, tmp_path):
    told = cautions_for(["Raise the crest", "trap"], ["invasive", "native"], changes=["remove"])
    write_cautions(tmp_path / "c.txt", dataclasses.replace(small_model(), cautions=told))
    text = (tmp_path / "c.txt").read_text("utf-8")
    assert [" ".join(part.split()) for part in text.split("\n\n")] == list(told)
    assert max(map(len, text.splitlines())) <= 80
    write_cautions(tmp_path / "c.txt", dataclasses.replace(small_model(), cautions=()))
    assert "planning" in (tmp_path / "c.txt").read_text("utf-8")
