"""How sure ranks are, in every output: intervals, chances, neighbours whose order the draws do not settle."""

from __future__ import annotations

import csv
import dataclasses
import json
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import matplotlib as mpl
import matplotlib.image
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from selenium.webdriver.common.keys import Keys
from support.map_browser import Reader
from support.map_page import Decoded

from barrierrank.outputs import bundle
from barrierrank.outputs.acceptability import (
    DARK,
    SHADES,
    draw_ranks,
    luminance,
    percent,
    shade,
    write_rank_picture,
)
from barrierrank.outputs.bundle import is_ours, write_bundle
from barrierrank.outputs.columns import describe
from barrierrank.outputs.columns_intervals import INTERVAL_COLUMNS
from barrierrank.outputs.frames import priority_frame
from barrierrank.outputs.intervals import (
    judged_pairs,
    settled_of_first,
    settled_words,
    uncertainty_rows,
    unsettled_remarks,
    unsettled_rows,
    unsettled_words,
)
from barrierrank.outputs.map.intervals import interval_bytes, interval_columns, list_words, note_words
from barrierrank.outputs.map.write import render_map
from barrierrank.outputs.model import OutputModel, UncertaintyLook
from barrierrank.outputs.spoken import spoken_summary
from barrierrank.outputs.tables import write_acceptability, write_csv, write_xlsx
from barrierrank.ranking.cautions import cautions_for

Build = Callable[..., OutputModel]
DRAWS, LEVEL, TOP = 400, 0.9, 5
CLASSES = [*map(str, range(1, 21)), "later"]


def with_draws(model: OutputModel, *, spread: float = 0.2, seed: int = 7) -> OutputModel:
    """Give a model what draws say: benefit and cost of every action times a lognormal factor, ranked anew each time."""
    rng, rows = np.random.default_rng(seed), model.priority
    n = len(rows)
    benefit = rows["benefit"].to_numpy()[:, None] * rng.lognormal(0, spread, (n, DRAWS))
    benefit += 0.01 * np.abs(benefit).mean() * rng.normal(size=(n, DRAWS))
    ratio = benefit / (rows["present_worth_cost"].to_numpy()[:, None] * rng.lognormal(0, 0.1, (n, DRAWS)))
    ranks = np.argsort(np.argsort(-ratio, axis=0, kind="stable"), axis=0, kind="stable") + 1
    low, high = np.quantile(ranks, [0.05, 0.95], axis=1, method="inverted_cdf")
    columns = {
        "rank_low": pd.array(low, dtype="Int64"), "rank_high": pd.array(high, dtype="Int64"),
        "chance_top": (ranks <= TOP).mean(axis=1), "expected_benefit": benefit.mean(axis=1),
        "chance_of_harm": (benefit < 0).mean(axis=1),
    }  # fmt: skip
    names = list(rows)
    at = names.index("best") + 1
    priority = rows.assign(**columns)[[*names[:at], *INTERVAL_COLUMNS, *names[at:]]]
    table = rows[["site", "name", "action", "rank"]].head(30).copy()
    for rank in range(1, 21):
        table[str(rank)] = (ranks[:30] == rank).mean(axis=1)
    table["later"] = (ranks[:30] > 20).mean(axis=1)
    first = (ranks[:-1] < ranks[1:]).mean(axis=1)[: TOP + 10]
    settled = np.maximum(first, 1 - first) >= LEVEL
    keys = rows[["site", "action"]].astype(str).to_numpy()
    pairs = tuple((*keys[i], *keys[i + 1], float(first[i])) for i in np.flatnonzero(~settled))
    share = float(settled.mean()) if len(settled) else 1.0
    look = UncertaintyLook(DRAWS, LEVEL, TOP, share, "The draws suffice: both halves say nearly the same.", pairs)
    return dataclasses.replace(model, priority=priority, uncertainty=look, acceptability=table)


def opened_pairs(model: OutputModel, *pairs: tuple[int, int, float]) -> OutputModel:
    """Say that just these pairs of rows are not settled."""
    keys = model.priority[["site", "action"]].to_numpy()
    told = tuple((*keys[a], *keys[b], chance) for a, b, chance in pairs)
    assert model.uncertainty is not None
    return dataclasses.replace(model, uncertainty=dataclasses.replace(model.uncertainty, unsettled=told))


