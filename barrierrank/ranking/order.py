"""The order of the priority list: standings, ranks, ties, and the best action of each site."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.problems import BarrierRankWarning, Problems, UsageError, some
from barrierrank.ranking.criteria import CriteriaScores, criteria_scores
from barrierrank.ranking.rules import RankingRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# What an action comes to, in the order of the list.
STANDINGS = (
    "worth doing",
    "costs more than it brings",
    "no effect",
    "not known",
    "more harm than good",
)
_WORTH, _COSTS_MORE, _NO_EFFECT, _NOT_KNOWN, _HARM = range(5)
# By criteria the user's weights decide, not money; only actions without effect or with harm stand apart.
TIERS_BY_CRITERIA = np.array([0, 0, 1, 0, 2])

# Equal, relative to the amounts that a number is made of: differences below are those of rounding.
TIE_TOLERANCE = 1e-9

Numbers = Mapping[str, FloatArray]
# Columns that standing and order are made of.
_COUNTED = ("benefit", "net_benefit", "present_worth_cost", "treatment_saved", "gain_", "worth_")

_NEEDED = (
    "site",
    "action",
    "present_worth_cost",
    "treatment_saved",
    "benefit",
    "net_benefit",
    "benefit_per_cost",
)
_NOT_CRITERIA = {"rank", "score", "tied", "reach"}


def rank_actions(terms: pd.DataFrame, rule: RankingRule, *, problems: Problems | None = None) -> pd.DataFrame:
    """Put the actions in order.

    Rows are ordered by

    1. standing, in the order of :data:`STANDINGS`; with ``by="criteria"`` only `no effect` and then
       `more harm than good` stand behind the rest, since the weights, not money, are to decide;
    2. the rule's number, greatest first. Ranked by benefit per cost, actions that cost nothing come first, by
       benefit, and actions that do harm are ordered by benefit, least harm first (per cost, dear harm would
       look better than cheap harm). A missing number comes last;
    3. site, then action, among equals.

    Numbers are equal, and the rows share a rank (1, 2, 2, 4), if neighbours in that order differ by at most
    1e-9 of the amounts they are made of. A benefit that small beside the worths it is the balance of is 0.

    Parameters
    ----------
    terms : DataFrame
        A row for each site and action with columns `site`, `name`, `action`, `cost`, `present_worth_cost`,
        `cost_capital`, `cost_upkeep`, `cost_replacement`, `treatment_saved`, `benefit` (present worth, money
        or points), `net_benefit` (NaN for points), `benefit_per_cost`, and per species `gain_<sp>` (mean
        change in accessible habitat over the horizon) and `worth_<sp>`. Further columns are kept.
    rule : RankingRule
    problems : Problems, optional
        Where criteria that are constant are noted. Without it they are told by a BarrierRankWarning.

    Returns
    -------
    DataFrame
        The rows in order, with the index they came with, and the columns

        * `rank` (int64, first column);
        * `standing` (str): `worth doing` (net benefit above 0; for points, benefit above 0), `costs more than
          it brings` (money only), `no effect`, `not known` (a benefit or cost is missing), `more harm than
          good` (benefit below 0);
        * `best` (bool): the site's first action that is worth doing (by criteria also one of worth not
          known). A site where nothing is worth doing has none: leaving it as it is is better;
        * `tied` (int64): how many other rows share the rank because they are equal; `tied_with` (str): one of
          them, site and action; empty without a tie;
        * by criteria also `score` and `term_<criterion>`, see
          :func:`~barrierrank.ranking.criteria.criteria_scores`.

    Raises
    ------
    UsageError
        A column is missing, a site has an action twice, or a criterion is not a column of numbers.
    """
    _check(terms, rule)
    numbers = {name: _floats(terms, name) for name in map(str, terms.columns) if name.startswith(_COUNTED)}
    standing = standings(numbers, rule.points)
    scores = criteria_scores(terms, rule.weights) if rule.by == "criteria" else None
    if scores is not None:
        _tell_constant(scores, problems)
    tier = TIERS_BY_CRITERIA[standing] if scores is not None else standing
    zone, value, scale = keys_of(numbers, rule, standing, scores)
    group = tie_groups(tier, zone, value, scale)
    site, action = (pd.factorize(terms[name], sort=True)[0] for name in ("site", "action"))
    order = np.lexsort((action, site, group))

    new: dict[str, Any] = {"standing": np.array(STANDINGS, dtype=object)[standing[order]]}
    eligible = (standing == _WORTH) | ((standing == _NOT_KNOWN) & (scores is not None))
    new["best"] = _first_of_site(site[order], (eligible & (zone < 2))[order])
    first, size = _shares(group[order])
    # Nobody knows whether rows without a number are equal.
    new["tied"] = np.where(zone[order] < 2, size - 1, 0)
    new["tied_with"] = _partners(terms, order, first, new["tied"])
    if scores is not None:
        new["score"] = scores.score[order]
        new |= {f"term_{name}": term[order] for name, term in scores.terms.items()}
    ranked = terms.drop(columns=[name for name in (*new, "rank") if name in terms]).take(order).assign(**new)
    ranked.insert(0, "rank", first + 1)
    return ranked


def criteria_columns(terms: pd.DataFrame, *, points: bool) -> tuple[str, ...]:
    """Return the columns of a list that can carry a weight: all that hold numbers.

    Parameters
    ----------
    terms : DataFrame
        As for :func:`rank_actions`.
    points : bool
        True where values are points: there is no net benefit then.

    Returns
    -------
    tuple of str, sorted
    """
    # A list without rows says nothing of what its columns hold.
    held = terms.select_dtypes(include=["number", "bool"]) if len(terms) else terms
    numbers = {str(name) for name in held.columns}
    return tuple(sorted(numbers - _NOT_CRITERIA - ({"net_benefit"} if points else set())))


def _check(terms: pd.DataFrame, rule: RankingRule) -> None:
    """Raise where the table cannot be ranked."""
    missing = [name for name in _NEEDED if name not in terms]
    if missing:
        raise UsageError(f"the table of actions lacks the columns {', '.join(missing)}")
    rule.check_columns(criteria_columns(terms, points=rule.points))
    twice = terms.duplicated(["site", "action"], keep="first").to_numpy()
    if twice.any():
        rows = [f"{s} {a}" for s, a in zip(terms["site"][twice], terms["action"][twice], strict=True)]
        raise UsageError(f"a site has an action twice: {some(sorted(set(rows)))} -> keep one row for each")


def _tell_constant(scores: CriteriaScores, problems: Problems | None) -> None:
    """Say which criteria tell no action from another."""
    for name in scores.constant:
        message = f"criterion {name!r} has one value throughout: it tells no action from another and adds 0"
        if problems is None:
            warnings.warn(message, BarrierRankWarning, stacklevel=3)
        else:
            problems.note("constant_criterion", message, ids=[name])


def _floats(terms: pd.DataFrame, name: str) -> FloatArray:
    """Return a column as floats, missing values as NaN."""
    return terms[name].to_numpy(dtype=np.float64, na_value=np.nan)


def _gross(terms: Numbers) -> FloatArray:
    """Return the summed sizes of all that a benefit is the balance of: its rounding is relative to them."""
    names = ["benefit", "treatment_saved", *(n for n in terms if n.startswith("worth_"))]
    total = np.zeros(terms["benefit"].size)
    for name in names:
        size = np.abs(terms[name])
        total += np.where(np.isfinite(size), size, 0.0)
    return total


def _moves_something(terms: Numbers) -> BoolArray:
    """Return whether any species gains or loses habitat, or treatment changes."""
    moved = np.zeros(terms["benefit"].size, dtype=np.bool_)
    for name in ("treatment_saved", *(n for n in terms if n.startswith("gain_"))):
        size = np.abs(np.nan_to_num(terms[name]))
        moved |= size > TIE_TOLERANCE * size.max(initial=0.0)
    return moved


def standings(terms: Numbers, points: bool) -> IntArray:
    """Return the standing of each row, as a position in STANDINGS.

    Parameters
    ----------
    terms : mapping of str to (n,) float64
        The columns of numbers that :func:`rank_actions` takes.
    points : bool
        Whether values are points.
    """
    benefit, cost, gross = terms["benefit"], terms["present_worth_cost"], _gross(terms)
    zero = np.abs(benefit) <= TIE_TOLERANCE * gross
    # For points there is no net: a benefit is worth doing.
    net = benefit if points else terms["net_benefit"]
    pays = net > TIE_TOLERANCE * (gross if points else gross + np.nan_to_num(cost))
    idle = zero & (~_moves_something(terms) | points | (cost <= 0.0))
    unknown = np.isnan(benefit) | np.isnan(net)
    standing = np.select(
        [~zero & (benefit < 0.0), idle, unknown, ~zero & pays],
        [_HARM, _NO_EFFECT, _NOT_KNOWN, _WORTH],
        _COSTS_MORE,
    )
    return standing.astype(np.int64)


def keys_of(
    terms: Numbers, rule: RankingRule, standing: IntArray, scores: CriteriaScores | None
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return zone (0 costs nothing, 1 number, 2 no number), number, and what its rounding is relative to.

    Parameters
    ----------
    terms : mapping of str to (n,) float64
        As for :func:`standings`.
    rule : RankingRule
    standing : (n,) int64
        From :func:`standings`.
    scores : CriteriaScores or None
        When ranked by criteria.
    """
    gross, cost = _gross(terms), terms["present_worth_cost"]
    free = np.zeros(cost.size, dtype=np.bool_)
    if scores is not None:
        value = scores.score.copy()
        scale = np.full(cost.size, sum(abs(weight) for weight in rule.weights.values()))
    elif rule.by == "net_benefit":
        value, scale = terms["net_benefit"], gross + np.nan_to_num(cost)
    else:
        benefit, ratio = terms["benefit"], terms["benefit_per_cost"]
        harm = standing == _HARM
        free = (np.isposinf(ratio) | ((cost == 0.0) & (benefit > 0.0))) & ~harm
        whole = harm | free
        value = np.where(whole, benefit, np.where(standing == _NO_EFFECT, 0.0, ratio))
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(whole, gross, np.maximum(np.abs(ratio), gross / cost))
    zone = np.where(~np.isfinite(value), 2, np.where(free, 0, 1))
    return zone, np.where(zone < 2, value, 0.0), np.nan_to_num(scale, posinf=0.0)


