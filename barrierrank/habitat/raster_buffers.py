"""Zonal statistics of areas by exactextract, fed group by group from blocks that are read once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely
from exactextract import exact_extract
from exactextract.feature import Feature, FeatureSource
from exactextract.raster import RasterSource
from exactextract.writer import Writer
from numpy.typing import NDArray

from barrierrank.inputs.rasters import RasterReader

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Objects = NDArray[np.object_]

LARGE_CELLS = 1_000_000
"""An area whose box holds more cells than this, or is longer than `LARGE_SIDE`, is read by itself, piece by piece."""
LARGE_SIDE = 2048


class _Source(RasterSource):
    """The raster as exactextract sees it: cells of size 1, y up, cut from the block held in memory."""

    def __init__(self, reader: RasterReader) -> None:
        super().__init__()
        self._reader = reader
        self._block: Floats = np.empty((0, 0))
        self._corner = (0, 0)

    def hold(self, rows: tuple[int, int], columns: tuple[int, int]) -> None:
        self._block = self._reader.read(rows, columns)
        self._corner = (rows[0], columns[0])

    def res(self) -> tuple[float, float]:
        return 1.0, 1.0

    def extent(self) -> tuple[float, float, float, float]:
        rows, columns = self._reader.raster.shape
        return 0.0, 0.0, float(columns), float(rows)

    def nodata_value(self) -> None:
        return None  # cells without data are NaN

    def srs_wkt(self) -> None:
        return None

    def read_window(self, x0: int, y0: int, nx: int, ny: int) -> Floats:
        top, left = y0 - self._corner[0], x0 - self._corner[1]
        held_rows, held_columns = self._block.shape
        if top < 0 or left < 0 or top + ny > held_rows or left + nx > held_columns:
            return self._reader.read((y0, y0 + ny), (x0, x0 + nx))
        return self._block[top : top + ny, left : left + nx]


class _Area(Feature):
    """One area; the way over GeoJSON that exactextract has ready takes as long as the statistics."""

    def __init__(self, wkb: bytes) -> None:
        Feature.__init__(self)
        self._wkb = wkb

    def geometry(self) -> bytes:
        return self._wkb

    def fields(self) -> list[str]:
        return []


class _Areas(FeatureSource):
    def __init__(self, wkb: Sequence[bytes]) -> None:
        super().__init__()
        self._wkb = wkb

    def count(self) -> int:
        return len(self._wkb)

    def __iter__(self) -> Iterator[_Area]:
        for wkb in self._wkb:
            yield _Area(wkb)

    def srs_wkt(self) -> None:
        return None


class _Row(Feature):
    """Statistics of one area as exactextract writes them."""

    def __init__(self) -> None:
        Feature.__init__(self)
        self.found: dict[str, Any] = {}

    def set(self, name: str, value: Any) -> None:
        self.found[name] = value

    def set_geometry(self, _: Any) -> None:
        return None

    def set_geometry_format(self) -> str:
        return "wkb"

    def fields(self) -> list[str]:
        return []


class _Rows(Writer):
    def __init__(self) -> None:
        super().__init__()
        self.rows: list[dict[str, Any]] = []

    def add_operation(self, operation: Any) -> None:
        """Nothing to prepare."""

    def write(self, feature: Any) -> None:
        row = _Row()
        feature.copy_to(row)
        self.rows.append(row.found)

    def features(self) -> list[dict[str, Any]]:
        return self.rows


def zonal_statistics(
    areas: Objects, operations: Sequence[str], reader: RasterReader
) -> Iterator[tuple[Ints, list[dict[str, Any]]]]:
    """Summarise the cells of areas by exactextract, cells that are covered in part counting by the part.

    Parameters
    ----------
    areas : (n,) object
        Polygons in cell units (x = column, y = row).
    operations : sequence of str
        Operations of exactextract.
    reader : RasterReader

    Yields
    ------
    which : (m,) int64
        Areas of one group; those that do not touch the raster come in none.
    found : list of m dict
        What exactextract says of each; a statistic of no data is missing or NaN.
    """
    rows = reader.raster.shape[0]
    upright = shapely.transform(areas, lambda xy: np.column_stack((xy[:, 0], rows - xy[:, 1])))
    wkb = shapely.to_wkb(upright)
    source = _Source(reader)
    for which, window in _groups(areas, reader):
        if window is not None:
            source.hold(*window)
        writer = _Rows()
        found = exact_extract(
            source,
            _Areas(wkb[which]),
            list(operations),
            output=writer,
            max_cells_in_memory=4 * LARGE_CELLS,
        )
        yield which, found


Window = tuple[tuple[int, int], tuple[int, int]]


def _groups(areas: Objects, reader: RasterReader) -> Iterator[tuple[Ints, Window | None]]:
    """Put areas together by the tile their middle is in; large ones come last, without a window."""
    (rows, columns), (high, wide) = reader.raster.shape, reader.raster.tile
    x0, y0, x1, y1 = shapely.bounds(areas).T
    near = np.flatnonzero((x1 > 0) & (y1 > 0) & (x0 < columns) & (y0 < rows))
    # a cell more on each side: exactextract may reach for it where an area ends on an edge
    left, right = np.clip((np.floor(x0[near]) - 1, np.ceil(x1[near]) + 1), 0, columns).astype(np.int64)
    top, bottom = np.clip((np.floor(y0[near]) - 1, np.ceil(y1[near]) + 1), 0, rows).astype(np.int64)
    side_x, side_y = right - left, bottom - top
    large = (side_x * side_y > LARGE_CELLS) | (np.maximum(side_x, side_y) > LARGE_SIDE)
    tile = (top + bottom) // 2 // high * -(-columns // wide) + (left + right) // 2 // wide
    tile[large] = np.iinfo(np.int64).max
    order = np.argsort(tile, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(tile[order])) + 1):
        if mine.size == 0:
            continue
        window = (
            (int(top[mine].min()), int(bottom[mine].max())),
            (int(left[mine].min()), int(right[mine].max())),
        )
        yield near[mine], None if large[mine[0]] else window
