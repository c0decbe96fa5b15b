"""The order of the priority list: standings, ranks, ties, and the best action of each site."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.problems import BarrierRankWarning, Problems, UsageError, some
from barrierrank.ranking import kernels_order as kernels
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
# By criteria the user's weights decide, not money; only actions without effect or with harm stand apart.
TIERS_BY_CRITERIA = np.array([0, 0, 1, 0, 2])

# Equal, relative to the amounts that a number is made of: differences below are those of rounding.
TIE_TOLERANCE: Final = kernels.TIE_TOLERANCE

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
_WAYS = {"benefit_per_cost": kernels.BY_RATIO, "net_benefit": kernels.BY_NET, "criteria": kernels.BY_SCORE}


@dataclass(frozen=True, eq=False)
class Amounts:
    """What standing and place of n rows are made of, in each of d draws.

    Parameters
    ----------
    benefit, cost, saved : (n, d) float64
        Present worths of the benefit, of the cost and of the treatment saved.
    gain, worth : (S, n, d) float64
        Change in accessible habitat of each species, and the present worth of its value.
    net, ratio : (n, d) float64, optional
        Net benefit and benefit per cost; if left out they follow from benefit and cost.
    """

    benefit: FloatArray
    cost: FloatArray
    saved: FloatArray
    gain: FloatArray
    worth: FloatArray
    net: FloatArray | None = None
    ratio: FloatArray | None = None

    @classmethod
    def from_list(cls, numbers: Numbers) -> Amounts:
        """Take the columns of one list, as one draw.

        Parameters
        ----------
        numbers : mapping of str to (n,) float64
            The columns of numbers that :func:`rank_actions` takes.
        """
        n = numbers["benefit"].size
        of_species = ([v for name, v in numbers.items() if name.startswith(s)] for s in ("gain_", "worth_"))
        gain, worth = (np.array(columns, dtype=np.float64).reshape(len(columns), n, 1) for columns in of_species)
        names = ("benefit", "present_worth_cost", "treatment_saved", "net_benefit", "benefit_per_cost")
        benefit, cost, saved, net, ratio = (np.ascontiguousarray(numbers[name]).reshape(n, 1) for name in names)
        return cls(benefit, cost, saved, gain, worth, net, ratio)


@dataclass(frozen=True, eq=False)
class SortKeys:
    """By what n rows are sorted in each of d draws.

    Parameters
    ----------
    standing : (d, n) int8
        Position in :data:`STANDINGS`.
    kind : (d, n) int8
        Rows of a lower kind come first.
    value : (d, n) float64
        Number within the kind, greatest first.
    scale : (d, n) float64
        What the rounding of `value` is relative to.
    """

    standing: npt.NDArray[np.int8]
    kind: npt.NDArray[np.int8]
    value: FloatArray
    scale: FloatArray

    @property
    def numbered(self) -> BoolArray:
        """Whether there is a number to go by, (d, n)."""
        return np.asarray(self.kind % kernels.ZONES < kernels.ZONES - 1)


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
    scores = criteria_scores(terms, rule.weights) if rule.by == "criteria" else None
    if scores is not None:
        _tell_constant(scores, problems)
    keys = sort_keys(Amounts.from_list(numbers), rule, None if scores is None else scores.score[None])
    standing, numbered = keys.standing[0], keys.numbered[0]
    group = groups_of(keys, 0)
    site, action = (pd.factorize(terms[name], sort=True)[0] for name in ("site", "action"))
    order = np.lexsort((action, site, group))

    new: dict[str, Any] = {"standing": np.array(STANDINGS, dtype=object)[standing[order]]}
    eligible = (standing == kernels.WORTH) | ((standing == kernels.NOT_KNOWN) & (scores is not None))
    new["best"] = _first_of_site(site[order], (eligible & numbered)[order])
    first, size = _shares(group[order])
    # Nobody knows whether rows without a number are equal.
    new["tied"] = np.where(numbered[order], size - 1, 0)
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


def sort_keys(
    amounts: Amounts, rule: RankingRule, score: FloatArray | None = None, *, draws: slice = slice(None)
) -> SortKeys:
    """Work out by what rows are sorted: standing, zone (costs nothing, number, no number) and number.

    Parameters
    ----------
    amounts : Amounts
    rule : RankingRule
    score : (d, n) float64, optional
        Scores in the draws asked for; wanted when ranked by criteria.
    draws : slice
        Of the draws of `amounts`; all if left out.

    Returns
    -------
    SortKeys
        Of the draws asked for.
    """
    none = np.empty((0, 0))
    parts = (
        amounts.benefit, amounts.cost, none if amounts.net is None else amounts.net,
        none if amounts.ratio is None else amounts.ratio, amounts.saved, amounts.gain, amounts.worth,
    )  # fmt: skip
    low, high, _ = draws.indices(amounts.benefit.shape[1])
    by_score = rule.by == "criteria"
    way = (_WAYS[rule.by], rule.points, float(sum(abs(weight) for weight in rule.weights.values())))
    tiers = TIERS_BY_CRITERIA if by_score else np.arange(len(STANDINGS))
    made = kernels.sort_keys((low, high), parts, none if score is None else score, way, tiers)
    return SortKeys(*made)


def groups_of(keys: SortKeys, draw: int) -> IntArray:
    """Return the number of each row's group of equals in a draw, (n,), groups counted from the top of the list.

    Parameters
    ----------
    keys : SortKeys
    draw : int
        Of the draws of `keys`.
    """
    value = keys.value[draw]
    return kernels.groups(np.argsort(-value), keys.kind[draw], value, keys.scale[draw])


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
