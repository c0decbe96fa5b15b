"""Pictures of a seasonal crest: what its dates let through of a native against what they let through of an invader."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from barrierrank.outputs.labels import Box, place_labels
from barrierrank.outputs.model import OutputModel, SeasonTrade
from barrierrank.outputs.passages import file_parts
from barrierrank.outputs.passages_words import share_words
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.styles import BLUE, INK
from barrierrank.problems import one_line
from barrierrank.ranking.cautions import short_cautions
from barrierrank.ranking.seasons import date_words

WIDE_IN, MARGIN_IN, HEAD_IN, PLOT_IN, AXIS_IN = 8.27, 0.3, 0.8, 5.0, 0.62
LEFT_IN, RIGHT_IN = 0.95, 0.35
NAMED = 7  # dates named along the front, the chosen ones included


def write_seasons(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``season_<site>_<number>.png`` for every trade curve, numbered from 1 at each site.

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
    sites = list(dict.fromkeys(trade.site for trade in model.seasons))
    part = dict(zip(sites, file_parts(sites), strict=True))
    count = dict.fromkeys(sites, 0)
    paths = []
    for trade in model.seasons:
        count[trade.site] += 1
        path = folder / f"season_{part[trade.site]}_{count[trade.site]}.png"
        save_picture(path, partial(draw_season, model, trade))
        paths.append(path)
    return paths


def draw_season(model: OutputModel, trade: SeasonTrade) -> Figure:
    """Return the picture of one trade curve as a figure.

    Parameters
    ----------
    model : OutputModel
    trade : SeasonTrade
    """
    wide = WIDE_IN - 2 * MARGIN_IN
    foot = foot_lines(short_cautions([trade.action], changes=["seasonal"]), wide)
    told = wrapped(trade.words or season_words(trade, {look.key: look.label for look in model.species}), wide, 9.5)
    plot_top = HEAD_IN + 0.05
    told_top = plot_top + PLOT_IN + AXIS_IN
    tall = told_top + 0.19 * len(told) + 0.14 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, trade.name or trade.site, ": when the crest is up", wide)
    line = write(figure, (MARGIN_IN, 0.5), "", size=9.5, color="#444444")
    known = f"Site {short(trade.site, 40)}, action: {short(trade.action, 60)}"
    fit(line, known, ". Each point is one pair of dates.", wide)
    axes = figure.add_axes(
        (LEFT_IN / WIDE_IN, 1 - (plot_top + PLOT_IN) / tall, 1 - (LEFT_IN + RIGHT_IN) / WIDE_IN, PLOT_IN / tall)
    )
    _draw_points(figure, axes, model, trade)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, told_top + 0.19 * number), line, size=9.5)
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def season_words(trade: SeasonTrade, labels: Mapping[str, str]) -> str:
    """Say what the chosen dates let through of both species, and what a crest that never moves does.

    Parameters
    ----------
    trade : SeasonTrade
    labels : Mapping
        Names of the species by their keys (user text).
    """
    if not 0 <= trade.best < len(trade.up):
        return "No dates are chosen."
    invader, native = (one_line(labels[key]) for key in (trade.invader, trade.native))

    def passed(i: int) -> tuple[str, str]:
        return share_words(float(trade.p_invader[i])), share_words(float(trade.p_native[i]))

    bad, good = passed(trade.best)
    dates = date_words(int(trade.up[trade.best]), int(trade.down[trade.best]))
    head = f"Crest {dates}" if dates.endswith(" up") else f"Crest up {dates}"
    told = f"{head}: {bad} of the run of {invader} gets past, and {good} of the run of {native}."
    for mark, name in ((-1, "always"), (0, "never")):
        still = np.flatnonzero((trade.up == mark) & (trade.down == mark))
        if len(still) and int(still[0]) != trade.best:
            bad, good = passed(int(still[0]))
            told += f" Were it {name} up, {bad} and {good} would."
    return told


def _draw_points(figure: Figure, axes: Any, model: OutputModel, trade: SeasonTrade) -> None:
    looks = {look.key: look for look in model.species}
    x, y = trade.p_invader, trade.p_native
    axes.set_xlabel(f"Passability for {short(looks[trade.invader].label, 40)} (invader): less is better", size=10)
    axes.set_ylabel(f"Passability for {short(looks[trade.native].label, 40)} (native): more is better", size=10)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_parse_math(False)
        label.set_color(INK)
    for axis, values in ((axes.xaxis, x), (axes.yaxis, y)):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.4g} %"))
        most = float(np.nanmax(values)) if np.isfinite(values).any() else 1.0
        room = min(max(1.12 * most, 0.02), 1.0)
        (axes.set_xlim if axis is axes.xaxis else axes.set_ylim)(-0.035 * room, 1.04 * room)
    axes.tick_params(labelsize=9.5, colors=INK)
    axes.grid(color="#E4E8EA", linewidth=0.8)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set_color("#9AA6AD")
    front = np.flatnonzero(trade.front)
    front = front[np.lexsort((front, y[front], x[front]))]
    axes.scatter(x, y, s=14 if len(x) < 400 else 7, color="#B5B5B5", linewidths=0, zorder=3, label="other dates")
    axes.plot(x[front], y[front], color=BLUE, linewidth=1.8, drawstyle="steps-post", zorder=4)
    axes.plot(
        x[front], y[front], linestyle="none", marker="o", markersize=5.5, color=BLUE, markeredgecolor="white",
        markeredgewidth=0.7, zorder=5, label="dates that no others beat for both species",
    )  # fmt: skip
    if 0 <= trade.best < len(x):
        axes.scatter(
            [x[trade.best]], [y[trade.best]], s=190, marker="s", facecolor="none", edgecolor=INK, linewidths=2.2,
            zorder=6, label=f"the dates chosen: {date_words(int(trade.up[trade.best]), int(trade.down[trade.best]))}",
        )  # fmt: skip
    axes.legend(loc="lower right", fontsize=9.5, framealpha=0.95, edgecolor="#C9D1D6", labelcolor=INK, borderpad=0.7)
    _name_dates(figure, axes, trade, front)


def _name_dates(figure: Figure, axes: Any, trade: SeasonTrade, front: Any) -> None:
    """Name the chosen dates and some along the front, spread evenly over it."""
    span = np.array([np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())])
    place = np.column_stack([trade.p_invader, trade.p_native]) / span
    spread = np.unique(np.linspace(0, max(len(front) - 1, 0), NAMED).round().astype(np.int64))
    some = [int(i) for i in front[spread[: len(front)]]]
    wanted = [trade.best] if 0 <= trade.best < len(trade.up) and np.isfinite(place[trade.best]).all() else []
    for i in some:
        if all(np.abs(place[i] - place[other]).max() > 0.045 for other in wanted):
            wanted.append(i)
    labels = [
        (float(trade.p_invader[i]), float(trade.p_native[i]), 8.0 if i == trade.best else 4.0,
         date_words(int(trade.up[i]), int(trade.down[i])))
        for i in wanted
    ]  # fmt: skip
    box = axes.get_legend().get_window_extent()
    taken = [(box.x0, box.y0, box.x1, box.y1), *_along(axes, trade, front)]
    place_labels(figure, axes, labels, taken=taken, leave_out=True, letters=9.0)


def _along(axes: Any, trade: SeasonTrade, front: Any) -> list[Box]:
    """Boxes over the steps of the front, so that dates do not lie on it."""
    dots = axes.transData.transform(np.column_stack([trade.p_invader[front], trade.p_native[front]]))
    boxes: list[Box] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(dots.tolist()):
        boxes += [(x0 - 3, y0 - 3, x1 + 3, y0 + 3), (x1 - 3, y0 - 3, x1 + 3, y1 + 3)]
    return boxes
