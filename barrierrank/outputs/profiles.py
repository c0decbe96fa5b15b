"""Pictures of the way up each main stem: elevation, sites, and how good the habitat is for each species."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import MaxNLocator

from barrierrank.outputs.labels import Box, place_labels
from barrierrank.outputs.model import OutputModel, SpeciesLook, StemProfile, StemSite
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.quality import LOOKS, NO_HABITAT, STEPS, quality_codes
from barrierrank.outputs.styles import INK, WATER
from barrierrank.outputs.units import M_PER_FOOT, M_PER_MILE, format_length
from barrierrank.problems import one_line

Floats = npt.NDArray[np.float64]

MOST_STEMS = 12
MOST_NAMES = 24  # named sites of a picture, best ranks first; all are marked
WIDE_IN, LEFT_IN, RIGHT_IN = 11.0, 1.75, 0.35
HEAD_IN, HILL_IN, STRIP_IN, GAP_IN, AXIS_IN, FOOT_IN = 0.95, 3.3, 0.22, 0.09, 0.62, 0.85
NO_DATA = "#F4F4F4"
NONE_COLOUR = "#D9D9D9"  # the grey of lines is too dark for a whole strip of it
_HATCH = "////"


def write_profiles(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``profile_<number>_<stem>.png`` for the longest main stems, the longest first, at most `MOST_STEMS`.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel

    Returns
    -------
    list of Path
        Empty where the model has no profiles.

    Raises
    ------
    OSError
        Where a file cannot be written.
    """
    stems = sorted(filter(_has_length, model.profiles), key=lambda p: (-p.distance_m[-1], p.outlet, p.name))
    paths = []
    for number, stem in enumerate(stems[:MOST_STEMS], start=1):
        path = folder / f"profile_{number:02d}_{slug(stem.name)}.png"
        save_picture(path, partial(draw_profile, model, stem))
        paths.append(path)
    return paths