@pytest.fixture(scope="module")
def plain(small_model: Build) -> OutputModel:
    model = small_model(seed=5, n_reaches=200, n_sites=60)
    return dataclasses.replace(model, cautions=cautions_for(["Remove the structure"]))


@pytest.fixture(scope="module")
def model(plain: OutputModel) -> OutputModel:
    made = with_draws(plain)
    look = made.uncertainty
    assert look is not None
    assert 0 < len(look.unsettled) < TOP + 10  # some of both
    return made


# --- Which neighbours, and in words ---


def test_rows_of_pairs_and_their_words(model: OutputModel) -> None:
    two = opened_pairs(model, (2, 3, 0.6), (1, 2, 0.55))
    assert unsettled_rows(two) == [(1, 2, 0.55), (2, 3, 0.6)]
    remarks = unsettled_remarks(two)
    assert remarks[1] == "order of 2 and 3 not settled"
    assert remarks[2] == "order with 2 and with 4 not settled"
    assert remarks[3] == "order of 3 and 4 not settled"
    assert not any([remarks[0], *remarks[4:]])
    assert unsettled_words(3, []) == ""
    assert two.uncertainty is not None
    look = dataclasses.replace(two.uncertainty, unsettled=(("S1", "x", "S1", "y", 0.5),))
    wrong = dataclasses.replace(two, uncertainty=look)
    with pytest.raises(ValueError, match="name 'x' at site 'S1', which is not in the list"):
        unsettled_rows(wrong)


def test_how_many_are_settled(model: OutputModel, plain: OutputModel) -> None:
    assert settled_of_first(opened_pairs(model)) == (10, 10)
    assert settled_of_first(opened_pairs(model, (2, 3, 0.6), (1, 2, 0.55))) == (7, 10)
    assert settled_of_first(opened_pairs(model, (9, 10, 0.6), (10, 11, 0.6))) == (9, 10)
    few = dataclasses.replace(plain, priority=plain.priority.head(4))
    assert settled_of_first(few) == (4, 4)
    look = UncertaintyLook(100, 0.9, 5, 0.4)
    assert settled_words(look, 100).startswith("Of the first 15 pairs of neighbours in the list")
    assert settled_words(look, 100).endswith("order: with one of the two first in at least 90 % of the draws.")
    assert "in the list, 6 are in a settled order" in settled_words(look, 100)
    assert "none is in a settled order" in settled_words(dataclasses.replace(look, settled=0.0), 100)
    assert settled_words(look, 2) == "The order of the first two of the list is not settled."
    assert settled_words(look, 1) == settled_words(dataclasses.replace(look, settled=float("nan")), 9) == ""
    assert [judged_pairs(look, rows) for rows in (0, 1, 8, 16, 99)] == [0, 0, 7, 15, 15]


# --- Tables ---


def test_order_of_columns(model: OutputModel, plain: OutputModel) -> None:
    scrambled = model.priority.assign(note="")
    scrambled = scrambled[sorted(scrambled)]
    names = list(priority_frame(scrambled, model.species))
    at = names.index("best")
    assert names[at : at + 8] == ["best", *INTERVAL_COLUMNS, "why", "note"]
    assert not set(INTERVAL_COLUMNS) & set(priority_frame(plain.priority.assign(note=""), plain.species))


def test_every_new_column_is_described(model: OutputModel) -> None:
    docs = describe(INTERVAL_COLUMNS, model.species, table="priority_list", currency="USD")
    assert [d.kind for d in docs] == ["count", "count", "share", "worth", "share"]
    assert docs[3].unit == "USD"
    assert model.acceptability is not None
    docs = describe(model.acceptability.columns, (), table="acceptability")
    assert "other" not in {d.kind for d in docs}
    assert [d.name for d in docs][4:] == CLASSES


