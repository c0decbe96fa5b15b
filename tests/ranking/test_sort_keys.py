"""By what rows are sorted in many draws, and who is equal: against the plain definition, number by number."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.ranking import kernels_order
from barrierrank.ranking.order import STANDINGS, TIE_TOLERANCE, Amounts, SortKeys, groups_of, sort_keys
from barrierrank.ranking.rules import RankingRule

RULES = [
    RankingRule(),
    RankingRule("net_benefit"),
    RankingRule(points=True),
    RankingRule("criteria", {"benefit": 1.0, "cost": -0.5}),
]
NUMBERS = [-2.0, -1e-12, 0.0, 0.0, 1e-12, 1.0, 1.0 + 1e-12, 2.0, 1e9, math.nan, math.inf, -math.inf]


def drawn(rng: np.random.Generator, n: int, d: int, *, given_too: bool) -> Amounts:
    """Draw amounts of few different sizes, some missing or infinite, costs 0 or above."""
    benefit, saved = rng.choice(NUMBERS, (n, d)), rng.choice(NUMBERS, (n, d))
    cost = np.abs(rng.choice([0.0, 1.0, 1e-9, 3.0, math.nan, math.inf], (n, d)))
    gain, worth = rng.choice(NUMBERS, (2, n, d)), rng.choice(NUMBERS, (2, n, d))
    with np.errstate(divide="ignore", invalid="ignore"):
        net, ratio = (benefit - cost, benefit / cost) if given_too else (None, None)
    return Amounts(benefit, cost, saved, gain, worth, net, ratio)


def sized(values: list[float]) -> float:
    return sum(abs(v) for v in values if math.isfinite(v))


def held(x: float) -> float:
    return float(np.nan_to_num(x))


def plain(a: Amounts, c: int, rule: RankingRule, score: np.ndarray) -> tuple[list[str], list[tuple[int, float, float]]]:
    """Return the standing of each row of one draw, and zone, number and scale, as the list is described."""
    n = len(a.benefit)
    amounts = [a.saved[:, c], *a.gain[:, :, c]]
    greatest = [max(abs(held(v)) for v in column) for column in amounts]
    standing, keys = [], []
    for i in range(n):
        b, spent = float(a.benefit[i, c]), float(a.cost[i, c])
        gross = sized([b, a.saved[i, c], *a.worth[:, i, c]])
        pairs = zip(amounts, greatest, strict=True)
        moves = any(abs(held(column[i])) > TIE_TOLERANCE * most for column, most in pairs)
        zero, net = abs(b) <= TIE_TOLERANCE * gross, b if rule.points else b - spent
        if not zero and b < 0.0:
            said = "more harm than good"
        elif zero and (not moves or rule.points or spent <= 0.0):
            said = "no effect"
        elif math.isnan(b) or math.isnan(net):
            said = "not known"
        elif not zero and net > TIE_TOLERANCE * (gross + (0.0 if rule.points else held(spent))):
            said = "worth doing"
        else:
            said = "costs more than it brings"
        standing.append(said)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio, share = np.float64(b) / spent, np.float64(gross) / spent
        harm = said == "more harm than good"
        free = rule.by == "benefit_per_cost" and not harm and (ratio == math.inf or (spent == 0.0 and b > 0.0))
        if rule.by == "criteria":
            number, scale = float(score[i]), 1.5
        elif rule.by == "net_benefit":
            number, scale = net, gross + held(spent)
        elif harm or free:
            number, scale = b, gross
        else:
            number = 0.0 if said == "no effect" else float(ratio)
            scale = float(np.maximum(abs(ratio), share))
        zone = 2 if not math.isfinite(number) else 0 if free else 1
        keys.append((zone, number if zone < 2 else 0.0, float(np.nan_to_num(scale, posinf=0.0))))
    return standing, keys


@given(st.integers(0, 10**6), st.integers(1, 20), st.sampled_from(RULES), st.booleans())
@settings(max_examples=150, deadline=None)
def test_keys_of_every_draw_are_those_of_the_definition(seed: int, n: int, rule: RankingRule, given_too: bool) -> None:
    rng = np.random.default_rng(seed)
    d, draws = 7, slice(2, 6)
    amounts = drawn(rng, n, d, given_too=given_too)
    scores = rng.choice([0.0, 0.5, 1.0, math.nan], (4, n))
    made = sort_keys(amounts, rule, scores if rule.by == "criteria" else None, draws=draws)
    for k, c in enumerate(range(d)[draws]):
        standing, keys = plain(amounts, c, rule, scores[k])
        assert [STANDINGS[s] for s in made.standing[k]] == standing
        assert (made.kind[k] % 3).tolist() == [zone for zone, _, _ in keys]
        assert made.numbered[k].tolist() == [zone < 2 for zone, _, _ in keys]
        np.testing.assert_array_equal(made.value[k], [number for _, number, _ in keys])
        np.testing.assert_array_equal(made.scale[k], [scale for _, _, scale in keys])
        tier = {s: i for i, s in enumerate(STANDINGS)}
        if rule.by == "criteria":
            tier |= {"costs more than it brings": 0, "not known": 0, "no effect": 1, "more harm than good": 2}
        assert (made.kind[k] // 3).tolist() == [tier[s] for s in standing]


@given(st.integers(0, 10**6), st.integers(1, 40))
@settings(max_examples=150, deadline=None)
def test_groups_link_neighbours_that_differ_by_rounding(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.choice([1.0, 2.0, 100.0], n) * (1.0 + rng.choice([0.0, 4e-10, 9e-10, 3e-9], n))
    scale = rng.choice([0.0, 1.0, 100.0, 1e9], n)
    kind = rng.choice([0, 1, 4, 14], n).astype(np.int8)
    keys = SortKeys(np.zeros((1, n), dtype=np.int8), kind[None], value[None], scale[None])
    # plainly: sorted by all keys, a new group wherever neighbours differ by more than rounding
    order = np.lexsort((scale, -value, kind))
    want, number = np.empty(n, dtype=np.int64), -1
    for k, row in enumerate(order):
        last = order[k - 1]
        step = value[last] - value[row] > TIE_TOLERANCE * max(scale[last], scale[row])
        number += k == 0 or bool(kind[last] != kind[row]) or bool(step)
        want[row] = number
    np.testing.assert_array_equal(groups_of(keys, 0), want)


def test_ranks_of_groups_by_hand() -> None:
    group, by_place = np.array([1, 0, 1, 2, 1]), np.array([4, 3, 2, 1, 0])
    assert kernels_order.ranks(group, by_place, True).tolist() == [2, 1, 2, 5, 2]
    assert kernels_order.ranks(group, by_place, False).tolist() == [4, 1, 3, 5, 2]
    none = np.empty(0, dtype=np.int64)
    assert kernels_order.ranks(none, none, False).size == 0


@pytest.mark.parametrize("rule", RULES)
def test_no_rows_have_no_keys(rule: RankingRule) -> None:
    none = np.empty((0, 2))
    made = sort_keys(Amounts(none, none, none, none[None], none[None]), rule, np.empty((2, 0)))
    assert made.value.shape == made.kind.shape == (2, 0)
    assert groups_of(made, 1).size == 0
