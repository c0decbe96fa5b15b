"""Ranks by draw: as the list of each draw has them, ties, free actions and unknown numbers among them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.problems import Problems, UsageError
from barrierrank.ranking.draw_ranks import draw_ranks
from barrierrank.ranking.draw_worth import DrawTerms
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.worth.finance import cost_terms

RULES = [
    RankingRule(),
    RankingRule("net_benefit"),
    RankingRule(points=True),
    RankingRule("criteria", {"benefit": 1.0, "present_worth_cost": -1.0, "passability_pike": -0.25}),
    RankingRule("criteria", {"benefit_per_cost": 1.0, "worth_pike": 0.5}, points=True),
]


def drawn(worth: np.ndarray, saved: np.ndarray, cost: np.ndarray, factor: np.ndarray) -> DrawTerms:
    """Make terms (a, d) of one species, pike, from worths, savings, capital costs (a,) and factors."""
    costs = cost_terms(cost, np.zeros(len(cost)), np.full(len(cost), np.nan), rate=0.0, horizon_years=1)
    spent = costs.total[:, None] * factor
    return DrawTerms(
        ("pike",), worth + saved, spent, worth[None] / 2, worth[None], saved, cost, costs, factor
    )


def labels(a: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return sites and actions in an order that is not that of their names."""
    pairs = rng.permutation([(f"S{i % 4}", f"do {i // 4:02}") for i in range(a)])
    return pairs[:, 0].astype(object), pairs[:, 1].astype(object)


@given(st.integers(0, 10**6), st.integers(1, 30), st.sampled_from(RULES))
@settings(max_examples=200, deadline=None)
def test_ranks_are_those_of_the_list_of_each_draw(seed: int, a: int, rule: RankingRule) -> None:
    rng = np.random.default_rng(seed)
    d = 3
    # few whole numbers, so that many are equal, free, without effect or harmful
    worth, saved = rng.integers(-3, 4, (a, d)).astype(float), rng.integers(-1, 2, (a, d)).astype(float)
    worth[rng.random((a, d)) < 0.05] = np.nan
    terms = drawn(worth, saved, rng.integers(0, 3, a).astype(float), rng.integers(1, 3, (a, d)).astype(float))
    site, action = labels(a, rng)
    other = {"passability_pike": rng.integers(0, 3, (a, d)) / 2}
    ranks = draw_ranks(terms, rule, site=site, action=action, other=other)
    shared = draw_ranks(terms, rule, site=site, action=action, other=other, shared=True)
    assert ranks.dtype == shared.dtype == np.int32
    for c in range(d):
        table = pd.DataFrame({"site": site, "action": action, **terms.of_draw(c, points=rule.points)})
        table["passability_pike"] = other["passability_pike"][:, c]
        ranked = rank_actions(table.assign(name=""), rule, problems=Problems())
        place = pd.Series(np.arange(1, a + 1), ranked.index).sort_index()
        np.testing.assert_array_equal(ranks[:, c], place)
        np.testing.assert_array_equal(shared[:, c], ranked["rank"].sort_index())


def test_two_draws_by_hand() -> None:
    # benefit per cost 3, 4, 1/2, harm; in the second draw the second action costs four times as much
    worth = np.array([[300.0, 300.0], [800.0, 800.0], [50.0, 50.0], [-10.0, -10.0]])
    factor = np.ones((4, 2))
    factor[1, 1] = 4.0
    terms = drawn(worth, np.zeros((4, 2)), np.array([100.0, 200.0, 100.0, 1.0]), factor)
    site, action = np.array(["S1", "S1", "S2", "S3"]), np.array(["raise", "rebuild", "repair", "remove"])
    got = draw_ranks(terms, RankingRule(), site=site, action=action)
    np.testing.assert_array_equal(
        got, [[1, 1], [2, 2], [3, 3], [4, 4]] @ np.eye(2) + [[1, 0], [-1, 0], [0, 0], [0, 0]]
    )


def test_equals_share_a_rank_or_go_by_site_and_action() -> None:
    worth = np.array([[2.0], [2.0], [5.0], [2.0]])
    terms = drawn(worth, np.zeros((4, 1)), np.ones(4), np.ones((4, 1)))
    site, action = np.array(["S2", "S1", "S9", "S1"]), np.array(["a", "b", "a", "a"])
    apart = draw_ranks(terms, RankingRule(), site=site, action=action)
    assert apart[:, 0].tolist() == [4, 3, 1, 2]
    shared = draw_ranks(terms, RankingRule(), site=site, action=action, shared=True)
    assert shared[:, 0].tolist() == [2, 2, 1, 2]


def test_an_unknown_criterion_is_told() -> None:
    terms = drawn(np.ones((2, 1)), np.zeros((2, 1)), np.ones(2), np.ones((2, 1)))
    rule = RankingRule("criteria", {"beauty": 1.0})
    with pytest.raises(UsageError, match="unknown criteria 'beauty'"):
        draw_ranks(terms, rule, site=["S1", "S2"], action=["a", "a"])


def test_no_actions_have_no_ranks() -> None:
    terms = drawn(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 3)))
    for rule in RULES[:3]:
        assert draw_ranks(terms, rule, site=[], action=[]).shape == (0, 3)
