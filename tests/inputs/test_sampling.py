"""Values of points from a raster, block by block."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin
from scipy.interpolate import RegularGridInterpolator

from barrierrank.inputs import sampling
from barrierrank.inputs.sampling import raster_sampler
from barrierrank.problems import InputError

UTM = pyproj.CRS("EPSG:32616")


def raster(folder: Path, z: NDArray[Any], **given: Any) -> Path:
    """Write a raster whose upper left corner is at (500000, 4600000), with cells of 10 m."""
    profile: dict[str, Any] = {
        "driver": "GTiff", "height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": z.dtype,
        "crs": "EPSG:32616", "transform": from_origin(500000.0, 4600000.0, 10.0, 10.0), "nodata": -9999.0,
    }  # fmt: skip
    path = folder / "dem.tif"
    with rasterio.open(path, "w", **(profile | given)) as out:
        out.write(z, 1)
    return path


def places(rows: int, columns: int, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw places within the outermost centres of cells."""
    rng = np.random.default_rng(3)
    x = 500005.0 + rng.random(count) * (columns - 1) * 10.0
    return x, 4599995.0 - rng.random(count) * (rows - 1) * 10.0


LAYOUTS = [
    {"tiled": True, "blockxsize": 16, "blockysize": 16},
    {"blockysize": 1},
    {"blockysize": 7},
    {"tiled": True, "blockxsize": 64, "blockysize": 32, "compress": "deflate"},
]


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("most_cells", [1, 500, 1 << 20])
def test_bilinear_as_scipy_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: dict[str, Any], most_cells: int
) -> None:
    monkeypatch.setattr(sampling, "MOST_CELLS", most_cells)
    z = np.random.default_rng(1).random((90, 130))
    x, y = places(90, 130, 2000)
    rows, columns = 4599995.0 - 10.0 * np.arange(90), 500005.0 + 10.0 * np.arange(130)
    expected = RegularGridInterpolator((rows[::-1], columns), z[::-1])(np.column_stack([y, x]))
    value = raster_sampler(raster(tmp_path, z, **layout), 1, basin_crs=UTM)(x, y)
    np.testing.assert_allclose(value, expected, atol=1e-9)


def test_each_block_is_read_once_and_blocks_without_points_are_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sampling, "MOST_CELLS", 1)
    windows: list[Any] = []
    plain = sampling._read

    def counted(source: Any, band: int, window: Any) -> NDArray[np.float64]:
        windows.append(window)
        return plain(source, band, window)

    monkeypatch.setattr(sampling, "_read", counted)
    z = np.random.default_rng(1).random((2048, 2560)).astype(np.float32)
    path = raster(tmp_path, z, tiled=True, blockxsize=512, blockysize=512)
    rng = np.random.default_rng(0)
    x = 500000.0 + 10.0 * np.concatenate([rng.uniform(0, 1000, 50), rng.uniform(2048, 2560, 50)])
    y = 4600000.0 - 10.0 * np.concatenate([rng.uniform(0, 512, 50), rng.uniform(1536, 2048, 50)])
    raster_sampler(path, 1, basin_crs=UTM)(x, y)
    assert len(windows) == len({(w.row_off, w.col_off) for w in windows}) == 2
    assert (
        max(w.width * w.height for w in windows) <= 1026 * 514
    )  # two blocks side by side and a margin of one


def test_cells_without_data(tmp_path: Path) -> None:
    z = np.array([[1.0, 2.0, -9999.0], [3.0, 4.0, np.nan]])
    sample = raster_sampler(raster(tmp_path, z), 1, basin_crs=UTM)
    # a cell without data, one with NaN, the outer edge, between 1 2 3 4, a place whose right neighbours are missing
    x = np.array([500025.0, 500025.0, 500000.0, 500010.0, 500019.0])
    y = np.array([4599995.0, 4599985.0, 4600000.0, 4599990.0, 4599990.0])
    np.testing.assert_allclose(sample(x, y), [np.nan, np.nan, 1.0, 2.5, 3.0])


