"""Value of information: against slow definitions, cases by hand, and what must hold whatever the numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.ranking.information import (
    Source,
    price_of_budget,
    worth_of_everything,
    worth_of_learning,
    worth_together,
)
from barrierrank.ranking.information_fit import basis, fitted, gains
from barrierrank.ranking.information_rivals import decide, rivals

SEEDS = st.integers(0, 10**6)


def rows(*at: int) -> np.ndarray:
    return np.array(at, dtype=np.int64)


def best_of_sites(worth: np.ndarray, site: np.ndarray) -> float:
    """Return the sum over sites of the best of them or nothing; NaN is never chosen."""
    total = 0.0
    for s in np.unique(site):
        known = worth[(site == s) & ~np.isnan(worth)]
        total += max(0.0, float(known.max(initial=0.0)))
    return total


def by_groups(v: np.ndarray, site: np.ndarray, group: np.ndarray, affected: np.ndarray) -> float:
    """Return the value of knowing the group of a draw: the definition, group by group."""
    now, total = v.mean(axis=1), 0.0
    affected = affected[~np.isnan(now[affected])]
    for g in np.unique(group):
        mean = now.copy()
        mean[affected] = v[np.ix_(affected, np.flatnonzero(group == g))].mean(axis=1)
        total += (group == g).mean() * best_of_sites(mean, site)
    return total - best_of_sites(now, site)


def tiny(seed: int, *, noise: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return worths, sites, groups of draws and the rows that depend on them."""
    rng = np.random.default_rng(seed)
    a, cells = int(rng.integers(1, 9)), int(rng.integers(2, 7))
    group = np.repeat(np.arange(cells), rng.integers(2, 9, cells))
    affected = np.flatnonzero(rng.random(a) < 0.7)
    v = np.repeat(rng.normal(-0.3, 1.0, (a, 1)), group.size, axis=1)
    v[affected] += rng.normal(0.0, 1.0, (affected.size, cells))[:, group]
    v += noise * rng.standard_normal(v.shape)
    if rng.random() < 0.3:
        v[rng.integers(a), 0] = np.nan
    return v, rng.integers(0, 4, a) * 10, group, affected.astype(np.int64)


# ---- the price of the budget

BENEFIT, COST, SITE = [90.0, 50.0, 40.0, 12.0, 3.0, -5.0], [30.0, 10.0, 10.0, 10.0, 10.0, 1.0], [1, 1, 2, 3, 4, 5]
# best of each site for each unit of cost: 5 (the second action of site 1), 4, 1.2, 0.3; site 5 does harm


@pytest.mark.parametrize(
    ("top", "points", "price"),
    [
        *[(1, False, 4.5), (2, False, 2.6), (3, False, 1.0), (4, False, 1.0), (9, False, 1.0)],
        *[(1, True, 4.5), (2, True, 2.6), (3, True, 0.75), (4, True, 0.0), (9, True, 0.0)],
    ],
)
def test_price_of_budget_by_hand(top: int, points: bool, price: float) -> None:
    assert price_of_budget(BENEFIT, COST, SITE, top=top, points=points) == pytest.approx(price)


def test_price_where_actions_are_free_or_unknown() -> None:
    assert price_of_budget([1.0, 6.0, 4.0], [0.0, 2.0, 2.0], [1, 2, 3], top=1, points=True) == 6.0  # twice the next
    assert price_of_budget([1.0, 1.0, 4.0], [0.0, 0.0, 2.0], [1, 2, 3], top=1, points=True) == 4.0
    assert price_of_budget([1.0, 1.0], [0.0, 0.0], [1, 2], top=1, points=False) == 1.0
    assert price_of_budget([0.0, -1.0], [0.0, 0.0], [1, 2], top=1, points=True) == 0.0
    assert price_of_budget([np.nan, 8.0, 4.0], [1.0, 2.0, 2.0], [1, 2, 3], top=1, points=True) == 3.0
    assert price_of_budget([5.0, 5.0], [1.0, 1.0], [1, 2], top=1, points=True) == 5.0
    assert price_of_budget([], [], [], top=3, points=True) == 0.0


