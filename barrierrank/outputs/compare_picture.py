"""A picture of two lists side by side: a line from each action's place in A to its place in B.

Where a run drew its inputs, a thin upright line at that end spans the interval of each rank, side by side so that all
can be seen, and moves within the intervals are pale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from barrierrank.outputs.compare import Comparison
from barrierrank.outputs.compare_sure import level_words, moved_rows, spans
from barrierrank.outputs.compare_words import cautions, place
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, write
from barrierrank.outputs.pictures import DPI
from barrierrank.outputs.styles import BLUE, GREY, INK, VERMILION

SHOWN = 20
"""Actions up to this rank in either run are drawn."""
FAR = 3
"""Moves of so many places or more are drawn bold."""
WIDE_IN, MARGIN_IN = 11.7, 0.3
HEAD_IN, ROW_IN, GAP_IN, KEY_IN = 1.12, 0.225, 0.42, 0.42
_SIDE_IN, _SIDE_BY_LANES_IN = 4.21, 3.66  # names and ranks of one run
_LANE_IN, _PAD_IN = 1.05, 0.1  # intervals of one run, and the room on either side of them
_LETTERS = 9.0
_RULE_IN = 0.6 * GAP_IN  # below the first rows
_PALE = 0.4  # of the colour, the rest white
_THIN = 0.9

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Side:
    """One run on the sheet, lengths in inches from the left and from the upper edge.

    Parameters
    ----------
    tag : {"a", "b"}
    facing : {-1, 1}
        Where the names are: left or right of the lines.
    names, dots : float
        Inner end of the names; end of the lines between the runs.
    down : (n,) float64
        Places of the rows; NaN where the run lacks an action.
    across : (n,) float64
        Places of the intervals in their lane.
    ends : (n, 2) float64
        Upper and lower ends of the intervals; NaN where there are none.
    room_in : float
        What ranks take.
    """

    tag: str
    facing: int
    names: float
    dots: float
    down: Floats
    across: Floats
    ends: Floats
    room_in: float

    @property
    def lane(self) -> bool:
        """Whether any interval is drawn."""
        return bool(np.isfinite(self.ends).any())

    @property
    def names_in(self) -> float:
        """Room of ranks and names."""
        return (self.names if self.facing < 0 else WIDE_IN - self.names) - MARGIN_IN


def draw_slopes(one: Comparison) -> Figure:
    """Return the picture of the first actions of either run as a figure.

    Parameters
    ----------
    one : Comparison
    """
    rows = one.moves[one.moves[["rank_a", "rank_b"]].min(axis=1) <= SHOWN].reset_index(drop=True)
    sides, longest = _sides(one, rows)
    foot = foot_lines(cautions(one), WIDE_IN - 2 * MARGIN_IN)
    lanes = any(side.lane for side in sides)
    key = KEY_IN + 0.24 * lanes
    tall = HEAD_IN + longest + ROW_IN + key + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    axes = figure.add_axes((0, 0, 1, 1))  # one unit is an inch, down from the upper edge
    axes.set_xlim(0, WIDE_IN)
    axes.set_ylim(tall, 0)
    axes.axis("off")
    _draw_titles(figure, one, sides, len(rows))
    for i, (_, row) in enumerate(rows.iterrows()):
        _draw_line(axes, row, sides, i)
        for side in sides:
            _draw_end(figure, axes, row, side, i)
    for side in sides:
        _draw_border(axes, side)
    _draw_key(figure, one, HEAD_IN + longest + ROW_IN + key / 2, lanes=lanes)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _sides(one: Comparison, rows: pd.DataFrame) -> tuple[tuple[_Side, _Side], float]:
    """Lay both runs out; with them how far down the longest of them reaches from the first row's upper edge."""
    down = [_places_in(rows[f"rank_{tag}"]) for tag in "ab"]
    spanned = [spans(rows, tag) for tag in "ab"]
    lanes = [bool(np.isfinite(s).any()) for s in spanned]
    longest = float(np.nanmax(np.concatenate([*down, [ROW_IN]])))
    last = max((float(np.nanmax(s)) for s, has in zip(spanned, lanes, strict=True) if has), default=0.0)
    if last > SHOWN:  # room for the rest of the list, however long, below what is named of it
        longest = max(longest + 1.5 * ROW_IN, SHOWN * ROW_IN + GAP_IN + 3 * ROW_IN)
    digits = len(str(int(rows[["rank_a", "rank_b"]].max().max()))) if len(rows) else 1
    names = _SIDE_BY_LANES_IN if any(lanes) else _SIDE_IN
    made = []
    for tag, facing, places, ends, has in zip("ab", (-1, 1), down, spanned, lanes, strict=True):
        inner = MARGIN_IN + names
        lane = (inner + _PAD_IN, inner + _PAD_IN + (_LANE_IN if has else 0.0))
        order = np.argsort(np.argsort(np.nan_to_num(places, nan=np.inf), kind="stable"), kind="stable")
        across = lane[0] + (order + 0.5) / max(int(np.isfinite(places).sum()), 1) * (lane[1] - lane[0])
        dots = lane[1] + (_PAD_IN if has else -_PAD_IN)
        if facing > 0:
            inner, dots, across = WIDE_IN - inner, WIDE_IN - dots, WIDE_IN - across
        listed = len((one.a if tag == "a" else one.b).listed)
        scale = _scale(rows[f"rank_{tag}"], places, (max(last, float(listed)), longest))
        room = (0.1 if has else 0.1 + _PAD_IN) + 0.09 * digits
        made.append(_Side(tag, facing, inner, dots, HEAD_IN + places, across, HEAD_IN + scale(ends), room))
    return (made[0], made[1]), longest


