"""The place of every action in the priority list of each draw."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.jit import SMALL, each
from barrierrank.ranking import kernels_order, order
from barrierrank.ranking.criteria import criteria_scores
from barrierrank.ranking.draw_worth import DrawTerms
from barrierrank.ranking.rules import RankingRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Ranks = npt.NDArray[np.int32]

_AT_ONCE: Final = 16
"""Draws worked on at a time: of each row the processor fetches the numbers of about so many at once."""


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
    by_place = _by_place(site, action)
    out = np.empty((by_place.size, terms.draws), dtype=np.int32)
    extra = {name: np.asarray(values, dtype=np.float64) for name, values in (other or {}).items()}
    if rule.by == "criteria" and terms.draws:
        first = pd.DataFrame(_columns(terms, rule, extra, 0))
        rule.check_columns(order.criteria_columns(first, points=rule.points))
    arrays = (terms.benefit, terms.present_worth_cost, terms.treatment_saved, terms.gain, terms.worth)
    amounts = order.Amounts(*(np.ascontiguousarray(values) for values in arrays))

    def do(low: int) -> None:
        draws = range(low, min(low + _AT_ONCE, terms.draws))
        score = np.array([_score(terms, rule, extra, draw) for draw in draws]) if rule.by == "criteria" else None
        keys = order.sort_keys(amounts, rule, score, draws=slice(draws.start, draws.stop))
        made = [kernels_order.ranks(order.groups_of(keys, k), by_place, shared) for k in range(len(draws))]
        out[:, draws.start : draws.stop] = np.stack(made, axis=1)

    threads = (os.cpu_count() or 1) > 1 and out.size >= SMALL
    each(do, range(0, terms.draws, _AT_ONCE), threads=threads)
    return out


def _by_place(site: npt.ArrayLike, action: npt.ArrayLike) -> IntArray:
    """Return the rows in the order of site, then action."""
    return np.lexsort([pd.factorize(np.asarray(values), sort=True)[0] for values in (action, site)])


def _columns(
    terms: DrawTerms, rule: RankingRule, extra: Mapping[str, FloatArray], draw: int
) -> dict[str, FloatArray]:
    """Return the columns of one draw that its ranks depend on."""
    columns = terms.of_draw(draw, points=rule.points)
    further = {name: v if v.ndim == 1 else v[:, draw] for name, v in extra.items() if name in rule.weights}
    return {**further, **columns}


def _score(terms: DrawTerms, rule: RankingRule, extra: Mapping[str, FloatArray], draw: int) -> FloatArray:
    """Return the score of each row in one draw."""
    table = _columns(terms, rule, extra, draw)
    return criteria_scores(pd.DataFrame({name: table[name] for name in rule.weights}), rule.weights).score
