"""Intervals, chances and pairs from ranks in draws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from barrierrank.ranking.intervals import RANKS, acceptability, ahead, intervals_of, is_enough


def ranked(values: np.ndarray) -> np.ndarray:
    """Return ranks from 1 by falling value, draw by draw."""
    order = np.argsort(-values, axis=0, kind="stable")
    out = np.empty(values.shape, dtype=np.int32)
    np.put_along_axis(out, order, np.arange(1, len(values) + 1, dtype=np.int32)[:, None], axis=0)
    return out


def test_by_hand() -> None:
    # three actions, four draws: the first is 1, 1, 2, 3; in one draw it does harm
    ranks = np.array([[1, 1, 2, 3], [2, 3, 1, 1], [3, 2, 3, 2]], dtype=np.int32)
    benefit = np.array([[4.0, 4.0, 2.0, -2.0], [3.0, 1.0, 3.0, 1.0], [1.0, 2.0, 1.0, 0.0]])
    made = intervals_of(ranks, benefit, level=0.5, top=1)
    assert made.rank_low.tolist() == [1, 1, 2]
    assert made.rank_high.tolist() == [2, 2, 3]
    assert made.chance_top.tolist() == [0.5, 0.5, 0.0]
    assert made.chance_of_harm.tolist() == [0.25, 0.0, 0.0]
    assert made.expected_benefit.tolist() == [2.0, 2.0, 1.0]
    table = acceptability(ranks, np.array([0, 2]))
    assert table[:, :3].tolist() == [[0.5, 0.25, 0.25], [0.0, 0.5, 0.5]]
    assert ahead(ranks, np.array([0]), np.array([1])).tolist() == [0.5]


@given(st.integers(1, 60), st.integers(1, 40), st.floats(0.1, 0.98), st.integers(1, 30), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_bounds_and_shares(actions: int, draws: int, level: float, top: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=(actions, draws))
    ranks = ranked(values)
    made = intervals_of(ranks, values, level=level, top=top)
    assert (made.rank_low <= made.rank_high).all()
    inside = (ranks >= made.rank_low[:, None]) & (ranks <= made.rank_high[:, None])
    assert (inside.mean(axis=1) >= level - 1e-9).all()
    assert made.chance_top.sum() == pytest.approx(min(top, actions))  # every draw has that many of them
    table = acceptability(ranks, np.arange(actions))
    assert table.sum(axis=1) == pytest.approx(1.0)
    assert table[:, :RANKS].sum(axis=0) == pytest.approx((np.arange(RANKS) < actions).astype(float))


def test_chance_of_being_first_of_normals() -> None:
    # P(X > Y) of independent normals is Phi of the difference over the root of summed variances (closed form)
    rng = np.random.default_rng(1)
    x, y = rng.normal(1.0, 1.0, 200_000), rng.normal(0.5, 2.0, 200_000)
    chance = ahead(ranked(np.stack([x, y])), np.array([0]), np.array([1]))[0]
    assert chance == pytest.approx(stats.norm.cdf(0.5 / np.sqrt(5.0)), abs=0.004)


def test_expected_rank_of_exchangeable_actions_is_uniform() -> None:
    # order statistics: of n alike each rank has chance 1 / n, so the 0.9 interval of 20 is 1 or 2 to 19
    ranks = ranked(np.random.default_rng(2).normal(size=(20, 50_000)))
    made = intervals_of(ranks, np.ones(ranks.shape), level=0.9, top=5)
    assert made.chance_top == pytest.approx(0.25, abs=0.01)
    assert set(made.rank_low.tolist()) <= {1, 2}
    assert set(made.rank_high.tolist()) <= {19, 20}


def test_whether_draws_suffice() -> None:
    rng = np.random.default_rng(3)
    assert is_enough(ranked(rng.normal(size=(30, 20_000))), 10)[0]
    enough, difference = is_enough(ranked(rng.normal(size=(30, 8))), 10)
    assert not enough
    assert difference > 0.05
    assert is_enough(np.ones((3, 1), dtype=np.int32), 1) == (False, 1.0)


def test_no_draws() -> None:
    with pytest.raises(ValueError, match="no draws"):
        intervals_of(np.empty((3, 0), dtype=np.int32), np.empty((3, 0)), level=0.9, top=3)


@given(st.integers(1, 60), st.floats(0.01, 1.0), st.integers(0, 2**32 - 1))
@settings(max_examples=100, deadline=None)
def test_ends_are_the_order_statistics_that_numpy_gives(draws: int, level: float, seed: int) -> None:
    ranks = np.random.default_rng(seed).integers(1, 30, (4, draws)).astype(np.int32)
    made = intervals_of(ranks, np.ones(ranks.shape), level=level, top=3)
    wanted = np.quantile(ranks, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], axis=1, method="inverted_cdf")
    assert made.rank_low.tolist() == wanted[0].tolist()
    assert made.rank_high.tolist() == wanted[1].tolist()


def test_many_actions_are_summed_up_as_few_are() -> None:
    rng = np.random.default_rng(6)
    benefit = rng.normal(size=(2500, 21))
    ranks = rng.integers(1, 2500, (2500, 21)).astype(np.int32)
    made = intervals_of(ranks, benefit, level=0.8, top=300)
    for some in (slice(0, 3), slice(1022, 1027), slice(2490, 2500)):
        few = intervals_of(ranks[some], benefit[some], level=0.8, top=300)
        for name in ("rank_low", "rank_high", "chance_top", "chance_of_harm", "expected_benefit"):
            np.testing.assert_array_equal(getattr(made, name)[some], getattr(few, name))
    none = intervals_of(ranks[:0], benefit[:0], level=0.8, top=3)
    assert none.rank_low.shape == none.expected_benefit.shape == (0,)