def slug(name: str, *, nameless: str = "stem") -> str:
    """Return `name` as part of a file name, ``[a-z0-9_]+``: letters without their accents, all else a line.

    Parameters
    ----------
    name : str
        User text.
    nameless : str
        What stands for a name that has no letter or digit.

    Examples
    --------
    >>> slug("Café Creek (upper)"), slug("../..")
    ('cafe_creek_upper', 'stem')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    return re.sub(r"[^a-z0-9]+", "_", plain)[:40].strip("_") or nameless


def draw_profile(model: OutputModel, stem: StemProfile) -> Figure:
    """Return the picture of one stem as a figure.

    Parameters
    ----------
    model : OutputModel
    stem : StemProfile
        At least two points and a length above zero.
    """
    scale = _Scale.of(model, stem)
    looks = [s for s in model.species if s.key in stem.quality]
    tall = HEAD_IN + HILL_IN + len(looks) * (STRIP_IN + GAP_IN) + AXIS_IN + FOOT_IN
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    hill = _axes(figure, HEAD_IN, HILL_IN)
    _draw_hill(hill, stem, scale)
    lowest = hill
    for row, look in enumerate(looks):
        lowest = _axes(figure, HEAD_IN + HILL_IN + row * (STRIP_IN + GAP_IN) + GAP_IN, STRIP_IN)
        _draw_strip(lowest, stem, look, scale)
    lowest.tick_params(axis="x", bottom=True, labelbottom=True, labelsize=8.5, colors=INK)
    lowest.set_xlabel(f"Distance from the outlet along the stream [{scale.along_unit}]", size=9, color=INK)
    _draw_legend(figure, bool(looks))
    named = _draw_sites(figure, hill, stem, scale)
    _draw_titles(figure, model, stem, scale, len(stem.sites) - named)
    return figure


@dataclass(frozen=True)
class _Scale:
    """Units of the picture, in metres, and its ranges in those units."""

    along: float
    along_unit: str
    up: float
    up_unit: str
    far: float
    low: float
    high: float

    @staticmethod
    def of(model: OutputModel, stem: StemProfile) -> _Scale:
        far_m = float(stem.distance_m[-1])
        if model.units == "us":
            along, along_unit = (M_PER_MILE, "miles") if far_m >= 0.5 * M_PER_MILE else (M_PER_FOOT, "ft")
            up, up_unit = M_PER_FOOT, "ft"
        else:
            along, along_unit = (1000.0, "km") if far_m >= 1000 else (1.0, "m")
            up, up_unit = 1.0, "m"
        known = stem.elevation_m[np.isfinite(stem.elevation_m)] / up
        low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
        rise = max(high - low, 5.0)  # a level stream looks level
        return _Scale(along, along_unit, up, up_unit, far_m / along, low - 0.12 * rise, low + 1.36 * rise)


def _has_length(stem: StemProfile) -> bool:
    return len(stem.distance_m) > 1 and bool(stem.distance_m[-1] > 0)


def _axes(figure: Figure, top_in: float, tall_in: float) -> Any:
    """Axes of the width of the picture, `top_in` below its upper edge; all share the way along."""
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    axes = figure.add_axes(
        (LEFT_IN / wide, 1 - (top_in + tall_in) / tall, 1 - (LEFT_IN + RIGHT_IN) / wide, tall_in / tall)
    )
    axes.tick_params(bottom=False, labelbottom=False)
    for spine in axes.spines.values():
        spine.set_color("#B8C2C9")
    return axes


def _draw_hill(axes: Any, stem: StemProfile, scale: _Scale) -> None:
    along, height = stem.distance_m / scale.along, stem.elevation_m / scale.up
    axes.set_xlim(0, scale.far)
    axes.set_ylim(scale.low, scale.high)
    axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.grid(axis="y", color="#E9EDEF", linewidth=0.7)
    axes.set_axisbelow(True)
    axes.fill_between(along, height, scale.low, color=WATER, linewidth=0, zorder=2)
    axes.plot(along, height, color=INK, linewidth=1.5, zorder=3, solid_joinstyle="round")
    axes.tick_params(axis="y", labelsize=8.5, colors=INK)
    axes.set_ylabel(f"Elevation [{scale.up_unit}]", size=9, color=INK)
    if not np.isfinite(height).any():
        axes.set_yticks([])
        axes.text(0.5, 0.5, "Elevations are not known.", transform=axes.transAxes, ha="center", color="#666666")


def _draw_strip(axes: Any, stem: StemProfile, look: SpeciesLook, scale: _Scale) -> None:
    """One species' quality along the way, a column of dots at a time; hatched where it is not known."""
    axes.set_xlim(0, scale.far)
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.add_patch(
        Rectangle((0, 0), scale.far, 1, facecolor=NO_DATA, edgecolor="#8A8A8A", hatch=_HATCH, linewidth=0)
    )
    columns = round(axes.get_window_extent().width)
    codes = quality_codes(columns_of(stem.distance_m, stem.quality[look.key], columns))
    colours = np.array([to_rgba(step_colour(code)) if code else (1, 1, 1, 0) for code in range(len(LOOKS))])
    axes.imshow(
        colours[codes][None], extent=(0, scale.far, 0, 1), aspect="auto", interpolation="nearest", zorder=2
    )
    for site in stem.sites:
        axes.axvline(site.distance_m / scale.along, color="white", linewidth=1.6, zorder=3)
        axes.axvline(site.distance_m / scale.along, color=INK, linewidth=0.6, zorder=4)
    name = axes.text(
        -0.012, 0.5, _short(look.label, 40), transform=axes.transAxes, ha="right", va="center", size=9,
        color=INK, parse_math=False,
    )  # fmt: skip
    _fit(name, _short(look.label, 40), "", LEFT_IN - 0.35)


def step_colour(code: int) -> str:
    """Return the colour of a code of quality on a strip; 0, not known, is hatched instead."""
    return NONE_COLOUR if code == NO_HABITAT.code else LOOKS[code].colour


def columns_of(distance_m: Floats, quality: Floats, columns: int) -> Floats:
    """Return the quality in the middle of equal pieces of the way: steps stay steps, nothing is blended.

    Parameters
    ----------
    distance_m : (k,) array
        From the outlet, never falling.
    quality : (k,) array
        Holds from its point to the next; the last is not used.
    columns : int
    """
    edges = np.linspace(distance_m[0], distance_m[-1], columns + 1)
    before = np.searchsorted(distance_m, (edges[:-1] + edges[1:]) / 2, side="right") - 1
    return np.asarray(quality[np.clip(before, 0, len(quality) - 2)], dtype=np.float64)


def _draw_sites(figure: Figure, axes: Any, stem: StemProfile, scale: _Scale) -> int:
    """Mark every site, name as many as have room, best ranks first; return how many have a name."""
    marks = []
    for site in sorted(stem.sites, key=_importance):
        x, y = site.distance_m / scale.along, site.elevation_m / scale.up
        axes.axvline(x, color=INK, linewidth=0.6, linestyle=(0, (1, 2)), zorder=2.5)
        y = y if math.isfinite(y) else scale.low
        ranked = site.rank is not None
        style: dict[str, Any] = {"facecolor": "white", "s": 34} if ranked else {"marker": "x", "s": 22}
        colour = {"edgecolor": INK} if ranked else {"color": INK}
        axes.scatter([x], [y], linewidths=1.2, zorder=12, clip_on=False, **style, **colour)
        before = f"{site.rank}. " if ranked else ""
        marks.append((x, y, 3.5, before + _short(site.name or site.site, 34)))
    return place_labels(figure, axes, marks[:MOST_NAMES], taken=_along_the_line(axes, stem, scale), leave_out=True)


