"""Picture of what it is worth to know the uncertain inputs better."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barrierrank.outputs.learning_words import learning_sentences, worth_words
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.picture_text import draw_foot, fit, foot_in, foot_lines, short, wrapped, write
from barrierrank.outputs.pictures import DPI, save_picture
from barrierrank.outputs.styles import INK
from barrierrank.ranking.cautions import short_cautions, shortened

WIDE_IN, MARGIN_IN, LABEL_IN, ROW_IN, AXIS_IN, TEXT_IN = 11.0, 0.3, 5.1, 0.3, 0.5, 0.19
MOST_SITES, MOST_OTHERS = 8, 8
DARK, LIGHT = "#1F5F8B", "#C9DCE8"


def worth_drawing(model: OutputModel) -> bool:
    """Tell whether anything is worth to be known.

    Parameters
    ----------
    model : OutputModel
    """
    table = model.survey_next
    return table is not None and bool((table["worth_perfect"] > 0.0).any())


def write_learning_picture(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``survey_next.png``.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel
        With :func:`worth_drawing`.

    Returns
    -------
    list of Path

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    path = folder / "survey_next.png"
    save_picture(path, partial(draw_learning, model))
    return [path]


def draw_learning(model: OutputModel) -> Figure:
    """Return the picture as a figure: surveys of sites above, other inputs below.

    Parameters
    ----------
    model : OutputModel
    """
    surveys, others = shown(model)
    table = pd.concat([surveys, others])
    wide = WIDE_IN - 2 * MARGIN_IN
    told = [line for text in learning_sentences(model)[:1] for line in wrapped(text, wide, 9.5)]
    actions = model.priority["action"].astype(str).head(30).tolist()
    said = [] if model.learning is None else [model.learning.decision, model.learning.survey]
    foot = foot_lines([*said, *(shortened(model.cautions) or short_cautions(actions))], wide)
    heads = 0.34 * (bool(len(surveys)) + bool(len(others)))
    top = 0.62 + TEXT_IN * len(told)
    tall = top + heads + ROW_IN * len(table) + AXIS_IN + 0.35 + foot_in(foot)
    figure = Figure(figsize=(WIDE_IN, tall), dpi=DPI, facecolor="white")
    title = write(figure, (MARGIN_IN, 0.2), "", size=15, weight="bold")
    fit(title, model.basin, ": what to learn next", wide)
    for number, line in enumerate(told):
        write(figure, (MARGIN_IN, 0.54 + TEXT_IN * number), line, size=9.5, color="#444444")
    most = float((table["worth_perfect"] + 2.0 * table["error"]).max())
    heads_of = ("Today's passability of a site, which a survey can tell", "What no survey of a site can tell")
    for part, head in zip((surveys, others), heads_of, strict=True):
        if len(part):
            write(figure, (MARGIN_IN, top), head, size=10, weight="bold")
            top = _draw_part(figure, part, top + 0.34, (most, model.currency)) + 0.02
    _draw_key(figure, top + 0.12, bool(len(surveys)))
    draw_foot(figure, foot, left_in=MARGIN_IN)
    return figure


def shown(model: OutputModel) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows drawn: sites that can be surveyed, and other inputs; those worth something, the most first.

    Parameters
    ----------
    model : OutputModel
    """
    table = model.survey_next
    if table is None:
        raise ValueError("there is nothing to draw: uncertainty is not worked out.")
    table = table[table["worth_perfect"] > 0.0]
    site = table["worth_survey"].notna()
    surveys = table[site].sort_values(["worth_survey", "worth_perfect"], ascending=False, kind="stable")
    return surveys.head(MOST_SITES), table[~site].head(MOST_OTHERS)


def _draw_part(figure: Figure, part: pd.DataFrame, top: float, scale: tuple[float, str | None]) -> float:
    """Draw bars with their labels on the left; return where the part ends [inches from the top]."""
    most, currency = scale
    tall, rows = figure.get_figheight(), len(part)
    width = WIDE_IN - LABEL_IN - MARGIN_IN - 1.0
    axes = figure.add_axes(
        (LABEL_IN / WIDE_IN, 1 - (top + ROW_IN * rows) / tall, width / WIDE_IN, ROW_IN * rows / tall)
    )
    axes.set_xlim(0, most)
    axes.set_ylim(rows - 0.5, -0.5)
    y = np.arange(rows)
    perfect, survey, error = (part[c].to_numpy(np.float64) for c in ("worth_perfect", "worth_survey", "error"))
    axes.barh(y, perfect, 0.62, color=LIGHT, edgecolor="#7FA6BF", linewidth=0.8)
    axes.barh(y, np.nan_to_num(survey), 0.3, color=DARK)
    axes.errorbar(perfect, y, xerr=error, fmt="none", ecolor="#555555", elinewidth=0.9, capsize=2.5)
    for i in range(rows):
        amount = float(survey[i] if np.isfinite(survey[i]) else perfect[i])
        axes.annotate(
            worth_words(amount, currency) if amount > 0.0 else "a survey: no clear worth",
            (perfect[i] + error[i], i), (5, 0), textcoords="offset points", va="center_baseline",
            size=8.5, color=INK, annotation_clip=False,
        )  # fmt: skip
    axes.set_xticks([])
    axes.set_yticks([])
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    for i, (site, name, what) in enumerate(zip(part["site"], part["name"], part["what"], strict=True)):
        art = write(figure, (MARGIN_IN, top + ROW_IN * (i + 0.5)), "", size=9, va="center_baseline")
        place = str(name or site)
        told = place if np.isfinite(survey[i]) else f"{short(place, 40)}: {what}" if site else str(what)
        fit(art, told, "", LABEL_IN - MARGIN_IN - 0.1)
    return top + ROW_IN * rows + 0.08


def _draw_key(figure: Figure, top: float, surveyed: bool) -> None:
    """Say what bars and whiskers are."""
    at = LABEL_IN
    pairs = [(LIGHT, "worth of knowing it for sure (whisker: standard error)")]
    if surveyed:
        pairs.insert(0, (DARK, "worth of a survey"))
    for colour, words in pairs:
        write(figure, (at, top), "■", size=9, color=colour)
        write(figure, (at + 0.16, top), words, size=8.5)
        at += 1.5
