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

from barrierrank.jit import SMALL, each, shares
from barrierrank.ranking.kernels_draws import beta_quantiles, beta_tails, from_table

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BLOCK: Final = 128
METHODS: Final = ("latin_hypercube", "sobol")
SOBOL_MOST: Final = 21_201
"""Inputs for which direction numbers are known (Joe and Kuo 2008); more are drawn as a Latin hypercube."""
_ENDS: Final = 2.0**-40
"""How near to 0 and 1 points may come, so that every quantile is finite."""
_SURE: Final = 1e300
_PART: Final = 4096
"""Inputs of a Latin hypercube drawn at a time: columns of so many draws stay in the processor's cache."""
_TURNED: Final = 1024
"""Columns of a block turned into rows at a time, for the same reason."""
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
        d = min(BLOCK, draws - first)
        yield _sobol(inputs, d, (seed, number)) if sobol else _hypercube(inputs, d, (seed, number))


def _hypercube(inputs: int, d: int, seed: tuple[int, int]) -> FloatArray:
    """Return a Latin hypercube of d draws, inputs taken in parts of a fixed width, each with a seed of its own."""
    if not inputs:
        return np.empty((d, 0))
    out = np.empty((d, inputs))
    for low in range(0, inputs, _PART):
        rng = np.random.default_rng([*seed, low // _PART])
        part = qmc.LatinHypercube(min(_PART, inputs - low), rng=rng).random(d)
        np.clip(part, _ENDS, 1.0 - _ENDS, out=out[:, low : low + _PART])
    return out


def _sobol(inputs: int, d: int, seed: tuple[int, int]) -> FloatArray:
    """Return the first d points of a scrambled Sobol sequence, drawn to the next power of two."""
    rng = np.random.default_rng(seed)
    points = qmc.Sobol(inputs, scramble=True, rng=rng).random_base2(max(d - 1, 0).bit_length())
    out: FloatArray = np.clip(points[:d], _ENDS, 1.0 - _ENDS)
    return out


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

    Each distinct distribution is tabulated once, as log(x / (1 - x)) by normal score, and read off by cubics.
    For alpha and beta from 0.5 to 1e6 the error is below 2e-4.

    Parameters
    ----------
    alpha, beta : (k,) float64
        As for :func:`beta_quantile`.
    """

    def __init__(self, alpha: FloatArray, beta: FloatArray) -> None:
        (alpha, beta), self._of = _distinct(alpha, beta)
        u = ndtr(_Z[: _Z.size // 2])
        parts = each(lambda s: _tabulated(u, alpha[s[0] : s[1]], beta[s[0] : s[1]]), shares(alpha.size))
        self._fixed, self._score = (np.concatenate(x) for x in zip(*parts, strict=True))

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
        rows = self._of if at is None else self._of[np.asarray(at, dtype=np.int64)]
        out = np.empty((rows.size, u.shape[0]))
        scale = (float(_Z[0]), float(_Z[1] - _Z[0]))

        def fill(part: slice) -> None:
            z = ndtri(np.ascontiguousarray(u[:, part].T))
            out[part] = from_table(z, self._score, self._fixed, rows[part], scale)

        each(fill, _cached(rows.size), threads=out.size >= SMALL)
        return out


def _distinct(alpha: FloatArray, beta: FloatArray) -> tuple[tuple[FloatArray, FloatArray], IntArray]:
    """Return the distinct pairs of two numbers, and which of them each pair is."""
    pairs, of = np.unique(np.column_stack([alpha, beta]), axis=0, return_inverse=True)
    return (pairs[:, 0].copy(), pairs[:, 1].copy()), of.reshape(-1).astype(np.int64)


def _tabulated(u: FloatArray, alpha: FloatArray, beta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the share of each distribution that is certain or missing, -1 for others, and its table, (k, nodes)."""
    low, high = beta_tails(u, alpha, beta)
    fixed = np.where((low[:, 0] == low[:, -1]) | np.isnan(low[:, 0]), low[:, 0], -1.0)
    with np.errstate(divide="ignore"):
        # 1 - x has the same distribution, alpha and beta exchanged: near 1 it is exact where x is not
        score = np.concatenate([np.log(low / (1.0 - low)), -np.log(high / (1.0 - high))[:, ::-1]], axis=1)
    return fixed, np.clip(score, -700.0, 700.0)


def _cached(columns: int) -> list[slice]:
    """Cut columns of a block of points in parts that stay in the processor's cache when turned."""
    return [slice(low, min(low + _TURNED, columns)) for low in range(0, columns, _TURNED)]


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
    variance = np.broadcast_to(np.log1p(spread**2), u.shape[1:])[:, None]
    out = np.empty(u.shape[::-1])

    def fill(part: slice) -> None:
        z = ndtri(np.ascontiguousarray(u[:, part].T))
        out[part] = np.exp(np.sqrt(variance[part]) * z - 0.5 * variance[part])

    each(fill, _cached(u.shape[1]), threads=out.size >= SMALL)
    return out.T  # draws of one number side by side in memory
