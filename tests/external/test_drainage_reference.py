"""Drainage area and Strahler order against a reference flow-direction library, and the demo's own column.

pyflwdir (MIT) works on cells and knows nothing of our network: its streams become our lines here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyflwdir
import rasterio
import shapely
from numpy.typing import NDArray
from support.tables import lines_of

from barrierrank.basin import Basin, Clock, make_basin
from barrierrank.habitat.drainage import area_from_catchments, area_from_dem
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems
from barrierrank.project import load_project

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
CELL_KM2 = 0.0009
STREAM_KM2 = 0.5


@dataclass(frozen=True)
class Reference:
    """Streams as pyflwdir draws them on the demo's DEM, those that drain at least `STREAM_KM2`."""

    flow: Any
    area: NDArray[np.float64]
    order: NDArray[np.int64]
    network: RiverNetwork
    foot: NDArray[np.int64]  # (n,) last cell of each reach above the junction
    order_of: NDArray[np.int64]  # (n,) its Strahler order by pyflwdir


@cache
def reference() -> Reference:
    with rasterio.open(DEMO / "dem.tif") as source:
        z, grid = source.read(1), source.transform
    flow = pyflwdir.from_dem(z, nodata=-9999.0, transform=grid)
    flow.cache = False  # it would give the order of one mask for every other
    area = flow.upstream_area("cell") * CELL_KM2
    mask = area >= STREAM_KM2
    order = np.asarray(flow.stream_order(mask=mask), dtype=np.int64)
    features = [f["geometry"]["coordinates"] for f in flow.streams(mask=mask, strord=order)]
    features = [
        f for f in features if len(set(f)) > 1
    ]  # where water leaves the map it gives the edge's cell twice
    courses = [shapely.LineString(f) for f in features]
    network = build_network(
        lines_of(courses), NetworkSettings("digitised", 0.5, "downstream"), Problems()
    ).network
    assert len(network) == len(courses)
    # a line runs on to the first cell of the next one: its own last cell is the last but one of its points, or the
    # last where it leaves the map
    foot = np.empty(len(network), dtype=np.int64)
    goes_on = network.downstream >= 0
    for r in range(len(network)):
        x, y = features[network.row[r]][-2 if goes_on[r] else -1]
        foot[r] = int((grid.f - y) // 30.0) * z.shape[1] + int((x - grid.c) // 30.0)
    order_of = order.ravel()[foot]
    return Reference(flow, area, order, network, foot, order_of)


@cache
def demo() -> tuple[Basin, gpd.GeoDataFrame]:
    problems = Problems()
    project = load_project(DEMO / "project.toml", problems)
    return make_basin(project, problems, Clock()), gpd.read_file(DEMO / "streams.gpkg", layer="streams")


def away_from_braids(net: RiverNetwork) -> NDArray[np.bool_]:
    """Tell which reaches have no parting of the water above or at them."""
    parts = np.bincount(net.tail, minlength=net.nodes) > 1
    return ~parts[net.tail] & (net.upstream_sum(parts[net.tail].astype(float)[:, None])[:, 0] == 0.0)


def test_strahler_order_of_the_same_streams() -> None:
    # pyflwdir stream_order (Strahler), cell by cell: equal on every reach
    known = reference()
    assert len(known.network) > 700
    assert known.order_of.max() >= 4
    np.testing.assert_array_equal(known.network.strahler, known.order_of)


def test_catchments_of_the_same_streams_add_up_to_the_upstream_area() -> None:
    # pyflwdir basins gives each cell to the first foot below it; summed downstream they are its upstream_area
    known = reference()
    ids = np.arange(1, known.foot.size + 1, dtype=np.uint32)
    basins = known.flow.basins(idxs=known.foot, ids=ids)
    local = np.bincount(basins.ravel(), minlength=ids.size + 1)[1:] * CELL_KM2
    by_row = np.zeros(len(known.network))
    by_row[known.network.row] = local
    found = area_from_catchments(known.network, by_row)
    np.testing.assert_allclose(found, known.area.ravel()[known.foot], rtol=1e-9)


def test_area_read_from_the_dem_is_that_of_the_foot_cell() -> None:
    # pyflwdir upstream_area in the last cell of each reach. Read 2.5 cells above the junction, it is a little less
    known = reference()
    crs = load_project(DEMO / "project.toml", Problems()).basin.projection
    found = area_from_dem(DEMO / "dem.tif", 1, known.network, crs)
    ratio = found / known.area.ravel()[known.foot]
    assert not np.isnan(ratio).any()
    assert np.mean(np.abs(ratio - 1.0) < 0.02) > 0.85
    assert np.mean(np.abs(ratio - 1.0) < 0.10) > 0.96
    assert np.mean(ratio > 1.5) < 0.005  # not the area of the river it joins


def test_demo_area_against_its_column() -> None:
    # The demo's column comes from the terrain before it was rounded and its channels sunk; common practice, no source
    basin, table = demo()
    net = basin.built.network
    found = area_from_dem(
        DEMO / "dem.tif", 1, net, load_project(DEMO / "project.toml", Problems()).basin.projection
    )
    # the column is of the foot of a whole line; where water parts, a DEM sends it all one way
    foot = np.bincount(net.row)[net.row] == 1
    ratio = (found / table["area_km2"].to_numpy()[net.row])[foot & away_from_braids(net)]
    assert ratio.size > 1200
    assert np.mean(np.abs(ratio - 1.0) < 0.02) > 0.9
    assert np.mean(np.abs(ratio - 1.0) < 0.10) > 0.96
    assert np.mean((ratio > 1.5) | (ratio < 0.67)) < 0.01


def test_demo_order_against_the_cells() -> None:
    # pyflwdir stream_order of the demo's DEM, channels from 0.27 km2 as the demo's streams begin, read half way along
    basin, _ = demo()
    net = basin.built.network
    known = reference()
    mask = known.area >= 0.27
    order = np.asarray(known.flow.stream_order(mask=mask), dtype=np.int64)
    middle = net.polylines.at(net.line, (net.start_m + net.end_m) / 2.0)
    col, row = (
        ((middle[:, 0] - 480_000.0) // 30.0).astype(int),
        ((5_222_000.0 - middle[:, 1]) // 30.0).astype(int),
    )
    around = np.stack([known.area[row + i, col + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
    there = np.stack([order[row + i, col + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
    found = there[around.argmax(axis=0), np.arange(len(net))]
    chosen = away_from_braids(net) & (net.length_m > 200.0)
    assert chosen.sum() > 1000
    assert np.mean(net.strahler[chosen] == found[chosen]) > 0.97
