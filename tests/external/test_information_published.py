"""Value of information against published examples, closed forms, enumeration and nested simulation.

Each test says where its numbers come from.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from barrierrank.ranking.information import (
    Source,
    surveyed_means,
    variance_shares,
    worth_of_everything,
    worth_of_learning,
    worth_together,
)

ONE = np.array([0], dtype=np.int64)


def even_normals(count: int, draws: int, seed: int) -> np.ndarray:
    """Return standard normal draws spread evenly, each row in an order of its own."""
    rng = np.random.default_rng(seed)
    u = (rng.permuted(np.tile(np.arange(draws), (count, 1)), axis=1) + 0.5) / draws
    return np.asarray(stats.norm.ppf(u))


def unit_loss(z: float) -> float:
    return float(stats.norm.pdf(z) - z * stats.norm.sf(z))


# Oil wildcatter: drill, or not. Raiffa 1968, Decision Analysis, from memory; every number below is worked out here.
WELL = ("dry", "wet", "soaking")
PRIOR = {"dry": 0.5, "wet": 0.3, "soaking": 0.2}
PAYS = {"dry": -70.0, "wet": 50.0, "soaking": 200.0}  # thousand dollars, the cost of drilling of 70 taken off
SOUNDING = {  # chances of no, open and closed structure
    "dry": (0.6, 0.3, 0.1),
    "wet": (0.3, 0.4, 0.3),
    "soaking": (0.1, 0.4, 0.5),
}


def wildcatter(draws: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the worth of drilling, the state and the sounding, in draws of just the right proportions."""
    state, sounding = [], []
    for k, well in enumerate(WELL):
        for j, chance in enumerate(SOUNDING[well]):
            times = round(draws * PRIOR[well] * chance)
            state += [k] * times
            sounding += [j] * times
    order = np.random.default_rng(0).permutation(len(state))
    state_of, sounding_of = np.array(state)[order], np.array(sounding)[order]
    return np.array([PAYS[w] for w in WELL])[state_of][None], state_of[None] * 1.0, sounding_of[None] * 1.0


def test_oil_wildcatter() -> None:
    # drilling is worth 0.5 x -70 + 0.3 x 50 + 0.2 x 200 = 20; to know for sure 0.3 x 50 + 0.2 x 200 = 55, so 35 more;
    # with a sounding 32.5, so that one may cost 12.5 (and costs 10)
    v, state, sounding = wildcatter(1000)
    assert v.shape == (1, 1000)
    assert v.mean() == pytest.approx(20.0)
    got = worth_of_learning(v, [0], [Source(state, sounding, ONE)], seed=1)
    assert worth_of_everything(v, [0]) == pytest.approx(35.0)
    assert got.perfect[0] == pytest.approx(35.0)
    assert got.survey[0] == pytest.approx(12.5)
    assert got.chance_changed[0] == pytest.approx(0.5)  # not drilled where dry
    # an efficiency of the sounding, as textbooks put it, of 36 per cent
    assert got.survey[0] / got.perfect[0] == pytest.approx(0.357, abs=0.001)


def test_what_perfect_information_is_worth_is_the_opportunity_loss_of_the_best_act() -> None:
    # identity of Raiffa & Schlaifer 1961, Applied Statistical Decision Theory; the table is made up
    pay = np.array([[12.0, 4.0, -9.0, 1.0], [3.0, 3.0, 2.0, 2.5], [0.0, 7.0, -2.0, 6.0]])
    chance = np.array([0.1, 0.2, 0.3, 0.4])
    loss = pay.max(axis=0) - pay
    state = np.repeat(np.arange(4), (chance * 200).round().astype(int))
    v = pay[:, state]
    got = worth_of_learning(v, [5, 5, 5], [Source(state[None] * 1.0, None, np.arange(3))], seed=1)
    assert got.perfect[0] == pytest.approx((loss @ chance).min())
    assert worth_of_everything(v, [5, 5, 5]) == pytest.approx((loss @ chance).min())


@pytest.mark.parametrize(
    ("z", "loss"), [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.08332), (1.5, 0.02931), (2.0, 0.008491)]
)
def test_table_of_unit_normal_loss(z: float, loss: float) -> None:
    # "unit normal linear loss integral" as tabled in Schlaifer 1959 and later textbooks, from memory; one act worth z
    # standard deviations more, or less, than another
    x = even_normals(1, 4000, 0)
    for sign in (-1.0, 1.0):
        v = sign * z + x
        got = worth_of_learning(v, [0], [Source(x, None, ONE)], seed=1)
        assert got.perfect[0] == pytest.approx(loss, abs=0.0005)
        assert worth_of_everything(v, [0]) == pytest.approx(loss, abs=0.0005)


