"""Uniform and critical flow and hydraulic jumps against published examples and an independent library.

Examples in feet are turned into metres. Where their constants differ from those of SI (1.486 for 1.48592, g rounded)
n or the discharge is changed by as much, so that the same equation is solved and every printed digit counts.
"""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.passage import hydraulics as h
from barrierrank.passage.kernels_fields import GRAVITY

FT = 0.3048
G_FT = GRAVITY / FT
K_FT = FT ** (-1 / 3)  # 1.48592


def rough(n: float, k: float) -> float:
    """Return the n by which SI comes to what an example in feet with another constant comes to."""
    return n * K_FT / k


def as_with_gravity(q: float, g: float, ours: float = G_FT) -> float:
    """Return the discharge whose critical depth is that of `q` under another gravity."""
    return q * (ours / g) ** 0.5


def half_circle(diameter: float, points: int = 721) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower half of a pipe as a surveyed section."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, points)
    return diameter / 2 * np.sin(angle), diameter / 2 * (1 - np.cos(angle))


def test_normal_depth_of_a_rectangle_in_feet() -> None:
    # R package rivr, example of normal_depth: S 0.001, n 0.045, 250 ft3/s, 100 ft wide, k 1.486 -> 1.711301 ft
    y = h.normal_depth(250 * FT**3, 100 * FT, 0.0, 0.001, rough(0.045, 1.486)) / FT
    assert y == pytest.approx(1.711301, abs=1e-6)


def test_normal_depth_of_a_trapezoid() -> None:
    # R package rivr, example of normal_depth: S 0.0008, n 0.013, 126 m3/s, 6.1 m wide, 1.5:1 -> 3.2864 m
    assert h.normal_depth(126.0, 6.1, 1.5, 0.0008, 0.013) == pytest.approx(3.2864, abs=1e-6)


def test_critical_depths_of_a_rectangle_and_a_trapezoid() -> None:
    # R package rivr, examples of critical_depth: 250 ft3/s, 100 ft, g 32.2 -> 0.5789949 ft
    q = as_with_gravity(250.0, 32.2) * FT**3
    assert h.critical_depth(q, 100 * FT, 0.0) / FT == pytest.approx(0.5789949, abs=1e-7)
    # 126 m3/s, 6.1 m, 1.5:1, g 9.81 -> 2.783155 m
    q = as_with_gravity(126.0, 9.81, GRAVITY)
    assert h.critical_depth(q, 6.1, 1.5) == pytest.approx(
        2.783155, abs=2e-5
    )  # printed by a solver of its own


def test_a_trapezoid_with_all_its_measures() -> None:
    # FHWA Hydraulic Toolbox, as quoted in the R package iemisc (2023), vignette Comparing_Manningtrap:
    # 4 ft wide, 3:1, S 0.02, n 0.055, depth 1.454 ft (rounded) -> 44.001 ft3/s and so on
    flow = h.section_flow(1.454 * FT, 4 * FT, 3.0, 0.02, rough(0.055, 1.486))
    assert flow.discharge / FT**3 == pytest.approx(
        44.001, abs=0.03
    )  # what half a unit of depth's last digit does
    assert flow.area / FT**2 == pytest.approx(12.161, abs=0.007)
    assert flow.perimeter / FT == pytest.approx(13.197, abs=0.004)
    assert flow.area / flow.perimeter / FT == pytest.approx(0.921, abs=6e-4)
    assert flow.velocity / FT == pytest.approx(3.618, abs=0.002)
    assert flow.top / FT == pytest.approx(12.725, abs=0.004)
    assert flow.froude == pytest.approx(0.652, abs=6e-4)
    q = 44.001 * FT**3
    critical = h.critical_depth(q, 4 * FT, 3.0)
    assert critical / FT == pytest.approx(1.163, abs=6e-4)
    at_critical = h.section_flow(critical, 4 * FT, 3.0, 0.02, rough(0.055, 1.486))
    assert at_critical.top / FT == pytest.approx(10.978, abs=6e-3)
    assert q / at_critical.area / FT == pytest.approx(5.052, abs=4e-3)
    assert 0.02 * (q / at_critical.discharge) ** 2 == pytest.approx(0.04979, abs=1e-4)  # critical slope
    assert h.normal_depth(q, 4 * FT, 3.0, 0.02, rough(0.055, 1.486)) / FT == pytest.approx(1.454, abs=6e-4)


