"""Habitat of a life stage: size times quality, limits, missing data, and the words for what limits it."""

from __future__ import annotations

import numpy as np
import pytest
from support.random_networks import network_of

from barrierrank.habitat.curves import ClassTable, Curve
from barrierrank.habitat.stages import (
    MOST_CURVES,
    Attributes,
    Limits,
    StageSpec,
    above_falls,
    attribute_faults,
    stage_habitat,
    tell_stage,
)
from barrierrank.inputs.report import Report
from barrierrank.problems import Problems

NAN = np.nan
# reach:      0 -> 1 -> 2 -> mouth, and 3 -> mouth
NETWORK = network_of([0, 1, 2, 4], [1, 2, 3, 3], length=[100.0, 200.0, 300.0, 400.0])
STEEPNESS = Curve.of([[0.0, 1.0], [0.02, 0.0]])
BED = ClassTable.of({"gravel": 1.0, "sand": 0.5})
SPEC = StageSpec("spawning", "area", "product", {"gradient": STEEPNESS, "substrate": BED})
KNOWN = Attributes(
    {"gradient": np.array([0.01, 0.0, 0.005, 0.0]), "width": np.array([2.0, 3.0, 4.0, 5.0])},
    {"substrate": {"gravel": np.array([1.0, 0.0, 0.5, 1.0]), "sand": np.array([0.0, 1.0, 0.5, 0.0])}},
)


def test_amount_is_length_times_width_times_quality() -> None:
    out = stage_habitat(NETWORK, SPEC, KNOWN)
    # gradient 0.5, 1, 0.75, 1; bed 1, 0.5, 0.75, 1
    assert out.quality == pytest.approx([0.5, 0.5, 0.5625, 1.0])
    assert out.size == pytest.approx([200.0, 600.0, 1200.0, 2000.0])
    assert out.amount == pytest.approx([100.0, 300.0, 675.0, 2000.0])
    assert out.missing.tolist() == [0.0] * 4


def test_the_lowest_factor_is_named_and_the_first_of_equal_ones() -> None:
    out = stage_habitat(NETWORK, SPEC, KNOWN)
    assert [out.why(r) for r in range(4)] == [
        "its gradient suits least",
        "its substrate suits least",
        "its gradient suits least",  # both 0.75
        "nothing limits it",
    ]


def test_length_needs_no_width() -> None:
    spec = StageSpec("rearing", "length", "minimum", {"gradient": STEEPNESS})
    out = stage_habitat(NETWORK, spec, Attributes({"gradient": KNOWN.numbers["gradient"]}))
    assert out.amount == pytest.approx([50.0, 200.0, 225.0, 400.0])


def test_without_curves_everything_suits() -> None:
    out = stage_habitat(NETWORK, StageSpec("rearing", "length", "geometric_mean", {}), Attributes({}))
    assert out.amount.tolist() == NETWORK.length_m.tolist()
    assert out.missing.tolist() == [0.0] * 4


def test_limits_bar_habitat_whatever_the_curves_say() -> None:
    limits = Limits(gradient_above=0.005, drainage_area_below_km2=10.0, below_falls_only=True)
    spec = StageSpec("spawning", "length", "minimum", {"gradient": Curve.of([[0, 1], [1, 1]])}, limits)
    known = Attributes({**KNOWN.numbers, "drainage_area": np.array([50.0, 9.9, 10.0, 50.0])})
    fall = np.array([False, False, False, True])
    out = stage_habitat(NETWORK, spec, known, above_fall=fall)
    assert out.quality.tolist() == [0.0, 0.0, 1.0, 0.0]  # 0.005 itself and 10 km2 itself are allowed
    assert [out.why(r) for r in range(4)] == [
        "its gradient is above 0.005",
        "less than 10 km2 drain to it",
        "nothing limits it",
        "it lies above a natural fall",
    ]


def test_missing_factors_are_left_out_and_counted_limits_too() -> None:
    spec = StageSpec("spawning", "length", "geometric_mean", SPEC.curves, Limits(gradient_above=0.5))
    known = Attributes(
        {"gradient": np.array([NAN, 0.01, NAN, 0.0])},
        {"substrate": {"sand": np.array([1.0, NAN, NAN, 1.0])}},
    )
    out = stage_habitat(NETWORK, spec, known)
    assert out.quality[[0, 1, 3]] == pytest.approx([0.5, 0.5, np.sqrt(0.5)])
    assert np.isnan(out.quality[2])
    assert out.amount[2] == 0.0
    # asked: gradient by a curve and by a limit, and the bed
    assert out.missing == pytest.approx([2 / 3, 1 / 3, 1.0, 0.0])
    assert out.why(2) == "there are no data on it"