def _places_in(ranks: Any) -> Floats:
    """How far down each rank stands [inches]; those beyond the first one a row below; NaN: no rank."""
    known = pd.to_numeric(ranks).to_numpy(dtype=np.float64, na_value=np.nan)
    out = np.where(known <= SHOWN, (known - 0.5) * ROW_IN, np.nan)
    beyond = np.flatnonzero(known > SHOWN)
    for number, i in enumerate(beyond[np.argsort(known[beyond], kind="stable")]):
        out[i] = SHOWN * ROW_IN + GAP_IN + (number + 0.5) * ROW_IN
    return out


def _scale(ranks: Any, places: Floats, end: tuple[float, float]) -> Any:
    """Return how ranks that no row has are placed: between those that have one, the last at the end of the sheet."""
    known = pd.to_numeric(ranks).to_numpy(dtype=np.float64, na_value=np.nan)
    far = np.flatnonzero(known > SHOWN)
    far = far[np.argsort(known[far], kind="stable")]
    first = np.arange(1.0, SHOWN + 1)
    last = end[0] if not far.size else max(end[0], float(known[far[-1]]) + 1)
    knots = np.concatenate([first, [SHOWN + 0.5], known[far], [max(last, SHOWN + 1.0)]])
    at = np.concatenate([(first - 0.5) * ROW_IN, [SHOWN * ROW_IN + _RULE_IN], places[far], [end[1]]])
    return lambda wanted: np.where(np.isnan(wanted), np.nan, np.interp(np.nan_to_num(wanted, nan=1.0), knots, at))


def look_of(row: Any) -> tuple[Any, float, Any]:
    """Return colour, width [pt] and dash of the line of an action: up is whole, down dashed, so that grey tells too.

    A move within the intervals of its ranks is pale.

    Parameters
    ----------
    row : Series
        Of `Comparison.moves`.
    """
    if row["state"] != "both" or row["places_up"] == 0:
        return GREY, 1.1, "solid"
    width = 2.8 if abs(row["places_up"]) >= FAR else 1.3
    colour, dash = (BLUE, "solid") if row["places_up"] > 0 else (VERMILION, (0, (3.2, 1.3)))
    return (_pale(colour) if _within(row) else colour), width, dash


def _within(row: Any) -> bool:
    return bool(pd.notna(row["beyond"]) and not row["beyond"])


def _pale(colour: str) -> tuple[float, float, float]:
    red, green, blue = (1 - _PALE * (1 - part) for part in to_rgb(colour))
    return red, green, blue


def _told(row: Any) -> bool:
    """Whether an action stands out: new, gone, or moved far, beyond its intervals where there are any."""
    if row["state"] != "both":
        return True
    return bool(row["beyond"]) if pd.notna(row["beyond"]) else bool(abs(row["places_up"]) >= FAR)


def _draw_line(axes: Any, row: Any, sides: tuple[_Side, _Side], i: int) -> None:
    """The line of an action between the runs, and on to its names where intervals lie between."""
    if row["state"] != "both":
        return
    colour, width, dash = look_of(row)
    order = 2 + width + (0 if _within(row) else 3)
    x, y = [side.dots for side in sides], [side.down[i] for side in sides]
    axes.plot(x, y, color=colour, linewidth=width, linestyle=dash, zorder=order, clip_on=False)


def _draw_end(figure: Figure, axes: Any, row: Any, side: _Side, i: int) -> None:
    """One end of the line of an action: its dot, its interval, its rank and its name."""
    y, out = side.down[i], side.facing
    if np.isnan(y):
        return
    colour = look_of(row)[0] if row["state"] == "both" else INK
    stands_out = _told(row)
    weight = "bold" if stands_out else "normal"
    mark, tone = {"new": "D", "gone": "X"}.get(row["state"], "o"), INK if stands_out else colour
    axes.plot(side.dots, y, marker=mark, markersize=5.5 if stands_out else 4.0, color=tone, zorder=9, clip_on=False)
    if side.lane:
        axes.plot((side.names - out * 0.04, side.dots), (y, y), color="#D5DCE0", linewidth=0.6, zorder=1, clip_on=False)
    if np.isfinite(side.ends[i]).all():
        thin = {"color": colour, "zorder": 8 if stands_out else 7, "clip_on": False}
        x, bold = side.across[i], 1.6 if stands_out else _THIN
        axes.plot((x, x), side.ends[i], linewidth=bold, solid_capstyle="butt", **thin)
        axes.plot(x, y, marker="o", markersize=3.2 if stands_out else 2.4, markeredgewidth=0, **thin)
    style = {"size": _LETTERS, "va": "center", "weight": weight, "ha": "right" if out < 0 else "left"}
    rest = {"new": ", new", "gone": ", no longer listed"}.get(row["state"], "")
    gap = 0.0 if side.lane else _PAD_IN
    write(figure, (side.names + out * gap, y), f"{row[f'rank_{side.tag}']}", **style)
    art = write(figure, (side.names + out * side.room_in, y), "", **style)
    room = side.names_in - side.room_in
    for most in (40, 24, 14):  # the site's name gives way first, then a long name of the action
        fit(art, place(row, 60), f": {short(str(row['action']), most)}{rest}", room)
        if art.get_window_extent().width <= room * figure.dpi:
            break


