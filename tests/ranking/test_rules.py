"""What makes a ranking rule, and how each fault is told."""

from __future__ import annotations

import math

import pytest

from barrierrank.problems import UsageError
from barrierrank.ranking.rules import RankingRule, allowed_criteria, rule_problems


def test_a_rule_keeps_its_own_weights() -> None:
    weights = {"cost": -1.0}
    rule = RankingRule("criteria", weights)
    weights["benefit"] = 2.0
    assert rule.weights == {"cost": -1.0}
    with pytest.raises(AttributeError):
        rule.by = "net_benefit"  # type: ignore[misc]


def test_allowed_criteria_follow_the_species() -> None:
    money = allowed_criteria(["lamprey"], points=False)
    assert {"gain_lamprey", "worth_lamprey", "net_benefit", "cost", "treatment_saved"} <= set(money)
    assert list(money) == sorted(money)
    assert set(money) - set(allowed_criteria(["lamprey"], points=True)) == {"net_benefit"}
    assert "trout_redds" in allowed_criteria([], points=True, extra=["trout_redds"])


def test_net_benefit_needs_money() -> None:
    with pytest.raises(UsageError, match="by = 'net_benefit' needs values in money"):
        RankingRule("net_benefit", points=True)
    with pytest.raises(UsageError, match="criterion 'net_benefit' cannot be had: values are points"):
        RankingRule("criteria", {"net_benefit": 1.0}, points=True).check_columns(["cost", "benefit"])


def test_unknown_ways_and_criteria_are_named_with_what_is_allowed() -> None:
    with pytest.raises(UsageError, match="'cost' is not a way to rank -> use one of benefit_per_cost, net"):
        RankingRule("cost")  # type: ignore[arg-type]
    rule = RankingRule("criteria", {"gain_laprey": -1.0, "cost": -1.0, "beauty": 3.0})
    with pytest.raises(UsageError, match="'beauty', 'gain_laprey' -> use any of cost, gain_lamprey"):
        rule.check_columns(["gain_lamprey", "cost"])


def test_every_fault_is_told_at_once() -> None:
    found = rule_problems(
        "criteria",
        {"a": math.nan, "b": "much", "c": True, "d": math.inf, "e": 1},  # type: ignore[dict-item]
        points=False,
        allowed=["a", "b", "c", "d"],
        where="project.toml",
    )
    assert [(p.kind, p.severity, p.where) for p in found] == [
        *[("ranking_weight", "error", "project.toml")] * 4,
        ("ranking_criterion", "error", "project.toml"),
    ]
    assert "'b' is 'much'" in found[1].message
    assert all(p.remedy for p in found)


@pytest.mark.parametrize("weights", [{}, {"cost": 0.0}])
def test_criteria_need_weights(weights: dict[str, float]) -> None:
    with pytest.raises(UsageError, match="needs at least one weight other than 0"):
        RankingRule("criteria", weights)


def test_unused_weights_are_a_warning_only() -> None:
    rule = RankingRule("net_benefit", {"cost": -1.0})
    (only,) = rule_problems(rule.by, rule.weights, points=False)
    assert (only.severity, only.kind) == ("warning", "ranking_weights_unused")
    assert rule_problems("benefit_per_cost", {}, points=True) == []


def test_rules_described() -> None:
    assert "benefit for each USD" in RankingRule().described("USD")
    assert "points for each unit of money" in RankingRule(points=True).described()
    assert "less what it costs" in RankingRule("net_benefit").described("USD")
    assert "cost (-1), gain_walleye (+2.5)" in RankingRule(
        "criteria", {"gain_walleye": 2.5, "cost": -1.0}
    ).described("USD")
