"""Culvert control, and flow under gates, against published equations and worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from barrierrank.inputs.entrances import ENTRANCES
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.culverts import (
    Barrels,
    barrel_critical_depth,
    culvert_profile,
    full_flow_loss,
    gate_head,
    inlet_control_head,
)

FT = 0.3048
G_FT = f.GRAVITY / FT
PIPE = ENTRANCES["concrete pipe, square edge in headwall"]


def one(shape: int, rise: float, span: float) -> Barrels:
    """Return one barrel; feet in."""
    return Barrels(np.array([shape]), np.array([rise * FT]), np.array([span * FT]), np.zeros(1))


def head_over_rise(q: float, slope: float, word: str, barrel: Barrels) -> float:
    """Return HW/D under inlet control of a discharge in ft3/s."""
    head = inlet_control_head(q * FT**3, slope, ENTRANCES[word][:4], barrel)
    return float(head[0] / barrel.rise_m[0])


def test_coefficients_of_inlet_control() -> None:
    # US EPA, Storm Water Management Model 5.2, source file culvert.c, after FHWA HDS-5: K, M, c, Y
    printed = {
        "concrete pipe, square edge in headwall": (0.0098, 2.0, 0.0398, 0.67),
        "concrete pipe, groove end in headwall": (0.0018, 2.0, 0.0292, 0.74),
        "concrete pipe, groove end sticking out": (0.0045, 2.0, 0.0317, 0.69),
        "metal pipe, headwall": (0.0078, 2.0, 0.0379, 0.69),
        "metal pipe, cut to the slope": (0.0210, 1.33, 0.0463, 0.75),
        "metal pipe, sticking out": (0.0340, 1.50, 0.0553, 0.54),
        "concrete box, wingwalls of 30 to 75 degrees": (0.026, 1.0, 0.0347, 0.81),
        "concrete box, headwall or wingwalls of 15 degrees": (0.061, 0.75, 0.0400, 0.80),
        "concrete box, wingwalls in line with its sides": (0.061, 0.75, 0.0423, 0.82),
    }
    for word, numbers in printed.items():
        assert ENTRANCES[word][:4] == numbers


def test_losses_at_the_inlet() -> None:
    # FHWA HDS-5 (2012), table C.2, from memory; 0.9 also in the worked example of a 36 in projecting metal pipe
    # at pe-calc.com (culvert-36-inch-cmp)
    assert ENTRANCES["concrete pipe, groove end in headwall"].loss == 0.2
    assert PIPE.loss == 0.5
    assert ENTRANCES["metal pipe, sticking out"].loss == 0.9


@pytest.mark.parametrize(
    ("word", "read"),
    [
        ("concrete box, wingwalls of 30 to 75 degrees", 1.75),
        ("concrete box, headwall or wingwalls of 15 degrees", 1.90),
        ("concrete box, wingwalls in line with its sides", 2.05),
    ],
)
def test_chart_of_a_box(word: str, read: float) -> None:
    # Highway Engineering Handbook (after HDS-5 chart 8), example of its nomograph: a box 5 ft wide and 2 ft high,
    # 75 ft3/s -> HW/D 1.75, 1.90 and 2.05 for three inlets; a reading of a chart, so within 2.5 %
    assert head_over_rise(75.0, 0.0, word, one(f.BOX, 2.0, 5.0)) == pytest.approx(read, rel=0.025)


def test_unsubmerged_pipes() -> None:
    # worked out from the formula of HDS-5 appendix A, form 1, with g 32.2 (no printed answer): 3 ft, 20 ft3/s, level:
    # 0.6901; metal pipe of 3 ft sticking out, 42 ft3/s, S 0.025 (inputs of pe-calc.com, culvert-36-inch-cmp): 1.2304
    concrete, word = one(f.CIRCULAR, 3.0, 3.0), "concrete pipe, square edge in headwall"
    assert head_over_rise(20.0, 0.0, word, concrete) == pytest.approx(0.6901, abs=3e-4)
    metal = one(f.CIRCULAR, 3.0, 3.0)
    assert head_over_rise(42.0, 0.025, "metal pipe, sticking out", metal) == pytest.approx(1.2304, abs=5e-4)
    assert barrel_critical_depth(42 * FT**3 * (G_FT / 32.2) ** 0.5, metal)[0] / FT == pytest.approx(
        2.1107, abs=1e-4
    )


def test_mitred_inlet_is_corrected_by_seven_tenths_of_the_slope() -> None:
    # FHWA HDS-5 appendix A, from memory: + 0.7 S in place of - 0.5 S. (The source of SWMM 5.2 has ten times as much.)
    barrel, form = one(f.CIRCULAR, 3.0, 3.0), ENTRANCES["metal pipe, cut to the slope"][:4]
    plain = inlet_control_head(1.0, 0.02, form, barrel)[0]
    mitred = inlet_control_head(1.0, 0.02, form, barrel, mitred=True)[0]
    assert (mitred - plain) / barrel.rise_m[0] == pytest.approx(1.2 * 0.02)


def test_submerged_form_and_what_lies_between() -> None:
    # FHWA HDS-5 appendix A, from memory: form 1 to Q / (A D^0.5) = 3.5, the submerged form from 4.0. SWMM 5.2
    # (culvert.c) submerges from HW/D = 16 c + Y - 0.5 S, which is Q / (A D^0.5) = 4.
    barrel, word = one(f.CIRCULAR, 4.0, 4.0), "concrete pipe, square edge in headwall"
    scale = np.pi * 4.0 * 4.0**0.5  # A D^0.5

    def at(x: float) -> float:
        return head_over_rise(x * scale, 0.01, word, barrel)

    assert at(4.0) == pytest.approx(16.0 * PIPE.c + PIPE.y - 0.005, rel=1e-9)
    assert at(6.0) == pytest.approx(36.0 * PIPE.c + PIPE.y - 0.005, rel=1e-9)
    # worked out from the formula: 100 ft3/s, x 3.9789; the submerged form alone would give 1.2951
    assert 100.0 / scale == pytest.approx(3.9789, abs=1e-4)
    assert head_over_rise(100.0, 0.01, word, barrel) == pytest.approx(1.2951, rel=0.005)
    assert at(3.5) < at(3.75) < at(4.0)
    assert at(3.75) == pytest.approx(0.5 * (at(3.5) + at(4.0)), rel=1e-6)


def test_full_flow_under_tailwater() -> None:
    # FHWA HDS-5 ch. 3, from memory: HW = TW + (1 + Ke + 29 n^2 L / R^1.333) V^2 / 2g - S L, feet
    row = np.full((1, f.FIELDS), np.nan)
    for name, value in {
        "shape": f.CIRCULAR, "rise": 4 * FT, "span": 4 * FT, "length": 100 * FT, "inlet": 11 * FT, "outlet": 10 * FT,
        "barrel_n": 0.024, "barrels": 1.0, "embedded": 0.0, "entrance_loss": 0.5, "inlet_k": 0.0, "inlet_m": 1.0,
        "inlet_c": 0.0, "inlet_y": 0.0,
    }.items():  # fmt: skip
        row[0, getattr(f, name.upper())] = value
    speed = 90.0 / (np.pi * 4.0)
    head = (1 + 0.5 + 29 * 0.024**2 * 100 / 1.0**1.333) * speed**2 / 64.4
    got = culvert_profile(90 * FT**3, row, np.array([16 * FT]))
    assert got.headwater_m[0] / FT == pytest.approx(16 + head, rel=2e-3)
    assert full_flow_loss(90 * FT**3, 100 * FT, 0.024, 0.5, one(f.CIRCULAR, 4, 4))[0] / FT == pytest.approx(
        head, rel=5e-3
    )
    assert not got.inlet_control[0]


def test_head_under_a_gate() -> None:
    # Henderson 1966, Open Channel Flow, ch. 6, from memory: q = Cc w sqrt(2 g y1) / sqrt(1 + Cc w / y1) for approach
    # depth y1, Cc 0.61; here with the head of energy y1 + q^2 / (2 g y1^2)
    for y1, w in ((1.0, 0.2), (2.0, 0.3), (3.0, 0.25)):
        q = 0.61 * w * np.sqrt(2 * f.GRAVITY * y1) / np.sqrt(1 + 0.61 * w / y1)
        got = gate_head(np.array([q]), w, -1.0)[0]
        assert got == pytest.approx(y1 + q**2 / (2 * f.GRAVITY * y1**2), rel=1e-9)
