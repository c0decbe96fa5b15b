"""Measured habitat in the place of modelled."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.random_networks import network_of

from barrierrank.habitat.curves import ClassTable, Curve
from barrierrank.habitat.stages import Attributes, Limits, StageHabitat, StageSpec, stage_habitat
from barrierrank.habitat.survey import Model, agreement, apply_survey
from barrierrank.inputs.survey import SurveyTable
from barrierrank.network.polylines import Polylines
from barrierrank.problems import Problems

NAN = np.nan
# line 0, from (0, 0) to (100, 0), in reaches 0 (25 m) and 1 (75 m); line 1 on to (100, 80), reach 2; line 2 far off
LINES = Polylines(
    np.array([[0.0, 0], [100, 0], [100, 0], [100, 80], [0, 5000], [50, 5000]]), np.array([0, 2, 4, 6])
)
NETWORK = replace(
    network_of([0, 1, 2], [1, 2, 3], length=[25.0, 75.0, 80.0]),
    row=np.array([0, 0, 1]),
    line=np.array([0, 0, 1]),
    start_m=np.array([0.0, 25.0, 0.0]),
    end_m=np.array([25.0, 100.0, 80.0]),
    polylines=LINES,
)
SPEC = StageSpec(
    "spawning", "area", "product",
    {"gradient": Curve.of([[0, 1], [0.1, 0]]), "substrate": ClassTable.of({"gravel": 1.0, "sand": 0.5})},
    Limits(gradient_above=0.09),
)  # fmt: skip
KNOWN = Attributes(
    {"gradient": np.array([0.0, 0.05, 0.0]), "width": np.array([4.0, 4.0, 10.0])},
    {"substrate": {"gravel": np.array([0.0, 0.0, 1.0]), "sand": np.array([1.0, 1.0, 0.0])}},
)
MODEL = Model(SPEC, KNOWN)
MODELLED = stage_habitat(NETWORK, SPEC, KNOWN)


def table(*records: dict[str, Any], labels: tuple[str, ...] = ()) -> SurveyTable:
    """Make records of what is given, in rows from 2."""
    n = len(records)

    def column(name: str, default: object, dtype: object) -> Any:
        return np.array([r.get(name, default) for r in records], dtype=dtype)  # type: ignore[call-overload]

    return SurveyTable(
        label="survey.csv", row=np.arange(2, n + 2), line=column("line", -1, np.int64),
        x=column("x", NAN, float), y=column("y", NAN, float), species=column("species", "sucker", object),
        stage=column("stage", "spawning", object), amount=column("amount", NAN, float),
        quality=column("quality", NAN, float), shares={k: column(k, NAN, float) for k in labels},
        date=column("date", "NaT", "datetime64[D]"), method=column("method", "", object),
    )  # fmt: skip


def applied(
    records: SurveyTable, model: Model = MODEL, modelled: StageHabitat = MODELLED
) -> tuple[StageHabitat, list[bool], Problems]:
    """Put records in the place of the model's."""
    problems = Problems()
    out, surveyed = apply_survey(NETWORK, modelled, records, model, tolerance_m=10.0, problems=problems)
    return out, surveyed.tolist(), problems


def test_the_model_of_these_tests() -> None:
    assert MODELLED.size.tolist() == [100.0, 300.0, 800.0]
    assert MODELLED.quality == pytest.approx([0.5, 0.25, 1.0])


def test_an_amount_on_a_line_is_shared_out_by_length() -> None:
    out, surveyed, problems = applied(table({"line": 0, "amount": 40.0}))
    assert surveyed == [True, True, False]
    assert out.amount == pytest.approx([10.0, 30.0, 800.0])
    assert out.quality == pytest.approx([0.1, 0.1, 1.0])
    assert out.why(0) == "it was surveyed"
    assert out.why(2) == MODELLED.why(2)
    assert len(problems) == 0


def test_a_quality_holds_on_every_reach_of_its_line() -> None:
    out, _, _ = applied(table({"line": 0, "quality": 0.8}))
    assert out.amount == pytest.approx([80.0, 240.0, 800.0])
    assert out.quality == pytest.approx([0.8, 0.8, 1.0])


