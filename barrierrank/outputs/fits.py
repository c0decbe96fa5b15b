"""Pictures of measured habitat against the model's, so that a reader sees how far to trust the model."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from barrierrank.outputs.model import OutputModel, SurveyFit
from barrierrank.outputs.pictures import save_picture
from barrierrank.outputs.styles import BLUE, GREY, INK
from barrierrank.problems import one_line

SIDE_IN, HEAD_IN = 5.4, 1.0


def write_fits(folder: Path, model: OutputModel) -> list[Path]:
    """Draw ``survey_<species>_<stage>.png`` for every stage that was measured somewhere.

    Parameters
    ----------
    folder : Path
        Must exist.
    model : OutputModel

    Returns
    -------
    list of Path

    Raises
    ------
    OSError
        Where a file cannot be written.
    """
    paths = []
    labels = {look.key: look.label for look in model.species}
    for fit in model.fits:
        path = folder / f"survey_{fit.species}_{fit.stage}.png"
        save_picture(path, partial(draw_fit, fit, labels[fit.species]))
        paths.append(path)
    return paths


def draw_fit(fit: SurveyFit, label: str) -> Figure:
    """Draw the model's quality over the measured one, a point a reach, with the line where both are equal.

    Parameters
    ----------
    fit : SurveyFit
    label : str
        Name of the species (user text).
    """
    figure = Figure(figsize=(SIDE_IN, SIDE_IN + HEAD_IN), facecolor="white")
    tall = SIDE_IN + HEAD_IN
    axes = figure.add_axes((0.13, 0.62 / tall, 0.82, (SIDE_IN - 0.9) / tall))
    axes.plot([0, 1], [0, 1], color=GREY, linewidth=1.2, zorder=1)
    axes.text(0.97, 0.93, "model = measured", color="#5A5A5A", ha="right", va="top", size=8, rotation=45,
              rotation_mode="anchor", transform_rotates_text=True)  # fmt: skip
    axes.scatter(fit.measured, fit.modelled, s=34, color=BLUE, edgecolor="white", linewidth=0.8, zorder=2)
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    axes.set_xlabel("measured quality", color=INK)
    axes.set_ylabel("quality by the model", color=INK)
    axes.tick_params(colors=INK)
    for spine in axes.spines.values():
        spine.set_edgecolor("#B8C4CC")
    axes.grid(color="#E6E6E6", linewidth=0.6)
    axes.set_axisbelow(True)
    figure.text(0.04, 1 - 0.2 / tall, one_line(f"{label}: {fit.stage} habitat, model and survey"), size=13,
                weight="bold", color=INK, va="top", parse_math=False)  # fmt: skip
    known = f", correlation {fit.correlation:.2f}" if np.isfinite(fit.correlation) else ""
    words = f"{fit.modelled.size} surveyed reaches. The model is off by {fit.bias:+.2f} on the average,\n"
    words += f"RMSE {fit.rmse:.2f}{known}. Where measured, the measured value counts."
    figure.text(0.04, 1 - 0.52 / tall, words, size=9.5, color="#3A3A3A", va="top", linespacing=1.35)
    return figure
