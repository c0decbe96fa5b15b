"""Picture of what the weights of the criteria decide."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barrierrank.outputs.columns import describe
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.styles import INK
from barrierrank.ranking.cautions import short_cautions, shortened
from barrierrank.ranking.weight_space import weights_sentence

WIDE_IN, MARGIN_IN, LABEL_IN, ROW_IN, TEXT_IN = 11.0, 0.3, 4.0, 0.27, 0.19
MOST = 15
DARK, LIGHT = "#1F5F8B", "#C9DCE8"
# Okabe and Ito (2008): told apart by people with any colour vision; lighter and darker in turn for a grey print
HUES = ("#0072B2", "#E69F00", "#56B4E9", "#D55E00", "#F0E442", "#009E73", "#CC79A7", "#999999")


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
    table = model.weights
    criteria = [str(name).removeprefix("weight_") for name in table if str(name).startswith("weight_")]
    sentence = weights_sentence(table, len(criteria))
    could = table["share_first"] > 0.0
    first = table[could].sort_values("share_first", ascending=False, kind="stable")
    table = pd.concat([first, table[~could]]).head(MOST)
    wide = WIDE_IN - 2 * MARGIN_IN
    told = wrapped(
        f"{sentence} Dark: share of all weights that put the action first; pale: among the first. On the right, the "
        "mean of the weights that put it first; signs of the weights stay as given.", wide, 9.5,
    )  # fmt: skip
    foot = foot_lines(shortened(model.cautions) or short_cautions(table["action"].astype(str).tolist()), wide)
    lines = -(-len(criteria) // 3)
    top = 0.62 + TEXT_IN * len(told) + 0.1 + 0.22 * lines + 0.1
    tall = top + ROW_IN * len(table) + 0.3 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, model.basin, ": what the weights decide", wide)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, 0.54 + TEXT_IN * number), line, size=9.5, color="#444444")
    docs = describe([f"{name}" for name in criteria], model.species, table="priority_list", currency=model.currency)
    for k, doc in enumerate(docs):
        at = (MARGIN_IN + (k % 3) * wide / 3, top - 0.1 - 0.22 * (lines - k // 3))
        write(figure, at, "■", size=10, color=HUES[k % len(HUES)])
        fit(write(figure, (at[0] + 0.18, at[1]), "", size=9), doc.title or doc.name, "", wide / 3 - 0.3)
    _draw_rows(figure, table, [f"weight_{name}" for name in criteria], top)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _draw_rows(figure: Figure, table: pd.DataFrame, columns: list[str], top: float) -> None:
    """Draw labels, shares and mean weights."""
    rows, y = len(table), np.arange(len(table))
    room = (WIDE_IN - LABEL_IN - MARGIN_IN) / 2
    left = _axes(figure, (LABEL_IN, top, room - 0.35), rows)
    first, among = table["share_first"].to_numpy(np.float64), table["share_top"].to_numpy(np.float64)
    left.barh(y, among, 0.66, color=LIGHT, edgecolor="#7FA6BF", linewidth=0.6)
    left.barh(y, first, 0.36, color=DARK)
    for i in range(rows):
        told = "never first" if not first[i] > 0 else "<1 %" if first[i] < 0.005 else f"{100 * first[i]:.0f} %"
        left.annotate(told, (1.0, i), (4, 0), textcoords="offset points", va="center_baseline", size=8, color=INK,
                      annotation_clip=False)  # fmt: skip
    right = _axes(figure, (LABEL_IN + room + 0.35, top, room - 0.35), rows)
    mean = table[columns].to_numpy(np.float64)
    start = np.zeros(rows)
    for k in range(len(columns)):
        part = np.nan_to_num(mean[:, k])
        right.barh(y, part, 0.66, left=start, color=HUES[k % len(HUES)], edgecolor="white", linewidth=0.6)
        start += part
    labels = zip(table["rank"], table["site"], table["name"], table["action"], strict=True)
    for i, (rank, site, name, action) in enumerate(labels):
        middle = top + ROW_IN * (i + 0.5)
        write(figure, (MARGIN_IN + 0.25, middle), f"{rank}", size=9, ha="right", va="center_baseline")
        art = write(figure, (MARGIN_IN + 0.36, middle), "", size=9, va="center_baseline")
        fit(art, f"{short(str(name or site), 30)}: {action}", "", LABEL_IN - MARGIN_IN - 0.46)


def _axes(figure: Figure, place: tuple[float, float, float], rows: int) -> Any:
    left, top, wide = place
    tall = figure.get_figheight()
    axes = figure.add_axes((left / WIDE_IN, 1 - (top + ROW_IN * rows) / tall, wide / WIDE_IN, ROW_IN * rows / tall))
    axes.set_xlim(0, 1)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    return axes
