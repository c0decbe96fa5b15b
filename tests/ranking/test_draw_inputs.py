"""What is uncertain and how much: distributions of passabilities, habitat by class, years drawn anew."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.ranking.draw_inputs import by_class, evidence_of, habitat_parts, year_shift


def words(*given: str) -> np.ndarray:
    return np.array(given, dtype=object)


def test_evidence_is_as_given_else_rated_or_modelled() -> None:
    assert evidence_of(words("measured", "", "guessed")).tolist() == ["measured", "modelled", "guessed"]
    rated = np.array([[True, False], [True, False]])
    assert evidence_of(words("", "measured"), rated).tolist() == [["rated", "modelled"], ["measured", "measured"]]
    table = {"measured": 100.0, "rated": 20.0, "modelled": 12.0, "guessed": 4.0}
    classes = evidence_of(words("", "measured"), rated)
    assert by_class(table, classes, certain=np.inf).tolist() == [[20.0, 12.0], [100.0, 100.0]]
    assert by_class(table, words("certain", "guessed"), certain=np.inf).tolist() == [np.inf, 4.0]


@given(st.integers(1, 5), st.integers(1, 8), st.integers(1, 6), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_drawn_years_move_the_mean_as_by_hand(k: int, years: int, draws: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    yearly = rng.random((k, 2, years))
    yearly[rng.random(yearly.shape) < 0.2] = np.nan
    picked = rng.integers(0, years, (draws, years))
    made = year_shift(yearly, picked)
    for i in range(k):
        for c in range(2):
            for d in range(draws):
                drawn = yearly[i, c, picked[d]]
                known = drawn[~np.isnan(drawn)]
                wanted = known.mean() - np.nanmean(yearly[i, c]) if known.size else 0.0
                assert made[i, c, d] == pytest.approx(wanted, abs=1e-12)


def test_years_drawn_with_replacement_have_the_spread_of_a_mean() -> None:
    # the bootstrap of a mean: its standard deviation is that of the years over the root of their number (Efron 1979,
    # from memory)
    rng = np.random.default_rng(4)
    yearly = rng.random((1, 1, 15))
    made = year_shift(yearly, rng.integers(0, 15, (20_000, 15)))[0, 0]
    assert made.mean() == pytest.approx(0.0, abs=0.003)
    assert made.std() == pytest.approx(yearly.std() / np.sqrt(15), rel=0.03)


def test_habitat_is_drawn_together_by_evidence_and_order() -> None:
    counted = np.array([5.0, 7.0, 11.0, 13.0])
    surveyed = np.array([True, False, False, False])
    order = np.array([1, 1, 2, 2])
    parts = habitat_parts(
        {"measured": 0.1, "modelled": 0.4}, counted, surveyed, order, (np.array([2, 2, 3, 2]), 4)
    )
    assert parts.amounts.tolist() == [[0, 0, 0], [0, 0, 0], [7, 5, 13], [0, 0, 11]]
    assert parts.cv.tolist() == [0.4, 0.1, 0.4]
    assert parts.amounts.sum() == counted.sum()


def test_no_reaches() -> None:
    none = np.empty(0)
    parts = habitat_parts({}, none, none.astype(bool), none.astype(np.int64), (none.astype(np.int64), 3))
    assert parts.amounts.shape == (3, 0)
    assert parts.cv.size == 0
