"""Design checks: drop left, floods that take it away and crest raise, by hand, and against the states of the water."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.changes import Changes, changed
from barrierrank.passage.design import (
    AS_MEASURED,
    HIGHEST,
    LOWEST,
    DesignCheck,
    DesignSettings,
    design_checks,
    drops_over_flows,
    sill_levels,
)
from barrierrank.passage.frequency import FloodFit
from barrierrank.passage.passability import site_states
from barrierrank.passage.structures import Structures

NAN = float("nan")
TEN_YEARS = 10.0 ** (1.0 + 0.2 * norm.isf(0.1))
"""Ten-year flood of FIT: 10^(1 + 0.2 x 1.28155) = 18.04 m3/s."""
FIT = FloodFit(1.0, 0.2, 0.0, 30)
RATING = [(0.0, 99.0), (10.0, 100.0), (30.0, 101.0)]
Row = tuple[dict[int, float], list[tuple[float, float]]]


def structures_of(*rows: Row, gauge: int = 0) -> Structures:
    """Return structures with a crest at 101.2 m, 8 m wide, on a bed at 99.5 m; rows give columns and tail points."""
    numbers = np.full((len(rows), f.FIELDS), NAN)
    for i, (columns, _) in enumerate(rows):
        usual = {
            f.KIND: f.WEIR, f.CREST: 101.2, f.WIDTH: 8.0, f.SIDE: 0.0, f.THICKNESS: 0.0, f.BED: 99.5, f.LIP: 0.0,
            f.CONTRACTIONS: 0.0, f.NOTCH_WIDTH: 0.0, f.NOTCH_DEPTH: 0.0, f.LOGS: 0.0, f.TAIL: f.TAIL_RATING,
            f.TAIL_SHIFT: 0.0, f.CHANNEL_BED: 99.0, f.CHANNEL_WIDTH: 10.0, f.CHANNEL_SIDE: 0.0,
            f.CHANNEL_SLOPE: 0.002, f.CHANNEL_N: 0.035,
        }  # fmt: skip
        for column, value in {**usual, **columns}.items():
            numbers[i, column] = value
    points = [p for _, tail in rows for p in tail]
    n = len(rows)
    whole = np.arange(n, dtype=np.int64)
    return Structures(
        whole, numbers, np.cumsum([0, *(len(t) for _, t in rows)]), np.array([p[0] for p in points]),
        np.array([p[1] for p in points]), np.full(n, -1), np.full(n, -1), np.full(n, gauge), np.ones(n), np.ones(n),
    )  # fmt: skip


def check(
    structures: Structures, required: float = 0.45, *, fit: FloodFit | None = FIT, low_flow: float = 0.5,
    logs_in: bool = False, **options: float,
) -> DesignCheck:  # fmt: skip
    n = len(structures)
    return design_checks(
        structures, np.full(n, required), [fit], low_flow=np.full(n, low_flow), logs_in=np.full(n, logs_in),
        settings=DesignSettings(**options),
    )  # fmt: skip


def test_by_hand_on_a_rating() -> None:
    got = check(structures_of(({}, RATING)))
    assert got.design_flow == pytest.approx([TEN_YEARS])
    # at 18.04 m3/s the water below is at 100 + 8.04 / 20 = 100.402: 101.2 - 100.402 = 0.798 m left; +-0.1 of tailwater
    left = 101.2 - (100.0 + (TEN_YEARS - 10.0) / 20.0)
    assert left == pytest.approx(0.798, abs=5e-4)
    assert got.drop[0] == pytest.approx([left, left - 0.1, left + 0.1])
    # 0.45 m are left while the water below is under 101.2 - 0.45 = 100.75: 10 + 0.75 x 20 = 25 m3/s;
    # with the water 0.1 m higher under 100.65: 23, 0.1 m lower under 100.85: 27
    assert got.flow_held[0] == pytest.approx([25.0, 23.0, 27.0])
    # it drowns at 101.2, beyond the last point on the last piece drawn on: 30 + 0.2 x 20 = 34; 101.1: 32, 101.3: 36
    assert got.flow_drowned[0] == pytest.approx([34.0, 32.0, 36.0])
    for flows, years in ((got.flow_held, got.years_held), (got.flow_drowned, got.years_drowned)):
        assert years == pytest.approx(1.0 / norm.sf((np.log10(flows) - 1.0) / 0.2))
    assert got.raise_needed[0].tolist() == [0.0, 0.0, 0.0]
    # at 0.5 m3/s the water below is at 99 + 0.05: 101.2 - 99.05 = 2.15
    assert got.drop_at_low_flow == pytest.approx([2.15])
    assert np.isnan(got.perch).all()


def test_by_hand_the_crest_raise_needed() -> None:
    """Raise = required drop - drop left at the design flood (common practice, no source).

    With 1.0 m required and 0.798 m left, 0.202 m are needed; 0.302 m should the water stand 0.1 m higher, 0.102 m
    should it stand 0.1 m lower. With 0.85 m required: 0.052, 0.152 and none.
    """
    weir = structures_of(({}, RATING))
    assert check(weir, 1.0).raise_needed[0] == pytest.approx([0.202, 0.102, 0.302], abs=5e-4)
    assert check(weir, 0.85).raise_needed[0] == pytest.approx([0.052, 0.0, 0.152], abs=5e-4)


def test_a_crest_raised_by_what_is_needed_holds_the_design_flood() -> None:
    weir = structures_of(({}, RATING))
    needed = check(weir, 1.0)
    whole, code = np.zeros(1, dtype=np.int64), np.array(["raise"], dtype=object)
    by = Changes(whole, code, needed.raise_needed[:, HIGHEST], np.array([NAN]), whole, whole)
    higher, impossible = changed(weir, by)
    assert impossible == []
    again = check(higher, 1.0)
    assert again.drop[0, LOWEST] == pytest.approx(1.0)
    assert again.raise_needed[0] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert again.flow_held[0, LOWEST] == pytest.approx(TEN_YEARS)
    assert again.years_held[0, LOWEST] == pytest.approx(10.0)


def test_by_hand_in_a_channel_with_another_roughness() -> None:
    """Q = A R^(2/3) S^(1/2) / n at the depth that leaves the drop: 101.2 - 0.45 - 99.0 = 1.75 m."""

    def manning(depth: float, n: float) -> float:
        area, perimeter = 10.0 * depth, 10.0 + 2.0 * depth
        return area * (area / perimeter) ** (2.0 / 3.0) * 0.002**0.5 / n

    got = check(structures_of(({f.TAIL: f.TAIL_CHANNEL}, [])))
    assert manning(1.75, 0.035) == pytest.approx(26.6, abs=0.1)
    assert got.flow_held[0] == pytest.approx(
        [manning(1.75, 0.035), manning(1.65, 0.042), manning(1.85, 0.028)]
    )
    assert got.flow_drowned[0] == pytest.approx(
        [manning(2.2, 0.035), manning(2.1, 0.042), manning(2.3, 0.028)]
    )


def test_flows_and_floods_are_carried_over_from_the_gauge() -> None:
    weir = structures_of(({}, RATING))
    weir.flow_factor[0], weir.flow_exponent[0] = 0.5, 1.2
    got = check(weir)
    assert got.design_flow == pytest.approx([0.5 * TEN_YEARS**1.2])
    # the flood of 25 m3/s here is one of (25 / 0.5)^(1 / 1.2) = 26.05 m3/s at the gauge
    assert got.flow_held[0, AS_MEASURED] == pytest.approx(25.0)
    assert got.years_held[0, AS_MEASURED] == pytest.approx(1.0 / norm.sf((np.log10(50.0) / 1.2 - 1.0) / 0.2))


def test_without_a_gauge_or_a_fit_the_flows_are_known_but_not_how_often() -> None:
    for got in (check(structures_of(({}, RATING), gauge=-1)), check(structures_of(({}, RATING)), fit=None)):
        assert got.flow_held[0] == pytest.approx([25.0, 23.0, 27.0])
        for unknown in (got.design_flow, got.drop, got.raise_needed, got.years_held, got.years_drowned):
            assert np.isnan(unknown).all()


def test_a_drop_that_is_never_there_and_one_that_is_never_lost() -> None:
    level = [(0.0, 100.0), (50.0, 100.0)]
    low, high = structures_of(({f.CREST: 100.3}, level)), structures_of(({f.CREST: 100.6}, level))
    never = check(low)
    assert never.flow_held[0].tolist() == [0.0, 0.0, 0.0]
    assert never.years_held[0].tolist() == [1.0, 1.0, 1.0]
    always = check(high)
    assert np.isinf(always.flow_held[0]).all()
    assert np.isinf(always.years_held[0]).all()


def test_negative_drop_at_low_flow_is_told() -> None:
    assert check(structures_of(({f.CREST: 99.0, f.BED: 98.5}, RATING))).drop_at_low_flow == pytest.approx(
        [-0.05]
    )


CULVERT = {
    f.KIND: f.CULVERT, f.SHAPE: f.CIRCULAR, f.RISE: 2.0, f.LENGTH: 20.0, f.INLET: 100.6, f.OUTLET: 100.4,
    f.BARREL_N: 0.024, f.BARRELS: 2.0, f.EMBEDDED: 0.2, f.ENTRANCE_LOSS: 0.5, f.INLET_K: 0.0078, f.INLET_M: 2.0,
    f.INLET_C: 0.0379, f.INLET_Y: 0.69,
}  # fmt: skip


def test_culvert_perch_and_no_crest_to_raise() -> None:
    # the bed material at the outlet is at 100.4 + 0.2, the water below at low flow at 99.05: perched by 1.55 m
    got = check(structures_of((CULVERT, RATING)), 2.0)
    assert got.perch == pytest.approx([1.55])
    assert np.isnan(got.raise_needed).all()
    assert got.drop[0, AS_MEASURED] == pytest.approx(100.6 - (100.0 + (TEN_YEARS - 10.0) / 20.0))


def test_nothing_is_said_where_nothing_stands_or_no_drop_stops() -> None:
    gap = check(structures_of(({f.KIND: f.NONE}, RATING)))
    for values in (gap.drop, gap.flow_held, gap.flow_drowned, gap.raise_needed, gap.drop_at_low_flow):
        assert np.isnan(values).all()
    leaper = check(structures_of(({}, RATING)), NAN)
    assert np.isnan(leaper.flow_held).all()
    assert np.isnan(leaper.raise_needed).all()
    assert leaper.flow_drowned[0, AS_MEASURED] == pytest.approx(34.0)
    unknown = check(structures_of(({f.TAIL: f.TAIL_CHANNEL, f.CHANNEL_N: NAN}, [])))
    for values in (unknown.drop, unknown.flow_held, unknown.flow_drowned):
        assert np.isnan(values).all()


def test_logs_and_notch() -> None:
    weir = structures_of(({f.LOGS: 0.3, f.NOTCH_DEPTH: 0.2, f.NOTCH_WIDTH: 1.0}, RATING))
    assert sill_levels(weir, logs_in=np.array([True])) == pytest.approx(
        [101.5]
    )  # 101.2 + 0.3, the notch is shut
    assert sill_levels(weir, logs_in=np.array([False])) == pytest.approx([101.0])  # 101.2 - 0.2
    held = [check(weir, logs_in=logs).flow_held[0, AS_MEASURED] for logs in (True, False)]
    assert held == pytest.approx([31.0, 21.0])  # 10 + 20 (101.5 - 0.45 - 100), 10 + 20 (101.0 - 0.45 - 100)


KINDS = [
    ({}, RATING),
    ({f.LOGS: 0.3, f.NOTCH_DEPTH: 0.2, f.NOTCH_WIDTH: 1.0}, RATING),
    ({f.KIND: f.FALL}, RATING),
    ({f.KIND: f.GATE, f.OPENING: 0.6, f.GATE_TOP: 103.0, f.LOGS: 0.2}, RATING),
    (CULVERT, RATING),
    ({f.TAIL: f.TAIL_SECTION}, [(0.0, 101.0), (2.0, 99.2), (5.0, 99.0), (9.0, 99.6), (12.0, 102.0)]),
]


@pytest.mark.parametrize("row", KINDS)
@pytest.mark.parametrize("logs_in", [False, True])
def test_drops_are_those_of_the_states_of_the_water(row: Row, logs_in: bool) -> None:
    """What is checked for design is what fish meet: the same drop, at any discharge."""
    one = structures_of(row)
    flow = np.array([0.0, 0.2, 3.0, 15.0, 40.0])
    states = site_states(one, 0, flow, logs_in=logs_in, crest_reach_m=1.0)
    drops = drops_over_flows(one, flow[None], logs_in=np.array([logs_in]))
    assert drops[0] == pytest.approx(states[:, f.DROP], abs=1e-9)


points = st.lists(st.tuples(st.floats(0.2, 6.0), st.floats(98.0, 103.0)), min_size=3, max_size=7)


@settings(max_examples=60, deadline=None)
@given(
    tail=points, source=st.sampled_from([f.TAIL_CHANNEL, f.TAIL_SECTION, f.TAIL_RATING]), crest=st.floats(98.5, 106.0),
    slope=st.floats(1e-4, 0.03), side=st.floats(0.0, 3.0), required=st.floats(0.0, 1.5),
)  # fmt: skip
def test_flow_held_leaves_the_drop_and_any_more_takes_it(
    tail: list[tuple[float, float]], source: int, crest: float, slope: float, side: float, required: float
) -> None:
    across = np.cumsum([p[0] for p in tail])
    height = np.sort([p[1] for p in tail]) if source == f.TAIL_RATING else np.array([p[1] for p in tail])
    columns = {f.TAIL: source, f.CREST: crest, f.BED: NAN, f.CHANNEL_SLOPE: slope, f.CHANNEL_SIDE: side}
    one = structures_of((columns, list(zip(across.tolist(), height.tolist(), strict=True))))
    got = check(one, required)
    held = got.flow_held[0]
    assert held[LOWEST] <= held[AS_MEASURED] <= held[HIGHEST]
    assert got.flow_drowned[0, AS_MEASURED] >= held[AS_MEASURED]
    if not np.isfinite(held[AS_MEASURED]):
        held[AS_MEASURED] = 1e6
        assert drops_over_flows(one, held[None, :1], logs_in=np.array([False]))[0, 0] >= required - 1e-9
        return
    around = np.array([[held[AS_MEASURED] * (1.0 - 1e-7), held[AS_MEASURED] * (1.0 + 1e-7) + 1e-8]])
    before, beyond = drops_over_flows(one, around, logs_in=np.array([False]))[0]
    assert beyond < required + 1e-9
    assert before >= required - 1e-9 or held[AS_MEASURED] == 0.0


def test_estimates_are_in_order_and_what_is_handed_in_stays() -> None:
    many = structures_of(*KINDS)
    before = many.numbers.copy()
    got = check(many, 0.7, tailwater_error_m=0.25, roughness_error=0.3)
    for values in (
        got.drop,
        got.flow_held,
        got.years_held,
        got.flow_drowned,
        got.years_drowned,
        got.raise_needed,
    ):
        known = ~np.isnan(values[:, AS_MEASURED])
        assert (values[known, LOWEST] <= values[known, AS_MEASURED]).all()
        assert (values[known, AS_MEASURED] <= values[known, HIGHEST]).all()
    np.testing.assert_array_equal(many.numbers, before)


def test_no_structures() -> None:
    nothing = structures_of(({}, RATING)).take(np.empty(0, dtype=np.int64))
    assert check(nothing).drop.shape == (0, 3)
