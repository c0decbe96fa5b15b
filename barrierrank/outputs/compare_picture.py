"""A picture of two lists side by side: a line from each action's place in A to its place in B."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from barrierrank.outputs.compare import Comparison
from barrierrank.outputs.compare_words import cautions, place
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, write
from barrierrank.outputs.pictures import DPI
from barrierrank.outputs.styles import BLUE, GREY, INK, VERMILION

SHOWN = 20
"""Actions up to this rank in either run are drawn."""
FAR = 3
"""Moves of so many places or more are drawn bold."""
WIDE_IN, MARGIN_IN, SIDE_IN = 11.7, 0.3, 4.21  # a side: names and ranks of one run
HEAD_IN, ROW_IN, GAP_IN, KEY_IN = 1.12, 0.225, 0.42, 0.42
_LETTERS = 9.0


def draw_slopes(one: Comparison) -> Figure:
    """Return the picture of the first actions of either run as a figure.

    Parameters
    ----------
    one : Comparison
    """
    rows = one.moves[one.moves[["rank_a", "rank_b"]].min(axis=1) <= SHOWN].reset_index(drop=True)
    down = [_places_in(rows[f"rank_{tag}"]) for tag in "ab"]
    longest = float(np.nanmax(np.concatenate([*down, [ROW_IN]])))
    foot = foot_lines(cautions(one), WIDE_IN - 2 * MARGIN_IN)
    tall = HEAD_IN + longest + ROW_IN + KEY_IN + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    axes = figure.add_axes((0, 0, 1, 1))  # one unit is an inch, down from the upper edge
    axes.set_xlim(0, WIDE_IN)
    axes.set_ylim(tall, 0)
    axes.axis("off")
    _draw_titles(figure, one, len(rows))
    digits = len(str(int(rows[["rank_a", "rank_b"]].max().max()))) if len(rows) else 1
    for i, (_, row) in enumerate(rows.iterrows()):
        _draw_row(figure, axes, row, (HEAD_IN + down[0][i], HEAD_IN + down[1][i]), room_in=0.2 + 0.09 * digits)
    _draw_border(axes, down)
    _draw_key(figure, HEAD_IN + longest + ROW_IN + KEY_IN / 2)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _places_in(ranks: Any) -> Any:
    """How far down each rank stands [inches]; those beyond the first one a row below; NaN: no rank."""
    known = pd.to_numeric(ranks).to_numpy(dtype=np.float64, na_value=np.nan)
    out = np.where(known <= SHOWN, (known - 0.5) * ROW_IN, np.nan)
    beyond = np.flatnonzero(known > SHOWN)
    for number, i in enumerate(beyond[np.argsort(known[beyond], kind="stable")]):
        out[i] = SHOWN * ROW_IN + GAP_IN + (number + 0.5) * ROW_IN
    return out


def look_of(row: Any) -> tuple[str, float, Any]:
    """Return colour, width [pt] and dash of the line of an action: up is whole, down dashed, so that grey tells too.

    Parameters
    ----------
    row : Series
        Of `Comparison.moves`.
    """
    if row["state"] != "both" or row["places_up"] == 0:
        return GREY, 1.1, "solid"
    width = 2.8 if abs(row["places_up"]) >= FAR else 1.3
    return (BLUE, width, "solid") if row["places_up"] > 0 else (VERMILION, width, (0, (3.2, 1.3)))


def _draw_row(figure: Figure, axes: Any, row: Any, down: tuple[float, float], *, room_in: float) -> None:
    """One action: its line, and its rank and name at either end; ranks take `room_in`."""
    colour, width, dash = look_of(row)
    sure = 0.45 if pd.notna(row["beyond"]) and not row["beyond"] else 1.0
    ends = (MARGIN_IN + SIDE_IN, WIDE_IN - MARGIN_IN - SIDE_IN)
    if row["state"] == "both":
        axes.plot(ends, down, color=colour, linewidth=width, linestyle=dash, alpha=sure,
                  zorder=2 + width, clip_on=False)  # fmt: skip
    far = row["state"] != "both" or abs(row["places_up"]) >= FAR
    weight = "bold" if far else "normal"
    rest = {"new": ", new", "gone": ", no longer listed"}.get(row["state"], "")
    for x, y, rank, side in zip(ends, down, (row["rank_a"], row["rank_b"]), (-1, 1), strict=True):
        if np.isnan(y):
            continue
        mark = {"new": "D", "gone": "X"}.get(row["state"], "o")
        size, tone = (5.5, INK) if far else (4.0, colour)
        axes.plot(x, y, marker=mark, markersize=size, color=tone, zorder=9, clip_on=False)
        style = {"size": _LETTERS, "va": "center", "weight": weight}
        write(figure, (x + side * 0.1, y), f"{rank}", ha="right" if side < 0 else "left", **style)
        art = write(figure, (x + side * room_in, y), "", ha="right" if side < 0 else "left", **style)
        for most in (40, 24, 14):  # the site's name gives way first, then a long name of the action
            fit(art, place(row, 60), f": {short(str(row['action']), most)}{rest}", SIDE_IN - room_in)
            if art.get_window_extent().width <= (SIDE_IN - room_in) * figure.dpi:
                break


def _draw_border(axes: Any, down: list[Any]) -> None:
    """A rule under the first rows, where ranks further down begin."""
    edge = HEAD_IN + SHOWN * ROW_IN + 0.6 * GAP_IN
    sides = ((MARGIN_IN, MARGIN_IN + SIDE_IN), (WIDE_IN - MARGIN_IN - SIDE_IN, WIDE_IN - MARGIN_IN))
    for (left, right), places, align in zip(sides, down, ("right", "left"), strict=True):
        if np.nanmax([*places, 0.0]) > SHOWN * ROW_IN:
            axes.plot((left, right), (edge, edge), color="#8C979D", linewidth=0.8, clip_on=False)
            x = right if align == "right" else left
            axes.text(x, edge - 0.04, f"below the first {SHOWN}", size=8, color="#555555", ha=align, va="bottom")


def _draw_titles(figure: Figure, one: Comparison, shown: int) -> None:
    moved = int((one.moves["places_up"].ne(0) & one.moves["places_up"].notna()).sum())
    write(figure, (MARGIN_IN, 0.2), "What moved between the two runs", size=15, weight="bold")
    told = f"{moved:,} of {len(one.moves):,} actions changed rank"
    told += f"; shown: the {shown} among the first {SHOWN} of either run."
    if one.moves["beyond"].notna().any():
        told += " Pale: within the intervals of its ranks."
    write(figure, (MARGIN_IN, 0.5), told, size=9.5, color="#444444")
    edge = MARGIN_IN + SIDE_IN
    for x, name, run, align in ((edge, "A", one.a, "right"), (WIDE_IN - edge, "B", one.b, "left")):
        art = write(figure, (x, 0.8), "", size=11.5, weight="bold", ha=align)
        date = short(str(run.record.get("date", ""))[:10], 10)
        fit(art, f"{name}: {short(run.folder.name or str(run.folder), 60)}", f", {date}" if date else "", edge)


def _draw_key(figure: Figure, down_in: float) -> None:
    keys = [
        Line2D([], [], color=BLUE, linewidth=2.8, label=f"up {FAR} places or more"),
        Line2D([], [], color=BLUE, linewidth=1.3, label="up fewer"),
        Line2D([], [], color=VERMILION, linewidth=2.8, linestyle=(0, (3.2, 1.3)), label=f"down {FAR} places or more"),
        Line2D([], [], color=VERMILION, linewidth=1.3, linestyle=(0, (3.2, 1.3)), label="down fewer"),
        Line2D([], [], color=GREY, linewidth=1.1, label="not moved"),
        Line2D([], [], color=INK, marker="D", markersize=5, linestyle="none", label="only in B"),
        Line2D([], [], color=INK, marker="X", markersize=6, linestyle="none", label="only in A"),
    ]
    place = (MARGIN_IN / WIDE_IN - 0.005, 1 - down_in / figure.get_figheight())
    figure.legend(
        handles=keys, loc="center left", bbox_to_anchor=place,
        ncols=len(keys), frameon=False, fontsize=9.5, handlelength=3.0, columnspacing=1.5, borderpad=0, labelcolor=INK,
    )  # fmt: skip