def _draw_border(axes: Any, side: _Side) -> None:
    """A rule under the first rows, where ranks further down begin."""
    edge = HEAD_IN + SHOWN * ROW_IN + _RULE_IN
    lowest = np.nanmax([*side.down, *side.ends.ravel(), 0.0])
    if not lowest > HEAD_IN + SHOWN * ROW_IN:
        return
    outer = MARGIN_IN if side.facing < 0 else WIDE_IN - MARGIN_IN
    axes.plot((outer, side.dots), (edge, edge), color="#8C979D", linewidth=0.8, clip_on=False)
    align = "right" if side.facing < 0 else "left"
    style = {"size": 8, "color": "#555555", "ha": align}
    axes.text(side.names, edge - 0.04, f"below the first {SHOWN}, not to scale", va="bottom", **style)


def _draw_titles(figure: Figure, one: Comparison, sides: tuple[_Side, _Side], shown: int) -> None:
    moved = moved_rows(one.moves)
    write(figure, (MARGIN_IN, 0.2), "What moved between the two runs", size=15, weight="bold")
    told = f"{len(moved):,} of {len(one.moves):,} actions changed rank"
    if moved["beyond"].notna().any():
        far = int(moved["beyond"].fillna(value=False).sum())
        told += f", {f'{far:,}' if far else 'none'} of them by more than the inputs' uncertainty explains"
    told += f"; shown: the {shown} among the first {SHOWN} of either run."
    write(figure, (MARGIN_IN, 0.5), told, size=9.5, color="#444444")
    for side, name, run in zip(sides, "AB", (one.a, one.b), strict=True):
        align = "right" if side.facing < 0 else "left"
        art = write(figure, (side.names, 0.8), "", size=11.5, weight="bold", ha=align)
        date = short(str(run.record.get("date", ""))[:10], 10)
        head = f"{name}: {short(run.folder.name or str(run.folder), 60)}"
        fit(art, head, f", {date}" if date else "", side.names_in)


def _draw_key(figure: Figure, one: Comparison, down_in: float, *, lanes: bool) -> None:
    dash = (0, (3.2, 1.3))
    keys = [
        Line2D([], [], color=BLUE, linewidth=2.8, label=f"up {FAR} places or more"),
        Line2D([], [], color=BLUE, linewidth=1.3, label="up fewer"),
        Line2D([], [], color=VERMILION, linewidth=2.8, linestyle=dash, label=f"down {FAR} places or more"),
        Line2D([], [], color=VERMILION, linewidth=1.3, linestyle=dash, label="down fewer"),
        Line2D([], [], color=GREY, linewidth=1.1, label="not moved"),
        Line2D([], [], color=INK, marker="D", markersize=5, linestyle="none", label="only in B"),
        Line2D([], [], color=INK, marker="X", markersize=6, linestyle="none", label="only in A"),
    ]
    place_at = (MARGIN_IN / WIDE_IN - 0.005, 1 - down_in / figure.get_figheight())
    shared: dict[str, Any] = {
        "bbox_to_anchor": place_at, "frameon": False, "fontsize": 9.5, "handlelength": 3.0, "columnspacing": 1.5,
        "borderpad": 0, "labelcolor": INK,
    }  # fmt: skip
    if not lanes:
        figure.legend(handles=keys, loc="center left", ncols=len(keys), **shared)
        return
    figure.add_artist(figure.legend(handles=keys, loc="lower left", ncols=len(keys), **shared))
    levels = dict.fromkeys(filter(None, (level_words(run.level) for run in (one.a, one.b) if run.has_intervals)))
    which = f"ranks in {' and '.join(levels)} of the draws" if levels else "interval of ranks"
    keys = [Line2D([], [], color=INK, marker="|", markersize=13, markeredgewidth=_THIN, linestyle="none", label=which)]
    if moved_rows(one.moves)["beyond"].notna().any():
        what = "pale: the inputs' uncertainty could explain the move"
        keys.append(Line2D([], [], color=_pale(BLUE), linewidth=2.8, label=what))
    figure.legend(handles=keys, loc="upper left", ncols=len(keys), **shared)
