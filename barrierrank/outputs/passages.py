"""Pictures of one structure: the flow through a run with the days on which fish can pass, and the drop against flow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import matplotlib.dates as mdates
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from barrierrank.outputs.drop_curve import HALO, draw_curve, lost_from
from barrierrank.outputs.model import OutputModel, SitePassage, SpeciesLook
from barrierrank.outputs.passages_words import design_words, flood_words, range_words, share_words
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.profiles import slug
from barrierrank.outputs.styles import BLUE, INK, VERMILION, WATER
from barrierrank.outputs.units import flow_unit, format_flow
from barrierrank.problems import one_line
from barrierrank.ranking.cautions import short_cautions

Floats = npt.NDArray[np.float64]

WIDE_IN, LEFT_IN, RIGHT_IN, MARGIN_IN = 8.27, 0.95, 0.35, 0.3
HEAD_IN, FLOW_IN, AXIS_IN = 1.06, 2.25, 0.62
CAPTION_IN, STRIP_IN, GAP_IN = 0.22, 0.3, 0.13
CURVE_HEAD_IN, CURVE_IN, CURVE_AXIS_IN = 0.68, 3.0, 0.62
CLOSED, RUN = "#E3E3E3", "#ABABAB"
ROLE_WORDS = {"invasive": "invader", "native": "native"}


def write_passages(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``passage_<site>.png`` for every structure of `OutputModel.site_passages`.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel

    Returns
    -------
    list of Path
        In their order.

    Raises
    ------
    OSError
        Where a file cannot be written.
    """
    paths = []
    parts = file_parts([one.site for one in model.site_passages])
    for one, part in zip(model.site_passages, parts, strict=True):
        path = folder / f"passage_{part}.png"
        save_picture(path, partial(draw_passage, model, one))
        paths.append(path)
    return paths


def file_parts(sites: Sequence[str]) -> list[str]:
    """Return ids of sites as parts of file names, all different: a number is put behind those that look alike.

    Parameters
    ----------
    sites : sequence of str
        User text.

    Examples
    --------
    >>> file_parts(["A-1", "A 1", "?"])
    ['a_1', 'a_1_2', 'site']
    """
    taken: set[str] = set()
    parts = []
    for site in sites:
        part = base = slug(site, nameless="site")
        number = 1
        while part in taken:
            number += 1
            part = f"{base}_{number}"
        taken.add(part)
        parts.append(part)
    return parts


def draw_passage(model: OutputModel, one: SitePassage) -> Figure:
    """Return the picture of one structure as a figure.

    Parameters
    ----------
    model : OutputModel
    one : SitePassage
    """
    looks = [look for look in model.species if look.key in one.open]
    told = _design_lines(model, one)
    foot = foot_lines(one.cautions or short_cautions(), WIDE_IN - 2 * MARGIN_IN)
    strips = len(looks) * (CAPTION_IN + STRIP_IN + GAP_IN)
    curve_top = HEAD_IN + FLOW_IN + strips + AXIS_IN + CURVE_HEAD_IN
    told_top = curve_top + CURVE_IN + CURVE_AXIS_IN
    tall = told_top + 0.19 * len(told) + 0.14 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    _draw_titles(figure, one)
    _draw_flow(figure, model, one, looks)
    write(figure, (MARGIN_IN, curve_top - 0.52), f"{_capital(one.drop_word)}, against flow", size=11.5, weight="bold")
    draw_curve(_axes(figure, curve_top, CURVE_IN), model, one)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, told_top + 0.19 * number), line, size=9.5)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _axes(figure: Figure, top_in: float, tall_in: float) -> Any:
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    axes = figure.add_axes(
        (LEFT_IN / wide, 1 - (top_in + tall_in) / tall, 1 - (LEFT_IN + RIGHT_IN) / wide, tall_in / tall)
    )
    axes.tick_params(labelsize=9.5, colors=INK)
    for spine in axes.spines.values():
        spine.set_color("#9AA6AD")
    axes.set_axisbelow(True)
    return axes


def _draw_titles(figure: Figure, one: SitePassage) -> None:
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, one.name or one.site, "", WIDE_IN - 2 * MARGIN_IN)
    rank = "no action here is worth doing" if one.rank is None else f"its best action ranks {one.rank}"
    known = ", ".join(part for part in (short(one.kind, 24), f"site {short(one.site, 40)}") if part)
    told = f", {rank}. Of the years with flows {one.year} is the middle one by flow of the run."
    line = write(figure, (MARGIN_IN, 0.5), "", size=9.5, color="#444444")
    fit(line, _capital(known), told, WIDE_IN - 2 * MARGIN_IN)
    head = f"Flow in {one.year}, and the days of the run on which fish can get past"
    write(figure, (MARGIN_IN, 0.78), head, size=11.5, weight="bold")


