"""Picture of how often each of the first of the list has each rank, over all draws."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from barrierrank.outputs.intervals import settled_words
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.styles import INK
from barrierrank.ranking.cautions import short_cautions, shortened

WIDE_IN, MARGIN_IN, LABEL_IN, CELL_IN, ROW_IN, AXIS_IN = 11.0, 0.3, 3.5, 0.32, 0.235, 0.55
GAP = 0.35  # before the column of all later ranks [cells]
TEXT_IN = 0.19  # from line to line of the words above
# One hue from paper to dark: it grows darker all the way, so that a grey print says the same.
SHADES = LinearSegmentedColormap.from_list("ranks", ["#FFFFFF", "#B9D3E4", "#5E97BD", "#1F5F8B", "#0B3350"])
DARK = 0.179  # relative luminance below which white is easier to read than black (WCAG 2.1)

Floats = npt.NDArray[np.float64]


def write_rank_picture(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``acceptability.png``.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel
        With `acceptability`, not empty.

    Returns
    -------
    list of Path

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the model has no such table.
    """
    path = folder / "acceptability.png"
    save_picture(path, partial(draw_ranks, model))
    return [path]


def draw_ranks(model: OutputModel) -> Figure:
    """Return the picture as a figure: a row for each action in the order of the list, a column for each rank.

    Parameters
    ----------
    model : OutputModel

    Raises
    ------
    ValueError
        Where the model has no table `acceptability` or an empty one.
    """
    table = model.acceptability
    if table is None or table.empty:
        raise ValueError("there are no ranks to draw: uncertainty is not worked out, or the list is empty.")
    shares, classes = _classes(table)
    wide = WIDE_IN - 2 * MARGIN_IN
    cautions = shortened(model.cautions) or short_cautions(table["action"].astype(str).tolist())
    foot = foot_lines(cautions, wide)
    told = [line for text in _words(model, len(table)) for line in wrapped(text, wide, 9.5)]
    top = 0.58 + TEXT_IN * len(told) + AXIS_IN
    tall = top + ROW_IN * len(table) + 0.2 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, model.basin, ": how sure the ranks are", wide)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, 0.54 + TEXT_IN * number), line, size=9.5, color="#444444")
    across = (len(classes) + (GAP if classes[-1] == "later" else 0)) * CELL_IN
    axes = figure.add_axes(
        ((MARGIN_IN + LABEL_IN) / WIDE_IN, 1 - (top + ROW_IN * len(table)) / tall, across / WIDE_IN,
         ROW_IN * len(table) / tall)
    )  # fmt: skip
    _draw_cells(axes, shares, classes, table["rank"].to_numpy(dtype=np.int64))
    _draw_labels(figure, table, top)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _classes(table: pd.DataFrame) -> tuple[Floats, list[str]]:
    """Return shares (rows, classes) and the classes; at the end, ranks that none of the rows ever has are left out."""
    names = [str(name) for name in table if str(name).isdecimal() or name == "later"]
    shares = np.nan_to_num(table[names].to_numpy(dtype=np.float64))
    used = np.flatnonzero((shares > 0).any(axis=0))
    least = 1 + int(used[-1]) if len(used) else 1
    return shares[:, :least], names[:least]


def _words(model: OutputModel, rows: int) -> list[str]:
    look = model.uncertainty
    draws = "all draws" if look is None else f"{look.draws:,} draws"
    told = [
        f"Per cent of {draws} in which each of the first {rows:,} of the list has each rank: the darker, the more "
        "often. An outlined cell is the rank it has in the list; an empty one stands for never.",
    ]
    if look is not None:
        told.append(" ".join(filter(None, (settled_words(look, len(model.priority)), look.enough))))
    return [text for text in told if text]


def percent(share: float) -> str:
    """Return what a cell says: per cent without decimals, empty for never, and neither never nor always by rounding.

    Parameters
    ----------
    share : float
    """
    if not share > 0:
        return ""
    whole = round(100 * share)
    if not whole:
        return "<1"
    return ">99" if whole == 100 and share < 1 else f"{whole}"


def shade(share: Floats) -> Floats:
    """Return how dark a share is, 0 to 1: by its root, so that small shares can be told from none.

    Parameters
    ----------
    share : (n,) float64
    """
    return np.sqrt(np.clip(share, 0.0, 1.0))


def luminance(colour: Sequence[float]) -> float:
    """Return the relative luminance of a colour, 0 (black) to 1 (white), as WCAG 2.1 defines it.

    Parameters
    ----------
    colour : sequence of float
        Red, green and blue, 0 to 1; what follows does not matter.
    """
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour[:3]]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def _draw_cells(axes: Any, shares: Floats, classes: list[str], ranks: npt.NDArray[np.int64]) -> None:
    rows = len(shares)
    x = np.arange(len(classes)) + np.where(np.array(classes) == "later", GAP, 0.0)
    axes.set_xlim(0, x[-1] + 1)
    axes.set_ylim(rows, 0)
    dark = shade(shares)
    for i in range(rows):
        for k, name in enumerate(classes):
            axes.add_patch(
                Rectangle((x[k], i), 1, 1, facecolor=SHADES(dark[i, k]), edgecolor="#DDE3E7", linewidth=0.6, zorder=1)
            )
            text = percent(float(shares[i, k]))
            if text:
                colour = "white" if luminance(SHADES(dark[i, k])) < DARK else "black"
                axes.text(x[k] + 0.5, i + 0.53, text, size=8.5, ha="center", va="center", color=colour, zorder=3)
            if name == str(ranks[i]) or (name == "later" and str(ranks[i]) not in classes):
                axes.add_patch(
                    Rectangle((x[k], i), 1, 1, fill=False, edgecolor="black", linewidth=1.5, zorder=4, clip_on=False)
                )
    axes.xaxis.tick_top()
    axes.set_xticks(x + 0.5, classes, size=9, color=INK)
    axes.xaxis.set_label_position("top")
    axes.set_xlabel("Rank in a draw", size=9.5, weight="bold", color=INK)
    axes.set_yticks([])
    axes.tick_params(length=0, pad=2)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _draw_labels(figure: Figure, table: pd.DataFrame, top: float) -> None:
    """Write rank, site and action on the left of each row, short enough for one line."""
    write(figure, (MARGIN_IN, top - 0.23), "In the list", size=9.5, weight="bold")
    columns = (table[c] for c in ("rank", "site", "name", "action"))
    for i, (rank, site, name, action) in enumerate(zip(*columns, strict=True)):
        y = top + ROW_IN * (i + 0.5)
        write(figure, (MARGIN_IN + 0.25, y), f"{rank}", size=9, ha="right", va="center_baseline")
        art = write(figure, (MARGIN_IN + 0.36, y), "", size=9, va="center_baseline")
        named = "" if name is None or pd.isna(name) else str(name)
        fit(art, f"{short(named or str(site), 30)}: {action}", "", LABEL_IN - 0.46)
