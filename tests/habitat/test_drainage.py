"""Drainage areas from catchments and from a DEM."""

from __future__ import annotations

import builtins
import dataclasses
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pyflwdir
import pyproj
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rasterio.transform import from_origin
from support.random_networks import Recipe, network_of, random_network
from support.tables import lines_of

from barrierrank.habitat.drainage import area_from_catchments, area_from_dem
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import InputError, Problems, UsageError

UTM = pyproj.CRS("EPSG:32616")
LEFT, TOP, CELL = 500_000.0, 4_600_000.0, 10.0


# --- from catchments


def test_catchments_add_up_downstream() -> None:
    net = network_of([0, 1, 2], [2, 2, 3])
    assert area_from_catchments(net, np.array([3.0, 4.0, 0.5])).tolist() == [3.0, 4.0, 7.5]


def test_on_a_braid_each_catchment_counts_once() -> None:
    net = network_of([0, 1, 1, 2, 3, 4], [1, 2, 3, 4, 4, 5])
    # 0 -> 1, two arms 1 -> 2 -> 4 and 1 -> 3 -> 4, then 4 -> 5
    assert area_from_catchments(net, np.array([10.0, 1, 2, 3, 4, 5])).tolist() == [10, 11, 12, 14, 16, 25]


def test_a_line_cut_at_a_site_shares_its_catchment_by_length() -> None:
    whole = network_of([0, 1], [1, 2])
    lines = whole.polylines
    net = dataclasses.replace(
        whole, row=np.zeros(2, dtype=np.int64), line=np.zeros(2, dtype=np.int64),
        start_m=np.array([0.0, 30.0]), end_m=np.array([30.0, lines.length[0]]),
    )  # fmt: skip
    area = area_from_catchments(net, np.array([5.0]))
    assert area.tolist() == pytest.approx([5.0 * 30.0 / lines.length[0], 5.0])


def test_lines_without_a_catchment_add_nothing_and_nothing_known_is_missing() -> None:
    net = network_of([0, 1, 2, 3], [1, 2, 3, 4])
    area = area_from_catchments(net, np.array([np.nan, 0.0, 2.0, np.nan]))
    np.testing.assert_array_equal(area, [np.nan, np.nan, 2.0, 2.0])


def test_too_few_lines() -> None:
    with pytest.raises(ValueError, match="areas of 1 lines were given, but a reach is of row 1"):
        area_from_catchments(network_of([0, 1], [1, 2]), np.ones(1))


@given(seed=st.integers(0, 10_000), braids=st.integers(0, 5))
@settings(max_examples=25, deadline=None)
def test_area_is_that_of_all_reaches_above(seed: int, braids: int) -> None:
    net, _ = random_network(Recipe(nodes=20, outlets=2, braids=braids, seed=seed))
    local = np.random.default_rng(seed).uniform(0.1, 9.0, len(net))
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(net.nodes))
    graph.add_edges_from(zip(net.tail.tolist(), net.head.tolist(), strict=True))
    expected = np.empty(len(net))
    for r in range(len(net)):
        above = {int(net.tail[r])} | nx.ancestors(graph, int(net.tail[r]))
        expected[r] = local[r] + local[np.isin(net.head, list(above))].sum()
    np.testing.assert_allclose(area_from_catchments(net, local), expected)


# --- from a DEM


def dem(folder: Path, z: NDArray[Any], **given: Any) -> Path:
    """Write a DEM of 10 m cells."""
    profile: dict[str, Any] = {
        "driver": "GTiff", "height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": "float32",
        "crs": "EPSG:32616", "transform": from_origin(LEFT, TOP, CELL, CELL), "nodata": -9999.0,
    }  # fmt: skip
    path = folder / "dem.tif"
    with rasterio.open(path, "w", **(profile | given)) as out:
        out.write(z.astype(np.float32), 1)
    return path


def valley() -> NDArray[np.float64]:
    """A gutter 41 cells wide and 60 long that falls south along its middle, column 20."""
    row, col = np.mgrid[0:60, 0:41]
    return 100.0 - 0.1 * row + 1.0 * np.abs(col - 20)


def at(row: float, col: float) -> tuple[float, float]:
    """Centre of a cell."""
    return LEFT + (col + 0.5) * CELL, TOP - (row + 0.5) * CELL


def streams(courses: list[list[tuple[float, float]]]) -> RiverNetwork:
    """Build a network of lines drawn downstream."""
    return build_network(lines_of(courses), NetworkSettings("digitised", 0.5), Problems()).network


def in_order_of_lines(net: RiverNetwork, values: NDArray[np.float64]) -> list[float]:
    return [float(v) for v in values[np.argsort(net.row)]]


