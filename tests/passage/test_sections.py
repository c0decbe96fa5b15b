"""Channels: depths, levels and tailwaters against plain geometry and plain solvers."""

from __future__ import annotations

import os

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from barrierrank.passage import hydraulics as h
from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_sections as k
from barrierrank.passage.structures import Structures

Floats = NDArray[np.float64]
NAN = np.nan
G = f.GRAVITY

flows = st.floats(1e-6, 1e4)
widths = st.floats(0.05, 200.0)
sides = st.one_of(st.just(0.0), st.floats(0.05, 6.0))
slopes = st.floats(1e-5, 0.1)
roughs = st.floats(0.01, 0.15)
#: Steps of a section from point to point: across (0 = a vertical step) and up.
steps = st.lists(
    st.tuples(st.sampled_from([0.0, 0.3, 1.0, 2.0, 7.5]), st.sampled_from([-1.0, -0.4, 0.0, 0.0, 0.25, 1.5])),
    min_size=1,
    max_size=9,
)


def section_of(moves: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Return stations and elevations from steps."""
    across, up = np.array(moves).T
    return np.concatenate([[0.0], np.cumsum(across)]), 50.0 + np.concatenate([[0.0], np.cumsum(up)])


def is_one(x: Floats, y: Floats) -> bool:
    """Tell whether points are a section without slits, whose walls would lie on each other."""
    roof = float(y.max()) + 1.0
    ground = shapely.LineString([(x[0], roof), *zip(x, y, strict=True), (x[-1], roof)])
    return bool(x[-1] > x[0]) and ground.is_simple and shapely.Polygon(ground).is_valid


def by_shapes(level: float, x: Floats, y: Floats) -> tuple[float, float]:
    """Return area and wetted perimeter of a section by cutting the water out of it."""
    roof = max(float(y.max()), level) + 10.0
    ground = shapely.LineString([(x[0], roof), *zip(x, y, strict=True), (x[-1], roof)])
    open_part = shapely.Polygon(ground)
    water = open_part.intersection(shapely.box(x[0] - 1.0, y.min() - 1.0, x[-1] + 1.0, level))
    area = float(water.area)
    below = ground.intersection(shapely.box(x[0] - 1.0, y.min() - 1.0, x[-1] + 1.0, level))
    flat = sum(b - a for a, b, ya, yb in zip(x[:-1], x[1:], y[:-1], y[1:], strict=True) if ya == yb == level)
    return area, float(below.length) - flat


def carried(level: float, x: Floats, y: Floats, slope: float, n: float) -> float:
    """Return Manning's discharge of a section at a level."""
    area, perimeter = by_shapes(level, x, y)
    return 0.0 if area <= 0.0 else area ** (5 / 3) * perimeter ** (-2 / 3) * slope**0.5 / n


def structure(**values: float) -> Floats:
    """Return a row of a structure with a channel 4 m wide below."""
    row = np.full(f.FIELDS, NAN)
    for name, value in {"TAIL": f.TAIL_CHANNEL, "TAIL_SHIFT": 0.0, "CHANNEL_BED": 100.0, "CHANNEL_WIDTH": 4.0,
                        "CHANNEL_SIDE": 1.5, "CHANNEL_SLOPE": 0.002, "CHANNEL_N": 0.035, **values}.items():  # fmt: skip
        row[getattr(f, name)] = value
    return row


def test_measures_of_a_trapezoid_by_hand() -> None:
    flow = h.section_flow(2.0, 3.0, 0.75, 0.0004, 0.02)
    assert flow.area == pytest.approx(2.0 * (3.0 + 1.5))
    assert flow.perimeter == pytest.approx(3.0 + 2 * 2.5)  # sides 2 up and 1.5 across
    assert flow.top == pytest.approx(6.0)
    assert flow.velocity == pytest.approx((9 / 8) ** (2 / 3) * 0.02 / 0.02)
    assert flow.discharge == pytest.approx(9 * (9 / 8) ** (2 / 3))
    assert flow.froude == pytest.approx((9 / 8) ** (2 / 3) / np.sqrt(G * 1.5))
    assert k.trapezoid(2.0, 3.0, 0.75) == pytest.approx((9.0, 8.0, 6.0))
    assert k.manning_discharge(9.0, 8.0, 0.0004, 0.02) == pytest.approx(float(flow.discharge))


@settings(max_examples=150, deadline=None)
@given(flows, widths, sides, slopes, roughs)
def test_normal_depth_is_where_the_section_carries_the_discharge(
    q: float, width: float, side: float, slope: float, n: float
) -> None:
    y = k.normal_depth(q, width, side, slope, n)
    assert float(h.section_flow(y, width, side, slope, n).discharge) == pytest.approx(q, rel=1e-9)

    def excess(depth: float) -> float:
        area, perimeter = depth * (width + side * depth), width + 2 * depth * np.hypot(1.0, side)
        return float(area ** (5 / 3) * perimeter ** (-2 / 3) * slope**0.5 / n - q)

    assert y == pytest.approx(brentq(excess, 0.0, 1e12, xtol=1e-15, rtol=1e-13, maxiter=500), rel=1e-9)


@settings(max_examples=150, deadline=None)
@given(flows, widths, sides)
def test_froude_is_one_at_critical_depth(q: float, width: float, side: float) -> None:
    y = k.critical_depth(q, width, side)
    area, top = y * (width + side * y), width + 2 * side * y
    assert q / area / np.sqrt(G * area / top) == pytest.approx(1.0, rel=1e-9)


def test_closed_forms_of_rectangles_and_triangles() -> None:
    q = np.array([1e-9, 0.03, 4.0, 5e3])
    assert h.critical_depth(q, 2.5, 0.0) == pytest.approx((q / 2.5) ** (2 / 3) / G ** (1 / 3), rel=1e-12)
    assert h.critical_depth(q, 0.0, 2.0) == pytest.approx((2 * q**2 / (G * 4.0)) ** 0.2, rel=1e-12)
    wall = 2 * np.sqrt(5.0)
    wanted = (q * 0.03 / 0.01**0.5 * wall ** (2 / 3) / 2.0 ** (5 / 3)) ** (3 / 8)
    assert h.normal_depth(q, 0.0, 2.0, 0.01, 0.03) == pytest.approx(wanted, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(widths, sides, slopes, roughs)
def test_depths_rise_with_discharge_and_roughness(width: float, side: float, slope: float, n: float) -> None:
    q = np.geomspace(1e-5, 1e4, 60)
    assert (np.diff(h.normal_depth(q, width, side, slope, n)) > 0).all()
    assert (np.diff(h.critical_depth(q, width, side)) > 0).all()
    assert (h.normal_depth(q, width, side, slope, 1.1 * n) > h.normal_depth(q, width, side, slope, n)).all()
    assert (h.normal_depth(q, width, side, 1.1 * slope, n) < h.normal_depth(q, width, side, slope, n)).all()


def test_nothing_and_extremes() -> None:
    assert k.normal_depth(0.0, 3.0, 1.0, 0.001, 0.03) == 0.0
    assert k.critical_depth(0.0, 3.0, 1.0) == 0.0
    for q in (1e-300, 1e-12, 1e12):
        assert 0.0 < k.normal_depth(q, 3.0, 1.0, 0.001, 0.03) < np.inf
        assert 0.0 < k.critical_depth(q, 0.0, 1.0) < np.inf
    good = (1.0, 3.0, 1.0, 0.001, 0.03)
    for i in range(5):
        bad = [NAN if j == i else value for j, value in enumerate(good)]
        assert np.isnan(k.normal_depth(*bad))
        assert np.isnan(h.normal_depth(*bad))
    for bad_row in [
        (-1.0, *good[1:]),
        (1.0, 0.0, 0.0, 0.001, 0.03),
        (*good[:3], 0.0, 0.03),
        (*good[:4], 0.0),
    ]:
        assert np.isnan(k.normal_depth(*bad_row))
    assert np.isnan(k.critical_depth(1.0, -3.0, 4.0))
    assert np.isnan(k.critical_depth(np.inf, 3.0, 4.0))
    assert np.isnan(k.manning_discharge(1.0, 1.0, 0.0, 0.03))
    assert np.isnan(k.manning_discharge(NAN, 1.0, 0.1, 0.03))
    assert k.manning_discharge(0.0, 1.0, 0.1, 0.03) == 0.0
    dry = h.section_flow([0.0, NAN], 3.0, 1.0, 0.001, 0.03)
    assert dry.velocity[0] == dry.discharge[0] == dry.froude[0] == 0.0
    assert np.isnan([dry.velocity[1], dry.discharge[1], dry.froude[1], dry.area[1]]).all()


@settings(max_examples=150, deadline=None)
@given(steps, st.floats(0.01, 8.0))
def test_measures_of_a_survey_are_those_of_its_shape(moves: list[tuple[float, float]], depth: float) -> None:
    x, y = section_of(moves)
    assume(is_one(x, y))
    level = y.min() + depth
    assume(np.abs(level - y).min() > 1e-9)
    area, perimeter = by_shapes(level, x, y)
    made = k.survey(depth, y.min(), x, y, 0, x.size)
    assert made[0] == pytest.approx(area, rel=1e-9, abs=1e-12)
    assert made[1] == pytest.approx(perimeter, rel=1e-9)
    e = 1e-6  # top is the growth of area, rates are the growths of perimeter and top
    more = k.survey(depth + e, y.min(), x, y, 0, x.size)
    assume(np.abs(level - y).min() > 2 * e)
    assert made[2] == pytest.approx((more[0] - made[0]) / e, rel=1e-4, abs=1e-4)
    assert made[3] == pytest.approx((more[1] - made[1]) / e, rel=1e-4, abs=1e-4)
    assert made[4] == pytest.approx((more[2] - made[2]) / e, rel=1e-4, abs=1e-4)


def test_a_level_bench_at_the_end_of_a_stretch_does_not_lead_astray() -> None:
    x, y = section_of([(7.5, 1.5), (0.0, 1.5), (7.5, 0.0)])  # a slope, a wall, and a bench 3 m above the bed
    level = k.normal_level(28.0, x, y, 0, x.size, 0.003, 0.03)
    assert carried(level, x, y, 0.003, 0.03) == pytest.approx(28.0, rel=1e-8)
    assert level < y[2] - 0.1


@settings(max_examples=80, deadline=None)
@given(steps, st.floats(1e-3, 300.0))
def test_the_lowest_stage_that_carries_the_discharge(moves: list[tuple[float, float]], q: float) -> None:
    x, y = section_of(moves)
    assume(is_one(x, y))
    level = k.normal_level(q, x, y, 0, x.size, 0.003, 0.03)
    assert carried(level, x, y, 0.003, 0.03) == pytest.approx(q, rel=1e-7) or level in y
    assert carried(level, x, y, 0.003, 0.03) >= q * (1 - 1e-9)
    lower = np.linspace(y.min(), level, 60, endpoint=False)
    assert max(carried(float(z), x, y, 0.003, 0.03) for z in lower) < q


@settings(max_examples=80, deadline=None)
@given(steps, st.floats(1e-3, 300.0))
def test_the_lowest_critical_stage(moves: list[tuple[float, float]], q: float) -> None:
    x, y = section_of(moves)
    assume(is_one(x, y))
    level = k.critical_level(q, x, y, 0, x.size)

    def critical(z: float) -> float:
        area, _, top, _, _ = k.survey(z - y.min(), y.min(), x, y, 0, x.size)
        return 0.0 if area <= 0.0 else float(area * np.sqrt(G * area / top))

    assert critical(level + 1e-9) >= q * (1 - 1e-6) or critical(level) >= q * (1 - 1e-9)
    assert max(critical(float(z)) for z in np.linspace(y.min(), level, 200, endpoint=False)) < q * (1 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(flows, widths, st.floats(0.05, 6.0), slopes, roughs)
def test_a_surveyed_trapezoid_is_a_trapezoid(
    q: float, width: float, side: float, slope: float, n: float
) -> None:
    y = k.normal_depth(q, width, side, slope, n)
    assume(y < 1000.0)
    x = np.cumsum([0.0, 1000.0 * side, width, 1000.0 * side])
    z = np.array([1000.0, 0.0, 0.0, 1000.0])
    assert h.normal_stage(q, x, z, slope, n) == pytest.approx(y, rel=1e-9)
    critical = k.critical_depth(q, width, side)
    if critical < 1000.0:
        assert h.critical_stage(q, x, z) == pytest.approx(critical, rel=1e-9)
    flow = h.surveyed_flow(y, x, z, slope, n)
    assert flow.discharge == pytest.approx(q, rel=1e-9)


def test_a_flat_overbank_carries_less_just_above_than_just_below() -> None:
    x = np.array([0.0, 20.0, 20.0, 22.0, 22.0, 42.0])
    y = np.array([1.0, 1.0, 0.0, 0.0, 1.0, 1.0])
    slope, n = 0.001, 0.03
    full = 2.0 * (2.0 / 4.0) ** (2 / 3) * slope**0.5 / n  # area 2, perimeter 4 at the banks
    assert h.normal_stage(full, x, y, slope, n) == pytest.approx(1.0, rel=1e-9)
    above = float(h.normal_stage(full * (1 + 1e-6), x, y, slope, n))
    # (2 + 42 d)^(5/3) / (44 + 2 d)^(2/3) = 2^(5/3) / 4^(2/3) at d = 0.0768: nothing lower carries as much
    assert above == pytest.approx(1.0768, abs=1e-4)
    assert h.surveyed_flow(1.05, x, y, slope, n).discharge < 0.7 * full
    assert h.surveyed_flow(above, x, y, slope, n).discharge == pytest.approx(full, rel=1e-5)


def test_surveys_that_are_none_give_nan_or_raise() -> None:
    x, y = np.array([0.0, 1.0, 3.0]), np.array([2.0, 1.0, 2.0])
    assert np.isnan(k.normal_level(1.0, x[:1], y[:1], 0, 1, 0.01, 0.03))
    assert np.isnan(k.normal_level(1.0, x[::-1].copy(), y, 0, 3, 0.01, 0.03))
    assert np.isnan(k.normal_level(1.0, np.zeros(3), y, 0, 3, 0.01, 0.03))
    assert np.isnan(k.normal_level(1.0, x, np.array([2.0, NAN, 2.0]), 0, 3, 0.01, 0.03))
    assert np.isnan(k.normal_level(1.0, x, y, 0, 3, NAN, 0.03))
    assert np.isnan(h.normal_stage([NAN], x, y, 0.01, 0.03)).all()
    assert h.normal_stage([0.0], x, y, 0.01, 0.03).tolist() == [1.0]
    assert h.surveyed_flow(0.5, x, y, 0.01, 0.03).discharge == 0.0
    assert np.isnan(h.surveyed_flow(NAN, x, y, 0.01, 0.03).discharge)
    with pytest.raises(ValueError, match="two or more"):
        h.normal_stage([1.0], [1.0], [1.0], 0.01, 0.03)
    with pytest.raises(ValueError, match="must ascend"):
        h.normal_stage([1.0], x[::-1], y, 0.01, 0.03)
    with pytest.raises(ValueError, match="must all be known"):
        h.critical_stage([1.0], x, [1.0, NAN, 1.0])


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ((-1.0, 1.0, 0.0, 0.01, 0.03), "discharge: -1 was given"),
        ((1.0, -1.0, 0.0, 0.01, 0.03), "width: -1 was given"),
        ((1.0, 1.0, -2.0, 0.01, 0.03), "side: -2 was given"),
        ((1.0, 1.0, 0.0, 0.0, 0.03), "slope: 0 was given .1 of 1.; allowed is above 0"),
        ((1.0, 1.0, 0.0, 0.01, [0.03, 0.0]), "n: 0 was given .1 of 2.; allowed is above 0"),
        ((np.inf, 1.0, 0.0, 0.01, 0.03), "discharge: inf"),
    ],
)
def test_what_cannot_be_is_told(values: tuple[float, ...], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        h.normal_depth(*values)


def test_arguments_broadcast_and_stay_as_they_are() -> None:
    q, width = np.array([[1.0], [2.0]]), np.array([1.0, 2.0, 3.0])
    before = q.copy(), width.copy()
    made = h.normal_depth(q, width, 1.0, 0.001, 0.03)
    assert made.shape == (2, 3)
    assert made[1, 2] == k.normal_depth(2.0, 3.0, 1.0, 0.001, 0.03)
    assert np.array_equal(q, before[0])
    assert np.array_equal(width, before[1])
    assert h.normal_depth(1.0, 2.0, 0.0, 0.001, 0.03).shape == ()


def test_tailwater_of_a_channel() -> None:
    row, none = structure(TAIL_SHIFT=0.25), np.empty(0)
    wanted = 100.25 + k.normal_depth(3.0, 4.0, 1.5, 0.002, 0.035)
    assert k.tailwater(3.0, row, none, none, 0, 0) == pytest.approx(wanted, rel=1e-12)
    assert k.tailwater(0.0, row, none, none, 0, 0) == 100.25
    for name in (
        "TAIL",
        "CHANNEL_BED",
        "CHANNEL_WIDTH",
        "CHANNEL_SIDE",
        "CHANNEL_SLOPE",
        "CHANNEL_N",
        "TAIL_SHIFT",
    ):
        assert np.isnan(k.tailwater(3.0, structure(**{name: NAN}), none, none, 0, 0)), name
    assert np.isnan(k.tailwater(NAN, row, none, none, 0, 0))
    assert np.isnan(k.tailwater(-1.0, row, none, none, 0, 0))


def test_tailwater_of_a_rating() -> None:
    row = structure(TAIL=f.TAIL_RATING, CHANNEL_BED=NAN)
    x = np.array([99.0, 0.5, 2.0, 10.0, 0.0])
    y = np.array([99.0, 100.2, 100.8, 101.6, 0.0])
    for q, wanted in [(0.0, 100.2), (0.2, 100.2), (0.5, 100.2), (1.25, 100.5), (2.0, 100.8), (6.0, 101.2),
                      (10.0, 101.6), (20.0, 102.6)]:  # fmt: skip
        assert k.tailwater(q, row, x, y, 1, 4) == pytest.approx(wanted, rel=1e-12), q
    assert np.isnan(k.tailwater(1.0, row, x, y, 1, 1))
    assert k.tailwater(0.3, row, x, y, 1, 2) == 100.2
    assert np.isnan(k.tailwater(0.6, row, x, y, 1, 2))
    x[2] = 0.5
    y[3] = NAN
    assert np.isnan(k.tailwater(6.0, row, x, y, 1, 4))


def test_tailwater_of_a_section() -> None:
    row = structure(TAIL=f.TAIL_SECTION, CHANNEL_BED=NAN, CHANNEL_WIDTH=NAN, TAIL_SHIFT=-0.1)
    x, y = np.array([0.0, 6.0, 10.0, 16.0]), np.array([104.0, 100.0, 100.0, 104.0])
    assert k.tailwater(0.0, row, x, y, 0, 4) == 99.9
    wanted = 99.9 + k.normal_depth(3.0, 4.0, 1.5, 0.002, 0.035)
    assert k.tailwater(3.0, row, x, y, 0, 4) == pytest.approx(wanted, rel=1e-12)
    assert np.isnan(k.tailwater(3.0, structure(TAIL=f.TAIL_SECTION, CHANNEL_N=NAN), x, y, 0, 4))
    assert np.isnan(k.tailwater(0.0, row, x, y, 0, 1))


def test_tailwaters_of_a_table_of_structures() -> None:
    rows = np.stack([structure(), structure(TAIL=f.TAIL_RATING)])
    ids = np.full(2, -1, dtype=np.int64)
    made = Structures(ids, rows, np.array([0, 0, 2]), np.array([0.0, 4.0]), np.array([100.0, 102.0]), ids, ids, ids,
                      np.ones(2), np.ones(2))  # fmt: skip
    assert h.tailwater_elevation([1.0, 3.0, NAN], made, 1)[:2].tolist() == [100.5, 101.5]
    assert h.tailwater_elevation([[0.0]], made, 0).tolist() == [[100.0]]
    with pytest.raises(ValueError, match="discharge"):
        h.tailwater_elevation([-1.0], made, 0)


@settings(max_examples=60, deadline=None)
@given(flows, widths, sides, slopes, roughs)
def test_tailwater_rises_with_discharge_through_every_source(
    q: float, width: float, side: float, slope: float, n: float
) -> None:
    row = structure(CHANNEL_WIDTH=width, CHANNEL_SIDE=side, CHANNEL_SLOPE=slope, CHANNEL_N=n)
    levels = k.tailwaters(np.geomspace(q, 10 * q, 20), row, np.empty(0), np.empty(0), 0, 0)
    assert (np.diff(levels) >= 0).all()
    assert levels[0] >= 100.0


def test_kernels_are_compiled() -> None:
    if os.environ.get("NUMBA_DISABLE_JIT") == "1":
        pytest.skip("kernels run as plain Python on request")
    k.normal_depth(1.0, 2.0, 0.0, 0.01, 0.03)
    k.tailwater(1.0, structure(), np.empty(0), np.empty(0), 0, 0)
    assert k.normal_depth.signatures
    assert k.tailwater.signatures
