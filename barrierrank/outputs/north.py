"""Which way true north lies on a map."""

from __future__ import annotations

import math
from typing import Any

from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

MOST_TURN = math.radians(10)


def north_angle(crs: Any, bounds: tuple[float, float, float, float]) -> float | None:
    """Return the direction of true north at the middle of a map, clockwise from straight up [radians].

    Parameters
    ----------
    crs : pyproj.CRS or what it takes
        Projected, metres.
    bounds : tuple of float
        Smallest x and y, largest x and y [m].

    Returns
    -------
    float or None
        None where the map is not north-up (first axis not east or second not north), where north differs by
        more than 10 degrees between its corners and its middle, or where it cannot be worked out.
    """
    if crs is None:
        return None
    known = CRS.from_user_input(crs)
    axes = [a.direction.lower() for a in known.axis_info[:2]]
    # data is drawn x first whatever the axes' order in the register; south or west axes are not north-up
    if not known.is_projected or sorted(axes) != ["east", "north"]:
        return None
    x0, y0, x1, y1 = bounds
    middle = _bearing(known, (x0 + x1) / 2, (y0 + y1) / 2)
    corners = [_bearing(known, x, y) for x in (x0, x1) for y in (y0, y1)]
    if middle is None or any(c is None or abs(_turn(c - middle)) > MOST_TURN for c in corners):
        return None
    return middle


def _bearing(crs: CRS, x: float, y: float) -> float | None:
    """Step a little north on the ground and see which way that goes on the map."""
    geodetic = crs.geodetic_crs
    if geodetic is None:
        return None
    try:
        there = Transformer.from_crs(crs, geodetic, always_xy=True)
        lon, lat = there.transform(x, y, errcheck=True)
        if abs(lat) > 89.9:
            return None
        ahead_x, ahead_y = there.transform(lon, lat + 0.001, direction="INVERSE", errcheck=True)
    except ProjError:
        return None
    angle = math.atan2(ahead_x - x, ahead_y - y)
    return angle if math.isfinite(angle) else None


def _turn(angle: float) -> float:
    return math.remainder(angle, 2 * math.pi)
