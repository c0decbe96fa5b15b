"""What the curves of a plan share: sheets, axes in the user's units and currency, looks of lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, wrapped, write
from barrierrank.outputs.pictures import DPI
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import plan_cautions
from barrierrank.outputs.styles import BLUE, INK
from barrierrank.ranking.words import HabitatUnit, shown_size

WIDE_IN, MARGIN_IN, LEFT_IN, RIGHT_IN, TEXT_IN = 9.6, 0.3, 1.0, 0.35, 0.19
BAND = "#9CC3DC"
PLAN = BLUE
_UNITS: dict[tuple[str, str, float], str] = {
    ("metric", "m", 1.0): "m", ("metric", "m", 1000.0): "km", ("us", "m", 0.3048): "ft", ("us", "m", 1609.344): "miles",
    ("metric", "m2", 1.0): "m²", ("metric", "m2", 1e4): "ha", ("metric", "m2", 1e6): "km²",
}  # fmt: skip
_US_AREAS = ((1609.344**2, "sq miles"), (43560.0 * 0.3048**2, "acres"), (0.3048**2, "sq ft"))
_THOUSANDS = ((1e9, "billion"), (1e6, "million"), (1e3, "thousand"))

Floats = npt.NDArray[np.float64]


def table_to_draw(table: pd.DataFrame | None, name: str, made_of: str) -> pd.DataFrame:
    """Return the table of a curve, if there is one.

    Parameters
    ----------
    table : DataFrame or None
    name, made_of : str
        What it is called, and what is asked for to get it; for the message.

    Raises
    ------
    ValueError
        Where the table is missing or empty.
    """
    if table is None or table.empty:
        raise ValueError(f"there is no {name} to draw: {made_of} were not asked for.")
    return table


def floats_of(table: pd.DataFrame, *columns: str) -> list[Floats]:
    """Return columns of a table as numbers, NaN where missing.

    Parameters
    ----------
    table : DataFrame
    *columns : str
    """
    return [table[name].to_numpy(dtype=np.float64) for name in columns]


@dataclass(frozen=True)
class Scale:
    """What values are divided by before they are drawn, and the unit to name."""

    size: float
    unit: str

    def label(self, what: str) -> str:
        """Return the label of an axis: what it shows, its unit behind it."""
        return f"{what} [{self.unit}]" if self.unit else what


def amount_scale(values: npt.ArrayLike, before: str) -> Scale:
    """Choose thousands, millions or billions for amounts of money or points.

    Parameters
    ----------
    values : array-like of float
    before : str
        Currency, ``"points"``, or empty.
    """
    most = _largest(values)
    for size, word in _THOUSANDS:
        if most >= size:
            unit = f"{word} points" if before == "points" else f"{before} {word}".strip()
            return Scale(size, unit)
    return Scale(1.0, before)


def habitat_scale(values: npt.ArrayLike, look: PlanLook, unit: HabitatUnit) -> Scale:
    """Choose the unit that amounts of habitat are drawn in.

    Parameters
    ----------
    values : array-like of float
        [m, m2 or the user's own units]
    look : PlanLook
    unit : {"m", "m2", "units"}
    """
    most = _largest(values)
    size = shown_size(most, habitat_unit=unit, units=look.base.units)
    if unit == "units":
        return Scale(size, "million units" if size > 1.0 else "units")
    if unit == "m2" and look.base.units == "us":
        return Scale(size, min(_US_AREAS, key=lambda pair: abs(pair[0] - size))[1])
    return Scale(size, _UNITS[look.base.units, unit, size])


def _largest(values: npt.ArrayLike) -> float:
    size = np.abs(np.asarray(values, dtype=np.float64))
    return float(size[np.isfinite(size)].max(initial=0.0))


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet with its title, words above and cautions below; plots come between.

    Parameters
    ----------
    figure : Figure
    top_in : float
        Where the plots begin [inches from the top].
    """

    figure: Figure
    top_in: float

    def panel(self, down_in: float, tall_in: float) -> Any:
        """Add axes so far below the beginning of the plots, and so tall [inches]."""
        tall = self.figure.get_figheight()
        low = 1 - (self.top_in + down_in + tall_in) / tall
        wide = 1 - (LEFT_IN + RIGHT_IN) / WIDE_IN
        axes = self.figure.add_axes((LEFT_IN / WIDE_IN, low, wide, tall_in / tall))
        axes.tick_params(labelsize=9, colors=INK)
        axes.grid(color="#E4E8EA", linewidth=0.8)
        axes.set_axisbelow(True)
        for spine in axes.spines.values():
            spine.set_color("#9AA6AD")
        return axes


def new_sheet(look: PlanLook, title: str, told: Sequence[str], plots_in: float) -> Sheet:
    """Return a sheet with a title, paragraphs, room for plots, and the cautions at its foot.

    Parameters
    ----------
    look : PlanLook
    title : str
        What follows the name of the basin.
    told : sequence of str
        Paragraphs above the plots.
    plots_in : float
        Room for them [inches].
    """
    wide = WIDE_IN - 2 * MARGIN_IN
    lines = [line for text in told for line in wrapped(text, wide, 9.5)]
    foot = foot_lines(plan_cautions(look), wide)
    top = 0.54 + TEXT_IN * len(lines) + 0.16
    figure = Figure(figsize=(WIDE_IN, top + plots_in + foot_in(foot)), dpi=DPI, facecolor="white")
    fit(write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold"), look.base.basin, title, wide)
    for number, line in enumerate(lines):
        write(figure, (MARGIN_IN, 0.54 + TEXT_IN * number), line, size=9.5, color="#444444")
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return Sheet(figure, top)


def label_axis(axis: Any, scale: Scale, what: str) -> None:
    """Name an axis and write its ticks as plain numbers.

    Parameters
    ----------
    axis : matplotlib axis
    scale : Scale
    what : str
    """
    axis.set_major_locator(MaxNLocator(nbins=7, min_n_ticks=3, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(FuncFormatter(lambda value, _: tick(value)))
    axis.set_label_text(scale.label(what), size=10)
    axis.label.set_parse_math(False)
    axis.label.set_color(INK)


def draw_legend(axes: Any, order: Sequence[int] | None = None, **more: Any) -> None:
    """Draw the key of the lines, at the lower right.

    Parameters
    ----------
    axes : matplotlib axes
    order : sequence of int or None
        Which line comes first; None: as drawn.
    **more
        Passed on to matplotlib.
    """
    handles, labels = axes.get_legend_handles_labels()
    order = range(len(labels)) if order is None else order
    axes.legend(
        [handles[i] for i in order], [labels[i] for i in order], loc="lower right", fontsize=9.5, framealpha=0.95,
        edgecolor="#C9D1D6", labelcolor=INK, borderpad=0.7, **more,
    )  # fmt: skip


def tick(value: float) -> str:
    """Write the number of a tick: ``"1,200"``, ``"0.25"``."""
    if abs(value) < 1e-12:
        return "0"
    places = 0 if abs(value) >= 1000 else max(3 - math.floor(math.log10(abs(value))) - 1, 0)
    text = f"{value:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
