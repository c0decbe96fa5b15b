"""Weirs against published formulas and values and an independent library."""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.passage import hydraulics as h
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.hydraulics import CrestShape
from barrierrank.passage.kernels_weirs import IDEAL_BROAD, SQUARE_EDGE, weir_state

FT = 0.3048
G = f.GRAVITY
FREE = -1.0

#: head, height of the crest, width [m]
FULL_WIDTH = [(0.3, 0.4, 2.0), (0.2, 0.5, 5.0), (0.15, 1.0, 10.0), (0.5, 1.0, 6.0), (1.0, 1.2, 12.0)]


@pytest.mark.parametrize(
    ("case", "printed"),
    list(zip(FULL_WIDTH, [0.6486856, 0.8466874, 1.0671738, 4.0461, 23.8296], strict=True)),
)
def test_full_width_by_rehbock(case: tuple[float, float, float], printed: float) -> None:
    # Rehbock 1929, Q = 2/3 sqrt(2 g) (0.602 + 0.0832 h/P) b (h + 0.00125)^1.5, as in fluids (an independent library)
    head, height, width = case
    made = h.weir_discharge(head, FREE, CrestShape(width, height=height))
    assert made == pytest.approx(printed, rel=1e-5)
    assert made == pytest.approx(fluids.Q_weir_rectangular_full_Rehbock(head, height, width), rel=1e-12)


@settings(max_examples=100, deadline=None)
@given(st.floats(0.03, 1.0), st.floats(1.0, 6.0), st.floats(0.3, 30.0))
def test_full_width_by_other_formulas(head: float, deep: float, width: float) -> None:
    # Kindsvater and Carter 1957 (USGS Circular 141 and ISO 1438) and Ackers et al. 1978, as in fluids, within h/P <= 1;
    # the three differ by up to 4 % among themselves at heads of centimetres, by 2 % above 0.1 m
    height = head * deep
    made = float(h.weir_discharge(head, FREE, CrestShape(width, height=height)))
    within = 0.02 if head >= 0.1 else 0.04
    for formula in (
        fluids.Q_weir_rectangular_full_Kindsvater_Carter,
        fluids.Q_weir_rectangular_full_Ackers,
    ):
        assert made == pytest.approx(formula(head, height, width), rel=within)


def test_full_width_in_a_textbook() -> None:
    # Cengel and Cimbala, Fluid Mechanics: head 0.9 m, height 0.6 m, width 5 m, 9.251938 m3/s by Ackers' formula
    # (quoted by fluids)
    assert h.weir_discharge(0.9, FREE, CrestShape(5.0, height=0.6)) == pytest.approx(9.251938, rel=0.02)


@pytest.mark.parametrize(
    ("length", "head", "suppressed", "contracted"),
    [(1, 0.2, 0.2978, 0.2859), (2, 0.5, 2.3547, 2.2369), (3, 1, 9.990, 9.324), (4, 0.5, 4.709, 4.592),
     (4, 1, 13.320, 12.654), (10, 1.5, 61.18, 59.34)],
)  # fmt: skip
def test_contracted_ends_by_francis(length: float, head: float, suppressed: float, contracted: float) -> None:
    # Francis 1868, 3.33 (L - 0.1 n H) H^1.5 in feet, H <= L / 3 (USBR Water Measurement Manual, 3rd ed. 2001, ch. 7;
    # from memory); values worked out from the formula. The width lost is his, the coefficient Rehbock's, 3 % below
    both = h.weir_discharge(head * FT, FREE, CrestShape(length * FT, contractions=[0.0, 1.0, 2.0])) / FT**3
    assert both[0] == pytest.approx(suppressed, rel=0.04)
    assert both[2] == pytest.approx(contracted, rel=0.04)
    assert both[2] / both[0] == pytest.approx(contracted / suppressed, rel=2e-4)
    assert both[1] == pytest.approx((both[0] + both[2]) / 2, rel=1e-12)
    given_c = CrestShape(length * FT, coefficient=3.33 * FT**0.5, contractions=[0.0, 2.0])
    assert h.weir_discharge(head * FT, FREE, given_c) / FT**3 == pytest.approx(
        [suppressed, contracted], rel=2e-4
    )


