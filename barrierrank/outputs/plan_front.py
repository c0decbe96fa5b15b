"""Picture of what natives can gain for each cap on the habitat that the invader can reach."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barrierrank.outputs.labels import place_labels
from barrierrank.outputs.model import SpeciesLook
from barrierrank.outputs.picture_text import short
from barrierrank.outputs.plan_axes import (
    BAND,
    PLAN,
    amount_scale,
    draw_legend,
    floats_of,
    habitat_scale,
    label_axis,
    new_sheet,
    table_to_draw,
)
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import cost_words, count_words, worth_words
from barrierrank.outputs.styles import INK, VERMILION
from barrierrank.outputs.units import format_amount
from barrierrank.ranking.words import HabitatUnit

PLOT_IN, AXIS_IN = 5.2, 0.62
NAMED = 7  # points named along the front, the plan's included


def draw_front(look: PlanLook) -> Figure:
    """Return the picture of the front as a figure.

    Parameters
    ----------
    look : PlanLook

    Raises
    ------
    ValueError
        Where the plan has no front or an empty one.
    """
    front = table_to_draw(look.front, "front", "plans under caps on the invader")
    invader = next((s for s in look.base.species if s.role == "invasive"), None)
    today = _today(look, invader)
    sheet = new_sheet(look, ": natives against the invader", _told(look, front, invader, today), PLOT_IN + AXIS_IN)
    axes = sheet.panel(0.0, PLOT_IN)
    x, y, bound = floats_of(front, "invader_habitat", "native_worth", "native_bound")
    here = np.flatnonzero(front["here"].to_numpy(dtype=bool))
    across = habitat_scale([*x, today], look, cast("HabitatUnit", look.front_unit))
    up = amount_scale(y, look.base.currency or "points")
    _draw_points(axes, (x / across.size, y / up.size, bound / up.size), here)
    if np.isfinite(today):
        axes.axvline(
            today / across.size, color=VERMILION, linewidth=1.6, linestyle=(0, (5, 1.8)), zorder=2,
            label="what the invader can reach with nothing done",
        )  # fmt: skip
    _limits(axes, (x / across.size, y / up.size, bound / up.size), today / across.size)
    name = short(invader.label, 40) if invader is not None else "the invader"
    label_axis(axes.xaxis, across, f"Habitat that {name} can reach: less is better")
    label_axis(axes.yaxis, up, "Worth gained by natives: more is better")
    draw_legend(axes)
    _name_points(sheet.figure, axes, front, (x / across.size, y / up.size), here)
    return sheet.figure


def _today(look: PlanLook, invader: SpeciesLook | None) -> float:
    """Return the habitat that the first invader can reach as things are; NaN where that is not known."""
    if invader is None:
        return float("nan")
    known = look.access.loc[look.access["species"] == invader.key, "before"]
    return float(known.iloc[0]) if len(known) else float("nan")


def _told(look: PlanLook, front: pd.DataFrame, invader: SpeciesLook | None, today: float) -> list[str]:
    told = [f"Plans for a budget of {cost_words(look.budget, look)}, each the best found for natives under one cap."]
    here = front[front["here"].astype(bool)]
    if len(here) and invader is not None:
        row = here.iloc[0]
        reach = [
            format_amount(float(v), invader.habitat_unit, look.base.units) for v in (row["invader_habitat"], today)
        ]
        now = f" ({reach[1]} with nothing done)" if np.isfinite(today) else ""
        told.append(
            f"Nearest to the plan: {short(invader.label, 40)} can reach {reach[0]}{now} and natives gain "
            f"{worth_words(float(row['native_worth']), look)}."
        )
    told.append("The pale bar above a point reaches up to what no plan under its cap can gain natives more than.")
    return [" ".join(told)]


def _draw_points(axes: Any, points: tuple[Any, Any, Any], here: Any) -> None:
    x, y, bound = points
    order = np.lexsort((y, x))
    axes.step(x[order], y[order], where="post", color=PLAN, linewidth=1.4, zorder=4)
    axes.vlines(
        x, y, np.where(np.isposinf(bound), 2.0 * np.nanmax(y), np.fmax(bound, y)), color=BAND, linewidth=4.0, zorder=3,
        label="not ruled out: between a plan and its bound",
    )  # fmt: skip
    axes.plot(
        x, y, linestyle="none", marker="o", markersize=6.0, color=PLAN, markeredgecolor="white", markeredgewidth=0.7,
        zorder=5, label="best plan found for natives under each cap",
    )  # fmt: skip
    if len(here):
        axes.plot(
            x[here], y[here], linestyle="none", marker="D", markersize=11, zorder=6, markerfacecolor="none",
            markeredgecolor=INK, markeredgewidth=2.0, label="nearest to the plan",
        )  # fmt: skip


def _limits(axes: Any, points: tuple[Any, Any, Any], today: float) -> None:
    """Show all points, from 0 on where the front spans much of that; a bound that lies far off is cut."""
    x, y, bound = points
    right = max(float(np.nanmax(x)), today if np.isfinite(today) else 0.0) or 1.0
    low, high = float(np.nanmin(y)), float(np.nanmax(y)) or 1.0
    low -= 0.3 * (high - low)  # room for the legend
    low = min(low, 0.0) if low < 0.35 * high or high - low <= 0.0 else low
    high = max(high, min(float(bound[np.isfinite(bound)].max(initial=high)), 1.5 * high))
    axes.set_xlim(-0.02 * right, 1.05 * right)
    axes.set_ylim(low - 0.03 * (high - low), high + 0.08 * (high - low))


def _name_points(figure: Figure, axes: Any, front: pd.DataFrame, points: tuple[Any, Any], here: Any) -> None:
    """Write how many actions some of the plans have, the one nearest to the plan first."""
    x, y = points
    spread = np.unique(np.linspace(0, len(x) - 1, NAMED).round().astype(np.int64))
    wanted = list(dict.fromkeys([*here.tolist(), *spread.tolist()]))
    counts = front["actions"].astype(int).tolist()
    labels = [(float(x[i]), float(y[i]), 7.0 if i in here else 4.0, count_words(counts[i], "action")) for i in wanted]
    box = axes.get_legend().get_window_extent()
    place_labels(figure, axes, labels, taken=[(box.x0, box.y0, box.x1, box.y1)], leave_out=True, letters=8.5)
