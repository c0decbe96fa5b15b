"""Ranks over all weights of the criteria: against fine grids, exact areas and plain counting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.problems import Problems
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.weight_space import even_weights, weight_space, weights_sentence


def listed(
    columns: dict[str, list[float]], weights: dict[str, float], benefit: list[float] | None = None
) -> tuple[pd.DataFrame, RankingRule]:
    """Return a list ranked by criteria, one action a site."""
    n = len(next(iter(columns.values())))
    gain = np.ones(n) if benefit is None else np.array(benefit)
    zero = np.zeros(n)
    table = {
        "site": [f"S{i}" for i in range(n)], "name": "", "action": "do", "cost": 1.0, "present_worth_cost": zero + 1.0,
        "cost_capital": 1.0, "cost_upkeep": 0.0, "cost_replacement": 0.0, "treatment_saved": zero, "benefit": gain,
        "net_benefit": np.nan, "benefit_per_cost": gain, "gain_x": gain, "worth_x": gain,
    }  # fmt: skip
    rule = RankingRule(by="criteria", weights=weights, points=True)
    return rank_actions(pd.DataFrame({**table, **columns}), rule, problems=Problems()), rule


def space(columns: dict[str, list[float]], weights: dict[str, float], **more: object) -> pd.DataFrame:
    ranked, rule = listed(columns, weights, more.pop("benefit", None))
    return weight_space(ranked, rule, **{"top": 1, "level": 1.0, "seed": 1, **more}).set_index("site")


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
    # scores w, 1 - w, 0.7: the third is first between w = 0.3 and 0.7
    made = space({"a": [1.0, 0.0, 0.7], "b": [0.0, 1.0, 0.7]}, {"a": 1.0, "b": 3.0})
    assert made["share_first"].to_dict() == pytest.approx({"S0": 0.3, "S1": 0.3, "S2": 0.4}, abs=0.002)
    assert made.loc["S0", "weight_a"] == pytest.approx(0.85, abs=0.002)
    assert made.loc["S2", "weight_a"] == pytest.approx(0.5, abs=0.002)
    assert made[["rank_low", "rank_high"]].loc["S2"].tolist() == [1, 2]
    assert made[["rank_low", "rank_high"]].loc["S0"].tolist() == [1, 3]
    assert (made["share_top"] == made["share_first"]).all()


def test_less_is_better_where_the_weight_is_negative() -> None:
    made = space({"a": [1.0, 2.0], "b": [5.0, 5.0]}, {"a": -1.0, "b": 1.0})
    assert made["share_first"].to_dict() == {"S0": 1.0, "S1": 0.0}
    assert np.isnan(made.loc["S1", "weight_a"])


def test_equals_share_the_first_place_and_harm_never_comes_first() -> None:
    made = space({"a": [1.0, 1.0, 0.0, 9.0]}, {"a": 1.0}, benefit=[1.0, 1.0, 1.0, -1.0])
    assert made["share_first"].to_dict() == {"S0": 0.5, "S1": 0.5, "S2": 0.0, "S3": 0.0}
    assert made["rank_low"].to_dict() == {"S0": 1, "S1": 1, "S2": 3, "S3": 4}
    assert (made["rank_low"] == made["rank_high"]).all()


@given(st.integers(2, 6), st.integers(1, 4), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_ranks_are_those_of_the_list_with_each_of_the_weights(actions: int, criteria: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = [f"c{k}" for k in range(criteria)]
    columns = {name: np.round(rng.random(actions), 1).tolist() for name in names}
    benefit = rng.choice([1.0, 1.0, -1.0], actions).tolist()
    weights = dict.fromkeys(names, 1.0)
    made = space(columns, weights, benefit=benefit, draws=16, top=2, seed=5)
    seen: dict[str, list[int]] = {site: [] for site in made.index}
    for row in even_weights(criteria, 16, seed=5):
        again, _ = listed(columns, dict(zip(sorted(names), np.maximum(row, 1e-12), strict=True)), benefit)
        for site, rank in zip(again["site"], again["rank"], strict=True):
            seen[site].append(rank)
    for site, ranks in seen.items():
        assert made.loc[site, "rank_low"] == min(ranks)
        assert made.loc[site, "rank_high"] == max(ranks)
        assert made.loc[site, "share_top"] == pytest.approx(np.mean(np.array(ranks) <= 2))
    assert made["share_first"].sum() == pytest.approx(1.0)


def test_what_some_weights_put_first_is_told_however_far_down_the_list() -> None:
    n = 60
    made = space({"a": [*np.linspace(1.0, 0.4, n - 1), 0.0], "b": [0.0] * (n - 1) + [1.0]}, {"a": 1.0, "b": 0.01})
    assert "S59" in made.index
    assert len(made) == 31
    assert made.loc["S59", "share_first"] == pytest.approx(0.5, abs=0.01)


def test_in_words() -> None:
    made = space({"a": [1.0, 0.0], "b": [0.0, 1.0]}, {"a": 1.0, "b": 1.0}).reset_index()
    assert "the 2 criteria" in weights_sentence(made, 2)
    assert "2 actions can come first" in weights_sentence(made, 2)
    assert weights_sentence(made.head(0), 2) == ""
