"""Streams traced from the terrain: links between heads, confluences and the lake, as smoothed lines."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import pyflwdir
from rasterio import features
from scipy import ndimage
from shapely import LineString, Point, Polygon, get_parts
from shapely.geometry import shape

from .names import LAKE_NAME, RIVERS, TRIBUTARIES
from .settings import CRS, HEAD_KM2, OUTLET_KM2, RUNOFF, WIDTH_A, WIDTH_B, Grid
from .terrain import Terrain, fractal


@dataclass(frozen=True)
class Drainage:
    """Where the water runs; flat arrays over all cells.

    `receiver` the cell each one drains to, `area` the drainage area [km2], `z` depression-free
    elevations [m], `channel` the cells of mapped streams, `lake` those of the lake.
    """

    receiver: np.ndarray
    area: np.ndarray
    z: np.ndarray
    channel: np.ndarray
    lake: np.ndarray


def drain(terrain: Terrain, grid: Grid) -> Drainage:
    """Return the drainage of `terrain`, with every river that reaches the lake with at least `OUTLET_KM2`."""
    z, d8 = pyflwdir.dem.fill_depressions(terrain.z, idxs_pit=np.flatnonzero(terrain.base))
    flow = pyflwdir.from_array(d8, ftype="d8", transform=grid.transform, latlon=False)
    area = flow.upstream_area("cell").ravel() * grid.cell_km2
    receiver = np.asarray(flow.idxs_ds, dtype=np.int64)
    lake = terrain.lake.ravel()
    mouths = np.flatnonzero(~lake & lake[receiver] & (area >= OUTLET_KM2))
    basin = flow.basins(idxs=mouths, ids=np.arange(1, mouths.size + 1, dtype=np.uint32)).ravel()
    channel = (area >= HEAD_KM2) & (basin > 0) & ~lake
    return Drainage(receiver, area, z.ravel(), channel, lake)


def carve(drainage: Drainage, lake_level: float) -> np.ndarray:
    """Return elevations [m] with the channels sunk below their banks, still falling to the lake."""
    depth = np.minimum(0.5 * np.maximum(drainage.area, 0.1) ** 0.22, 1.8)
    above = np.clip((drainage.z - lake_level) / 4.0, 0.0, 1.0)  # no sinking below the lake
    return np.where(drainage.channel, drainage.z - depth * above, drainage.z)


def trace(drainage: Drainage) -> list[np.ndarray]:
    """Return the links as cells from head or confluence to the next confluence or the first lake cell."""
    own = np.flatnonzero(drainage.channel)
    inflows = np.bincount(drainage.receiver[own], minlength=drainage.channel.size)
    links = []
    for start in own[inflows[own] != 1]:
        cells = [start]
        while True:
            nxt = drainage.receiver[cells[-1]]
            cells.append(nxt)
            if not drainage.channel[nxt] or inflows[nxt] != 1:
                break
        links.append(np.array(cells, dtype=np.int64))
    return links


def lake_polygon(terrain: Terrain, grid: Grid) -> Polygon:
    """Return the shore as a polygon with its corners cut, in the basin's CRS."""
    parts = features.shapes(terrain.lake.astype(np.uint8), mask=terrain.lake, transform=grid.transform)
    outline = max((shape(g) for g, _ in parts), key=lambda p: p.area)
    ring = np.asarray(outline.exterior.coords)[:-1]
    ring = _densify(np.vstack([ring, ring[:1]]), grid.cell / 3.0)[:-1]
    soft = np.column_stack([ndimage.gaussian_filter1d(ring[:, k], 3.0, mode="wrap") for k in (0, 1)])
    return Polygon(soft).simplify(3.0)


class Wander:
    """Bends finer than the grid: a field of shifts, so that lines do not follow the cells' eight ways."""

    def __init__(self, rng: np.random.Generator, grid: Grid, *, shift_m: float = 8.0) -> None:
        self.grid = grid
        self.dx, self.dy = (shift_m * fractal(rng, grid, beta=2.5, longest_km=0.25) for _ in range(2))

    def line(self, xy: np.ndarray) -> LineString:
        """Return the path through the cell centres `xy` [m] as a smooth line with the same ends."""
        fine = _densify(xy, 10.0)
        if len(fine) < 4:
            return LineString(np.round(xy, 1))
        along = np.arange(len(fine))
        soft = np.column_stack([ndimage.gaussian_filter1d(fine[:, k], 3.0, mode="nearest") for k in (0, 1)])
        away = np.minimum(along, along[::-1])
        fade = np.clip(away / 6.0, 0.0, 1.0)[:, None]
        at = [
            (self.grid.top - fine[:, 1]) / self.grid.cell - 0.5,
            (fine[:, 0] - self.grid.left) / self.grid.cell - 0.5,
        ]
        shift = np.column_stack(
            [ndimage.map_coordinates(f, at, order=1, mode="nearest") for f in (self.dx, self.dy)]
        )
        soft = fine + fade * (soft + np.clip(shift, -16.0, 16.0) - fine)
        return LineString(np.round(soft, 1)).simplify(1.5)


