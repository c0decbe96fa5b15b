"""Rasters along reaches against exactextract called by itself on the same polygons and lines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from exactextract import exact_extract
from support.small_rasters import UTM, line, summary, write_raster

ROWS, COLUMNS = 70, 90


@pytest.fixture(scope="module")
def lines() -> list[shapely.LineString]:
    rng = np.random.default_rng(11)
    # winding, slanting (exactextract finds nothing under a line along a row or column), some partly off the raster
    start = rng.uniform((-3, -3), (COLUMNS, ROWS), (120, 1, 2))
    return [line(*xy.tolist()) for xy in start + np.cumsum(rng.normal(1, 2.5, (120, 7, 2)), axis=1)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(12)
    path = tmp_path_factory.mktemp("rasters")
    numbers = np.where(rng.random((ROWS, COLUMNS)) < 0.1, -1.0, rng.gamma(3.0, 2.0, (ROWS, COLUMNS)))
    write_raster(path / "number.tif", numbers, nodata=-1)
    write_raster(path / "classes.tif", rng.integers(0, 6, (ROWS, COLUMNS)).astype(np.uint8), nodata=0)
    return path


def alone(path: Path, geometry: Any, operations: list[str]) -> Any:
    frame = gpd.GeoDataFrame(geometry=list(geometry), crs=UTM)
    return exact_extract(str(path), frame, operations, output="pandas")


# reference: exactextract, the library, called on the whole file through GeoJSON, one area after the other
@pytest.mark.parametrize("statistic", ["mean", "median", "min", "max"])
@pytest.mark.parametrize("along", ["line", "buffer"])
def test_statistics(folder: Path, lines: list[shapely.LineString], statistic: Any, along: Any) -> None:
    path = folder / "number.tif"
    shapes = lines if along == "line" else shapely.buffer(lines, 12.0, cap_style="flat")
    expected = alone(path, shapes, [statistic, "count"])
    found = summary(path, *lines, statistic=statistic, along=along, buffer_m=12.0)
    np.testing.assert_allclose(found.value, expected[statistic].astype(float), rtol=1e-5)
    # cells with data: counted in cells of 100 m2, or in metres of line
    size = shapely.length(shapes) if along == "line" else shapely.area(shapes) / 100.0
    np.testing.assert_allclose(1.0 - found.missing, expected["count"] / size, atol=1e-5)


@pytest.mark.parametrize("along", ["line", "buffer"])
def test_shares_of_classes(folder: Path, lines: list[shapely.LineString], along: Any) -> None:
    path = folder / "classes.tif"
    shapes = lines if along == "line" else shapely.buffer(lines, 12.0, cap_style="flat")
    expected = alone(path, shapes, ["unique", "frac"])
    classes = {"one": (1,), "two or three": (2, 3), "four": (4,)}
    found = summary(path, *lines, kind="classes", classes=classes, along=along, buffer_m=12.0)
    for i, (codes, shares) in enumerate(zip(expected["unique"], expected["frac"], strict=True)):
        by_code = dict(zip(codes.tolist(), shares.tolist(), strict=True))
        for label, those in (classes | {"other": (5,)}).items():
            want = sum(by_code.get(code, 0.0) for code in those) if by_code else np.nan
            assert found.shares[label][i] == pytest.approx(want, abs=1e-6, nan_ok=True)
