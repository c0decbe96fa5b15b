"""What the invented basin is made from; every number here is our own choice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from rasterio.transform import Affine, from_origin

SEED = 470_330
CRS = "EPSG:32625"


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells; `left`, `top` and `cell` in [m]."""

    left: float = 480_000.0
    top: float = 5_222_000.0
    cell: float = 30.0
    ncol: int = 1340
    nrow: int = 1140

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.nrow, self.ncol

    @property
    def transform(self) -> Affine:
        """Cell indices to coordinates."""
        return from_origin(self.left, self.top, self.cell, self.cell)

    @property
    def cell_km2(self) -> float:
        """Area of one cell [km2]."""
        return self.cell * self.cell / 1e6

    def xy(self, cells: np.ndarray) -> np.ndarray:
        """Centres [m] of cells given by their linear index, shape (n, 2)."""
        row, col = np.divmod(np.asarray(cells, dtype=np.int64), self.ncol)
        return np.column_stack([self.left + (col + 0.5) * self.cell, self.top - (row + 0.5) * self.cell])

    def cells(self, xy: np.ndarray) -> np.ndarray:
        """Linear index of the cells that hold the points `xy` [m], shape (n, 2)."""
        col = ((xy[:, 0] - self.left) // self.cell).astype(np.int64)
        row = ((self.top - xy[:, 1]) // self.cell).astype(np.int64)
        return row.clip(0, self.nrow - 1) * self.ncol + col.clip(0, self.ncol - 1)


GRID = Grid()

# Terrain
LAKE_LEVEL = 176.0  # [m]
CONCAVITY = 0.45  # slope = steepness × (drainage area)^-concavity
PASSES = 14  # of routing and rebuilding the surface
DEM_STEP = 0.1  # [m] rounding of the published elevations

# Streams
HEAD_KM2 = 0.27  # drainage area where a stream begins
OUTLET_KM2 = 10.0  # smaller coastal basins are not mapped
RUNOFF = 0.0125  # mean discharge per area [m3/s/km2]
WIDTH_A, WIDTH_B = 2.8, 0.42  # bankfull width [m] = a × (km2)^b
