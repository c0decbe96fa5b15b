"""Worth of a decision once numbers are known, from draws: regression on them, and its bias taken off."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import eigh, qr
from scipy.special import fdtrc

from barrierrank.ranking.information_rivals import PART, Rivals, differences, parts_of, product

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

PERMUTATIONS: Final = 20
"""How often what a fit leaves over is dealt anew to the draws, to see what chance alone would be worth."""
FEW: Final = 6
"""Numbers with at most so many values are told apart by value and not by a curve."""
PER_COLUMN: Final = 10
"""Draws wanted for each column of a basis of order 2 or more."""
_SPREADS: Final = 1.5
"""A worth within so many standard deviations of what chance brings is told as 0: of what is worth nothing, about one
in twenty is not."""
_FALSE: Final = (0.5, 0.05)
"""Share of false ones among fits that may be real, and among those that are held to be."""
_NEW: Final = 1e-10
"""A column of which less than this share is not made of others brings nothing new."""
_TALL: Final = 32
"""Sites compared at a time: few enough to stay in the cache."""
_ROWS: Final = 512
"""Differences held at a time."""
_PLENTY: Final = 2_000_000
"""From so many numbers on (rivals times draws) the bias is worked out on some of the draws."""
_SOME: Final = 256


@dataclass(frozen=True, eq=False)
class Gain:
    """Worth of the decision with numbers known, above that with what is known now.

    Parameters
    ----------
    worth : float
        0 where it cannot be told from chance.
    error : float
        Standard error of `worth`, from the number of draws.
    changed : float
        Share of the draws in which something else is done at one site or more.
    """

    worth: float
    error: float
    changed: float


def basis(x: FloatArray) -> FloatArray:
    """Return functions of some numbers that every conditional mean is fitted with.

    Numbers with few values are told apart by value, in all combinations. Others get a polynomial: of order 3 for one
    or two of them, 2 for more; where that has a column for every :data:`PER_COLUMN` draws or more, of lower order: 2;
    2 without products; 1.

    Parameters
    ----------
    x : (f, D) float64

    Returns
    -------
    (D, p) float64
        Columns of mean 0 and mean square 1, orthogonal to each other. p = 0 where the numbers do not vary or there are
        too few draws to tell anything.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    if not np.isfinite(x).all():
        raise ValueError("the drawn numbers of a source must be finite")
    draws = x.shape[1]
    z = _standardised(x)
    z = z[_independent(z)]
    columns = _cells(z)
    columns = _standardised(_polynomial(z) if columns is None else columns)
    if not columns.size:
        return np.empty((draws, 0))
    size, turn = eigh(product(columns, columns.T) / draws)
    new = size > _NEW * size[-1]
    if draws < int(new.sum()) + 2:
        return np.empty((draws, 0))
    return product(columns.T, turn[:, new] / np.sqrt(size[new]))


def _standardised(x: FloatArray) -> FloatArray:
    """Return rows with mean 0 and mean square 1, those that do not vary left out."""
    if not x.size:
        return np.empty((0, x.shape[1]))
    z = x - x.mean(axis=1, keepdims=True)
    spread = z.std(axis=1)
    varies = spread > 1e-12 * np.abs(x).max(axis=1)
    return np.asarray(z[varies] / spread[varies, None])


def _independent(z: FloatArray) -> IntArray:
    """Return the rows, in order, that are left when none is a sum of others."""
    if z.shape[0] < 2:
        return np.arange(z.shape[0], dtype=np.int64)
    r, pivot = qr(product(z, z.T), mode="r", pivoting=True)
    size = np.abs(np.diag(r))
    return np.sort(pivot[size > _NEW * size[0]]).astype(np.int64)


