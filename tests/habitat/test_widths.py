"""Widths by the published curves."""

from __future__ import annotations

import numpy as np
import pytest

from barrierrank.habitat.widths import tell_width_set, width_from_set, width_set, width_sets
from barrierrank.problems import InputError, Problems

MICHIGAN = "michigan_lower_peninsula_south"


@pytest.mark.parametrize("name", list(width_sets()))
def test_every_set_is_sound(name: str) -> None:
    curve = width_set(name)
    assert curve.name == name
    assert 0.2 < curve.b < 0.7
    assert curve.checked in {"seen", "from memory"}
    assert curve.checked != "from memory" or "from memory" in curve.source
    assert curve.source.strip()
    assert curve.label.strip()
    # a stream of 100 km2 is neither a ditch nor a great river
    assert 5.0 < width_from_set(name, np.array([100.0]))[0][0] < 40.0
    if curve.range_km2 is not None:
        assert 0.0 < curve.range_km2[0] < curve.range_km2[1]


def test_feet_and_square_miles_become_si() -> None:
    # by hand, one square mile (2.589988 km2): 8.19 ft = 2.496312 m
    width, outside = width_from_set(MICHIGAN, np.array([1.609344**2]))
    assert width[0] == pytest.approx(8.19 * 0.3048)
    assert outside.tolist() == [True]  # fitted from 20.9 mi2 on


def test_outside_is_told_at_both_ends_of_the_range() -> None:
    mi2 = np.array([20.8, 20.9, 100.0, 385.0, 386.0, np.nan, 0.0])
    width, outside = width_from_set(
        MICHIGAN, mi2 * 1.609344**2 * (1.0 + 1e-12 * np.array([0, 1, 0, -1, 0, 0, 0]))
    )
    assert outside.tolist()[:5] == [True, False, False, False, True]
    assert not outside[5]
    assert np.isnan(width).tolist() == [False] * 5 + [True, True]


def test_no_range_is_outside_of_nothing() -> None:
    assert width_set("vermont").range_km2 is None
    assert width_from_set("vermont", np.array([1e-3, 1e6]))[1].tolist() == [False, False]


def test_unknown_name_gets_the_nearest_and_all() -> None:
    with pytest.raises(
        InputError, match=r'given "vermnt", allowed: .*ontario_south.* -> did you mean "vermont"\?'
    ):
        width_from_set("vermnt", np.ones(1))
    with pytest.raises(InputError, match="-> take one of these, or width_a and width_b"):
        width_from_set("???", np.ones(1))


def test_what_is_to_be_known_of_a_set_is_told() -> None:
    problems = Problems()
    tell_width_set(MICHIGAN, np.array([100.0, 5.0]), ["a", "b"], problems, where="streams.gpkg")
    (problem,) = problems
    assert (problem.severity, problem.kind, problem.ids) == ("warning", "width_set_outside", ("b",))
    assert "54.13 to 997.1 km2" in problem.message

    problems = Problems()
    tell_width_set("interior_plains", np.array([1.0]), ["a"], problems, where="streams.gpkg")
    assert [p.kind for p in problems] == ["width_set_from_memory", "width_set_range_unknown"]

    problems = Problems()
    tell_width_set(MICHIGAN, np.array([100.0]), ["a"], problems, where="streams.gpkg")
    assert len(problems) == 0


def test_areas_of_the_caller_are_not_changed() -> None:
    area = np.array([-1.0, 0.0, 10.0])
    width_from_set("vermont", area)
    assert area.tolist() == [-1.0, 0.0, 10.0]