def test_the_list_for_machines(model: OutputModel, tmp_path: Path) -> None:
    write_csv(tmp_path / "list.csv", model)
    read = pd.read_csv(tmp_path / "list.csv")
    for name in INTERVAL_COLUMNS:
        np.testing.assert_allclose(read[name], model.priority[name].to_numpy(dtype=float), rtol=1e-5, atol=1e-6)
    assert read["rank_low"].dtype == np.int64


def test_the_table_of_ranks(model: OutputModel, plain: OutputModel, tmp_path: Path) -> None:
    table = model.acceptability
    assert table is not None
    write_acceptability(tmp_path / "a.csv", dataclasses.replace(model, acceptability=table.assign(name="=1+1")))
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = list(csv.reader(file))
    assert head == ["site", "name", "action", "rank", *CLASSES]
    assert {row[1] for row in rows} == {"'=1+1"}
    read = np.array([[float(v) for v in row[4:]] for row in rows])
    np.testing.assert_allclose(read, table[CLASSES], atol=1e-6)
    np.testing.assert_allclose(read.sum(axis=1), 1.0, atol=1e-4)
    with pytest.raises(ValueError, match="uncertainty is not worked out"):
        write_acceptability(tmp_path / "b.csv", plain)


def test_the_workbook_prints_intervals_and_says_what_is_not_settled(model: OutputModel, tmp_path: Path) -> None:
    two = opened_pairs(model, (2, 3, 0.6))
    write_xlsx(tmp_path / "list.xlsx", two)
    book = openpyxl.load_workbook(tmp_path / "list.xlsx")
    sheet = book["Priority list"]
    head = {cell.value: cell for cell in sheet[1]}
    last = openpyxl.utils.range_boundaries(sheet.print_area.split("!")[-1].replace("$", ""))[2]
    for name in INTERVAL_COLUMNS:
        assert head["best"].column < head[name].column < head["why"].column <= last
        assert not sheet.column_dimensions[head[name].column_letter].hidden
    assert sheet.cell(2, head["rank_high"].column).value == model.priority["rank_high"].iloc[0]
    assert "USD" in sheet.cell(2, head["expected_benefit"].column).number_format
    remark = [sheet.cell(row, head["remark"].column).value or "" for row in range(2, 8)]
    assert ["order of 3 and 4 not settled" in text for text in remark] == [False, False, True, True, False, False]
    best = model.priority["best"].iloc[2]
    assert remark[2].startswith("best at its site; order" if best else "order")
    told = {(row[0].value, row[1].value) for row in book["Columns"].iter_rows(min_row=2)}
    assert {("Priority list", n) for n in INTERVAL_COLUMNS} | {("acceptability.csv", c) for c in CLASSES} <= told
    about = {row[0].value: row[1].value for row in book["About"].iter_rows()}
    assert about["Draws"].startswith("400, each with")
    assert about["rank_low, rank_high"].endswith("in 90 % of the draws")
    assert about["Are the draws enough?"].startswith("The draws suffice")


def test_without_draws_nothing_is_said(plain: OutputModel, tmp_path: Path) -> None:
    write_xlsx(tmp_path / "list.xlsx", plain)
    book = openpyxl.load_workbook(tmp_path / "list.xlsx")
    words = {str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row if cell.value}
    assert not {"rank_low", "Draws", "acceptability.csv"} & words
    assert not any("not settled" in t and "In the workbook only" not in t for t in words)
    assert uncertainty_rows(plain) == note_words(plain) == []
    assert list_words(plain) == ""
    assert interval_columns(plain) is None
    assert interval_bytes(plain) == 0
    assert "intervals" not in Decoded(render_map(plain)).meta["sections"]
    assert "settled" not in spoken_summary(plain)


def test_the_layer_of_actions(model: OutputModel, tmp_path: Path) -> None:
    path = tmp_path / "results.gpkg"
    bundle.write_geopackage(path, model)
    read = pyogrio.read_dataframe(path, layer="actions")
    names = list(read)
    at = names.index("best")
    assert names[at + 1 : at + 6] == list(INTERVAL_COLUMNS)
    assert (read["rank_high"] == model.priority["rank_high"].to_numpy()).all()
    with sqlite3.connect(path) as db:
        query = "select title from gpkg_data_columns where table_name = 'actions' and column_name = 'chance_of_harm'"
        assert db.execute(query).fetchall() == [("Chance of harm",)]


