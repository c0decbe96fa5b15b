"""Hydraulics of channels and weirs for arrays: depths, discharges, water levels. SI throughout.

Arguments broadcast; results have the broadcast shape. NaN in any of them gives NaN there. Numbers that cannot be (a
slope of 0, a width below 0) raise.

Uniform flow is Manning's, k = 1 in SI (Chow 1959, Open-Channel Hydraulics, chapters 3 to 6: critical flow, uniform
flow); weirs are told in `kernels_weirs`. Planning-level: a one-dimensional estimate is no design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from barrierrank.passage import kernels_sections as sections
from barrierrank.passage import kernels_weirs as weirs
from barrierrank.passage.kernels_fields import GRAVITY
from barrierrank.passage.structures import Structures

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SectionFlow:
    """Flow in sections at given depths, arrays of one shape.

    Parameters
    ----------
    discharge : float64
        Of uniform flow [m3/s].
    area : float64
        [m2].
    perimeter, top : float64
        Wetted perimeter and width of the water surface [m].
    velocity : float64
        Mean [m/s]; 0 where dry.
    froude : float64
        V / sqrt(g A / T) [-]; 0 where dry.
    """

    discharge: FloatArray
    area: FloatArray
    perimeter: FloatArray
    top: FloatArray
    velocity: FloatArray
    froude: FloatArray


@dataclass(frozen=True, eq=False)
class CrestShape:
    """A crest without a notch, or many of them: numbers or arrays that broadcast.

    Parameters
    ----------
    width : float64
        Of its bottom, across the flow [m].
    side : float64
        Slope of its ends, horizontal to vertical; 0 = upright.
    thickness : float64
        Along the flow [m]; 0 = a thin plate.
    height : float64
        Above the bed above it [m]; NaN = not known: then the water comes up without speed.
    coefficient : float64
        C of Q = C b H^1.5 [m^0.5/s]; NaN = worked out.
    contractions : float64
        Ends at which the nappe is contracted: 0, 1 or 2.
    """

    width: ArrayLike
    side: ArrayLike = 0.0
    thickness: ArrayLike = 0.0
    height: ArrayLike = np.nan
    coefficient: ArrayLike = np.nan
    contractions: ArrayLike = 0.0

    def columns(self) -> list[FloatArray]:
        """Return the six as float64 arrays, checked.

        Raises
        ------
        ValueError
            Where one is out of what is allowed.
        """
        given = {
            "width": (self.width, 0.0, np.inf), "side": (self.side, 0.0, np.inf),
            "thickness": (self.thickness, 0.0, np.inf), "height": (self.height, 0.0, np.inf),
            "coefficient": (self.coefficient, 0.0, np.inf), "contractions": (self.contractions, 0.0, 2.0),
        }  # fmt: skip
        return [
            _checked(name, value, low, high, above=name == "coefficient")
            for name, (value, low, high) in given.items()
        ]


def normal_depth(
    discharge: ArrayLike, width: ArrayLike, side: ArrayLike, slope: ArrayLike, n: ArrayLike
) -> FloatArray:
    """Return the depth of uniform flow in trapezoids [m].

    Parameters
    ----------
    discharge : array_like
        [m3/s], 0 or more.
    width : array_like
        Of the bottom [m]; 0 = a triangle.
    side : array_like
        Slope of the sides, horizontal to vertical; 0 = a rectangle.
    slope : array_like
        Of the channel [m/m], above 0.
    n : array_like
        Manning's n [s/m^(1/3)], above 0.

    Returns
    -------
    float64 array
        0 at no discharge; NaN where something is NaN and where width and side are both 0.

    Raises
    ------
    ValueError
        Where a number is out of what is allowed, or shapes do not broadcast.
    """
    given = [_discharge(discharge), *_trapezoid(width, side), *_channel(slope, n)]
    flat, shape = _flat(given)
    return np.asarray(sections.normal_depths(*flat)).reshape(shape)


def critical_depth(discharge: ArrayLike, width: ArrayLike, side: ArrayLike) -> FloatArray:
    """Return critical depths in trapezoids [m], at which Q^2 T = g A^3.

    Parameters and `Raises` as for :func:`normal_depth`.
    """
    flat, shape = _flat([_discharge(discharge), *_trapezoid(width, side)])
    return np.asarray(sections.critical_depths(*flat)).reshape(shape)


def section_flow(
    depth: ArrayLike, width: ArrayLike, side: ArrayLike, slope: ArrayLike, n: ArrayLike
) -> SectionFlow:
    """Return uniform flow in trapezoids at depths [m] of 0 or more.

    The other parameters and `Raises` as for :func:`normal_depth`.
    """
    given = [_checked("depth", depth, 0.0, np.inf), *_trapezoid(width, side), *_channel(slope, n)]
    y, b, m, s, rough = np.broadcast_arrays(*given)
    return _flow(y * (b + m * y), b + 2.0 * y * np.sqrt(1.0 + m * m), b + 2.0 * m * y, s, rough)


def normal_stage(
    discharge: ArrayLike, station: ArrayLike, elevation: ArrayLike, slope: float, n: float
) -> FloatArray:
    """Return the elevation of uniform flow in a surveyed section [m].

    The section is taken as a whole, with one n. Where a stage just above an overbank carries less than one just below
    it, the lowest stage that carries the discharge is returned.

    Parameters
    ----------
    discharge : array_like
        [m3/s], 0 or more.
    station, elevation : (k,) array_like
        Points of the section [m], stations ascending; two alike are a vertical step. The ends rise upright.
    slope, n : float
        As for :func:`normal_depth`.

    Returns
    -------
    float64 array
        Shape of `discharge`; the lowest point at no discharge.

    Raises
    ------
    ValueError
        Where the points are no section or a number is out of what is allowed.
    """
    x, y = _points(station, elevation)
    q, (steep, rough) = _discharge(discharge), _channel(slope, n)
    levels = sections.survey_levels(q.ravel(), x, y, float(steep), float(rough), False)
    return np.asarray(levels).reshape(q.shape)


def critical_stage(discharge: ArrayLike, station: ArrayLike, elevation: ArrayLike) -> FloatArray:
    """Return the elevation of critical flow in a surveyed section [m], the lowest where there are several.

    Parameters and `Raises` as for :func:`normal_stage`.
    """
    x, y = _points(station, elevation)
    q = _discharge(discharge)
    return np.asarray(sections.survey_levels(q.ravel(), x, y, np.nan, np.nan, True)).reshape(q.shape)


def surveyed_flow(
    stage: ArrayLike, station: ArrayLike, elevation: ArrayLike, slope: float, n: float
) -> SectionFlow:
    """Return uniform flow in a surveyed section at given elevations of the water.

    Parameters
    ----------
    stage : array_like
        [m]; below the lowest point the section is dry.
    station, elevation, slope, n
        As for :func:`normal_stage`.

    Raises
    ------
    ValueError
        As :func:`normal_stage`.
    """
    x, y = _points(station, elevation)
    level = _floats(stage)
    steep, rough = _channel(slope, n)
    measures = np.asarray(sections.survey_measures(level.ravel(), x, y)).reshape((*level.shape, 3))
    return _flow(measures[..., 0], measures[..., 1], measures[..., 2], steep, rough)


def tailwater_elevation(discharge: ArrayLike, structures: Structures, row: int) -> FloatArray:
    """Return the elevation of the water below one structure [m], by its rating, section or channel.

    NaN where something needed is not given. Beyond a rating its last piece is drawn on.

    Parameters
    ----------
    discharge : array_like
        [m3/s], 0 or more.
    structures : Structures
    row : int
        Which of them.

    Raises
    ------
    ValueError
        Where a discharge is below 0.
    """
    q = _discharge(discharge)
    one = structures
    lo, hi = int(one.tail_start[row]), int(one.tail_start[row + 1])
    levels = sections.tailwaters(q.ravel(), one.numbers[row], one.tail_x, one.tail_y, lo, hi)
    return np.asarray(levels).reshape(q.shape)


def weir_discharge(head: ArrayLike, tail_head: ArrayLike, crest: CrestShape) -> FloatArray:
    """Return the discharge over crests [m3/s]; sources in `kernels_weirs`.

    Parameters
    ----------
    head, tail_head : array_like
        Water surfaces above and below, over the crest [m]; below 0 where they lie under it.
    crest : CrestShape

    Returns
    -------
    float64 array
        0 where the head is 0 or less, or the tailwater as high: flow back is not worked out.

    Raises
    ------
    ValueError
        Where a number of the crest is out of what is allowed, or shapes do not broadcast.
    """
    flat, shape = _flat([_floats(head), _floats(tail_head), *crest.columns()])
    return np.asarray(weirs.weir_values(False, np.stack(flat, axis=1))).reshape(shape)


def weir_head(discharge: ArrayLike, tail_head: ArrayLike, crest: CrestShape) -> FloatArray:
    """Return heads over crests [m], the inverse of :func:`weir_discharge`.

    Parameters
    ----------
    discharge : array_like
        [m3/s], 0 or more.
    tail_head : array_like
        Water surface below, over the crest [m]; below 0 where it lies under it.
    crest : CrestShape

    Returns
    -------
    float64 array
        At no discharge 0, or the tailwater where that is above the crest. Found to 1e-9 of the fall, else NaN.

    Raises
    ------
    ValueError
        As :func:`weir_discharge`, and where a discharge is below 0.
    """
    flat, shape = _flat([_discharge(discharge), _floats(tail_head), *crest.columns()])
    return np.asarray(weirs.weir_values(True, np.stack(flat, axis=1))).reshape(shape)


def submerged_share(head: ArrayLike, tail_head: ArrayLike, thickness: ArrayLike = 0.0) -> FloatArray:
    """Return the share of the free discharge that a tailwater leaves over the bottom of a crest, 0 to 1.

    Parameters
    ----------
    head, tail_head : array_like
        Water surfaces above and below, over the crest [m].
    thickness : array_like
        Of the crest along the flow [m]; 0 = a thin plate (Villemonte 1947, Engineering News-Record 139: 866-869).

    Raises
    ------
    ValueError
        Where a thickness is below 0, or shapes do not broadcast.
    """
    flat, shape = _flat([_floats(head), _floats(tail_head), _checked("thickness", thickness, 0.0, np.inf)])
    return np.asarray(weirs.submerged_shares(*flat)).reshape(shape)


def sequent_depth(depth: ArrayLike, velocity: ArrayLike) -> FloatArray:
    """Return the depth after a hydraulic jump on a level rectangular bed [m], by conservation of momentum.

    y2 = y1 / 2 (sqrt(1 + 8 Fr1^2) - 1), Belanger's equation (Chow 1959, chapter 15). Water below a weir that is
    deeper than this drowns the jump into a roller that runs back to the weir and holds people and boats.

    Parameters
    ----------
    depth, velocity : array_like
        Of the fast water coming in [m], [m/s].

    Returns
    -------
    float64 array
        `depth` itself where the flow is not faster than critical; NaN where depth is 0.

    Raises
    ------
    ValueError
        Where a depth is below 0, or shapes do not broadcast.
    """
    y, v = np.broadcast_arrays(_checked("depth", depth, 0.0, np.inf), _floats(velocity))
    with np.errstate(divide="ignore", invalid="ignore"):
        froude_squared = np.maximum(v * v / (GRAVITY * y), 1.0)
        return np.asarray(np.where(y > 0.0, 0.5 * y * (np.sqrt(1.0 + 8.0 * froude_squared) - 1.0), np.nan))


def _floats(values: ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def _checked(name: str, values: ArrayLike, low: float, high: float, *, above: bool = False) -> FloatArray:
    """Return values as float64; those out of `low` (left out where `above`) to `high` raise, NaN passes."""
    array = _floats(values)
    wrong = (array < low) | (array > high) | (array == np.inf) | (above & (array == low))
    if wrong.any():
        first = np.atleast_1d(array)[np.atleast_1d(wrong)][0]
        allowed = (
            f"{low:g} to {high:g}" if high < np.inf else f"above {low:g}" if above else f"{low:g} or more"
        )
        count = f"{int(wrong.sum())} of {array.size}"
        raise ValueError(f"{name}: {first:g} was given ({count}); allowed is {allowed}")
    return array


def _discharge(values: ArrayLike) -> FloatArray:
    return _checked("discharge", values, 0.0, np.inf)


def _trapezoid(width: ArrayLike, side: ArrayLike) -> tuple[FloatArray, FloatArray]:
    return _checked("width", width, 0.0, np.inf), _checked("side", side, 0.0, np.inf)


def _channel(slope: ArrayLike, n: ArrayLike) -> tuple[FloatArray, FloatArray]:
    return _checked("slope", slope, 0.0, np.inf, above=True), _checked("n", n, 0.0, np.inf, above=True)


def _points(station: ArrayLike, elevation: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the points of a section; raise where they are none."""
    x, y = np.ascontiguousarray(station, dtype=np.float64), np.ascontiguousarray(elevation, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape or x.size < 2:
        raise ValueError(f"a section has points, two or more: given {x.shape} stations, {y.shape} elevations")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("the stations and elevations of a section must all be known")
    if (np.diff(x) < 0.0).any() or x[-1] == x[0]:
        raise ValueError("stations of a section must ascend from bank to bank; two alike are a vertical step")
    return x, y


def _flat(arrays: list[FloatArray]) -> tuple[list[FloatArray], tuple[int, ...]]:
    """Return arrays broadcast against each other and laid out in a row, and their shape."""
    whole = np.broadcast_arrays(*arrays)
    return [np.ascontiguousarray(a).ravel() for a in whole], whole[0].shape


def _flow(
    area: FloatArray, perimeter: FloatArray, top: FloatArray, slope: FloatArray, n: FloatArray
) -> SectionFlow:
    """Return uniform flow from the measures of sections."""
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = np.where(area == 0.0, 0.0, area / perimeter)
        velocity = radius ** (2.0 / 3.0) * np.sqrt(slope) / n
        froude = np.where(area == 0.0, 0.0 * velocity, velocity / np.sqrt(GRAVITY * area / top))
    return SectionFlow(area * velocity, area, perimeter, top, velocity, froude)