def test_measured_zero_is_a_value() -> None:
    out, surveyed, _ = applied(table({"line": 1, "amount": 0.0}))
    assert surveyed == [False, False, True]
    assert out.amount[2] == out.quality[2] == 0.0


def test_shares_of_classes_replace_the_modelled_ones_and_the_rest_stays() -> None:
    labels = ("gravel", "sand", "bedrock")
    out, surveyed, _ = applied(table({"line": 0, "gravel": 0.6, "sand": 0.2, "bedrock": 0.2}, labels=labels))
    # bed 0.6 + 0.2 x 0.5 = 0.7; gradient 1.0 and 0.5 as modelled
    assert out.quality == pytest.approx([0.7, 0.35, 1.0])
    assert out.amount == pytest.approx([70.0, 105.0, 800.0])
    assert surveyed == [True, True, False]
    assert out.why(0) == "its substrate suits least"


def test_shares_of_classes_leave_limits_and_gaps_as_they_are() -> None:
    steep = Attributes({**KNOWN.numbers, "gradient": np.array([0.2, NAN, 0.0])}, KNOWN.classes)
    records = table({"line": 0, "gravel": 1.0}, labels=("gravel",))
    out, _, _ = applied(records, Model(SPEC, steep), stage_habitat(NETWORK, SPEC, steep))
    assert out.quality[:2].tolist() == [0.0, 1.0]
    assert out.missing == pytest.approx([0.0, 2 / 3, 0.0])
    assert out.why(0) == "its gradient is above 0.09"


def test_shares_go_to_the_table_that_knows_most_of_them() -> None:
    spec = StageSpec(
        "rearing", "length", "minimum",
        {"cover": ClassTable.of({"wood": 1.0, "sand": 0.1}), "bed": ClassTable.of({"silt": 1.0, "sand": 0.5})},
    )  # fmt: skip
    one = np.ones(3)
    known = Attributes({}, {"cover": {"wood": one}, "bed": {"sand": one}})
    records = table({"line": 1, "silt": 0.5, "sand": 0.5}, labels=("silt", "sand"))
    out, _, _ = applied(records, Model(spec, known), stage_habitat(NETWORK, spec, known))
    assert out.quality == pytest.approx([0.5, 0.5, 0.75])


def test_classes_for_a_stage_without_any_are_refused() -> None:
    spec = StageSpec("rearing", "length", "minimum", {})
    records = table({"line": 1, "silt": 1.0}, labels=("silt",))
    with pytest.raises(ValueError, match="without a table of classes"):
        applied(records, Model(spec, Attributes({})))


def test_points_go_to_the_nearest_reach() -> None:
    out, surveyed, problems = applied(
        table(
            {"x": 20.0, "y": 3.0, "quality": 0.11},
            {"x": 26.0, "y": -9.0, "quality": 0.22},
            {"x": 104.0, "y": 60.0, "amount": 8.0},
            {"x": 500.0, "y": 500.0, "quality": 0.9},
            {"x": 20.0, "y": 5001.0, "quality": 0.9},  # at a line that has no reach
        )
    )
    assert surveyed == [True, True, True]
    assert out.quality == pytest.approx([0.11, 0.22, 0.01])
    told = problems.of("warning")
    assert len(told) == 1
    assert told[0].ids == ("5", "6")
    assert "no stream line lies within 10 m" in told[0].message


def test_a_point_at_a_join_goes_to_the_lower_number() -> None:
    _, surveyed, _ = applied(table({"x": 100.0, "y": 0.0, "quality": 0.5}))
    assert surveyed == [False, True, False]


