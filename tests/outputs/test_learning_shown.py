"""What to learn next and what weights decide, in every output."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from barrierrank.outputs.about import about_rows
from barrierrank.outputs.bundle import is_ours, write_bundle
from barrierrank.outputs.columns import describe
from barrierrank.outputs.learning import draw_learning, shown, worth_drawing
from barrierrank.outputs.learning_words import learning_sentences, survey_notes, weight_notes, worth_words
from barrierrank.outputs.model import LearningLook, OutputModel
from barrierrank.outputs.spoken import spoken_summary
from barrierrank.outputs.tables import write_survey_next, write_weights, write_xlsx
from barrierrank.outputs.weights import draw_weights

Build = Callable[..., OutputModel]
HOSTILE = '=HYPERLINK("x") $\\frac{1}{2}$ <b>'


def survey_table(model: OutputModel) -> pd.DataFrame:
    """Return three sites and two other inputs, the last of them worth nothing."""
    site, name = model.sites["site"].astype(str).to_numpy()[:3], model.sites["name"].astype(str).to_numpy()[:3]
    return pd.DataFrame(
        {
            "place": [1, 2, 3, 4, 5],
            "what": ["value of Eel", "passability today", "passability today", "passability today", "cost of 'x'"],
            "kind": ["value", "passability", "passability", "passability", "cost"],
            "site": ["", *site, site[0]],
            "name": ["", *name, name[0]],
            "species": [model.species[0].key, "", "", "", ""],
            "worth_survey": [np.nan, 40_000.0, 90_000.0, 0.0, np.nan],
            "worth_perfect": [500_000.0, 120_000.0, 100_000.0, 3_000.0, 0.0],
            "error": [9_000.0, 5_000.0, 4_000.0, 3_000.0, 0.0],
            "chance_changed": [0.5, 0.3, 0.2, 0.1, 0.0],
        }
    )


def weights_table(model: OutputModel) -> pd.DataFrame:
    """Return the first three of the list with shares of the weights."""
    table = model.priority[["site", "name", "action", "rank"]].head(3).reset_index(drop=True)
    return table.assign(
        share_first=[0.7, 0.299, 0.001], share_top=[1.0, 0.9, 0.5], rank_low=[1, 1, 1], rank_high=[3, 4, 9],
        weight_cost=[0.2, 0.7, 0.9], weight_benefit=[0.8, 0.3, 0.1],
    )  # fmt: skip


@pytest.fixture
def model(small_model: Build) -> OutputModel:
    plain = small_model()
    table = survey_table(plain)
    first = (table["site"][2], table["site"][1])
    look = LearningLook("Decision assumed: x.", 2.5, 1.0e6, 110_000.0, first, "A survey is y.")
    hinges = np.where(np.arange(len(plain.priority)) == 0, "value of Eel 40 %", "")
    return dataclasses.replace(
        plain, learning=look, survey_next=table, weights=weights_table(plain),
        priority=plain.priority.assign(hinges_on=hinges),
    )  # fmt: skip


def test_sentences_name_the_sites_and_their_worth(model: OutputModel) -> None:
    told = learning_sentences(model)
    assert told[0].startswith(f"Survey first: {model.learning.sites[0]}")
    assert "together worth about" in told[0]
    assert "value of Eel" in told[1]
    assert "cost of 'x'" not in told[1]  # worth nothing
    assert "Decision assumed: x." in told
    assert "the 2 criteria" in told[-1]
    assert all(text in spoken_summary(model).replace("\n", " ") for text in told)
    assert set(told) <= {text for _, text in about_rows(model)}


def test_nothing_worth_a_survey_is_said(model: OutputModel) -> None:
    none = dataclasses.replace(model, learning=dataclasses.replace(model.learning, sites=(), together=0.0))
    assert "No survey of a single site is worth anything" in learning_sentences(none)[0]


def test_worth_in_two_digits() -> None:
    assert worth_words(123_456.0, None) == "120,000 points"
    assert "120,000" in worth_words(123_456.0, "USD")
    assert worth_words(0.0, None) == "0 points"


def test_tables(model: OutputModel, tmp_path: Path) -> None:
    write_survey_next(tmp_path / "s.csv", model)
    write_weights(tmp_path / "w.csv", model)
    back = pd.read_csv(tmp_path / "s.csv")
    assert back["worth_perfect"].tolist() == model.survey_next["worth_perfect"].tolist()
    assert back["worth_survey"].isna().tolist() == [True, False, False, False, True]
    assert pd.read_csv(tmp_path / "w.csv")["weight_cost"].tolist() == [0.2, 0.7, 0.9]
    for table, name in ((model.survey_next, "survey_next"), (model.weights, "weights")):
        assert all(doc.meaning for doc in describe(table.columns, model.species, table=name))
    bare = dataclasses.replace(model, survey_next=None, weights=None)
    for write in (write_survey_next, write_weights):
        with pytest.raises(ValueError, match="there is no table"):
            write(tmp_path / "x.csv", bare)


def test_files_and_sheets_come_and_go(model: OutputModel, tmp_path: Path) -> None:
    out = tmp_path / "results"
    names = {"survey_next.csv", "survey_next.png", "weights.csv", "weights.png"}
    write_bundle(out, model)
    assert names <= {p.name for p in out.iterdir()}
    assert all(is_ours(name) for name in names)
    book = openpyxl.load_workbook(out / "priority_list.xlsx")
    assert {"Survey next", "Weights"} <= set(book.sheetnames)
    assert book["Survey next"].max_row == 10  # four paragraphs, the header, five rows
    write_bundle(out, dataclasses.replace(model, survey_next=None, learning=None, weights=None))
    assert not names & {p.name for p in out.iterdir()}
    assert not {"Survey next", "Weights"} & set(openpyxl.load_workbook(out / "priority_list.xlsx").sheetnames)


def opened(model: OutputModel, path: Path) -> openpyxl.Workbook:
    write_xlsx(path, model)
    return openpyxl.load_workbook(path)


def test_sheets_begin_with_how_to_read_them(model: OutputModel, tmp_path: Path) -> None:
    book = opened(model, tmp_path / "p.xlsx")
    for title, table, notes in (
        ("Survey next", model.survey_next, survey_notes(model)),
        ("Weights", model.weights, weight_notes(model)),
    ):
        sheet, head = book[title], len(notes) + 1
        assert [sheet.cell(i, 1).value for i in range(1, head)] == list(notes)
        assert [cell.value for cell in sheet[head]] == list(table)
        last = sheet.cell(head, len(table.columns)).column_letter
        assert {str(r) for r in sheet.merged_cells.ranges} == {f"A{i}:{last}{i}" for i in range(1, head)}
        assert sheet.freeze_panes == f"D{head + 1}"
        assert sheet.auto_filter.ref == f"A{head}:{last}{head + len(table)}"
        assert sheet.print_title_rows.replace("$", "") == f"{head}:{head}"
        assert all(sheet.cell(i, 1).alignment.wrap_text for i in range(1, head))
    text = " ".join(survey_notes(model))
    for said in ("Decision assumed: x.", "A survey is y.", "together worth about USD 110,000, of USD 1 million",
                 "told from chance", "What a survey costs"):  # fmt: skip
        assert said in text
    assert "told from chance" in survey_notes(dataclasses.replace(model, learning=None))[0]


def test_points_are_not_set_against_money(small_model: Build, tmp_path: Path) -> None:
    plain = small_model(currency=None)
    look = LearningLook("Decision assumed: x.", 0.0, 123_456.0, 1_234.0, ("S0001",), "A survey is y.")
    made = dataclasses.replace(plain, learning=look, survey_next=survey_table(plain))
    assert "worth about 1,200 points, of 120,000 points" in learning_sentences(made)[0]
    assert "points, which cannot be set against what a survey costs" in survey_notes(made)[-1]
    sheet = opened(made, tmp_path / "p.xlsx")["Survey next"]
    assert "$" not in sheet.cell(7, 7).number_format


def test_empty_tables(model: OutputModel, tmp_path: Path) -> None:
    nothing = LearningLook("Decision assumed: x.", 1.0, 0.0, 0.0, (), "A survey is y.")
    made = dataclasses.replace(
        model, learning=nothing, survey_next=model.survey_next.head(0), weights=model.weights.head(0)
    )
    assert learning_sentences(made)[0].startswith("Nothing need be surveyed")
    assert len(weight_notes(made)) == 1
    write_bundle(tmp_path / "r", made)
    names = {p.name for p in (tmp_path / "r").iterdir()}
    assert {"survey_next.csv", "weights.csv"} <= names
    assert not {"survey_next.png", "weights.png"} & names
    assert list(pd.read_csv(tmp_path / "r" / "survey_next.csv")) == list(model.survey_next)
    assert openpyxl.load_workbook(tmp_path / "r" / "priority_list.xlsx")["Weights"].max_row == 2


def test_the_picture_shows_surveys_by_their_worth_and_leaves_out_nothing_worth(model: OutputModel) -> None:
    surveys, others = shown(model)
    assert surveys["worth_survey"].tolist() == [90_000.0, 40_000.0, 0.0]
    assert others["what"].tolist() == ["value of Eel"]
    texts = [t.get_text() for t in draw_learning(model).findobj(match=lambda a: hasattr(a, "get_text"))]
    assert any("a survey: no clear worth" in t for t in texts)
    assert worth_drawing(model)
    nothing = model.survey_next.assign(worth_perfect=0.0)
    assert not worth_drawing(dataclasses.replace(model, survey_next=nothing))


def test_hostile_texts_stay_texts(model: OutputModel, tmp_path: Path) -> None:
    table = model.survey_next.assign(what=HOSTILE, name=HOSTILE)
    weights = model.weights.assign(name=HOSTILE, action=HOSTILE)
    made = dataclasses.replace(model, survey_next=table, weights=weights)
    write_bundle(tmp_path / "r", made)
    assert pd.read_csv(tmp_path / "r" / "survey_next.csv")["what"].str.startswith("'=").all()
    sheet = openpyxl.load_workbook(tmp_path / "r" / "priority_list.xlsx")["Weights"]
    assert all(cell.data_type != "f" for row in sheet for cell in row)
    site = model.learning.sites[0]
    names = model.sites["name"].where(model.sites["site"] != site, "=1+1;\n=2")
    poisoned = dataclasses.replace(made, sites=model.sites.assign(name=names))
    assert "\n" not in " ".join((*survey_notes(poisoned), *learning_sentences(poisoned)))
    cells = [c for row in opened(poisoned, tmp_path / "q.xlsx")["Survey next"] for c in row]
    assert {c.data_type for c in cells if isinstance(c.value, str)} == {"s"}
    assert any("(=1+1;' =2)" in str(c.value) for c in cells)


@pytest.mark.parametrize("criteria", [1, 2, 9])
def test_the_picture_of_weights_has_a_key_for_every_criterion(model: OutputModel, criteria: int) -> None:
    names = [f"passability_k{k}" for k in range(criteria)]
    kept = model.weights.drop(columns=["weight_cost", "weight_benefit"])
    wide = kept.assign(**{f"weight_{name}": 1.0 / criteria for name in names})
    figure = draw_weights(dataclasses.replace(model, weights=wide))
    squares = [t for t in figure.texts if t.get_text() == "■"]
    assert len(squares) == criteria
    edge = figure.get_figheight() * figure.dpi
    assert all(0.0 <= t.get_window_extent().y0 <= edge for t in figure.texts)