# --- The folder ---


def test_files_come_with_the_draws_and_go_with_them(
    model: OutputModel, plain: OutputModel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle, "write_blocked_maps", lambda _folder, _model: [])
    out, names = tmp_path / "results", {"acceptability.csv", "acceptability.png"}
    write_bundle(out, model)
    assert names <= {p.name for p in out.iterdir()}
    record = json.loads((out / "run.json").read_text("utf-8"))
    assert names <= {o["path"] for o in record["outputs"]}
    write_bundle(out, plain)
    assert not names & {p.name for p in out.iterdir()}
    assert all(is_ours(n) for n in (*names, "acceptability.png.aux.xml"))
    assert not is_ours("acceptability_old.png")
    empty = dataclasses.replace(model, acceptability=model.acceptability.head(0))
    write_bundle(out, empty)
    assert names & {p.name for p in out.iterdir()} == {"acceptability.csv"}


# --- The picture ---


def texts_of(figure: mpl.figure.Figure) -> list[str]:
    figure.canvas.draw()
    return [art.get_text() for art in figure.findobj(mpl.text.Text) if art.get_text()]


def test_the_picture_tells_what_it_shows(model: OutputModel) -> None:
    figure = draw_ranks(model)
    texts = texts_of(figure)
    whole = " ".join(texts)
    for wanted in ("how sure the ranks are", "400 draws", "first 30 of the list", "pairs of neighbours", "suffice",
                   "Rank in a draw", "Planning-level", "drown people", "licensed engineer", "later"):  # fmt: skip
        assert wanted in whole, wanted
    table = model.acceptability
    assert table is not None
    cells = [percent(v) for v in table[CLASSES].to_numpy().ravel()]
    axes = figure.axes[0]
    assert sorted(t.get_text() for t in axes.texts) == sorted(c for c in cells if c)
    for name in table["action"]:
        assert any(text.startswith(name[:6]) or f": {name[:6]}" in text for text in texts)


def test_an_outlined_cell_in_each_row(model: OutputModel) -> None:
    boxes = [p for p in draw_ranks(model).axes[0].patches if not p.get_fill()]
    assert [(round(b.get_x(), 2), b.get_y()) for b in boxes] == [(r, r) if r < 20 else (20.35, r) for r in range(30)]


def test_shades_are_safe_in_grey_and_numbers_readable(model: OutputModel) -> None:
    # Web Content Accessibility Guidelines 2.1, success criterion 1.4.3: a contrast of 4.5 and more is readable
    def bright(colour: tuple[float, ...]) -> float:
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour[:3]]
        return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))

    light = [bright(SHADES(x)) for x in np.linspace(0, 1, 101)]
    assert (np.diff(light) < 0).all()
    shown = shade(np.array([0.0, 0.01, 0.1, 1.0]))
    assert np.diff(shown).min() > 0.05
    axes = draw_ranks(model).axes[0]
    faces = {(p.get_x() + 0.5, p.get_y()): p.get_facecolor() for p in axes.patches if p.get_fill()}
    for art in axes.texts:
        x, y = art.get_position()
        over = bright(faces[x, round(y - 0.53)])
        ink = bright(mpl.colors.to_rgb(art.get_color()))
        assert (max(over, ink) + 0.05) / (min(over, ink) + 0.05) >= 4.5
    best = [max((v + 0.05) / 0.05, 1.05 / (v + 0.05)) for v in light]
    picked = [1.05 / (v + 0.05) if luminance(SHADES(x)) < DARK else (v + 0.05) / 0.05
              for x, v in zip(np.linspace(0, 1, 101), light, strict=True)]  # fmt: skip
    assert picked == pytest.approx(best, rel=0.02)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, ""), (0.0025, "<1"), (0.005, "<1"), (0.0051, "1"), (0.126, "13"), (0.994, "99"), (0.9975, ">99"),
        (1.0, "100"),
    ],
)
def test_cells_never_say_never_by_rounding(value: float, text: str) -> None:
    assert percent(value) == text