def cells_above(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cells that drain to each cell, itself included."""
    return np.asarray(pyflwdir.from_dem(z.astype(np.float32)).upstream_area("cell"), dtype=np.float64)


def test_gutter_is_read_at_its_foot_and_above_its_mouth(tmp_path: Path) -> None:
    # the line is drawn one cell beside the channel and in two pieces
    net = streams([[at(5, 21), at(29, 21)], [at(29, 21), at(50, 21)]])
    area = in_order_of_lines(net, area_from_dem(dem(tmp_path, valley()), 1, net, UTM))
    cells = cells_above(valley())
    # the foot of the upper piece simply goes on: row 29, within one cell row 30; the mouth, on row 50, is read
    # 2.5 cells higher up, on the edge of rows 47 and 48
    assert area[0] == pytest.approx(cells[30, 20] * 1e-4)
    assert area[1] in (pytest.approx(cells[48, 20] * 1e-4), pytest.approx(cells[49, 20] * 1e-4))


def test_a_brook_is_not_given_the_river_it_joins(tmp_path: Path) -> None:
    z = valley()
    z[30, 21:] = 96.9 + 0.02 * np.arange(20)  # a ditch along row 30 from the east
    z[30, 20] = 96.85
    net = streams([[at(30, 38), at(30, 20)], [at(5, 20), at(30, 20)], [at(30, 20), at(55, 20)]])
    brook, river, below = in_order_of_lines(net, area_from_dem(dem(tmp_path, z), 1, net, UTM))
    cells = cells_above(z) * 1e-4
    assert cells[30, 22] < 0.5 * cells[28, 20]
    assert cells[30, 23] <= brook <= cells[30, 22]
    assert cells[27, 20] <= river <= cells[29, 20]
    assert below >= cells[52, 20]


def test_where_streams_meet_at_a_sharp_angle_the_brook_is_read_higher_up(tmp_path: Path) -> None:
    # a brook that runs beside the river, two cells off, for its last three cells
    z = valley()
    net = streams(
        [[at(2, 36), at(20, 24), at(27, 22), at(30, 20)], [at(5, 20), at(30, 20)], [at(30, 20), at(55, 20)]]
    )
    brook, river, below = in_order_of_lines(net, area_from_dem(dem(tmp_path, z), 1, net, UTM))
    assert brook < 0.2 * river < below


def test_a_short_reach_has_what_flows_into_it(tmp_path: Path) -> None:
    net = streams([
        [at(5, 20), at(30, 20)], [at(30, 20), at(31, 20)], [at(31, 20), at(55, 20)],
        [at(25, 10), at(30, 20)], [at(26, 30), at(31, 20)],
    ])  # fmt: skip
    area = in_order_of_lines(net, area_from_dem(dem(tmp_path, valley()), 1, net, UTM))
    assert area[0] <= area[1] <= area[2]
    assert area[1] <= cells_above(valley())[32, 20] * 1e-4


def test_feet_of_a_projected_dem_are_feet(tmp_path: Path) -> None:
    foot = pyproj.CRS("EPSG:2251")  # US state plane, international feet
    x, y = pyproj.Transformer.from_crs(UTM, foot, always_xy=True).transform(LEFT, TOP)
    grid = from_origin(x, y, CELL / 0.3048, CELL / 0.3048)
    path = dem(tmp_path, valley(), crs="EPSG:2251", transform=grid)
    to_utm = pyproj.Transformer.from_crs(foot, UTM, always_xy=True)
    ends = [to_utm.transform(x + 20.5 * CELL / 0.3048, y - (r + 0.5) * CELL / 0.3048) for r in (5, 30, 55)]
    net = streams([[ends[0], ends[1]], [ends[1], ends[2]]])
    area = in_order_of_lines(net, area_from_dem(path, 1, net, UTM))
    assert area[0] == pytest.approx(cells_above(valley())[31, 20] * 1e-4)


def test_geographic_dem_has_cells_of_its_latitude(tmp_path: Path) -> None:
    degrees = 0.0001
    lon, lat = -87.0, 41.5
    path = dem(tmp_path, valley(), crs="EPSG:4326", transform=from_origin(lon, lat, degrees, degrees))
    to_utm = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    ends = [to_utm.transform(lon + 20.5 * degrees, lat - (r + 0.5) * degrees) for r in (5, 30, 55)]
    net = streams([[ends[0], ends[1]], [ends[1], ends[2]]])
    area = in_order_of_lines(net, area_from_dem(path, 1, net, UTM))
    cell_km2 = (111.13 * degrees) * (111.32 * degrees * np.cos(np.deg2rad(lat)))
    assert area[0] == pytest.approx(cells_above(valley())[31, 20] * cell_km2, rel=0.01)


def test_deep_pits_can_be_kept(tmp_path: Path) -> None:
    z = valley()
    z[15:18, 19:22] = 50.0  # a quarry across the channel
    path = dem(tmp_path, z)
    net = streams([[at(20, 20), at(40, 20)], [at(40, 20), at(55, 20)]])
    filled = in_order_of_lines(net, area_from_dem(path, 1, net, UTM))
    kept = in_order_of_lines(net, area_from_dem(path, 1, net, UTM, deepest_pit_m=10.0))
    assert filled[0] == pytest.approx(cells_above(z)[41, 20] * 1e-4)
    # what drained to the rim of the quarry is gone: all that came down to row 14 at least
    assert kept[0] <= filled[0] - cells_above(valley())[14, 20] * 1e-4


def test_off_the_dem_the_area_above_is_carried_on(tmp_path: Path) -> None:
    net = streams([[at(5, 20), at(30, 20)], [at(30, 20), at(90, 20)], [at(100, 300), at(110, 300)]])
    area = in_order_of_lines(net, area_from_dem(dem(tmp_path, valley()), 1, net, UTM))
    assert area[1] == area[0]
    assert np.isnan(area[2])


def test_dem_somewhere_else_is_told(tmp_path: Path) -> None:
    net = streams([[(0.0, 0.0), (100.0, 0.0)]])
    with pytest.raises(
        InputError, match=r"dem.tif: no stream lies on the DEM where it has data -> check its place"
    ):
        area_from_dem(dem(tmp_path, valley()), 1, net, UTM)


def test_missing_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name == "pyflwdir":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match=r"pip install 'barrierrank\[terrain\]'"):
        area_from_dem(dem(tmp_path, valley()), 1, network_of([0], [1]), UTM)
