"""Elevations, or any other numbers, of points from a raster: bilinear, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray
from rasterio.windows import Window

from barrierrank.problems import InputError, Problem

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Sample = Callable[[Floats, Floats], Floats]

MOST_CELLS = 1 << 20
"""Cells read at a time, unless one block of the file has more."""


def raster_sampler(path: Path, band: int, *, basin_crs: pyproj.CRS) -> Sample:
    """Return a function that interpolates a raster at points, bilinearly between the centres of cells.

    Parameters
    ----------
    path : Path
        Any raster that GDAL reads.
    band : int
        Number of the band, from 1.
    basin_crs : pyproj.CRS
        Coordinate system of the points; they are brought to that of the raster.

    Returns
    -------
    callable
        Takes x (k,) and y (k,) and returns values (k,), NaN off the raster and in cells without data. Beside such
        cells the others are weighted up. Scale and offset of the band are applied.

    Raises
    ------
    InputError
        When the raster cannot be read, has no such band or no coordinate system; by the function returned, when
        none of the points lies on the raster.

    Notes
    -----
    Points are sorted by block and each block is read once with a margin of one cell: memory is that of the points and
    of one block (or of about a million cells, whichever is more), whatever the size of the raster.
    """
    with opened(path, band) as source:
        crs = raster_crs(source, path)

    def sample(x: Floats, y: Floats) -> Floats:
        to_raster = pyproj.Transformer.from_crs(basin_crs, crs, always_xy=True)
        with opened(path, band) as source:
            col, row = cells_of(source, *to_raster.transform(x, y))
            on = (col >= 0.0) & (col <= source.width) & (row >= 0.0) & (row <= source.height)
            if x.size and not on.any():
                raise _fault(
                    path, "raster_apart", "no stream lies on the raster", "check its place and its CRS"
                )
            out = np.full(x.size, np.nan)
            if x.size:
                out[on] = _interpolated(source, band, col[on], row[on])
        return out

    return sample


def opened(path: Path, band: int) -> Any:
    """Open a raster that has the band.

    Raises
    ------
    InputError
    """
    try:
        source = rasterio.open(path)
    except (rasterio.errors.RasterioIOError, OSError) as error:
        raise _fault(path, "raster_unreadable", str(error), "check path") from error
    if not 1 <= band <= source.count:
        with source:
            message = f"band {band} was given; the raster has bands 1 to {source.count}"
            raise _fault(path, "raster_band", message, "check band")
    return source


def raster_crs(source: Any, path: Path) -> pyproj.CRS:
    """Return the coordinate system of an open raster.

    Raises
    ------
    InputError
        Where it has none.
    """
    if source.crs is None:
        raise _fault(
            path, "no_crs", "the raster has no coordinate system", "set it in the file, e.g. by gdal_edit"
        )
    return pyproj.CRS.from_wkt(source.crs.to_wkt())


def cells_of(source: Any, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return column and row of places in the raster's CRS; a cell's centre is at halves, NaN is nowhere."""
    x, y, back = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64), ~source.transform
    with np.errstate(invalid="ignore"):  # places that the projection cannot reach are infinite
        col, row = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
    known = np.isfinite(col) & np.isfinite(row)
    return np.where(known, col, np.nan), np.where(known, row, np.nan)


def _fault(path: Path, kind: str, message: str, remedy: str) -> InputError:
    return InputError([Problem("error", kind, message, remedy, where=Path(path).name)])


@dataclass(frozen=True)
class _Tiles:
    """Whole blocks of a raster, as many as come to about `MOST_CELLS`; `high` rows by `wide` columns of cells."""

    high: int
    wide: int
    width: int

    @classmethod
    def of(cls, source: Any, band: int) -> _Tiles:
        block_high, block_wide = source.block_shapes[band - 1]
        wide = min(block_wide * max(1, 1024 // block_wide), source.width)
        high = min(block_high * max(1, MOST_CELLS // wide // block_high), source.height)
        return cls(high, wide, source.width)

    def number(self, row: Ints, col: Ints) -> Ints:
        """Return the tile each cell lies in."""
        return row // self.high * (-(-self.width // self.wide)) + col // self.wide

    def corner(self, tile: int) -> tuple[int, int]:
        """Return first row and column of a tile."""
        down, across = divmod(tile, -(-self.width // self.wide))
        return down * self.high, across * self.wide


def _interpolated(source: Any, band: int, col: Floats, row: Floats) -> Floats:
    """Return values at places on the raster."""
    tiles = _Tiles.of(source, band)
    own_col = np.minimum(col.astype(np.int64), source.width - 1)
    own_row = np.minimum(row.astype(np.int64), source.height - 1)
    tile = tiles.number(own_row, own_col)
    out = np.empty(col.size)
    for number, points in _groups(tile):
        first_row, first_col = tiles.corner(number)
        top, left = max(first_row - 1, 0), max(first_col - 1, 0)
        bottom = min(first_row + tiles.high + 1, source.height)
        right = min(first_col + tiles.wide + 1, source.width)
        z = _read(source, band, Window(left, top, right - left, bottom - top))
        known = ~np.isnan(z[own_row[points] - top, own_col[points] - left])
        value = _bilinear(z, col[points] - 0.5 - left, row[points] - 0.5 - top)
        out[points] = np.where(known, value, np.nan)
    return out


def _groups(tile: Ints) -> Iterator[tuple[int, Ints]]:
    order = np.argsort(tile, kind="stable")
    starts = np.flatnonzero(np.diff(tile[order], prepend=-1))
    for points in np.split(order, starts[1:]):
        yield int(tile[points[0]]), points


def _read(source: Any, band: int, window: Window) -> Floats:
    """Return a window of the band, NaN for cells without data."""
    cells = source.read(band, window=window, masked=True)
    z = np.asarray(cells.filled(0), dtype=np.float64) * source.scales[band - 1] + source.offsets[band - 1]
    z[np.ma.getmaskarray(cells)] = np.nan
    return np.asarray(z)


def _bilinear(z: Floats, col: Floats, row: Floats) -> Floats:
    """Interpolate between the four cells around each place; cells without data are left out of the weights."""
    col, row = np.clip(col, 0.0, z.shape[1] - 1.0), np.clip(row, 0.0, z.shape[0] - 1.0)
    left, top = col.astype(np.int64), row.astype(np.int64)
    right, bottom = np.minimum(left + 1, z.shape[1] - 1), np.minimum(top + 1, z.shape[0] - 1)
    across, down = col - left, row - top
    total, weight = np.zeros(col.size), np.zeros(col.size)
    for r, c, share in (
        (top, left, (1.0 - down) * (1.0 - across)),
        (top, right, (1.0 - down) * across),
        (bottom, left, down * (1.0 - across)),
        (bottom, right, down * across),
    ):
        value = z[r, c]
        known = ~np.isnan(value)
        total += np.where(known, value, 0.0) * share
        weight += np.where(known, share, 0.0)
    return np.where(weight > 0.0, total, np.nan) / np.where(weight > 0.0, weight, 1.0)
