"""Points spread evenly over the unit cube, and the Beta and lognormal inputs they stand for."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from barrierrank.ranking.draw_points import (
    BLOCK,
    SOBOL_MOST,
    BetaTable,
    beta_quantile,
    beta_worth,
    draw_blocks,
    lognormal_factor,
)


def all_draws(inputs: int, draws: int, *, seed: int = 1, method: str = "latin_hypercube") -> np.ndarray:
    return np.concatenate(list(draw_blocks(inputs, draws, seed=seed, method=method)))


@pytest.mark.parametrize("method", ["latin_hypercube", "sobol"])
def test_blocks_are_the_same_again_and_in_longer_runs(method: str) -> None:
    first = list(draw_blocks(5, 300, seed=3, method=method))
    assert [b.shape for b in first] == [(128, 5), (128, 5), (44, 5)]
    again = list(draw_blocks(5, 700, seed=3, method=method))
    for a, b in zip(first[:2], again, strict=False):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_array_equal(first[2], list(draw_blocks(5, 300, seed=3, method=method))[2])
    for a, b in pairwise(first):
        assert not np.isclose(a[:44], b[:44]).any(axis=None)
    other = next(draw_blocks(5, 300, seed=4, method=method))
    assert not np.array_equal(first[0], other)
    every = np.concatenate(first)
    assert every.min() > 0.0
    assert every.max() < 1.0


@given(inputs=st.integers(1, 40), draws=st.integers(1, 300), seed=st.integers(0, 2**31 - 1))
@settings(max_examples=40, deadline=None)
def test_a_latin_hypercube_has_one_draw_in_each_stratum(inputs: int, draws: int, seed: int) -> None:
    # McKay, Beckman and Conover (1979), Technometrics 21: what makes a Latin hypercube
    for u in draw_blocks(inputs, draws, seed=seed, method="latin_hypercube"):
        d = u.shape[0]
        assert d <= BLOCK
        strata = np.sort(np.floor(u * d), axis=0)
        np.testing.assert_array_equal(strata, np.repeat(np.arange(d)[:, None], inputs, axis=1))


def test_a_sobol_block_is_even_in_each_input_and_each_pair_of_first_inputs() -> None:
    u = next(draw_blocks(6, BLOCK, seed=9, method="sobol"))
    # common knowledge of (t, m, s)-nets in base 2, from memory: 2^m points put one into each interval of 2^-m
    for j in range(6):
        np.testing.assert_array_equal(np.sort(np.floor(u[:, j] * BLOCK)), np.arange(BLOCK))
    quarter = np.floor(u[:, 0] * 8) * 16 + np.floor(u[:, 1] * 16)
    assert np.unique(quarter).size == BLOCK  # t = 0 in the first two


def test_beyond_the_known_direction_numbers_a_latin_hypercube_takes_over() -> None:
    more = SOBOL_MOST + 1
    a, b = (next(draw_blocks(more, 8, seed=1, method=m)) for m in ("sobol", "latin_hypercube"))
    np.testing.assert_array_equal(a, b)


def test_independent_inputs_are_not_correlated() -> None:
    u = all_draws(30, 2048)
    apart = np.corrcoef(u.T)[np.triu_indices(30, 1)]
    assert np.abs(apart).max() < 5.0 / np.sqrt(2048)
    np.testing.assert_allclose(u.mean(axis=0), 0.5, atol=1e-3)
    np.testing.assert_allclose(u.var(axis=0), 1.0 / 12.0, atol=2e-3)


def test_no_inputs_and_no_draws() -> None:
    for method in ("latin_hypercube", "sobol"):
        assert [b.shape for b in draw_blocks(0, 130, seed=1, method=method)] == [(128, 0), (2, 0)]
        assert list(draw_blocks(3, 0, seed=1, method=method)) == []
        assert [b.shape for b in draw_blocks(2, 129, seed=1, method=method)][1] == (1, 2)
    assert beta_quantile(np.empty((4, 0)), np.empty(0), np.empty(0)).shape == (4, 0)


def test_what_cannot_be_is_refused_at_once() -> None:
    for wrong in ({"seed": -1}, {"draws": -1}, {"inputs": -2}, {"method": "halton"}):
        with pytest.raises(ValueError, match=r"0 or more|no method"):
            draw_blocks(**({"inputs": 1, "draws": 4, "seed": 1, "method": "sobol"} | wrong))  # type: ignore[arg-type]
    one = np.array([1.0])
    for u, a, match in (
        (np.array([[0.0]]), one, "u must be above 0"), (np.array([[1.0]]), one, "u must be above 0"),
        (np.array([[0.5, 0.5]]), one, r"\(d, k\)"), (np.array([[0.5]]), -one, "0 or more"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=match):
            beta_quantile(u, a, one)
    with pytest.raises(ValueError, match="not both 0"):
        beta_quantile(np.array([[0.5]]), 0 * one, 0 * one)
    with pytest.raises(ValueError, match="0 or more"):
        lognormal_factor(np.array([[0.5]]), -0.1)
    with pytest.raises(ValueError, match="from 0 to 1"):
        beta_worth(1.2, 4.0)
    with pytest.raises(ValueError, match="above 0"):
        beta_worth(0.2, 0.0)


def test_beta_quantiles_agree_with_a_statistics_library() -> None:
    # outside check: scipy.stats.beta.ppf, over all shapes that classes of evidence and trials can give
    rng = np.random.default_rng(7)
    p, n = np.concatenate([[0.0, 1.0, 0.5], rng.random(1500)]), 10 ** rng.uniform(-1, 6, 1503)
    alpha, beta = beta_worth(p, n)
    alpha, beta = np.append(alpha, [0.05, 3e7, 0.3]), np.append(beta, [15.0, 0.06, 0.3])
    u = rng.random((60, alpha.size))
    u[0], u[1], u[2], u[3] = 1e-5, 1.0 - 1e-5, 1e-3, 0.999
    made = beta_quantile(u, alpha, beta)
    np.testing.assert_allclose(made, stats.beta.ppf(u, alpha, beta), rtol=0.0, atol=2e-4)


@given(p=st.floats(0.0, 1.0), n=st.floats(0.5, 1e5))
@settings(max_examples=80, deadline=None)
def test_beta_quantiles_rise_and_mirror(p: float, n: float) -> None:
    u = np.sort(np.random.default_rng(1).uniform(1e-9, 1 - 1e-9, (200, 1)), axis=0)
    alpha, beta = beta_worth([p], [n])
    q = beta_quantile(u, alpha, beta)
    assert (np.diff(q, axis=0) >= -1e-12).all()
    assert ((q >= 0.0) & (q <= 1.0)).all()
    np.testing.assert_allclose(beta_quantile(1.0 - u, beta, alpha), 1.0 - q, atol=1e-7)


def test_mean_and_variance_of_a_worth_in_fish() -> None:
    # Jeffreys' prior, Beta(1/2, 1/2), updated by n p passed and n (1 - p) stopped fish: from memory
    p, n = np.array([0.0, 0.1, 0.5, 0.9, 1.0]), np.array([100.0, 20.0, 12.0, 4.0, 12.0])
    alpha, beta = beta_worth(p, n)
    np.testing.assert_allclose(alpha, [0.5, 2.5, 6.5, 4.1, 12.5])
    np.testing.assert_allclose(beta, [100.5, 18.5, 6.5, 0.9, 0.5])
    middles = (np.arange(100_000)[:, None] + 0.5) / 100_000
    q = beta_quantile(np.repeat(middles, 5, axis=1), alpha, beta)
    np.testing.assert_allclose(q.mean(axis=0), (n * p + 0.5) / (n + 1.0), atol=2e-5)
    np.testing.assert_allclose(q.var(axis=0), alpha * beta / ((n + 1.0) ** 2 * (n + 2.0)), rtol=2e-3)
    drawn = beta_quantile(all_draws(5, 8192), alpha, beta)
    np.testing.assert_allclose(drawn.mean(axis=0), q.mean(axis=0), rtol=0.01)
    np.testing.assert_allclose(drawn.var(axis=0), q.var(axis=0), rtol=0.1)


def test_what_is_certain_passes_through_and_what_is_missing_stays_missing() -> None:
    p = np.array([1.0, 0.0, 0.3, np.nan])
    alpha, beta = beta_worth(p, np.inf)
    assert alpha.flags.writeable
    u = all_draws(4, 10)
    np.testing.assert_allclose(beta_quantile(u, alpha, beta), np.tile(p, (10, 1)), rtol=1e-15)
    assert (beta_quantile(u, alpha, beta)[:, 0] == 1.0).all()
    edges = beta_quantile(u[:, :2], np.array([2.0, 0.0]), np.array([0.0, 2.0]))
    np.testing.assert_array_equal(edges, np.tile([1.0, 0.0], (10, 1)))
    shaped = beta_worth(np.full((3, 2), 0.5), np.full((3, 2), 4.0))
    assert [x.shape for x in shaped] == [(3, 2), (3, 2)]


def test_lognormal_factors_have_mean_one_and_the_spread_asked_for() -> None:
    cv = np.array([0.0, 0.1, 0.4, 1.0])
    u = all_draws(4, 1 << 14)
    made = lognormal_factor(u, cv)
    assert (made[:, 0] == 1.0).all()
    np.testing.assert_allclose(made.mean(axis=0), 1.0, atol=2e-3)
    np.testing.assert_allclose(made.std(axis=0), cv, rtol=0.02)
    s = np.sqrt(np.log1p(cv[1:] ** 2))
    # outside check: scipy.stats.lognorm.ppf
    np.testing.assert_allclose(
        made[:200, 1:], stats.lognorm.ppf(u[:200, 1:], s, scale=np.exp(-(s**2) / 2)), rtol=1e-12
    )
    np.testing.assert_array_equal(lognormal_factor(u[:, 2:3], 0.4), made[:, 2:3])
    many = np.random.default_rng(1).uniform(0.01, 0.99, (9, 3000))  # more than are worked on at a time
    at_once = lognormal_factor(many, np.linspace(0.0, 1.0, 3000))
    assert at_once.shape == (9, 3000)
    for j in (0, 1023, 1024, 2999):
        alone = lognormal_factor(many[:, j : j + 1], np.linspace(0.0, 1.0, 3000)[j])
        np.testing.assert_allclose(at_once[:, j : j + 1], alone, rtol=1e-14)


def test_sixty_thousand_inputs_are_quick() -> None:
    rng = np.random.default_rng(2)
    alpha, beta = beta_worth(rng.random(60_000), rng.choice([100.0, 20.0, 12.0, 4.0], 60_000))
    u = next(draw_blocks(60_000, BLOCK, seed=1, method="latin_hypercube"))
    beta_quantile(u[:, :2], alpha[:2], beta[:2])  # compiled before the clock runs
    start = time.perf_counter()
    beta_quantile(u, alpha, beta)
    assert time.perf_counter() - start < 6.0  # 0.6 s on two idle cores; the bound allows for a busy machine


@given(
    st.lists(st.tuples(st.floats(0.5, 300.0), st.floats(0.5, 300.0)), min_size=1, max_size=6),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None)
def test_tables_kept_across_blocks_give_the_quantiles_of_scipy(shapes: list[tuple[float, float]], seed: int) -> None:
    alpha, beta = np.array(shapes).T
    rng = np.random.default_rng(seed)
    table = BetaTable(alpha, beta)
    for d in (3, 40):
        u = np.clip(rng.random((d, alpha.size)), 1e-6, 1.0 - 1e-6)
        np.testing.assert_allclose(table.quantile(u), stats.beta.ppf(u, alpha, beta).T, atol=1e-3)
    at = rng.integers(0, alpha.size, 9)
    u = rng.random((5, 9))
    np.testing.assert_allclose(table.quantile(u, at), stats.beta.ppf(u, alpha[at], beta[at]).T, atol=1e-3)


def test_a_table_of_few_distributions_for_many_inputs() -> None:
    rng = np.random.default_rng(4)
    alpha, beta = beta_worth(rng.choice([0.0, 0.2, 0.9, np.nan], 5000), rng.choice([4.0, 20.0, np.inf], 5000))
    u = rng.uniform(1e-6, 1.0 - 1e-6, (11, 5000))
    made = BetaTable(alpha, beta).quantile(u)
    wanted = beta_quantile(u, alpha, beta).T
    np.testing.assert_allclose(made, wanted, atol=1e-3)
    for i in rng.integers(0, 5000, 20):
        alone = BetaTable(alpha[i : i + 1], beta[i : i + 1]).quantile(u[:, i : i + 1])
        np.testing.assert_array_equal(made[i : i + 1], alone)
    assert BetaTable(np.empty(0), np.empty(0)).quantile(np.empty((3, 0))).shape == (0, 3)


def test_a_table_keeps_what_is_certain_or_missing() -> None:
    alpha, beta = beta_worth(np.array([0.0, 1.0, 0.3, np.nan]), np.array([np.inf, np.inf, np.inf, 10.0]))
    made = BetaTable(alpha, beta).quantile(np.array([[0.1] * 4, [0.9] * 4]))
    np.testing.assert_array_equal(made, [[0.0, 0.0], [1.0, 1.0], [0.3, 0.3], [np.nan, np.nan]])


def test_a_wide_hypercube_is_even_in_every_input_and_the_same_again() -> None:
    u = next(draw_blocks(9000, 16, seed=2, method="latin_hypercube"))
    np.testing.assert_array_equal(np.sort(np.floor(u * 16), axis=0), np.repeat(np.arange(16)[:, None], 9000, axis=1))
    np.testing.assert_array_equal(u, next(draw_blocks(9000, 16, seed=2, method="latin_hypercube")))
    assert abs(np.corrcoef(u[:, :9000:4097].T)[0, 1]) < 0.9  # parts have seeds of their own
    assert not np.array_equal(u[:, 0], u[:, 4096])