def test_a_line_that_is_not_on_the_network_is_told() -> None:
    out, surveyed, problems = applied(table({"line": 7, "amount": 1.0}))
    assert not any(surveyed)
    assert (out.amount == MODELLED.amount).all()
    assert "the line is not part of the network" in problems.of("warning")[0].message


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_the_latest_date_counts_in_whatever_order(order: tuple[int, ...]) -> None:
    records = [
        {"line": 0, "quality": 0.1},  # no date is earlier than any
        {"line": 0, "quality": 0.2, "date": "1999-12-31"},
        {"x": 10.0, "y": 0.0, "quality": 0.3, "date": "2020-01-01"},
    ]
    out, _, problems = applied(table(*(records[i] for i in order)))
    assert out.quality == pytest.approx([0.3, 0.2, 1.0])
    told = problems.of("note")
    assert [p.kind for p in told] == ["survey_superseded"]
    assert set(told[0].ids) == {str(2 + order.index(0)), str(2 + order.index(1))}


def test_of_one_day_the_later_row_counts() -> None:
    day = "2020-05-01"
    out, _, _ = applied(
        table({"line": 1, "quality": 0.1, "date": day}, {"line": 1, "quality": 0.2, "date": day})
    )
    assert out.quality[2] == pytest.approx(0.2)


def test_more_habitat_than_the_reach_is_large_is_told() -> None:
    out, _, problems = applied(table({"line": 1, "amount": 801.0}))
    assert out.amount[2] == 801.0
    assert out.quality[2] == 1.0
    assert problems.of("warning")[0].kind == "survey_more_than_reach"


def test_without_a_width_an_amount_counts_and_a_quality_cannot() -> None:
    known = Attributes({**KNOWN.numbers, "width": np.array([NAN, 4.0, NAN])}, KNOWN.classes)
    modelled = stage_habitat(NETWORK, SPEC, known)
    out, surveyed, _ = applied(
        table({"line": 0, "quality": 0.5}, {"line": 1, "amount": 9.0}), Model(SPEC, known), modelled
    )
    assert all(surveyed)
    assert out.amount == pytest.approx([0.0, 150.0, 9.0])
    assert out.why(0) == "its width is not known"
    assert out.why(2) == "it was surveyed"


def test_nothing_surveyed_changes_nothing_and_the_model_is_left_alone() -> None:
    before = MODELLED.amount.copy()
    out, surveyed, problems = applied(table())
    assert (out.amount == before).all()
    assert not any(surveyed)
    assert len(problems) == 0
    applied(table({"line": 0, "amount": 1.0}))
    assert (MODELLED.amount == before).all()


def test_records_of_one_stage() -> None:
    both = table(
        {"line": 0, "quality": 0.1}, {"line": 1, "quality": 0.2, "stage": "rearing"}, labels=("sand",)
    )
    mine = both.of("sucker", "rearing")
    assert len(mine) == 1
    assert mine.row.tolist() == [3]
    assert mine.quality.tolist() == [0.2]
    assert mine.shares["sand"].size == 1
    assert len(both.of("pike", "rearing")) == 0


def test_agreement_by_hand() -> None:
    # differences 1, -1, 3; bias 1, rmse sqrt(11 / 3)
    out = agreement(np.array([2.0, 3.0, 9.0, NAN, 4.0]), np.array([1.0, 4.0, 6.0, 1.0, NAN]))
    assert out.n == 3
    assert out.bias == pytest.approx(1.0)
    assert out.rmse == pytest.approx(np.sqrt(11 / 3))
    assert out.correlation == pytest.approx(np.corrcoef([2.0, 3.0, 9.0], [1.0, 4.0, 6.0])[0, 1])


def test_agreement_where_nothing_can_be_said() -> None:
    none = agreement(np.array([NAN]), np.array([1.0]))
    assert none.n == 0
    assert np.isnan([none.bias, none.rmse, none.correlation]).all()
    flat = agreement(np.array([1.0, 1.0]), np.array([1.0, 2.0]))
    assert flat.bias == -0.5
    assert np.isnan(flat.correlation)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=9, unique=True), st.floats(-50.0, 50.0))
def test_a_shift_is_all_bias(values: list[float], shift: float) -> None:
    measured = np.array(values)
    out = agreement(measured + shift, measured)
    assert out.bias == pytest.approx(shift, abs=1e-9)
    assert out.rmse == pytest.approx(abs(shift), abs=1e-9)
    assert out.correlation == pytest.approx(1.0, abs=1e-3) or np.ptp(measured) < 1e-6