def test_off_the_raster_is_missing_and_its_edge_is_not(tmp_path: Path) -> None:
    sample = raster_sampler(raster(tmp_path, np.full((4, 5), 7.0)), 1, basin_crs=UTM)
    x = np.array([499999.9, 500000.0, 500050.0, 500050.1, np.nan, np.inf])
    y = np.array([4599990.0, 4600000.0, 4599960.0, 4599990.0, 4599990.0, 4599990.0])
    np.testing.assert_array_equal(sample(x, y), [np.nan, 7.0, 7.0, np.nan, np.nan, np.nan])


def test_scale_offset_and_band(tmp_path: Path) -> None:
    path = tmp_path / "two.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=2, width=2, count=2, dtype="int16", crs=UTM.to_wkt(),
        transform=from_origin(0.0, 20.0, 10.0, 10.0), nodata=-1,
    ) as out:  # fmt: skip
        out.write(np.full((2, 2), 5, dtype=np.int16), 1)
        out.write(np.array([[100, 200], [100, -1]], dtype=np.int16), 2)
        out.scales, out.offsets = (1.0, 0.1), (0.0, 50.0)
    x, y = np.array([5.0, 15.0, 15.0]), np.array([15.0, 15.0, 5.0])
    np.testing.assert_allclose(raster_sampler(path, 2, basin_crs=UTM)(x, y), [60.0, 70.0, np.nan])


def test_points_are_brought_to_the_rasters_system(tmp_path: Path) -> None:
    # a raster in degrees whose value is the longitude plus ten times the latitude: linear, so bilinear is exact
    lon, lat = -87.1 + 0.01 * (np.arange(20) + 0.5), 41.6 - 0.01 * (np.arange(15) + 0.5)
    z = lon[None, :] + 10.0 * lat[:, None]
    path = raster(tmp_path, z, crs="EPSG:4326", transform=from_origin(-87.1, 41.6, 0.01, 0.01))
    x, y = np.array([495000.0, 500000.0, 504000.0]), np.array([4595000.0, 4600000.0, 4603000.0])
    at = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(x, y)
    expected = at[0] + 10.0 * at[1]
    np.testing.assert_allclose(raster_sampler(path, 1, basin_crs=UTM)(x, y), expected, atol=1e-9)


def test_turned_raster(tmp_path: Path) -> None:
    turn = np.deg2rad(30.0)
    across, down = (
        np.array([np.cos(turn), np.sin(turn)]) * 10.0,
        np.array([np.sin(turn), -np.cos(turn)]) * 10.0,
    )
    grid = rasterio.Affine(across[0], down[0], 500000.0, across[1], down[1], 4600000.0)
    path = raster(tmp_path, np.arange(12.0).reshape(3, 4), transform=grid)
    col, row = np.array([0.5, 2.0, 3.5]), np.array([0.5, 1.5, 2.5])
    x, y = 500000.0 + col * across[0] + row * down[0], 4600000.0 + col * across[1] + row * down[1]
    np.testing.assert_allclose(raster_sampler(path, 1, basin_crs=UTM)(x, y), [0.0, 5.5, 11.0])


def test_no_points_at_all(tmp_path: Path) -> None:
    assert (
        raster_sampler(raster(tmp_path, np.ones((2, 2))), 1, basin_crs=UTM)(np.empty(0), np.empty(0)).size
        == 0
    )


def test_faults_are_told_with_the_file(tmp_path: Path) -> None:
    path = raster(tmp_path, np.ones((3, 3)))
    with pytest.raises(InputError, match=r"dem.tif: band 2 was given; the raster has bands 1 to 1"):
        raster_sampler(path, 2, basin_crs=UTM)
    with pytest.raises(
        InputError, match=r"dem.tif: no stream lies on the raster -> check its place and its CRS"
    ):
        raster_sampler(path, 1, basin_crs=UTM)(np.array([0.0]), np.array([0.0]))
    with pytest.raises(InputError, match=r"gone.tif: .* -> check path"):
        raster_sampler(tmp_path / "gone.tif", 1, basin_crs=UTM)
    (tmp_path / "text.tif").write_text("not a raster", encoding="utf-8")
    with pytest.raises(InputError, match=r"text.tif: "):
        raster_sampler(tmp_path / "text.tif", 1, basin_crs=UTM)
    with pytest.raises(InputError, match=r"dem.tif: the raster has no coordinate system"):
        raster_sampler(raster(tmp_path, np.ones((3, 3)), crs=None), 1, basin_crs=UTM)