@given(SEEDS, st.integers(1, 6))
@settings(max_examples=100, deadline=None)
def test_at_its_price_the_first_sites_are_done_and_no_more(seed: int, top: int) -> None:
    rng = np.random.default_rng(seed)
    a = int(rng.integers(1, 15))
    benefit, cost, site = rng.random(a), rng.random(a), rng.integers(0, 8, a)
    price = price_of_budget(benefit, cost, site, top=top, points=True)
    done = np.unique(site[benefit - price * cost > 0.0])
    assert done.size == min(top, np.unique(site).size)


def test_price_tells_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="top must be 1 or more, got 0"):
        price_of_budget([1.0], [1.0], [1], top=0, points=True)
    with pytest.raises(ValueError, match="as long"):
        price_of_budget([1.0, 2.0], [1.0], [1], top=1, points=True)


# ---- worth of everything, and of what takes few values


def test_two_states_by_hand() -> None:
    # raise: +10 or -6, even odds, mean 2; remove: -1 or 3, mean 1. Knowing: (10 + 3) / 2 = 6.5, so 4.5 more
    v = np.array([[10.0, -6.0], [-1.0, 3.0]]).repeat(4, axis=1)
    state = np.array([[0.0, 1.0]]).repeat(4, axis=1)
    got = worth_of_learning(v, [7, 7], [Source(state, None, rows(0, 1))], seed=0)
    assert worth_of_everything(v, [7, 7]) == pytest.approx(4.5)
    assert got.perfect == pytest.approx([4.5])
    assert got.chance_changed == pytest.approx([0.5])
    assert np.isnan(got.survey).all()
    # only the first can change: with the second at its mean, (10 + 1) / 2 - 2
    got = worth_of_learning(v, [7, 7], [Source(state, state, rows(0))], seed=0)
    assert got.perfect == got.survey == pytest.approx([3.5])
    # apart, both: (10 + 0) / 2 - 2 and (0 + 3) / 2 - 1
    assert worth_of_learning(v, [7, 8], [Source(state, None, rows(0, 1))], seed=0).perfect == pytest.approx([3.5])


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_everything_is_the_definition(seed: int) -> None:
    v, site, _, _ = tiny(seed, noise=1.0)
    sure = ~np.isnan(v).any(axis=1)
    known, at = v[sure], site[sure]
    want = np.mean([best_of_sites(known[:, i], at) for i in range(v.shape[1])]) - best_of_sites(known.mean(axis=1), at)
    assert worth_of_everything(v, site) == pytest.approx(want, abs=1e-12)


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_few_values_that_explain_all_are_exact(seed: int) -> None:
    v, site, group, affected = tiny(seed, noise=0.0)
    before = v.copy()
    x = np.random.default_rng(seed).normal(size=7)[group][None]
    got = worth_of_learning(v, site, [Source(x, x, affected)], seed=1)
    want = by_groups(v, site, group, affected)
    assert got.perfect[0] == pytest.approx(want, abs=1e-9)
    assert got.survey[0] == got.perfect[0]
    assert got.perfect[0] <= worth_of_everything(v, site) + 1e-9
    np.testing.assert_array_equal(v, before)
    order = np.random.default_rng(seed).permutation(group.size)
    moved = worth_of_learning(v[:, order], site, [Source(x[:, order], None, affected)], seed=1)
    assert moved.perfect[0] == pytest.approx(want, abs=1e-9)


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_before_chance_is_taken_off_few_values_give_the_means_of_groups(seed: int) -> None:
    v, site, group, affected = tiny(seed, noise=1.0)
    of = rivals(decide(v, site), affected)
    q = basis(group[None].astype(float))
    got = gains(of, fitted(v, of, q)[0], q)
    assert got.min(initial=0.0) >= 0.0
    assert got.mean() == pytest.approx(by_groups(v, site, group, affected), abs=1e-9)


