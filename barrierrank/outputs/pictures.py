"""Maps for reports: where each species can go, and what each site holds back."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from matplotlib import patheffects
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from barrierrank.outputs.labels import place_labels
from barrierrank.outputs.model import OutputModel, SpeciesLook
from barrierrank.outputs.north import north_angle
from barrierrank.outputs.styles import INK, STATE_LOOKS, WATER, StateLook
from barrierrank.outputs.units import format_amount, format_length, scale_bar
from barrierrank.problems import one_line
from barrierrank.ranking.words import shown_size

DPI = 160
LONG_SIDE_IN = 11.0
NAMED_SITES = 10
MOST_CROSSES = 500  # sites that hold back nothing; more would hide the streams
_TOLD = {"none": "without habitat"}
_HALO = [patheffects.withStroke(linewidth=2.4, foreground="white")]


def write_blocked_maps(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``blocked_<species>.png`` for every species.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel

    Returns
    -------
    list of Path
        In the order of the species.

    Raises
    ------
    OSError
        Where a file cannot be written.
    """
    paths = []
    for look in model.species:
        path = folder / f"blocked_{look.key}.png"
        save_picture(path, partial(draw_map, model, look))
        paths.append(path)
    return paths


def save_picture(path: Path, draw: Callable[[], Figure]) -> None:
    """Draw a figure and write it; a letter that the font lacks is drawn as a box, the tables have the text.

    Parameters
    ----------
    path : Path
    draw : callable
        Returns the figure.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        draw().savefig(path, format="png", dpi=DPI, metadata={"Software": "barrierrank"})


def draw_map(model: OutputModel, look: SpeciesLook) -> Figure:
    """Return the map of one species as a figure.

    Parameters
    ----------
    model : OutputModel
    look : SpeciesLook
    """
    bounds = map_bounds(model)
    figure, axes = _sheet(bounds)
    draw_water(axes, model.receiving)
    scale_m = (bounds[2] - bounds[0]) / (axes.get_position().width * figure.get_figwidth() * DPI)  # of a dot
    draw_reaches(axes, model, look, scale_m)
    top = _draw_sites(axes, model, look)
    _draw_titles(figure, model, look)
    _draw_legend(figure, model, look)
    draw_scale(axes, model, bounds)
    _draw_north(axes, model, bounds)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        place_labels(figure, axes, top)
    return figure


def map_bounds(model: OutputModel) -> tuple[float, float, float, float]:
    """Extent of streams and sites with a margin; the receiving water may reach beyond."""
    boxes = [f.total_bounds for f in (model.reaches, model.sites) if len(f)]
    boxes = [b for b in boxes if np.isfinite(b).all()]
    if not boxes:
        return (0.0, 0.0, 1.0, 1.0)
    low, high = np.min(boxes, axis=0)[:2], np.max(boxes, axis=0)[2:]
    margin = 0.04 * max(float((high - low).max()), 1.0)
    return (low[0] - margin, low[1] - margin, high[0] + margin, high[1] + margin)


def _sheet(bounds: tuple[float, float, float, float]) -> tuple[Figure, Any]:
    """A sheet whose proportions follow the basin, with room for title above and legend below [inches]."""
    wide, tall = bounds[2] - bounds[0], bounds[3] - bounds[1]
    ratio = min(max(tall / wide, 0.35), 1.6)
    across = LONG_SIDE_IN if ratio <= 1 else max(LONG_SIDE_IN / ratio, 7.6)
    side, head, foot = 0.25, 0.85, 1.05
    height = (across - 2 * side) * ratio + head + foot
    figure = Figure(figsize=(across, height), dpi=DPI, facecolor="white")
    axes = figure.add_axes((side / across, foot / height, 1 - 2 * side / across, 1 - (head + foot) / height))
    # long thin basins get room on both sides, so that a metre is as long across as up
    more_x, more_y = max(tall / ratio - wide, 0.0) / 2, max(wide * ratio - tall, 0.0) / 2
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlim(bounds[0] - more_x, bounds[2] + more_x)
    axes.set_ylim(bounds[1] - more_y, bounds[3] + more_y)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color("#B8C2C9")
    axes.apply_aspect()
    axes.set_autoscale_on(False)
    return figure, axes


def draw_water(axes: Any, water: gpd.GeoDataFrame | None) -> None:
    """Draw the receiving water, where it is given."""
    if water is None or not len(water):
        return
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    whole = shapely.make_valid(shapely.force_2d(water.geometry.to_numpy()))
    cut = shapely.intersection(whole, shapely.box(x0, y0, x1, y1))
    for polygon in shapely.get_parts(cut[~shapely.is_missing(cut)]):
        if shapely.get_type_id(polygon) != 3 or polygon.is_empty:
            continue
        rings = [polygon.exterior, *polygon.interiors]
        outline = Outline.make_compound_path(
            *(Outline(np.asarray(r.coords)[:, :2], closed=True) for r in rings)
        )
        axes.add_patch(PathPatch(outline, facecolor=WATER, edgecolor="#A9C3D6", linewidth=0.6, zorder=0))


def draw_reaches(axes: Any, model: OutputModel, look: SpeciesLook, scale_m: float) -> None:
    """Draw lines by state, wider with the stream order; joined first, so that dashes run on."""
    state = model.reaches[f"state_{look.key}"].to_numpy(dtype=object)
    order = model.reaches["strahler"].to_numpy(dtype=np.int64)
    lines = shapely.force_2d(model.reaches.geometry.to_numpy())
    lines = shapely.simplify(lines, scale_m / 2, preserve_topology=False)
    base = base_width(len(lines))
    for zorder, state_look in enumerate(STATE_LOOKS, start=2):
        mine = state == state_look.state
        for step in np.unique(order[mine]):
            pieces = joined_lines(lines[mine & (order == step)])
            width = base * state_look.width * _width(int(step))
            # hair-thin dashes melt into a tint: on crowded sheets only the larger streams are dashed
            dash = state_look.dash if width > 0.45 or state_look.state == "none" else ()
            axes.add_collection(
                LineCollection(
                    pieces,
                    colors=state_look.colour,
                    linewidths=width,
                    linestyles=(0, dash) if dash else "solid",
                    capstyle="butt" if dash else "round",
                    zorder=zorder + min(step, 20) / 100,
                ),
                autolim=False,
            )


def joined_lines(lines: npt.NDArray[np.object_]) -> list[npt.NDArray[np.float64]]:
    """Return the points of lines that are joined where they meet end to end."""
    merged = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(shapely.get_parts(lines))))
    points, which = shapely.get_coordinates(merged, return_index=True)
    return list(np.split(points, np.flatnonzero(np.diff(which)) + 1)) if len(points) else []


def base_width(n: int) -> float:
    """Width of a line of order 1 [pt]: thinner where many share the sheet."""
    return float(np.interp(math.log10(max(n, 1)), [2.5, 4.0, 5.3], [1.0, 0.55, 0.25]))


def _width(order: int) -> float:
    return 1.0 + 0.45 * (min(order, 9) - 1)


def _draw_sites(axes: Any, model: OutputModel, look: SpeciesLook) -> list[tuple[float, float, float, str]]:
    """Draw circles with areas that go with blocked habitat; return x, y, radius [pt], name of the largest."""
    sites = model.sites[~(model.sites.geometry.is_empty | model.sites.geometry.isna())]
    blocked = np.nan_to_num(sites[f"blocked_{look.key}"].to_numpy(dtype=np.float64))
    x, y = sites.geometry.x.to_numpy(), sites.geometry.y.to_numpy()
    most = float(blocked.max(initial=0.0))
    holds = blocked > 0
    if (~holds).sum() <= MOST_CROSSES:
        axes.scatter(x[~holds], y[~holds], s=9, marker="x", color=INK, linewidths=0.7, zorder=10)
    if most <= 0:
        return []
    size = marker_area(blocked, most, floor=_floor(int(holds.sum())))
    # small ones last, so that none is hidden; ids part equals
    drawn = np.lexsort((sites["site"].astype(str).to_numpy(), -blocked))
    drawn = drawn[holds[drawn]]
    edge = 1.0 if len(drawn) < 500 else 0.6
    axes.scatter(
        x[drawn], y[drawn], s=size[drawn], facecolor="#FFFFFFB0", edgecolor=INK, linewidths=edge, zorder=11
    )
    names = sites["name"].astype(str).to_numpy(dtype=object)
    amounts = [format_amount(float(blocked[i]), look.habitat_unit, model.units) for i in drawn[:NAMED_SITES]]
    return [
        (float(x[i]), float(y[i]), math.sqrt(size[i]) / 2, f"{_short(names[i], 34)}\n{amount}")
        for i, amount in zip(drawn[:NAMED_SITES], amounts, strict=True)
    ]


def marker_area(blocked: npt.NDArray[np.float64], most: float, *, floor: float) -> npt.NDArray[np.float64]:
    """Area of a site's circle [pt2]: in proportion to its blocked habitat, above a floor that can be seen.

    Parameters
    ----------
    blocked : ndarray
    most : float
        Largest of the map, above zero.
    floor : float [pt2]
    """
    return np.asarray(floor + 380.0 * blocked / most, dtype=np.float64)


def _floor(sites: int) -> float:
    """Area of the smallest circle [pt2]: smaller where many share the sheet."""
    return 8.0 * min(1.0, max(300.0 / max(sites, 1), 0.2))


def _short(text: str, most: int) -> str:
    line = one_line(text).strip()
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _draw_titles(figure: Figure, model: OutputModel, look: SpeciesLook) -> None:
    tall = figure.get_figheight()
    left = 0.25 / figure.get_figwidth()
    title = f"Where {_short(look.label, 60)} can go, and what each site holds back"
    # user text: a dollar sign must not start a formula
    figure.text(left, 1 - 0.2 / tall, title, size=15, weight="bold", color=INK, va="top", parse_math=False)
    figure.text(
        left, 1 - 0.52 / tall, _subtitle(model, look), size=9.5, color="#444444", va="top", parse_math=False
    )


def _subtitle(model: OutputModel, look: SpeciesLook) -> str:
    lengths = model.reaches.groupby(f"state_{look.key}", observed=True)["length_m"].sum()
    told = [
        f"{format_length(float(lengths[w.state]), model.units)} {_TOLD.get(w.state, w.label)}"
        for w in reversed(STATE_LOOKS)
        if lengths.get(w.state, 0) > 0
    ]
    return f"{_short(model.basin, 60)}: {', '.join(told)}. As things are, before any action."


def _draw_legend(figure: Figure, model: OutputModel, look: SpeciesLook) -> None:
    """Two rows below the map: states of the streams, sizes of the sites."""
    blocked = np.nan_to_num(model.sites[f"blocked_{look.key}"].to_numpy(dtype=np.float64))
    tall, left = figure.get_figheight(), 0.25 / figure.get_figwidth()
    streams = [line_key(w) for w in reversed(STATE_LOOKS)]
    rows: list[tuple[str, Sequence[Line2D], float]] = [("Streams, wider with stream order:", streams, 0.98)]
    rows.append(("Sites, by the habitat each holds back:", _site_keys(model, look, blocked), 0.62))
    for title, handles, top in rows:
        figure.text(left, (top - 0.15) / tall, title, size=9, weight="bold", color=INK, va="center")
        legend = figure.legend(
            handles=list(handles),
            loc="center left",
            bbox_to_anchor=(left + 2.95 / figure.get_figwidth(), (top - 0.15) / tall),
            ncols=len(handles),
            frameon=False,
            fontsize=9,
            handlelength=3.2,
            columnspacing=1.6,
            borderpad=0,
        )
        for text in legend.get_texts():
            text.set_parse_math(False)
    note = "For planning only; not for design, navigation or safety. barrierrank"
    figure.text(left, 0.14 / tall, note, size=7.5, color="#666666", va="center")


def line_key(look: StateLook) -> Line2D:
    """Return an entry of the legend for a state."""
    style: Any = (0, look.dash) if look.dash else "solid"
    return Line2D([], [], color=look.colour, linewidth=2.0 * look.width, linestyle=style, label=look.label)


def _site_keys(model: OutputModel, look: SpeciesLook, blocked: npt.NDArray[np.float64]) -> list[Line2D]:
    keys, most, nothing = [], float(blocked.max(initial=0.0)), int((blocked <= 0).sum())
    floor = _floor(len(blocked) - nothing)
    for share in (1.0, 0.25) if most > 0 else ():
        unit = shown_size(most * share, habitat_unit=look.habitat_unit, units=model.units)
        amount = _round_down(most * share / unit) * unit
        side = math.sqrt(float(marker_area(np.array([amount]), most, floor=floor)[0]))
        label = format_amount(amount, look.habitat_unit, model.units)
        keys.append(
            Line2D(
                [],
                [],
                linestyle="none",
                marker="o",
                markersize=side,
                markerfacecolor="white",
                markeredgecolor=INK,
                label=label,
            )
        )
    if nothing > MOST_CROSSES:
        label = f"({nothing:,} that hold back nothing are not drawn)"
        return [*keys, Line2D([], [], linestyle="none", label=label)]
    return [*keys, Line2D([], [], linestyle="none", marker="x", markersize=4, color=INK, label="nothing")]


def _round_down(value: float) -> float:
    """Largest number with one figure that is not above `value`."""
    power = 10.0 ** math.floor(math.log10(value))
    return math.floor(value / power + 1e-9) * power


def draw_scale(axes: Any, model: OutputModel, bounds: tuple[float, float, float, float]) -> None:
    """Draw the scale bar."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    length, label = scale_bar((bounds[2] - bounds[0]) / 5, model.units)
    left, low = x0 + 0.02 * (x1 - x0), y0 + 0.025 * (y1 - y0)
    tall = 0.006 * (y1 - y0)
    for part, colour in ((0, INK), (1, "white")):
        box = shapely.box(left + part * length / 2, low, left + (part + 1) * length / 2, low + tall)
        axes.add_patch(
            PathPatch(
                Outline(np.asarray(box.exterior.coords)),
                facecolor=colour,
                edgecolor=INK,
                linewidth=0.8,
                zorder=20,
            )
        )
    axes.text(
        left + length,
        low + 2 * tall,
        label,
        size=8.5,
        ha="center",
        va="bottom",
        color=INK,
        zorder=20,
        path_effects=_HALO,
    )
    axes.text(
        left,
        low + 2 * tall,
        "0",
        size=8.5,
        ha="center",
        va="bottom",
        color=INK,
        zorder=20,
        path_effects=_HALO,
    )


def _draw_north(axes: Any, model: OutputModel, bounds: tuple[float, float, float, float]) -> None:
    """An arrow to true north, where the map has one direction to it."""
    angle = north_angle(model.reaches.crs, bounds)
    if angle is None:
        return
    up = np.array([math.sin(angle), math.cos(angle)])
    foot = np.array([0.965, 0.925])
    size = axes.get_window_extent()
    pixels = np.array([size.width, size.height])
    tip = foot + up * 46 / pixels * (DPI / 100) / 2
    tail = foot - up * 46 / pixels * (DPI / 100) / 2
    axes.annotate(
        "",
        xy=tip,
        xytext=tail,
        xycoords="axes fraction",
        zorder=20,
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.6, "mutation_scale": 14},
    )
    over = tip + up * 12 / pixels * (DPI / 100)
    axes.text(
        *over,
        "N",
        transform=axes.transAxes,
        size=10,
        weight="bold",
        color=INK,
        ha="center",
        va="center",
        zorder=20,
        path_effects=_HALO,
    )
