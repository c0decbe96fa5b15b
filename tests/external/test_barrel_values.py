"""Barrels against published examples and tables. Those in feet are turned into metres.

Where an example's constants differ from those of SI (1.486 for 1.48592, g 32.2) its n or discharge is changed by as
much, so that the same equation is solved and every printed digit counts.
"""

from __future__ import annotations

import fluids
import fluids.open_flow
import numpy as np
import pytest

from barrierrank.passage.culverts import (
    Barrels,
    barrel_critical_depth,
    barrel_normal_depth,
    barrel_ratios,
    barrel_section,
)
from barrierrank.passage.kernels_barrels import barrel_of, friction_slope
from barrierrank.passage.kernels_fields import CIRCULAR, GRAVITY

FT = 0.3048
K_FT = FT ** (-1 / 3)
G_FT = GRAVITY / FT


def pipes(diameter: float, count: int = 1) -> Barrels:
    """Return pipes of one diameter."""
    return Barrels(
        np.full(count, CIRCULAR), np.full(count, diameter), np.full(count, diameter), np.zeros(count)
    )


def test_half_full_pipe() -> None:
    # Mott, Applied Fluid Mechanics, practice problem 14.12, as worked in the vignette of R package iemisc (Manning):
    # 6 ft, half full, S 1/500, n 0.024 -> A 14.13717 ft2, P 9.424778 ft, R 1.5 ft, V 3.628214 ft/s, Q 51.29267 ft3/s
    got = barrel_section(3 * FT, pipes(6 * FT))
    assert got.area[0] / FT**2 == pytest.approx(14.13717, abs=5e-6)
    assert got.perimeter[0] / FT == pytest.approx(9.424778, abs=1e-6)
    assert got.radius[0] / FT == pytest.approx(1.5)
    q = 51.29267 * FT**3
    assert friction_slope(3 * FT, q, 0.024, barrel_of(0.0, 6 * FT, 6 * FT, 0.0)) == pytest.approx(
        1 / 500, rel=1e-6
    )
    assert barrel_normal_depth(q, 1 / 500, 0.024, pipes(6 * FT))[0] / FT == pytest.approx(3.0, abs=1e-6)
    assert q / got.area[0] / FT == pytest.approx(3.628214, abs=1e-6)
    # ... and Froude number 0.4167, with the hydraulic depth A / T
    froude = q / got.area[0] / np.sqrt(GRAVITY * got.area[0] / got.top_width[0])
    assert froude == pytest.approx(0.4167, abs=1e-4)


def test_critical_depth_of_a_pipe() -> None:
    # worked out from the formula (no printed answer): 36 in, 20 ft3/s, g 32.2 -> 1.4349 ft, 5.990 ft/s
    q = 20 * FT**3 * (G_FT / 32.2) ** 0.5
    y = barrel_critical_depth(q, pipes(3 * FT))
    assert y[0] / FT == pytest.approx(1.4349, abs=5e-5)
    speed = 20 / (barrel_section(y, pipes(3 * FT)).area[0] / FT**2)
    assert speed == pytest.approx(5.990, abs=5e-4)


def test_normal_depth_of_a_pipe() -> None:
    # worked out from the formula (no printed answer): 36 in, 20 ft3/s, S 0.0016, n 0.013, k 1.486 -> 1.9378 ft
    y = barrel_normal_depth(20 * FT**3, 0.0016, 0.013 * K_FT / 1.486, pipes(3 * FT))
    assert y[0] / FT == pytest.approx(1.9378, abs=5e-5)


#: y/D; A, R, V, Q over those of the full pipe; worked out from the formulas behind the design chart of Chow (1959)
RATIOS = [
    (0.1, 0.0520, 0.2541, 0.4012, 0.0209), (0.2, 0.1424, 0.4824, 0.6151, 0.0876), (0.3, 0.2523, 0.6838, 0.7761, 0.1958),
    (0.5, 0.5000, 1.0000, 1.0000, 0.5000), (0.7, 0.7477, 1.1849, 1.1198, 0.8372),
    (0.8128, 0.8705, 1.2172, 1.1400, 0.9924), (0.938, 0.9743, 1.1601, 1.1041, 1.0757),
]  # fmt: skip


@pytest.mark.parametrize(("share", "area", "radius", "velocity", "discharge"), RATIOS)
def test_partly_full_pipe(
    share: float, area: float, radius: float, velocity: float, discharge: float
) -> None:
    got = barrel_ratios(share * 1.7, pipes(1.7))
    assert [got[k][0] for k in ("area", "radius", "velocity", "discharge")] == pytest.approx(
        [area, radius, velocity, discharge], abs=6e-5
    )


def test_where_a_pipe_runs_fastest_and_carries_most() -> None:
    # Chow (1959), ch. 6, from memory: greatest velocity 1.14 of that of the full pipe near 0.81 D, greatest discharge
    # 1.076 of the full pipe's at 0.938 D
    share = np.linspace(0.5, 0.9999, 5000)
    got = barrel_ratios(share, pipes(1.0, share.size))
    assert share[got["velocity"].argmax()] == pytest.approx(0.81, abs=0.005)
    assert got["velocity"].max() == pytest.approx(1.14, abs=0.001)
    assert share[got["discharge"].argmax()] == pytest.approx(0.938, abs=0.0005)
    assert got["discharge"].max() == pytest.approx(1.076, abs=0.0005)


CLOSED = fluids.open_flow.n_closed_conduit


@pytest.mark.parametrize(
    ("made", "kind", "normal"),
    [
        ("Concrete", "Culvert, straight and free of debris", 0.011),
        ("Corrugated metal", "Storm drain", 0.024),
    ],
)
def test_manning_against_an_independent_library(made: str, kind: str, normal: float) -> None:
    # package fluids: V_Manning, and n of Chow (1959), table 5-6
    n = CLOSED[made][kind][1]
    assert n == normal
    for share in (0.2, 0.6, 0.9, 1.0):
        s = barrel_section(share * 1.5, pipes(1.5))
        q = fluids.V_Manning(s.radius[0], 0.006, n) * s.area[0]
        assert friction_slope(share * 1.5, q, n, barrel_of(0.0, 1.5, 1.5, 0.0)) == pytest.approx(
            0.006, rel=1e-9
        )
        if share < 0.9:
            assert barrel_normal_depth(q, 0.006, n, pipes(1.5))[0] == pytest.approx(share * 1.5, rel=1e-9)
