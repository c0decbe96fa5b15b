"""Tables of a plan: every column told, no text a formula, the workbook in the looks of the priority list's."""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import numpy as np
import openpyxl
import pandas as pd
import pytest
from support.plan_look import plan_look

from barrierrank.outputs.cells import neutralise, restore
from barrierrank.outputs.column_doc import HABITAT_UNITS
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_columns import (
    PLAN_COLUMN_DOCS,
    PLAN_TABLES,
    STEADINESS,
    PlanTable,
    describe_plan,
)
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_reaches import plan_reaches
from barrierrank.outputs.plan_tables import plan_tables, write_plan_csv, write_plan_xlsx
from barrierrank.outputs.plan_workbook import SHEETS

Build = Callable[..., OutputModel]
ALL = ["plan", "plan_left_out", "plan_steadiness", "plan_curve", "plan_front", "plan_access"]


@pytest.fixture(scope="module")
def look(small_model: Build) -> PlanLook:
    return plan_look(small_model())


def read(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, keep_default_na=False, na_values=[""])


def sheets(look: PlanLook, path: Path) -> openpyxl.Workbook:
    write_plan_xlsx(path, look, plan_tables(look))
    return openpyxl.load_workbook(path)


def test_every_column_is_told(look: PlanLook) -> None:
    tables = {**plan_tables(look), "plan_reaches": plan_reaches(look).drop(columns="geometry")}
    assert sorted(tables) == sorted(PLAN_TABLES) == sorted(get_args(PlanTable)) == sorted(PLAN_COLUMN_DOCS)
    for name, table in tables.items():
        docs = describe_plan(table.columns, look, table=name)
        assert [d.name for d in docs] == list(table.columns)
        for doc in docs:
            assert doc.kind != "other", (name, doc.name)
            assert doc.title, doc.name
            assert doc.meaning.endswith("."), doc.name
            assert "{" not in doc.title + doc.meaning + doc.unit
            words = set(table[doc.name].dropna()) - {""} if doc.words else set()
            assert words <= set(doc.words), doc.name
    gains = {d.name: d.unit for d in describe_plan(look.plan.columns, look, table="plan")}
    assert all(gains[f"gain_{s.key}"] == HABITAT_UNITS[s.habitat_unit] for s in look.base.species)
    assert gains["cost"] == gains["worth_alone"] == "USD"
    (price, other) = describe_plan(["price", "guess"], look, table="plan_curve")
    assert price.unit == "USD per USD"
    assert other.kind == "other"


def test_units_of_points_and_of_the_front(small_model: Build) -> None:
    look = dataclasses.replace(plan_look(small_model(currency=None)), front_unit="m2")
    assert [d.unit for d in describe_plan(["cost", "worth_alone"], look, table="plan")] == ["money", "points"]
    assert [d.unit for d in describe_plan(["cap", "native_worth"], look, table="plan_front")] == ["m²", "points"]


def test_a_species_named_like_a_pattern(look: PlanLook) -> None:
    first = dataclasses.replace(look.base.species[0], key="before_x", label="{label} {sp}")
    odd = dataclasses.replace(look, base=dataclasses.replace(look.base, species=(first,)))
    access, state = describe_plan(["before_before_x", "state_after_before_x"], odd, table="plan_reaches")
    assert (access.kind, state.kind) == ("share", "word")
    assert access.title == "Access before, {label} {sp}"


def test_csvs_hold_the_tables(look: PlanLook, tmp_path: Path) -> None:
    assert list(plan_tables(look)) == ALL
    for name, table in plan_tables(look).items():
        write_plan_csv(tmp_path / f"{name}.csv", look, name)
        back = read(tmp_path / f"{name}.csv")
        assert list(back) == list(table)
        assert len(back) == len(table)
        for column in table.select_dtypes("number"):
            there = back[column].to_numpy(dtype=float)
            assert there == pytest.approx(table[column].to_numpy(dtype=float), rel=1e-5, nan_ok=True), (name, column)
    back = read(tmp_path / "plan.csv")
    assert back["order"].tolist() == list(range(1, len(look.plan) + 1))
    assert set(back["steadiness"]) <= set(STEADINESS)
    assert not back["by_list"].all()
    access = read(tmp_path / "plan_access.csv")
    assert access["unit"].tolist() == ["m", "m", "m²", "units"]
    assert access["change"].to_numpy() == pytest.approx((access["after"] - access["before"]).to_numpy(), abs=0.02)
    text = (tmp_path / "plan_curve.csv").read_text("utf-8")
    assert ",inf," in text  # the gap where a plan gains nothing


@pytest.mark.parametrize("currency", ["USD", None])
def test_a_plan_that_does_nothing(small_model: Build, tmp_path: Path, currency: str | None) -> None:
    look = plan_look(small_model(currency=currency), share=0.0, draws=0, curve=0, front=0)
    assert look.plan.empty
    assert list(plan_tables(look)) == ["plan", "plan_left_out", "plan_access"]
    for name in plan_tables(look):
        write_plan_csv(tmp_path / f"{name}.csv", look, name)
    assert list(read(tmp_path / "plan.csv")) == list(look.plan)
    with pytest.raises(ValueError, match="plan_front: the plan has no such table, it has plan, plan_left_out"):
        write_plan_csv(tmp_path / "x.csv", look, "plan_front")
    book = sheets(look, tmp_path / "plan.xlsx")
    assert book.sheetnames == ["About", "Plan", "Left out", "Access", "Columns"]
    about = " ".join(str(c.value) for row in book["About"] for c in row)
    assert "nothing is worth doing" in about
    assert "core" not in about


