"""Whose gauge's flows a structure gets, and by which factor."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from barrierrank.inputs.flows import FlowRecords
from barrierrank.passage.transfer import site_flow_factors
from barrierrank.problems import Problems
from barrierrank.project_passage import FlowsSpec

NAN = np.nan


def records(areas: Sequence[float], *, dry: Sequence[int] = ()) -> FlowRecords:
    """Return gauges A, B, ... of given drainage areas with two days of flow each."""
    g = len(areas)
    flow = np.ones((g, 2))
    flow[list(dry)] = NAN
    none = np.full(g, NAN)
    names = np.array([chr(65 + i) for i in range(g)], dtype=object)
    day = np.array(["2001-01-01", "2001-01-02"], dtype="datetime64[D]")
    return FlowRecords(names, np.array(areas, dtype=float), none, none, day, flow, np.full((g, 2), NAN))


def spec(exponent: float = 1.0) -> FlowsSpec:
    return FlowsSpec(Path("flows.csv"), None, "date", "q", "m3s", None, "gauge", None, exponent, 0.5, 1.5, ())


class Told(Problems):
    def of_kind(self, kind: str) -> str:
        """Return the lines of one kind, ``""`` where there are none."""
        return "\n".join(p.line() for p in self if p.kind == kind)


def factors(
    gauge: Sequence[str], area: Sequence[float], flows: FlowRecords, *, a: Sequence[float] | None = None,
    b: Sequence[float] | None = None, exponent: float = 1.0,
) -> tuple[list[int], np.ndarray, np.ndarray, Told]:  # fmt: skip
    n = len(gauge)
    none = [NAN] * n
    table = SimpleNamespace(
        label="structures.csv", row=np.arange(n) + 2, gauge=np.array(gauge, dtype=object),
        flow_a=np.array(none if a is None else a, dtype=float), flow_b=np.array(none if b is None else b, dtype=float),
    )  # fmt: skip
    told = Told()
    at, factor, power = site_flow_factors(table, np.array(area, dtype=float), flows, spec(exponent), told)
    return at.tolist(), factor, power, told


def test_the_only_gauge_by_drainage_area() -> None:
    at, factor, power, told = factors(["", "A"], [80.0, 120.0], records([100.0]))
    assert at == [0, 0]
    assert factor == pytest.approx([0.8, 1.2])
    assert power.tolist() == [1.0, 1.0]
    assert not len(told)


def test_the_exponent_is_that_of_the_ratio() -> None:
    _, factor, power, _ = factors([""], [80.0], records([100.0]), exponent=0.9)
    assert factor == pytest.approx([0.8**0.9])
    assert power.tolist() == [1.0]


def test_a_named_gauge_comes_before_a_nearer_one() -> None:
    at, factor, _, told = factors(["A", ""], [95.0, 95.0], records([80.0, 100.0]))
    assert at == [0, 1]
    assert factor == pytest.approx([95 / 80, 0.95])
    line = told.of_kind("nearest_gauge")
    assert "row 3: no gauge is named; B is taken" in line
    assert "ratio of drainage areas 0.95" in line


def test_nearest_is_nearest_in_ratio() -> None:
    # 30 km2: 10 is a third of it, 70 is 2.3 times as great, though 20 km2 lie to the one and 40 to the other
    at, *_ = factors(["", ""], [30.0, 25.0], records([10.0, 70.0]))
    assert at == [1, 0]


def test_of_gauges_as_near_the_smaller_or_the_first_by_name_is_taken() -> None:
    at, *_ = factors(["", "", ""], [20.0, 1.0, 500.0], records([40.0, 10.0, 10.0, 40.0]))
    assert at == [1, 1, 0]


def test_gauges_without_flow_or_area_are_not_chosen() -> None:
    at, *_ = factors([""], [10.0], records([10.0, NAN, 500.0], dry=[0]))
    assert at == [2]


def test_ratios_outside_the_limits_are_told_with_the_worst() -> None:
    _, factor, _, told = factors(["A"] * 5, [50.0, 150.0, 49.0, 300.0, 20.0], records([100.0]))
    assert factor == pytest.approx([0.5, 1.5, 0.49, 3.0, 0.2])
    line = told.of_kind("area_ratio")
    assert line.startswith("warning: structures.csv")
    assert "rows 4, 5, 6" in line
    assert "0.2 to 3 times that of gauge A" in line
    assert "0.5 to 1.5" in line


def test_the_relation_of_the_user_comes_before_areas() -> None:
    at, factor, power, told = factors(["B", ""], [NAN, 30.0], records([10.0, NAN]), a=[0.4, NAN], b=[0.8, NAN])
    assert at == [1, 0]
    assert factor == pytest.approx([0.4, 3.0])
    assert power.tolist() == [0.8, 1.0]
    assert "row 2" not in told.of_kind("no_drainage_area")


def test_the_relation_of_the_user_serves_the_only_gauge() -> None:
    at, factor, power, _ = factors([""], [NAN], records([NAN]), a=[0.4], b=[0.8])
    assert (at, factor.tolist(), power.tolist()) == ([0], [0.4], [0.8])


@pytest.mark.parametrize(
    ("gauge", "a", "b", "kind", "text"),
    [
        ("A", 0.5, NAN, "missing_value", "row 2: only one of flow_a and flow_b"),
        ("A", NAN, 1.0, "missing_value", "give both"),
        ("A", 0.0, 1.0, "out_of_range", "given flow_a 0, flow_b 1"),
        ("A", 1.0, -0.5, "out_of_range", "mend the values"),
        ("", 1.0, 1.0, "missing_gauge", "fill in the column gauge; gauges are A, B"),
        ("AA", NAN, NAN, "unknown_gauge", 'row 2, column "gauge": given "AA"'),
    ],
)
def test_what_is_wrong_is_told(gauge: str, a: float, b: float, kind: str, text: str) -> None:
    *_, told = factors([gauge], [10.0], records([10.0, 20.0]), a=[a], b=[b])
    assert text in told.of_kind(kind)
    assert told.of_kind(kind).startswith("error: structures.csv: [structures]")


def test_where_the_flow_cannot_be_had_there_is_no_gauge() -> None:
    at, factor, power, told = factors(["A", "B", "", "A"], [NAN, 5.0, NAN, 0.0], records([10.0, NAN]))
    assert at == [-1, -1, -1, -1]
    assert np.isnan(factor).all()
    assert np.isnan(power).all()
    line = told.of_kind("no_drainage_area")
    assert "rows 2, 4, 5: the drainage area is not known" in line
    assert "row 3: the drainage area of gauge B is not known" in line


def test_no_gauge_has_an_area_to_choose_by() -> None:
    at, _, _, told = factors([""], [5.0], records([NAN, NAN]))
    assert at == [-1]
    assert "no gauge has a drainage area to choose by" in told.of_kind("no_gauge")


def test_a_gauge_without_flow_is_told() -> None:
    *_, told = factors(["A"], [5.0], records([5.0], dry=[0]))
    assert "row 2: no discharge is known at their gauge" in told.of_kind("gauge_without_flow")


def test_no_structures() -> None:
    at, factor, _, told = factors([], [], records([5.0, 6.0]))
    assert at == []
    assert factor.size == 0
    assert not len(told)
