"""Outlets from disk: mouths, shores, named lines."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from barrierrank.inputs.outlets import OutletTable, read_outlets
from barrierrank.problems import InputError

EAST, NORTH = 500000.0, 4600000.0
LAKE = shapely.box(EAST - 500, NORTH - 500, EAST, NORTH + 500)


def read(case: Any, keys: str) -> OutletTable | None:
    if "[outlets]" not in case.text:
        case.edit("[sites]", f"[outlets]\n{keys}\n[sites]")
    return read_outlets(case.load(), case.problems)


def layer(case: Any, geometry: list[Any], crs: Any = "EPSG:32616", name: str = "water.gpkg") -> None:
    case.lines({}, geometry, crs=crs, name=name)


def test_no_table_no_outlets(case: Any) -> None:
    assert read_outlets(case.load(), case.problems) is None


def test_points_and_lines_named_in_the_project_file(case: Any) -> None:
    outlets = read(case, "points = [[500000, 4600000.5]]\nlines = [7, 'x']\ntolerance_m = 20")
    assert outlets is not None
    assert outlets.points.tolist() == [[500000.0, 4600000.5]]
    assert outlets.lines == ("7", "x")
    assert outlets.tolerance_m == 20.0
    assert outlets.label == "project.toml"
    assert len(outlets.polygons) == 0


def test_mouths_in_degrees_are_brought_into_the_basin(case: Any) -> None:
    degrees = gpd.GeoSeries([Point(EAST, NORTH)], crs="EPSG:32616").to_crs("EPSG:4326")
    layer(case, list(degrees), crs="EPSG:4326")
    outlets = read(case, 'path = "water.gpkg"')
    assert outlets is not None
    assert abs(outlets.points - [[EAST, NORTH]]).max() < 1e-3
    assert outlets.label == "water.gpkg"


def test_shores_come_as_single_polygons(case: Any) -> None:
    other = shapely.box(EAST + 900, NORTH, EAST + 999, NORTH + 9)
    layer(case, [MultiPolygon([LAKE, other]), LAKE])
    outlets = read(case, 'path = "water.gpkg"')
    assert outlets is not None
    assert [p.geom_type for p in outlets.polygons] == ["Polygon"] * 3
    assert sum(shapely.area(outlets.polygons)) == 2 * LAKE.area + other.area


def test_a_shore_that_crosses_itself_is_mended_and_said(case: Any) -> None:
    bow = Polygon([(EAST, NORTH), (EAST + 10, NORTH + 10), (EAST + 10, NORTH), (EAST, NORTH + 10)])
    layer(case, [bow])
    outlets = read(case, 'path = "water.gpkg"')
    assert outlets is not None
    assert shapely.is_valid(outlets.polygons).all()
    assert shapely.area(outlets.polygons).sum() == pytest.approx(50.0)  # two triangles, 10 by 5
    assert "row 1: a shore crosses itself; made valid" in case.told("mended", "invalid_polygon")


def test_empty_rows_are_left_out_and_said(case: Any) -> None:
    layer(case, [Point(EAST, NORTH), None])
    outlets = read(case, 'path = "water.gpkg"')
    assert outlets is not None
    assert len(outlets.points) == 1
    assert "row 2: no geometry; left out" in case.told("warning", "empty_geometry")


def test_nothing_but_empty_rows(case: Any) -> None:
    layer(case, [Point(), Point()], name="water.geojson")
    with pytest.raises(InputError, match="no row has a geometry -> give a layer of mouths or shores"):
        read(case, 'path = "water.geojson"')


def test_lines_are_no_outlets(case: Any) -> None:
    layer(case, [LineString([(EAST, NORTH), (EAST, NORTH + 1)])])
    with pytest.raises(
        InputError, match=r"water.gpkg: \[outlets\]: row 1: LineString, but points or polygons are"
    ):
        read(case, 'path = "water.gpkg"')


def test_missing_layer_and_crs(case: Any) -> None:
    layer(case, [LAKE])
    with pytest.raises(
        InputError, match=r'\[outlets\] layer: there is no layer "wate" -> did you mean "water"'
    ):
        read(case, 'path = "water.gpkg"\nlayer = "wate"')
    with pytest.warns(UserWarning, match="crs"):
        layer(case, [LAKE], crs=None)
    case.edit('layer = "wate"', "")
    with pytest.raises(
        InputError, match=r"water.gpkg: \[outlets\]: the layer does not say its coordinate system"
    ):
        read(case, "")


def test_a_missing_file_is_told_by_the_project_file(case: Any) -> None:
    with pytest.raises(InputError, match=r'project.toml: \[outlets\] path: there is no file "lake.gpkg"'):
        read(case, 'path = "lake.gpkg"')