def _cells(z: FloatArray) -> FloatArray | None:
    """Return a row for each combination of values but one, 1 where it occurs; None where there are too many."""
    draws, code = z.shape[1], np.zeros(z.shape[1], dtype=np.int64)
    for row in z:
        values, at = np.unique(row, return_inverse=True)
        if values.size > FEW:
            return None
        cells, code = np.unique(code * FEW + at, return_inverse=True)
        if cells.size > max(FEW, draws // PER_COLUMN):
            return None
    return np.asarray(code == np.arange(1, code.max(initial=0) + 1)[:, None], dtype=np.float64)


def _polynomial(z: FloatArray) -> FloatArray:
    """Return a row for each term of a polynomial of rows, the constant left out; none where there are too few draws."""
    f, draws = z.shape
    orders = [(3, True)] if f <= 2 else []
    for order, products in [*orders, (2, True), (2, False)]:
        terms = math.comb(f + order, order) - 1 if products else f * order
        if terms * PER_COLUMN < draws:
            break
    else:
        return z if 2 * (f + 1) <= draws else np.empty((0, draws))
    if not products:
        return np.concatenate([z, z**2])
    which = [c for k in range(1, order + 1) for c in combinations_with_replacement(range(f), k)]
    return np.array([z[list(c)].prod(axis=0) for c in which])


@dataclass(frozen=True, eq=False)
class _Points:
    """Values of a basis at some draws, (p, D), and the greatest length of a column."""

    q: FloatArray
    widest: float


def _points(q: FloatArray) -> _Points:
    return _Points(np.ascontiguousarray(q.T), math.sqrt(float(np.einsum("ij,ij->i", q, q).max())))


def gain_of(v: FloatArray, of: Rivals, q: FloatArray, *, seed: int) -> Gain:
    """Return what the decision is worth more where the numbers behind a basis are known.

    Parameters
    ----------
    v : (a, D) float64
        Worth of each action in each draw.
    of : Rivals
    q : (D, p) float64
        As :func:`basis` gives it.
    seed : int
        Of the permutations; equal seeds deal alike.

    Notes
    -----
    The conditional means are those of a regression on the numbers: Strong, Oakley and Brennan (2014), Medical
    Decision Making 34:311-326, and Strong, Oakley, Brennan and Breeze (2015), Medical Decision Making 35:570-583.
    Being the best of several fitted means, the outcome is too high. That bias is found by doing the same again: to
    the fit, as far as it may be real, is added what it left over, dealt anew to the draws and fitted; with
    the sign as it comes and turned, so that all cancels that is linear. Their spread is the error of regression; a
    worth within 1.5 times of it is told as 0. Where nothing is real this is the bias of the same numbers permuted.
    """
    draws, p = q.shape
    if not p or not of.site.size:
        return Gain(0.0, 0.0, 0.0)
    coefficient, variance = fitted(v, of, q)
    real, stands = _real_share(coefficient, variance, draws)
    shrunk = coefficient * np.sqrt(real)[:, None]
    bias, spread = _bias(v, of, (coefficient, shrunk), q, seed)
    worth = float(gains(of, coefficient, q).mean()) - bias
    error = math.hypot(float(gains(of, shrunk, q).std()) / math.sqrt(draws), spread)
    if worth <= _SPREADS * spread or worth <= 0.0:
        return Gain(0.0, error, 0.0)
    sure = np.where((stands | ~stands.any())[:, None], shrunk, 0.0)
    return Gain(worth, error, _changed(of, sure, q, 1e-9 * math.sqrt(float(variance.max()))))


def fitted(v: FloatArray, of: Rivals, q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients of each rival's difference on some columns, (q, p), and its variance, (q,)."""
    coefficient, variance = np.empty((of.site.size, q.shape[1])), np.empty(of.site.size)
    for part in parts_of(of, _ROWS):
        w, variance[part] = differences(v, of, part)
        coefficient[part] = product(w, q)
    coefficient /= q.shape[0]
    return coefficient, variance


def _real_share(coefficient: FloatArray, variance: FloatArray, draws: int) -> tuple[FloatArray, BoolArray]:
    """Return which share of each fit's variance may be real, and which fits are held to be.

    The share is what is left when that is taken off which chance brings on the mean, 0 or more; 0 where the fit is
    none of those that by the F test may be real.

    Returns
    -------
    (q,) float64, (q,) bool
    """
    p = coefficient.shape[1]
    explained = np.einsum("ij,ij->i", coefficient, coefficient)
    left = np.maximum(variance - explained, 0.0) / (draws - 1 - p)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.where(explained > 0.0, explained / p / left, 0.0)
    chance = fdtrc(p, draws - 1 - p, f)
    share = np.where(_stand_out(chance, _FALSE[0]), 1.0 - 1.0 / np.maximum(f, 1.0), 0.0)
    return share, _stand_out(chance, _FALSE[1])


def _stand_out(chance: FloatArray, false: float) -> BoolArray:
    """Return which of many p-values are small, with the share of false ones among them held at `false`.

    The rule of Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57:289-300.
    """
    order = np.argsort(chance, kind="stable")
    below = np.flatnonzero(chance[order] <= false * np.arange(1, order.size + 1) / order.size)
    out = np.zeros(order.size, dtype=bool)
    out[order[: below.max(initial=-1) + 1]] = True
    return out


def _bias(
    v: FloatArray, of: Rivals, fit: tuple[FloatArray, FloatArray], q: FloatArray, seed: int
) -> tuple[float, float]:
    """Return what chance adds to the worth, and the standard deviation of that.

    Parameters
    ----------
    fit : (q, p) float64, (q, p) float64
        Coefficients, and what may be real of them.
    """
    rng = np.random.default_rng(seed)
    draws, p = q.shape
    permuted = np.concatenate([q[rng.permutation(draws)] for _ in range(PERMUTATIONS)], axis=1)
    across = product(q.T, permuted) / draws
    seen = _points(q)
    if of.site.size * draws > _PLENTY and draws > _SOME:
        seen = _points(q[rng.permutation(draws)[:_SOME]])
    scale = math.sqrt((draws - 1) / (draws - 1 - p))
    outcome = np.zeros((2, PERMUTATIONS))
    base = 0.0
    for part in parts_of(of):
        some, real = of.part(part), fit[1][part]
        noise = (fitted(v, some, permuted)[0] - product(fit[0][part], across)) * scale
        dealt = noise.reshape(-1, PERMUTATIONS, p).transpose(1, 0, 2)
        base += float(_mean_gains(some, real[None], seen)[0])
        outcome[0] += _mean_gains(some, real + dealt, seen)
        outcome[1] += _mean_gains(some, real - dealt, seen)
    return float(outcome.mean()) - base, float(outcome.std(ddof=1))


def _mean_gains(of: Rivals, coefficient: FloatArray, points: _Points) -> FloatArray:
    """Return the mean over draws of what all sites together gain, for each of c sets of coefficients (c, q, p)."""
    sets, q, p = coefficient.shape
    total = np.empty(sets)
    site = np.cumsum(np.diff(of.site, prepend=of.site[:1]) != 0)
    many = max(1, PART // q)  # sets looked at in one go, each as sites of its own
    for low in range(0, sets, many):
        own = coefficient[low : low + many]
        here = own.shape[0]
        at = (np.arange(here)[:, None] * (site[-1] + 1) + site).ravel()
        gained = np.zeros((site[-1] + 1) * here)
        for which, best in _best(np.tile(of.behind, here), at, own.reshape(-1, p), points):
            gained[which] = np.maximum(best, 0.0, out=best).mean(axis=1)
        total[low : low + many] = gained.reshape(here, -1).sum(axis=1)
    return total


def gains(of: Rivals, coefficient: FloatArray, q: FloatArray) -> FloatArray:
    """Return by how much the best of all sites together is better than what is chosen now, in each draw, (D,)."""
    total = np.zeros(q.shape[0])
    for _, best in _best(of.behind, of.site, coefficient, _points(q)):
        total += np.maximum(best, 0.0, out=best).sum(axis=0)
    return total


def _changed(of: Rivals, coefficient: FloatArray, q: FloatArray, least: float) -> float:
    """Return the share of draws in which at one site or more something is better by more than `least`."""
    changed = np.zeros(q.shape[0], dtype=bool)
    for _, best in _best(of.behind, of.site, coefficient, _points(q)):
        changed |= best.max(axis=0) > least
    return float(changed.mean())


def _best(
    behind: FloatArray, site: IntArray, coefficient: FloatArray, points: _Points
) -> Iterator[tuple[IntArray, FloatArray]]:
    """Give, some sites at a time, these and by how much their best rival is better than what is chosen now.

    Rivals that are behind in every draw are left out. The first rivals of all sites come first, then the second ones
    of those sites that have as many, and so on, sites with most rivals first: then whole rows are compared.

    Yields
    ------
    (k,) int64, (k, D) float64
        Sites, and by how much in each draw.
    """
    reach = np.sqrt(np.einsum("ij,ij->i", coefficient, coefficient)) * points.widest
    live = np.flatnonzero(behind + reach > 0.0)
    if not live.size:
        return
    starts = np.flatnonzero(np.diff(site[live], prepend=-1))
    count = np.diff(np.append(starts, live.size))
    order = np.argsort(-count, kind="stable")
    starts, count = starts[order], count[order]
    for low in range(0, starts.size, _TALL):
        first, many = starts[low : low + _TALL], count[low : low + _TALL]
        best = _rows(behind, coefficient, points, live[first])
        for k in range(1, int(many[0])):
            has = int(np.searchsorted(-many, -k))  # sites with more than k rivals
            further = _rows(behind, coefficient, points, live[first[:has] + k])
            np.maximum(best[:has], further, out=best[:has])
        yield site[live[first]], best


def _rows(behind: FloatArray, coefficient: FloatArray, points: _Points, at: IntArray) -> FloatArray:
    """Return by how much some rivals are better in each draw."""
    out = product(coefficient[at], points.q)
    out += behind[at, None]
    return out
