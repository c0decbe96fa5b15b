"""Picture of what each budget can gain, beside two simpler ways of choosing, and of the price of the next money."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barrierrank.outputs.plan_axes import (
    BAND,
    PLAN,
    Floats,
    Scale,
    amount_scale,
    draw_legend,
    floats_of,
    label_axis,
    new_sheet,
    table_to_draw,
)
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import cost_words, price_steps, price_words, worth_words
from barrierrank.outputs.styles import INK, PURPLE, VERMILION

WORTH_IN, PRICE_IN, GAP_IN, AXIS_IN = 4.3, 1.35, 0.3, 0.62
# Which way of choosing: colour, dash and mark each differ, so that no reader depends on colour.
OTHERS = (
    ("list_worth", "taking the list from the top", VERMILION, (0, (5, 1.8)), "s"),
    ("greedy_worth", "adding what brings most per cost, one by one", PURPLE, (0, (1.2, 1.2)), "^"),
)
_ROOM = 1.5  # above the best plan, for a bound that lies far off


def draw_curve(look: PlanLook) -> Figure:
    """Return the picture of the budget curve as a figure.

    Parameters
    ----------
    look : PlanLook

    Raises
    ------
    ValueError
        Where the plan has no curve or an empty one.
    """
    curve = table_to_draw(look.curve, "curve", "plans for other budgets")
    sheet = new_sheet(look, ": what each budget can gain", _told(look), WORTH_IN + GAP_IN + PRICE_IN + AXIS_IN)
    (budget,) = floats_of(curve, "budget")
    across = amount_scale([*budget, look.budget], look.base.currency or "")
    upper = sheet.panel(0.0, WORTH_IN)
    _draw_worth(upper, look, curve, across)
    lower = sheet.panel(WORTH_IN + GAP_IN, PRICE_IN)
    _draw_price(lower, look, curve, across)
    last = max(float(budget.max()), look.budget) / across.size or 1.0
    for axes in (upper, lower):
        axes.set_xlim(-0.02 * last, 1.04 * last)
        axes.axvline(look.budget / across.size, color=INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=2)
    sheet.figure.align_ylabels([upper, lower])
    return sheet.figure


def _told(look: PlanLook) -> list[str]:
    """Say what the plan's own budget gains, and how the picture is read."""
    gains = f"For a budget of {cost_words(look.budget, look)} the plan gains {worth_words(look.worth, look)}."
    return [
        f"{gains} {price_words(look)}".strip(),
        "Present worth gained over leaving all as it is. The pale band reaches up to what no plan for that budget can "
        "gain more than; it cannot be seen where that is proven to be next to nothing.",
    ]


def _draw_worth(axes: Any, look: PlanLook, curve: pd.DataFrame, across: Scale) -> None:
    budget, worth, bound = floats_of(curve, "budget", "worth", "bound")
    others = {name: floats_of(curve, name)[0] for name, *_ in OTHERS}
    drawn = np.concatenate([worth, [look.worth], *others.values()])
    up = amount_scale(drawn, look.base.currency or "points")
    x, y = budget / across.size, worth / up.size
    low, high = _span(drawn / up.size, bound / up.size)
    axes.set_ylim(low, high)
    axes.fill_between(  # a bound without limit reaches beyond the frame
        x, y, np.where(np.isposinf(bound), 2.0 * high, bound / up.size), color=BAND, linewidth=0, zorder=3,
        label="not ruled out: between the plan and its bound",
    )  # fmt: skip
    small = 5.5 if len(x) <= 40 else 0.0
    for name, words, colour, dash, mark in OTHERS:
        axes.plot(
            x, others[name] / up.size, color=colour, linewidth=1.6, linestyle=dash, marker=mark, markersize=small,
            markeredgecolor="white", markeredgewidth=0.5, zorder=4, label=words,
        )  # fmt: skip
    axes.plot(
        x, y, color=PLAN, linewidth=2.2, marker="o", markersize=1.1 * small, markeredgecolor="white",
        markeredgewidth=0.6, zorder=5, label="best plan found for each budget",
    )  # fmt: skip
    axes.plot(
        [look.budget / across.size], [look.worth / up.size], linestyle="none", marker="D", markersize=9, zorder=6,
        markerfacecolor="none", markeredgecolor=INK, markeredgewidth=2.0, label="this plan, at its budget",
    )  # fmt: skip
    label_axis(axes.yaxis, up, "Worth gained")
    label_axis(axes.xaxis, across, "")
    axes.set_xlabel("")
    axes.tick_params(labelbottom=False)
    _legend(axes)


def _span(drawn: Floats, bound: Floats) -> tuple[float, float]:
    """Return the ends of the axis of worth: all lines, and bounds that do not lie far off."""
    finite = drawn[np.isfinite(drawn)]
    low, high = min(float(finite.min(initial=0.0)), 0.0), float(finite.max(initial=0.0))
    reach = float(bound[np.isfinite(bound)].max(initial=high))
    high = max(high, min(reach, _ROOM * high)) or 1.0
    return low - 0.03 * (high - low), high + 0.06 * (high - low)


def _legend(axes: Any) -> None:
    """The plan first, then what it is compared with."""
    _, labels = axes.get_legend_handles_labels()
    wanted = ("this", "best", "not", "taking", "adding")
    order = np.argsort([wanted.index(text.split(" ", maxsplit=1)[0]) for text in labels])
    draw_legend(axes, order.tolist(), handlelength=3.0)


def _draw_price(axes: Any, look: PlanLook, curve: pd.DataFrame, across: Scale) -> None:
    """Draw the price of the next unit of money as steps: it holds up to the next budget."""
    budget, price = floats_of(curve, "budget", "price")
    known = price[np.isfinite(price) & (price > 0.0)]
    size, _ = price_steps(float(known.max()), look) if len(known) else (1.0, "")
    currency = look.base.currency
    unit = currency or "points"
    y = price * size
    axes.step(budget / across.size, y, where="post", color=PLAN, linewidth=1.4, zorder=4)
    axes.plot(
        budget / across.size, y, linestyle="none", marker="o", markersize=4.0 if len(y) <= 40 else 0.0, color=PLAN,
        markeredgecolor="white", markeredgewidth=0.5, zorder=5,
    )  # fmt: skip
    if not len(known):
        told = "not known" if np.isnan(price).all() else "more budget brings nothing more"
        axes.text(0.5, 0.7, told, transform=axes.transAxes, ha="center", va="center", size=9.5, color="#666666")
    low, high = min(float(np.nanmin(y, initial=0.0)), 0.0), float(np.nanmax(y, initial=0.0)) or 1.0
    axes.set_ylim(low - 0.06 * (high - low), high + 0.12 * (high - low))
    label_axis(axes.xaxis, across, "Budget")
    label_axis(axes.yaxis, Scale(1.0, ""), "")
    axes.yaxis.get_major_locator().set_params(nbins=4)
    more = f"{currency} {size:,.0f}" if currency else f"{size:,.0f} of budget"
    axes.set_ylabel(f"{unit} for the\nnext {more}", size=10, color=INK, parse_math=False)
