"""What it is worth to know an input better before deciding what is done: value of perfect and of sample information.

The decision: each site gets the action that is worth most above the price of the budget, or none. Information lets the
decision follow what was learnt; its value is by how much the decision is then worth more on average (Raiffa and
Schlaifer 1961).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr
from scipy.stats import rankdata

from barrierrank.jit import each
from barrierrank.ranking.information_fit import Sites, case_of, told_from_chance

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_ROOM: Final = 40_000_000


@dataclass(frozen=True, eq=False)
class Source:
    """One uncertain thing that one could learn about; D draws.

    Parameters
    ----------
    perfect : (f, D) float64
        Its drawn numbers: one row a species, say.
    survey : (f, D) float64 or None
        What would be thought of them after a survey, draw by draw (posterior means); None where none is possible.
    rows : (r,) int64
        Actions whose worth it can bear on. All others keep their mean.
    """

    perfect: FloatArray
    survey: FloatArray | None
    rows: IntArray


@dataclass(frozen=True, eq=False)
class Learned:
    """Value of learning about k sources, in the unit of the worths.

    Parameters
    ----------
    perfect : (k,) float64
        Of knowing it for sure.
    survey : (k,) float64
        Of a survey; NaN where none is possible.
    error : (k,) float64
        Standard error of `perfect` from the number of draws.
    chance_changed : (k,) float64
        Share of the draws in which knowing it for sure changes what is done at some site.
    """

    perfect: FloatArray
    survey: FloatArray
    error: FloatArray
    chance_changed: FloatArray


def price_of_budget(benefit: FloatArray, cost: FloatArray, site: IntArray, *, top: int, points: bool) -> float:
    """Return what the last action that is done brings for each unit of its cost.

    Parameters
    ----------
    benefit, cost : (a,) float64
        Expected ones. Actions of unknown benefit do not count.
    site : (a,) int64
        Site of each action.
    top : int
        So many sites get something done, 1 or more.
    points : bool
        True where benefits are points. With money the price is never below 1: what does not pay is left.

    Returns
    -------
    float
        Half-way between the ratios of the last site that is done and the next. With fewer sites worth doing: 1 with
        money, 0 for points.
    """
    least = 0.0 if points else 1.0
    good = np.flatnonzero(np.nan_to_num(benefit) > 0.0)
    ratio = np.full(benefit.size, -np.inf)
    with np.errstate(divide="ignore"):
        ratio[good] = benefit[good] / cost[good]
    best = np.full(int(site.max(initial=-1)) + 1, -np.inf)
    np.maximum.at(best, site[good], ratio[good])
    best = -np.sort(-best[best > 0.0])
    if best.size <= top or not np.isfinite(best[top]):
        return least
    if not np.isfinite(best[top - 1]):
        return float(max(best[top], least))
    return float(max((best[top - 1] + best[top]) / 2.0, least))


def worth_of_everything(v: FloatArray, site: IntArray) -> float:
    """Return the value of knowing all inputs for sure: no learning can be worth more.

    Parameters
    ----------
    v : (a, D) float64
        Worth above price; NaN = not known, such actions are never chosen.
    site : (a,) int64
    """
    rows = np.flatnonzero(_is_known(v))
    if not rows.size:
        return 0.0
    sites = Sites(site[rows])
    return float(sites.best(v[rows]).sum(axis=0).mean() - sites.best(v[rows].mean(axis=1)[:, None]).sum())


def worth_of_learning(v: FloatArray, site: IntArray, sources: Sequence[Source], *, seed: int) -> Learned:
    """Return what it is worth to learn about each source alone.

    Parameters
    ----------
    v : (a, D) float64
        Worth above price in each draw; NaN = not known, such actions are never chosen.
    site : (a,) int64
        Site of each action.
    sources : sequence of k Source
    seed : int
        Of the shuffles.

    Returns
    -------
    Learned

    Notes
    -----
    The mean of v given what is learnt comes from a regression of v on the source's numbers over the draws: for perfect
    information on the numbers themselves (Strong, Oakley and Brennan 2014), for a survey on the posterior means that it
    would lead to (Strong, Oakley, Brennan and Breeze 2015). Few draws make any regression seem to tell something: the
    mean of the same with shuffled numbers is taken off, and what is not above it by twice its spread is told as 0.
    """
    known, mean = _is_known(v), _known_mean(v)
    by_site = np.argsort(site, kind="stable")
    starts = np.searchsorted(site[by_site], np.arange(int(site.max(initial=-1)) + 2))

    def one(number: int) -> tuple[float, float, float, float]:
        source = sources[number]
        case = case_of(v, mean, known, (site, by_site, starts), source.rows)
        rng = np.random.default_rng([seed, number])
        perfect, error, changed = told_from_chance(case, source.perfect, rng)
        survey = np.nan if source.survey is None else min(told_from_chance(case, source.survey, rng)[0], perfect)
        return perfect, survey, error, changed

    made = np.array(each(one, range(len(sources)))).reshape(-1, 4)
    return Learned(*(np.ascontiguousarray(made[:, k]) for k in range(4)))


def worth_together(
    v: FloatArray, site: IntArray, sources: Sequence[Source], *, seed: int, survey: bool = True
) -> float:
    """Return what it is worth to learn about several sources all together.

    Parameters
    ----------
    v, site, seed
        As for :func:`worth_of_learning`.
    sources : sequence of Source
    survey : bool
        True for surveys of all of them (those without count for nothing), False for knowing them for sure.
    """
    held = [(s.survey if survey else s.perfect, s.rows) for s in sources]
    numbers = [x for x, _ in held if x is not None]
    if not numbers:
        return 0.0
    rows = np.unique(np.concatenate([r for x, r in held if x is not None]))
    both = np.concatenate(numbers)
    union = Source(both, None, rows)
    alone = worth_of_learning(v, site, [*(Source(x, None, r) for x, r in held if x is not None), union], seed=seed)
    return float(alone.perfect.max(initial=0.0))


def surveyed_means(p: FloatArray, alpha: FloatArray, beta: FloatArray, fish: float, *, seed: int) -> FloatArray:
    """Return what would be thought of passabilities after a trial: posterior means, draw by draw.

    Parameters
    ----------
    p : (f, D) float64
        Passabilities as drawn from Beta(alpha, beta).
    alpha, beta : (f,) float64
    fish : float
        Offered in the trial, a whole number of 1 or more.
    seed : int

    Returns
    -------
    (f, D) float64
    """
    passed = np.random.default_rng(seed).binomial(int(fish), np.clip(p, 0.0, 1.0))
    return np.asarray((alpha[:, None] + passed) / (alpha + beta + fish)[:, None], dtype=np.float64)


def strongest(
    v: FloatArray, site: IntArray, x: FloatArray, bearing: tuple[npt.NDArray[np.integer], npt.NDArray[np.integer]],
    *, most: int,
) -> IntArray:  # fmt: skip
    """Return the single numbers that could be worth most to know, the most promising first.

    Parameters
    ----------
    v : (a, D) float64
    site : (a,) int64
    x : (m, D) float64
    bearing : (m + 1,) and (r,) integers
        Actions that each number can bear on: ``rows[first[i]:first[i + 1]]``.
    most : int

    Returns
    -------
    (k,) int64
        At most `most`; equal ones in the order they came in.

    Notes
    -----
    As if the worth of each action moved on a straight line with the number and were normal: the gain of an action with
    margin d to a change of what is done at its site, moved by a standard deviation s, is the unit normal loss
    ``s (phi(d / s) - d / s (1 - Phi(d / s)))`` (Raiffa and Schlaifer 1961).
    """
    first, rows = bearing
    held = np.where(_is_known(v)[:, None], v, 0.0)
    centred = held - held.mean(axis=1, keepdims=True)
    margin = _margins(v, site)
    score = np.zeros(len(x))
    width = np.maximum(x.std(axis=1), 1e-300)
    flat = np.asarray(np.ptp(x, axis=1) == 0.0)
    step = max(1, _ROOM // max(len(v), 1))
    for low in range(0, len(x), step):
        part = slice(low, min(low + step, len(x)))
        scaled = (x[part] - x[part].mean(axis=1, keepdims=True)) / width[part, None]
        counts = np.diff(first[part.start : part.stop + 1])
        of = np.repeat(np.arange(counts.size), counts)
        at = rows[first[part.start] : first[part.stop]]
        if at.size * 4 > counts.size * len(v):
            slope = np.abs(scaled @ centred.T / x.shape[1])[of, at]
        else:
            slope = np.concatenate(
                [np.empty(0), *(np.abs(centred[at[s]] @ scaled[i] / x.shape[1]) for i, s in _slices(counts))]
            )
        score[part] = np.bincount(of, _loss(margin[at], slope), minlength=counts.size)
    score = np.where(flat, 0.0, score)
    order = np.argsort(-score, kind="stable")[:most]
    return order[score[order] > 0.0].astype(np.int64)


def variance_shares(y: FloatArray, x: FloatArray) -> FloatArray:
    """Return which share of the variance of each outcome goes with each input: squared rank correlation.

    Parameters
    ----------
    y : (r, D) float64
    x : (m, D) float64
        Drawn independently of each other.

    Returns
    -------
    (r, m) float64
        Spearman's, less the 1 / (D - 1) that chance alone gives, not below 0; 0 where one of the two is constant.
    """
    if y.shape[1] < 3 or not len(x):
        return np.zeros((len(y), len(x)))
    a, b = _ranks(y), _ranks(x)
    return np.asarray(np.maximum((a @ b.T) ** 2 - 1.0 / (y.shape[1] - 1), 0.0))


def _ranks(values: FloatArray) -> FloatArray:
    """Return ranks of each row, centred and of length 1; zeros where a row is constant."""
    ranks = rankdata(values, axis=1)
    ranks -= ranks.mean(axis=1, keepdims=True)
    length = np.sqrt((ranks**2).sum(axis=1, keepdims=True))
    return np.asarray(np.divide(ranks, length, out=np.zeros_like(ranks), where=length > 0.0))


def _slices(counts: npt.NDArray[np.integer]) -> list[tuple[int, slice]]:
    ends = np.cumsum(counts)
    return [(i, slice(int(ends[i] - counts[i]), int(ends[i]))) for i in range(counts.size)]


def _loss(margin: FloatArray, spread: FloatArray) -> FloatArray:
    """Return the unit normal loss at `margin` of a normal with standard deviation `spread`."""
    s = np.maximum(spread, 1e-300)
    z = np.minimum(margin / s, 40.0)
    return np.asarray(np.where(spread > 0.0, s * (np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi) - z * ndtr(-z)), 0.0))


def _is_known(v: FloatArray) -> npt.NDArray[np.bool_]:
    return np.asarray(np.isfinite(v).all(axis=1), dtype=np.bool_)


def _known_mean(v: FloatArray) -> FloatArray:
    """Return the mean worth of each action, minus infinity where it is not known."""
    known = _is_known(v)
    return np.where(known, np.where(known[:, None], v, 0.0).mean(axis=1), -np.inf)


def _margins(v: FloatArray, site: IntArray) -> FloatArray:
    """Return how far the expected worth of each action is from changing what is done at its site, (a,)."""
    known, mean = _is_known(v), _known_mean(v)
    order = np.lexsort((-mean, site))
    sites, begin = np.unique(site[order], return_index=True)
    best = np.zeros(int(site.max(initial=-1)) + 1)
    second = np.zeros_like(best)
    top = mean[order[begin]]
    ends = np.append(begin[1:], order.size)
    following = np.where(begin + 1 < ends, mean[order[np.minimum(begin + 1, order.size - 1)]], -np.inf)
    best[sites] = np.maximum(top, 0.0)
    second[sites] = np.where(top > 0.0, np.maximum(following, 0.0), 0.0)
    chosen = np.zeros(len(v), dtype=np.bool_)
    chosen[order[begin]] = top > 0.0
    margin = np.where(chosen, mean - second[site], best[site] - mean)
    return np.where(known, margin, np.inf)
