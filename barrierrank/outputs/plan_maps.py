"""Maps of where a species can go before and after a plan, side by side, with the plan's sites."""

from __future__ import annotations

import dataclasses
import math
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from barrierrank.outputs.labels import place_labels
from barrierrank.outputs.model import OutputModel, SpeciesLook
from barrierrank.outputs.north import north_angle
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, write
from barrierrank.outputs.pictures import (
    DPI,
    base_width,
    draw_reaches,
    draw_scale,
    draw_water,
    joined_lines,
    line_key,
    map_bounds,
)
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_reaches import WHEN, changed, plan_sites, states
from barrierrank.outputs.plan_words import plan_cautions
from barrierrank.outputs.styles import INK, STATE_LOOKS
from barrierrank.outputs.units import format_amount

WIDE_IN, MARGIN_IN, BETWEEN_IN, HEAD_IN, KEY_IN, ROW_IN = 13.0, 0.3, 0.2, 1.12, 0.62, 0.18
NUMBERED = 60
"""Actions whose order is written beside their sites."""
NAMED = 24
"""Actions named below the maps, in three columns."""
HALO = "#F7DE8B"
# The shape says what an action is for; Okabe and Ito's colours are those of the streams.
MARKS = {"keep out": "^", "let through": "o", "both": "s", "neither": "X"}
_TITLES = {"before": "Today", "after": "With the plan"}

Box = tuple[float, float, float, float]


def draw_access(look: PlanLook, species: SpeciesLook) -> Figure:
    """Return the two maps of one species as a figure.

    Parameters
    ----------
    look : PlanLook
    species : SpeciesLook
        One of those of the ranking.
    """
    bounds = map_bounds(look.base)
    wide = WIDE_IN - 2 * MARGIN_IN
    foot = foot_lines(plan_cautions(look), wide)
    map_wide = (wide - BETWEEN_IN) / 2
    ratio = min(max((bounds[3] - bounds[1]) / (bounds[2] - bounds[0]), 0.5), 1.4)
    named = min(len(look.plan), NAMED)
    rows = -(-named // 3) + (len(look.plan) > named)
    list_in = 0.24 + ROW_IN * rows if named else 0.0
    tall = HEAD_IN + map_wide * ratio + KEY_IN + list_in + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    _draw_titles(figure, look, species)
    sites = plan_sites(look)
    sites = sites[~(sites.geometry.is_empty | sites.geometry.isna())]
    for number, when in enumerate(WHEN):
        left = MARGIN_IN + number * (map_wide + BETWEEN_IN)
        write(figure, (left, HEAD_IN - 0.24), _TITLES[when], size=11, weight="bold")
        axes = _frame(figure, (left, HEAD_IN, map_wide, map_wide * ratio), bounds)
        _draw_one(figure, axes, look, (species, when), (bounds, sites))
    below = HEAD_IN + map_wide * ratio
    _draw_key(figure, look, sites, below)
    _draw_list(figure, look, below + KEY_IN)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _draw_titles(figure: Figure, look: PlanLook, species: SpeciesLook) -> None:
    wide = WIDE_IN - 2 * MARGIN_IN
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, species.label, ": where it can go today and with the plan", wide)
    line = write(figure, (MARGIN_IN, 0.52), "", size=9.5, color="#444444")
    fit(line, look.base.basin, _amounts(look, species), wide)


def _amounts(look: PlanLook, species: SpeciesLook) -> str:
    rows = look.access[look.access["species"] == species.key]
    if rows.empty:
        return ""
    row = rows.iloc[0]
    amounts = [
        format_amount(float(row[c]), species.habitat_unit, look.base.units) for c in ("before", "after", "habitat")
    ]
    return (
        f": {amounts[0]} of its habitat can be reached with nothing done, {amounts[1]} with the plan, of {amounts[2]} "
        "(mean over the horizon, failing counted). Lines: structures sound."
    )


def _frame(figure: Figure, place_in: Box, bounds: Box) -> Any:
    """Add a map's frame at left, top, width and height [inches]; a metre is as long across as up."""
    left, top, wide, tall = place_in
    sheet_wide, sheet_tall = figure.get_figwidth(), figure.get_figheight()
    axes = figure.add_axes((left / sheet_wide, 1 - (top + tall) / sheet_tall, wide / sheet_wide, tall / sheet_tall))
    across, up = bounds[2] - bounds[0], bounds[3] - bounds[1]
    more_x, more_y = max(up * wide / tall - across, 0.0) / 2, max(across * tall / wide - up, 0.0) / 2
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlim(bounds[0] - more_x, bounds[2] + more_x)
    axes.set_ylim(bounds[1] - more_y, bounds[3] + more_y)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color("#B8C2C9")
    axes.apply_aspect()
    axes.set_autoscale_on(False)
    return axes


def _draw_one(
    figure: Figure, axes: Any, look: PlanLook, what: tuple[SpeciesLook, str], where: tuple[Box, gpd.GeoDataFrame]
) -> None:
    """Draw one map: water, streams by state, what the plan changes, the plan's sites."""
    (species, when), (bounds, sites) = what, where
    model = _at(look, species, when)
    draw_water(axes, model.receiving)
    (x0, x1), wide = axes.get_xlim(), axes.get_window_extent().width
    scale_m = (x1 - x0) / wide  # of a dot
    if when == "after":
        _draw_halo(axes, look, species, scale_m)
    draw_reaches(axes, model, species, scale_m)
    draw_scale(axes, model, bounds)
    _draw_north(axes, model, bounds)
    _draw_marks(axes, sites, filled=when == "after")
    labels = [
        (float(point.x), float(point.y), 4.0, f"{order}")
        for point, order in zip(sites.geometry, sites["order"], strict=True)
    ]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        place_labels(figure, axes, labels[:NUMBERED], letters=8.5 if len(labels) <= 25 else 7.5)