def _draw_flow(figure: Figure, model: OutputModel, one: SitePassage, looks: list[SpeciesLook]) -> None:
    """Flow over the days, a strip for each species below, dates under the last."""
    name, size = flow_unit(model.units)
    axes = _axes(figure, HEAD_IN, FLOW_IN)
    axes.set_ylabel(f"Flow at the site [{name}]", size=10, color=INK)
    axes.grid(axis="y", color="#E4E8EA", linewidth=0.8)
    lowest = axes
    day, flow = one.day.astype("datetime64[D]"), one.discharge / size
    if len(day) and np.isfinite(flow).any():
        axes.fill_between(day, flow, 0, color=WATER, step="mid", linewidth=0, zorder=2)
        axes.step(day, flow, where="mid", color=INK, linewidth=1.5, zorder=3)
        axes.set_ylim(0, 1.08 * max(float(np.nanmax(flow)), 1e-9))
        axes.yaxis.set_major_locator(MaxNLocator(5))
    else:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "Flows are not known.", transform=axes.transAxes, ha="center", size=10, color="#555555")
    top = HEAD_IN + FLOW_IN
    for look in looks:
        top += GAP_IN
        _draw_caption(figure, top, model, one, look)
        top += CAPTION_IN
        lowest = _axes(figure, top, STRIP_IN)
        _draw_strip(lowest, one, look)
        top += STRIP_IN
    if looks:
        _draw_key(figure, top + AXIS_IN - 0.18, {look.role for look in looks})
    _mark_lost(axes, model, one, looks)
    for part in figure.axes:
        part.tick_params(axis="x", bottom=part is lowest, labelbottom=part is lowest)
        if len(day):
            half = np.timedelta64(12, "h")
            part.set_xlim(day[0] - half, day[-1] + half)
            part.xaxis.set_major_locator(mdates.AutoDateLocator(minticks=4, maxticks=9))  # type: ignore[no-untyped-call]
            part.xaxis.set_major_formatter(FuncFormatter(_date))


def _draw_key(figure: Figure, down_in: float, roles: set[str]) -> None:
    """What the strips show, in one row."""
    keys = [Patch(color=RUN, label="how much of the run comes")]
    keys += [
        Patch(color=colour, label=f"{ROLE_WORDS[role]} can get past")
        for role, colour in (("invasive", VERMILION), ("native", BLUE))
        if role in roles
    ]
    keys.append(Patch(color=CLOSED, label="cannot"))
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    figure.legend(
        handles=keys, loc="center left", bbox_to_anchor=(LEFT_IN / wide - 0.01, 1 - down_in / tall), ncols=len(keys),
        frameon=False, fontsize=9.5, handlelength=1.4, columnspacing=1.5, borderpad=0, labelcolor=INK,
    )  # fmt: skip


def _mark_lost(axes: Any, model: OutputModel, one: SitePassage, looks: list[SpeciesLook]) -> None:
    """The flow from which on the drop no longer stops an invader, as a level line."""
    _, size = flow_unit(model.units)
    for look in looks:
        needed = one.required.get(look.key, math.nan)
        lost = lost_from(one, needed) if look.role == "invasive" and math.isfinite(needed) else math.nan
        if not (math.isfinite(lost) and lost / size < axes.get_ylim()[1]):
            continue
        axes.axhline(lost / size, color=VERMILION, linewidth=1.8, linestyle=(0, (4, 1.6)), zorder=4)
        text = f"from {format_flow(lost, model.units)} on the drop no longer stops {short(look.label, 30)}"
        under = lost / size > 0.86 * axes.get_ylim()[1]
        axes.annotate(
            text, (0.99, lost / size), xytext=(0, -3 if under else 3), textcoords="offset points", size=9.5, color=INK,
            xycoords=axes.get_yaxis_transform(), ha="right", va="top" if under else "bottom", path_effects=HALO,
            zorder=8, parse_math=False,
        )  # fmt: skip


def _date(value: float, _: int | None = None) -> str:
    """Write a day of an axis: ``5 May``."""
    day = pd.Timestamp("1970-01-01") + pd.Timedelta(days=value)
    return f"{day.day} {day:%b}"