@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("head_ft", [0.5, 1.0, 3.0])
def test_contracted_with_approach(ratio: float, head_ft: float) -> None:
    # City of Everett, Stormwater Management Manual, vol. III (2014), eq. 6, in feet:
    # Q = C (L - 0.2 H) H^1.5, C = 3.27 + 0.40 H/P
    length = 4.0 * head_ft
    printed = (3.27 + 0.40 * ratio) * (length - 0.2 * head_ft) * head_ft**1.5
    crest = CrestShape(length * FT, height=head_ft / ratio * FT, contractions=2.0)
    assert h.weir_discharge(head_ft * FT, FREE, crest) / FT**3 == pytest.approx(printed, rel=0.035)


def test_a_tailwater_five_centimetres_below_a_thin_plate_does_not_matter() -> None:
    # Bos (ed.), Discharge Measurement Structures (ILRI 20), ch. 5: flow is modular with the tailwater 0.05 m below
    crest = CrestShape(3.0, height=0.8)
    assert h.weir_discharge(0.4, -0.05, crest) == h.weir_discharge(0.4, -5.0, crest)
    assert h.submerged_share(0.4, -0.05) == 1.0
    assert h.submerged_share(0.4, 0.01) < 1.0


def test_ideal_broad_crest() -> None:
    # theory: critical flow on the crest, Q = (2/3)^1.5 sqrt(g) b H^1.5 = 1.7046 b H^1.5, 3.09 in feet (from memory)
    assert pytest.approx(1.70460, abs=5e-6) == IDEAL_BROAD
    assert pytest.approx(3.09, abs=5e-3) == IDEAL_BROAD / FT**0.5
    row = np.full(f.FIELDS, np.nan)
    row[[f.CREST, f.WIDTH, f.THICKNESS, f.COEFFICIENT]] = 10.0, 4.0, 30.0, IDEAL_BROAD
    out = np.empty(f.STATES)
    weir_state(4.0 * IDEAL_BROAD * 0.6**1.5, row, 9.0, False, 1.0, out)
    assert out[f.HEADWATER] == pytest.approx(10.6, abs=1e-9)
    assert out[f.DEPTH] == pytest.approx(0.4, rel=1e-9)  # two thirds of the head
    assert out[f.SPEED] == pytest.approx(np.sqrt(2 * G * 0.2), rel=1e-9)  # a third of it is the velocity head


def test_square_edged_broad_crest() -> None:
    # Bos (ed.) 1989: C_d 0.848 for a square edge; Hager and Schwalt 1994: 0.326 sqrt(2 g) b H^1.5 (from memory)
    long = h.weir_discharge(0.5, FREE, CrestShape(1.0, thickness=50.0)) / 0.5**1.5
    assert long == pytest.approx(0.848 * 1.7046, rel=1e-4)
    assert long == pytest.approx(0.326 * np.sqrt(2 * G), rel=3e-3)


@pytest.mark.parametrize(("ratio", "c"), [(0.5, 0.3322), (1.0, 0.3733), (1.5, 0.4046)])
def test_between_broad_and_sharp(ratio: float, c: float) -> None:
    # Hager and Schwalt 1994: Q = c sqrt(2 g) b H^1.5, c = 0.42 (1 - (2/9) / (1 + (H / thickness)^4)), from memory;
    # their limit of a sharp crest, 0.42, is 4 % above Rehbock's 0.401, which is ours
    made = h.weir_discharge(1.0, FREE, CrestShape(1.0, thickness=1.0 / ratio)) / np.sqrt(2 * G)
    assert c == pytest.approx(0.42 * (1 - 2 / 9 / (1 + ratio**4)), abs=6e-5)
    assert made == pytest.approx(c, rel=0.045)


@pytest.mark.parametrize("speed_share", [0.2, 0.5, 0.8])
def test_velocity_head_of_the_approach_to_a_broad_crest(speed_share: float) -> None:
    # energy: H = h + V^2 / 2 g with V = Q / (b (h + P)), Q = C b H^1.5
    head, height = 0.5, 0.5 / speed_share - 0.5
    q = float(h.weir_discharge(head, FREE, CrestShape(2.0, thickness=500.0, height=height)))
    energy = head + (q / (2.0 * (head + height))) ** 2 / (2 * G)
    assert q == pytest.approx(SQUARE_EDGE * IDEAL_BROAD * 2.0 * energy**1.5, rel=1e-9)


@pytest.mark.parametrize("head", [0.15, 0.25, 0.4])
def test_v_notch(head: float) -> None:
    # 90 degrees: 1.36 to 1.38 h^2.5 (USBR Water Measurement Manual, ch. 7; from memory); 2.49 h^2.48 in feet (Cone)
    made = h.weir_discharge(head, FREE, CrestShape(0.0, side=1.0))
    assert made == pytest.approx(1.37 * head**2.5, rel=0.025)
    assert made / FT**3 == pytest.approx(2.49 * (head / FT) ** 2.48, rel=0.025)


