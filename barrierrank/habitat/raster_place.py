"""Streams laid on the grid of a raster: coordinates in cells, long stretches made to follow the curve of the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from barrierrank.inputs.crs import transformer
from barrierrank.inputs.rasters import Raster
from barrierrank.inputs.report import Report

Floats = NDArray[np.float64]
Objects = NDArray[np.object_]
TOLERANCE_CELLS = 1e-3
"""How far a stretch that is straight in the basin's CRS may be off the straight one in the raster's [cells]."""
NOWHERE = (-10.0, -10.0)
"""Cell coordinates, outside every raster, of what has no place in its CRS."""

_HAIR = 1e-9
"""A share outside smaller than this is rounding."""


@dataclass(frozen=True)
class Grid:
    """The way from the basin's CRS to the cells of a raster.

    Parameters
    ----------
    raster : Raster
    way : Transformer or None
        None where both are in one CRS.
    """

    raster: Raster
    way: Transformer | None

    @classmethod
    def of(cls, raster: Raster, basin_crs: CRS, report: Report) -> Grid:
        """Find the way.

        Raises
        ------
        InputError
            When there is none.
        """
        if raster.crs.equals(basin_crs, ignore_axis_order=True):
            return cls(raster, None)
        return cls(raster, transformer(basin_crs, raster.crs, report))

    def to_raster(self, xy: Floats) -> Floats:
        """Return places in the CRS of the raster, (k, 2); not finite where they have none there."""
        if self.way is None:
            return xy
        out = np.column_stack(self.way.transform(xy[:, 0], xy[:, 1]))
        west, _, east, _ = self.raster.bounds
        if self.raster.crs.is_geographic:  # longitudes may be counted from 0 to 360
            out[:, 0] += 360.0 * ((out[:, 0] < west) & (out[:, 0] + 360.0 <= east))
        return out

    def to_cells(self, xy: Floats) -> Floats:
        """Return columns and rows, (k, 2), of places in the basin's CRS; counted from the corner of the first cell."""
        placed = self.to_raster(xy)
        back = ~self.raster.transform
        column = back.a * placed[:, 0] + back.b * placed[:, 1] + back.c
        row = back.d * placed[:, 0] + back.e * placed[:, 1] + back.f
        out = np.column_stack((column, row))
        out[~np.isfinite(out).all(axis=1)] = NOWHERE
        return out

    def follow(self, geometry: Objects) -> Objects:
        """Return geometries with vertices added where a straight stretch is bent in the CRS of the raster.

        Parameters
        ----------
        geometry : (n,) object
            In the basin's CRS.
        """
        if self.way is None:
            return geometry
        xy, of = shapely.get_coordinates(geometry, return_index=True)
        if len(xy) < 2:
            return geometry
        placed = self.to_cells(xy)
        middle = self.to_cells(0.5 * (xy[1:] + xy[:-1]))
        off = np.hypot(*(middle - 0.5 * (placed[1:] + placed[:-1])).T)
        somewhere = (placed != NOWHERE).all(axis=1)
        bent = (of[1:] == of[:-1]) & (off > TOLERANCE_CELLS) & somewhere[1:] & somewhere[:-1]
        if not bent.any():
            return geometry
        length = np.hypot(*(xy[1:] - xy[:-1]).T)[bent]
        # what a chord is off grows with the square of its length
        longest = float((length * np.sqrt(TOLERANCE_CELLS / off[bent])).min())
        return np.asarray(shapely.segmentize(geometry, longest), dtype=object)

    def place(self, geometry: Objects) -> Objects:
        """Return geometries in cell units: x = column, y = row.

        Parameters
        ----------
        geometry : (n,) object
            In the basin's CRS, two dimensions.
        """
        followed = self.follow(geometry)
        cells = self.to_cells(shapely.get_coordinates(followed))
        return np.asarray(shapely.set_coordinates(followed.copy(), cells), dtype=object)


def outside_share(placed: Objects, shape: tuple[int, int]) -> Floats:
    """Return the share of each line that lies outside the raster, (n,).

    Parameters
    ----------
    placed : (n,) object
        LineStrings in cell units.
    shape : tuple of (int, int)
        Rows, columns.
    """
    rows, columns = shape
    x0, y0, x1, y1 = shapely.bounds(placed).T
    out = np.where((x0 > columns) | (y0 > rows) | (x1 < 0) | (y1 < 0), 1.0, 0.0)
    crossing = (out == 0.0) & ((x0 < 0) | (y0 < 0) | (x1 > columns) | (y1 > rows))
    some = placed[crossing]
    kept = shapely.length(shapely.clip_by_rect(some, 0, 0, columns, rows))
    share = 1.0 - kept / shapely.length(some)
    out[crossing] = np.where(share > _HAIR, np.minimum(share, 1.0), 0.0)
    return out
