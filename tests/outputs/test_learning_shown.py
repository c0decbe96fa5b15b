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
from barrierrank.outputs.learning_words import learning_sentences, worth_words
from barrierrank.outputs.model import LearningLook, OutputModel
from barrierrank.outputs.spoken import spoken_summary
from barrierrank.outputs.tables import write_survey_next, write_weights
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
    assert book["Survey next"].max_row == 6
    write_bundle(out, dataclasses.replace(model, survey_next=None, learning=None, weights=None))
    assert not names & {p.name for p in out.iterdir()}
    assert not {"Survey next", "Weights"} & set(openpyxl.load_workbook(out / "priority_list.xlsx").sheetnames)


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