def _at(look: PlanLook, species: SpeciesLook, when: str) -> OutputModel:
    """Return the ranking with the states of one species as they are before or after the plan."""
    state = {f"state_{species.key}": states(look, species.key, when)}
    return dataclasses.replace(look.base, reaches=look.base.reaches.assign(**state))


def _draw_halo(axes: Any, look: PlanLook, species: SpeciesLook, scale_m: float) -> None:
    """Draw a pale band behind reaches whose access the plan changes."""
    mine = changed(look, species.key)
    lines = shapely.force_2d(look.base.reaches.geometry.to_numpy())[mine]
    if not len(lines):
        return
    lines = shapely.simplify(lines, scale_m / 2, preserve_topology=False)
    width = 5.0 * base_width(len(look.base.reaches)) + 2.0
    axes.add_collection(
        LineCollection(joined_lines(lines), colors=HALO, linewidths=width, capstyle="round", zorder=1), autolim=False
    )


def _draw_north(axes: Any, model: OutputModel, bounds: Box) -> None:
    """Draw an arrow to true north inside the corner of a map, where the map has one direction to it."""
    angle = north_angle(model.reaches.crs, bounds)
    if angle is None:
        return
    up = np.array([math.sin(angle), math.cos(angle)])
    size = axes.get_window_extent()
    inch = DPI / np.array([size.width, size.height])  # as a part of the frame
    middle = 1.0 - np.array([0.25, 0.42]) * inch
    axes.annotate(
        "", xy=middle + 0.17 * up * inch, xytext=middle - 0.17 * up * inch, xycoords="axes fraction", zorder=20,
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4, "mutation_scale": 11, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    axes.text(
        *(middle + 0.27 * up * inch), "N", transform=axes.transAxes, size=9, weight="bold", color=INK, ha="center",
        va="center", zorder=20,
    )  # fmt: skip


def _draw_marks(axes: Any, sites: gpd.GeoDataFrame, *, filled: bool) -> None:
    """Mark the plan's sites by what is done for, white as things are and dark once it is done."""
    size = 34.0 if len(sites) <= NUMBERED else 12.0
    purposes = _purposes(sites)
    for purpose, mark in MARKS.items():
        mine = sites[purposes == purpose]
        axes.scatter(
            mine.geometry.x, mine.geometry.y, s=size, marker=mark, facecolor=INK if filled else "white",
            edgecolor="white" if filled else INK, linewidths=0.8, zorder=12,
        )  # fmt: skip


def _purposes(sites: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Return what each action is for; one that is not listed is for neither."""
    words = sites["purpose"].to_numpy(dtype=object)
    return np.array([word if word in MARKS else "neither" for word in words], dtype=object)


def _draw_key(figure: Figure, look: PlanLook, sites: gpd.GeoDataFrame, top: float) -> None:
    """Say below the maps what lines and marks are."""
    tall = figure.get_figheight()
    streams = [line_key(w) for w in reversed(STATE_LOOKS)]
    streams.append(Line2D([], [], color=HALO, linewidth=6.0, label="access changed by the plan"))
    there = set(_purposes(sites))
    marks = [
        Line2D([], [], linestyle="none", marker=mark, markersize=6.5, markerfacecolor=INK, markeredgecolor="white",
               label=purpose)
        for purpose, mark in MARKS.items()
        if purpose in there
    ]  # fmt: skip
    head = "The plan's sites, by their order:"
    if len(look.plan) > NUMBERED:
        marks.append(Line2D([], [], linestyle="none", label=f"(the first {NUMBERED} have their number)"))
    rows = [("Streams, wider with stream order:", streams), (head, marks)]
    for number, (title, handles) in enumerate(rows if marks else rows[:1]):
        y = 1 - (top + 0.2 + 0.25 * number) / tall
        figure.text(MARGIN_IN / WIDE_IN, y, title, size=9, weight="bold", color=INK, va="center")
        figure.legend(
            handles=handles, loc="center left", bbox_to_anchor=((MARGIN_IN + 3.0) / WIDE_IN, y), ncols=len(handles),
            frameon=False, fontsize=9, handlelength=3.2, columnspacing=1.6, borderpad=0,
        )  # fmt: skip


def _draw_list(figure: Figure, look: PlanLook, top: float) -> None:
    """Name the first actions by their order, in three columns."""
    wide = (WIDE_IN - 2 * MARGIN_IN) / 3
    rows = -(-min(len(look.plan), NAMED) // 3)
    for number, (_, row) in enumerate(look.plan.head(NAMED).iterrows()):
        left, down = MARGIN_IN + wide * (number // rows), top + 0.08 + ROW_IN * (number % rows)
        write(figure, (left + 0.26, down), f"{int(row['order'])}", size=8.5, weight="bold", ha="right")
        art = write(figure, (left + 0.34, down), "", size=8.5)
        fit(art, f"{short(str(row['name'] or row['site']), 44)}: {row['action']}", "", wide - 0.44)
    rest = len(look.plan) - NAMED
    if rest > 0:
        place = (MARGIN_IN, top + 0.08 + ROW_IN * rows)
        write(figure, place, f"and {rest:,} more: see plan.csv", size=8.5, color="#444444")
