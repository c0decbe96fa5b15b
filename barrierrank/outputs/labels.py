"""Names beside their places on a map, kept apart as far as there is room."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib import patheffects
from matplotlib.figure import Figure

Box = tuple[float, float, float, float]  # left, low, right, high [dots]

_HALO = [patheffects.withStroke(linewidth=2.6, foreground="white")]
_INK = "#111111"
_DISTANCES_PT = (3.0, 14.0, 28.0, 48.0, 72.0)
_DIRECTIONS = tuple(math.radians(d) for d in (30, 150, -30, -150, 90, -90, 0, 180))


def place_labels(
    figure: Figure,
    axes: Any,
    labels: Sequence[tuple[float, float, float, str]],
    *,
    taken: Sequence[Box] | None = None,
    leave_out: bool = False,
    letters: float = 7.5,
) -> int:
    """Draw labels, the first ones first, each where it overlaps least; a line leads to one that is far off.

    Parameters
    ----------
    figure : Figure
    axes : Axes
    labels : sequence of (x, y, radius, text)
        Place [data units], radius of its mark [pt] and text; user text is taken as it is, never as a formula.
    taken : sequence of Box or None
        Where no label should lie [dots]; None: a map's scale bar and north arrow.
    leave_out : bool
        Leave out a label that would lie on another one or outside the frame, rather than draw it there.
    letters : float
        Size of the letters [pt].

    Returns
    -------
    int
        How many are drawn.
    """
    dot = figure.dpi / 72.0
    frame = axes.get_window_extent()
    room: Box = (frame.x0 + 4 * dot, frame.y0 + 4 * dot, frame.x1 - 4 * dot, frame.y1 - 4 * dot)
    marks = []
    for x, y, radius, _ in labels:
        px, py = axes.transData.transform((x, y))
        marks.append((px - radius * dot, py - radius * dot, px + radius * dot, py + radius * dot))
    wide, tall = frame.width, frame.height
    kept_free: list[Box] = [  # scale bar and north arrow
        (frame.x0, frame.y0, frame.x0 + 0.27 * wide, frame.y0 + 0.075 * tall),
        (frame.x0 + 0.93 * wide, frame.y0 + 0.85 * tall, frame.x1, frame.y1),
    ]
    kept_free = kept_free if taken is None else list(taken)
    drawn: list[Box] = []
    for (x, y, radius, text), mark in zip(labels, marks, strict=True):
        art = axes.text(
            x,
            y,
            text,
            size=letters,
            color=_INK,
            zorder=30,
            linespacing=1.05,
            parse_math=False,
            path_effects=_HALO,
            ha="center",
            va="center",
        )
        size = art.get_window_extent()
        centre = ((mark[0] + mark[2]) / 2, (mark[1] + mark[3]) / 2)
        around = (room, [*kept_free, *drawn], marks)
        box, off = _best_box(centre, radius * dot, (size.width, size.height), dot, around)
        if leave_out and (any(_overlap(box, other) > 0 for other in drawn) or _overlap(box, room) < _area(box) - 1):
            art.remove()
            continue
        drawn.append(box)
        at = axes.transData.inverted().transform(((box[0] + box[2]) / 2, (box[1] + box[3]) / 2))
        art.set_position(tuple(at))
        if off > 10:
            _lead(axes, centre, radius * dot, box)
    return len(drawn)


def _best_box(
    centre: tuple[float, float],
    radius: float,
    size: tuple[float, float],
    dot: float,
    around: tuple[Box, Sequence[Box], Sequence[Box]],
) -> tuple[Box, float]:
    """Try places near to far, return the one of least overlap and its distance [pt]."""
    room, taken, marks = around
    best: tuple[float, Box, float] | None = None
    for distance in _DISTANCES_PT:
        for turn in _DIRECTIONS:
            box = _box_at(centre, radius + distance * dot, turn, size)
            cost = sum(_overlap(box, t) for t in taken) * 4 + sum(_overlap(box, m) for m in marks)
            cost += 20 * (size[0] * size[1] - _overlap(box, room))  # outside the frame
            if best is None or cost < best[0] - 1e-6:
                best = (cost, box, distance)
            if cost <= 1e-6:
                return box, distance
    assert best is not None
    return best[1], best[2]


def _box_at(centre: tuple[float, float], distance: float, turn: float, size: tuple[float, float]) -> Box:
    """Box that touches a circle of radius `distance` about `centre` from outside, on the side `turn`."""
    across, up = math.cos(turn), math.sin(turn)
    x = centre[0] + across * distance + math.copysign(size[0] / 2, across) * (abs(across) > 0.1)
    y = centre[1] + up * distance + up * size[1] / 2
    return (x - size[0] / 2, y - size[1] / 2, x + size[0] / 2, y + size[1] / 2)


def _area(box: Box) -> float:
    return (box[2] - box[0]) * (box[3] - box[1])


def _overlap(a: Box, b: Box) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    tall = min(a[3], b[3]) - max(a[1], b[1])
    return wide * tall if wide > 0 and tall > 0 else 0.0


def _lead(axes: Any, centre: tuple[float, float], radius: float, box: Box) -> None:
    """Draw a thin line from the edge of the mark to the nearest point of the label's box."""
    end = (min(max(centre[0], box[0]), box[2]), min(max(centre[1], box[1]), box[3]))
    far = math.hypot(end[0] - centre[0], end[1] - centre[1])
    if far <= radius:
        return
    share = radius / far
    start = (centre[0] + share * (end[0] - centre[0]), centre[1] + share * (end[1] - centre[1]))
    (x0, y0), (x1, y1) = axes.transData.inverted().transform([start, end])
    axes.plot([x0, x1], [y0, y1], color=_INK, linewidth=0.6, zorder=29, scalex=False, scaley=False)
