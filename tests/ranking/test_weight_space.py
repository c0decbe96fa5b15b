"""Ranks over all weights of the criteria: against fine grids, exact areas and plain counting."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.problems import Problems
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.weight_space import even_weights, weight_space, weights_sentence

Columns = dict[str, list[float]]


def listed(
    columns: Columns, weights: dict[str, float], benefit: list[float] | None = None
) -> tuple[pd.DataFrame, RankingRule]:
    """Return a list ranked by criteria, one action a site."""
    n = len(next(iter(columns.values())))
    gain = np.ones(n) if benefit is None else np.array(benefit)
    zero = np.zeros(n)
    table = {
        "site": [f"S{i:02d}" for i in range(n)], "name": "", "action": "do", "cost": 1.0,
        "present_worth_cost": zero + 1.0, "cost_capital": 1.0, "cost_upkeep": 0.0,
        "cost_replacement": 0.0, "treatment_saved": zero, "benefit": gain, "net_benefit": np.nan,
        "benefit_per_cost": gain, "gain_x": gain, "worth_x": gain,
    }  # fmt: skip
    rule = RankingRule(by="criteria", weights=weights, points=True)
    return rank_actions(pd.DataFrame({**table, **columns}), rule, problems=Problems()), rule


def space(columns: Columns, weights: dict[str, float], **more: Any) -> pd.DataFrame:
    """Return the table by site."""
    ranked, rule = listed(columns, weights, more.pop("benefit", None))
    return weight_space(ranked, rule, **{"top": 1, "level": 1.0, "seed": 1, **more}).set_index("site")


def ranks_of(columns: Columns, benefit: list[float], weights: np.ndarray) -> pd.DataFrame:
    """Return the rank of each site, a column each, as the list has it with each of the weights, a row each."""
    rows = []
    for row in np.maximum(weights, 1e-12):
        again, _ = listed(columns, dict(zip(sorted(columns), row, strict=True)), benefit)
        rows.append(dict(zip(again["site"], again["rank"], strict=True)))
    return pd.DataFrame(rows)


def test_weights_are_spread_evenly_over_the_simplex() -> None:
    for k in (1, 2, 3, 6):
        w = even_weights(k, 4096, seed=2)
        assert w.shape == (4096, k)
        assert (w >= 0.0).all()
        assert w.sum(axis=1) == pytest.approx(1.0)
        assert w.mean(axis=0) == pytest.approx(1.0 / k, abs=0.005)
        if k > 1:  # each weight is Beta(1, k - 1)
            assert (w[:, 0] > 0.5).mean() == pytest.approx(0.5 ** (k - 1), abs=0.01)


def test_two_criteria_are_as_the_crossing_points_say() -> None:
    # by hand: scores w, 1 - w, 0.7: the third is first between w = 0.3 and 0.7, never last
    made = space({"a": [1.0, 0.0, 0.7], "b": [0.0, 1.0, 0.7]}, {"a": 1.0, "b": 3.0})
    assert made["share_first"].to_dict() == pytest.approx({"S00": 0.3, "S01": 0.3, "S02": 0.4}, abs=1e-12)
    assert made.loc["S00", ["weight_a", "weight_b"]].tolist() == pytest.approx([0.85, 0.15], abs=1e-12)
    assert made.loc["S02", "weight_a"] == pytest.approx(0.5, abs=1e-12)
    assert made[["rank_low", "rank_high"]].loc["S02"].tolist() == [1, 2]
    assert made[["rank_low", "rank_high"]].loc["S00"].tolist() == [1, 3]
    assert made["share_top"].to_numpy() == pytest.approx(made["share_first"].to_numpy())
    # the first is third for w below 0.5, second up to 0.7: half of the weights, from a quarter to three quarters
    half = space({"a": [1.0, 0.0, 0.7], "b": [0.0, 1.0, 0.7]}, {"a": 1.0, "b": 3.0}, level=0.5, top=2)
    assert half.loc["S00", ["rank_low", "rank_high"]].tolist() == [1, 3]
    assert half["share_top"].to_dict() == pytest.approx({"S00": 0.5, "S01": 0.5, "S02": 1.0})
    narrow = space({"a": [1.0, 0.0, 0.7], "b": [0.0, 1.0, 0.7]}, {"a": 1.0, "b": 3.0}, level=0.1)
    assert narrow.loc["S00", ["rank_low", "rank_high"]].tolist() == [2, 3]  # 45 % have 1 or 2


def test_less_is_better_where_the_weight_is_negative() -> None:
    made = space({"a": [1.0, 2.0], "b": [5.0, 5.0]}, {"a": -1.0, "b": 1.0})
    assert made["share_first"].to_dict() == {"S00": 1.0, "S01": 0.0}
    assert np.isnan(made.loc["S01", "weight_a"])
    assert made.loc["S01", ["share_top", "rank_low", "rank_high"]].tolist() == [0.0, 2, 2]


@pytest.mark.parametrize("more", [{}, {"c": [1.0, 2.0, 3.0]}])
def test_a_constant_criterion_takes_its_share_of_the_weights_and_adds_nothing(more: Columns) -> None:
    without = {"a": [3.0, 1.0, 2.0], **more}
    plain = space(without, dict.fromkeys(without, 1.0))
    made = space({**without, "flat": [7.0] * 3}, {**dict.fromkeys(without, 1.0), "flat": 2.0})
    assert made["share_first"].to_dict() == pytest.approx(plain["share_first"].to_dict(), abs=0.01)
    assert made.loc["S00", "weight_flat"] == pytest.approx(1.0 / (len(without) + 1), abs=0.01)


def test_equals_share_the_first_place_and_harm_never_comes_first() -> None:
    made = space({"a": [1.0, 1.0, 0.0, 9.0]}, {"a": 1.0}, benefit=[1.0, 1.0, 1.0, -1.0])
    assert made["share_first"].to_dict() == {"S00": 0.5, "S01": 0.5, "S02": 0.0, "S03": 0.0}
    assert made["rank_low"].to_dict() == {"S00": 1, "S01": 1, "S02": 3, "S03": 4}
    assert (made["rank_low"] == made["rank_high"]).all()


@pytest.mark.parametrize("criteria", [2, 3])
def test_equals_up_to_rounding_are_equal(criteria: int) -> None:
    names = [f"c{k}" for k in range(criteria)]
    nearly = [0.6, 0.6 * (1 + 1e-13), 0.6 * (1 - 1e-11), 1.0, 0.0]
    columns = {name: nearly if k else [*nearly[:3], 0.0, 1.0] for k, name in enumerate(names)}
    made = space(columns, dict.fromkeys(names, 1.0))
    shares = made.loc[["S00", "S01", "S02"], "share_first"]
    assert shares.iloc[0] > 0.01
    assert shares.to_numpy() == pytest.approx(shares.iloc[0], abs=1e-9)
    assert made["share_first"].sum() == pytest.approx(1.0)
    assert made.loc["S00", "share_top"] == pytest.approx(3.0 * shares.iloc[0], abs=1e-9)


def test_a_weight_of_zero_stays_zero() -> None:
    columns = {"a": [1.0, 0.0, 0.7], "b": [0.0, 1.0, 0.7], "none": [0.0, 9.0, 0.0]}
    made = space(columns, {"a": 1.0, "b": 3.0, "none": 0.0})
    assert made["share_first"].to_dict() == pytest.approx({"S00": 0.3, "S01": 0.3, "S02": 0.4})
    assert [c for c in made if c.startswith("weight_")] == ["weight_a", "weight_b"]
    # and as in the list, an action without a value for it has no score
    columns["none"] = [np.nan, 9.0, 0.0]
    made = space(columns, {"a": 1.0, "b": 3.0, "none": 0.0})
    assert made.loc["S00", ["share_first", "rank_low", "rank_high"]].tolist() == [0.0, 3, 3]


@pytest.mark.parametrize("criteria", [1, 2, 3])
def test_actions_without_a_score_come_last_of_their_standing(criteria: int) -> None:
    names = [f"c{k}" for k in range(criteria)]
    columns = {name: [np.nan, 1.0, 2.0, 9.0, np.nan] for name in names}
    made = space(columns, dict.fromkeys(names, 1.0), benefit=[1.0, 1.0, 1.0, -1.0, 1.0])
    ranked, _ = listed(columns, dict.fromkeys(names, 1.0), [1.0, 1.0, 1.0, -1.0, 1.0])
    assert made["rank_low"].to_dict() == ranked.set_index("site")["rank"].to_dict()
    assert made["rank_high"].to_dict() == made["rank_low"].to_dict()
    assert made["share_first"].to_dict() == {"S02": 1.0, "S01": 0.0, "S00": 0.0, "S04": 0.0, "S03": 0.0}
    missing = {name: [np.nan, np.nan, 5.0] for name in names}
    none = space(missing, dict.fromkeys(names, 1.0), benefit=[1.0, 1.0, -1.0])
    assert none["share_first"].tolist() == [0.0] * 3
    assert "No weights put an action first" in weights_sentence(none.reset_index(), criteria)


@given(st.integers(2, 6), st.sampled_from([1, 3, 4]), st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_ranks_are_those_of_the_list_with_each_of_the_weights(actions: int, criteria: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    columns = {f"c{k}": np.round(rng.random(actions), 1).tolist() for k in range(criteria)}
    benefit = rng.choice([1.0, 1.0, -1.0], actions).tolist()
    made = space(columns, dict.fromkeys(columns, 1.0), benefit=benefit, draws=16, top=2, seed=5)
    for site, ranks in ranks_of(columns, benefit, even_weights(criteria, 16, seed=5)).items():
        assert made.loc[site, "rank_low"] == ranks.min()
        assert made.loc[site, "rank_high"] == ranks.max()
        assert made.loc[site, "share_top"] == pytest.approx((ranks <= 2).mean())
    assert made["share_first"].sum() == pytest.approx(1.0)


@given(st.integers(1, 8), st.integers(0, 2**32 - 1), st.sampled_from([0, 1, 2, 9]))
@settings(max_examples=15, deadline=None)
def test_two_criteria_are_as_the_list_on_a_fine_grid(actions: int, seed: int, digits: int) -> None:
    rng = np.random.default_rng(seed)
    columns = {name: np.round(rng.random(actions), digits).tolist() for name in "ab"}
    benefit = rng.choice([1.0, 1.0, 1.0, -1.0], actions).tolist()
    made = space(columns, {"a": 1.0, "b": 1.0}, benefit=benefit, top=2)
    cells = 48
    # off the middle of the cells, where rounded values cross
    at = (np.arange(cells) + 0.4567) / cells
    ranks = ranks_of(columns, benefit, np.column_stack([at, 1.0 - at]))
    best = ranks.eq(ranks.min(axis=1), axis=0)
    part = best.div(best.sum(axis=1), axis=0)
    assert made["share_first"].sum() == pytest.approx(1.0)
    for site in ranks:
        row = made.loc[site]
        # each crossing moves less than a cell from one side to the other
        assert row["share_first"] == pytest.approx(part[site].mean(), abs=2.01 / cells)
        assert row["share_top"] == pytest.approx((ranks[site] <= 2).mean(), abs=(actions + 0.01) / cells)
        assert row["rank_low"] <= ranks[site].min()
        assert row["rank_high"] >= ranks[site].max()
        if part[site].sum() > 3:
            centre = float((part[site] * at).sum() / part[site].sum())
            assert row["weight_a"] == pytest.approx(centre, abs=1.0 / part[site].sum())


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=10, deadline=None)
def test_the_exact_way_and_the_drawn_one_agree(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.random((200, 2))
    columns = {"a": x[:, 0].tolist(), "b": x[:, 1].tolist()}
    exact = space(columns, {"a": 1.0, "b": -2.0}, top=10, level=0.8)
    ranked, _ = listed(columns, {"a": 1.0, "b": -2.0})
    shares = ranked[["term_a", "term_b"]].to_numpy() / [1.0, 2.0]
    w = even_weights(2, 4096, seed=3)
    scores = shares @ w.T
    ranks = pd.DataFrame((-scores).argsort(axis=0).argsort(axis=0) + 1, index=ranked["site"])
    assert exact["share_top"].to_numpy() == pytest.approx((ranks <= 10).mean(axis=1)[exact.index].to_numpy(), abs=0.003)
    first = (ranks == 1).mean(axis=1)
    assert exact["share_first"].to_numpy() == pytest.approx(first[exact.index].to_numpy(), abs=0.003)
    assert (first[first > 0.001].index.isin(exact.index)).all()
    for site, row in exact.iterrows():
        ends = np.quantile(ranks.loc[site], [0.095, 0.105, 0.895, 0.905])
        assert ends[0] - 1 <= row["rank_low"] <= ends[1] + 1
        assert ends[2] - 1 <= row["rank_high"] <= ends[3] + 1


@pytest.mark.parametrize("criteria", [2, 3])
def test_what_some_weights_put_first_is_told_however_far_down_the_list(criteria: int) -> None:
    n = 60
    columns = {"a": [*np.linspace(1.0, 0.4, n - 1), 0.0], "b": [0.0] * (n - 1) + [1.0], "c": [1.0] * n}
    kept = dict(list(columns.items())[:criteria])
    made = space(kept, {name: 0.01 if name == "b" else 1.0 for name in kept})
    assert "S59" in made.index
    assert len(made) == 31
    assert made.loc["S59", "share_first"] == pytest.approx(0.5, abs=0.01)
    assert made.loc["S59", "rank_high"] == n


def test_same_seed_same_table_and_the_list_is_left_alone() -> None:
    rng = np.random.default_rng(4)
    columns = {name: rng.random(40).tolist() for name in "abcd"}
    ranked, rule = listed(columns, dict.fromkeys(columns, 1.0))
    kept = ranked.copy()
    one, two, other = (weight_space(ranked, rule, top=5, level=0.9, seed=s) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(one, two)
    pd.testing.assert_frame_equal(ranked, kept)
    assert not one.equals(other)
    assert one["share_first"].to_numpy() == pytest.approx(other["share_first"].to_numpy()[: len(one)], abs=0.01)


@pytest.mark.parametrize("criteria", [1, 2, 5])
def test_thousands_of_equals_are_quick(criteria: int) -> None:
    names = [f"c{k}" for k in range(criteria)]
    n = 5000
    table = pd.DataFrame({f"term_{name}": np.zeros(n) for name in names}).assign(site=range(n), name="", action="do")
    rule = RankingRule(by="criteria", weights=dict.fromkeys(names, 1.0), points=True)
    begun = time.process_time()
    made = weight_space(table.assign(rank=1, standing="worth doing"), rule, top=1, level=0.9, seed=1)
    assert time.process_time() - begun < 20.0  # counted one by one it would take minutes
    assert made["share_first"].to_numpy() == pytest.approx(1.0 / n)
    assert made[["rank_low", "rank_high", "share_top"]].to_numpy().tolist() == [[1, 1, 1]] * n


@pytest.mark.parametrize("criteria", [1, 2, 3])
def test_an_empty_list_has_an_empty_table(criteria: int) -> None:
    names = [f"c{k}" for k in range(criteria)]
    ranked, rule = listed({name: [1.0, 2.0] for name in names}, dict.fromkeys(names, 1.0))
    made = weight_space(ranked.head(0), rule, top=1, level=0.9, seed=1)
    assert made.empty
    assert list(made)[-criteria:] == [f"weight_{name}" for name in names]


def test_what_is_out_of_range_is_refused() -> None:
    ranked, rule = listed({"a": [1.0, 2.0]}, {"a": 1.0})
    for more in ({"top": 0}, {"level": 0.0}, {"level": 1.1}, {"draws": 0}):
        with pytest.raises(ValueError, match="give a list ranked by criteria"):
            weight_space(ranked, rule, **{"top": 1, "level": 0.9, "seed": 1, **more})
    with pytest.raises(ValueError, match="by 'net_benefit'"):
        weight_space(ranked, RankingRule(by="net_benefit"), top=1, level=0.9, seed=1)


def test_in_words() -> None:
    made = space({"a": [1.0, 0.0], "b": [0.0, 1.0]}, {"a": 1.0, "b": 1.0}).reset_index()
    assert weights_sentence(made, 2) == (
        "Of all weights that the 2 criteria could be given, 50 % put S00: do first; 2 actions can come first."
    )
    assert "50 % put S00: do first (50 % among the first 3);" in weights_sentence(made, 2, top=3)
    assert weights_sentence(made.head(0), 2) == ""
    rare = made.assign(share_first=[0.998, 0.002], name=["Alder\nweir", None])
    assert "more than 99 % put Alder weir: do first; 2 actions" in weights_sentence(rare, 2)
    assert "first; 2 actions can come first." in weights_sentence(made.assign(action="x" * 9000), 2)
    assert len(weights_sentence(made.assign(action="x" * 9000), 2)) < 200
    alone = made.assign(share_first=[1.0, 0.0])
    assert "100 % put S00: do first; no other action can come first" in weights_sentence(alone, 2)
    assert weights_sentence(alone, 1) == "With one criterion there is nothing to weigh: S00: do comes first."
    assert "2 equal actions share the first place" in weights_sentence(made, 1)