def test_texts_cannot_become_formulas_and_can_be_got_back(small_model: Build, tmp_path: Path) -> None:
    hostile = plan_look(small_model(hostile=True))
    worst = ["=1+1", "@x", "+a,b", "-\"q\"\r", "a;=b", "line\n=2", "\t=3"]
    plan = hostile.plan.copy()
    for column in ("name", "action", "presumes", "why"):
        plan[column] = [worst[i % len(worst)] for i in range(len(plan))]
    assert hostile.curve is not None
    curve = hostile.curve.assign(adds="=cmd; =other", drops="+x")
    look = dataclasses.replace(hostile, plan=plan, curve=curve)
    for name, table in plan_tables(look).items():
        path = tmp_path / f"{name}.csv"
        write_plan_csv(path, look, name)
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(table)
        for column in table.select_dtypes(["object", "str"]):
            cells = [row[column] for row in rows]
            assert cells == [neutralise(str(v)) for v in table[column]]
            assert [restore(c) for c in cells] == [str(v) for v in table[column]]
            assert not any(c.lstrip().startswith(("=", "+", "-", "@")) for c in cells)
    book = sheets(look, tmp_path / "plan.xlsx")
    for sheet in book:
        for row in sheet.iter_rows():
            assert not any(cell.data_type == "f" for cell in row), sheet.title


def test_the_workbook(look: PlanLook, tmp_path: Path) -> None:
    book = sheets(look, tmp_path / "plan.xlsx")
    assert book.sheetnames == ["About", *SHEETS.values(), "Columns"]
    for name, table in plan_tables(look).items():
        sheet = book[SHEETS[name]]
        head = next(r for r in range(1, 5) if sheet.cell(r, 1).value == str(table.columns[0]))
        assert [c.value for c in sheet[head]][: len(table.columns)] == list(table.columns)
        assert sheet.max_row == head + len(table)
        assert sheet.auto_filter.ref.endswith(str(sheet.max_row))
        assert sheet.freeze_panes.endswith(str(head + 1))
        assert sheet.print_title_rows == f"${head}:${head}"
        assert sheet.page_setup.orientation == "landscape"
        assert "planning only" in sheet.oddFooter.left.text
        assert all(sheet.cell(head, c).comment.text for c in range(1, len(table.columns) + 1))
    plan = book["Plan"]
    columns = {c.value: c.column for c in plan[2]}
    for i, (_, row) in enumerate(look.plan.iterrows(), start=3):
        assert plan.cell(i, columns["cost"]).value == pytest.approx(row["cost"])
        assert plan.cell(i, columns["cost"]).number_format.startswith("[$USD]")
        assert plan.cell(i, columns["name"]).font.bold == (row["steadiness"] == "core")
        assert not plan.cell(i, columns["why"]).font.bold
    told = [(r[0].value, r[1].value) for r in book["Columns"].iter_rows(min_row=2)]
    wanted = [(SHEETS[name], c) for name, table in plan_tables(look).items() for c in table]
    assert told == wanted
    about = " ".join(str(c.value) for row in book["About"] for c in row if c.value)
    assert "For planning only" in about
    assert "Taking the list from the top would gain" in about
    assert all(caution in about for caution in look.base.cautions)


def test_long_texts_wrap_in_rows_tall_enough(look: PlanLook, tmp_path: Path) -> None:
    assert look.curve is not None
    long = dataclasses.replace(look, curve=look.curve.assign(adds="S0001: Rebuild the crest; " * 12))
    sheet = sheets(long, tmp_path / "plan.xlsx")["Curve"]
    columns = {c.value: c for c in sheet[3]}
    adds = columns["adds"].column_letter
    assert sheet[f"{adds}4"].alignment.wrap_text
    assert sheet.column_dimensions[adds].width <= 60
    assert sheet.row_dimensions[4].height > 5 * 13


def test_the_same_plan_gives_the_same_bytes(look: PlanLook, tmp_path: Path) -> None:
    before = look.plan.copy(deep=True)
    for name in ("a", "b"):
        write_plan_xlsx(tmp_path / f"{name}.xlsx", look, plan_tables(look))
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    pd.testing.assert_frame_equal(look.plan, before)  # what the caller gave is untouched


def test_shares_not_drawn_are_empty(small_model: Build, tmp_path: Path) -> None:
    look = plan_look(small_model(), draws=0)
    write_plan_csv(tmp_path / "plan.csv", look, "plan")
    back = read(tmp_path / "plan.csv")
    assert back["share"].isna().all()
    assert back["steadiness"].isna().all()
    assert np.isfinite(back["worth_in_plan"]).all()