def tie_groups(tier: IntArray, zone: IntArray, value: FloatArray, scale: FloatArray) -> IntArray:
    """Return the number of each row's group of equals, groups counted from the top of the list.

    Parameters
    ----------
    tier, zone : (n,) int64
    value, scale : (n,) float64
        From :func:`keys_of`.
    """
    order = np.argsort(-value)
    kind = (3 * tier + zone).astype(np.int8)
    order = order[np.argsort(kind[order], kind="stable")]  # few kinds: sorted by counting
    # The scale is a key as well: rows alike in all keys may change places without changing any group.
    same = (value[order[1:]] == value[order[:-1]]) & (kind[order[1:]] == kind[order[:-1]])
    if same.any():
        run = np.cumsum(np.concatenate([[True], ~same]))
        alike = np.flatnonzero(np.concatenate([[False], same]) | np.concatenate([same, [False]]))
        order[alike] = order[alike][np.lexsort((scale[order[alike]], run[alike]))]
    t, z, v, s = tier[order], zone[order], value[order], scale[order]
    starts = np.ones(len(order), dtype=np.bool_)
    starts[1:] = (
        (t[1:] != t[:-1]) | (z[1:] != z[:-1]) | (v[:-1] - v[1:] > TIE_TOLERANCE * np.maximum(s[1:], s[:-1]))
    )
    group = np.empty(len(order), dtype=np.int64)
    group[order] = np.cumsum(starts)
    return group


def _first_of_site(site: IntArray, eligible: BoolArray) -> BoolArray:
    """Return which rows are the first eligible one of their site."""
    best = np.zeros(len(site), dtype=np.bool_)
    rows = np.flatnonzero(eligible)
    best[rows[np.unique(site[rows], return_index=True)[1]]] = True
    return best


def _shares(group: IntArray) -> tuple[IntArray, IntArray]:
    """Return, for rows in order, where the row's group starts and how many rows it has."""
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    size = np.diff(np.append(starts, len(group)))
    return np.repeat(starts, size), np.repeat(size, size)


def _partners(terms: pd.DataFrame, order: IntArray, first: IntArray, tied: IntArray) -> npt.NDArray[Any]:
    """Return the site and action of an equal row: the group's first, or for that one the second."""
    partner = np.full(len(order), "", dtype=object)
    rows = np.flatnonzero(tied)
    other = order[np.where(first[rows] == rows, first[rows] + 1, first[rows])]
    pair = terms[["site", "action"]].take(other).astype(str)
    partner[rows] = (pair["site"] + " " + pair["action"]).to_numpy(dtype=object)
    return partner
