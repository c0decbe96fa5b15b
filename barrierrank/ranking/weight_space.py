"""What the weights of criteria decide: ranks over all weights that a committee could give.

Signs of the weights stay as given; their sizes may be anything that adds up to one, all alike likely. The share of
these weights that gives an action a rank, and the mean of the weights that put it first, are those of stochastic
multicriteria acceptability analysis (Lahdelma, Hokkanen and Salminen 1998). With two criteria both are exact: the
score of each action is a straight line over the weight of the first. With more they come from weights spread evenly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import qmc

from barrierrank.problems import one_line
from barrierrank.ranking.intervals import SHOWN
from barrierrank.ranking.order import STANDINGS, TIE_TOLERANCE, TIERS_BY_CRITERIA
from barrierrank.ranking.rules import RankingRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

DRAWS: Final = 16_384
"""Weights drawn with three criteria or more; a power of two covers them most evenly."""
_ROOM: Final = 4_000_000
"""Scores worked on at a time."""
_MOST_RANKS: Final = 32_000_000
_LEAST_DRAWS: Final = 1024
"""Ranks of very many actions are kept for the first of the weights only, but at least for so many."""
_NOTHING: Final = 1e-6
"""Shares of the weights this small are those of rounding: they count as none."""
_MOST_LETTERS: Final = 60


@dataclass(frozen=True, eq=False)
class _Ranks:
    """Ranks of some actions over all weights: share among the first k, and ends of the interval, (r,) each."""

    top: FloatArray
    low: IntArray
    high: IntArray


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
        The k of `share_top`, 1 or more.
    level : float
        Of the interval of ranks, above 0 and at most 1.
    seed : int
    draws : int
        Weights drawn with three criteria or more, 1 or more; a power of two covers them most evenly.

    Returns
    -------
    DataFrame
        The first :data:`~barrierrank.ranking.intervals.SHOWN` of the list and all that some weights put first, in its
        order: `site`, `name`, `action`, `rank`, `share_first`, `share_top`, `rank_low`, `rank_high` and, for each
        criterion, `weight_<criterion>` (NaN where no weights put the action first).

    Raises
    ------
    ValueError
        The list is not ranked by criteria, or `top`, `level` or `draws` are out of range.

    Notes
    -----
    Criteria with one value throughout get weights too, but add nothing. A criterion of weight 0 has no direction: its
    weight stays 0, and it has no column. Actions of a lower standing come after all of a higher one whatever the
    weights, those without a score last of their standing; no weights put an action without a score first. Equals share
    a rank: the first place in equal parts, elsewhere the better rank.
    """
    if rule.by != "criteria" or top < 1 or not 0.0 < level <= 1.0 or draws < 1:
        raise ValueError(
            f"by {rule.by!r}, top {top}, level {level}, draws {draws}: give a list ranked by criteria, a top and draws "
            "of 1 or more, and a level above 0 and at most 1"
        )
    names = [name for name in sorted(rule.weights) if rule.weights[name] != 0.0]
    shares, tier, scored = _standardised(ranked, rule, names)
    weights = None if len(names) == 2 else even_weights(len(names), draws if len(names) > 1 else 1, seed=seed)
    lead = np.flatnonzero((tier == tier.min(initial=np.inf)) & scored)
    first, centre = np.zeros(len(ranked)), np.full(shares.shape, np.nan)
    first[lead], centre[lead] = _first_places(shares[lead], weights)
    rows = np.flatnonzero((np.arange(len(ranked)) < SHOWN) | (first > 0.0))
    ranks = _ranks(shares, tier, scored, rows, weights=weights, top=top, level=level)
    out = ranked[["site", "name", "action", "rank"]].iloc[rows].reset_index(drop=True)
    out["share_first"], out["share_top"] = first[rows], ranks.top
    out["rank_low"], out["rank_high"] = ranks.low, ranks.high
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


