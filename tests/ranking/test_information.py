"""Value of information: against plain counting, and what must hold of any."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.ranking.information import (
    Source,
    price_of_budget,
    strongest,
    surveyed_means,
    variance_shares,
    worth_of_everything,
    worth_of_learning,
    worth_together,
)


def rows(*numbers: int) -> np.ndarray:
    return np.array(numbers, dtype=np.int64)


def source(x: np.ndarray, *actions: int, survey: np.ndarray | None = None) -> Source:
    return Source(np.atleast_2d(x), None if survey is None else np.atleast_2d(survey), rows(*actions))


@given(st.integers(1, 6), st.integers(1, 4), st.integers(2, 40), st.integers(0, 2**32 - 1))
@settings(max_examples=80, deadline=None)
def test_everything_is_the_best_of_each_draw_less_the_best_of_the_mean(
    actions: int, sites: int, draws: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    v, site = rng.normal(size=(actions, draws)), rng.integers(0, sites, actions)
    wanted = 0.0
    for s in range(sites):
        of = v[site == s]
        if len(of):
            wanted += np.mean([max(0.0, *of[:, d]) for d in range(draws)]) - max(0.0, *of.mean(axis=1))
    assert worth_of_everything(v, site) == pytest.approx(wanted, abs=1e-12)
    assert worth_of_everything(v, site) >= -1e-12


def test_a_number_of_few_values_is_worth_what_the_means_of_its_values_say() -> None:
    rng = np.random.default_rng(3)
    x = rng.integers(0, 3, 4000).astype(float)
    effect = np.array([-2.0, 0.5, 1.0])[x.astype(int)]
    v = np.stack([effect + rng.normal(size=4000), 0.2 + rng.normal(size=4000)])
    made = worth_of_learning(v, rows(0, 0), [source(x, 0)], seed=1)
    means = np.array([v[0][x == k].mean() for k in range(3)])
    share = np.array([(x == k).mean() for k in range(3)])
    other = v[1].mean()
    wanted = (share * np.maximum(np.maximum(means, other), 0.0)).sum() - max(v[0].mean(), other, 0.0)
    assert made.perfect[0] == pytest.approx(wanted, abs=0.02)
    now = int(np.argmax([v[0].mean(), other]))
    assert made.chance_changed[0] == pytest.approx(share[(means > other) != (now == 0)].sum(), abs=1e-12)


def test_what_bears_on_nothing_is_worth_nothing() -> None:
    rng = np.random.default_rng(5)
    v = rng.normal(size=(30, 512))
    idle = [source(rng.random((3, 512)), *range(30)) for _ in range(20)]
    made = worth_of_learning(v, np.arange(30), idle, seed=1)
    assert (made.perfect == 0.0).mean() >= 0.9  # two standard deviations: about one in forty slips through
    assert made.perfect.max() < 0.02 * worth_of_everything(v, np.arange(30))
    assert np.isnan(made.survey).all()
    constant = worth_of_learning(v, np.arange(30), [source(np.ones(512), *range(30))], seed=1)
    assert constant.perfect[0] == 0.0


def test_an_action_of_unknown_worth_is_never_chosen() -> None:
    rng = np.random.default_rng(7)
    x = rng.normal(size=1000)
    v = np.stack([x, np.full(1000, np.nan)])
    both = worth_of_learning(v, rows(0, 0), [source(x, 0, 1)], seed=1)
    alone = worth_of_learning(v[:1], rows(0), [source(x, 0)], seed=1)
    assert both.perfect[0] == alone.perfect[0] > 0.3
    assert worth_of_everything(v, rows(0, 0)) == worth_of_everything(v[:1], rows(0))


def test_a_survey_is_worth_less_than_certainty_and_more_the_more_fish() -> None:
    rng = np.random.default_rng(11)
    alpha, beta = np.array([3.0]), np.array([4.0])
    p = rng.beta(3.0, 4.0, size=(1, 8192))
    v = 10.0 * (p - 0.4) + rng.normal(size=(1, 8192))
    few, many = (surveyed_means(p, alpha, beta, n, seed=2) for n in (5.0, 200.0))
    made = worth_of_learning(v, rows(0), [source(p, 0, survey=few), source(p, 0, survey=many)], seed=1)
    assert 0.0 < made.survey[0] < made.survey[1] <= made.perfect[1]
    assert few.mean() == pytest.approx(3.0 / 7.0, abs=0.01)


def test_together_is_worth_at_least_the_best_alone_and_at_most_everything() -> None:
    rng = np.random.default_rng(13)
    x = rng.normal(size=(4, 4000))
    v = x[[0, 1]] + x[[2, 3]] + 0.1
    sources = [source(x[k], k % 2) for k in range(4)]
    alone = worth_of_learning(v, rows(0, 1), sources, seed=1)
    both = worth_together(v, rows(0, 1), sources, seed=1, survey=False)
    assert alone.perfect.max() <= both
    assert both == pytest.approx(worth_of_everything(v, rows(0, 1)), rel=0.03)  # all there is to know
    assert worth_together(v, rows(0, 1), sources, seed=1) == 0.0  # none can be surveyed


def test_the_first_look_finds_what_matters() -> None:
    rng = np.random.default_rng(17)
    x = rng.normal(size=(50, 1000))
    v = np.stack([3.0 * x[7] + x[31], 0.2 * x[12] + 5.0])
    first = np.arange(51) * 2
    at = np.tile([0, 1], 50)
    best = strongest(v, rows(0, 1), x, (first, at), most=2)
    assert best.tolist() == [7, 31]
    assert set(strongest(v, rows(0, 1), np.ones((3, 1000)), (np.arange(4) * 2, np.tile([0, 1], 3)), most=3)) == set()


def test_price_of_the_budget() -> None:
    benefit, cost, site = np.array([10.0, 8.0, 6.0, 9.0]), np.array([2.0, 2.0, 2.0, 1.0]), rows(0, 1, 2, 2)
    # best of the sites: 9 (site 2), 5 (site 0), 4 (site 1)
    assert price_of_budget(benefit, cost, site, top=1, points=True) == pytest.approx(7.0)
    assert price_of_budget(benefit, cost, site, top=2, points=False) == pytest.approx(4.5)
    assert price_of_budget(benefit, cost, site, top=3, points=False) == 1.0
    assert price_of_budget(benefit, cost, site, top=3, points=True) == 0.0
    assert price_of_budget(benefit / 100.0, cost, site, top=2, points=False) == 1.0  # nothing pays
    assert price_of_budget(-benefit, cost, site, top=1, points=True) == 0.0
    more, paid = np.append(benefit, np.nan), np.append(cost, 1.0)
    assert price_of_budget(more, paid, rows(0, 1, 2, 2, 3), top=2, points=True) == 4.5


def test_shares_of_variance() -> None:
    rng = np.random.default_rng(19)
    x = rng.normal(size=(3, 4000))
    y = np.stack([2.0 * x[0] + x[1], np.ones(4000)])
    share = variance_shares(y, np.vstack([x, np.ones((1, 4000))]))
    # from memory: Spearman's of two normals is 6 / pi asin(r / 2) of Pearson's r (Pearson 1907)
    for k, r in enumerate((2.0 / np.sqrt(5.0), 1.0 / np.sqrt(5.0))):
        assert share[0, k] == pytest.approx((6.0 / np.pi * np.arcsin(r / 2.0)) ** 2, abs=0.03)
    assert share[0, 2] < 0.002
    assert (share[1] == 0.0).all()
    assert (share[:, 3] == 0.0).all()