def test_a_short_list_and_hostile_texts(small_model: Build, tmp_path: Path) -> None:
    few = small_model(n_reaches=40, n_sites=3, hostile=True)
    model = with_draws(dataclasses.replace(few, basin="$x_$ basin"))
    rows = len(model.priority)
    assert rows < 20
    figure = draw_ranks(model)
    assert len(figure.axes[0].get_xticks()) == rows  # ranks nobody can have are left out
    assert any("$x_$ basin" in text for text in texts_of(figure))
    (path,) = write_rank_picture(tmp_path, model)
    assert path.name == "acceptability.png"
    pixels = mpl.image.imread(path)
    assert pixels.shape[1] > 1600
    assert pixels[:, :, :3].std() > 0.01
    with pytest.raises(ValueError, match="no ranks to draw"):
        draw_ranks(dataclasses.replace(model, acceptability=None))


def test_labels_keep_to_their_room(model: OutputModel) -> None:
    table = model.acceptability
    assert table is not None
    long = table.assign(name="A weir with a very long name indeed, below the mill", action="Rebuild " * 12)
    figure = draw_ranks(dataclasses.replace(model, acceptability=long))
    figure.canvas.draw()
    left = figure.axes[0].get_window_extent().x0
    labels = [t for t in figure.texts if t.get_text().startswith("A weir with")]
    assert len(labels) == 30
    assert all(t.get_window_extent().x1 < left for t in labels)


# --- The end of a run ---


def test_the_spoken_summary_has_one_line_more(model: OutputModel, plain: OutputModel) -> None:
    two = opened_pairs(model, (2, 3, 0.6))
    more = set(spoken_summary(two).splitlines()) - set(spoken_summary(plain).splitlines())
    (line,) = more
    wanted = "Of the first 10 in the list, 8 are settled against neighbours (400 draws): see rank_low, rank_high."
    assert line == wanted
    chain = opened_pairs(model, *((i, i + 1, 0.5) for i in range(10)))
    assert "Of the first 10 in the list, none is settled" in spoken_summary(chain)
    most = opened_pairs(model, *unsettled_rows(chain)[:8])
    assert "Of the first 10 in the list, one is settled" in spoken_summary(most)


# --- The map ---


def test_what_the_page_holds(model: OutputModel) -> None:
    found = Decoded(render_map(model)).json("intervals")
    rows = model.priority
    assert found["low"] == rows["rank_low"].tolist()
    assert found["high"] == rows["rank_high"].tolist()
    np.testing.assert_allclose(found["top"], rows["chance_top"] * 1000, atol=1.0)
    np.testing.assert_allclose(found["harm"], rows["chance_of_harm"] * 1000, atol=1.0)
    np.testing.assert_allclose(found["mean"], rows["expected_benefit"], rtol=0.006)
    assert [(a, b) for a, b, _ in found["open"]] == [(a, b) for a, b, _ in unsettled_rows(model)]
    assert found["first"] == TOP
    assert found["hinges"] == {}
    assert found["survey"] == {}


def test_missing_numbers_and_shares_near_the_ends(model: OutputModel) -> None:
    rows = model.priority.copy()
    rows["rank_low"] = rows["rank_low"].where(rows["rank"] > 1)
    rows["chance_top"] = np.where(rows["rank"] == 1, 1 - 1e-6, np.where(rows["rank"] == 2, 1e-6, np.nan))
    found = interval_columns(dataclasses.replace(model, priority=rows))
    assert found is not None
    assert found["low"][:2] == [None, model.priority["rank_low"].iloc[1]]
    assert found["top"][:3] == [999, 1, None]


def test_a_row_takes_a_few_bytes(small_model: Build) -> None:
    many = with_draws(small_model(n_reaches=900, n_sites=800))
    assert interval_bytes(many) < 12 * len(many.priority)


