"""Values of the raster cells under lines, weighted by the length in each cell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from barrierrank.habitat import kernels_cells
from barrierrank.habitat.raster_place import Grid
from barrierrank.inputs.rasters import RasterReader

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Objects = NDArray[np.object_]

MOST_PIECES = 4_000_000
"""Pieces of lines held at a time."""


@dataclass(frozen=True, eq=False)
class CellValues:
    """Cells under the lines of one batch.

    Parameters
    ----------
    lines : slice
        Which lines.
    starts : (n + 1,) int64
        Line i has the entries ``starts[i]`` to ``starts[i + 1] - 1``.
    value : (p,) float64
        NaN where there are no data, or outside the raster.
    weight : (p,) float64
        Length in the cell [m]; 1 for a line without length.
    """

    lines: slice
    starts: Ints
    value: Floats
    weight: Floats


def cells_under_lines(lines: Objects, grid: Grid, reader: RasterReader) -> Iterator[CellValues]:
    """Cut lines at the edges of cells and look up the cells, batch by batch.

    Parameters
    ----------
    lines : (n,) object
        LineStrings in the basin's CRS [m].
    grid : Grid
    reader : RasterReader
    """
    shape = grid.raster.shape
    followed = grid.follow(lines)
    xy = shapely.get_coordinates(followed)
    offsets = np.zeros(lines.size + 1, dtype=np.int64)
    np.cumsum(shapely.get_num_coordinates(followed), out=offsets[1:])
    metres = np.zeros(len(xy))
    metres[:-1] = np.hypot(*(xy[1:] - xy[:-1]).T)
    cells = grid.to_cells(xy)
    most = kernels_cells.most_pieces(cells, offsets, *shape)
    for a, b in _batches(most):
        starts, pieces = kernels_cells.merged(
            *kernels_cells.pieces_in_cells(cells, metres, offsets[a : b + 1], *shape, int(most[a:b].sum()))
        )
        value = values_at(pieces[:, 0].astype(np.int64), reader)
        yield CellValues(slice(a, b), starts, value, pieces[:, 1].copy())


def _batches(most: Ints) -> Iterator[tuple[int, int]]:
    """Cut lines in runs of at most `MOST_PIECES` pieces, one line at least."""
    done = np.concatenate(([0], np.cumsum(most)))
    a = 0
    while a < most.size:
        b = max(a + 1, int(np.searchsorted(done, done[a] + MOST_PIECES, side="right")) - 1)
        yield a, b
        a = b


def values_at(cell: Ints, reader: RasterReader) -> Floats:
    """Return the values of cells, (p,); each tile of the raster is read once.

    Parameters
    ----------
    cell : (p,) int64
        Row times columns plus column; -1 gives NaN.
    reader : RasterReader
    """
    raster = reader.raster
    out = np.full(cell.size, np.nan)
    row, column = np.divmod(cell, raster.shape[1])
    across = -(-raster.shape[1] // raster.tile[1])
    tile = np.where(cell < 0, -1, row // raster.tile[0] * across + column // raster.tile[1])
    order = np.argsort(tile, kind="stable")
    cuts = np.flatnonzero(np.diff(tile[order])) + 1
    for mine in np.split(order, cuts):
        if mine.size and tile[mine[0]] >= 0:
            r, c = row[mine], column[mine]
            top, left = int(r.min()), int(c.min())
            block = reader.read((top, int(r.max()) + 1), (left, int(c.max()) + 1))
            out[mine] = block[r - top, c - left]
    return out