def _densify(xy: np.ndarray, step: float) -> np.ndarray:
    """Return points every `step` [m] along the path, its ends among them."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, round(along[-1] / step) + 1))
    return np.column_stack([np.interp(at, along, xy[:, k]) for k in (0, 1)])


def cut_at_shore(line: LineString, lake: Polygon) -> LineString:
    """Return `line` up to where it first meets the shore.

    Raises
    ------
    ValueError
        Where the line never meets the lake.
    """
    if not line.intersects(lake):
        raise ValueError("an outlet's line does not reach the lake")
    dry = [
        p
        for p in get_parts(line.difference(lake))
        if Point(p.coords[0]).distance(Point(line.coords[0])) < 0.05
    ]
    return LineString(np.round(np.asarray(dry[0].coords), 1))


def stream_table(drainage: Drainage, lake: Polygon, wander: Wander) -> gpd.GeoDataFrame:
    """Return the streams, a row per link, mouth before head within each river.

    Columns `line_id`, `from_node`, `to_node`, `divergence`, `stream`, `length_km`, `area_km2`, `slope`,
    `width_m`, `q_mean_m3s`; besides, not published, `z_up`, `z_down` [m] and `river` (rank of the outlet).
    """
    links = trace(drainage)
    down, order, river = _sequence(links, drainage)
    links = [links[i] for i in order]
    ids = {int(cells[0]): n + 1 for n, cells in enumerate(links)}  # a link is known by the cell it starts in
    lines, nodes = [], {}
    for cells in links:
        line = wander.line(wander.grid.xy(cells))
        lines.append(cut_at_shore(line, lake) if drainage.lake[cells[-1]] else line)
        for cell in (cells[-1], cells[0]):
            nodes.setdefault(int(cell), len(nodes) + 1)
    foot = np.array([cells[-2] for cells in links])
    head, toe = np.array([c[0] for c in links]), np.array([c[-1] for c in links])
    length_m = np.array([g.length for g in lines])
    table = gpd.GeoDataFrame(
        {
            "line_id": 1000 + np.array([ids[int(h)] for h in head]),
            "from_node": [nodes[int(h)] for h in head],
            "to_node": [nodes[int(t)] for t in toe],
            "divergence": 0,
            "stream": _stream_names(down, order, drainage.area[foot], river),
            "length_km": length_m / 1000.0,
            "area_km2": drainage.area[foot],
            "z_up": drainage.z[head],
            "z_down": drainage.z[toe],
            "river": river,
        },
        geometry=lines,
        crs=CRS,
    )
    return hydraulic_columns(table)


def hydraulic_columns(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return `table` with `slope`, `width_m` and `q_mean_m3s` worked out from elevations, length and area."""
    slope = (table["z_up"] - table["z_down"]) / (table["length_km"] * 1000.0)
    return table.assign(
        slope=slope.clip(lower=0.0001),
        width_m=WIDTH_A * table["area_km2"] ** WIDTH_B,
        q_mean_m3s=table["area_km2"] * RUNOFF,
    )


def _sequence(links: list[np.ndarray], drainage: Drainage) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return downstream position, old index and river in the new order: largest river and mouths first."""
    start = {int(c[0]): i for i, c in enumerate(links)}
    down = np.array([start.get(int(c[-1]), -1) for c in links])
    area = np.array([drainage.area[c[-2]] for c in links])
    above: dict[int, list[int]] = {}
    for i in np.argsort(-area, kind="stable"):
        above.setdefault(int(down[i]), []).append(int(i))
    order, river = [], []
    for rank, mouth in enumerate(above[-1]):
        stack = [mouth]
        while stack:
            i = stack.pop()
            order.append(i)
            river.append(rank)
            stack.extend(reversed(above.get(i, [])))
    position = np.empty(len(links), dtype=np.int64)
    position[order] = np.arange(len(order))
    new_down = np.array([position[down[i]] if down[i] >= 0 else -1 for i in order])
    return new_down, np.array(order), np.array(river)


def _stream_names(
    down: np.ndarray, order: np.ndarray, area: np.ndarray, river: np.ndarray
) -> list[str | None]:
    """Return a name for every link of a named main stem, None for the rest.

    A main stem follows the largest inflow at each confluence. The rivers are named by rank, then the largest
    side streams, each river's in turn, so that names are spread over the basin.
    """
    n = len(order)
    main_above = np.full(n, -1)
    for i in range(n):  # rows come mouth first and the largest inflow first
        if down[i] >= 0 and main_above[down[i]] < 0:
            main_above[down[i]] = i
    names: list[str | None] = [None] * n

    def name_stem(i: int, name: str) -> None:
        while i >= 0:
            names[i] = name
            i = main_above[i]

    for rank, mouth in enumerate(np.flatnonzero(down < 0)):
        name_stem(mouth, RIVERS[rank])
    side = pd.DataFrame({"i": np.arange(n), "river": river, "area": area})
    side = side[(down >= 0) & (main_above[down.clip(min=0)] != np.arange(n)) & (area > 3.0)]
    side = side.sort_values(["area", "i"], ascending=[False, True])
    side["turn"] = side.groupby("river").cumcount() // 2
    chosen = side.sort_values(["turn", "area", "i"], ascending=[True, False, True]).head(len(TRIBUTARIES))
    for name, i in zip(TRIBUTARIES, chosen["i"], strict=True):
        name_stem(int(i), name)
    return names


def lake_table(lake: Polygon) -> gpd.GeoDataFrame:
    """Return the one-row layer `lake`."""
    return gpd.GeoDataFrame(
        {"name": [LAKE_NAME], "area_km2": [round(lake.area / 1e6, 2)]}, geometry=[lake], crs=CRS
    )
