"""Drainage area of every reach where the lines have none: from catchments, or from a DEM."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pyproj
from numpy.typing import NDArray

from barrierrank.habitat import kernels_drainage
from barrierrank.habitat.amounts import share_of_line
from barrierrank.inputs.sampling import cells_of, opened, raster_crs
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import InputError, Problem, UsageError

Floats = NDArray[np.float64]

CLEAR_CELLS = (2.5, 4.0, 6.0)
"""How far above a junction [cells] a reach is read, so that the larger river is not within one cell."""
MOST_GROWTH = 2.0
"""An area that grows more than so many times from one such place to the next lower one is the larger river's."""
METRES_PER_DEGREE = 111_320.0
NOTHING = np.float32(-9999.0)


def area_from_catchments(network: RiverNetwork, lines_row_area_km2: Floats) -> Floats:
    """Return the drainage area at the foot of every reach, (n,) [km2]: all that drains to it, each catchment once.

    The catchment of a line is shared out among its reaches by their length along the line, as if water came to it
    evenly on its way.

    Parameters
    ----------
    network : RiverNetwork
    lines_row_area_km2 : (rows,) float64
        Area [km2] that drains straight to each line of the lines table; NaN and negative values count as nothing, as
        short connecting lines often have no catchment of their own.

    Returns
    -------
    (n,) float64
        NaN where neither a reach nor anything above it has a catchment.

    Raises
    ------
    ValueError
        When a reach comes from a row beyond those given.

    Notes
    -----
    On a braid both arms drain to what lies below, once; each arm has all that lies above the split.
    """
    given = np.asarray(lines_row_area_km2, dtype=np.float64)
    if len(network) and network.row.max() >= given.size:
        raise ValueError(f"areas of {given.size} lines were given, but a reach is of row {network.row.max()}")
    own = np.where(given > 0.0, given, 0.0)[network.row] * share_of_line(network)
    total = network.upstream_sum(own[:, None])[:, 0]
    return np.where(total > 0.0, total, np.nan)


def area_from_dem(
    path: Path, band: int, network: RiverNetwork, basin_crs: pyproj.CRS, *, deepest_pit_m: float | None = None
) -> Floats:
    """Return the drainage area at the foot of every reach, (n,) [km2], from the flow directions of a DEM.

    1. Every cell flows to one of its eight neighbours, pits filled from their lowest rim (Wang and Liu 2006,
       doi:10.1080/13658810500433453); upstream area is counted in cells.
    2. A reach has the greatest upstream area within one cell of its foot. Above a junction or a mouth it is read 2.5
       cells higher up, where the larger river is not within one cell. Where streams meet at a sharp angle it still may
       be: an area more than twice that of 4 (or 6) cells up, with no junction between, gives way to that one.
    3. A reach too short for that has the sum of what flows into it; without inflows, the area of the cell at its top.
    4. No reach has less than those it is the main course of.

    Parameters
    ----------
    path : Path
        DEM of any format GDAL reads. It must reach beyond the divide: what lies off it is not counted.
    band : int
        Number of the band, from 1.
    network : RiverNetwork
    basin_crs : pyproj.CRS
        Coordinate system of the network; its places are brought to that of the DEM, which is not resampled. Cells
        of a geographic DEM have the area of their latitude.
    deepest_pit_m : float, optional
        Pits deeper than this [m] are kept and swallow what flows there (quarries, sinkholes); without it all
        are filled.

    Returns
    -------
    (n,) float64
        NaN off the DEM and where it has no data, unless something above is known.

    Raises
    ------
    UsageError
        When pyflwdir, the extra ``terrain``, is not installed.
    InputError
        When the DEM cannot be read, or no reach lies on it.

    Notes
    -----
    Flow directions cannot be found piecemeal: the whole DEM is held in memory with some 50 bytes per cell, 5 GB for
    10,000 x 10,000 cells. A DEM never parts its water: on a braid the arm it does not follow has an area near zero.
    """
    flow_library = _flow_library()
    with opened(path, band) as source:
        crs = raster_crs(source, path)
        to_dem = pyproj.Transformer.from_crs(basin_crs, crs, always_xy=True)
        cell_m = _cell_size_m(source, crs)
        area = _upstream_area(flow_library, source, band, crs, deepest_pit_m)
        read = [
            _greatest_around(area, *cells_of(source, *to_dem.transform(*_places(network, up).T)), cells=cells)
            for up, cells in _where_to_read(network, cell_m)
        ]
    if len(network) and np.isnan(read[0]).all():
        message = "no stream lies on the DEM where it has data"
        raise InputError(
            [Problem("error", "raster_apart", message, "check its place and its CRS", Path(path).name)]
        )
    top, near = read[-1], read[0]
    for higher in read[1:-1]:
        near = np.where(near > MOST_GROWTH * higher, higher, near)
    short = network.end_m - network.start_m < _clear_of_junctions(network, CLEAR_CELLS[0] * cell_m)
    return kernels_drainage.areas_downstream(
        near, top, short, network.head, network.main_below, network.order, network.below
    )


