"""Gradients along channels against analytic surfaces, and against the column `slope` of the demo's streams."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin
from support.tables import lines_of

from barrierrank.basin import Clock, make_basin
from barrierrank.habitat.profile import elevation_profile, gradients
from barrierrank.inputs.sampling import raster_sampler
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems
from barrierrank.project import load_project

Floats = NDArray[np.float64]
DEMO = Path(__file__).resolve().parents[2] / "data_demo"
UTM = pyproj.CRS("EPSG:32616")
LEFT, TOP, CELL = 500_000.0, 4_600_000.0, 10.0


def written(folder: Path, z: Floats) -> Path:
    """Write a DEM of 10 m cells with its upper left corner at (LEFT, TOP)."""
    path = folder / "dem.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=z.shape[0], width=z.shape[1], count=1, dtype="float64",
        crs="EPSG:32616", transform=from_origin(LEFT, TOP, CELL, CELL), tiled=True, blockxsize=64, blockysize=64,
    ) as out:  # fmt: skip
        out.write(z, 1)
    return path


def centres(rows: int, columns: int) -> tuple[Floats, Floats]:
    """Metres east and south of the corner of the centres of cells."""
    south, east = np.mgrid[0:rows, 0:columns]
    return (east + 0.5) * CELL, (south + 0.5) * CELL


def winding() -> list[list[tuple[float, float]]]:
    """Two winding streams, metres east and south, that meet and go on."""
    t = np.linspace(0.0, 1.0, 60)
    east, south = 200.0 + 1300.0 * t, 1000.0 + 120.0 * np.sin(9.0 * t)
    a = list(zip(east, south, strict=True))
    b = list(
        zip(
            east[-1] - 600.0 * (1.0 - t),
            south[-1] + 700.0 * (1.0 - t) + 40.0 * np.sin(12.0 * t * (1 - t)),
            strict=True,
        )
    )
    c = list(zip(east[-1] + 900.0 * t, south[-1] + 60.0 * np.sin(7.0 * t), strict=True))
    b[-1] = c[0] = a[-1]
    return [[(LEFT + x, TOP - y) for x, y in line] for line in (a, b, c)]


def network() -> RiverNetwork:
    return build_network(lines_of(winding()), NetworkSettings("digitised", 0.5), Problems()).network


def test_plane(tmp_path: Path) -> None:
    # common practice, no source: on a plane the gradient of a reach is the plane's drop between its ends over the
    # reach's length, and bilinear interpolation is exact
    east, south = centres(200, 260)
    path = written(tmp_path, 300.0 - 0.03 * east + 0.002 * south)
    net = network()
    profile = elevation_profile(net, raster_sampler(path, 1, basin_crs=UTM), step_m=8.0, spike_m=1.0)
    dx, dy = net.x[net.head] - net.x[net.tail], net.y[net.tail] - net.y[net.head]
    expected = (0.03 * dx - 0.002 * dy) / net.length_m
    assert (expected > 0.005).all()
    # bends run up the plane a little: the mean of carved and filled moves ends by less than a bend's rise
    np.testing.assert_allclose(gradients(net, profile, over_m=0.0), expected, rtol=0.03)


def test_bowl(tmp_path: Path) -> None:
    # common practice, no source: a surface that falls east ever less steeply; bilinear interpolation of a square
    # function is off by no more than cell^2/8 x second derivative = 100 / 8 x 2e-5 m
    east, _ = centres(200, 260)
    path = written(tmp_path, 200.0 - 0.06 * east + 1e-5 * east**2)
    net = network()
    profile = elevation_profile(net, raster_sampler(path, 1, basin_crs=UTM), step_m=8.0, spike_m=1.0)
    top, bottom = net.x[net.tail] - LEFT, net.x[net.head] - LEFT
    drop = (-0.06 * top + 1e-5 * top**2) - (-0.06 * bottom + 1e-5 * bottom**2)
    np.testing.assert_allclose(gradients(net, profile, over_m=0.0), drop / net.length_m, rtol=1e-3)


def test_ripples_on_a_plane(tmp_path: Path) -> None:
    # common practice, no source: ripples of the DEM change a reach's drop by no more than their own height
    east, south = centres(200, 260)
    path = written(tmp_path, 300.0 - 0.03 * east + 0.5 * np.sin(east / 23.0) * np.cos(south / 17.0))
    net = network()
    profile = elevation_profile(net, raster_sampler(path, 1, basin_crs=UTM), step_m=5.0, spike_m=3.0)
    expected = 0.03 * (net.x[net.head] - net.x[net.tail]) / net.length_m
    off = np.abs(gradients(net, profile, over_m=0.0) - expected) * net.length_m
    assert off.max() <= 1.0
    for r in range(len(net)):
        assert (np.diff(profile.smoothed_m[profile.offsets[r] : profile.offsets[r + 1]]) <= 0.0).all()


def test_demo_against_its_column() -> None:
    # The column `slope` of the demo's streams comes from the terrain before it was rounded and its channels sunk:
    # elevations at the ends over the length. common practice, no source
    problems = Problems()
    project = load_project(DEMO / "project.toml", problems)
    net = make_basin(project, problems, Clock()).built.network
    sample = raster_sampler(DEMO / "dem.tif", 1, basin_crs=project.basin.projection)
    profile = elevation_profile(net, sample, step_m=15.0, spike_m=5.0)
    slope = gpd.read_file(DEMO / "streams.gpkg", layer="streams")["slope"].to_numpy()[net.row]
    found = gradients(net, profile, over_m=0.0)
    assert profile.missing.max() == 0.0
    whole = (np.bincount(net.row)[net.row] == 1) & (
        net.length_m > 100.0
    )  # a line cut at a site has one slope given
    assert whole.sum() > 1200
    ratio = np.maximum(found, 1e-4)[whole] / slope[whole]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.005)
    assert np.mean(np.abs(ratio - 1.0) < 0.1) > 0.85
    weight = net.length_m[whole]
    off = np.average(np.abs(found - slope)[whole], weights=weight) / np.average(slope[whole], weights=weight)
    assert off < 0.03
    assert np.corrcoef(found[whole], slope[whole])[0, 1] > 0.99
