"""Points of the unit cube spread evenly over what the inputs may be, and what inputs they stand for.

Draws come in blocks of at most :data:`BLOCK`, each with a seed of its own, so that a block is the same whoever works
it out and when.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from barrierrank.jit import each, shares
from barrierrank.ranking.kernels_draws import beta_quantiles, from_table

FloatArray = npt.NDArray[np.float64]

BLOCK: Final = 128
METHODS: Final = ("latin_hypercube", "sobol")
SOBOL_MOST: Final = 21_201
"""Inputs for which direction numbers are known (Joe and Kuo 2008); more are drawn as a Latin hypercube."""
_ENDS: Final = 2.0**-40
"""How near to 0 and 1 points may come, so that every quantile is finite."""
_SURE: Final = 1e300
_PART: Final = 4096
"""Inputs of a Latin hypercube drawn at a time: columns of so many draws stay in the processor's cache."""
_Z: Final = np.linspace(-7.5, 7.5, 76)
"""Normal scores at which a Beta distribution is tabulated: 2^-40 is the chance beyond -7.05."""


def draw_blocks(inputs: int, draws: int, *, seed: int, method: str) -> Iterator[FloatArray]:
    """Give points of the unit cube, block by block.

    Parameters
    ----------
    inputs : int
        Numbers a draw takes; 0 or more.
    draws : int
        In all; 0 or more. The last block has what is left over, at most :data:`BLOCK`.
    seed : int
        0 or more. Block number b depends on seed, b, its number of draws and `inputs` alone.
    method : {"latin_hypercube", "sobol"}
        Latin hypercube: in a block of d draws each input has one draw in each d-th of (0, 1) (McKay, Beckman and
        Conover 1979). Sobol: scrambled anew in each block; beyond :data:`SOBOL_MOST` inputs a Latin
        hypercube takes its place.

    Yields
    ------
    (d, inputs) float64
        In (0, 1), ends excluded.

    Raises
    ------
    ValueError
        When a number is negative or there is no such method.
    """
    if min(inputs, draws, seed) < 0:
        raise ValueError(f"inputs, draws and seed must be 0 or more, got {inputs}, {draws} and {seed}")
    if method not in METHODS:
        raise ValueError(f'there is no method "{method}": give one of {", ".join(METHODS)}')
    return _blocks(inputs, draws, seed, sobol=method == "sobol" and 0 < inputs <= SOBOL_MOST)


def _blocks(inputs: int, draws: int, seed: int, *, sobol: bool) -> Iterator[FloatArray]:
    for number, first in enumerate(range(0, draws, BLOCK)):
        rng = np.random.default_rng([seed, number])
        d = min(BLOCK, draws - first)
        u = _sobol(inputs, d, rng) if sobol else _hypercube(inputs, d, (seed, number))
        yield np.clip(u, _ENDS, 1.0 - _ENDS, out=u)


