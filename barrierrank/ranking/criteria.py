"""A weighted sum of criteria, each scaled by its own least and greatest value in the list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]

# A spread this small, relative to the values, is rounding and not a difference.
_SAME = 1e-12


@dataclass(frozen=True, eq=False)
class CriteriaScores:
    """Scores and what they are made of.

    Parameters
    ----------
    score : (n,) float64 array
        Sum of the terms; NaN where a criterion is missing.
    terms : dict of str to (n,) float64 array
        Term of each criterion, from 0 to the size of its weight.
    constant : tuple of str
        Criteria with one value throughout: they tell no action from another and add 0.
    """

    score: FloatArray
    terms: dict[str, FloatArray]
    constant: tuple[str, ...]


def criteria_scores(table: pd.DataFrame, weights: Mapping[str, float]) -> CriteriaScores:
    """Return the weighted sum of min-max normalised criteria.

    The term of a criterion x with weight w > 0 is ``w (x - min) / (max - min)``; with w < 0, where less is
    better, it is ``|w| (max - x) / (max - min)``. So every term runs from 0 (worst in the list) to ``|w|``
    (best), and the score from 0 to the sum of the sizes of the weights. Least and greatest are those of the
    finite values of all rows; an infinite value (benefit per cost of an action that costs nothing) counts as
    the greatest or least finite one. Scaled like this a score compares actions of one list only: it changes
    with the list.

    Parameters
    ----------
    table : DataFrame
        n rows with a column of numbers for each criterion.
    weights : mapping of str to float
        Finite weights by column.

    Returns
    -------
    CriteriaScores

    Raises
    ------
    KeyError
        A criterion is no column of the table.
    """
    terms: dict[str, FloatArray] = {}
    constant = []
    for name in sorted(weights):
        values = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
        share, varies = _scaled(values, more_is_better=weights[name] > 0.0)
        terms[name] = abs(weights[name]) * share
        if not varies:
            constant.append(name)
    score = np.zeros(len(table))
    for term in terms.values():
        score += term
    return CriteriaScores(score, terms, tuple(constant))


def _scaled(values: FloatArray, *, more_is_better: bool) -> tuple[FloatArray, bool]:
    """Return `values` scaled from 0 (worst) to 1 (best), and whether they vary at all."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return np.zeros(len(values)), False
    low, high = float(finite.min()), float(finite.max())
    if high - low <= _SAME * max(abs(low), abs(high)):
        return np.where(np.isnan(values), np.nan, 0.0), False
    held = np.clip(values, low, high)
    # Halved, so that the spread of huge values of both signs stays finite.
    spread = high / 2.0 - low / 2.0
    return (held / 2.0 - low / 2.0 if more_is_better else high / 2.0 - held / 2.0) / spread, True
