"""How habitat quality is told and drawn: five equal steps, from ochre, thin, to navy blue, wide.

The colours go evenly from light to dark (CIE L* from 68 to 20), so that they keep their order for every kind of
colour vision and in print without colour; width says the same again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from barrierrank.outputs.styles import GREY

ROUNDING = 1e-9  # what a quality may be off by
UNKNOWN, NONE = 0, 6  # codes of what is no step; steps are 1 to 5


@dataclass(frozen=True)
class QualityLook:
    """How reaches of one step of quality are told and drawn.

    Parameters
    ----------
    code : int
        1 to 5 from the poorest to the best; 0 not known, 6 none at all.
    word : str
    figures : str
        The range in figures; empty where there is none.
    colour : str
    width : float
        Times the width that goes with the stream order.
    """

    code: int
    word: str
    figures: str
    colour: str
    width: float


STEPS: tuple[QualityLook, ...] = (
    QualityLook(1, "very poor", "0–0.2", "#CC9D53", 0.75),
    QualityLook(2, "poor", "0.2–0.4", "#85904A", 0.95),
    QualityLook(3, "fair", "0.4–0.6", "#1F7B58", 1.2),
    QualityLook(4, "good", "0.6–0.8", "#0E5870", 1.5),
    QualityLook(5, "very good", "0.8–1", "#162D65", 1.85),
)
NO_HABITAT = QualityLook(NONE, "none", "0", GREY, 0.55)
NOT_KNOWN = QualityLook(UNKNOWN, "not known", "", GREY, 0.7)
LOOKS: tuple[QualityLook, ...] = (NOT_KNOWN, *STEPS, NO_HABITAT)  # in the order of their codes


def quality_codes(values: npt.NDArray[np.float64]) -> npt.NDArray[np.uint8]:
    """Return the step of each quality: 1 for more than 0 and less than 0.2, 5 for 0.8 to 1; 6 for 0, 0 for NaN.

    Parameters
    ----------
    values : array of float64
        0 to 1, or NaN.

    Raises
    ------
    ValueError
        For a value outside 0 to 1 by more than rounding.
    """
    known = ~np.isnan(values)
    some = values[known]
    if len(some) and (some.min() < -ROUNDING or some.max() > 1 + ROUNDING):
        raise ValueError(f"qualities of habitat lie between 0 and 1, got {some.min()} to {some.max()}.")
    out = np.full(values.shape, UNKNOWN, dtype=np.uint8)
    step = np.clip(np.floor(some * len(STEPS) + ROUNDING) + 1, 1, len(STEPS))
    out[known] = np.where(some <= 0, NONE, step)
    return out
