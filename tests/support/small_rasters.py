"""Small rasters written for one test, and reaches laid over them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import from_origin

from barrierrank.habitat.raster_summary import RasterSummary, summarise
from barrierrank.inputs.rasters import RasterSpec, open_raster
from barrierrank.problems import Problems

UTM = "EPSG:32616"
WEST, NORTH, CELL = 500_000.0, 4_600_030.0, 10.0


def write_raster(path: Path, values: Any, **profile: Any) -> Path:
    """Write a GeoTIFF, by default of 10 m cells with its north-west corner at `WEST`, `NORTH`; return its path."""
    cells = np.asarray(values)
    bands = cells[None] if cells.ndim == 2 else cells
    whole = {
        "driver": "GTiff", "crs": UTM, "transform": from_origin(WEST, NORTH, CELL, CELL), "count": len(bands),
        "height": bands.shape[1], "width": bands.shape[2], "dtype": bands.dtype.name,
    } | profile  # fmt: skip
    with rasterio.open(path, "w", **whole) as out:
        out.write(bands)
    return path


def line(*cells: tuple[float, float]) -> shapely.LineString:
    """Return a line through places counted in cells: columns east, rows south of the north-west corner."""
    return shapely.LineString([(WEST + CELL * x, NORTH - CELL * y) for x, y in cells])


def reaches(*lines: shapely.LineString) -> NDArray[np.object_]:
    """Return lines as an array."""
    out = np.empty(len(lines), dtype=object)
    out[:] = lines
    return out


def summary(
    path: Path,
    *lines: shapely.LineString,
    problems: Problems | None = None,
    width_m: NDArray[np.float64] | None = None,
    basin_crs: str = UTM,
    **spec: Any,
) -> RasterSummary:
    """Open a raster and summarise it over lines."""
    told = Problems() if problems is None else problems
    asked = RasterSpec("bed", path, **spec)
    raster = open_raster(asked, told, where="[rasters.bed]")
    return summarise(raster, asked, reaches(*lines), basin_crs=basin_crs, width_m=width_m, problems=told)
