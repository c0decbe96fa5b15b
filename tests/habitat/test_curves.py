"""Suitability curves, tables of classes, and how factors combine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.habitat.curves import (
    COMBINES,
    ClassTable,
    Combine,
    Curve,
    class_faults,
    combine,
    curve_faults,
    curve_of,
    faults_of,
    suitability,
    suitability_of_classes,
)

HUMP = Curve.of([[0.0, 0.2], [10.0, 1.0], [30.0, 0.0]])
some_suitability = st.one_of(st.just(0.0), st.floats(1e-3, 1.0))


def test_a_curve_is_linear_between_its_points_and_constant_beyond() -> None:
    given_x = np.array([-5.0, 0.0, 5.0, 10.0, 15.0, 30.0, 99.0])
    # 5 is half way from 0.2 to 1.0; 15 a quarter of the way from 1.0 to 0.0
    assert suitability(HUMP, given_x) == pytest.approx([0.2, 0.2, 0.6, 1.0, 0.75, 0.0, 0.0])


def test_missing_stays_missing_and_infinite_is_beyond_the_end() -> None:
    out = suitability(HUMP, np.array([np.nan, np.inf, -np.inf, 10.0]))
    assert np.isnan(out[0])
    assert out[1:].tolist() == [0.0, 0.2, 1.0]


def test_a_step_takes_its_second_value_at_the_very_place() -> None:
    step = Curve.of([(0.0, 1.0), (2.0, 1.0), (2.0, 0.25), (4.0, 0.25)])
    out = suitability(step, np.array([1.0, np.nextafter(2.0, 0.0), 2.0, 3.0]))
    assert out == pytest.approx([1.0, 1.0, 0.25, 0.25])


@pytest.mark.parametrize(
    "points", [[(1.0, 0.0), (1.0, 1.0), (2.0, 1.0)], [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]]
)
def test_a_step_at_an_end(points: list[tuple[float, float]]) -> None:
    out = suitability(Curve.of(points), np.array([0.5, 1.0, 1.5]))
    assert out.tolist() == [0.0, 1.0, 1.0]


@given(
    st.lists(
        st.tuples(st.floats(-1e6, 1e6), st.floats(0.0, 1.0)), min_size=2, max_size=8, unique_by=lambda p: p[0]
    ),
    st.lists(st.floats(-2e6, 2e6), max_size=20),
)
def test_without_steps_it_is_what_numpy_interpolates(
    points: list[tuple[float, float]], values: list[float]
) -> None:
    points.sort()
    xs, ss = zip(*points, strict=True)
    x = np.array([*values, *xs])
    out = suitability(Curve.of(points), x)
    assert out == pytest.approx(np.interp(x, xs, ss), abs=1e-9)
    assert ((out >= 0.0) & (out <= 1.0)).all()


def test_what_goes_in_is_left_alone() -> None:
    x = np.array([3.0, np.nan])
    suitability(HUMP, x)
    assert x[0] == 3.0
    assert np.isnan(x[1])


def test_classes_count_by_their_share() -> None:
    table = ClassTable.of({"gravel": 1.0, "sand": 0.4})
    shares = {
        "gravel": np.array([1.0, 0.5, 0.0, np.nan]),
        "sand": np.array([0.0, 0.25, 0.0, np.nan]),
        "bedrock": np.array([0.0, 0.25, 1.0, np.nan]),
    }
    out = suitability_of_classes(table, shares)
    # 0.5 x 1 + 0.25 x 0.4 + 0.25 x 0, bedrock having no suitability
    assert out[:3] == pytest.approx([1.0, 0.6, 0.0])
    assert np.isnan(out[3])
    assert table.unknown(list(shares)) == ["bedrock"]


def test_shares_of_no_class_are_refused() -> None:
    with pytest.raises(ValueError, match="given no class"):
        suitability_of_classes(ClassTable.of({"gravel": 1.0}), {})


@given(st.lists(st.lists(some_suitability, min_size=3, max_size=3), min_size=1, max_size=6))
def test_combining_keeps_the_order_of_the_means(rows: list[list[float]]) -> None:
    factors = np.array(rows)
    product, geometric, least = (combine(factors, how)[0] for how in ("product", "geometric_mean", "minimum"))
    assert (product <= least + 1e-12).all()
    assert (least <= geometric + 1e-12).all()
    assert (geometric <= factors.max(axis=0) + 1e-12).all()
    zero = (factors == 0.0).any(axis=0)
    for quality in (product, geometric, least):
        assert ((quality == 0.0) == zero).all()


@given(st.lists(some_suitability, min_size=1, max_size=5), st.integers(0, 3), st.sampled_from(COMBINES))
def test_a_missing_factor_is_left_out_and_counted(given_s: list[float], gaps: int, how: Combine) -> None:
    column = np.array(given_s)[:, None]
    with_gaps = np.vstack([column, np.full((gaps, 1), np.nan)])
    quality, missing = combine(with_gaps, how)
    assert quality == pytest.approx(combine(column, how)[0])
    assert missing == pytest.approx([gaps / (gaps + len(given_s))])


@pytest.mark.parametrize("how", COMBINES)
def test_all_missing_is_missing_and_none_asked_is_full(how: Combine) -> None:
    quality, missing = combine(np.full((2, 3), np.nan), how)
    assert np.isnan(quality).all()
    assert missing.tolist() == [1.0] * 3
    quality, missing = combine(np.empty((0, 2)), how)
    assert quality.tolist() == [1.0, 1.0]
    assert missing.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("how", COMBINES)
def test_zero_beats_missing(how: Combine) -> None:
    assert combine(np.array([[0.0], [np.nan]]), how)[0].tolist() == [0.0]


def test_an_unknown_way_to_combine_is_refused() -> None:
    with pytest.raises(ValueError, match="given 'mean', allowed: geometric_mean, product, minimum"):
        combine(np.ones((1, 1)), "mean")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ("steep", "given 'steep', allowed: points"),
        ([], r"given 0 point\(s\), allowed: two or more"),
        ([[0.0, 1.0]], r"given 1 point\(s\), allowed: two or more"),
        ([[0.0, 1.0], [1.0]], r"given \[1.0\] as a point"),
        ([[0.0, 1.0], [1.0, "good"]], "as a point, allowed: two finite numbers"),
        ([[0.0, True], [1.0, 0.0]], "as a point, allowed: two finite numbers"),
        ([[0.0, 1.0], [float("nan"), 0.0]], "as a point, allowed: two finite numbers"),
        ([[0.0, 1.0], [float("inf"), 0.0]], "as a point, allowed: two finite numbers"),
        ([[1.0, 0.0], [0.5, 1.0]], "x does not ascend: 1 stands before 0.5"),
        ([[1.0, 0.0], [1.0, 0.5], [1.0, 1.0]], "x = 1 stands there more than twice"),
        ([[0.0, 0.0], [1.0, 1.2]], "x = 1: given suitability 1.2, allowed: from 0 to 1"),
        ([[0.0, -0.1], [1.0, 1.0]], "x = 0: given suitability -0.1, allowed: from 0 to 1"),
    ],
)
def test_what_is_wrong_with_points_is_told(points: object, words: str) -> None:
    assert curve_faults(points)
    with pytest.raises(ValueError, match=words):
        Curve.of(points)  # type: ignore[arg-type]


def test_all_that_is_wrong_is_told_at_once() -> None:
    told = [f.message for f in curve_faults([[2.0, 1.5], [1.0, 80.0]])]
    assert len(told) == 3
    assert curve_faults([[1.0, 80.0], [2.0, 0.0]])[0].remedy == "divide per cent by 100"


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "given no label"),
        ({"gravel": "good"}, "gravel: given 'good', allowed: a number from 0 to 1"),
        ({"gravel": True}, "gravel: given True"),
        ({"gravel": 1.0, "sand": -1.0}, "sand: given suitability -1, allowed: from 0 to 1"),
    ],
)
def test_what_is_wrong_with_classes_is_told(table: dict[str, float], words: str) -> None:
    assert class_faults(table)
    with pytest.raises(ValueError, match=words):
        ClassTable.of(table)
    assert faults_of(table) == class_faults(table)


def test_neither_points_nor_labels() -> None:
    assert "allowed: labels" in class_faults([1.0])[0].message
    assert "allowed: points" in faults_of(3)[0].message


def test_points_and_labels_become_what_they_are() -> None:
    assert isinstance(curve_of([[0, 0], [1, 1]]), Curve)
    assert isinstance(curve_of({"sand": 1}), ClassTable)
    assert not faults_of([[0, 0], [0, 1]])
