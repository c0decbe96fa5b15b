"""What comes out of putting structures, flows and fish together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class RunWeights:
    """When the run of one species comes by, at each of g gauges; D days in a row, Y years.

    Parameters
    ----------
    weight : (g, D) float64
        Share of the run that arrives on a day. Sums to 1 in each complete year and is 0 in others and out of season.
    year : (D,) int64
        Position in `years` of the run a day belongs to, that is of the year its season begins in; -1 out of season.
    years : (Y,) int64
        Calendar years of the record.
    complete : (g, Y) bool
        Years whose run has flows (and temperatures, where they time it) on enough of its days.
    """

    weight: FloatArray
    year: IntArray
    years: IntArray
    complete: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Passage:
    """Passability of n structures for S species over Y years.

    Parameters
    ----------
    years : (Y,) int64
    p : (n, S, Y) float64
        Share of a year's run that gets past; NaN in years that are not complete.
    days : (n, S, Y) float64
        Days of the run on which it can get past.
    run_days : (n, S, Y) float64
        Days of the run with flows.
    stopped : (n, S, REASONS) float64
        Share of the run that meets each state of affairs on the day it arrives, mean of the complete years: column 0
        open, the others stopped by what `structures.STOPPED_BY` names.
    """

    years: IntArray
    p: FloatArray
    days: FloatArray
    run_days: FloatArray
    stopped: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Mean of the complete years, (n, S); NaN where there are none."""
        known = ~np.isnan(self.p)
        count = known.sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(known, self.p, 0.0).sum(axis=2) / count)

    def worst(self, invasive: NDArray[np.bool_]) -> tuple[FloatArray, IntArray]:
        """Return the worst year's passability and its position in `years`, each (n, S).

        Parameters
        ----------
        invasive : (S,) bool
            True: the worst year is that with the greatest passability; else that with the least.

        Returns
        -------
        p : (n, S) float64
            NaN where no year is complete.
        at : (n, S) int64
            -1 where no year is complete; the first of equal years.
        """
        sign = np.where(invasive, 1.0, -1.0)[None, :, None]
        ranked = np.where(np.isnan(self.p), -np.inf, self.p * sign)
        at = ranked.argmax(axis=2)
        p = np.take_along_axis(self.p, at[:, :, None], axis=2)[:, :, 0]
        return p, np.where(np.isnan(p), -1, at).astype(np.int64)