def _importance(site: StemSite) -> tuple[float, float, str]:
    return (math.inf if site.rank is None else site.rank, site.distance_m, site.site)


def _along_the_line(axes: Any, stem: StemProfile, scale: _Scale) -> list[Box]:
    """Boxes along the line of elevations, so that names do not lie on it."""
    known = np.isfinite(stem.elevation_m)
    if not known.any():
        return []
    x = np.linspace(0, stem.distance_m[-1], 90)
    y = np.interp(x, stem.distance_m[known], stem.elevation_m[known])
    dots = axes.transData.transform(np.column_stack([x / scale.along, y / scale.up]))
    low, high = np.minimum(dots[:-1], dots[1:]) - 2, np.maximum(dots[:-1], dots[1:]) + 2
    return [(float(a), float(b), float(c), float(d)) for (a, b), (c, d) in zip(low, high, strict=True)]


def _draw_titles(figure: Figure, model: OutputModel, stem: StemProfile, scale: _Scale, unnamed: int) -> None:
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    left = 0.25 / wide
    # user text: a dollar sign must not start a formula
    title = figure.text(
        left, 1 - 0.2 / tall, "", size=15, weight="bold", color=INK, va="top", parse_math=False
    )
    name = _short(stem.name, 60) or f"Outlet {stem.outlet}"
    _fit(title, name, ": the way up from the outlet to the headwater", WIDE_IN - 0.5)
    words = [f"{format_length(float(stem.distance_m[-1]), model.units)} long"]
    known = stem.elevation_m[np.isfinite(stem.elevation_m)]
    if len(known):
        rise = np.ptp(known) / scale.up
        words.append(f"rising {rise:.3g} {scale.up_unit}" if rise < 100 else f"rising {rise:.0f} {scale.up_unit}")
    n = len(stem.sites)
    words.append("no site on it" if n == 0 else f"{n} site{'s' if n > 1 else ''} on it")
    if unnamed:
        words[-1] += f", {unnamed} without room for a name"
    steep = (scale.far * scale.along / (WIDE_IN - LEFT_IN - RIGHT_IN)) / ((scale.high - scale.low) * scale.up / HILL_IN)
    told = f": {', '.join(words)}. Heights are drawn {steep:.2g} times as steep as they are."
    line = figure.text(left, 1 - 0.52 / tall, "", size=9.5, color="#444444", va="top", parse_math=False)
    _fit(line, _short(model.basin, 60), told, WIDE_IN - 0.5)


def _draw_legend(figure: Figure, qualities: bool) -> None:
    """Two rows below: steps of quality, marks of sites."""
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    left = 0.25 / wide
    if qualities:
        keys = [Patch(facecolor=step_colour(s.code), label=f"{s.word} {s.figures}") for s in (NO_HABITAT, *STEPS)]
        keys.append(Patch(facecolor=NO_DATA, edgecolor="#8A8A8A", hatch=_HATCH, linewidth=0, label="no data"))
        _legend_row(figure, 0.72, "Habitat quality:", keys)
    axes = figure.axes[0]
    ranked = axes.scatter([], [], s=34, facecolor="white", edgecolor=INK, linewidths=1.2)
    ranked.set_label("ranked, with the rank of its best action before the name")
    other = axes.scatter([], [], s=22, marker="x", color=INK, linewidths=1.2, label="no action listed")
    _legend_row(figure, 0.44, "Sites:", [ranked, other])
    note = "For planning only; not for design, navigation or safety. barrierrank"
    figure.text(left, 0.14 / tall, note, size=7.5, color="#666666", va="center")


def _legend_row(figure: Figure, up_in: float, title: str, handles: Sequence[Any]) -> None:
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    figure.text(0.25 / wide, up_in / tall, title, size=9, weight="bold", color=INK, va="center")
    figure.legend(
        handles=list(handles), loc="center left", bbox_to_anchor=(LEFT_IN / wide - 0.01, up_in / tall),
        ncols=len(handles), frameon=False, fontsize=9, handlelength=1.6, columnspacing=1.3, borderpad=0,
    )  # fmt: skip


def _short(text: str, most: int) -> str:
    line = one_line(text).strip()
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _fit(art: Any, name: str, rest: str, room_in: float) -> None:
    """Write `name` and `rest`, the name as short as it must be to keep to the room [inches]."""
    for most in range(len(name), 0, -2):
        art.set_text(_short(name, most) + rest)
        if art.get_window_extent().width <= room_in * art.get_figure().dpi:
            return