def test_two_numbers_of_few_values_are_told_apart_together() -> None:
    # good only where the two are alike: neither tells anything by itself
    first, second = np.tile([0.0, 0.0, 1.0, 1.0], 8), np.tile([0.0, 1.0, 0.0, 1.0], 8)
    v = np.where(first == second, 2.0, -2.0)[None]
    alone = [Source(x[None], None, rows(0)) for x in (first, second)]
    assert worth_of_learning(v, [0], alone, seed=3).perfect.tolist() == [0.0, 0.0]
    assert worth_together(v, [0], alone, seed=3, survey=False) == pytest.approx(1.0)
    both = Source(np.stack([first, second]), None, rows(0))
    assert worth_of_learning(v, [0], [both], seed=3).perfect == pytest.approx([1.0])


# ---- regression


def some_river(seed: int, draws: int = 400) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return worths of 30 actions at 12 sites that hang on five numbers, these sites, and the numbers."""
    rng = np.random.default_rng(seed)
    x = rng.random((5, draws))
    site = np.sort(rng.integers(0, 12, 30))
    v = rng.normal(-0.5, 0.5, (30, 1)) + rng.normal(0.0, 1.0, (30, 4)) @ (x[:4] - 0.5)
    return v + 0.3 * rng.standard_normal((30, draws)), site, x


@given(SEEDS)
@settings(max_examples=25, deadline=None)
def test_what_must_hold(seed: int) -> None:
    v, site, x = some_river(seed)
    everywhere = np.arange(30)
    survey = [x[:1] + 0.3 * np.random.default_rng(seed).standard_normal((1, 400)), None, None, x[3:4], x[4:]]
    sources = [Source(x[k : k + 1], survey[k], everywhere) for k in range(5)]
    got = worth_of_learning(v, site, sources, seed=2)
    for values in (got.perfect, got.error):
        assert (values >= 0.0).all()
    assert np.isnan(got.survey).tolist() == [False, True, True, False, False]
    known = ~np.isnan(got.survey)
    assert (got.survey[known] <= got.perfect[known]).all()
    assert (got.survey[known] >= 0.0).all()
    assert got.survey[3] == got.perfect[3]
    assert (got.perfect <= worth_of_everything(v, site) + 2.0 * got.error).all()
    assert ((got.chance_changed >= 0.0) & (got.chance_changed <= 1.0)).all()
    together = worth_together(v, site, sources, seed=2, survey=False)
    assert together >= got.perfect.max() - 3.0 * got.error.max()
    # the others, and their order, change nothing; nor does much the order of draws
    turned = worth_of_learning(v, site, sources[::-1], seed=2)
    np.testing.assert_array_equal(turned.perfect[::-1], got.perfect)
    order = np.random.default_rng(seed).permutation(400)
    moved = worth_of_learning(v[:, order], site, [Source(x[:1, order], None, everywhere)], seed=2)
    assert abs(moved.perfect[0] - got.perfect[0]) <= 2.0 * got.error[0]


def test_what_has_nothing_to_do_with_worth_is_worth_nothing() -> None:
    worth = []
    for seed in range(40):
        v, site, x = some_river(seed)
        worth.append(worth_of_learning(v, site, [Source(x[4:], None, np.arange(30))], seed=1).perfect[0])
    assert np.count_nonzero(worth) <= 6
    assert np.mean(worth) < 0.01


def test_few_that_matter_among_many_that_do_not() -> None:
    # one site that hangs on the number, 1,500 that do not and whose decision is close: plain fits say far too much
    rng = np.random.default_rng(4)
    x = rng.standard_normal((1, 500))
    v = rng.standard_normal((1501, 500)) - 0.05
    v[0] = 8.0 * x[0] - 4.0
    all_rows = np.arange(1501)
    of, q = rivals(decide(v, all_rows), all_rows), basis(x)
    alone = worth_of_learning(v[:1], rows(0), [Source(x, None, rows(0))], seed=1)
    got = worth_of_learning(v, all_rows, [Source(x, None, all_rows)], seed=1)
    assert gains(of, fitted(v, of, q)[0], q).mean() > 8.0 * alone.perfect[0]
    assert got.perfect[0] == pytest.approx(alone.perfect[0], abs=3.0 * got.error[0])
    assert got.error[0] < 0.3 * got.perfect[0]
    assert got.chance_changed[0] == pytest.approx(alone.chance_changed[0], abs=0.05)
    got = worth_of_learning(v, all_rows, [Source(x, None, all_rows[1:])], seed=1)
    assert got.perfect[0] == got.chance_changed[0] == 0.0


def test_chance_that_knowing_changes_what_is_done() -> None:
    # done now, mean 0.4, spread 1: not done where the number is below -0.4
    u = (np.random.default_rng(1).permutation(1000) + 0.5) / 1000.0
    x = np.log(u / (1.0 - u))[None]
    noise = 0.5 * np.random.default_rng(2).standard_normal(1000)
    got = worth_of_learning(0.4 + x + noise, [0], [Source(x, None, rows(0))], seed=1)
    assert got.chance_changed[0] == pytest.approx(1.0 / (1.0 + math.exp(0.4)), abs=0.03)


def test_bias_is_taken_off() -> None:
    # ten sites of one action, mean -0.1, three numbers of which one explains a standard deviation of 0.5, noise 3: the
    # best of noisy fits is too high by far more than what is left after the correction
    z = 0.1 / 0.5
    one = 0.5 * (math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) - z * 0.5 * math.erfc(z / math.sqrt(2.0)))
    plain, corrected = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        x = rng.standard_normal((3, 500))
        v = 0.5 * x[0] + 3.0 * rng.standard_normal((10, 500))
        v += -0.1 - v.mean(axis=1, keepdims=True)
        of, q = rivals(decide(v, range(10)), np.arange(10)), basis(x)
        plain.append(gains(of, fitted(v, of, q)[0], q).mean())
        corrected.append(worth_of_learning(v, range(10), [Source(x, None, np.arange(10))], seed=seed).perfect[0])
    assert np.mean(plain) / (10.0 * one) > 1.2
    assert np.mean(corrected) / (10.0 * one) == pytest.approx(1.0, abs=0.08)


def test_two_that_matter_only_together() -> None:
    # worth is the product of two standard normal numbers: the mean of its positive part is 1 / pi
    rng = np.random.default_rng(5)
    x = rng.standard_normal((2, 2000))
    v = (x[0] * x[1])[None]
    sources = [Source(x[k : k + 1], x[k : k + 1], rows(0)) for k in range(2)]
    assert worth_together(v, [0], sources, seed=1) == pytest.approx(1.0 / math.pi, abs=0.05)
    assert worth_of_learning(v, [0], sources, seed=1).perfect.max() < 0.05


def test_together_counts_what_can_be_surveyed_and_unites_rows() -> None:
    rng = np.random.default_rng(8)
    x = rng.standard_normal((2, 1000))
    sources = [Source(x[:1], x[:1], rows(0)), Source(x[1:], None, rows(1))]
    alone = worth_of_learning(x, [0, 1], sources, seed=1).perfect
    assert worth_together(x, [0, 1], sources, seed=1) == pytest.approx(alone[0])
    assert worth_together(x, [0, 1], sources, seed=1, survey=False) == pytest.approx(alone.sum(), rel=0.05)
    assert worth_together(x, [0, 1], sources[1:], seed=1) == 0.0
    assert worth_together(x, [0, 1], [], seed=1, survey=False) == 0.0


def test_many_numbers_in_few_draws() -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((20, 300))
    v = (x.sum(axis=0) - 1.0)[None]
    sources = [Source(row[None], None, rows(0)) for row in x]
    assert worth_together(v, [0], sources, seed=1, survey=False) == pytest.approx(worth_of_everything(v, [0]), rel=0.1)
    assert worth_together(v[:, :30], [0], [Source(x[:, :30], None, rows(0))], seed=1, survey=False) == 0.0


def test_nothing_is_learnt_from_what_does_not_vary_or_too_few_draws() -> None:
    v = np.random.default_rng(0).standard_normal((3, 40))
    still = Source(np.full((2, 40), 0.3), np.full((1, 40), 0.3), rows(0, 1, 2))
    got = worth_of_learning(v, [0, 0, 1], [still, Source(v[:1], None, rows())], seed=0)
    assert got.perfect.tolist() == got.error.tolist() == got.chance_changed.tolist() == [0.0, 0.0]
    assert got.survey[0] == 0.0
    for draws in (1, 2, 3):
        few = worth_of_learning(v[:, :draws], [0, 0, 1], [Source(v[:1, :draws], None, rows(0, 1, 2))], seed=0)
        assert few.perfect.tolist() == [0.0]
    none = worth_of_learning(v, [0, 0, 1], [], seed=0)
    assert none.perfect.size == none.survey.size == none.error.size == none.chance_changed.size == 0
    assert worth_of_everything(np.zeros((0, 3)), []) == 0.0


def test_an_action_of_unknown_worth_is_never_chosen() -> None:
    rng = np.random.default_rng(1)
    x = rng.standard_normal((1, 500))
    v = np.vstack([x - 0.2, np.full((1, 500), np.nan)])
    v[1, 1:] = 50.0
    got = worth_of_learning(v, [0, 0], [Source(x, None, rows(0, 1))], seed=1)
    want = worth_of_learning(v[:1], [0], [Source(x, None, rows(0))], seed=1)
    assert got.perfect == want.perfect
    assert worth_of_everything(v, [0, 0]) == worth_of_everything(v[:1], [0])


def test_rounding_is_no_difference() -> None:
    x = np.random.default_rng(1).standard_normal((1, 500))
    v = np.vstack([x + 1000.0, (x + 1000.0) * 3.0 / 3.0, (x + 1000.0) * 7.0 / 7.0, np.full(500, 0.1)])
    assert (v[2] != v[0]).any()
    got = worth_of_learning(v, [0, 0, 0, 1], [Source(x, x, np.arange(4))], seed=1)
    assert got.perfect[0] == got.survey[0] == got.error[0] == got.chance_changed[0] == 0.0


def test_many_actions_are_looked_at_in_parts() -> None:
    # 3,000 sites of one to three actions each, all alike in kind: the sum is that of the sites by themselves
    rng = np.random.default_rng(2)
    site = np.repeat(np.arange(3000), rng.integers(1, 4, 3000))
    x = rng.standard_normal((1, 700))
    v = rng.normal(-0.5, 0.3, (site.size, 1)) + rng.random((site.size, 1)) * x
    got = worth_of_learning(v, site, [Source(x, None, np.arange(site.size))], seed=1)
    assert got.perfect[0] == pytest.approx(worth_of_everything(v, site), rel=1e-6)
    assert got.chance_changed[0] > 0.98


def test_faults_are_told() -> None:
    v, x = np.zeros((2, 5)), np.zeros((1, 5))
    with pytest.raises(ValueError, match="a site for each action"):
        worth_of_everything(v, [1])
    with pytest.raises(ValueError, match=r"5 draws\), got \(1, 4\)"):
        worth_of_learning(v, [1, 2], [Source(x[:, :4], None, rows(0))], seed=0)
    with pytest.raises(ValueError, match="from 0 to 1, got 0 to 2"):
        worth_together(v, [1, 2], [Source(x, x, rows(0, 2))], seed=0)
    with pytest.raises(ValueError, match="must be finite"):
        worth_of_learning(v, [1, 2], [Source(x * np.nan, None, rows(0))], seed=0)
