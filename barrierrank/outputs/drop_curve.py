"""The panel that shows the drop at a structure against flow, with the drop that stops fish and the design flood."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib import patheffects
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator

from barrierrank.outputs.model import OutputModel, SitePassage
from barrierrank.outputs.passages_words import return_words
from barrierrank.outputs.picture_text import short
from barrierrank.outputs.styles import INK, VERMILION
from barrierrank.outputs.units import flow_unit, format_flow, format_height, height_unit
from barrierrank.ranking.words import listed

Floats = npt.NDArray[np.float64]

BAND, RUN_BAND, DROWNED = "#CFC6B8", "#8A8A8A", "#F1F4F6"
HALO = [patheffects.withStroke(linewidth=2.6, foreground="white")]
_CROSSING: dict[str, Any] = {
    "marker": "o", "markersize": 8, "markerfacecolor": "white", "markeredgecolor": INK, "markeredgewidth": 1.8,
    "linestyle": "none", "zorder": 7,
}  # fmt: skip
LOG_FROM = 30.0  # from this ratio of the greatest to the least flow on the axis has equal steps for equal ratios


def draw_curve(axes: Any, model: OutputModel, one: SitePassage) -> None:
    """Draw the drop against flow on `axes`.

    Parameters
    ----------
    axes : Axes
    model : OutputModel
    one : SitePassage
    """
    flow_name, flow_size = flow_unit(model.units)
    height_name, height_size, _ = height_unit(model.units)
    axes.set_xlabel(f"Flow at the site [{flow_name}]", size=10, color=INK)
    axes.set_ylabel(f"Drop [{height_name}]", size=10, color=INK)
    q, drop = one.curve_q / flow_size, one.curve_drop / height_size
    low, high = one.curve_low / height_size, one.curve_high / height_size
    if not (np.isfinite(q) & np.isfinite(drop)).any():
        axes.set_xticks([])
        axes.set_yticks([])
        shut = np.isposinf(drop).any()
        told = "No water gets past the shut gate: there is no drop." if shut else "The drop is not known."
        axes.text(0.5, 0.5, told, transform=axes.transAxes, ha="center", size=10, color="#555555")
        return
    _set_flows(axes, q, one.design_q / flow_size)
    bottom, _ = _set_heights(axes, (drop, low, high), one, height_size)
    axes.grid(color="#E4E8EA", linewidth=0.8)
    axes.axhspan(bottom, 0, facecolor=DROWNED, zorder=0.5)
    axes.axhline(0, color=INK, linewidth=0.9, zorder=2)
    axes.fill_between(q, low, high, color=BAND, linewidth=0, zorder=2.5, label="range of the tailwater estimate")
    axes.plot(q, drop, color=INK, linewidth=2.2, zorder=4, label="drop")
    _draw_run(axes, one, flow_size)
    _draw_design(axes, model, one, flow_size)
    _draw_required(axes, model, one, height_size)
    if bottom < 0:
        over = "outlet" if "outlet" in one.drop_word else "crest"
        axes.text(
            0.012, 0.055, f"drowned: the water below stands above the {over}", va="bottom", zorder=8,
            transform=axes.transAxes, size=9, color="#4A5A63", path_effects=HALO,
        )  # fmt: skip
    axes.legend(
        loc="lower left", bbox_to_anchor=(-0.01, 1.005), ncols=3, fontsize=9.5, frameon=False, borderpad=0.2,
        columnspacing=1.5, handlelength=1.8, labelcolor=INK,
    )  # fmt: skip


def _set_flows(axes: Any, q: Floats, design: float) -> None:
    """Range and steps of the axis of flows: equal ratios where they differ widely."""
    known = q[np.isfinite(q)]
    most = max(float(known.max()), design if math.isfinite(design) else 0.0, 1e-9)
    some = known[known > 0]
    least = float(some.min()) if len(some) else most
    if most / least >= LOG_FROM:
        axes.set_xscale("log")
        axes.set_xlim(max(least, most / 3000), most * 1.04)
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=14))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.6g}"))
        axes.minorticks_off()
    else:
        axes.set_xlim(0, most * 1.04)
        axes.xaxis.set_major_locator(MaxNLocator(8))


def _set_heights(axes: Any, drops: tuple[Floats, ...], one: SitePassage, size: float) -> tuple[float, float]:
    """Range of the axis of drops: nought and every drop that stops fish are on it."""
    needed = [v / size for v in one.required.values() if math.isfinite(v)]
    values = np.concatenate([*(d[np.isfinite(d)] for d in drops), [0.0], needed])
    bottom, top = float(values.min()), float(values.max())
    room = max(top - bottom, 0.1)
    low, high = bottom - 0.15 * room, top + 0.24 * room  # for words above, the run's flows below
    axes.set_ylim(low, high)
    axes.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    return low, high


def _draw_run(axes: Any, one: SitePassage, size: float) -> None:
    """Flows of the run shown, along the foot: thin from the least to the greatest, thick for eight days in ten."""
    during = np.zeros(len(one.day), dtype=np.bool_)
    for weight in one.run.values():
        during |= np.nan_to_num(np.asarray(weight, dtype=np.float64)) > 0
    flow = one.discharge[during] / size
    flow = flow[np.isfinite(flow)]
    if not len(flow):
        return
    least, first, last, most = np.quantile(flow, [0.0, 0.1, 0.9, 1.0])
    style = {
        "color": RUN_BAND, "transform": axes.get_xaxis_transform(), "zorder": 5, "solid_capstyle": "butt",
    }  # fmt: skip
    axes.plot([least, most], [0.02, 0.02], linewidth=2, **style)
    axes.plot(
        [first, last], [0.02, 0.02], linewidth=6.5, label=f"flows of the run of {one.year} (thick: 8 days in 10)",
        **style,
    )  # fmt: skip


def _draw_design(axes: Any, model: OutputModel, one: SitePassage, size: float) -> None:
    """The design flood as an upright line with its name."""
    if not math.isfinite(one.design_q):
        return
    at = one.design_q / size
    axes.axvline(at, color=INK, linewidth=1.4, linestyle=(0, (6, 2, 1.2, 2)), zorder=3.5)
    inward = axes.transAxes.inverted().transform(axes.transData.transform((at, 0)))[0] > 0.5
    words = f"{_flood_named(one)}:\n{format_flow(one.design_q, model.units)}"
    axes.annotate(
        words, (at, 0.965), xytext=(-6 if inward else 6, 0), textcoords="offset points",
        xycoords=axes.get_xaxis_transform(), ha="right" if inward else "left", va="top", size=9.5, color=INK,
        path_effects=HALO, zorder=8, linespacing=1.2,
    )  # fmt: skip


def _flood_named(one: SitePassage) -> str:
    """Name the design flood and what it rests on, as lines."""
    season = {"run": " of the run", "year": " of the year"}.get(one.design_season, "")
    often = return_words(one.design_years)
    first = f"design flood{season}{f', {often}' if often else ''}"
    if one.design_record_years <= 0:
        return first
    years = f"{one.design_record_years} year{'s' if one.design_record_years != 1 else ''}"
    factor = f" × {one.peak_factor:.3g}" if one.peak_factor != 1.0 else ""
    return f"{first},\nfrom {years} of daily means{factor}"


def _draw_required(axes: Any, model: OutputModel, one: SitePassage, size: float) -> None:
    """The drop that stops each species, as level lines; species with equal drops share one."""
    groups: dict[float, list[tuple[str, bool]]] = {}
    for look in model.species:
        needed = one.required.get(look.key, math.nan)
        if math.isfinite(needed):
            groups.setdefault(round(needed, 4), []).append((short(look.label, 30), look.role == "invasive"))
    low, high = axes.get_ylim()
    named: list[tuple[float, str, bool]] = []  # place and words of labels; close ones become one
    for needed, names in sorted(groups.items(), reverse=True):
        invader = any(bad for _, bad in names)
        colour = VERMILION if invader else "#4A5A63"
        axes.axhline(
            needed / size, color=colour, linewidth=2.0 if invader else 1.2, linestyle=(0, (4, 1.6)), zorder=3.8
        )
        from_ = lost_from(one, needed)
        if math.isfinite(from_) and invader:
            axes.plot([from_ / flow_unit(model.units)[1]], [needed / size], **_CROSSING)
        who = listed([name for name, _ in names])
        if named and named[-1][0] - needed / size < 0.06 * (high - low):
            at, text, bold = named.pop()
            named.append((at, f"{text}; {format_height(needed, model.units)} {who}", bold or invader))
        else:
            named.append((needed / size, f"{format_height(needed, model.units)} or more stops {who}", invader))
    for at, text, bold in named:
        axes.text(
            0.012, at, text, transform=axes.get_yaxis_transform(), ha="left", va="bottom", size=9.5, color=INK,
            weight="bold" if bold else "normal", path_effects=HALO, zorder=8, parse_math=False,
        )  # fmt: skip


def lost_from(one: SitePassage, needed: float) -> float:
    """Return the flow [m3/s] from which on the drop is less than what is needed.

    Parameters
    ----------
    one : SitePassage
    needed : float
        Drop [m].

    Returns
    -------
    float
        NaN where the curve does not go below it once and for all.
    """
    known = np.isfinite(one.curve_q) & np.isfinite(one.curve_drop)
    q, over = one.curve_q[known], one.curve_drop[known] - needed
    below = np.flatnonzero(over < 0)
    if not len(below) or below[0] == 0 or (over[below[0] :] >= 0).any():
        return math.nan
    last, first = below[0] - 1, below[0]
    share = over[last] / (over[last] - over[first])
    return float(q[last] + share * (q[first] - q[last]))