@pytest.mark.parametrize(("mean", "spread"), [(-0.4, 1.0), (0.3, 0.6), (-1.0, 0.8)])
def test_one_of_two_uncertain_parts_of_a_worth(mean: float, spread: float) -> None:
    # closed form: worth m + s x + e, of which x is learnt: s L(|m| / s); Raiffa & Schlaifer 1961
    x = even_normals(3, 4000, 3)
    v = np.stack([mean + spread * x[0] + 0.9 * x[1], np.full(4000, -2.0)])
    got = worth_of_learning(v, [0, 0], [Source(x[:1], None, ONE), Source(x[2:], None, ONE)], seed=1)
    assert got.perfect[0] == pytest.approx(spread * unit_loss(abs(mean) / spread), abs=2.5 * got.error[0])
    assert got.error[0] < 0.03
    assert got.perfect[1] == 0.0


def test_the_difference_of_two_uncertain_acts() -> None:
    # closed form: both acts hang on the same number, only the difference counts: (s - t) L(m / (s - t)) where both pay
    # in every draw; Raiffa & Schlaifer 1961
    x = even_normals(2, 4000, 5)
    v = np.stack([50.0 + 3.0 * x[0] + x[1], 49.0 + 1.0 * x[0] + x[1]])
    got = worth_of_learning(v, [0, 0], [Source(x[:1], None, np.arange(2)), Source(x[1:], None, np.arange(2))], seed=1)
    assert got.perfect[0] == pytest.approx(2.0 * unit_loss(0.5), abs=0.005)
    assert got.perfect[1] == 0.0  # moves both alike


@pytest.mark.parametrize("n", [1, 4, 25])
def test_sample_of_a_normal_mean(n: int) -> None:
    # preposterior analysis, Raiffa & Schlaifer 1961: prior spread 1, n measurements of spread 2; the posterior mean has
    # spread sqrt(1 / (1 + 4 / n)), and what the sample is worth is that of a normal number of this spread
    x = even_normals(2, 4000, 7)
    theta, seen = x[0], x[0] + 2.0 / math.sqrt(n) * x[1]
    weight = 1.0 / (1.0 + 4.0 / n)
    v = (theta - 0.25)[None]
    got = worth_of_learning(v, [0], [Source(theta[None], (weight * seen)[None], ONE)], seed=1)
    spread = math.sqrt(weight)
    assert got.survey[0] == pytest.approx(spread * unit_loss(0.25 / spread), abs=0.02)
    assert got.perfect[0] == pytest.approx(unit_loss(0.25), abs=0.002)


@pytest.mark.parametrize(
    ("fish", "alpha", "beta", "aim"), [(3, 1.0, 2.0, 0.4), (10, 0.8, 1.6, 0.25), (30, 2.0, 6.0, 0.3)]
)
def test_trial_of_fish_by_enumeration(fish: int, alpha: float, beta: float, aim: float) -> None:
    # worth p - aim; what comes out of a trial is Beta-binomial, and each outcome has its posterior mean: the sum over
    # all outcomes of chance x max(0, posterior mean - aim), less what is had now; Raiffa & Schlaifer 1961
    k = np.arange(fish + 1)
    chance = stats.betabinom.pmf(k, fish, alpha, beta)
    now = alpha / (alpha + beta) - aim
    want = chance @ np.maximum((alpha + k) / (alpha + beta + fish) - aim, 0.0) - max(now, 0.0)
    draws = 8000
    p = stats.beta.ppf((np.random.default_rng(1).permutation(draws) + 0.5) / draws, alpha, beta)[None]
    source = Source(p, surveyed_means(p, [alpha], [beta], fish, seed=2), ONE)
    got = worth_of_learning(p - aim, [0], [source], seed=1)
    assert got.survey[0] == pytest.approx(want, abs=0.005)
    sure = stats.beta.expect(lambda t: np.maximum(t - aim, 0.0), (alpha, beta)) - max(now, 0.0)
    assert got.perfect[0] == pytest.approx(sure, abs=0.002)
    assert got.survey[0] < got.perfect[0]


def test_outcomes_of_trials_are_beta_binomial() -> None:
    # scipy.stats.betabinom; and the posterior mean is the mean of the chances that led to it (Bayes)
    alpha, beta, fish, draws = 1.5, 3.0, 6, 60_000
    p = stats.beta.ppf((np.random.default_rng(1).permutation(draws) + 0.5) / draws, alpha, beta)[None]
    mean = surveyed_means(p, [alpha], [beta], fish, seed=3)[0]
    passed = np.rint(mean * (alpha + beta + fish) - alpha).astype(int)
    share = np.bincount(passed, minlength=fish + 1) / draws
    np.testing.assert_allclose(share, stats.betabinom.pmf(np.arange(fish + 1), fish, alpha, beta), atol=0.006)
    for k in range(fish + 1):
        assert p[0, passed == k].mean() == pytest.approx((alpha + k) / (alpha + beta + fish), abs=0.02)