def test_ends_of_1_in_4_make_good_what_contraction_takes() -> None:
    # Cipolletti's weir: Q = 1.86 b h^1.5 (3.367 in feet), ends 1 across to 4 up, both contracted (from memory)
    heads = np.array([0.1, 0.2, 0.4])
    made = h.weir_discharge(heads, FREE, CrestShape(1.5, side=0.25, contractions=2.0))
    assert made == pytest.approx(1.86 * 1.5 * heads**1.5, rel=0.05)
    plain = h.weir_discharge(heads, FREE, CrestShape(1.5))
    assert made == pytest.approx(plain, rel=0.01)


def test_a_sill_is_passed_at_critical_depth() -> None:
    # Henderson 1966, Open Channel Flow (from memory): over a sill, h / P above 20,
    # Q = 1.06 (1 + P / h)^1.5 (2/3) sqrt(2 g) b h^1.5
    for ratio in (20.0, 40.0, 100.0):
        made = h.weir_discharge(0.6, FREE, CrestShape(2.0, height=0.6 / ratio))
        printed = 1.06 * (1 + 1 / ratio) ** 1.5 * 2 / 3 * np.sqrt(2 * G) * 2.0 * 0.6**1.5
        assert made == pytest.approx(printed, rel=2e-3)


def test_drowned_sharp_crest_by_villemonte() -> None:
    # Villemonte 1947, (1 - (h2/h1)^1.5)^0.385 (Engineering News-Record 139(26): 866-869; formula from memory); values
    # worked out from the formula
    ratio = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0]
    share = [0.9877, 0.9646, 0.9332, 0.8938, 0.8454, 0.7861, 0.7123, 0.6163, 0.4770, 0.3671, 0.0]
    assert h.submerged_share(1.0, ratio) == pytest.approx(share, abs=6e-5)
    crest = CrestShape(2.0, height=1.2)
    free = h.weir_discharge(0.7, FREE, crest)
    assert h.weir_discharge(0.7, 0.7 * np.array(ratio), crest) / free == pytest.approx(share, abs=6e-5)
    # and n = 2.5 for a V-notch
    notch = CrestShape(0.0, side=1.0)
    made = h.weir_discharge(0.3, 0.15, notch) / h.weir_discharge(0.3, FREE, notch)
    assert made == pytest.approx((1 - 0.5**2.5) ** 0.385, rel=1e-12)


def test_drowned_broad_crest() -> None:
    # energy with the water on the crest as high as that below: q = h2 sqrt(2 g (h1 - h2)), from h2 / h1 = 2/3 on
    # (Bos 1989 gives 0.66 as the modular limit where no velocity head is won back; from memory)
    crest = CrestShape(3.0, thickness=500.0, coefficient=IDEAL_BROAD)
    free = float(h.weir_discharge(1.2, FREE, crest))
    assert h.weir_discharge(1.2, 0.66 * 1.2, crest) == pytest.approx(free, rel=1e-9)
    for h2 in (0.81, 0.9, 1.0, 1.1, 1.19):
        assert h.weir_discharge(1.2, h2, crest) == pytest.approx(
            3.0 * h2 * np.sqrt(2 * G * (1.2 - h2)), rel=1e-9
        )


def test_ideal_broad_crest_between_sloping_ends() -> None:
    # theory: critical flow in a trapezoid whose energy is the head; bottom and ends counted apart are 2 % off
    width, side, head = 2.0, 1.0, 0.8
    crest = CrestShape(width, side=side, thickness=500.0, coefficient=IDEAL_BROAD)
    depth = np.linspace(0.5, 0.8, 100_001)
    area = depth * (width + side * depth)
    best = (
        area * np.sqrt(2 * G * np.maximum(head - depth, 0.0))
    ).max()  # the greatest discharge that energy carries
    assert h.weir_discharge(head, FREE, crest) == pytest.approx(best, rel=0.02)
    triangle = CrestShape(0.0, side=side, thickness=500.0, coefficient=IDEAL_BROAD)
    best = (side * depth**2 * np.sqrt(2 * G * np.maximum(head - depth, 0.0))).max()
    assert h.weir_discharge(head, FREE, triangle) == pytest.approx(best, rel=1e-6)
