"""Bounds from trials against published values and an independent implementation.

Each test says where its numbers come from.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from barrierrank.passage.trials import trial_passability


@pytest.mark.parametrize("n", [30, 50, 100, 300, 1000, 10_000])
def test_rule_of_three(n: int) -> None:
    # none of n: the upper 95 % bound is about 3 / n, which is a little above it; Hanley & Lippman-Hand 1983, JAMA
    # 249:1743-1745, from memory; said to serve from n of about 30
    upper = trial_passability([0], [n]).upper[0]
    assert upper < 3.0 / n
    assert upper == pytest.approx(3.0 / n, rel=0.06)


@pytest.mark.parametrize(
    ("n", "percent"), [(10, 26.0), (20, 14.0), (30, 10.0), (50, 6.0), (100, 3.0), (1000, 0.3)]
)
def test_greatest_risk_where_nothing_went_wrong(n: int, percent: float) -> None:
    # table of the greatest risk compatible with 0 of n, rounded: Hanley & Lippman-Hand 1983, from memory
    assert 100.0 * trial_passability([0], [n]).upper[0] == pytest.approx(percent, rel=0.05)


@pytest.mark.parametrize(
    ("n", "confidence"), [(1, 0.95), (7, 0.95), (59, 0.95), (299, 0.95), (20, 0.8), (20, 0.99)]
)
def test_none_of_n_in_closed_form(n: int, confidence: float) -> None:
    # 1 - (1 - confidence)^(1/n), the exact bound of Clopper & Pearson 1934 for none passed; worked out from the formula
    made = trial_passability([0], [n], confidence=confidence)
    assert made.upper[0] == pytest.approx(1.0 - (1.0 - confidence) ** (1.0 / n), rel=1e-9)


def test_how_many_must_be_stopped_to_be_sure() -> None:
    # 59 without a failure show 95 % reliability with 95 % confidence, 299 show 99 %, 22 show 90 % with 90 %: usual in
    # acceptance testing ("59-sample rule"), from memory
    for n, share, confidence in ((59, 0.05, 0.95), (299, 0.01, 0.95), (22, 0.10, 0.90)):
        assert trial_passability([0], [n], confidence=confidence).upper[0] <= share
        assert trial_passability([0], [n - 1], confidence=confidence).upper[0] > share


@pytest.mark.parametrize(("passed", "offered"), [(0, 30), (7, 30), (30, 44), (1, 200), (199, 200), (44, 44)])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_against_the_exact_binomial_test_of_a_statistics_library(
    passed: int, offered: int, confidence: float
) -> None:
    # scipy.stats.binomtest, one-sided exact (Clopper-Pearson) intervals. 30 of 44 sturgeon tried a fishway and 7 of
    # those 30 passed: Thiem et al. 2016, J. Exp. Biol. 219:2534
    made = trial_passability([passed], [offered], confidence=confidence)
    for side, bound in (("less", made.upper[0]), ("greater", made.lower[0])):
        interval = stats.binomtest(passed, offered, alternative=side).proportion_ci(
            confidence, method="exact"
        )
        assert bound == pytest.approx(interval.high if side == "less" else interval.low, rel=1e-9, abs=1e-15)


def test_beta_quantiles_of_a_statistics_library() -> None:
    # scipy.stats.beta: upper bound = quantile of Beta(k + 1, n - k), lower = of Beta(k, n - k + 1)
    k, n = np.array([1, 5, 17, 63]), np.array([3, 50, 60, 64])
    made = trial_passability(k, n)
    assert made.upper == pytest.approx(stats.beta.ppf(0.95, k + 1, n - k))
    assert made.lower == pytest.approx(stats.beta.ppf(0.05, k, n - k + 1))


def test_rule_of_succession() -> None:
    # Laplace 1814: with every chance as likely before, the mean after k of n is (k + 1) / (n + 2); from memory
    assert trial_passability([0, 7, 30], [30, 30, 30]).mean == pytest.approx([1 / 32, 8 / 32, 31 / 32])


def test_the_interval_holds_the_share_that_was_counted() -> None:
    # 7 of 30 = 23 %: Thiem et al. 2016; a fifth of a run either way is left open by so few
    made = trial_passability([7], [30])
    assert made.lower[0] < 0.23 < made.upper[0]
    assert 0.10 < made.lower[0] < 0.13
    assert 0.38 < made.upper[0] < 0.41
