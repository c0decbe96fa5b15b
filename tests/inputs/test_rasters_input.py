"""Rasters as given: what is checked when they are opened, each fault with one message."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from support.small_rasters import CELL, NORTH, WEST, line, summary, write_raster

from barrierrank.inputs.rasters import Raster, RasterSpec, open_raster, reading
from barrierrank.problems import InputError, Problems

CELLS = np.arange(1, 10, dtype=np.float32).reshape(3, 3)
AT = "[rasters.bed]"


def opened(path: Path, problems: Problems | None = None, **spec: Any) -> Raster:
    return open_raster(
        RasterSpec("bed", path, **spec), Problems() if problems is None else problems, where=AT
    )


def fault(path: Path, **spec: Any) -> str:
    """Return the one error a raster gives, which names file, table and remedy."""
    problems = Problems()
    with pytest.raises(InputError) as error:
        opened(path, problems, **spec)
    assert list(error.value.problems) == problems.of("error")
    (problem,) = error.value.problems
    assert problem.where == path.name
    assert problem.message.startswith(AT)
    assert problem.remedy
    assert str(path.parent) not in problem.line()
    return problem.line()


def test_what_is_known_without_reading(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "a.tif", np.stack((CELLS, CELLS)), nodata=-1)
    raster = opened(path, band=2)
    assert raster.crs.to_epsg() == 32616
    assert raster.shape == (3, 3)
    assert raster.nodata == -1.0
    assert raster.cell == raster.cell_m == (10.0, 10.0)
    assert raster.bounds == (WEST, NORTH - 30, WEST + 30, NORTH)
    assert tuple(raster.transform)[:6] == (CELL, 0, WEST, 0, -CELL, NORTH)


def test_size_of_cells_in_metres_and_in_their_own_unit(tmp_path: Path) -> None:
    degrees = write_raster(
        tmp_path / "degrees.tif", CELLS, crs="EPSG:4326", transform=from_origin(-87, 60.0015, 0.001, 0.001)
    )
    raster = opened(degrees)
    assert raster.cell == (0.001, 0.001)
    # at 60 degrees a degree of longitude is 55.8 km, one of latitude 111.4 km (ellipsoid WGS 84); common practice,
    # no source
    assert raster.cell_m == pytest.approx((55.80, 111.41), abs=0.02)
    feet = write_raster(
        tmp_path / "feet.tif", CELLS, crs="EPSG:2965", transform=from_origin(3e6, 2e6, 10, 10)
    )
    assert opened(feet).cell == (10.0, 10.0)
    assert opened(feet).cell_m == pytest.approx((3.048, 3.048), rel=1e-5)


def test_crs_with_heights_counts_as_the_flat_one(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "dem.tif", CELLS, crs="EPSG:32616+5703")
    assert opened(path).crs.to_epsg() == 32616
    assert summary(path, line((0, 1.5), (3, 1.5))).value[0] == pytest.approx(5.0)


def test_missing_file(tmp_path: Path) -> None:
    assert "path: there is no such file" in fault(tmp_path / "none.tif")


def test_no_raster(tmp_path: Path) -> None:
    path = tmp_path / "text.tif"
    path.write_text("no raster\n")
    assert "cannot be read as a raster" in fault(path)


def test_no_such_band(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "a.tif", CELLS)
    assert "band: there is no band 3; the file has 1" in fault(path, band=3)
    assert "there is no band 0" in fault(path, band=0)


def test_no_crs(tmp_path: Path) -> None:
    assert "does not say its coordinate system" in fault(write_raster(tmp_path / "a.tif", CELLS, crs=None))


def test_crs_that_is_no_place_on_earth(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "a.tif", CELLS, crs='LOCAL_CS["plan of the hall",UNIT["metre",1]]')
    assert "not understood, or is a local one" in fault(path)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_no_geotransform(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "a.tif", CELLS, transform=None)
    assert "does not say where its cells lie" in fault(path)


def test_complex_numbers(tmp_path: Path) -> None:
    assert "complex" in fault(write_raster(tmp_path / "a.tif", CELLS.astype(np.complex64)))


def test_all_faults_of_one_raster_are_told_together(tmp_path: Path) -> None:
    problems = Problems()
    with pytest.raises(InputError):
        opened(write_raster(tmp_path / "a.tif", CELLS, crs=None), problems, band=4)
    assert [p.kind for p in problems.of("error")] == ["missing_band", "missing_crs"]


def test_several_rasters_in_one_file(tmp_path: Path) -> None:
    path = tmp_path / "two.gpkg"
    for name in ("first", "second"):
        with rasterio.open(
            path, "w", driver="GPKG", height=3, width=3, count=1, dtype="uint8", crs="EPSG:32616",
            transform=from_origin(WEST, NORTH, CELL, CELL), RASTER_TABLE=name, APPEND_SUBDATASET="YES",
        ) as out:  # fmt: skip
            out.write(CELLS.astype(np.uint8), 1)
    message = fault(path)
    assert "first" in message
    assert "second" in message


@pytest.mark.parametrize(
    ("classes", "words"),
    [
        ({}, "no class is named"),
        ({"gravel": (3,), "sand": (3, 4)}, 'code 3 stands for "gravel" and for "sand"'),
        ({"gravel": (0, 3)}, '"gravel" has the code 0, which the raster keeps for cells without data'),
    ],
)
def test_codes_of_classes(tmp_path: Path, classes: dict[str, tuple[int, ...]], words: str) -> None:
    path = write_raster(tmp_path / "bed.tif", CELLS.astype(np.uint8), nodata=0)
    assert words in fault(path, kind="classes", classes=classes)


def test_classes_must_be_whole_numbers(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "bed.tif", CELLS + np.float32(0.5))
    with pytest.raises(InputError, match=r"a cell holds 4\.5, which is no whole number"):
        summary(path, line((0, 1.5), (3, 1.5)), kind="classes", classes={"sand": (4,)})


def test_truncated_file(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    path = write_raster(tmp_path / "cut.tif", rng.random((600, 600)), tiled=True, compress="deflate")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])
    for along in ("line", "buffer"):
        problems = Problems()
        lines = [line((x, x), (x + 20, x)) for x in range(5, 560, 60)]
        with pytest.raises(InputError):
            summary(path, *lines, problems=problems, along=along, buffer_m=10.0)
        (problem,) = problems.of("error")
        assert "cannot be read" in problem.message
        assert str(tmp_path) not in problem.line()


def test_a_raster_without_a_nodata_value_is_noted(tmp_path: Path) -> None:
    problems = Problems()
    opened(write_raster(tmp_path / "a.tif", CELLS), problems)
    assert [(p.severity, p.kind) for p in problems] == [("note", "no_nodata")]
    problems = Problems()
    opened(write_raster(tmp_path / "b.tif", CELLS, nodata=np.nan), problems)
    assert not len(problems)


def test_a_code_for_missing_data_that_is_not_said_to_be_one(tmp_path: Path) -> None:
    problems = Problems()
    cells = CELLS.copy()
    cells[0, 0] = -9999
    summary(write_raster(tmp_path / "a.tif", cells), line((0.5, 0.5), (2.5, 0.5)), problems=problems)
    (message,) = [p.line() for p in problems if p.kind == "looks_missing"]
    assert "-9999" in message
    assert "nodata" in message


def test_masks_scales_and_infinite_cells(tmp_path: Path) -> None:
    path = tmp_path / "scaled.tif"
    write_raster(path, CELLS.astype(np.int16))
    with rasterio.open(path, "r+") as out:
        out.scales, out.offsets = (0.5,), (100.0,)
        out.write_mask(np.array([[0, 255, 255]] * 3, dtype=np.uint8))
    np.testing.assert_array_equal(whole(path)[1], [np.nan, 102.5, 103.0])
    cells = CELLS.copy()
    cells[1, :2] = np.inf, np.nan
    np.testing.assert_array_equal(whole(write_raster(tmp_path / "b.tif", cells))[1], [np.nan, np.nan, 6.0])
    # a value that single precision cannot hold exactly is told apart all the same
    odd = write_raster(
        tmp_path / "c.tif", np.full((3, 3), np.finfo(np.float32).min), nodata=-3.4028234663852886e38
    )
    assert np.isnan(whole(odd)).all()


def whole(path: Path) -> np.ndarray:
    problems = Problems()
    with reading(opened(path), problems) as reader:
        return reader.read((0, 3), (0, 3))
