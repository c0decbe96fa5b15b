"""The place of every action in the priority list of each draw."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.jit import SMALL, each
from barrierrank.ranking import order
from barrierrank.ranking.criteria import criteria_scores
from barrierrank.ranking.draw_worth import DrawTerms
from barrierrank.ranking.rules import RankingRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Ranks = npt.NDArray[np.int32]


def draw_ranks(
    terms: DrawTerms,
    rule: RankingRule,
    *,
    site: npt.ArrayLike,
    action: npt.ArrayLike,
    other: Mapping[str, FloatArray] | None = None,
    shared: bool = False,
) -> Ranks:
    """Rank the actions in each draw, in the order of :func:`~barrierrank.ranking.order.rank_actions`.

    Parameters
    ----------
    terms : DrawTerms
    rule : RankingRule
    site, action : (a,) array_like
        Site and name of each action: the order among equals.
    other : mapping of str to (a,) or (a, d) array, optional
        Further columns of the list that carry a weight and are not among the terms, such as `passability_<sp>`.
    shared : bool
        Equal rows share the rank of the first of them (1, 2, 2, 4), as in the list; without it they are told apart
        by site, then action (1, 2, 3, 4), so that k rows are in the top k.

    Returns
    -------
    (a, d) int32
        Ranks from 1.

    Raises
    ------
    UsageError
        A criterion is no column of the list.
    """
    place = _place(site, action)
    out = np.empty((place.size, terms.draws), dtype=np.int32)
    terms = _by_draw(terms)
    extra = {name: np.asarray(values, dtype=np.float64) for name, values in (other or {}).items()}
    if rule.by == "criteria" and terms.draws:
        first = pd.DataFrame(_columns(terms, rule, extra, 0))
        rule.check_columns(order.criteria_columns(first, points=rule.points))

    def do(draw: int) -> None:
        group = _groups(_columns(terms, rule, extra, draw), rule)
        out[:, draw] = _ranks(group, place, shared)

    each(do, range(terms.draws), threads=(os.cpu_count() or 1) > 1 and out.size >= SMALL)
    return out


def _place(site: npt.ArrayLike, action: npt.ArrayLike) -> IntArray:
    """Return the place of each row in the order of site, then action."""
    keys = [pd.factorize(np.asarray(values), sort=True)[0] for values in (action, site)]
    place = np.empty(keys[0].size, dtype=np.int64)
    place[np.lexsort(keys)] = np.arange(place.size)
    return place


def _by_draw(terms: DrawTerms) -> DrawTerms:
    """Return the same numbers with those of one draw side by side in memory."""

    def turned(values: FloatArray) -> FloatArray:
        return np.moveaxis(np.ascontiguousarray(np.moveaxis(values, -1, 0)), 0, -1)

    return replace(
        terms, benefit=turned(terms.benefit), present_worth_cost=turned(terms.present_worth_cost),
        gain=turned(terms.gain), worth=turned(terms.worth), treatment_saved=turned(terms.treatment_saved),
        cost_factor=turned(terms.cost_factor),
    )  # fmt: skip


def _columns(
    terms: DrawTerms, rule: RankingRule, extra: Mapping[str, FloatArray], draw: int
) -> dict[str, FloatArray]:
    """Return the columns of one draw that its ranks depend on."""
    columns = terms.of_draw(draw, points=rule.points)
    further = {name: v if v.ndim == 1 else v[:, draw] for name, v in extra.items() if name in rule.weights}
    return {**further, **columns}


def _groups(table: Mapping[str, FloatArray], rule: RankingRule) -> IntArray:
    """Return the number of each row's group of equals, counted from the top of the list."""
    standing = order.standings(table, rule.points)
    scores = None
    if rule.by == "criteria":
        scores = criteria_scores(pd.DataFrame({name: table[name] for name in rule.weights}), rule.weights)
    tier = order.TIERS_BY_CRITERIA[standing] if scores is not None else standing
    return order.tie_groups(tier, *order.keys_of(table, rule, standing, scores))


def _ranks(group: IntArray, place: IntArray, shared: bool) -> IntArray:
    """Return ranks from 1: those of the first of each group, or with the rows of a group told apart by place."""
    size = np.bincount(group)
    first = np.cumsum(size) - size
    rank = first[group] + 1
    if not shared:
        tied = np.flatnonzero(size[group] > 1)
        row = tied[np.lexsort((place[tied], group[tied]))]
        starts = np.flatnonzero(np.diff(group[row], prepend=-1))
        length = np.diff(np.append(starts, row.size))
        rank[row] += np.arange(row.size) - np.repeat(starts, length)
    return rank
