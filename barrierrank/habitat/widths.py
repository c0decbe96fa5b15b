"""Widths of streams from their drainage area, by published downstream hydraulic geometry."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barrierrank.problems import InputError, Problem, Problems, some
from barrierrank.project_check import nearest

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

METRES = MappingProxyType({"m": 1.0, "ft": 0.3048})
"""Metres in a metre and in an international foot."""
SQUARE_KM = MappingProxyType({"km2": 1.0, "mi2": 1.609344**2})
"""Square kilometres in a square kilometre and in a square mile."""
SETS_FILE = Path(__file__).with_name("width_sets.toml")


@dataclass(frozen=True)
class WidthSet:
    """A published curve, width = a * A ^ b; numbers as printed.

    Parameters
    ----------
    name, label : str
        What the project file says, and plain words.
    a, b : float
    width_unit : {"ft", "m"}
    area_unit : {"mi2", "km2"}
    area_from, area_to : float or None
        Range of drainage area the curve was fitted in, in `area_unit`.
    r2 : float or None
        Coefficient of determination.
    streams : int or None
        Number of streams behind the curve.
    source : str
    checked : {"seen", "from memory"}
        Whether the numbers were read in the source named.
    """

    name: str
    label: str
    a: float
    b: float
    width_unit: str
    area_unit: str
    source: str
    checked: str
    area_from: float | None = None
    area_to: float | None = None
    r2: float | None = None
    streams: int | None = None

    @property
    def a_si(self) -> float:
        """The coefficient for a width in m and a drainage area in km2."""
        return float(self.a * METRES[self.width_unit] / SQUARE_KM[self.area_unit] ** self.b)

    @property
    def range_km2(self) -> tuple[float, float] | None:
        """Range of drainage area [km2] the curve was fitted in; None where it is not known."""
        if self.area_from is None or self.area_to is None:
            return None
        return self.area_from * SQUARE_KM[self.area_unit], self.area_to * SQUARE_KM[self.area_unit]

    def width(self, area_km2: Floats) -> Floats:
        """Return widths [m] at drainage areas [km2]; NaN where the area is missing, zero or less."""
        area = np.asarray(area_km2, dtype=np.float64)
        return self.a_si * np.where(area > 0.0, area, np.nan) ** self.b

    def outside(self, area_km2: Floats) -> Bools:
        """Tell which drainage areas [km2] lie outside the curve's range; none where the range is not known."""
        area = np.asarray(area_km2, dtype=np.float64)
        if self.range_km2 is None:
            return np.zeros(area.shape, dtype=np.bool_)
        low, high = self.range_km2
        return np.asarray((area < low) | (area > high))


@cache
def width_sets() -> Mapping[str, WidthSet]:
    """Return the published curves by name."""
    with SETS_FILE.open("rb") as file:
        entries = tomllib.load(file)
    return MappingProxyType({name: WidthSet(name=name, **entry) for name, entry in entries.items()})


def width_set(name: str) -> WidthSet:
    """Return the curve of this name.

    Raises
    ------
    InputError
        When there is none: names those there are, and the nearest.
    """
    sets = width_sets()
    if name not in sets:
        hint = nearest(name, sets)
        message = f'[hydrography] width_set: given "{name}", allowed: {", ".join(sets)}'
        remedy = hint or "take one of these, or width_a and width_b of your own"
        raise InputError([Problem("error", "unknown_width_set", message, remedy)])
    return sets[name]


def width_from_set(name: str, area_km2: Floats) -> tuple[Floats, Bools]:
    """Return widths by a published curve.

    Parameters
    ----------
    name : str
        One of :func:`width_sets`.
    area_km2 : (n,) float64
        Drainage areas [km2]; NaN where missing.

    Returns
    -------
    width_m : (n,) float64
        Bankfull widths [m]; NaN where the area is missing, zero or less.
    outside : (n,) bool
        Whether the area lies outside the range the curve was fitted in; nowhere, where that is not known.

    Raises
    ------
    InputError
        When there is no curve of this name.
    """
    curve = width_set(name)
    return curve.width(area_km2), curve.outside(area_km2)


def tell_width_set(
    name: str, area_km2: Floats, ids: Sequence[object] | NDArray[Any], problems: Problems, *, where: str
) -> None:
    """Tell where a curve comes from, and which streams lie outside the range it was fitted in.

    Parameters
    ----------
    name : str
        One of :func:`width_sets`.
    area_km2 : (n,) float64
        Drainage areas [km2].
    ids : sequence of n
        Ids of the streams.
    problems : Problems
        Gets a warning of streams outside the range, of a range that is not known, of numbers from memory.
    where : str
        File of the streams.

    Raises
    ------
    InputError
        When there is no curve of this name.
    """
    curve = width_set(name)
    if curve.checked != "seen":
        problems.warning(
            "width_set_from_memory",
            f'the coefficients of the width set "{name}" are from memory ({curve.source})',
            where=where,
            remedy="compare width_a and width_b with the publication",
        )
    out = np.flatnonzero(curve.outside(area_km2))
    if curve.range_km2 is None:
        problems.note(
            "width_set_range_unknown",
            f'it is not known for which drainage areas the width set "{name}" was fitted ({curve.source})',
            where=where,
        )
    elif out.size:
        low, high = curve.range_km2
        names = [ids[i] for i in out.tolist()]
        problems.warning(
            "width_set_outside",
            f'{out.size} stream(s) have a drainage area outside the {low:.4g} to {high:.4g} km2 the width set "{name}" '
            f"was fitted in; their widths are extrapolated: {some(names)}",
            where=where,
            ids=names,
            remedy="compare with measured widths, or give a column of widths",
        )
