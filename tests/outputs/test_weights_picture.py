"""The picture of what weights decide: what it shows, and that it keeps to its sheet."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import matplotlib.image
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from barrierrank.outputs.acceptability import luminance
from barrierrank.outputs.model import OutputModel, UncertaintyLook
from barrierrank.outputs.weights import DARK, HUES, LIGHT, MOST, draw_weights, write_weights_picture
from barrierrank.ranking.criteria import criteria_scores
from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.weight_space import weight_space

Build = Callable[..., OutputModel]
GIVEN = {
    "benefit": 2.0, "cost": -1.0, "benefit_per_cost": 0.5, "treatment_saved": 0.1, "net_benefit": 1.0,
    "present_worth_cost": -1.0,
}  # fmt: skip


def weighed(model: OutputModel, criteria: int, *, rows: int | None = None, own: bool = True) -> OutputModel:
    """Return the model with its list ranked by the first few criteria, and the table of their weights."""
    weights = dict(list(GIVEN.items())[:criteria])
    listed = model.priority.head(len(model.priority) if rows is None else rows)
    scores = criteria_scores(listed, weights)
    listed = listed.assign(
        score=scores.score, standing="worth doing", **{f"term_{name}": term for name, term in scores.terms.items()}
    ).sort_values("score", ascending=False, kind="stable")
    listed["rank"] = np.arange(1, len(listed) + 1)
    rule = RankingRule(by="criteria", weights=weights)
    table = weight_space(listed, rule, top=10, level=0.9, seed=1, draws=1024)
    run = {"parameters": {"ranking": {"by": "criteria", "weights": weights}}} if own else {}
    return dataclasses.replace(model, weights=table, run=run, uncertainty=UncertaintyLook(100, 0.9, 10, 0.5))


def texts(figure: Figure) -> list[str]:
    return [t.get_text() for t in figure.findobj(match=lambda a: hasattr(a, "get_text")) if t.get_text()]


def bars(figure: Figure, axes: int) -> pd.DataFrame:
    """Return the bars of a panel that are seen: place from above, start, width, colour."""
    panel = figure.axes[axes]
    rows = [
        (round(p.get_y() + p.get_height() / 2), p.get_x(), p.get_width(), to_hex(p.get_facecolor()).upper())
        for p in panel.patches
        if isinstance(p, Rectangle)
    ]
    return pd.DataFrame(rows, columns=["row", "start", "width", "colour"])


@pytest.mark.parametrize("criteria", [2, 6])
def test_bars_are_those_of_the_table(small_model: Build, criteria: int) -> None:
    model = weighed(small_model(), criteria)
    figure = draw_weights(model)
    could = model.weights[model.weights["share_first"] > 0.0].sort_values("share_first", ascending=False, kind="stable")
    never = model.weights[model.weights["share_first"] == 0.0]
    table = pd.concat([could, never]).head(MOST)
    left, right = bars(figure, 0), bars(figure, 1)
    for colour, column in ((DARK, "share_first"), (LIGHT, "share_top")):
        drawn = left[left["colour"] == colour.upper()].sort_values("row")
        assert drawn["row"].tolist() == list(range(1, len(table) + 1))  # below the row of the user's own weights
        assert drawn["width"].to_numpy() == pytest.approx(table[column].to_numpy())
    names = [c.removeprefix("weight_") for c in table if c.startswith("weight_")]
    own = np.abs([GIVEN[name] for name in names])
    assert right.loc[right["row"] == 0, "width"].to_numpy() == pytest.approx(own / own.sum())
    for place, (_, row) in enumerate(could.head(MOST).iterrows(), start=1):
        drawn = right[right["row"] == place]
        assert drawn["width"].to_numpy() == pytest.approx(row[[f"weight_{n}" for n in names]].to_numpy(dtype=float))
        assert drawn["start"].to_numpy() == pytest.approx(np.cumsum([0.0, *drawn["width"]])[:-1])
        assert drawn["width"].sum() == pytest.approx(1.0)
        assert drawn["colour"].tolist() == [hue.upper() for hue in HUES[:criteria]]
    assert right["row"].max() == min(len(could), MOST)


def test_what_it_says(small_model: Build) -> None:
    said = texts(draw_weights(weighed(small_model(), 3)))
    assert "Weights of the project file" in said
    assert "2  Benefit per cost" in said
    assert "3  Cost (less is better)" in said
    whole = " ".join(said)
    assert "Of all weights that the 3 criteria could be given" in whole
    assert "among the first 10" in whole
    assert "never first" in whole
    assert any(text.startswith("–  Planning-level") for text in said)


def test_without_a_record_of_the_weights_the_reference_is_left_out(small_model: Build) -> None:
    for run in ({}, {"parameters": None}, {"parameters": {"ranking": {"weights": {}}}}):
        model = dataclasses.replace(weighed(small_model(), 3), run=run)
        figure = draw_weights(model)
        assert "Weights of the project file" not in texts(figure)
        assert bars(figure, 0)["row"].min() == 0
        assert any("Cost" in text for text in texts(figure))


@pytest.mark.parametrize(("criteria", "rows"), [(1, None), (2, None), (6, None), (3, 1)])
@pytest.mark.parametrize("long", [False, True])
def test_all_texts_keep_to_the_sheet_and_apart(
    small_model: Build, criteria: int, rows: int | None, long: bool
) -> None:
    model = weighed(small_model(hostile=True), criteria, rows=rows)
    if long:
        table = model.weights.assign(name="A very long name of a weir " * 9, action="do a great many things " * 9)
        model = dataclasses.replace(model, weights=table, basin="Long Basin " * 30)
    figure = draw_weights(model)
    wide, tall = figure.get_figwidth() * figure.dpi, figure.get_figheight() * figure.dpi
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in figure.findobj(match=lambda a: hasattr(a, "get_text")) if t.get_text()]
    for box in boxes:
        assert box.x0 >= 0.0
        assert box.x1 <= wide
        assert box.y0 >= 0.0
        assert box.y1 <= tall
    panel = figure.axes[0].get_window_extent().x0
    labels = [t.get_window_extent() for t in figure.texts if ": do a great" in t.get_text() and t.get_fontsize() == 9]
    assert all(box.x1 < panel for box in labels)
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            deep = min(one.y1, other.y1) - max(one.y0, other.y0)
            across = min(one.x1, other.x1) - max(one.x0, other.x0)
            assert min(deep, across) < 3.0  # pixels: margins of letters may touch


def test_more_criteria_than_colours_are_hatched(small_model: Build) -> None:
    model = weighed(small_model(), 2)
    kept = model.weights.drop(columns=["weight_benefit", "weight_cost"])
    wide = kept.assign(**{f"weight_passability_k{k}": 0.1 for k in range(10)})
    figure = draw_weights(dataclasses.replace(model, weights=wide, run={}))
    first = [p for p in figure.axes[1].patches if round(p.get_y() + 0.33) == 0]
    assert [bool(p.get_hatch()) for p in first] == [False] * 8 + [True] * 2
    assert sum("(hatched)" in text for text in texts(figure)) == 2


def test_colours_differ_for_every_colour_vision_and_in_a_grey_print() -> None:
    # Viénot, Brettel and Mollon 1999 (from memory): linear red, green and blue as seen by protanopes, deuteranopes
    seen = [
        np.eye(3),
        np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
        np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
    ]
    colours = np.array([[int(hue[i : i + 2], 16) / 255.0 for i in (1, 3, 5)] for hue in HUES])
    for matrix in seen:
        left = np.clip((colours**2.2) @ matrix.T, 0.0, 1.0) ** (1.0 / 2.2)
        apart = np.linalg.norm(left[:, None] - left[None], axis=2)
        assert np.diag(apart, 1).min() > 0.3  # pieces that touch
        np.fill_diagonal(apart, np.inf)
        assert apart[:6, :6].min() > 0.2
        assert apart.min() > 0.14
    # CIE lightness, for a grey print
    lightness = 116.0 * np.cbrt([luminance(colour) for colour in colours.tolist()]) - 16.0
    assert np.abs(np.diff(lightness)).min() > 10.0


def test_the_file(small_model: Build, tmp_path: Path) -> None:
    model = weighed(small_model(), 3)
    (path,) = write_weights_picture(tmp_path, model)
    assert path.name == "weights.png"
    pixels = (matplotlib.image.imread(path)[:, :, :3] * 255).round().astype(int)
    for colour in (DARK, LIGHT, *HUES[:3]):
        wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
        assert (np.abs(pixels - wanted).max(axis=2) <= 3).mean() > 1e-4, colour
    once = path.read_bytes()
    write_weights_picture(tmp_path, model)
    assert path.read_bytes() == once
    for nothing in (None, model.weights.head(0)):
        with pytest.raises(ValueError, match="no weights to draw"):
            draw_weights(dataclasses.replace(model, weights=nothing))
