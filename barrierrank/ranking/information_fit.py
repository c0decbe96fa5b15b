"""Value of deciding by what was learnt: worths regressed on the numbers of one source, and the decision after that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

PERMUTATIONS: Final = 16
"""Times that a source's numbers are shuffled to find what chance alone would seem to be worth."""
CLEAR: Final = 2.0
"""A value must be above chance by so many standard deviations of chance to be told at all."""
_FEW: Final = 6
"""A number with at most so many values is learnt by the means of its values, without a curve."""


class Sites:
    """Actions drawn together by site."""

    def __init__(self, site: IntArray) -> None:
        self.order = np.argsort(site, kind="stable")
        held = site[self.order]
        self.begin = np.flatnonzero(np.diff(held, prepend=-1))

    def best(self, worth: FloatArray) -> FloatArray:
        """Return the worth of each site's best action or of none, (sites, d)."""
        return np.asarray(np.maximum(np.maximum.reduceat(worth[self.order], self.begin, axis=0), 0.0))

    def chosen(self, worth: FloatArray, best: FloatArray) -> npt.NDArray[np.bool_]:
        """Return which actions are done, (a, d) in the order of the sites."""
        size = np.diff(np.append(self.begin, self.order.size))
        tall = np.repeat(best, size, axis=0)
        return np.asarray((worth[self.order] == tall) & (tall > 0.0), dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class Case:
    """What one source can change: the actions at all sites that it bears on.

    Parameters
    ----------
    sites : Sites
        Of the c actions in question.
    mean : (c,) float64
    moved : (r,) int64
        Positions among the c of those that the source bears on.
    v : (r, D) float64
        Their worth less its mean.
    """

    sites: Sites
    mean: FloatArray
    moved: IntArray
    v: FloatArray


def case_of(
    v: FloatArray, mean: FloatArray, known: npt.NDArray[np.bool_], tables: tuple[IntArray, IntArray, IntArray],
    rows: IntArray,
) -> Case | None:  # fmt: skip
    """Gather the actions at all sites that a source bears on; None where there are none.

    Parameters
    ----------
    v : (a, D) float64
    mean : (a,) float64
        Minus infinity where not known.
    known : (a,) bool
    tables : three arrays
        Site of each action; actions in the order of their sites; where each site begins in it.
    rows : (r,) int64
        Actions that the source bears on.
    """
    site, by_site, starts = tables
    rows = rows[known[rows]]
    if not rows.size:
        return None
    touched = np.unique(site[rows])
    size = starts[touched + 1] - starts[touched]
    at = by_site[np.repeat(starts[touched], size) + np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)]
    at = np.sort(at[known[at]])
    worth = v[rows]
    return Case(Sites(site[at]), mean[at], np.searchsorted(at, rows), worth - worth.mean(axis=1, keepdims=True))


def told_from_chance(case: Case | None, x: FloatArray, rng: np.random.Generator) -> tuple[float, float, float]:
    """Return value, its standard error and the chance of another decision, what chance alone makes taken off.

    Parameters
    ----------
    case : Case or None
    x : (f, D) float64
        What is learnt.
    rng : Generator
        Of the shuffles.
    """
    draws = x.shape[1]
    basis = _basis(x)
    if case is None or not basis.shape[1]:
        return 0.0, 0.0, 0.0
    raw, error, changed = _value(case, basis)
    shuffled = np.empty(PERMUTATIONS)
    for k in range(PERMUTATIONS):
        shuffled[k] = _value(case, basis[rng.permutation(draws)])[0]
    value = raw - shuffled.mean()
    if value <= CLEAR * shuffled.std(ddof=1) or value <= 0.0:
        return 0.0, error, 0.0
    return float(value), error, changed


def _value(case: Case, basis: FloatArray) -> tuple[float, float, float]:
    """Return value of deciding by fitted worths, its standard error, and how often another thing is done."""
    moved = (case.v @ basis) @ basis.T
    worth = np.repeat(case.mean[:, None], moved.shape[1], axis=1)
    worth[case.moved] += moved
    best = case.sites.best(worth)
    now = case.mean[:, None]
    held = case.sites.best(now)
    gain = best.sum(axis=0) - held.sum()
    # what is done now, with the worths as fitted: the same mean, so that its noise cancels
    done = case.sites.chosen(now, held)
    kept = np.where(done, worth[case.sites.order], 0.0).sum(axis=0)
    error = float((best.sum(axis=0) - kept).std(ddof=1) / np.sqrt(gain.size)) if gain.size > 1 else 0.0
    changed = (case.sites.chosen(worth, best) != done).any(axis=0).mean()
    return float(gain.mean()), error, float(changed)


def _basis(x: FloatArray) -> FloatArray:
    """Return orthonormal functions of the numbers, each of mean 0, (D, k); none where nothing can be learnt."""
    draws = x.shape[1]
    varying = x[np.asarray(np.ptp(x, axis=1)) > 1e-12 * np.maximum(np.abs(x).max(axis=1), 1e-300)]
    if not len(varying):
        return np.empty((draws, 0))
    values = np.unique(varying[0]) if len(varying) == 1 else np.empty(0)
    if 1 < values.size <= _FEW:
        columns = [(varying[0] == value).astype(np.float64) for value in values[1:]]
    else:
        z = (varying - varying.mean(axis=1, keepdims=True)) / varying.std(axis=1, keepdims=True)
        order = max(1, 4 - len(z))  # worth is a straight line in each passability save where treatment begins
        while order > 1 and order * len(z) > draws / 10:
            order -= 1
        columns = [row**power for row in z for power in range(1, order + 1)]
    raw = np.column_stack(columns)
    raw = raw - raw.mean(axis=0)
    if raw.shape[1] >= draws - 1:
        return np.empty((draws, 0))
    q, r = np.linalg.qr(raw)
    size = np.abs(np.diag(r))
    return np.ascontiguousarray(q[:, size > 1e-9 * size.max(initial=0.0)])