def test_half_full_pipe_as_a_surveyed_section() -> None:
    # Mott, Applied Fluid Mechanics, practice problem 14.12, as worked in the R package iemisc: 6 ft pipe half full,
    # S 1/500, n 0.024 -> 51.29267 ft3/s, 3.628214 ft/s, A 14.13717, P 9.424778, R 1.5 ft, Fr 0.4167
    x, z = half_circle(6 * FT)
    flow = h.surveyed_flow(3 * FT, x, z, 1 / 500, 0.024)
    assert flow.discharge / FT**3 == pytest.approx(51.29267, rel=2e-5)  # corners instead of a curve
    assert flow.velocity / FT == pytest.approx(3.628214, rel=1e-5)
    assert flow.area / FT**2 == pytest.approx(14.13717, rel=1e-5)
    assert flow.perimeter / FT == pytest.approx(9.424778, rel=1e-5)
    assert flow.froude == pytest.approx(0.4167, abs=5e-4)
    assert h.normal_stage(51.29267 * FT**3, x, z, 1 / 500, 0.024) / FT == pytest.approx(3.0, abs=1e-4)


def test_critical_depth_of_a_pipe_as_a_surveyed_section() -> None:
    # 36 in pipe, 20 ft3/s, g 32.2 -> yc 1.4349 ft; worked out from the formula
    x, z = half_circle(3 * FT)
    level = h.critical_stage(as_with_gravity(20.0, 32.2) * FT**3, x, z)
    assert level / FT == pytest.approx(1.4349, abs=1e-4)


def test_velocity_in_a_trapezoid_with_steep_sides() -> None:
    # Cengel and Cimbala, Fluid Mechanics (2006), ch. 13: 0.8 m wide, sides at 60 deg, 0.52 m deep, 0.3 deg, n 0.030,
    # V 1.05 m/s, Q 0.60 m3/s (geometry from memory; velocity in the docstring of the library's V_Manning)
    flow = h.section_flow(0.52, 0.8, 1 / np.tan(np.radians(60)), np.tan(np.radians(0.3)), 0.030)
    assert flow.area / flow.perimeter == pytest.approx(0.2859, abs=1e-4)
    assert flow.velocity == pytest.approx(1.0467782, rel=2e-4)
    assert flow.discharge == pytest.approx(0.60, abs=5e-3)


def test_a_trapezoid_in_feet() -> None:
    # 20 ft wide, 2:1, S 0.0016, n 0.025, 500 ft3/s, g 32.2: yc 2.4642 ft, yn 3.8021 ft; worked out from the formula
    q = as_with_gravity(500.0, 32.2) * FT**3
    assert h.critical_depth(q, 20 * FT, 2.0) / FT == pytest.approx(2.4642, abs=6e-5)
    y = h.normal_depth(500 * FT**3, 20 * FT, 2.0, 0.0016, rough(0.025, 1.486))
    assert y / FT == pytest.approx(3.8021, abs=6e-5)


def test_rectangles_in_si() -> None:
    # worked out from the formula
    b, n, s, q = np.array([[3, 0.013, 0.001, 5], [5, 0.035, 0.002, 6], [2, 0.024, 0.01, 3]]).T
    y = h.normal_depth(q, b, 0.0, s, n)
    assert y == pytest.approx([0.97357, 1.11627, 0.66414], abs=6e-6)
    assert h.section_flow(y, b, 0.0, s, n).velocity == pytest.approx([1.7119, 1.0750, 2.2586], abs=6e-5)
    assert h.critical_depth(q, b, 0.0) == pytest.approx([0.65674, 0.52757, 0.61219], abs=6e-6)


def test_critical_depths_by_unit_discharge() -> None:
    # (q^2 / g)^(1/3); worked out from the formula
    made = h.critical_depth([0.5, 1.0, 2.0, 5.0], 1.0, 0.0)
    assert made == pytest.approx([0.2943, 0.4672, 0.7416, 1.3661], abs=6e-5)


def test_hydraulic_jumps() -> None:
    # FHWA HDS-4 (2008), example 4.8: y1 0.33 m, Fr1 8.34 -> y2 3.73 m
    assert h.sequent_depth(0.33, 8.34 * np.sqrt(GRAVITY * 0.33)) == pytest.approx(3.73, abs=5e-3)
    # the same in feet, with the errata of 20 August 2012: y1 1.0 ft, V1 54.7 ft/s -> y2 13.14 ft
    assert h.sequent_depth(1.0 * FT, 54.7 * FT) / FT == pytest.approx(13.14, abs=1e-2)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.01, 10.0),
    st.floats(0.1, 100.0),
    st.floats(0.0, 5.0),
    st.floats(1e-5, 0.1),
    st.floats(0.01, 0.2),
)
def test_velocity_against_a_library(depth: float, width: float, side: float, slope: float, n: float) -> None:
    # fluids (an independent library): V_Manning
    flow = h.section_flow(depth, width, side, slope, n)
    radius = float(flow.area / flow.perimeter)
    assert flow.velocity == pytest.approx(fluids.V_Manning(radius, slope, n), rel=1e-12)