def _hypercube(inputs: int, d: int, seed: tuple[int, int]) -> FloatArray:
    """Return a Latin hypercube of d draws, inputs taken in parts of a fixed width, each with a seed of its own."""
    if not inputs:
        return np.empty((d, 0))
    starts = range(0, inputs, _PART)
    out = np.empty((d, inputs))

    def fill(low: int) -> None:
        rng = np.random.default_rng([*seed, low // _PART])
        out[:, low : low + _PART] = qmc.LatinHypercube(min(_PART, inputs - low), rng=rng).random(d)

    each(fill, starts, threads=len(starts) > 1)
    return out


def _sobol(inputs: int, d: int, rng: np.random.Generator) -> FloatArray:
    """Return the first d points of a scrambled Sobol sequence, drawn to the next power of two."""
    points = qmc.Sobol(inputs, scramble=True, rng=rng).random_base2(max(d - 1, 0).bit_length())
    return np.array(points[:d], dtype=np.float64)


def beta_worth(p: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the Beta distribution of a passability that tells as much as a trial of `n` fish.

    ``Beta(n p + 0.5, n (1 - p) + 0.5)``, the posterior of `n` fish of which `n p` passed under Jeffreys' prior: half a
    fish on either side, so that a given 0 or 1 is not certain. The mean is shifted towards 1/2 by little.

    Parameters
    ----------
    p : array of float64
        From 0 to 1; NaN gives NaN.
    n : array of float64, same shape or broadcast
        Above 0 [fish]; inf = certain: then every quantile is `p`.

    Returns
    -------
    alpha, beta : arrays of float64
        Of the common shape, fresh.

    Raises
    ------
    ValueError
        When a number is outside its range.
    """
    share, fish = np.broadcast_arrays(np.asarray(p, dtype=np.float64), np.asarray(n, dtype=np.float64))
    if ((share < 0.0) | (share > 1.0)).any():
        raise ValueError("passabilities must be from 0 to 1")
    if not (fish > 0.0).all():
        raise ValueError("numbers of fish must be above 0")
    sure = np.isinf(fish)
    count = np.where(sure, _SURE, fish)
    half = np.where(sure, 0.0, 0.5)
    return count * share + half, count * (1.0 - share) + half


def beta_quantile(u: FloatArray, alpha: FloatArray, beta: FloatArray) -> FloatArray:
    """Return quantiles of Beta distributions.

    Each distribution is tabulated once in log(x / (1 - x)), where its density has no poles, and the table inverted. For
    alpha and beta from 0.05 to 1e8 the error is below 1e-4 with `u` 1e-5 or more from 0 and 1, below 1e-3 nearer.

    Parameters
    ----------
    u : (d, k) float64
        In (0, 1).
    alpha, beta : (k,) float64
        0 or more, not both 0. Where one is 0 or both are huge (`n` of :func:`beta_worth` inf), the mean comes back for
        every `u`; where one is NaN, NaN.

    Returns
    -------
    (d, k) float64

    Raises
    ------
    ValueError
        When shapes do not fit or numbers are outside their range.
    """
    u, a, b = (np.asarray(v, dtype=np.float64) for v in (u, alpha, beta))
    if u.ndim != 2 or a.shape != b.shape or a.shape != (u.shape[1],):
        raise ValueError(f"u must be (d, k), alpha and beta (k,); got {u.shape}, {a.shape} and {b.shape}")
    if ((a < 0.0) | (b < 0.0) | (a + b == 0.0)).any():
        raise ValueError("alpha and beta must be 0 or more and not both 0")
    if not ((u > 0.0) & (u < 1.0)).all():
        raise ValueError("u must be above 0 and below 1")
    parts = each(
        lambda s: beta_quantiles(u[:, s[0] : s[1]], a[s[0] : s[1]], b[s[0] : s[1]]), shares(u.shape[1])
    )
    return np.concatenate(parts, axis=1)


class BetaTable:
    """Quantiles of the same Beta distributions for many blocks of points.

    Each distribution is tabulated once, as log(x / (1 - x)) by normal score, and read off by cubics.
    For alpha and beta from 0.5 to 1e6 the error is below 2e-4.

    Parameters
    ----------
    alpha, beta : (k,) float64
        As for :func:`beta_quantile`.
    """

    def __init__(self, alpha: FloatArray, beta: FloatArray) -> None:
        u = np.repeat(ndtr(_Z[: _Z.size // 2])[:, None], alpha.size, axis=1)
        low, high = (beta_quantile(u, a, b).T for a, b in ((alpha, beta), (beta, alpha)))
        self._fixed = np.where((low[:, 0] == low[:, -1]) | np.isnan(low[:, 0]), low[:, 0], -1.0)
        with np.errstate(divide="ignore"):
            # 1 - x has the same distribution, alpha and beta exchanged: near 1 it is exact where x is not
            score = np.concatenate([np.log(low / (1.0 - low)), -np.log(high / (1.0 - high))[:, ::-1]], axis=1)
        self._score = np.ascontiguousarray(np.clip(score, -700.0, 700.0))

    def quantile(self, u: FloatArray, at: npt.NDArray[np.int64] | None = None) -> FloatArray:
        """Return quantiles, one row a distribution.

        Parameters
        ----------
        u : (d, k) float64
            In (0, 1).
        at : (k,) int64, optional
            Which distribution each column is of; all of them in order if left out.

        Returns
        -------
        (k, d) float64
        """
        rows = np.arange(self._fixed.size) if at is None else np.asarray(at, dtype=np.int64)
        parts = each(
            lambda s: from_table(
                ndtri(np.ascontiguousarray(u[:, s[0] : s[1]].T)), self._score, self._fixed, rows[s[0] : s[1]],
                (float(_Z[0]), float(_Z[1] - _Z[0])),
            ),
            shares(rows.size),
        )  # fmt: skip
        return np.concatenate(parts, axis=0)


def lognormal_factor(u: FloatArray, cv: npt.ArrayLike) -> FloatArray:
    """Return quantiles of lognormal factors of mean 1.

    ``exp(s z - s^2 / 2)`` with ``s^2 = log(1 + cv^2)`` and z the normal quantile of `u`.

    Parameters
    ----------
    u : (d, k) float64
        In (0, 1).
    cv : (k,) float64 or float
        Coefficient of variation, 0 or more; 0 gives 1.

    Returns
    -------
    (d, k) float64

    Raises
    ------
    ValueError
        When a coefficient of variation is negative or no number.
    """
    spread = np.asarray(cv, dtype=np.float64)
    if not (spread >= 0.0).all():
        raise ValueError("coefficients of variation must be 0 or more")
    variance = np.log1p(spread**2)
    out: FloatArray = np.exp(np.sqrt(variance) * ndtri(u) - 0.5 * variance)
    return out
