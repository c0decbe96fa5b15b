"""Order, ranks, ties, standings and best actions: by hand, against a slow reference, under shuffling."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.problems import BarrierRankWarning, Problems, UsageError
from barrierrank.ranking.order import STANDINGS, criteria_columns, rank_actions
from barrierrank.ranking.rules import RankingRule

RATIO, NET, POINTS = RankingRule(), RankingRule("net_benefit"), RankingRule(points=True)


def terms(rows: list[tuple[Any, ...]], *, points: bool = False) -> pd.DataFrame:
    """Make a table from (site, action, benefit, cost, gain of lamprey): net and ratio follow."""
    table = pd.DataFrame(rows, columns=["site", "action", "benefit", "present_worth_cost", "gain_lamprey"])
    table["name"] = "Weir at " + table["site"]
    for name in ("cost", "cost_capital"):
        table[name] = table["present_worth_cost"]
    table["cost_upkeep"] = table["cost_replacement"] = table["treatment_saved"] = 0.0
    table["worth_lamprey"] = table["benefit"]
    with np.errstate(divide="ignore", invalid="ignore"):
        benefit, cost = (table[name].to_numpy(float) for name in ("benefit", "present_worth_cost"))
        table["benefit_per_cost"] = benefit / cost
    table["net_benefit"] = np.nan if points else table["benefit"] - table["present_worth_cost"]
    return table


def column(ranked: pd.DataFrame, name: str) -> list[Any]:
    return ranked[name].tolist()


def called(ranked: pd.DataFrame) -> list[str]:
    return [f"{s} {a}" for s, a in zip(ranked["site"], ranked["action"], strict=True)]


def test_by_benefit_per_cost_by_hand() -> None:
    ranked = rank_actions(
        terms(
            [
                ("S1", "raise", 300.0, 100.0, -5.0),  # 3 : 1
                ("S1", "rebuild", 800.0, 200.0, -9.0),  # 4 : 1
                ("S2", "repair", 50.0, 100.0, -1.0),  # 1 : 2, does not pay
                ("S3", "remove", -10.0, 1.0, 3.0),  # harm
                ("S4", "repair", 0.0, 10.0, 0.0),  # nothing
            ]
        ),
        RATIO,
    )
    assert called(ranked) == ["S1 rebuild", "S1 raise", "S2 repair", "S4 repair", "S3 remove"]
    assert column(ranked, "rank") == [1, 2, 3, 4, 5]
    assert column(ranked, "standing") == [
        "worth doing",
        "worth doing",
        "costs more than it brings",
        "no effect",
        "more harm than good",
    ]
    assert column(ranked, "best") == [True, False, False, False, False]
    assert ranked.columns[0] == "rank"
    assert ranked.index.tolist() == [1, 0, 2, 4, 3]  # the caller's own
    assert column(ranked, "tied") == [0] * 5
    assert set(ranked["tied_with"]) == {""}


def test_by_net_benefit_by_hand() -> None:
    rows = [("S1", "raise", 300.0, 100.0, -5.0), ("S1", "rebuild", 700.0, 300.0, -9.0)]
    assert called(rank_actions(terms(rows), NET)) == ["S1 rebuild", "S1 raise"]  # 400 before 200
    assert called(rank_actions(terms(rows), RATIO)) == ["S1 raise", "S1 rebuild"]  # 3 before 2.33


def test_ties_share_the_lower_rank_and_say_with_whom() -> None:
    ranked = rank_actions(
        terms(
            [
                ("S9", "raise", 200.0, 100.0, -1.0),
                ("S7", "rebuild", 400.0, 200.0, -1.0),
                ("S1", "repair", 900.0, 100.0, -1.0),
                ("S8", "repair", 110.0, 100.0, -1.0),
                ("S7", "raise", 600.0, 300.0 * (1 + 1e-12), -1.0),  # equal but for rounding
            ]
        ),
        RATIO,
    )
    assert called(ranked) == ["S1 repair", "S7 raise", "S7 rebuild", "S9 raise", "S8 repair"]
    assert column(ranked, "rank") == [1, 2, 2, 2, 5]
    assert column(ranked, "tied") == [0, 2, 2, 2, 0]
    assert column(ranked, "tied_with") == ["", "S7 rebuild", "S7 raise", "S7 raise", ""]
    assert column(ranked, "best") == [True, True, False, True, True]


@pytest.mark.parametrize(("apart", "ranks"), [(1e-11, [1, 1]), (1e-7, [1, 2])])
def test_the_tolerance_of_a_tie_is_relative(apart: float, ranks: list[int]) -> None:
    for size in (1e-9, 1.0, 1e12):
        rows = [("S1", "a", 3 * size * (1 + apart), size, -1.0), ("S2", "a", 3 * size, size, -1.0)]
        assert column(rank_actions(terms(rows), RATIO), "rank") == ranks
        assert column(rank_actions(terms(rows), NET), "rank") == ranks


def test_zero_cost_comes_first_within_its_standing_by_benefit() -> None:
    ranked = rank_actions(
        terms(
            [
                ("S1", "cheap", 1e6, 1.0, -1.0),
                ("S2", "open gates", 5.0, 0.0, -1.0),
                ("S3", "open gates", 7.0, 0.0, -1.0),
                ("S4", "open gates", -7.0, 0.0, 1.0),  # harm is harm, free or not
                ("S5", "open gates", 0.0, 0.0, 0.0),
                ("S6", "look", 0.0, 9.0, 0.0),
            ]
        ),
        RATIO,
    )
    assert called(ranked)[:3] == ["S3 open gates", "S2 open gates", "S1 cheap"]
    assert called(ranked)[3:] == ["S5 open gates", "S6 look", "S4 open gates"]
    assert column(ranked, "rank") == [1, 2, 3, 4, 4, 6]


def test_harm_is_listed_least_first_and_dear_harm_does_not_look_better() -> None:
    rows = [("S1", "a", -10.0, 1e6, 1.0), ("S2", "a", -5.0, 1.0, 1.0), ("S3", "a", -1e3, 1e9, 1.0)]
    assert called(rank_actions(terms(rows), RATIO)) == ["S2 a", "S1 a", "S3 a"]


def test_a_site_where_nothing_pays_has_no_best_action() -> None:
    ranked = rank_actions(
        terms(
            [
                ("S1", "a", -10.0, 1.0, 1.0),
                ("S1", "b", 10.0, 20.0, -1.0),
                ("S1", "c", 20.0, 20.0, -1.0),  # net exactly 0
                ("S2", "a", 21.0, 20.0, -1.0),
            ]
        ),
        NET,
    )
    assert dict(zip(called(ranked), ranked["best"], strict=True)) == {
        "S2 a": True,
        "S1 c": False,
        "S1 b": False,
        "S1 a": False,
    }
    assert ranked.set_index("action").loc["c", "standing"] == "costs more than it brings"


def test_for_points_a_benefit_is_worth_doing_whatever_it_costs() -> None:
    rows = [
        ("S1", "a", 2.0, 1e6, -1.0),
        ("S1", "b", -2.0, 1.0, 1.0),
        ("S2", "a", 0.0, 1.0, 0.0),
        ("S3", "a", 4.0, 1e6, -1.0),
    ]
    ranked = rank_actions(terms(rows, points=True), POINTS)
    assert called(ranked) == ["S3 a", "S1 a", "S2 a", "S1 b"]
    assert column(ranked, "standing") == ["worth doing", "worth doing", "no effect", "more harm than good"]
    assert column(ranked, "best") == [True, True, False, False]
    assert ranked["net_benefit"].isna().all()


def test_missing_numbers_never_lead() -> None:
    rows = [
        ("S1", "a", np.nan, 1.0, -1.0),
        ("S2", "a", 9.0, np.nan, -1.0),
        ("S3", "a", 1.5, 1.0, -1.0),
        ("S4", "a", -1.0, 1.0, 1.0),
    ]
    for rule in (RATIO, NET):
        ranked = rank_actions(terms(rows), rule)
        assert called(ranked) == ["S3 a", "S1 a", "S2 a", "S4 a"]
        assert column(ranked, "standing")[1:3] == ["not known", "not known"]
        assert column(ranked, "best") == [True, False, False, False]
        assert column(ranked, "tied") == [0, 0, 0, 0]  # nobody knows whether they are equal
    ranked = rank_actions(terms(rows, points=True), POINTS)
    assert called(ranked) == ["S3 a", "S2 a", "S1 a", "S4 a"]
    assert column(ranked, "best") == [True, False, False, False]  # S2's place is not known


def test_a_benefit_of_rounding_is_none() -> None:
    rows = [("S1", "a", 1e-10, 5.0, -1.0), ("S2", "a", -1e-10, 5.0, -1.0), ("S3", "a", 1e-10, 5.0, 0.0)]
    table = terms(rows)
    table["worth_lamprey"] = 1e6
    table["worth_walleye"] = -1e6
    assert column(rank_actions(table, NET), "standing") == [
        "costs more than it brings",
        "costs more than it brings",
        "no effect",
    ]


def test_what_cancels_out_is_no_effect_only_where_it_is_free() -> None:
    table = terms([("S1", "a", 0.0, 0.0, -1.0), ("S2", "a", 0.0, 5.0, -1.0)])
    ranked = rank_actions(table, NET)
    assert dict(zip(ranked.site, ranked.standing, strict=True)) == {
        "S1": "no effect",
        "S2": "costs more than it brings",
    }


def test_what_cannot_be_ranked_is_refused() -> None:
    good = terms([("S1", "a", 1.0, 1.0, 0.0), ("S1", "a", 2.0, 1.0, 0.0)])
    with pytest.raises(UsageError, match="a site has an action twice: S1 a -> keep one row"):
        rank_actions(good, RATIO)
    with pytest.raises(UsageError, match="lacks the columns benefit, net_benefit"):
        rank_actions(good.drop(columns=["benefit", "net_benefit"]), RATIO)
    with pytest.raises(UsageError, match="unknown criteria 'name' -> use any of benefit, benefit_per_cost"):
        rank_actions(good, RankingRule("criteria", {"name": 1.0}))


def test_no_actions_make_an_empty_list() -> None:
    for rule in (RATIO, RankingRule("criteria", {"cost": -1.0})):
        ranked = rank_actions(terms([]), rule, problems=Problems())
        assert len(ranked) == 0
        assert {"rank", "standing", "best", "tied", "tied_with"} <= set(ranked.columns)


def test_the_callers_table_is_left_alone_and_ranking_twice_changes_nothing() -> None:
    table = terms([("S2", "a", 2.0, 1.0, -1.0), ("S1", "a", 5.0, 1.0, -1.0)])
    before = table.copy()
    once = rank_actions(table, RATIO)
    pd.testing.assert_frame_equal(table, before)
    pd.testing.assert_frame_equal(rank_actions(once, RATIO), once, check_like=True)


# ------------------------------------------------------------------------------------------- criteria


def test_criteria_by_hand() -> None:
    table = terms(
        [
            ("S1", "a", 100.0, 10.0, -4.0),
            ("S2", "a", 100.0, 30.0, -8.0),
            ("S3", "a", 100.0, 20.0, -2.0),
        ]
    )
    ranked = rank_actions(table, RankingRule("criteria", {"present_worth_cost": -1.0, "gain_lamprey": -3.0}))
    # cost: best 10, worst 30; lamprey: best -8, worst -2
    assert called(ranked) == ["S2 a", "S1 a", "S3 a"]
    assert column(ranked, "term_present_worth_cost") == pytest.approx([0.0, 1.0, 0.5])
    assert column(ranked, "term_gain_lamprey") == pytest.approx([3.0, 3.0 * 2 / 6, 0.0])
    assert column(ranked, "score") == pytest.approx([3.0, 2.0, 0.5])


def test_a_constant_criterion_adds_nothing_and_is_told() -> None:
    table = terms([("S1", "a", 5.0, 2.0, -4.0), ("S2", "a", 5.0, 1.0, -4.0)])
    rule = RankingRule("criteria", {"gain_lamprey": -3.0, "cost": -1.0})
    problems = Problems()
    ranked = rank_actions(table, rule, problems=problems)
    assert column(ranked, "term_gain_lamprey") == [0.0, 0.0]
    assert called(ranked) == ["S2 a", "S1 a"]
    (note,) = problems
    assert (note.severity, note.kind, note.ids) == ("note", "constant_criterion", ("gain_lamprey",))
    with pytest.warns(BarrierRankWarning, match="'gain_lamprey' has one value throughout"):
        rank_actions(table, rule)


def test_by_criteria_weights_decide_but_harm_stays_last_and_money_names_the_best() -> None:
    table = terms(
        [
            ("S1", "harm", -5.0, 0.0, 90.0),
            ("S2", "dear", 5.0, 100.0, 80.0),
            ("S3", "idle", 0.0, 1.0, 0.0),
            ("S2", "pays", 5.0, 1.0, 10.0),
        ]
    )
    ranked = rank_actions(table, RankingRule("criteria", {"gain_lamprey": 1.0}))
    assert called(ranked) == ["S2 dear", "S2 pays", "S3 idle", "S1 harm"]
    assert column(ranked, "best") == [False, True, False, False]


def test_criteria_with_missing_and_infinite_values() -> None:
    table = terms([("S1", "a", 5.0, 0.0, -4.0), ("S2", "a", 5.0, 1.0, np.nan), ("S3", "a", 5.0, 2.0, -3.0)])
    ranked = rank_actions(table, RankingRule("criteria", {"benefit_per_cost": 1.0, "gain_lamprey": -1.0}))
    # an infinite ratio counts as the greatest finite one (5, with 2.5 the least)
    assert column(ranked, "term_benefit_per_cost") == [1.0, 0.0, 1.0]
    assert called(ranked) == ["S1 a", "S3 a", "S2 a"]
    assert math.isnan(ranked["score"].iloc[2])


def test_any_column_of_numbers_can_be_a_criterion() -> None:
    table = terms([("S1", "a", 5.0, 1.0, -4.0), ("S2", "a", 5.0, 1.0, -4.0)])
    table["landowner_agrees"] = [False, True]
    assert "landowner_agrees" in criteria_columns(table, points=False)
    assert "net_benefit" not in criteria_columns(table, points=True)
    ranked = rank_actions(table, RankingRule("criteria", {"landowner_agrees": 2.0}))
    assert column(ranked, "score") == [2.0, 0.0]
    assert column(ranked, "site") == ["S2", "S1"]


# ------------------------------------------------------------------------------------------- properties


AMOUNTS = st.sampled_from([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 6.0, math.nan])
COSTS = st.sampled_from([0.0, 1.0, 2.0, 3.0, 4.0, math.nan])


@st.composite
def tables(draw: st.DrawFn, *, points: bool) -> pd.DataFrame:
    """Draw small tables of few different numbers, so that ties of every kind come up."""
    pairs = st.tuples(st.sampled_from("ABCDE"), st.sampled_from("xyz"))
    keys = draw(st.lists(pairs, min_size=1, max_size=12, unique=True))
    rows = [(site, action, draw(AMOUNTS), draw(COSTS)) for site, action in keys]
    return terms([(*row, -row[2]) for row in rows], points=points)


def reference_standing(benefit: float, cost: float, points: bool) -> str:
    """Say what an action comes to, from whole numbers, where nothing is rounded."""
    if benefit < 0:
        return "more harm than good"
    if benefit == 0:
        return "no effect"
    if math.isnan(benefit) or (math.isnan(cost) and not points):
        return "not known"
    return "worth doing" if points or benefit > cost else "costs more than it brings"


def reference_key(benefit: float, cost: float, rule: RankingRule) -> tuple[float, ...]:
    """Return what the list is ordered by: equal keys are ties."""
    standing = reference_standing(benefit, cost, rule.points)
    place = STANDINGS.index(standing)
    if rule.by == "net_benefit":
        value = benefit - cost
        return (place, 2, 0.0) if math.isnan(value) else (place, 1, -value)
    if standing == "more harm than good":
        return (place, 1, -benefit)
    if standing == "no effect":
        return (place, 1, 0.0)
    if cost == 0 and benefit > 0:
        return (place, 0, -benefit)
    return (place, 2, 0.0) if math.isnan(benefit) or math.isnan(cost) else (place, 1, -benefit / cost)


def check_against_reference(table: pd.DataFrame, rule: RankingRule) -> None:
    rows = list(zip(table.site, table.action, table.benefit, table.present_worth_cost, strict=True))
    keys = {(s, a): reference_key(b, c, rule) for s, a, b, c in rows}
    order = sorted(keys, key=lambda row: (keys[row], row))
    ranks = [1 + sum(keys[other] < keys[row] for other in keys) for row in order]
    ranked = rank_actions(table, rule)
    assert list(zip(ranked.site, ranked.action, strict=True)) == order
    assert column(ranked, "rank") == ranks
    told = {(s, a): reference_standing(b, c, rule.points) for s, a, b, c in rows}
    assert column(ranked, "standing") == [told[row] for row in order]
    good = [row for row in order if told[row] == "worth doing" and keys[row][1] < 2]
    best = [row for k, row in enumerate(good) if row[0] not in {other[0] for other in good[:k]}]
    assert [row for row, is_best in zip(order, ranked.best, strict=True) if is_best] == best
    known = [keys[row][1] < 2 for row in order]
    assert column(ranked, "tied") == [
        (ranks.count(rank) - 1) * is_known for rank, is_known in zip(ranks, known, strict=True)
    ]
    partner = {f"{s} {a}": rank for (s, a), rank in zip(order, ranks, strict=True)}
    for name, rank, row in zip(ranked.tied_with, ranks, order, strict=True):
        assert not name or (partner[name] == rank and name != " ".join(row))


@given(tables(points=False))
@settings(deadline=None)
def test_money_against_the_plain_definition(table: pd.DataFrame) -> None:
    check_against_reference(table, RATIO)
    check_against_reference(table, NET)


@given(tables(points=True))
@settings(deadline=None)
def test_points_against_the_plain_definition(table: pd.DataFrame) -> None:
    check_against_reference(table, POINTS)


@given(st.data(), st.sampled_from([RATIO, NET, RankingRule("criteria", {"cost": -1.0, "benefit": 2.0})]))
@settings(deadline=None)
def test_shuffled_rows_make_the_same_list(data: st.DataObject, rule: RankingRule) -> None:
    table = data.draw(tables(points=False))
    order = data.draw(st.permutations(range(len(table))))
    shuffled = table.iloc[list(order)]
    first = rank_actions(table, rule, problems=Problems())
    second = rank_actions(shuffled, rule, problems=Problems())
    pd.testing.assert_frame_equal(first, second)
    assert sorted(second.index) == sorted(table.index)


def test_near_ties_in_any_row_order_make_the_same_list() -> None:
    rng = np.random.default_rng(3)
    base = rng.choice([100.0, 200.0], 60) * (1 + rng.choice([0.0, 3e-10, 8e-10, 2e-9, 1e-6], 60))
    cost = rng.choice([1.0, 50.0], 60)
    rows = [(f"S{i:02d}", "a", float(base[i]), float(cost[i]), -1.0) for i in range(60)]
    table = terms(rows)
    for rule in (RATIO, NET):
        expected = rank_actions(table, rule)
        for _ in range(20):
            pd.testing.assert_frame_equal(rank_actions(table.iloc[rng.permutation(60)], rule), expected)


def test_equal_numbers_of_unlike_size_tie_alike_in_any_row_order() -> None:
    # Net 10, 10 and 9.5: beside sums of 1e9 half a unit is rounding, and S2 links the other two.
    rows = [
        ("S1", "a", 11.0, 1.0, -1.0),
        ("S2", "a", 1e9 + 10.0, 1e9, -1.0),
        ("S3", "a", 10.5, 1.0, -1.0),
    ]
    for order in itertools.permutations(range(3)):
        ranked = rank_actions(terms(rows).iloc[list(order)], NET)
        assert column(ranked, "rank") == [1, 1, 1]
        assert column(ranked, "site") == ["S1", "S2", "S3"]


@given(tables(points=False), st.floats(1e-6, 1e9))
@settings(deadline=None)
def test_another_currency_changes_no_place(table: pd.DataFrame, rate: float) -> None:
    other = table.copy()
    for name in ("benefit", "worth_lamprey", "present_worth_cost", "cost", "cost_capital", "net_benefit"):
        other[name] = table[name] * rate
    for rule in (RATIO, NET):
        first, second = rank_actions(table, rule), rank_actions(other, rule)
        for name in ("rank", "site", "action", "standing", "best", "tied_with"):
            assert column(first, name) == column(second, name)
