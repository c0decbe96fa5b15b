"""What fish can do, as numbers: endurance against speed, leaps, and the row of traits that the kernels judge by.

Speeds measured in a swim chamber, where fish are forced to swim, are mostly below what fish do of their own will in an
open channel (Peake 2008, N. Am. J. Fish. Manage. 28; Castro-Santos, Sanz-Ronda & Ruiz-Legazpi 2013, Can. J. Fish.
Aquat. Sci. 70:280-293). For natives that errs on the safe side; where an invader is to be stopped it does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_fish as k

if TYPE_CHECKING:
    from barrierrank.project import SpeciesSpec
    from barrierrank.project_passage import SwimmingSpec

FloatArray = NDArray[np.float64]
Points = Sequence[Sequence[float]]

LEAP_ANGLE_DEG = 60.0


def traits_of(species: Sequence[SpeciesSpec]) -> FloatArray:
    """Return what each species can do.

    Parameters
    ----------
    species : sequence of SpeciesSpec
        S of them; `wait_days` comes from their run, all else from their swimming.

    Returns
    -------
    (S, TRAITS) float64
        Columns as in `kernels_fields`; rows of species without swimming are NaN but for WAIT_DAYS, and no verdict is
        known for them.

    Raises
    ------
    ValueError
        Naming the species: a leaper without leap, speeds in lengths without a length, endurance points that are none,
        a change per degree without the temperature it counts from.
    """
    out = np.full((len(species), f.TRAITS), np.nan)
    for i, one in enumerate(species):
        if one.swimming is not None:
            try:
                out[i] = _row(one.swimming)
            except ValueError as error:
                raise ValueError(f"species {one.key}: {error}") from None
        out[i, f.WAIT_DAYS] = 0.0 if one.run is None else float(one.run.wait_days)
    return out


def _row(spec: SwimmingSpec) -> FloatArray:
    """Return the traits of one species."""
    row = np.full(f.TRAITS, np.nan)
    row[f.LEAPS] = float(spec.moves == "leaps")
    if spec.moves == "leaps":
        row[f.LEAP] = _leap(spec)
    elif spec.required_drop_m is not None:
        row[f.REQUIRED_DROP] = spec.required_drop_m
        lip = spec.required_drop_lip_m
        row[f.REQUIRED_DROP_LIP] = spec.required_drop_m if lip is None else lip
    row[f.POOL_SHARE], row[f.POOL_LEAST] = spec.pool_share, spec.pool_least_m
    row[f.DEPTH_LEAST] = spec.depth_least_m
    row[f.VELOCITY_SHARE] = spec.velocity_share
    if spec.warmth_per_deg != 0.0 and spec.warmth_at_c is None:
        raise ValueError(
            "warmth_per_deg is given without warmth_at_c, the temperature the speeds are given for"
        )
    row[f.WARMTH] = spec.warmth_per_deg
    row[f.WARMTH_AT] = np.nan if spec.warmth_at_c is None else spec.warmth_at_c
    scale = 1.0
    if spec.speed_unit == "lengths/s" and (spec.burst or spec.prolonged):
        if spec.length_m is None:
            raise ValueError("speeds in lengths/s need length_m")
        scale = spec.length_m
    row[f.PROLONGED_A : f.PROLONGED_TO + 1] = _line("prolonged", spec.prolonged, scale)
    row[f.BURST_A : f.BURST_TO + 1] = _line("burst", spec.burst, scale)
    return row


def _leap(spec: SwimmingSpec) -> float:
    """Return the greatest rise of a leaper [m]."""
    if spec.leap_m is not None:
        return spec.leap_m
    if spec.leap_speed_ms is None:
        raise ValueError("a fish that leaps needs leap_m or leap_speed_ms")
    return float(leap_height([spec.leap_speed_ms], angle_deg=spec.leap_angle_deg)[0])


def _line(name: str, points: Points, scale: float) -> tuple[float, float, float, float]:
    """Return A, B, FROM and TO of a line of endurance, NaN where no point is given.

    One point says how long that speed and every lower one is held at least: FROM is then 0 and the line level.
    """
    if not points:
        return np.nan, np.nan, np.nan, np.nan
    scaled = [(speed * scale, seconds) for speed, seconds in points]
    try:
        a, b = endurance_line(scaled)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None
    speeds = [speed for speed, _ in scaled]
    return a, b, min(speeds) if len(speeds) > 1 else 0.0, max(speeds)


def endurance_line(points: Points) -> tuple[float, float]:
    """Return a and b of ln T = a + b U through points of endurance, by least squares of ln T where they are over two.

    Parameters
    ----------
    points : sequence of (speed, seconds)
        Speed through the water [m/s] and how long it is held [s].

    Returns
    -------
    a : float
        T in seconds, U in m/s.
    b : float
        Below 0; 0 for one point.

    Raises
    ------
    ValueError
        When there is no point, a number is not above 0, all speeds are equal, or greater speeds are held longer.

    References
    ----------
    Castro-Santos 2005, J. Exp. Biol. 208:421-432.
    """
    given = np.array([tuple(p) for p in points], dtype=np.float64).reshape(-1, 2)
    if not len(given):
        raise ValueError("no points are given, at least one is needed: [[speed, seconds], [speed, seconds]]")
    if not (np.isfinite(given).all() and (given > 0.0).all()):
        raise ValueError(f"given {given.tolist()}, allowed: speeds and seconds above 0")
    u, log_t = given[:, 0], np.log(given[:, 1])
    if len(given) == 1:
        return float(log_t[0]), 0.0
    off = u - u.mean()
    if not off.any():
        raise ValueError(f"given {given.tolist()}, allowed: points of different speeds")
    b = float(off @ (log_t - log_t.mean()) / (off @ off))
    if b >= 0.0:
        raise ValueError(f"given {given.tolist()}, allowed: fewer seconds at the greater speed")
    return float(log_t.mean() - b * u.mean()), b


def greatest_velocity(
    distance: ArrayLike, traits: FloatArray, *, temperature: ArrayLike = np.nan
) -> FloatArray:
    """Return the greatest even mean velocity against which a fish covers a distance in one go.

    Parameters
    ----------
    distance : (n,) float64
        [m]
    traits : (TRAITS,) float64
        A row of :func:`traits_of`.
    temperature : (n,) or () float64
        Of the water [deg C]; NaN = speeds as given.

    Returns
    -------
    (n,) float64
        [m/s]; inf where no endurance is known.
    """
    way, heat = np.broadcast_arrays(_array(distance), _array(temperature))
    return np.array(
        [k.greatest_velocity(d, t, traits) for d, t in zip(way.ravel(), heat.ravel(), strict=True)]
    )


def greatest_distance(
    velocity: ArrayLike, traits: FloatArray, *, temperature: ArrayLike = np.nan
) -> FloatArray:
    """Return how far a fish gets in one go against a mean velocity: the greatest (U - v) T(U) over both its lines.

    Parameters
    ----------
    velocity : (n,) float64
        Mean velocity of the water [m/s]; `velocity_share` of the species is applied to it.
    traits : (TRAITS,) float64
    temperature : (n,) or () float64
        [deg C]; NaN = speeds as given.

    Returns
    -------
    (n,) float64
        [m]; inf where it holds out without end, 0 where it makes no way.
    """
    return _ways(velocity, traits, temperature)[0]


def best_ground_speed(
    velocity: ArrayLike, traits: FloatArray, *, temperature: ArrayLike = np.nan
) -> FloatArray:
    """Return the speed over the ground that takes a fish farthest; -1 / b wherever the ends of its lines allow.

    Parameters
    ----------
    velocity, traits, temperature
        As for :func:`greatest_distance`.

    Returns
    -------
    (n,) float64
        [m/s]; NaN where it makes no way or no endurance is known.

    References
    ----------
    Castro-Santos 2005, J. Exp. Biol. 208:421-432.
    """
    _, speed = _ways(velocity, traits, temperature)
    met = np.broadcast_arrays(_array(velocity), _array(temperature))[0].ravel() * traits[f.VELOCITY_SHARE]
    return np.asarray(speed - met)


def _ways(velocity: ArrayLike, traits: FloatArray, temperature: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return greatest distances and the swimming speeds they are made at."""
    v, heat = np.broadcast_arrays(_array(velocity), _array(temperature))
    share = traits[f.VELOCITY_SHARE]
    pairs = [
        k.greatest_way(x * share, k.warmth_factor(t, traits), traits)
        for x, t in zip(v.ravel(), heat.ravel(), strict=True)
    ]
    out = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    return out[:, 0], out[:, 1]


