"""Picture of what the weights of the criteria decide."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import PercentFormatter

from barrierrank.outputs.acceptability import DARK as TURNS_WHITE
from barrierrank.outputs.acceptability import luminance, percent
from barrierrank.outputs.columns import describe
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.styles import INK
from barrierrank.ranking.cautions import short_cautions, shortened
from barrierrank.ranking.weight_space import weights_sentence

WIDE_IN, MARGIN_IN, LABEL_IN, ROW_IN, TEXT_IN, KEY_IN, AXIS_IN = 11.0, 0.3, 4.0, 0.27, 0.19, 0.22, 0.5
MOST = 15
DARK, LIGHT = "#1F5F8B", "#C9DCE8"
# Okabe and Ito (2008): told apart by people with any colour vision. In this order neighbours differ most, in a grey
# print too. From the ninth criterion on they come again, hatched; numbers tell all apart where there is room for them.
HUES = ("#0072B2", "#E69F00", "#009E73", "#56B4E9", "#D55E00", "#F0E442", "#000000", "#CC79A7")
HATCH = "////"
NUMBERED = 0.07
"""Width of a piece of a bar, as a part of the bar, from which its number is written on it."""


@dataclass(frozen=True, eq=False)
class _Criteria:
    """Names of the criteria; how they are called; and the user's own weights, adding up to 1, or None."""

    names: tuple[str, ...]
    titles: tuple[str, ...]
    own: tuple[float, ...] | None


def write_weights_picture(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``weights.png``.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel
        With `weights`, not empty.

    Returns
    -------
    list of Path

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    path = folder / "weights.png"
    save_picture(path, partial(draw_weights, model))
    return [path]


def draw_weights(model: OutputModel) -> Figure:
    """Return the picture as a figure: how often each action comes first, and with which weights on average.

    Parameters
    ----------
    model : OutputModel

    Raises
    ------
    ValueError
        Where the model has no table of weights or an empty one.
    """
    if model.weights is None or model.weights.empty:
        raise ValueError("there are no weights to draw: the list is not ranked by criteria, or empty.")
    criteria = _criteria(model)
    could = model.weights["share_first"] > 0.0
    first = model.weights[could].sort_values("share_first", ascending=False, kind="stable")
    table = pd.concat([first, model.weights[~could]]).head(MOST)
    wide = WIDE_IN - 2 * MARGIN_IN
    told = wrapped(_words(model, len(criteria.names), len(table)), wide, 9.5)
    foot = foot_lines(shortened(model.cautions) or short_cautions(table["action"].astype(str).tolist()), wide)
    key = 0.62 + TEXT_IN * len(told)
    top = key + KEY_IN * -(-len(criteria.names) // 3) + AXIS_IN
    rows = len(table) + (criteria.own is not None)
    tall = top + ROW_IN * rows + 0.2 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, model.basin, ": what the weights decide", wide)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, 0.54 + TEXT_IN * number), line, size=9.5, color="#444444")
    _draw_key(figure, criteria.titles, key)
    _draw_labels(figure, table, top, own=criteria.own is not None)
    room = (WIDE_IN - LABEL_IN - MARGIN_IN) / 2
    _draw_shares(_axes(figure, (LABEL_IN, top, room - 0.75), rows, "Share of all weights"), table)
    right = _axes(figure, (LABEL_IN + room + 0.15, top, room - 0.15), rows, "Mean of the weights that put it first")
    _draw_means(right, table, criteria)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _words(model: OutputModel, criteria: int, shown: int) -> str:
    assert model.weights is not None
    among = "the first" if model.uncertainty is None else f"the first {model.uncertainty.top:,}"
    left = len(model.weights) - shown
    could = int((model.weights["share_first"] > 0.0).sum())
    more = f" The {shown:,} put first most often are shown." if could > shown and left else ""
    return (
        f"{weights_sentence(model.weights, criteria)}{more} Dark: share of all weights that put the action first; "
        f"pale: among {among}. On the right, the mean of the weights that put it first; whether more or less of a "
        "criterion is better stays as given."
    )


def _criteria(model: OutputModel) -> _Criteria:
    """Gather what there is to say of the criteria; the user's weights are those of the record of the run."""
    assert model.weights is not None
    names = [str(c).removeprefix("weight_") for c in model.weights if str(c).startswith("weight_")]
    docs = describe(names, model.species, table="priority_list", currency=model.currency)
    given = _given(model.run)
    own = [given.get(name, math.nan) for name in names]
    titles = [
        f"{doc.title or doc.name}{' (less is better)' if weight < 0.0 else ''}"
        for doc, weight in zip(docs, own, strict=True)
    ]
    total = sum(map(abs, own))
    known = math.isfinite(total) and total > 0.0
    return _Criteria(tuple(names), tuple(titles), tuple(abs(w) / total for w in own) if known else None)


