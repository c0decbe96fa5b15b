"""Single quantities as people read them, worded as in the sentences of the list; tables stay SI."""

from __future__ import annotations

import math

from barrierrank.ranking import words
from barrierrank.ranking.words import HabitatUnit, Units

M_PER_FOOT = 0.3048
M_PER_MILE = 1609.344
M3_PER_FT3 = M_PER_FOOT**3


def format_length(metres: float, units: Units) -> str:
    """Write a length [m]: m and km, or ft and miles."""
    return words.lengths([metres], units=units)[0]


def height_unit(units: Units) -> tuple[str, float, int]:
    """Return name, size [m] and decimals of the unit that drops and crests are told in."""
    return ("ft", M_PER_FOOT, 1) if units == "us" else ("m", 1.0, 2)


def flow_unit(units: Units) -> tuple[str, float]:
    """Return name and size [m3/s] of the unit that flows are told in."""
    return ("ft³/s", M3_PER_FT3) if units == "us" else ("m³/s", 1.0)


def format_height(metres: float, units: Units) -> str:
    """Write a drop or the raise of a crest [m]: ``0.45 m``, or ``1.5 ft``; a small raise is never told as none."""
    name, size, places = height_unit(units)
    if math.isnan(metres):
        return words.UNKNOWN
    value = round(metres / size, places)
    if value == 0 and metres > 0:
        return f"less than {10.0**-places:g} {name}"
    return f"{value + 0.0:.{places}f} {name}"


def format_flow(flow: float, units: Units) -> str:
    """Write a flow [m3/s] with three digits: ``12.3 m³/s``, or ``434 ft³/s``."""
    name, size = flow_unit(units)
    text = words.numbers([flow / size])[0]
    return text if text == words.UNKNOWN else f"{text} {name}"


def format_amount(amount: float, habitat_unit: HabitatUnit, units: Units) -> str:
    """Write an amount of habitat [m, m2 or the user's own units] in the unit that suits its kind and size."""
    return words.habitats([amount], habitat_unit=habitat_unit, units=units)[0]


def format_money(value: float, currency: str | None) -> str:
    """Write money as ``USD 12,300``, or points where there is no currency."""
    return words.points([value])[0] if currency is None else words.money([value], currency=currency)[0]


def scale_bar(longest_m: float, units: Units) -> tuple[float, str]:
    """Choose a round length of at most `longest_m` for a scale bar.

    Parameters
    ----------
    longest_m : float [m]
        Must be above zero.
    units : {"metric", "us"}

    Returns
    -------
    length : float [m]
    label : str

    Raises
    ------
    ValueError
        Where `longest_m` is not above zero.
    """
    if not longest_m > 0:
        raise ValueError(f"longest_m is {longest_m}: a scale bar needs a length above 0 m")
    if units == "us":
        name, size = ("mi", M_PER_MILE) if longest_m >= 0.5 * M_PER_MILE else ("ft", M_PER_FOOT)
    else:
        name, size = ("km", 1000.0) if longest_m >= 1000 else ("m", 1.0)
    most = longest_m / size
    power = 10.0 ** math.floor(math.log10(most))
    step = max(s for s in (1.0, 2.0, 5.0) if s * power <= most * (1 + 1e-12))
    return step * power * size, f"{step * power:g} {name}"
