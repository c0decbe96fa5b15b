"""Widths by published curves against the numbers as printed."""

from __future__ import annotations

import numpy as np
import pytest

from barrierrank.habitat.widths import width_from_set, width_set, width_sets

FEET = 0.3048
SQUARE_MILE_KM2 = 1.609344**2

# Bankfull width = a A^b in ft and mi2, read in the collection of regional curves FluvialGeomorph/RegionalCurve,
# data-raw/regional_curve_equations.csv. Behind them: southern Michigan, Rachol and Boley-Morse 2009, USGS SIR
# 2009-5133; southern Ontario, Annable 1996; Northeast, Bent and Waite 2013.
PRINTED = {
    "michigan_lower_peninsula_south": (8.19, 0.44),
    "minnesota_east": (6.6316, 0.4534),
    "ontario_south": (9.4571, 0.422),
    "new_york_region_5": (13.2, 0.459),
    "new_york_region_6": (16.9, 0.419),
    "vermont": (10.18, 0.50),
    "northeast_united_states": (15.1988, 0.419),
    "ohio_region_a": (18.0, 0.356),
    "indiana_north": (13.4, 0.318),
}

# The same curves worked out by hand at 10, 25 and 100 mi2, in ft.
WIDTHS_FT = {
    "michigan_lower_peninsula_south": (22.56, 33.76, 62.13),
    "minnesota_east": (18.84, 28.54, 53.51),
    "ontario_south": (24.99, 36.79, 66.03),
    "northeast_united_states": (39.88, 58.55, 104.67),
}


@pytest.mark.parametrize("name", list(PRINTED))
def test_coefficients_are_those_printed(name: str) -> None:
    curve = width_set(name)
    assert (curve.a, curve.b) == PRINTED[name]
    assert (curve.width_unit, curve.area_unit, curve.checked) == ("ft", "mi2", "seen")


def test_no_set_is_called_seen_that_is_not_listed_here() -> None:
    assert {n for n, s in width_sets().items() if s.checked == "seen"} == set(PRINTED)


def test_range_and_fit_of_southern_michigan() -> None:
    # Rachol and Boley-Morse 2009, USGS SIR 2009-5133, as listed in the collection above
    curve = width_set("michigan_lower_peninsula_south")
    assert (curve.area_from, curve.area_to, curve.r2) == (20.9, 385.0, 0.69)
    assert width_set("northeast_united_states").streams == 334  # Bent and Waite 2013, same collection


@pytest.mark.parametrize("name", list(WIDTHS_FT))
def test_widths_at_ten_twenty_five_and_a_hundred_square_miles(name: str) -> None:
    width, _ = width_from_set(name, np.array([10.0, 25.0, 100.0]) * SQUARE_MILE_KM2)
    np.testing.assert_allclose(width / FEET, WIDTHS_FT[name], atol=0.0051)


def test_si_coefficients_of_the_countrywide_curve() -> None:
    # from memory: Bieger et al. 2015, JAWRA 51(3):842-858, W = 2.70 A^0.352 in m and km2; hence 2.70 m at 1 km2
    assert width_from_set("united_states", np.array([1.0]))[0][0] == pytest.approx(2.70)
    assert width_set("united_states").checked == "from memory"
