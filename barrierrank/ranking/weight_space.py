"""What the weights of criteria decide: ranks over all weights that a committee could give.

Signs of the weights stay as given; their sizes may be anything that adds up to one, all alike likely. The share of
these weights that gives an action a rank, and the mean of the weights that put it first, are those of stochastic
multicriteria acceptability analysis (Lahdelma, Hokkanen and Salminen 1998).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import qmc

from barrierrank.ranking.intervals import SHOWN
from barrierrank.ranking.order import STANDINGS, TIE_TOLERANCE, TIERS_BY_CRITERIA
from barrierrank.ranking.rules import RankingRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

DRAWS: Final = 16_384
_ROOM: Final = 8_000_000
"""Scores worked on at a time."""
_MOST_COMPARED: Final = 2_000_000_000
_LEAST: Final = 1024
"""Ranks of long lists are found for the first of the weights only, but at least for so many."""


def weight_space(
    ranked: pd.DataFrame, rule: RankingRule, *, top: int, level: float, seed: int, draws: int = DRAWS
) -> pd.DataFrame:
    """Rank over the whole simplex of weights.

    Parameters
    ----------
    ranked : DataFrame
        A list ranked by criteria, as :func:`~barrierrank.ranking.order.rank_actions` returns it.
    rule : RankingRule
        Its criteria.
    top : int
        The k of `share_top`.
    level : float
        Of the interval of ranks, above 0 and at most 1.
    seed : int
    draws : int
        Weights drawn, 2 or more; a power of two covers them most evenly.

    Returns
    -------
    DataFrame
        The first :data:`~barrierrank.ranking.intervals.SHOWN` of the list and all that some weights put first, in its
        order: `site`, `name`, `action`, `rank`, `share_first`, `share_top`, `rank_low`, `rank_high` and, for each
        criterion, `weight_<criterion>` (NaN where no weights put the action first).

    Notes
    -----
    Criteria with one value throughout get weights too, but add nothing. Actions of a lower standing come after all of a
    higher one whatever the weights, those without a score last of their standing. Equals share a rank: the first place
    in equal parts, elsewhere the better rank.
    """
    names = sorted(rule.weights)
    sizes = np.abs([rule.weights[name] for name in names])
    shares = np.column_stack([ranked[f"term_{name}"].to_numpy(np.float64) for name in names]) / sizes
    tier = TIERS_BY_CRITERIA[[STANDINGS.index(word) for word in ranked["standing"]]].astype(np.float64)
    tier = np.where(np.isnan(shares).any(axis=1), tier + 0.5, tier)
    weights = even_weights(len(names), draws, seed=seed)
    shares = np.nan_to_num(shares)
    first, centre = _first_places(shares, tier, weights)
    rows = np.flatnonzero((np.arange(len(ranked)) < SHOWN) | (first > 0.0))
    fewer = max(_LEAST, _MOST_COMPARED // max(len(ranked) * rows.size, 1))
    ranks = _ranks(shares, tier, weights[:fewer], rows)
    ends = np.quantile(ranks, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], axis=1, method="inverted_cdf")
    out = ranked[["site", "name", "action", "rank"]].iloc[rows].reset_index(drop=True)
    out["share_first"] = first[rows]
    out["share_top"] = (ranks <= top).mean(axis=1)
    out["rank_low"], out["rank_high"] = ends[0].astype(np.int64), ends[1].astype(np.int64)
    for k, name in enumerate(names):
        out[f"weight_{name}"] = centre[rows, k]
    return out


def even_weights(criteria: int, draws: int, *, seed: int) -> FloatArray:
    """Return weights spread evenly over all that are 0 or more and add up to 1.

    Spacings of sorted uniform numbers are uniform on the simplex (Devroye 1986, ch. V).

    Parameters
    ----------
    criteria : int
        1 or more.
    draws : int
    seed : int

    Returns
    -------
    (draws, criteria) float64
    """
    if criteria == 1:
        return np.ones((draws, 1))
    rng = np.random.default_rng(seed)
    points = qmc.Sobol(criteria - 1, scramble=True, rng=rng).random_base2(max(draws - 1, 1).bit_length())[:draws]
    cuts = np.sort(points, axis=1)
    return np.asarray(np.diff(cuts, axis=1, prepend=0.0, append=1.0), dtype=np.float64)


def _first_places(shares: FloatArray, tier: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the share of weights that puts each action first, (a,), and the mean of these weights, (a, criteria)."""
    count, total = np.zeros(len(shares)), np.zeros(shares.shape)
    could = np.flatnonzero(tier == tier.min(initial=np.inf))
    step = max(1, _ROOM // max(could.size, 1))
    for low in range(0, len(weights), step):
        part = weights[low : low + step]
        score = shares[could] @ part.T
        wins = score >= score.max(axis=0) - TIE_TOLERANCE
        part_of = wins / wins.sum(axis=0)
        count[could] += part_of.sum(axis=1)
        total[could] += part_of @ part
    with np.errstate(invalid="ignore"):
        centre = np.where(count[:, None] > 0.0, total / count[:, None], np.nan)
    return count / len(weights), centre


def _ranks(shares: FloatArray, tier: FloatArray, weights: FloatArray, rows: IntArray) -> npt.NDArray[np.int32]:
    """Return the rank of some actions under all weights, (rows, draws)."""
    out = np.empty((rows.size, len(weights)), dtype=np.int32)
    before = np.array([(tier < tier[row]).sum() for row in rows])
    of_tier = {t: shares[tier == t] for t in np.unique(tier[rows])}
    scored = tier % 1.0 == 0.0
    step = max(1, _ROOM // max(len(shares), 1))
    for low in range(0, len(weights), step):
        part = weights[low : low + step]
        scores = {t: s @ part.T for t, s in of_tier.items()}
        for i, row in enumerate(rows.tolist()):
            if not scored[row]:
                out[i, low : low + step] = before[i] + 1
                continue
            ahead = (scores[tier[row]] > shares[row] @ part.T + TIE_TOLERANCE).sum(axis=0)
            out[i, low : low + step] = before[i] + 1 + ahead
    return out


def weights_sentence(table: pd.DataFrame, criteria: int) -> str:
    """Say what the weights decide.

    Parameters
    ----------
    table : DataFrame
        From :func:`weight_space`.
    criteria : int
    """
    if table.empty:
        return ""
    row = table.iloc[int(table["share_first"].to_numpy().argmax())]
    could = int((table["share_first"] > 0.0).sum())
    others = "no other action can come first" if could == 1 else f"{could} actions can come first"
    name = row["name"] or row["site"]
    return (
        f"Of all weights that the {criteria} criteria could be given, {100.0 * row['share_first']:.0f} % put "
        f"{name}: {row['action']} first; {others}."
    )
