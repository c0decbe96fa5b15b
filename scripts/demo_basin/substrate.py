"""Bed material along the streams: coarse where steep, sand and silt where flat."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from rasterio import features

from .settings import Grid
from .terrain import fractal

CORRIDOR_M = 55.0
CLASSES = {
    1: "bedrock or hardpan",
    2: "boulder and cobble",
    3: "gravel",
    4: "sand",
    5: "silt and other fines",
}
# Upper bounds of log10(slope) + 0.15 log10(km2), noise included, of classes 5, 4, 3, 2; beyond is 1
BOUNDS = (-2.52, -2.17, -1.72, -1.15)


def make_substrate(rng: np.random.Generator, table: gpd.GeoDataFrame, grid: Grid) -> np.ndarray:
    """Return classes of bed material (uint8, 0 = no data), only within `CORRIDOR_M` of a stream.

    Where corridors overlap, the larger stream's bed is kept.
    """
    power = np.log10(table["slope"]) + 0.15 * np.log10(table["area_km2"])
    larger_last = np.argsort(table["area_km2"].to_numpy(), kind="stable")
    corridors = table.geometry.buffer(CORRIDOR_M, quad_segs=4)
    shapes = [(corridors.iloc[i], float(power.iloc[i])) for i in larger_last]
    index = features.rasterize(
        shapes, out_shape=grid.shape, fill=np.nan, transform=grid.transform, all_touched=True, dtype="float64"
    )
    index += 0.16 * fractal(rng, grid, beta=2.0, longest_km=0.8)
    classes = 5 - np.digitize(index, BOUNDS)
    return np.where(np.isnan(index), 0, classes).astype(np.uint8)