def test_a_reach_without_width_counts_with_no_area() -> None:
    known = Attributes({**KNOWN.numbers, "width": np.array([NAN, 3.0, 4.0, 5.0])}, KNOWN.classes)
    out = stage_habitat(NETWORK, SPEC, known)
    assert out.amount[0] == 0.0
    assert np.isnan(out.size[0])
    assert out.quality[0] == pytest.approx(0.5)
    assert out.why(0) == "its width is not known"


def test_inputs_are_left_alone() -> None:
    before = {k: v.copy() for k, v in KNOWN.numbers.items()}
    stage_habitat(NETWORK, SPEC, KNOWN)
    assert all((before[k] == KNOWN.numbers[k]).all() for k in before)
    assert NETWORK.length_m.tolist() == [100.0, 200.0, 300.0, 400.0]


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (
            StageSpec("spawning", "length", "product", {"temperture": STEEPNESS}),
            "nothing is called temperture",
        ),
        (StageSpec("spawning", "length", "product", {"substrate": STEEPNESS}), "substrate holds classes"),
        (StageSpec("spawning", "length", "product", {"gradient": BED}), "gradient holds numbers"),
        (
            StageSpec("spawning", "length", "product", {}, Limits(drainage_area_below_km2=1.0)),
            "drainage_area is needed",
        ),
        (StageSpec("spawning", "length", "product", {}, Limits(below_falls_only=True)), "give above_fall"),
    ],
)
def test_what_cannot_be_given_is_refused(spec: StageSpec, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        stage_habitat(NETWORK, spec, KNOWN)


def test_area_without_any_width_is_a_fault() -> None:
    assert [f.message for f in attribute_faults(SPEC, Attributes({}, KNOWN.classes))] == [
        "nothing is called gradient",
        "width is needed and not known of any reach",
    ]


def test_more_curves_than_codes_are_refused() -> None:
    curves = {f"c{i}": STEEPNESS for i in range(MOST_CURVES + 1)}
    with pytest.raises(ValueError, match=f"allowed: {MOST_CURVES}"):
        StageSpec("spawning", "area", "product", curves)


def test_above_a_fall_counts_only_what_there_is_a_way_to() -> None:
    # 5 -> 4 has no way to the receiving water; the fall is at the foot of reach 1
    network = network_of([0, 1, 2, 5], [1, 2, 3, 4], entry=[False, False, False, True, False, False])
    fall = np.array([False, True, False, False])
    assert above_falls(network, fall).tolist() == [True, True, False, False]


def test_what_is_not_known_is_told_with_lines_and_remedy() -> None:
    known = Attributes(
        {"gradient": np.array([NAN, NAN, 0.0, 0.0]), "width": np.array([1.0, 1.0, NAN, 1.0])},
        {"substrate": {"gravel": np.array([NAN, 1.0, 0.5, 1.0]), "bedrock": np.array([NAN, 0.0, 0.5, 0.0])}},
    )
    problems = Problems()
    ids = np.array(["a", "b", "c", "c"], dtype=object)
    tell_stage(
        stage_habitat(NETWORK, SPEC, known),
        SPEC,
        known,
        ids,
        Report(problems, "p.toml", "[species.x.spawning]"),
    )
    told = {p.kind: p for p in problems}
    assert told["class_without_suitability"].ids == ("bedrock",)
    assert told["no_habitat_data"].ids == ("a",)
    assert told["habitat_data_missing"].ids == ("b",)
    assert told["no_width"].ids == ("c",)
    assert "25.0% of the reaches" in told["no_width"].message
    assert all(p.remedy for p in problems if p.severity == "warning")


def test_nothing_is_told_where_all_is_known() -> None:
    problems = Problems()
    ids = np.array(["a", "b", "c", "d"], dtype=object)
    tell_stage(stage_habitat(NETWORK, SPEC, KNOWN), SPEC, KNOWN, ids, Report(problems, "p.toml", "[x]"))
    assert len(problems) == 0
