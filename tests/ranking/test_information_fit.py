"""What information is reckoned with: the basis of regressions, the screening of many numbers, outcomes of surveys."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.ranking.information import strongest, surveyed_means
from barrierrank.ranking.information_fit import basis
from barrierrank.ranking.information_rivals import decide, product

SEEDS = st.integers(0, 10**6)
NONE = np.zeros(0, dtype=np.int64)


# ---- the basis


@given(SEEDS, st.integers(1, 5), st.integers(20, 300))
@settings(max_examples=60, deadline=None)
def test_a_basis_is_orthonormal_and_small_enough(seed: int, f: int, draws: int) -> None:
    x = np.random.default_rng(seed).gamma(2.0, size=(f, draws))
    q = basis(x)
    assert q.shape == (draws, q.shape[1])
    np.testing.assert_allclose(q.T @ q / draws, np.eye(q.shape[1]), atol=1e-6)
    np.testing.assert_allclose(q.mean(axis=0), 0.0, atol=1e-7)
    assert q.shape[1] == f or q.shape[1] * 10 < draws
    # every number itself is made of it without rest
    z = x - x.mean(axis=1, keepdims=True)
    np.testing.assert_allclose(q @ (q.T @ z.T) / draws, z.T, atol=1e-5 * np.abs(z).max())


def test_terms_of_a_basis() -> None:
    x = np.random.default_rng(0).standard_normal((4, 1000))
    assert [basis(x[:f]).shape[1] for f in (1, 2, 3, 4)] == [3, 9, 9, 14]
    assert [basis(x[:2, :draws]).shape[1] for draws in (1000, 90, 50, 30)] == [9, 5, 4, 2]
    again = np.stack([x[0], np.full(1000, 2.0), 3.0 * x[0] - 1.0, x[1], x[0] + x[1]])
    assert basis(again).shape[1] == 9
    # of a number with two values the square and the cube are itself
    assert basis(np.stack([np.arange(1000.0) % 2, x[0]])).shape[1] == 6
    # up to six values are told apart, also where they are of two numbers; beyond, a curve
    assert [basis((np.arange(900) % k)[None] * 1.0).shape[1] for k in (1, 2, 6, 7)] == [0, 1, 5, 3]
    assert basis(np.stack([np.arange(900) % 6, np.arange(900) // 9 % 3]) * 1.0).shape[1] == 17


def test_the_first_among_equals_is_chosen() -> None:
    v = np.array([[1.0, 3.0], [2.0, 2.0], [5.0, np.nan], [0.0, 0.0], [-1.0, 0.5]])
    known = decide(v, [4, 4, 4, 2, 3])
    assert known.now.tolist() == [-1, -1, 0]
    assert known.worth.tolist() == [0.0, 0.0, 2.0]


def test_products_are_products() -> None:
    rng = np.random.default_rng(0)
    for n, k, m in ((3, 2000, 70), (50, 7, 3000), (0, 5, 3), (4, 0, 3), (1, 600_000, 2)):
        a, b = rng.standard_normal((n, k)), rng.standard_normal((k, m))
        np.testing.assert_allclose(product(a, b), a @ b, atol=1e-8)


# ---- screening


def some_river(seed: int, draws: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return worths of 30 actions at 12 sites that hang on five numbers, these sites, and the numbers."""
    rng = np.random.default_rng(seed)
    x = rng.random((5, draws))
    site = np.sort(rng.integers(0, 12, 30))
    v = rng.normal(-0.5, 0.5, (30, 1)) + rng.normal(0.0, 1.0, (30, 4)) @ (x[:4] - 0.5)
    return v + 0.3 * rng.standard_normal((30, draws)), site, x


