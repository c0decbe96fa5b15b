"""Barrels: sections by calculus, depths by their definitions, and limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe, ellipeinc

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.culverts import (
    Barrels,
    barrel_critical_depth,
    barrel_normal_depth,
    barrel_ratios,
    barrel_section,
)
from barrierrank.passage.kernels_barrels import CLEAR, LID_FROM, barrel_of, friction_slope, moment

SHAPES = [f.CIRCULAR, f.BOX, f.ARCH]


def one(shape: int, rise: float, span: float, embedded: float = 0.0) -> Barrels:
    """Return one barrel."""
    return Barrels(np.array([shape]), np.array([rise]), np.array([span]), np.array([embedded]))


def width_at(shape: int, rise: float, span: float, z: float) -> float:
    """Return the width at a height above the invert."""
    if shape == f.BOX:
        return span
    if shape == f.CIRCULAR:
        return 2.0 * np.sqrt(max((rise / 2) ** 2 - (z - rise / 2) ** 2, 0.0))
    return span * np.sqrt(max(1.0 - (z / rise) ** 2, 0.0))


@st.composite
def barrels(draw: st.DrawFn) -> tuple[int, float, float, float]:
    """Return shape, rise, span and bed material of any barrel."""
    shape, rise = draw(st.sampled_from(SHAPES)), draw(st.floats(0.3, 4.0))
    span = rise if shape == f.CIRCULAR else rise * draw(st.floats(0.6, 4.0))
    return shape, rise, span, rise * draw(st.sampled_from([0.0, 0.0, 0.1, 0.3, 0.6]))


@settings(max_examples=200, deadline=None)
@given(barrels(), st.floats(0.001, 0.999))
def test_area_is_the_integral_of_width_and_moment_that_of_area(
    b: tuple[int, float, float, float], share: float
) -> None:
    shape, rise, span, embedded = b
    y = share * (rise - embedded)
    area, _ = quad(
        lambda z: width_at(shape, rise, span, z), embedded, embedded + y, epsabs=1e-12, epsrel=1e-10
    )
    got = barrel_section(y, one(*b))
    assert got.area[0] == pytest.approx(area, rel=1e-7)
    assert got.top_width[0] == pytest.approx(width_at(shape, rise, span, embedded + y), rel=1e-9)
    first, _ = quad(
        lambda z: width_at(shape, rise, span, z) * (embedded + y - z), embedded, embedded + y, epsabs=1e-12
    )
    assert moment(y, barrel_of(float(shape), rise, span, embedded)) == pytest.approx(
        first, rel=1e-6, abs=1e-11
    )


@settings(max_examples=200, deadline=None)
@given(barrels(), st.floats(0.001, 0.999))
def test_perimeter_is_wall_and_bed(b: tuple[int, float, float, float], share: float) -> None:
    shape, rise, span, embedded = b
    z = embedded + share * (rise - embedded)
    if shape == f.BOX:
        wall = 2.0 * (z - embedded)
    elif shape == f.CIRCULAR:
        wall = rise * (np.arccos(1.0 - 2.0 * z / rise) - np.arccos(1.0 - 2.0 * embedded / rise))
    else:
        m = 1.0 - (span / 2.0 / rise) ** 2
        wall = 2.0 * rise * (ellipeinc(np.arcsin(z / rise), m) - ellipeinc(np.arcsin(embedded / rise), m))
    bed = 0.0 if shape == f.CIRCULAR and embedded == 0.0 else width_at(shape, rise, span, embedded)
    assert barrel_section(z - embedded, one(*b)).perimeter[0] == pytest.approx(
        wall + bed, rel=1e-6 if span < rise else 1e-8
    )


def test_full_and_dry_sections() -> None:
    full = barrel_section(9.0, Barrels(np.array(SHAPES), np.full(3, 2.0), np.full(3, 4.0), np.zeros(3)))
    # circle pi, box 8, half a circle of radius 2: 2 pi; around 2 pi, 12, 2 pi + 4
    assert full.area == pytest.approx([np.pi, 8.0, 2.0 * np.pi])
    assert full.perimeter == pytest.approx([2.0 * np.pi, 12.0, 2.0 * np.pi + 4.0])
    assert full.top_width.tolist() == [0.0, 0.0, 0.0]
    assert full.radius == pytest.approx(full.area / full.perimeter)
    wide = barrel_section(1.0, one(f.ARCH, 1.0, 4.0))
    assert wide.perimeter == pytest.approx([4.0 + 2.0 * ellipe(1.0 - 4.0)], rel=1e-7)
    dry = barrel_section(0.0, one(f.ARCH, 2.0, 4.0))
    assert (dry.area[0], dry.perimeter[0], dry.top_width[0]) == (0.0, 0.0, 4.0)
    assert np.isnan(dry.radius[0])


def test_half_full_circle() -> None:
    got = barrel_ratios(0.5, one(f.CIRCULAR, 1.0, 1.0))
    assert [got[k][0] for k in ("area", "radius", "velocity", "discharge")] == pytest.approx(
        [0.5, 1.0, 1.0, 0.5]
    )


@settings(max_examples=300, deadline=None)
@given(barrels(), st.floats(-6.0, 2.0))
def test_critical_depth_meets_its_definition(b: tuple[int, float, float, float], log_q: float) -> None:
    q = 10.0**log_q
    y = barrel_critical_depth(q, one(*b))[0]
    clear = b[1] - b[3]
    assert 0.0 < y <= clear
    s = barrel_section(y, one(*b))
    if y < clear * (1.0 - 1e-6):
        assert q * q * s.top_width[0] / (f.GRAVITY * s.area[0] ** 3) == pytest.approx(1.0, rel=1e-6)
    elif b[0] == f.BOX:
        assert (q * q / (f.GRAVITY * b[2] ** 2)) ** (1 / 3) >= y * (1.0 - 1e-6)


@settings(max_examples=300, deadline=None)
@given(barrels(), st.floats(-6.0, 1.0), st.floats(-5.0, -0.7), st.floats(0.009, 0.08))
def test_normal_depth_is_the_least_that_carries_the_flow(
    b: tuple[int, float, float, float], log_q: float, log_slope: float, n: float
) -> None:
    q, slope = 10.0**log_q, 10.0**log_slope
    y = barrel_normal_depth(q, slope, n, one(*b))[0]
    made = barrel_of(float(b[0]), b[1], b[2], b[3])
    depths = np.linspace(1e-3, 1.0 - 1e-9, 400) * made[CLEAR]
    carries = np.array([friction_slope(d, q, n, made) <= slope for d in depths])
    if np.isinf(y):
        assert not carries.any()
    else:
        assert friction_slope(y, q, n, made) == pytest.approx(slope, rel=1e-7)
        assert not carries[depths < y * (1.0 - 1e-6)].any()


@settings(max_examples=100, deadline=None)
@given(barrels(), st.floats(-5.0, 1.0))
def test_depths_rise_with_discharge(b: tuple[int, float, float, float], log_q: float) -> None:
    q = 10.0 ** (log_q + np.linspace(0.0, 1.0, 50))
    many = Barrels(*(np.repeat(v, 50) for v in (np.array([b[0]]), b[1], b[2], b[3])))
    assert np.all(np.diff(barrel_critical_depth(q, many)) >= -1e-9 * b[1])
    normal = barrel_normal_depth(q, 0.01, 0.024, many)
    known = normal[np.isfinite(normal)]
    assert np.all(np.diff(known) > 0.0)
    assert np.all(np.isinf(normal[known.size :]))


def test_boxes_in_closed_form() -> None:
    # critical: cbrt(q^2 / g); a box of 3 m carries 2 m3/s at yc = cbrt((2/3)^2 / g) = 0.356495 m
    assert barrel_critical_depth(2.0, one(f.BOX, 2.0, 3.0))[0] == pytest.approx(
        ((2 / 3) ** 2 / f.GRAVITY) ** (1 / 3)
    )
    # wide and shallow: y = (q n / sqrt S)^(3/5) but for the sides
    wide = barrel_normal_depth(1.0, 0.01, 0.02, one(f.BOX, 1.0, 500.0))[0]
    assert wide == pytest.approx((1.0 / 500.0 * 0.02 / 0.1) ** 0.6, rel=1e-4)


def test_lid_of_a_box_wets_little_by_little() -> None:
    made = barrel_of(float(f.BOX), 1.0, 2.0, 0.0)
    s = [friction_slope(y, 1.0, 0.02, made) for y in (LID_FROM, 0.975, 1.0 - 1e-9, 1.0)]
    assert s[2] == pytest.approx(s[3], rel=1e-6)
    assert s[0] < s[1] < s[2]


NONE_THERE = [(0.0, 1.0, np.inf), (-0.01, 1.0, np.inf), (0.01, 100.0, np.inf), (0.01, 0.0, 0.0)]
NONE_THERE += [(np.nan, 1.0, np.nan), (0.01, -1.0, np.nan)]


@pytest.mark.parametrize(("slope", "q", "wanted"), NONE_THERE)
def test_normal_depth_where_there_is_none(slope: float, q: float, wanted: float) -> None:
    got = barrel_normal_depth(q, slope, 0.02, one(f.CIRCULAR, 1.0, 1.0))
    np.testing.assert_array_equal(got, [wanted])


@pytest.mark.parametrize("measures", [(0, 0.0, 1.0, 0.0), (1, 1.0, -1.0, 0.0), (2, 1.0, 2.0, 1.0), (3, 1.0, 1.0, 0.0),
                                      (0, np.nan, 1.0, 0.0), (0, 1.0, 1.0, np.nan)])  # fmt: skip
def test_impossible_barrels_are_nan(measures: tuple[int, float, float, float]) -> None:
    b = one(*measures)
    assert np.isnan(barrel_critical_depth(1.0, b)[0])
    assert np.isnan(barrel_normal_depth(1.0, 0.01, 0.02, b)[0])
    assert np.isnan(barrel_section(0.5, b).area[0])
    assert np.isnan(barrel_section(-0.5, one(f.BOX, 1.0, 1.0)).area[0])
