"""Texts on pictures for reports: wrapped to the room there is, and the cautions at the foot of a sheet."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from matplotlib.figure import Figure

from barrierrank.outputs.styles import INK
from barrierrank.problems import one_line

FOOT_SIZE = 9.0
LINE_IN = 0.172  # from line to line at that size
_LETTER = 0.54  # width of a usual letter, as a part of the size of the font


def short(text: str, most: int) -> str:
    """Return user text on one line of at most `most` letters.

    Parameters
    ----------
    text : str
    most : int
    """
    line = one_line(text).strip()
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def wrapped(text: str, wide_in: float, size: float) -> list[str]:
    """Break a text into lines of `wide_in` [inches] at a size of font [pt].

    Parameters
    ----------
    text : str
    wide_in, size : float
    """
    return textwrap.wrap(one_line(text), max(round(wide_in * 72 / (_LETTER * size)), 10)) or [""]


def write(figure: Figure, place_in: tuple[float, float], text: str, **style: Any) -> Any:
    """Write a text at a place [inches from the left and from the top], its upper edge there.

    User text is taken as it is, never as a formula.

    Parameters
    ----------
    figure : Figure
    place_in : (float, float)
    text : str
    **style
        Of the text: size, weight, colour.
    """
    wide, tall = figure.get_figwidth(), figure.get_figheight()
    x, y = place_in[0] / wide, 1 - place_in[1] / tall
    usual: dict[str, Any] = {"va": "top", "color": INK, "parse_math": False}
    return figure.text(x, y, text, **(usual | style))


def fit(art: Any, name: str, rest: str, room_in: float) -> None:
    """Write user text and what follows it, the user's as short as it must be to keep to the room [inches].

    Parameters
    ----------
    art : Text
    name, rest : str
    room_in : float
    """
    line = one_line(name).strip()
    least, most = 0, len(line)
    tried = most
    while tried > 0:  # halves what is left: measuring a text is slow
        art.set_text(short(line, tried) + rest)
        if art.get_window_extent().width <= room_in * art.get_figure().dpi:
            least = tried
        else:
            most = tried - 1
        if least >= most:
            break
        tried = (least + most + 1) // 2
    art.set_text(short(line, max(least, 1)) + rest)


def foot_lines(cautions: Sequence[str], wide_in: float) -> list[str]:
    """Return the lines of the cautions at the foot of a sheet of this width between its margins [inches].

    Parameters
    ----------
    cautions : sequence of str
    wide_in : float
    """
    lines = []
    for caution in cautions:
        first, *rest = wrapped(caution, wide_in - 0.15, FOOT_SIZE)
        lines += [f"–  {first}", *(f"    {line}" for line in rest)]
    return lines


def draw_foot(figure: Figure, lines: Sequence[str], *, left_in: float) -> None:
    """Write cautions along the lower edge under a rule, the maker's name last.

    Parameters
    ----------
    figure : Figure
    lines : sequence of str
        From :func:`foot_lines`; they take `foot_in` of the sheet.
    left_in : float
        Margin on the left [inches].
    """
    tall, wide = figure.get_figheight(), figure.get_figwidth()
    top = tall - foot_in(lines)
    for number, line in enumerate(lines):
        write(figure, (left_in, top + 0.08 + number * LINE_IN), line, size=FOOT_SIZE)
    y = 1 - top / tall
    rule = figure.add_axes((left_in / wide, y, 1 - 2 * left_in / wide, 0.0001))
    rule.axis("off")
    rule.axhline(0, color="#8C979D", linewidth=1.6, clip_on=False)
    write(figure, (wide - left_in, tall - 0.2), "barrierrank", size=7.5, color="#666666", ha="right")


def foot_in(lines: Sequence[str]) -> float:
    """Return how tall the foot is [inches].

    Parameters
    ----------
    lines : sequence of str
    """
    return 0.26 + LINE_IN * len(lines)
