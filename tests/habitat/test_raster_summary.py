"""Rasters along reaches: by hand on 3 x 3 cells, against brute force, across coordinate systems, at the edges."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from rasterio.transform import Affine, from_origin
from support.small_rasters import CELL, NORTH, UTM, WEST, line, summary, write_raster

from barrierrank.habitat import kernels_cells, raster_buffers, raster_lines, raster_summary
from barrierrank.inputs.rasters import RasterReader
from barrierrank.problems import InputError, Problems

NONE = -9999.0
GRID = np.array([[NONE, 2, 3], [4, 5, 6], [7, 8, 9]], dtype=np.float32)
BUFFER: dict[str, Any] = {"along": "buffer", "buffer_m": 5.0}


@pytest.fixture
def grid(tmp_path: Path) -> Path:
    """Return 1 to 9 in three rows; the first cell has no data."""
    return write_raster(tmp_path / "grid.tif", GRID, nodata=NONE)


def told(problems: Problems, kind: str) -> list[str]:
    return [p.line() for p in problems if p.kind == kind]


def test_mean_weighs_cells_by_length(grid: Path) -> None:
    found = summary(grid, line((0.5, 1.5), (1.75, 1.5)), line((1.2, 0.5), (1.2, 3.0)))
    # half a cell of 4, three quarters of 5; half a cell of 2, whole ones of 5 and 8
    expected = [(0.5 * 4 + 0.75 * 5) / 1.25, (0.5 * 2 + 5 + 8) / 2.5]
    np.testing.assert_allclose(found.value, expected, rtol=1e-12)
    np.testing.assert_allclose(found.missing, 0.0, atol=1e-12)
    assert not found.shares
    assert found.name == "bed"


@pytest.mark.parametrize(
    ("statistic", "expected"),
    [
        ("mean", (3 * 0.25 + 6 * 1.0 + 9 * 0.5) / 1.75),
        # each value stands at its place in order x its weight + (3 - 1) x weight before: 3 at 0, 6 at 1 x 1 + 2 x 0.25,
        # 9 at 2 x 0.5 + 2 x 1.25 = 3.5 = (3 - 1) x 1.75; half of that, 1.75, is 0.125 of the way from 6 to 9
        ("median", 6 + 0.125 * 3),
        ("min", 3.0),
        ("max", 9.0),
    ],
)
@pytest.mark.parametrize("along", ["line", "buffer"])
def test_every_statistic(grid: Path, statistic: Any, expected: float, along: Any) -> None:
    # a quarter of the cell of 3, all of 6, half of 9; the strip is as wide as a cell
    found = summary(grid, line((2.5, 0.75), (2.5, 2.5)), statistic=statistic, along=along, buffer_m=5.0)
    assert found.value[0] == pytest.approx(expected, rel=1e-6)
    assert found.missing[0] == pytest.approx(0.0, abs=1e-12)


def test_slanting_line(grid: Path) -> None:
    # through the corners of cells 7, 5 and 3: half a diagonal, a whole one, half a one
    found = summary(grid, line((0.5, 2.5), (2.5, 0.5)))
    assert found.value[0] == pytest.approx((0.5 * 7 + 5 + 0.5 * 3) / 2)


def test_buffer_weighs_cells_by_the_part_covered(grid: Path) -> None:
    # 5 m each side of the edge between the rows of 4 5 6 and 7 8 9, from column 0.5 to 2: halves of each row
    found = summary(grid, line((0.5, 2), (2, 2)), **BUFFER)
    assert found.value[0] == pytest.approx((0.25 * 4 + 0.5 * 5 + 0.25 * 7 + 0.5 * 8) / 1.5, rel=1e-6)


def test_line_along_an_edge_goes_half_to_either_side(grid: Path) -> None:
    found = summary(grid, line((0, 2), (3, 2)), line((2, 3), (2, 1)), line((1.25, 2), (1.75, 2)))
    expected = [(4 + 5 + 6 + 7 + 8 + 9) / 6, (5 + 6 + 8 + 9) / 4, (5 + 8) / 2]
    np.testing.assert_allclose(found.value, expected, rtol=1e-12)


def test_line_along_the_outer_edge_is_half_outside(grid: Path) -> None:
    found = summary(grid, line((0, 3), (3, 3)), line((3, 1), (3, 3)))
    np.testing.assert_allclose(found.value, [8.0, 7.5])
    np.testing.assert_allclose(found.missing, 0.5)


def test_cells_without_data_are_left_out_and_their_share_told(grid: Path) -> None:
    over = line((0.5, 0.5), (2.0, 0.5))  # half a cell without data, one of 2
    inside = line((0.1, 0.2), (0.9, 0.7))
    problems = Problems()
    for options in ({}, BUFFER):
        found = summary(grid, over, problems=problems, **options)
        assert found.value[0] == pytest.approx(2.0)
        assert found.missing[0] == pytest.approx(1 / 3)
    found = summary(grid, over, inside, problems=problems)
    assert np.isnan(found.value[1])
    assert found.missing[1] == 1.0
    (message,) = told(problems, "no_data")
    assert "1 of 2 reaches" in message
    assert "grid.tif" in message


@pytest.mark.parametrize("options", [{}, BUFFER], ids=["line", "buffer"])
def test_what_lies_outside_is_missing(grid: Path, options: Any) -> None:
    problems = Problems()
    across = line((-2, 1.5), (4, 1.5))  # two cells outside, three inside, one outside
    far = line((50, 1.5), (54, 1.5))
    found = summary(grid, across, far, problems=problems, **options)
    assert found.value[0] == pytest.approx(5.0)
    assert found.missing[0] == pytest.approx(0.5)
    assert np.isnan(found.value[1])
    assert found.missing[1] == 1.0
    (message,) = told(problems, "part_outside")
    assert "70.0%" in message  # 3 + 4 cells of 6 + 4
    assert "(1 reaches wholly)" in message


def test_a_reach_without_length_takes_the_cell_at_its_place(grid: Path) -> None:
    points = [(1.5, 1.5), (2.0, 1.0), (3.0, 3.0), (0.5, 0.5), (5.0, 5.0)]
    for options in ({}, BUFFER):
        found = summary(grid, *(line(p, p) for p in points), **options)
        np.testing.assert_array_equal(found.value, [5, 6, 9, np.nan, np.nan])
        np.testing.assert_array_equal(found.missing, [0, 0, 0, 1, 1])


def test_shares_of_classes(tmp_path: Path) -> None:
    bed = np.array([[0, 1, 2], [3, 4, 5], [3, 3, 7]], dtype=np.uint8)
    path = write_raster(tmp_path / "bed.tif", bed, nodata=0)
    classes = {"sand": (4, 5), "gravel": (3,), "rock": (9,)}
    problems = Problems()
    lines = (line((0.5, 1.5), (2.75, 1.5)), line((0, 0.5), (2, 0.5)), line((0.2, 0.5), (0.8, 0.5)))
    found = summary(path, *lines, problems=problems, kind="classes", classes=classes)
    assert list(found.shares) == ["sand", "gravel", "rock", "other"]
    # half of 3, one of 4, three quarters of 5; then one without data, one of code 1; then no data alone
    np.testing.assert_allclose(found.shares["sand"], [1.75 / 2.25, 0, np.nan])
    np.testing.assert_allclose(found.shares["gravel"], [0.5 / 2.25, 0, np.nan])
    np.testing.assert_allclose(found.shares["rock"], [0, 0, np.nan])
    np.testing.assert_allclose(found.shares["other"], [0, 1, np.nan])
    np.testing.assert_allclose(found.missing, [0, 0.5, 1], atol=1e-12)
    assert np.isnan(found.value).all()
    unlabelled, unused = told(problems, "class_codes")
    assert "warning" in unlabelled
    assert "code(s) 1 " in unlabelled
    assert "rock" in unused
    strips = summary(path, *lines[:2], kind="classes", classes=classes, **BUFFER)
    for label, share in strips.shares.items():
        np.testing.assert_allclose(share, found.shares[label][:2], atol=1e-6)


def test_a_label_of_the_users_own_named_other_is_one_share(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "bed.tif", np.array([[1, 2, 3]] * 3, dtype=np.int16))
    found = summary(path, line((0, 0.5), (3, 0.5)), kind="classes", classes={"other": (1,), "sand": (2,)})
    assert {k: pytest.approx(v[0]) for k, v in found.shares.items()} == {"other": 2 / 3, "sand": 1 / 3}


def test_buffer_as_a_share_of_the_width(grid: Path) -> None:
    lines = [line((0.5, 2), (2, 2))] * 3
    problems = Problems()
    width = np.array([10.0, 0.0, np.nan])
    found = summary(grid, *lines, width_m=width, problems=problems, along="buffer", buffer_widths=0.5)
    on_line = (0.5 * (4 + 7) + 5 + 8) / 3
    np.testing.assert_allclose(found.value, [on_line] * 3, rtol=1e-6)
    assert "1 of 3 reaches have no width" in told(problems, "no_width")[0]
    with pytest.raises(InputError, match="share of the channel width, but the lines have no width"):
        summary(grid, lines[0], along="buffer", buffer_widths=0.5)


def test_no_overlap_is_one_error_with_both_extents(grid: Path) -> None:
    for options in ({}, BUFFER):
        with pytest.raises(InputError) as error:
            summary(grid, line((500, 500), (600, 500)), **options)
        (problem,) = error.value.problems
        assert problem.where == "grid.tif"
        assert "from (500000, 4600000) to (500030, 4600030)" in problem.message
        assert "(505000, 4595030) to (506000, 4595030)" in problem.message
        assert "check the CRS" in problem.remedy


def brute(values: np.ndarray, xy: np.ndarray) -> tuple[float, float]:
    """Return mean and missing share by GEOS: each segment cut by each cell; edges count half."""
    rows, columns = values.shape
    total = weight = filled = 0.0
    for a, b in itertools.pairwise(xy):
        segment = shapely.LineString([a, b])
        total += segment.length
        for r in range(rows):
            for c in range(columns):
                box = shapely.box(c, r, c + 1, r + 1)
                part = segment.intersection(box).length - 0.5 * segment.intersection(box.boundary).length
                if not np.isnan(values[r, c]):
                    weight += part
                    filled += part * values[r, c]
    return (filled / weight if weight > 1e-9 else np.nan), 1.0 - weight / total


COORDINATE = st.one_of(st.floats(-1.5, 5.5).map(lambda x: round(x, 3)), st.integers(-1, 5).map(float))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(COORDINATE, COORDINATE), min_size=2, max_size=6), st.integers(0, 2**20 - 1))
def test_lines_against_each_cell_cut_by_geos(points: list[tuple[float, float]], holes: int) -> None:
    xy = np.array(points)
    steps = np.hypot(*np.diff(xy, axis=0).T)
    if steps.sum() == 0.0:
        return
    values = np.arange(20.0).reshape(4, 5)
    values.flat[[i for i in range(20) if holes >> i & 1 and i % 3 == 0]] = np.nan
    metres = np.append(steps, 0.0)
    offsets = np.array([0, len(xy)])
    room = kernels_cells.most_pieces(xy, offsets, 4, 5)
    starts, pieces = kernels_cells.pieces_in_cells(xy, metres, offsets, 4, 5, int(room.sum()))
    assert pieces[:, 1].sum() == pytest.approx(steps.sum())  # nothing is lost
    starts, pieces = kernels_cells.merged(starts, pieces)
    cell = pieces[:, 0].astype(int)
    assert (np.diff(cell) > 0).all()
    value = np.where(cell < 0, np.nan, values.ravel()[cell])
    mean, counted = kernels_cells.weighted_statistic(starts, value, pieces[:, 1].copy(), kernels_cells.MEAN)
    expected, missing = brute(values, xy)
    assert 1.0 - counted[0] / steps.sum() == pytest.approx(missing, abs=1e-9)
    if not np.isnan(expected):
        assert mean[0] == pytest.approx(expected, abs=1e-6)


def test_lines_and_buffers_against_fine_subdivision(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(0, 10, (12, 15))
    values[rng.random(values.shape) < 0.1] = np.nan
    path = write_raster(tmp_path / "random.tif", values)
    winding = [line(*rng.uniform(-1, 13, (6, 2)).tolist()) for _ in range(20)]
    on_lines = summary(path, *winding)
    strips = summary(path, *winding, along="buffer", buffer_m=8.0)
    for i, each in enumerate(winding):
        along = shapely.get_coordinates(each.interpolate((np.arange(40_000) + 0.5) / 40_000, normalized=True))
        assert_like_points(values, along, on_lines.value[i], on_lines.missing[i])
        area = each.buffer(8.0, cap_style="flat")
        x0, y0, x1, y1 = area.bounds
        mesh = np.meshgrid(np.linspace(x0, x1, 801)[:-1], np.linspace(y0, y1, 801)[:-1])
        points = np.column_stack([m.ravel() for m in mesh])
        points += (x1 - x0) / 1600, (y1 - y0) / 1600
        shapely.prepare(area)
        within = points[shapely.contains_xy(area, points)]
        assert_like_points(values, within, strips.value[i], strips.missing[i])


def assert_like_points(values: np.ndarray, xy: np.ndarray, mean: float, missing: float) -> None:
    column = np.floor((xy[:, 0] - WEST) / CELL).astype(int)
    row = np.floor((NORTH - xy[:, 1]) / CELL).astype(int)
    inside = (column >= 0) & (row >= 0) & (column < values.shape[1]) & (row < values.shape[0])
    here = np.full(len(xy), np.nan)
    here[inside] = values[row[inside], column[inside]]
    assert missing == pytest.approx(np.isnan(here).mean(), abs=0.004)
    assert mean == pytest.approx(np.nanmean(here), abs=0.1)


@pytest.mark.parametrize("turn", [0.0, 360.0])
def test_raster_in_degrees_under_lines_in_metres(tmp_path: Path, turn: float) -> None:
    # rows differ by 1 every 0.0001 degrees (11 m); straight on the map, 20 km are bent by 8 m in degrees
    rows, columns = 600, 3500
    values = np.repeat(np.arange(rows, dtype=np.float64)[:, None], columns, axis=1)
    corner = (-87.05, 41.57)
    place = from_origin(corner[0] + turn, corner[1], 1e-4, 1e-4)
    path = write_raster(tmp_path / "degrees.tif", values, crs="EPSG:4326", transform=place)
    straight = shapely.LineString([(498_000, 4_599_000), (518_000, 4_599_500)])
    way = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    xy = shapely.get_coordinates(straight.interpolate((np.arange(20_000) + 0.5) / 20_000, normalized=True))
    for half in (xy[:10_000], xy[5_000:15_000]):
        lat = np.asarray(way.transform(*half.T)[1])
        expected = np.floor((corner[1] - lat) / 1e-4).mean()
        ends = shapely.LineString([2 * half[0] - (half[0] + half[1]) / 2, half[-1] + (half[1] - half[0]) / 2])
        found = summary(path, ends)
        assert found.value[0] == pytest.approx(expected, abs=0.02)
        strip = summary(path, ends, along="buffer", buffer_m=20.0)
        # a strip has as much on one side as on the other; cells count at their middle
        middle = ((corner[1] - lat) / 1e-4).mean() - 0.5
        assert strip.value[0] == pytest.approx(middle, abs=0.02)
        assert strip.missing[0] == 0.0


def test_length_counts_in_metres_where_cells_are_in_degrees(tmp_path: Path) -> None:
    # 500 m north in a cell of 1, then 500 m east in a cell of 2: half and half, although a degree east is shorter
    way = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    x, y = way.transform(-87.0, 41.5)
    path = write_raster(
        tmp_path / "two.tif", np.array([[1.0, 2.0]]), crs="EPSG:4326",
        transform=from_origin(-87.05, 41.55, 0.05, 0.1),
    )  # fmt: skip
    bend = shapely.LineString([(x - 0.01, y - 500), (x - 0.01, y), (x + 500, y)])
    assert summary(path, bend).value[0] == pytest.approx(1.5, abs=1e-3)


def test_turned_and_south_up_rasters(tmp_path: Path, grid: Path) -> None:
    rng = np.random.default_rng(3)
    lines = [line(*rng.uniform(0, 3, (4, 2)).tolist()) for _ in range(6)]
    corner = (WEST, NORTH)
    c, s = CELL * math.cos(math.pi / 6), CELL * math.sin(math.pi / 6)
    turned = Affine(c, s, WEST, s, -c, NORTH)
    path = write_raster(tmp_path / "turned.tif", GRID, nodata=NONE, transform=turned)
    back = write_raster(
        tmp_path / "south_up.tif", GRID[::-1], nodata=NONE,
        transform=Affine(CELL, 0, WEST, 0, CELL, NORTH - 3 * CELL),
    )  # fmt: skip
    with_turn = [shapely.affinity.rotate(each, 30, origin=corner) for each in lines]
    for options in ({}, BUFFER, {"statistic": "median"}):
        expected = summary(grid, *lines, **options)
        for found in (summary(path, *with_turn, **options), summary(back, *lines, **options)):
            np.testing.assert_allclose(found.value, expected.value, rtol=1e-5)
            np.testing.assert_allclose(found.missing, expected.missing, atol=2e-6)


def test_integers_do_not_truncate_the_median(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "whole.tif", GRID.astype(np.int16), nodata=-9999)
    for along in ("line", "buffer"):
        found = summary(path, line((2.5, 0.75), (2.5, 2.5)), statistic="median", along=along, buffer_m=5.0)
        assert found.value[0] == pytest.approx(6.375, rel=1e-6)


def test_large_areas_and_small_batches_give_the_same(tmp_path: Path, monkeypatch: Any) -> None:
    rng = np.random.default_rng(8)
    path = write_raster(
        tmp_path / "random.tif", rng.normal(0, 10, (60, 60)), tiled=True, blockxsize=16, blockysize=16
    )
    lines = [line(*(rng.uniform(0, 55, 2) + rng.uniform(0, 8, (5, 2))).tolist()) for _ in range(30)]
    expected = [summary(path, *lines, **options) for options in ({}, BUFFER)]
    monkeypatch.setattr(raster_buffers, "LARGE_CELLS", 20)
    monkeypatch.setattr(raster_lines, "MOST_PIECES", 40)
    monkeypatch.setattr(raster_summary, "REACHES_AT_A_TIME", 7)
    for options, whole in zip(({}, BUFFER), expected, strict=True):
        found = summary(path, *lines, **options)
        np.testing.assert_allclose(found.value, whole.value, rtol=1e-6)
        np.testing.assert_allclose(found.missing, whole.missing, atol=2e-6)


@pytest.mark.parametrize("options", [{}, BUFFER], ids=["line", "buffer"])
def test_no_more_than_a_tile_or_so_is_read_at_a_time(tmp_path: Path, monkeypatch: Any, options: Any) -> None:
    sizes: list[int] = []
    read = RasterReader.read

    def noting(self: RasterReader, rows: tuple[int, int], columns: tuple[int, int]) -> np.ndarray:
        out = read(self, rows, columns)
        sizes.append(out.size)
        return out

    monkeypatch.setattr(RasterReader, "read", noting)
    side = 5000
    path = tmp_path / "big.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=side, width=side, count=1, dtype="uint8", crs=UTM, tiled=True,
        transform=from_origin(WEST, NORTH, CELL, CELL), sparse_ok=True,
    ):  # fmt: skip
        pass
    at = np.stack(np.meshgrid(np.arange(20, side, 90), np.arange(20, side, 90)), -1).reshape(-1, 2)
    found = summary(path, *(line((x, y), (x + 10, y + 7)) for x, y in at.tolist()), **options)
    assert (found.value == 0.0).all()
    assert max(sizes) < 1100 * 1100
    assert sum(sizes) < 1.1 * side * side


def test_reaches_are_not_changed(grid: Path) -> None:
    winding = shapely.LineString([(WEST, NORTH, 5.0), (WEST + 20, NORTH - 20, 4.0)])
    before = winding.wkb
    summary(grid, winding, **BUFFER)
    assert winding.wkb == before