def losses(v: np.ndarray, site: np.ndarray, x: np.ndarray, on: np.ndarray) -> float:
    """Return the screening worth of one number, action by action."""
    draws, total = v.shape[1], 0.0
    for s in np.unique(site):
        own = [a for a in np.flatnonzero(site == s) if np.isfinite(v[a]).all()]
        options = [(v[a].mean(), v[a], bool(on[a])) for a in own] + [(0.0, np.zeros(draws), False)]
        best = max(range(len(options)), key=lambda k: options[k][0])
        for k, (mean, worth, borne) in enumerate(options):
            w = worth - options[best][1]
            if k == best or not (borne or options[best][2]) or w.std() == 0.0 or x.std() == 0.0:
                continue
            share = np.corrcoef(w, x)[0, 1] ** 2
            if share * (draws - 1) > 4.0:
                spread = w.std() * math.sqrt(share - 1.0 / (draws - 1))
                z = (options[best][0] - mean) / spread
                density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
                total += spread * (density - z * 0.5 * math.erfc(z / math.sqrt(2.0)))
    return total


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_screening_is_its_definition(seed: int) -> None:
    v, site, x = some_river(seed)
    rng = np.random.default_rng(seed)
    v[rng.integers(30), 0] = np.nan
    x = np.vstack([x, rng.random((70, 60)), np.ones((1, 60))])
    on = rng.random((len(x), 30)) < 0.4
    first = np.append(0, np.cumsum(on.sum(axis=1)))
    got = strongest(v, site, x, (first, np.nonzero(on)[1]), most=9)
    want = np.array([losses(v, site, row, borne) for row, borne in zip(x, on, strict=True)])
    assert got.dtype == np.int64
    np.testing.assert_allclose(want[got], np.sort(want)[::-1][:9], rtol=1e-4, atol=1e-6)


def test_the_strongest_come_first_and_equals_by_index() -> None:
    rng = np.random.default_rng(0)
    x = rng.random((300, 500))
    v = np.stack([3.0 * x[250] - 1.5, x[100] - 0.5, 0.4 * x[7] - 0.2, np.full(500, 0.2)])
    first, every = np.arange(301) * 4, np.tile(np.arange(4), 300)
    got = strongest(v, [0, 1, 2, 3], x, (first, every), most=3)
    assert got.tolist() == [250, 100, 7]
    # no row, no worth: then by index
    nowhere = (np.zeros(301, dtype=np.int64), NONE)
    assert strongest(v, [0, 1, 2, 3], x, nowhere, most=4).tolist() == [0, 1, 2, 3]
    assert strongest(v, [0, 1, 2, 3], x[:2], (np.zeros(3, dtype=np.int64), NONE), most=4).tolist() == [0, 1]
    with pytest.raises(ValueError, match="from 0 to 3, got 0 to 9"):
        strongest(v, [0, 1, 2, 3], x[:1], (np.array([0, 2]), np.array([0, 9])), most=1)
    with pytest.raises(ValueError, match="rows for each"):
        strongest(v, [0, 1, 2, 3], x, (NONE, NONE), most=1)


# ---- surveys


def test_what_a_trial_of_fish_may_make_think() -> None:
    p = np.random.default_rng(0).random((2, 4000))
    got = surveyed_means(p, [1.0, 3.0], [1.0, 5.0], 2.0, seed=4)
    # (1 + k) / 4 and (3 + k) / 10 after k of 2
    assert [np.unique(row).tolist() for row in got] == [[0.25, 0.5, 0.75], [0.3, 0.4, 0.5]]
    np.testing.assert_array_equal(got, surveyed_means(p, [1.0, 3.0], [1.0, 5.0], 2.0, seed=4))
    np.testing.assert_allclose(surveyed_means(p, [1.0, 3.0], [1.0, 5.0], 0.0, seed=4)[1], 3.0 / 8.0)
    np.testing.assert_allclose(surveyed_means(p, [1.0, 3.0], [1.0, 5.0], 1e6, seed=4), p, atol=0.005)
    # half a fish: one fish or none
    assert set(np.unique(surveyed_means(p[:1], [1.0], [1.0], 0.5, seed=4))) == {1 / 3, 1 / 2, 2 / 3}
    # no fish passes where none can
    assert surveyed_means(np.zeros((1, 5)), [0.5], [0.5], 10, seed=1)[0].tolist() == [0.5 / 11] * 5


def test_surveys_tell_faults() -> None:
    p = np.full((1, 4), 0.5)
    for bad, match in (
        (lambda: surveyed_means(p, [1.0, 2.0], [1.0], 3, seed=0), "each row"),
        (lambda: surveyed_means(p + 1.0, [1.0], [1.0], 3, seed=0), "from 0 to 1"),
        (lambda: surveyed_means(p, [0.0], [0.0], 3, seed=0), "not both 0"),
        (lambda: surveyed_means(p, [1.0], [1.0], -1, seed=0), "fish must be"),
    ):
        with pytest.raises(ValueError, match=match):
            bad()