def _given(run: Mapping[str, Any]) -> dict[str, float]:
    """Return the weights in the record of a run; none where it has none."""
    found: Any = run
    for part in ("parameters", "ranking", "weights"):
        found = found.get(part) if isinstance(found, Mapping) else None
    weights = found if isinstance(found, Mapping) else {}
    return {str(name): float(w) for name, w in weights.items() if isinstance(w, (int, float))}


def _draw_key(figure: Figure, titles: Sequence[str], top: float) -> None:
    """Write what each colour stands for, three in a line."""
    wide = (WIDE_IN - 2 * MARGIN_IN) / 3
    for k, title in enumerate(titles):
        x, y = MARGIN_IN + (k % 3) * wide, top + KEY_IN * (k // 3)
        write(figure, (x, y), "■", size=10, color=HUES[k % len(HUES)])
        number = f"{k + 1}  " if len(titles) > 1 else ""
        art = write(figure, (x + 0.18, y), "", size=9)
        fit(art, f"{number}{title}", " (hatched)" if k >= len(HUES) else "", wide - 0.3)


def _draw_labels(figure: Figure, table: pd.DataFrame, top: float, *, own: bool) -> None:
    """Write rank, site and action on the left of each row, short enough for one line."""
    write(figure, (MARGIN_IN, top - 0.345), "In the list", size=9.5, weight="bold")
    if own:
        place = (MARGIN_IN + 0.36, top + ROW_IN * 0.5)
        write(figure, place, "Weights of the project file", size=9, style="italic", va="center_baseline")
    labels = zip(table["rank"], table["site"], table["name"], table["action"], strict=True)
    for i, (rank, site, name, action) in enumerate(labels):
        middle = top + ROW_IN * (i + own + 0.5)
        write(figure, (MARGIN_IN + 0.25, middle), f"{rank}", size=9, ha="right", va="center_baseline")
        art = write(figure, (MARGIN_IN + 0.36, middle), "", size=9, va="center_baseline")
        named = "" if name is None or pd.isna(name) else str(name)
        fit(art, f"{short(named or str(site), 30)}: {action}", "", LABEL_IN - MARGIN_IN - 0.46)


def _draw_shares(axes: Any, table: pd.DataFrame) -> None:
    """Draw for each row, from below, the share of weights that put it first, over that among the first k."""
    y = np.arange(len(table)) + axes.get_ylim()[0] + 0.5 - len(table)
    first, among = (table[c].to_numpy(dtype=np.float64) for c in ("share_first", "share_top"))
    axes.barh(y, among, 0.66, color=LIGHT, edgecolor="#7FA6BF", linewidth=0.6)
    axes.barh(y, first, 0.36, color=DARK)
    for at, share in zip(y, first, strict=True):
        said = percent(float(share))
        axes.annotate(
            f"{said} %" if said else "never first", (1.0, at), (5, 0), textcoords="offset points",
            va="center_baseline", size=8, color=INK if said else "#666666", annotation_clip=False,
        )  # fmt: skip


def _draw_means(axes: Any, table: pd.DataFrame, criteria: _Criteria) -> None:
    """Draw the mean weights of each row as pieces of a bar, the user's own on top under a rule."""
    bars = table[[f"weight_{name}" for name in criteria.names]].to_numpy(dtype=np.float64)
    if criteria.own is not None:
        bars = np.vstack([criteria.own, bars])
        axes.axhline(0.5, color="#8C979D", linewidth=0.9)
    for i, bar in enumerate(bars):
        if np.isnan(bar).any():
            continue
        start = 0.0
        for k, part in enumerate(bar.tolist()):
            hue = HUES[k % len(HUES)]
            axes.add_patch(
                Rectangle(
                    (start, i - 0.33), part, 0.66, facecolor=hue, edgecolor="white", linewidth=0.6,
                    hatch=HATCH if k >= len(HUES) else None,
                )
            )  # fmt: skip
            if part >= NUMBERED and len(bar) > 1:
                colour = "white" if luminance(_rgb(hue)) < TURNS_WHITE else "black"
                middle = (start + part / 2, i + 0.02)
                box = {"facecolor": hue, "edgecolor": "none", "pad": 0.8} if k >= len(HUES) else None
                axes.text(*middle, f"{k + 1}", size=7.5, ha="center", va="center", color=colour, bbox=box)
            start += part


def _rgb(colour: str) -> list[float]:
    return [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]


def _axes(figure: Figure, place: tuple[float, float, float], rows: int, head: str) -> Any:
    left, top, wide = place
    tall = figure.get_figheight()
    axes = figure.add_axes((left / WIDE_IN, 1 - (top + ROW_IN * rows) / tall, wide / WIDE_IN, ROW_IN * rows / tall))
    axes.set_xlim(0, 1)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.xaxis.tick_top()
    axes.set_xticks([0.0, 0.5, 1.0])
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %"))
    axes.tick_params(labelsize=8, colors=INK, length=2.5, pad=1.5)
    axes.set_yticks([])
    axes.set_title(head, size=9.5, weight="bold", color=INK, loc="left", pad=17)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.spines["left"].set_color("#8C979D")
    return axes