@pytest.fixture(scope="module")
def opened(visit: Callable[..., Reader], model: OutputModel) -> Reader:
    site, name = (str(model.priority[c].iloc[2]) for c in ("site", "name"))
    survey = pd.DataFrame({"site": [site], "name": [name], "worth_survey": [54321.0], "worth_perfect": [60000.0]})
    hinges = np.where(np.arange(len(model.priority)) == 2, "value of <b>Eel</b> 40 %", "")
    told = dataclasses.replace(model, survey_next=survey, priority=model.priority.assign(hinges_on=hinges))
    return visit(opened_pairs(told, (2, 3, 0.62), (3, 4, 0.35)), "intervals")


@pytest.fixture
def page(opened: Reader) -> Iterator[Reader]:
    if opened.driver.current_url != opened.url:
        opened.driver.get(opened.url)
        opened.wait("return document.documentElement.dataset.ready")
    opened.reset()
    return opened


def interval_words(model: OutputModel, row: int) -> str:
    rank, low, high = model.priority[["rank", "rank_low", "rank_high"]].iloc[row]
    return f"rank {rank} ({f'{low} only' if low == high else f'{low} to {high}'})"


@pytest.mark.browser
def test_rows_of_the_list_show_intervals(page: Reader) -> None:
    texts = [e.text.replace("\u00a0", " ") for e in page.all("#rows .row-rank")]
    assert len(texts) == min(100, len(page.model.priority))
    for row in (0, 1, 5, 40):
        assert texts[row] == interval_words(page.model, row)
    assert texts[2] == f"{interval_words(page.model, 2)} · order of 3 and 4 not settled"
    assert texts[3] == f"{interval_words(page.model, 3)} · order with 3 and with 5 not settled"
    assert "its ranks in 90 % of 400 draws" in page.text(".ledger-head")
    notes = page.js("return document.querySelector('.about-body').textContent")
    assert "pairs of neighbours" in notes
    assert "The draws suffice" in notes


@pytest.mark.browser
def test_the_panel_tells_of_the_neighbour(page: Reader) -> None:
    rows = page.model.priority
    page.all("#rows button")[2].send_keys(Keys.ENTER)
    said = page.panel()
    card = page.js(
        "return [...document.querySelectorAll('#panel .action')]"
        ".find((c) => c.querySelector('.badge').innerText === '3').innerText"
    ).replace("\u00a0", " ")
    below = rows.iloc[3]
    assert f"{interval_words(page.model, 2)} · order of 3 and 4 not settled" in card
    other = f"{below['name']}: {below['action']} (rank 4)"
    assert f"Order of 3 and 4 not settled: this comes before {other} in 62 % of the draws." in card
    assert "Chance to be among the first 5" in card
    assert "Benefit, mean of all draws" in card
    assert "Chance of more harm than good" in card
    assert "value of <b>Eel</b> 40 %" in card
    assert "A survey of the site is worth about" in card
    assert "54,3" in card
    site = page.model.sites.set_index("site").loc[rows["site"].iloc[2]]
    if pd.notna(site["best_rank"]):
        assert interval_words(page.model, int(site["best_rank"]) - 1) in said
    page.all("#rows button")[4].send_keys(Keys.ENTER)
    assert "Order of 4 and 5 not settled: this comes before" in page.panel()
    assert "(rank 4) in 65 % of the draws." in page.panel().replace("\u00a0", " ")


@pytest.mark.browser
def test_hostile_texts_stay_texts(visit: Callable[..., Reader], small_model: Build) -> None:
    model = with_draws(small_model(n_reaches=60, n_sites=8, hostile=True))
    reader = visit(opened_pairs(model, (0, 1, 0.5)), "hostile-intervals")
    reader.all("#rows button")[0].send_keys(Keys.ENTER)
    assert "Order of 1 and 2 not settled" in reader.panel()
    assert model.priority["action"].iloc[1].split("\u2028")[0] in reader.panel()
    assert reader.driver.title != "owned"


@pytest.mark.browser
def test_a_page_without_draws_shows_no_intervals(visit: Callable[..., Reader], plain: OutputModel) -> None:
    reader = visit(plain, "no-intervals")
    assert not reader.all(".row-rank")
    reader.all("#rows button")[0].send_keys(Keys.ENTER)
    assert "draws" not in reader.panel()
    assert "settled" not in reader.text(".ledger")
