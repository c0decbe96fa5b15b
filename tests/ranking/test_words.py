"""Quantities in words, in both systems of units."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.ranking import words


def test_lengths() -> None:
    metres = [0.0, 0.3, 1.0, 850.4, 999.6, 1000.0, 12_412.0, 1_234_567.0, -3_200.0, np.nan, np.inf]
    assert words.lengths(metres, units="metric") == [
        "0 m", "less than 1 m", "1 m", "850 m", "1 km", "1 km", "12.4 km", "1,230 km", "-3.2 km", "not known",
        "without limit",
    ]  # fmt: skip
    # 0.2 m = 0.66 ft; 100 m = 328.08 ft; 320 m = 1,050 ft = 0.199 miles; 12,412 m = 7.7125 miles
    assert words.lengths([0.0, 0.2, 100.0, 320.0, 1609.344, 12_412.0], units="us") == [
        "0 ft", "less than 1 ft", "328 ft", "1,050 ft", "1 mile", "7.71 miles",
    ]  # fmt: skip


def test_areas() -> None:
    assert words.areas([0.4, 640.0, 12_412.0, 300_000.0, 2e7], units="metric") == [
        "less than 1 m²", "640 m²", "1.24 ha", "30 ha", "20 km²",
    ]  # fmt: skip
    # 1 acre = 43,560 sq ft = 4,046.856 m²; 100 m² = 1,076 sq ft; 1e9 m² = 386.1 sq miles
    assert words.areas([100.0, 4046.8564, 12_412.0, 1e9], units="us") == [
        "1,080 sq ft", "1 acre", "3.07 acres", "386 sq miles",
    ]  # fmt: skip


def test_habitat_in_its_own_unit() -> None:
    assert words.habitats([1500.0], habitat_unit="m", units="metric") == ["1.5 km"]
    assert words.habitats([1500.0], habitat_unit="m2", units="metric") == ["1,500 m²"]
    assert words.habitats([1500.0, 1.0, 0.25], habitat_unit="units", units="us") == [
        "1,500 units",
        "1 unit",
        "0.25 units",
    ]


def test_money_and_points() -> None:
    amounts = [0.0, 0.3, 1.0, 850.0, 12_440.0, 999_600.0, 1.2e6, 3.456e9, -5e3]
    assert words.money(amounts, currency="USD") == [
        "USD 0", "less than USD 1", "USD 1", "USD 850", "USD 12,400", "USD 1 million", "USD 1.2 million",
        "USD 3.46 billion", "USD -5,000",
    ]  # fmt: skip
    assert words.money([12_440.0], currency=None) == ["12,400"]
    assert words.points([0.3, 1.0, 1240.0, 1e-7, np.nan]) == [
        "0.3 points",
        "1 point",
        "1,240 points",
        "less than 0.001 points",
        "not known",
    ]
    assert words.numbers([0.8241, 99.96, 0.3]) == ["0.824", "100", "0.3"]


def test_listed() -> None:
    assert [words.listed(list("abc")[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]


@given(st.lists(st.floats(0.0, 1e12), min_size=1, max_size=5), st.sampled_from(["metric", "us"]))
def test_words_read_back_are_right_to_three_digits(metres: list[float], units: words.Units) -> None:
    sizes = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mile": 1609.344, "miles": 1609.344}
    for value, text in zip(metres, words.lengths(metres, units=units), strict=True):
        if text.startswith("less than 1 "):
            assert 0 < value < sizes[text.split()[-1]]
            continue
        number, unit = text.split()
        assert re.fullmatch(r"[\d,]+(\.\d+)?", number)
        read = float(number.replace(",", "")) * sizes[unit]
        assert read == pytest.approx(value, rel=0.0051, abs=0.5 * sizes["m" if units == "metric" else "ft"])
