"""The decision that information is valued for, and what could take the place of what is chosen now."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from barrierrank.jit import each

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Single = npt.NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)

NOTHING: Final = -1
"""In place of a row: doing nothing, or an action whose worth keeps its mean."""
PART: Final = 4096
"""Rivals looked at in one go, so that memory is bounded."""
_FAR: Final = 6.0
"""A rival so many standard deviations behind does not come first: what it would bring is below 2e-10 of one."""
_STANDS_OUT: Final = 4.0
"""A squared correlation times (draws - 1) below this, two standard errors, is held to be chance in a screening."""
_INPUTS: Final = 64
"""Numbers screened side by side."""
_NEGLIGIBLE: Final = 1e-24
"""A variance so far below the mean square is the rounding of floating point."""
_TALL: Final = 32
"""Rows held at a time beside others."""
_SMALL: Final = 500_000
"""Multiplications of a matrix product that are done in one go."""


@dataclass(frozen=True, eq=False)
class Decision:
    """What is done with what is known now; a actions, n sites.

    Parameters
    ----------
    v : (a, D) float64
        Worth of each action in each draw.
    mean : (a,) float64
        -inf where the worth is not known.
    site : (a,) int64
        From 0 to n - 1.
    now : (n,) int64
        Action chosen at each site, the first among equals; NOTHING where none is worth more than nothing.
    worth : (n,) float64
        Its mean worth, 0 with NOTHING.
    """

    v: FloatArray
    mean: FloatArray
    site: IntArray
    now: IntArray
    worth: FloatArray


@dataclass(frozen=True, eq=False)
class Rivals:
    """What could take the place of what is chosen now, once more is known; sites side by side.

    Parameters
    ----------
    challenger, holder : (q,) int64
        Rows of the actions that may come to stand in for what is done now, and of that; NOTHING where the mean stays.
    behind : (q,) float64
        By how much the challenger is worth more in the mean: 0 or less.
    site : (q,) int64
        Rising.
    """

    challenger: IntArray
    holder: IntArray
    behind: FloatArray
    site: IntArray

    def part(self, which: slice | npt.NDArray[np.bool_]) -> Rivals:
        """Return some of them."""
        return Rivals(self.challenger[which], self.holder[which], self.behind[which], self.site[which])


def decide(v: FloatArray, site: npt.ArrayLike) -> Decision:
    """Choose at each site the action that is worth the most in the mean, or none.

    Parameters
    ----------
    v : (a, D) float64
        Worth above the price of what the action costs. An action with any number that is not finite is not known, and
        not chosen.
    site : (a,) int64
        Any numbers; actions at the same site have the same.

    Raises
    ------
    ValueError
        The arrays do not fit each other, or there is no draw.
    """
    v, sites = np.asarray(v, dtype=np.float64), np.asarray(site)
    if v.ndim != 2 or not v.shape[1] or sites.shape != v.shape[:1]:
        raise ValueError(f"worth must be (actions, draws) with a site for each action, got {v.shape}, {sites.shape}")
    with np.errstate(invalid="ignore", over="ignore"):
        mean = v.mean(axis=1)
    mean[~np.isfinite(mean)] = -np.inf
    names, at = np.unique(sites, return_inverse=True)
    now = np.full(names.size, NOTHING, dtype=np.int64)
    worth = np.zeros(names.size)
    order = np.lexsort((-np.arange(mean.size), mean, at))  # the best of each site last, the first among equals
    last = order[np.append(np.flatnonzero(np.diff(at[order])), at.size - 1)] if at.size else order
    last = last[mean[last] > 0.0]
    now[at[last]], worth[at[last]] = last, mean[last]
    return Decision(v, mean, at.astype(np.int64), now, worth)


def rivals(decision: Decision, rows: IntArray) -> Rivals:
    """Return what could take the place of what is chosen now, where the worth of only some actions can change.

    Parameters
    ----------
    decision : Decision
    rows : (r,) int64
        These actions; the others keep their mean.

    Notes
    -----
    What counts at a site are differences to what is chosen now. All that keeps its mean, doing nothing among it, is
    one challenger: the best of it.
    """
    moves = np.zeros(decision.mean.size, dtype=bool)
    moves[rows] = True
    moves &= np.isfinite(decision.mean)
    holder = decision.now.copy()
    holder[(holder != NOTHING) & ~moves[holder]] = NOTHING
    rest = np.zeros(decision.now.size)
    np.maximum.at(rest, decision.site[~moves], decision.mean[~moves])
    challenger = np.flatnonzero(moves)
    challenger = challenger[decision.now[decision.site[challenger]] != challenger]
    held = np.flatnonzero(holder != NOTHING)
    site = np.concatenate([decision.site[challenger], held])
    who = np.concatenate([challenger, np.full(held.size, NOTHING)])
    means = np.concatenate([decision.mean[challenger], rest[held]])
    order = np.argsort(site, kind="stable")
    site = site[order]
    return Rivals(who[order], holder[site], means[order] - decision.worth[site], site)


def differences(v: FloatArray, of: Rivals, part: slice) -> tuple[FloatArray, FloatArray]:
    """Return by how much challengers differ from what is chosen now, less the mean, and the variance.

    Returns
    -------
    (k, D) float64, (k,) float64
        For the k rivals of the part; rounding counts as no difference at all.
    """
    challenger, holder = of.challenger[part], of.holder[part]
    w = v[challenger]
    w[challenger == NOTHING] = 0.0
    moves = np.flatnonzero(holder != NOTHING)
    size = np.einsum("ij,ij->i", w, w)
    for low in range(0, moves.size, _TALL):  # few at a time: a second array of that size would only cost time
        at = moves[low : low + _TALL]
        own = v[holder[at]]
        size[at] += np.einsum("ij,ij->i", own, own)
        w[at] -= own
    w -= w.mean(axis=1, keepdims=True)
    squares = np.einsum("ij,ij->i", w, w)
    same = squares <= _NEGLIGIBLE * size
    w[same], squares[same] = 0.0, 0.0
    return w, squares / v.shape[1]


def parts_of(of: Rivals, size: int = PART) -> Iterator[slice]:
    """Cut rivals in parts of about `size` that leave no site divided."""
    low, q = 0, of.site.size
    while low < q:
        high = min(low + size, q)
        high = int(np.searchsorted(of.site, of.site[high - 1], side="right"))
        yield slice(low, high)
        low = high


def screened(decision: Decision, x: FloatArray, rows_of: tuple[IntArray, IntArray]) -> FloatArray:
    """Return about what each of many numbers is worth to know, by unit normal losses, (m,).

    Parameters
    ----------
    decision : Decision
    x : (m, D) float64
    rows_of : (m + 1,) int64, (r,) int64
        Where the actions that each number can bear on begin, and these.
    """
    first, rows = rows_of
    m = x.shape[0]
    worth = np.zeros(m)
    if x.shape[1] < 3:
        return worth
    everywhere = np.flatnonzero(np.isfinite(decision.mean)).astype(np.int64)
    for of, w, spread in _close_rivals(decision, rivals(decision, everywhere)):

        def screen(low: int, of: Rivals = of, w: Single = w, spread: FloatArray = spread) -> None:
            high = min(low + _INPUTS, m)
            bears = np.zeros((decision.mean.size + 1, high - low), dtype=bool)
            which = np.repeat(np.arange(high - low), np.diff(first[low : high + 1]))
            bears[rows[first[low] : first[high]], which] = True  # the last row is for NOTHING
            on = bears[of.challenger] | bears[of.holder]
            worth[low:high] += _losses(of.behind, (w, spread), x[low:high], on)

        each(screen, range(0, m, _INPUTS))
    return worth


def _close_rivals(decision: Decision, of: Rivals) -> Iterator[tuple[Rivals, Single, FloatArray]]:
    """Give rivals that could come first, some at a time, to screen numbers with.

    Yields
    ------
    Rivals, (k, D) float32, (k,) float64
        k of them, their differences divided by their spread, and this spread.
    """
    for part in parts_of(of):
        w, variance = differences(decision.v, of, part)
        spread = np.sqrt(variance)
        near = -of.behind[part] < _FAR * spread
        yield of.part(part).part(near), (w[near] / spread[near, None]).astype(np.float32), spread[near]


def _losses(
    behind: FloatArray, of: tuple[Single, FloatArray], x: FloatArray, on: npt.NDArray[np.bool_]
) -> FloatArray:
    """Return for each number the sum of the unit normal losses of k rivals, (b,).

    Parameters
    ----------
    behind : (k,) float64
        As in :class:`Rivals`.
    of : (k, D) float32, (k,) float64
        Their differences and spread, as :func:`_close_rivals` gives them.
    x : (b, D) float64
        The numbers.
    on : (k, b) bool
        Which number bears on which difference.

    Notes
    -----
    A rival that is d behind and of whose difference the number explains the standard deviation s brings ``s (phi(z)
    - z (1 - Phi(z)))`` with ``z = d / s``. From s the chance level of the correlation is taken off.
    """
    used = np.flatnonzero(on.any(axis=1))
    if 2 * used.size > on.shape[0]:  # to leave the others out would take longer
        used = np.arange(on.shape[0])
    w = of[0] if used.size == on.shape[0] else of[0][used]
    draws = x.shape[1]
    z = x - x.mean(axis=1, keepdims=True)
    size = z.std(axis=1)
    varies = size > 1e-12 * np.abs(x).max(axis=1)
    z /= np.where(varies, size, np.inf)[:, None]
    share = (product(w, z.T.astype(np.float32)) / draws) ** 2
    at, number = np.nonzero((share * (draws - 1) > _STANDS_OUT) & on[used])
    s = of[1][used[at]] * np.sqrt(share[at, number] - 1.0 / (draws - 1))
    far = -behind[used[at]] / s
    loss = s * (np.exp(-0.5 * far * far) / math.sqrt(2.0 * math.pi) - far * ndtr(-far))
    return np.asarray(np.bincount(number, np.maximum(loss, 0.0), minlength=x.shape[0]), dtype=np.float64)


def product(a: npt.NDArray[Real], b: npt.NDArray[Real]) -> npt.NDArray[Real]:
    """Return the matrix product, put together from products small enough that no library splits them among threads.

    Threads are better used on whole sources, and the sums then do not depend on how many there are.

    Parameters
    ----------
    a : (n, k) float32 or float64
    b : (k, m) of the same
    """
    n, k, m = a.shape[0], max(a.shape[1], 1), b.shape[1]
    out = np.empty((n, m), dtype=a.dtype)
    wide = max(1, min(m, _SMALL // (16 * k)))
    tall = max(1, _SMALL // (k * wide))
    for left in range(0, m, wide):
        columns = b[:, left : left + wide]
        for low in range(0, n, tall):
            np.matmul(a[low : low + tall], columns, out=out[low : low + tall, left : left + wide])
    return out
