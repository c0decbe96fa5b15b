"""Quantities in words: rounded for people, in the units and the money they use.

Every function takes a vector and returns a list of strings. Three digits are kept; what is not known says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Units = Literal["metric", "us"]
HabitatUnit = Literal["m", "m2", "units"]

UNKNOWN = "not known"
_DIGITS = 3
_LEAST = 0.001  # smaller numbers are told as less than this


@dataclass(frozen=True)
class _Unit:
    """A unit to write a quantity in.

    Parameters
    ----------
    one, many : str
        What stands after the number: 1 `one`, 2 `many`.
    size : float
        How much of the quantity's SI unit it is.
    least : float
        From this many on the unit is used [of itself].
    whole : bool
        Whether decimals would be false precision.
    """

    one: str
    many: str
    size: float
    least: float = 0.0
    whole: bool = False


# From the smallest up. The foot and what is made of it are the international ones (0.3048 m exactly).
_LENGTHS: dict[Units, tuple[_Unit, ...]] = {
    "metric": (_Unit(" m", " m", 1.0, whole=True), _Unit(" km", " km", 1000.0, 1.0)),
    "us": (_Unit(" ft", " ft", 0.3048, whole=True), _Unit(" mile", " miles", 1609.344, 0.2)),
}
_AREAS: dict[Units, tuple[_Unit, ...]] = {
    "metric": (
        _Unit(" m²", " m²", 1.0, whole=True),
        _Unit(" ha", " ha", 1e4, 1.0),
        _Unit(" km²", " km²", 1e6, 10.0),
    ),
    "us": (
        _Unit(" sq ft", " sq ft", 0.3048**2, whole=True),
        _Unit(" acre", " acres", 43560.0 * 0.3048**2, 0.5),
        _Unit(" sq mile", " sq miles", 1609.344**2, 10.0),
    ),
}
_HABITAT_UNITS = (_Unit(" unit", " units", 1.0), _Unit(" million units", " million units", 1e6, 1.0))
_POINTS = (_Unit(" point", " points", 1.0), _Unit(" million points", " million points", 1e6, 1.0))
_MONEY = (
    _Unit("", "", 1.0, whole=True),
    _Unit(" million", " million", 1e6, 1.0),
    _Unit(" billion", " billion", 1e9, 1.0),
)


def lengths(metres: npt.ArrayLike, *, units: Units) -> list[str]:
    """Write lengths: ``"850 m"``, ``"12.4 km"``; ``"900 ft"``, ``"7.71 miles"``.

    Parameters
    ----------
    metres : (n,) array_like
        Lengths [m].
    units : {"metric", "us"}
    """
    return _written(metres, _LENGTHS[units])


def areas(square_metres: npt.ArrayLike, *, units: Units) -> list[str]:
    """Write areas: ``"640 m²"``, ``"3.2 ha"``, ``"12 km²"``; ``"640 sq ft"``, ``"3.2 acres"``.

    Parameters
    ----------
    square_metres : (n,) array_like
        Areas [m2].
    units : {"metric", "us"}
    """
    return _written(square_metres, _AREAS[units])


def habitats(amounts: npt.ArrayLike, *, habitat_unit: HabitatUnit, units: Units) -> list[str]:
    """Write amounts of habitat in whatever they are measured in.

    Parameters
    ----------
    amounts : (n,) array_like
        Amounts [habitat_unit].
    habitat_unit : {"m", "m2", "units"}
        Lengths, areas, or units of the user's own, which are written as ``"340 units"``.
    units : {"metric", "us"}
    """
    if habitat_unit == "units":
        return _written(amounts, _HABITAT_UNITS)
    return lengths(amounts, units=units) if habitat_unit == "m" else areas(amounts, units=units)


def shown_size(amount: float, *, habitat_unit: HabitatUnit, units: Units) -> float:
    """Return the size, in the unit of `amount`, of the unit that an amount of habitat is written in.

    Parameters
    ----------
    amount : float
    habitat_unit : {"m", "m2", "units"}
    units : {"metric", "us"}
    """
    choice = {"m": _LENGTHS[units], "m2": _AREAS[units], "units": _HABITAT_UNITS}[habitat_unit]
    return max((u.size for u in choice if abs(amount) >= u.least * u.size), default=choice[0].size)


def money(amounts: npt.ArrayLike, *, currency: str | None) -> list[str]:
    """Write amounts of money: ``"USD 385,000"``, ``"USD 1.24 million"``.

    Parameters
    ----------
    amounts : (n,) array_like
        Amounts [currency].
    currency : str or None
        ISO code, written before the number; None writes the bare number.
    """
    return _written(amounts, _MONEY, before=f"{currency} " if currency else "")


def points(amounts: npt.ArrayLike) -> list[str]:
    """Write points: ``"1 point"``, ``"1,240 points"``.

    Parameters
    ----------
    amounts : (n,) array_like
    """
    return _written(amounts, _POINTS)


def numbers(values: npt.ArrayLike) -> list[str]:
    """Write plain numbers with three digits: ``"0.824"``, ``"12.4"``, ``"1,240"``.

    Parameters
    ----------
    values : (n,) array_like
    """
    return _written(values, (_Unit("", "", 1.0),))


def listed(things: Sequence[str]) -> str:
    """Join with commas and a last 'and': ``"a"``, ``"a and b"``, ``"a, b and c"``.

    Parameters
    ----------
    things : sequence of str
    """
    return f"{', '.join(things[:-1])} and {things[-1]}" if len(things) > 1 else "".join(things)


def _written(values: npt.ArrayLike, choice: Sequence[_Unit], before: str = "") -> list[str]:
    """Write each value in the largest unit of `choice` that it fills."""
    x = np.atleast_1d(np.asarray(values, dtype=np.float64))
    known = np.isfinite(x)
    size = np.abs(np.where(known, x, 0.0))
    shown, used = np.zeros(len(x)), np.zeros(len(x), dtype=np.int64)
    for k, unit in enumerate(choice):
        amount = _rounded(size / unit.size)
        if unit.whole:
            amount = np.where(amount < 1000.0, np.rint(amount), amount)
        fits = amount >= unit.least
        shown[fits], used[fits] = amount[fits], k
    out = [
        _one(v, choice[k], negative, before)
        for v, k, negative in zip(shown.tolist(), used.tolist(), (x < 0.0).tolist(), strict=True)
    ]
    smallest = choice[0]
    least = 1.0 if smallest.whole else _LEAST
    name = smallest.one if smallest.whole else smallest.many
    # Just under 1 by rounding is 1.
    for i in np.flatnonzero((size > 0.0) & (size < smallest.size * least * (1.0 - 1e-9))):
        out[i] = f"less than {before}{least:g}{name}" if x[i] > 0 else _one(0.0, smallest, False, before)
    for i in np.flatnonzero(~known):
        out[i] = UNKNOWN if np.isnan(x[i]) else "without limit"
    return out


def _one(value: float, unit: _Unit, negative: bool, before: str) -> str:
    """Write one rounded size."""
    text = f"{value:,.0f}" if value >= 100.0 or value == 0.0 else f"{value:.{_DIGITS}g}"
    minus = "-" if negative and value != 0.0 else ""
    return f"{before}{minus}{text}{unit.one if value == 1.0 else unit.many}"


def _rounded(size: FloatArray) -> FloatArray:
    """Round sizes to three digits."""
    exponent = np.floor(np.log10(np.where(size > 0.0, size, 1.0)))
    step = 10.0 ** np.clip(exponent - (_DIGITS - 1), -300, 300)
    # Dividing by a power of ten that is whole keeps 0.3 from becoming 0.30000000000000004.
    parts = np.maximum(np.rint(1.0 / step), 1.0)
    rounded: FloatArray = np.where(step < 1.0, np.rint(size / step) / parts, np.rint(size / step) * step)
    return rounded