def _flow_library() -> ModuleType:
    try:
        import pyflwdir  # type: ignore[import-untyped]  # noqa: PLC0415
    except ImportError as error:
        message = (
            "drainage areas from a DEM need pyflwdir, which is not installed -> "
            "pip install 'barrierrank[terrain]', or give drainage_area or [catchments]"
        )
        raise UsageError(message) from error
    return pyflwdir  # type: ignore[no-any-return]


def _clear_of_junctions(network: RiverNetwork, clear_m: float) -> Floats:
    """Return how far above its foot each reach is read [m]: 0 where it simply goes on, as at a site."""
    flows_in = np.bincount(network.head, minlength=network.nodes)[network.head]
    flows_out = np.bincount(network.tail, minlength=network.nodes)[network.head]
    return np.where((flows_in == 1) & (flows_out == 1), 0.0, clear_m)


def _where_to_read(network: RiverNetwork, cell_m: float) -> Iterator[tuple[Floats, int]]:
    """Yield how far above their feet reaches are read [m], and within how many cells: low to high, last their tops."""
    length = network.end_m - network.start_m
    for cells in CLEAR_CELLS:
        yield np.minimum(_clear_of_junctions(network, cells * cell_m), length), 1
    yield length, 0


def _places(network: RiverNetwork, up_m: Floats) -> Floats:
    """Return the places so far above the foot of each reach, (n, 2) [m]."""
    at = np.where(network.backward, network.start_m + up_m, network.end_m - up_m)
    return network.polylines.at(network.line, at)


def _cell_size_m(source: Any, crs: pyproj.CRS) -> float:
    """Return the side of a cell [m]; of a geographic DEM the longer one."""
    grid = source.transform
    if crs.is_geographic:
        middle = np.deg2rad((source.bounds.top + source.bounds.bottom) / 2.0)
        return float(METRES_PER_DEGREE * max(abs(grid.e), abs(grid.a) * np.cos(middle)))
    return float(np.sqrt(abs(grid.determinant)) * crs.axis_info[0].unit_conversion_factor)


def _upstream_area(
    flow_library: ModuleType, source: Any, band: int, crs: pyproj.CRS, deepest_pit_m: float | None
) -> NDArray[Any]:
    """Return the upstream area [km2] of every cell, negative where the DEM has no data."""
    z = source.read(band, masked=True).astype(np.float32).filled(NOTHING)
    z[~np.isfinite(z)] = NOTHING
    flow = flow_library.from_dem(
        z,
        nodata=float(NOTHING),
        max_depth=-1.0 if deepest_pit_m is None else deepest_pit_m,
        transform=source.transform,
        latlon=crs.is_geographic,
    )
    if crs.is_geographic:
        return np.asarray(flow.upstream_area("km2"))
    return np.asarray(flow.upstream_area("cell") * (_cell_size_m(source, crs) ** 2 / 1e6))


def _greatest_around(area: NDArray[Any], col: Floats, row: Floats, *, cells: int) -> Floats:
    """Return the greatest upstream area within so many cells of the cell of each place; NaN where there is none."""
    high, wide = area.shape
    on = (col >= 0.0) & (col < wide) & (row >= 0.0) & (row < high)
    own_row, own_col = (np.where(on, at, 0.0).astype(np.int64) for at in (row, col))
    best = np.full(col.size, -np.inf)
    for down in range(-cells, cells + 1):
        for across in range(-cells, cells + 1):
            r = np.clip(own_row + down, 0, high - 1)
            c = np.clip(own_col + across, 0, wide - 1)
            best = np.maximum(best, area[r, c])
    return np.where(on & (best > 0.0), best, np.nan)
