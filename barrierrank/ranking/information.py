"""What it is worth to know better: value of perfect and of survey information, from draws of what is uncertain.

The decision that information is valued for: each site gets the action that is worth the most above the price of the
budget, or none. With v the worth of an action above that price in each draw, what is known now brings the sum over
sites of max(0, greatest mean of v); what could be known brings the mean, over what might come out, of the same sum of
conditional means. Sites are decided each on its own, as in the list.

In the words of Raiffa and Schlaifer (1961), Applied Statistical Decision Theory: the expected value of perfect and of
sample information.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata

from barrierrank.jit import each
from barrierrank.ranking.information_fit import basis, gain_of
from barrierrank.ranking.information_rivals import Decision, decide, rivals, screened

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_RANKED: Final = 1024
"""Rows ranked at a time."""


@dataclass(frozen=True, eq=False)
class Source:
    """One uncertain thing that one could learn about.

    Parameters
    ----------
    perfect : (f, D) float64
        The numbers drawn for it, a row for each (of each species, say).
    survey : (f, D) float64 or None
        What would be thought of them after a survey, draw by draw: posterior means, as :func:`surveyed_means` gives
        them. None where no survey is possible.
    rows : (r,) int64
        Actions whose worth it can bear on at all; all others keep their mean.
    """

    perfect: FloatArray
    survey: FloatArray | None
    rows: IntArray


@dataclass(frozen=True, eq=False)
class Learned:
    """What it is worth to learn about each of some sources, one element for each.

    Parameters
    ----------
    perfect : float64
        Of knowing it for sure [unit of v]. 0 where it cannot be told from chance with so many draws.
    survey : float64
        Of a survey, never more than `perfect`; NaN where there is none.
    error : float64
        Standard error of `perfect`, from the number of draws: of the fit and of what comes out. That of mean worths
        themselves is not in it: draws spread evenly, as those of a Latin hypercube, leave little of it.
    chance_changed : float64
        Chance that knowing it for sure changes what is done at one site or more.
    """

    perfect: FloatArray
    survey: FloatArray
    error: FloatArray
    chance_changed: FloatArray


def price_of_budget(
    benefit: npt.ArrayLike, cost: npt.ArrayLike, site: npt.ArrayLike, *, top: int, points: bool
) -> float:
    """Return what the last action that is done brings for each unit of cost.

    Parameters
    ----------
    benefit, cost : (a,) array_like
        Expected present worths of the benefit and of the cost. An action with a number that is missing does not count.
    site : (a,) array_like of int
    top : int
        Sites that are done: those whose best action brings the most for its cost. 1 or more.
    points : bool
        True where benefits are points and not money.

    Returns
    -------
    float
        Midway between what the best action of the last site that is done and of the next one bring for each unit of
        cost; where the former costs nothing, midway in cost for each unit of benefit. With money at least 1: then
        all is done that pays for itself. Where no more than `top` sites have an action worth doing, or all of them
        are free: 1 with money, 0 for points.

    Raises
    ------
    ValueError
        `top` is below 1, or the arrays differ in length.
    """
    gain, spent = np.asarray(benefit, dtype=np.float64), np.asarray(cost, dtype=np.float64)
    at = np.asarray(site)
    if top < 1:
        raise ValueError(f"top must be 1 or more, got {top}")
    if not gain.shape == spent.shape == at.shape or gain.ndim != 1:
        raise ValueError(f"benefit, cost and site must be as long, got {gain.shape}, {spent.shape} and {at.shape}")
    least = 0.0 if points else 1.0
    counts = np.isfinite(gain) & np.isfinite(spent) & (gain > 0.0)
    gain, spent, at = gain[counts], spent[counts], at[counts]
    with np.errstate(divide="ignore", over="ignore"):
        ratio = np.where(spent > 0.0, gain / spent, np.inf)
    names, place = np.unique(at, return_inverse=True)
    best = np.zeros(names.size)
    np.maximum.at(best, place, ratio)
    best = np.sort(best)[::-1]
    done = max(top, int(np.isinf(best).sum()))  # what is free is done at any price
    if best.size <= done:
        return least
    last, following = float(best[done - 1]), float(best[done])
    return max(least, 2.0 * following if math.isinf(last) else 0.5 * (last + following))


def worth_of_everything(v: FloatArray, site: npt.ArrayLike) -> float:
    """Return the worth of knowing all for sure: what is best in each draw, above what is best in the mean.

    Parameters
    ----------
    v : (a, D) float64
        Worth of each action above the price of the budget in each draw. One with a number that is not finite is never
        chosen.
    site : (a,) int64
        Any numbers; actions at the same site have the same.

    Raises
    ------
    ValueError
        The arrays do not fit each other, or there is no draw.

    Notes
    -----
    Never negative. The chosen action's mean is that of the same draws, so the error of few draws is on the low side.
    """
    known = decide(v, site)
    rows = np.flatnonzero(np.isfinite(known.mean))
    order = rows[np.argsort(known.site[rows], kind="stable")]
    ends = np.append(np.flatnonzero(np.diff(known.site[order], prepend=-1)), order.size)
    total = 0.0
    for low, high in itertools.pairwise(ends.tolist()):
        total += float(np.maximum(known.v[order[low:high]].max(axis=0), 0.0).mean())
    return max(0.0, total - float(known.worth.sum()))


def worth_of_learning(
    v: FloatArray, site: npt.ArrayLike, sources: Sequence[Source], *, seed: int
) -> Learned:
    """Return what it is worth to learn about each source alone.

    Parameters
    ----------
    v : (a, D) float64
        Worth of each action above the price of the budget in each draw. One with a number that is not finite is never
        chosen.
    site : (a,) int64
        Any numbers; actions at the same site have the same.
    sources : sequence of Source
    seed : int
        Of the permutations that show what chance brings; 0 or more. What a source is worth does not depend on the
        others or on their order.

    Raises
    ------
    ValueError
        The arrays do not fit each other, or a number drawn for a source is not finite.

    Notes
    -----
    By regression of v on the numbers, see :func:`barrierrank.ranking.information_fit.gain_of`. A survey is never
    worth more than to know for sure; where the draws say so by chance, it is given the same worth.
    """
    known = decide(v, site)
    for source in sources:
        _check(known, source)

    def learn(source: Source) -> tuple[float, float, float, float]:
        of = rivals(known, source.rows)
        sure = gain_of(known.v, of, basis(source.perfect), seed=seed)
        if source.survey is None:
            surveyed = math.nan
        elif sure.worth:
            surveyed = min(sure.worth, gain_of(known.v, of, basis(source.survey), seed=seed).worth)
        else:
            surveyed = 0.0
        return sure.worth, surveyed, sure.error, sure.changed

    out = np.array(each(learn, sources), dtype=np.float64).reshape(-1, 4)
    return Learned(*out.T.copy())


def worth_together(
    v: FloatArray, site: npt.ArrayLike, sources: Sequence[Source], *, seed: int, survey: bool = True
) -> float:
    """Return what it is worth to learn about several sources at once.

    Parameters
    ----------
    v, site
        As for :func:`worth_of_learning`.
    sources : sequence of Source
        With `survey`, those that no survey is possible of are left out.
    seed : int
    survey : bool
        Surveys of them; else knowing them for sure.

    Returns
    -------
    float
        0 with no source, where it cannot be told from chance, and where there are more numbers than half the draws.

    Raises
    ------
    ValueError
        As for :func:`worth_of_learning`.

    Notes
    -----
    All numbers side by side, for the actions that any of them bears on. The more numbers, the lower the order of the
    polynomial (:func:`barrierrank.ranking.information_fit.basis`), so that with many sources and few draws what they
    are worth only jointly may be missed.
    """
    known = decide(v, site)
    numbers = []
    for source in sources:
        _check(known, source)
        if not survey:
            numbers.append((source.perfect, source.rows))
        elif source.survey is not None:
            numbers.append((source.survey, source.rows))
    if not numbers:
        return 0.0
    rows = np.unique(np.concatenate([r for _, r in numbers])).astype(np.int64)
    q = basis(np.concatenate([x for x, _ in numbers]))
    return gain_of(known.v, rivals(known, rows), q, seed=seed).worth


def _check(known: Decision, source: Source) -> None:
    """Raise where a source does not fit the worths."""
    a, draws = known.v.shape
    for name, x in (("perfect", source.perfect), ("survey", source.survey)):
        if x is not None and (x.ndim != 2 or x.shape[1] != draws):
            raise ValueError(f"{name} must be (numbers, {draws} draws), got {x.shape}")
    if source.rows.size and not 0 <= source.rows.min() <= source.rows.max() < a:
        raise ValueError(f"rows must be from 0 to {a - 1}, got {source.rows.min()} to {source.rows.max()}")


def strongest(
    v: FloatArray,
    site: npt.ArrayLike,
    x: FloatArray,
    rows_of: tuple[IntArray, IntArray],
    *,
    most: int,
) -> IntArray:
    """Screen many numbers for those that could be worth most to know.

    Parameters
    ----------
    v, site
        As for :func:`worth_of_learning`.
    x : (m, D) float64
        Numbers drawn.
    rows_of : (m + 1,) int64, (r,) int64
        Where the rows of each number begin, and these rows of v, one number after the other: the actions that it can
        bear on.
    most : int
        How many are wanted.

    Returns
    -------
    (min(most, m),) int64
        The strongest first, equals by index.

    Raises
    ------
    ValueError
        The arrays do not fit each other, or a number in x is not finite.

    Notes
    -----
    What an action of a site is worth more than the one chosen now is taken to rise straight with the number, and the
    number to be normal: with the difference d in the mean and s of its standard deviation explained, the site is
    better by ``s (phi(z) - z (1 - Phi(z)))``, ``z = |d| / s``, the unit normal loss of Raiffa and Schlaifer (1961),
    summed over actions and doing nothing. From s the chance level is taken off. Time grows with m times the actions
    whose difference is not far from 0; memory with the size of v and x at most.
    """
    known = decide(v, site)
    first, rows = rows_of
    m, draws = x.shape
    if draws != known.v.shape[1] or first.shape != (m + 1,):
        raise ValueError(f"x must be (numbers, draws) as v has draws, with rows for each, got {x.shape}")
    if not np.isfinite(x).all():
        raise ValueError("the numbers drawn must be finite")
    if rows.size and not 0 <= rows.min() <= rows.max() < known.mean.size:
        raise ValueError(f"rows must be from 0 to {known.mean.size - 1}, got {rows.min()} to {rows.max()}")
    worth = screened(known, x, rows_of)
    return np.lexsort((np.arange(m), -worth))[:most].astype(np.int64)


def surveyed_means(
    p: FloatArray, alpha: npt.ArrayLike, beta: npt.ArrayLike, fish: float, *, seed: int
) -> FloatArray:
    """Return what would be thought of chances after a trial of some fish, draw by draw.

    In each draw so many fish are tried at its chance of passing; the posterior mean of Beta(alpha, beta) after k of n
    passed is ``(alpha + k) / (alpha + beta + n)``.

    Parameters
    ----------
    p : (f, D) float64
        Chances drawn, from 0 to 1.
    alpha, beta : (f,) array_like
        What is known of each of them now; 0 or more, not both 0.
    fish : float
        Tried for each of them [fish]; 0 or more. A fraction is the chance of one more.
    seed : int

    Raises
    ------
    ValueError
        A number is outside its range or the arrays do not fit each other.
    """
    known, unknown = np.asarray(alpha, dtype=np.float64), np.asarray(beta, dtype=np.float64)
    if p.ndim != 2 or not known.shape == unknown.shape == p.shape[:1]:
        raise ValueError(f"alpha and beta must have a number for each row of {p.shape}")
    if not ((p >= 0.0) & (p <= 1.0)).all():
        raise ValueError("chances must be from 0 to 1")
    if not ((known >= 0.0) & (unknown >= 0.0) & (known + unknown > 0.0)).all():
        raise ValueError("alpha and beta must be 0 or more, and not both 0")
    if not 0.0 <= fish < math.inf:
        raise ValueError(f"fish must be 0 or more, got {fish}")
    rng = np.random.default_rng(seed)
    whole = math.floor(fish)
    tried = whole + (rng.random(p.shape) < fish - whole)
    passed = rng.binomial(tried, p)
    return np.asarray((known[:, None] + passed) / ((known + unknown)[:, None] + tried))


def variance_shares(y: FloatArray, x: FloatArray) -> FloatArray:
    """Return how much of the spread of each outcome goes with each number: squared rank correlation, chance taken off.

    Parameters
    ----------
    y : (r, D) float64
        Outcomes.
    x : (m, D) float64
        Numbers drawn.

    Returns
    -------
    (r, m) float64
        Spearman's rank correlation squared, with average ranks where values are equal, less its mean by chance,
        ``1 / (D - 1)``, and not below 0. 0 where nothing varies; NaN where a row has a NaN.

    Raises
    ------
    ValueError
        The two differ in draws.

    Notes
    -----
    Shares of numbers that are independent of each other sum to about 1 where the outcome rises or falls with each of
    them and they add up (Saltelli et al. 2008, Global Sensitivity Analysis).
    """
    draws = y.shape[1]
    if x.shape[1] != draws:
        raise ValueError(f"outcomes have {draws} draws and numbers {x.shape[1]}")
    out = np.zeros((y.shape[0], x.shape[0]))
    if draws < 2:
        return out
    outcomes = _ranks(y)
    for low in range(0, x.shape[0], _RANKED):
        r = outcomes @ _ranks(x[low : low + _RANKED]).T
        out[:, low : low + _RANKED] = np.maximum(r * r - 1.0 / (draws - 1), 0.0)
    return out


def _ranks(x: FloatArray) -> FloatArray:
    """Return average ranks along each row, centred and of length 1; 0 where a row does not vary."""
    ranks = np.empty(x.shape)
    for low in range(0, x.shape[0], _RANKED):
        ranks[low : low + _RANKED] = rankdata(x[low : low + _RANKED], axis=1)
    ranks -= 0.5 * (x.shape[1] + 1)
    length = np.sqrt(np.einsum("ij,ij->i", ranks, ranks))
    length[length == 0.0] = 1.0
    return np.asarray(ranks / length[:, None])