def _draw_strip(axes: Any, one: SitePassage, look: SpeciesLook) -> None:
    """Days of the run: dark where it can get past, pale where not; the hump is how much of the run comes."""
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    run = np.nan_to_num(np.asarray(one.run[look.key], dtype=np.float64))
    open_ = np.asarray(one.open[look.key], dtype=np.bool_)
    if not len(one.day):
        return
    start = one.day.astype("datetime64[D]").astype(np.float64) - 0.5  # days since 1970, as the axis counts them
    colour = VERMILION if look.role == "invasive" else BLUE
    # a dark band at the foot where open; above it the run, drawn in the same two tones
    for which, tone in ((~open_, CLOSED), (open_, colour)):
        axes.broken_barh(_spans(start, which & (run > 0)), (0, 0.36), facecolor=tone, linewidth=0, zorder=2)
    if run.max(initial=0.0) > 0:
        top = 0.4 + 0.56 * run / run.max()
        axes.fill_between(start + 0.5, 0.4, top, step="mid", color=RUN, linewidth=0, zorder=2)
    axes.axhline(0.38, color=INK, linewidth=0.8, zorder=3)


def _spans(start: Floats, which: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Beginnings and lengths of unbroken days."""
    edge = np.diff(which.astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    return [(float(start[a]), float(b - a)) for a, b in zip(first, last, strict=True)]


def _draw_caption(figure: Figure, top_in: float, model: OutputModel, one: SitePassage, look: SpeciesLook) -> None:
    """Name of the species on the left; on the right its days in the year shown and the passability of all years."""
    right = WIDE_IN - RIGHT_IN
    told = write(figure, (right, top_in), _caption(model, one, look), size=9.5, ha="right")
    taken_in = told.get_window_extent().width / figure.dpi
    name = write(figure, (LEFT_IN, top_in), "", size=9.5, weight="bold")
    fit(name, look.label, f" ({ROLE_WORDS[look.role]})", right - LEFT_IN - taken_in - 0.15)


def _caption(model: OutputModel, one: SitePassage, look: SpeciesLook) -> str:
    during = np.nan_to_num(np.asarray(one.run[look.key], dtype=np.float64)) > 0
    days = int((np.asarray(one.open[look.key], dtype=np.bool_) & during).sum())
    of = int(during.sum())
    told = f"in {one.year} passable on {days} of {of} days" if of else f"no run in {one.year}"
    row = row_of(model, one.site, look.key)
    if row is None or pd.isna(row["passability"]):
        return told
    how = {"computed": "all years", "trial": "by trial"}.get(str(row["source"]), str(row["source"]))
    told += f"; {how} {_percent(float(row['passability']))}"
    worst, year = row.get("p_worst"), row.get("worst_year")
    if worst is None or pd.isna(worst) or worst == row["passability"]:  # no year is worse than the others
        return told
    return f"{told}, worst{'' if year is None or pd.isna(year) else f' {int(year)}'}: {_percent(float(worst))}"


def _percent(share: float) -> str:
    """Write a share as a number, short."""
    told = share_words(share).replace("less than", "<").replace("more than", ">")
    return told if 0 < share < 1 else f"{100 * share:.0f} %"


def row_of(model: OutputModel, site: str, species: str) -> pd.Series[Any] | None:
    """Return the row of the table of passability for a site and a species; None where there is none.

    Parameters
    ----------
    model : OutputModel
    site, species : str
        Id and key.
    """
    if model.passage is None:
        return None
    table = model.passage
    rows = table[(table["site"] == site) & (table["species"] == species)]
    return None if rows.empty else rows.iloc[0]


def _design_lines(model: OutputModel, one: SitePassage) -> list[str]:
    """What the design flood leaves and how sure passability is, for every invader of which it is known, as lines."""
    lines = []
    for look in model.species:
        row = row_of(model, one.site, look.key) if look.role == "invasive" else None
        if row is None:
            continue
        clause, span = design_words(row, model.units), range_words(row)
        told = f"{clause}. {flood_words(row)}".rstrip() if clause else ""
        if span:
            told += f"{' Of' if told else 'of'} its run {_percent(float(row['passability']))} gets past, {span}."
        if told:
            lines += wrapped(f"{one_line(short(look.label, 40))}: {told}", WIDE_IN - 2 * MARGIN_IN, 9.5)
    return lines