def weights_sentence(table: pd.DataFrame, criteria: int, *, top: int | None = None) -> str:
    """Say what the weights decide.

    Parameters
    ----------
    table : DataFrame
        From :func:`weight_space`.
    criteria : int
    top : int, optional
        The k of its `share_top`, to be told as well.

    Returns
    -------
    str
        Empty for an empty table.
    """
    if table.empty:
        return ""
    could = int((table["share_first"] > 0.0).sum())
    if not could:
        return "No weights put an action first: none of those that could be has all criteria."
    row = table.iloc[int(table["share_first"].to_numpy().argmax())]
    what = f"{_short('' if pd.isna(row['name']) else row['name']) or _short(row['site'])}: {_short(row['action'])}"
    if criteria == 1 and could == 1:
        return f"With one criterion there is nothing to weigh: {what} comes first."
    if criteria == 1:
        return f"With one criterion there is nothing to weigh: {could:,} equal actions share the first place."
    among = "" if top is None or top < 2 else f" ({_percent(row['share_top'])} among the first {top:,})"
    others = "no other action can come first" if could == 1 else f"{could:,} actions can come first"
    return (
        f"Of all weights that the {criteria} criteria could be given, {_percent(row['share_first'])} put {what} first"
        f"{among}; {others}."
    )


def _short(text: object) -> str:
    """Return user text on one line, of a length that leaves the sentence readable."""
    line = one_line(str(text)).strip()
    return line if len(line) <= _MOST_LETTERS else f"{line[: _MOST_LETTERS - 1].rstrip()}…"


def _percent(share: float) -> str:
    """Return a share in per cent, neither none nor all by rounding."""
    whole = round(100.0 * share)
    if share > 0.0 and not whole:
        return "less than 1 %"
    return "more than 99 %" if whole == 100 and share < 1.0 else f"{whole} %"