def nested(seed: int, outer: int, inner: int) -> tuple[float, float]:
    """Return the worth of knowing the first, and the first two, of three chances by simulation within simulation."""
    rng = np.random.default_rng(seed)
    totals = []
    for known in (1, 2):
        p = rng.beta(2.0, 3.0, (3, outer, inner))
        p[:known] = rng.beta(2.0, 3.0, (known, outer, 1))
        v = three_barriers(p).mean(axis=2)
        totals.append(float(np.maximum(v.max(axis=0), 0.0).mean()))
    now = three_barriers(rng.beta(2.0, 3.0, (3, outer * inner))).mean(axis=1)
    return totals[0] - max(0.0, float(now.max())), totals[1] - max(0.0, float(now.max()))


def three_barriers(p: np.ndarray) -> np.ndarray:
    """Return the worth of two actions that hang on chances of getting past three structures, on their products too."""
    gain = 10.0 * p[0] * p[1]
    return np.stack([gain - 1.7, 4.0 * (1.0 - p[0]) * p[2] - 0.9 + 0.5 * gain * p[2]])


def test_nested_simulation() -> None:
    # common practice, no source: two-level Monte Carlo, which the regression stands in for
    first, both = nested(0, 4000, 400)
    p = np.random.default_rng(4).beta(2.0, 3.0, (3, 4000))
    v = three_barriers(p)
    sources = [Source(p[k : k + 1], None, np.arange(2)) for k in range(2)]
    got = worth_of_learning(v, [0, 0], sources, seed=1)
    assert got.perfect[0] == pytest.approx(first, abs=2.5 * got.error[0] + 0.02)
    assert worth_together(v, [0, 0], sources, seed=1, survey=False) == pytest.approx(both, abs=0.1)
    assert both > first + 0.1


@pytest.mark.parametrize("noise", [0.1, 1.0])
def test_told_error_is_the_error(noise: float) -> None:
    # common practice, no source: the closed form lies within two standard errors in about 95 of 100 sets of draws
    true = 0.8 * unit_loss(0.3 / 0.8)
    off = []
    for seed in range(200):
        x = np.random.default_rng(seed).standard_normal((2, 600))
        v = (-0.3 + 0.8 * x[0] + noise * x[1])[None]
        v += -0.3 - v.mean()  # even draws have hardly any error in the mean, and none is told
        got = worth_of_learning(v, [0], [Source(x[:1], None, ONE)], seed=seed)
        off.append((got.perfect[0] - true) / got.error[0])
    assert abs(np.mean(off)) < 0.3
    assert 0.5 < np.std(off) < 1.2
    assert np.mean(np.abs(off) < 2.0) > 0.93


def test_shares_are_those_of_a_statistics_library() -> None:
    # scipy.stats.spearmanr, average ranks where values are equal
    rng = np.random.default_rng(0)
    x = rng.integers(0, 5, (4, 80)).astype(float)
    y = np.stack([x[0] + rng.random(80), x[1] ** 3, np.full(80, 2.0), rng.integers(0, 3, 80)])
    want = np.array([[stats.spearmanr(a, b).statistic if a.std() else 0.0 for b in x] for a in y])
    np.testing.assert_allclose(variance_shares(y, x), np.maximum(want**2 - 1.0 / 79.0, 0.0), atol=1e-12)


@pytest.mark.parametrize("rho", [0.3, 0.6, 0.95])
def test_rank_correlation_of_normal_numbers(rho: float) -> None:
    # closed form of Pearson 1907: 6 / pi x asin(rho / 2), from memory
    x = even_normals(2, 20_000, 1)
    y = rho * x[:1] + math.sqrt(1.0 - rho * rho) * x[1:]
    assert variance_shares(y, x[:1])[0, 0] == pytest.approx((6.0 / math.pi * math.asin(rho / 2.0)) ** 2, abs=0.01)


def test_shares_of_a_sum_add_up() -> None:
    # common practice, no source: shares of a sum of independent parts are those of its variance, about; of others 0
    x = np.random.default_rng(2).random((1500, 400))
    y = (2.0 * x[3] + x[1200])[None]
    share = variance_shares(y, x)[0]
    assert share[3] == pytest.approx(0.8, abs=0.06)
    assert share[1200] == pytest.approx(0.2, abs=0.06)
    assert np.delete(share, [3, 1200]).mean() < 0.003
    assert variance_shares(y[:, :2], x[:, :2]).max() == 0.0
    assert variance_shares(y[:, :1], x[:, :1]).max() == 0.0
    with pytest.raises(ValueError, match="400 draws and numbers 399"):
        variance_shares(y, x[:, 1:])