def leap_height(speed: ArrayLike, *, angle_deg: float = LEAP_ANGLE_DEG) -> FloatArray:
    """Return how high a fish gets that leaves the water at a speed and an angle: (v sin a)^2 / 2 g.

    Parameters
    ----------
    speed : (n,) float64
        [m/s]
    angle_deg : float
        To the surface of the water, above 0 and up to 90 [degrees].

    Returns
    -------
    (n,) float64
        Above the surface it leaps from [m].

    Raises
    ------
    ValueError
        When the angle is none of these.

    References
    ----------
    Powers & Orsborn 1985, Bonneville Power Administration project 82-14; flight without drag.
    """
    return np.asarray((_array(speed) * np.sin(_angle(angle_deg))) ** 2 / (2.0 * f.GRAVITY))


def leap_reach(speed: ArrayLike, *, angle_deg: float = LEAP_ANGLE_DEG) -> FloatArray:
    """Return how far off a fish is at the top of its leap: v^2 sin 2a / 2 g.

    Parameters
    ----------
    speed, angle_deg
        As for :func:`leap_height`, which names errors and source too.

    Returns
    -------
    (n,) float64
        From where it leaves the water, along the surface [m].
    """
    return np.asarray(_array(speed) ** 2 * np.sin(2.0 * _angle(angle_deg)) / (2.0 * f.GRAVITY))


def leap_speed(height: ArrayLike, *, angle_deg: float = LEAP_ANGLE_DEG) -> FloatArray:
    """Return the speed a leap to a height takes, the inverse of :func:`leap_height`.

    Parameters
    ----------
    height : (n,) float64
        [m]
    angle_deg : float
        As for :func:`leap_height`, which names errors and source too.

    Returns
    -------
    (n,) float64
        [m/s]
    """
    return np.asarray(np.sqrt(2.0 * f.GRAVITY * _array(height)) / np.sin(_angle(angle_deg)))


def _angle(degrees: float) -> float:
    if not 0.0 < degrees <= 90.0:
        raise ValueError(f"angle_deg: given {degrees:g}, allowed: above 0 and up to 90")
    return float(np.deg2rad(degrees))


def _array(values: ArrayLike) -> FloatArray:
    return np.atleast_1d(np.asarray(values, dtype=np.float64))