def _standardised(
    ranked: pd.DataFrame, rule: RankingRule, names: list[str]
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return criteria scaled from 0 (worst) to 1 (best), (a, criteria); tier; and whether there is a score, (a,)."""
    terms = {name: ranked[f"term_{name}"].to_numpy(dtype=np.float64, na_value=np.nan) for name in rule.weights}
    scored = ~np.isnan(np.column_stack(list(terms.values()))).any(axis=1)
    shares = np.column_stack([terms[name] / abs(rule.weights[name]) for name in names])
    place = {word: float(tier) for word, tier in zip(STANDINGS, TIERS_BY_CRITERIA, strict=True)}
    tier = np.array([place[word] for word in ranked["standing"]])
    return np.nan_to_num(shares), np.where(scored, tier, tier + 0.5), scored


def _kinds(values: FloatArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return a row of each kind of equal rows, the kind of each row, and how many there are of each."""
    # Rounded far below what counts as equal: only to have fewer to work on.
    _, example, kind, many = np.unique(
        np.round(values, 12), axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    return example, kind.reshape(-1), many


# --- first places ---------------------------------------------------------------------------------------------------


def _first_places(shares: FloatArray, weights: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Return the share of weights that puts each action first, and their mean; without weights those of two criteria.

    Parameters
    ----------
    shares : (a, criteria) float64
        Of the actions that can come first by their standing.
    weights : (D, criteria) float64 or None
    """
    example, kind, many = _kinds(shares)
    if weights is None:
        first, centre = _first_exactly(shares[example], many)
    else:
        first, centre = _first_drawn(shares[example], many, weights)
    return first[kind], centre[kind]


def _first_drawn(shares: FloatArray, many: IntArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return, for one action of each kind, the share of weights that puts it first and the mean of these weights.

    Parameters
    ----------
    shares : (m, criteria) float64
        Of each kind.
    many : (m,) int64
        Actions of each kind.
    weights : (D, criteria) float64
    """
    won, total = np.zeros(len(shares)), np.zeros(shares.shape)
    for low, scores in _scores(shares, weights):
        if not scores.shape[1]:
            break
        draw, who = np.nonzero(scores >= scores.max(axis=1, keepdims=True) - TIE_TOLERANCE)
        part = 1.0 / np.bincount(draw, weights=many[who])[draw]
        won += np.bincount(who, weights=part, minlength=len(won))
        for k in range(shares.shape[1]):
            total[:, k] += np.bincount(who, weights=part * weights[low + draw, k], minlength=len(won))
    with np.errstate(invalid="ignore"):
        centre = np.where(won[:, None] > 0.0, total / won[:, None], np.nan)
    return won / len(weights), centre


def _first_exactly(shares: FloatArray, many: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return the same as :func:`_first_drawn` for two criteria, from the crossing points of the lines of scores."""
    m = len(shares)
    first, centre = np.zeros(m), np.full((m, 2), np.nan)
    if not m:
        return first, centre
    base, slope = shares[:, 1], shares[:, 0] - shares[:, 1]
    hull = _envelope(base, slope)
    # Above the upper envelope a line is least short of it where the envelope's slope passes that of the line.
    turns = (base[hull[:-1]] - base[hull[1:]]) / (slope[hull[1:]] - slope[hull[:-1]])
    ends = np.concatenate([[0.0], turns, [1.0]])
    near = np.clip(ends[np.searchsorted(slope[hull], slope)], 0.0, 1.0)
    at = hull[np.searchsorted(turns, near)]
    close = np.flatnonzero(base + slope * near >= base[at] + slope[at] * near - TIE_TOLERANCE)
    spans = []
    for row in close.tolist():
        edges, ranks = _profile(shares[hull], shares[row])
        held = np.flatnonzero((ranks == 0) & (np.diff(edges) > 0.0))
        low, high = (edges[held[0]], edges[held[-1] + 1]) if held.size else (0.0, 0.0)
        if high - low > _NOTHING:
            spans.append((row, low, high))
    who = np.array([span[0] for span in spans])
    low, high = np.array([span[1:] for span in spans]).T
    first[who], centre[who, 0] = _shared(low, high, many[who])
    centre[who, 1] = 1.0 - centre[who, 0]
    return first, centre


def _envelope(base: FloatArray, slope: FloatArray) -> IntArray:
    """Return the lines ``base + slope w`` that are the uppermost somewhere, by slope (Andrew 1979, in the dual)."""
    kept: list[int] = []
    for i in np.lexsort((base, slope)).tolist():
        if kept and slope[kept[-1]] == slope[i]:
            kept.pop()  # the same slope, and lower
        while len(kept) > 1:
            j, k = kept[-2:]
            if (base[j] - base[i]) * (slope[k] - slope[j]) > (base[j] - base[k]) * (slope[i] - slope[j]):
                break
            kept.pop()
        kept.append(i)
    return np.array(kept, dtype=np.int64)


def _shared(low: FloatArray, high: FloatArray, many: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return length and middle of intervals, (m,), where what lies in several is shared in equal parts."""
    edges = np.unique(np.concatenate([low, high]))
    start, stop = np.searchsorted(edges, low), np.searchsorted(edges, high)
    over = np.zeros(len(edges))
    np.add.at(over, start, many)
    np.add.at(over, stop, -many)
    over = np.cumsum(over)[:-1]
    part = np.divide(np.diff(edges), over, out=np.zeros(len(over)), where=over > 0.5)
    length = np.concatenate([[0.0], np.cumsum(part)])
    moment = np.concatenate([[0.0], np.cumsum(part * (edges[1:] + edges[:-1]) / 2.0)])
    held = length[stop] - length[start]
    # Gaps between neighbours are those of rounding.
    return held / float((held * many).sum()), (moment[stop] - moment[start]) / held


# --- ranks ----------------------------------------------------------------------------------------------------------


def _ranks(
    shares: FloatArray,
    tier: FloatArray,
    scored: npt.NDArray[np.bool_],
    rows: IntArray,
    *,
    weights: FloatArray | None,
    top: int,
    level: float,
) -> _Ranks:
    """Return the ranks of the rows asked for; without weights those of two criteria, exactly."""
    found = _Ranks(np.zeros(rows.size), np.zeros(rows.size, dtype=np.int64), np.zeros(rows.size, dtype=np.int64))
    for t in np.unique(tier[rows]):
        here = np.flatnonzero(tier[rows] == t)
        before, of_tier = int((tier < t).sum()), shares[tier == t]
        if not scored[rows[here[0]]]:  # nobody knows which of them is ahead
            found.top[here] = float(before < top)
            found.low[here] = found.high[here] = before + 1
            continue
        example, kind, _ = _kinds(shares[rows[here]])
        asked, left = shares[rows[here[example]]], top - before
        if weights is None:
            part = _ranks_exactly(of_tier, asked, top=left, level=level)
        else:
            part = _ranks_drawn(of_tier, asked, weights, top=left, level=level)
        found.top[here] = part.top[kind]
        found.low[here], found.high[here] = part.low[kind] + before, part.high[kind] + before
    return found


def _ranks_drawn(shares: FloatArray, asked: FloatArray, weights: FloatArray, *, top: int, level: float) -> _Ranks:
    """Count who is ahead of each of `asked` under each of the weights."""
    most = max(_LEAST_DRAWS, 2 ** (max(_MOST_RANKS // len(asked), 1).bit_length() - 1))
    weights = weights[:most]
    ranks = np.empty((len(asked), len(weights)), dtype=np.int32)
    for low, scores in _scores(shares, weights):
        scores.sort(axis=1)
        own = weights[low : low + len(scores)] @ asked.T + TIE_TOLERANCE
        for i, row in enumerate(scores):
            ranks[:, low + i] = len(row) + 1 - np.searchsorted(row, own[i], side="right")
    in_top = (ranks <= top).mean(axis=1)
    ranks.sort(axis=1)
    places = [max(int(np.ceil(q * len(weights) - 1e-9)) - 1, 0) for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0)]
    return _Ranks(in_top, *(ranks[:, place].astype(np.int64) for place in places))


def _ranks_exactly(shares: FloatArray, asked: FloatArray, *, top: int, level: float) -> _Ranks:
    """Measure for which weights of two criteria each of `asked` has which rank."""
    in_top, ends = np.empty(len(asked)), np.empty((2, len(asked)), dtype=np.int64)
    wanted = np.clip([(1.0 - level) / 2.0, (1.0 + level) / 2.0], _NOTHING, 1.0 - _NOTHING)
    for i, row in enumerate(asked):
        edges, ahead = _profile(shares, row)
        length = np.diff(edges)
        in_top[i] = 1.0 - length[ahead >= top].sum()
        order = np.argsort(ahead, kind="stable")
        upto = np.cumsum(length[order])
        ends[:, i] = ahead[order[np.searchsorted(upto, wanted - 1e-12)]] + 1
    in_top[in_top < _NOTHING] = 0.0
    return _Ranks(in_top, ends[0], ends[1])


def _profile(shares: FloatArray, own: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return between which weights of the first of two criteria, (s + 1,), how many are ahead of one action, (s,)."""
    # by how much each is ahead where all weight lies on the second criterion, and where all lies on the first
    gap = shares - own
    gap[np.abs(gap) <= TIE_TOLERANCE] = 0.0
    here, there = gap[:, 1], gap[:, 0]
    gains, loses = (here < 0.0) & (there > 0.0), (here > 0.0) & (there < 0.0)
    always = (here >= 0.0) & (there >= 0.0) & ((here > 0.0) | (there > 0.0))
    turn = np.flatnonzero(gains | loses)
    at = here[turn] / (here[turn] - there[turn])
    order = np.argsort(at, kind="stable")
    step = np.where(gains[turn[order]], 1, -1)
    ahead = int(always.sum()) + int(loses.sum()) + np.concatenate([[0], np.cumsum(step)])
    return np.concatenate([[0.0], at[order], [1.0]]), ahead.astype(np.int64)


def _scores(shares: FloatArray, weights: FloatArray) -> Iterator[tuple[int, FloatArray]]:
    """Return the scores under some weights at a time: the first of these, and (weights, actions)."""
    step = max(1, _ROOM // max(len(shares), 1))
    for low in range(0, len(weights), step):
        yield low, weights[low : low + step] @ shares.T
