"""What is said where a layer of stream lines is at fault."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyarrow as pa
import pytest
from shapely import LineString, Point, Polygon

from barrierrank.inputs.arrow import text_column
from barrierrank.inputs.lines import LineTable, read_lines
from barrierrank.inputs.report import Report
from barrierrank.problems import InputError

EAST, NORTH = 500000.0, 4600000.0


def read(case: Any) -> LineTable:
    return read_lines(case.load(), case.problems)


def test_missing_columns_are_told_all_at_once(case: Any) -> None:
    case.edit('id = "line_id"', 'id = "lineid"').edit('to_node = "b"', 'to_node = "bb"\nname = "river"')
    with pytest.raises(
        InputError, match=r'streams.gpkg: \[hydrography\] id: there is no column "lineid"'
    ) as caught:
        read(case)
    text = str(caught.value)
    assert 'did you mean "line_id"? columns are line_id, a, b' in text
    assert 'to_node: there is no column "bb"' in text
    assert 'name: there is no column "river"' in text


def test_duplicate_ids_are_listed_with_rows(case: Any) -> None:
    case.lines({"line_id": [4, 4]})
    with pytest.raises(
        InputError, match=r'column "line_id": 4 stand in more than one row \(rows 1, 2\) -> give'
    ):
        read(case)


def test_lines_without_id_are_named_after_their_row(case: Any) -> None:
    case.lines({"line_id": [4.0, None]})
    assert read(case).source_id.tolist() == ["4", "row 2"]
    assert "row 2" in case.told("mended", "missing_id")


def test_node_columns_without_nodes(case: Any) -> None:
    case.lines({"a": [-9, -9], "b": [-9998, -9]})
    with pytest.raises(InputError, match='"a" and "b" hold no node at all -> name the columns'):
        read(case)


def test_a_zone_far_from_the_streams_is_warned_of(case: Any) -> None:
    place = gpd.GeoSeries([LineString([(EAST, NORTH), (EAST + 9, NORTH)])], crs="EPSG:32610")
    case.lines({}, list(place), crs="EPSG:32610")
    read(case)
    told = case.told("warning", "crs_area")
    assert "[basin] crs: WGS 84 / UTM zone 16N is meant for" in told
    assert "longitude -123.0, latitude 41.6 -> choose a system for that place" in told


def test_many_unknown_ids_are_summed_up(case: Any) -> None:
    case.edit('to_node = "b"\n', f'to_node = "b"\nleave_out = {list(range(100, 160))}\n')
    with pytest.raises(InputError, match='no line has the id "100"') as caught:
        read(case)
    assert "more ids that no line has: 110, 111, 112, 113, 114, ... (50 in all)" in str(caught.value)


def test_missing_layer_names_those_there_are(case: Any) -> None:
    case.points({"q": [1]}, [(EAST, NORTH)], "streams.gpkg", layer="mouths", append=True)
    case.edit('path = "streams.gpkg"', 'path = "streams.gpkg"\nlayer = "stream"')
    with pytest.raises(
        InputError, match=r'no layer "stream" -> did you mean "streams"\? layers are streams, mouths'
    ):
        read(case)


def test_the_only_layer_of_lines_is_taken_and_said(case: Any) -> None:
    case.points({"q": [1]}, [(EAST, NORTH)], "streams.gpkg", layer="mouths", append=True)
    assert read(case).label == "streams.gpkg, layer streams"
    assert '"streams" is read, the only layer of lines' in case.told("note", "layer")


def test_two_layers_of_lines_must_be_chosen_from(case: Any) -> None:
    other = gpd.GeoDataFrame({"q": [1]}, geometry=[LineString([(0, 0), (1, 1)])], crs="EPSG:32616")
    other.to_file(case.folder / "streams.gpkg", layer="canals", engine="pyogrio", append=True)
    with pytest.raises(InputError, match="2 layers, 2 of them of lines -> name one of: streams, canals"):
        read(case)


def test_a_file_that_vanished(case: Any) -> None:
    project = case.load()
    (case.folder / "streams.gpkg").unlink()
    with pytest.raises(InputError, match=r"streams\.gpkg: .*there is no such file"):
        read_lines(project, case.problems)


def _many(case: Any, name: str) -> Path:
    lines = [LineString([(EAST + i, NORTH), (EAST + i + 1, NORTH + 5)]) for i in range(3000)]
    return case.lines({}, lines, name=name)  # type: ignore[no-any-return]


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
@pytest.mark.parametrize("share", [0.3, 0.9])
def test_truncated_files_are_refused(case: Any, suffix: str, share: float) -> None:
    path = _many(case, f"cut.{suffix}")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    case.edit("streams.gpkg", f"cut.{suffix}")
    with pytest.raises(InputError, match=rf"cut\.{suffix}.*(cannot be read|can be read|no valid).* -> "):
        read(case)


def test_a_file_that_is_no_layer(case: Any) -> None:
    case.write("streams.gpkg", "this is no GeoPackage")
    with pytest.raises(
        InputError, match=r"streams.gpkg: \[hydrography\] path: the file cannot be read"
    ) as caught:
        read(case)
    assert str(case.folder) not in str(caught.value)


def test_shapefile_without_its_table(case: Any) -> None:
    case.lines({}, name="bare.shp")
    (case.folder / "bare.dbf").unlink()
    case.edit("streams.gpkg", "bare.shp")
    with pytest.raises(InputError, match=r'no column "line_id" -> .*(dbf|columns are)'):
        read(case)


def test_texts_in_latin_1_are_read_and_noted(case: Any) -> None:
    raw = pa.chunked_array([pa.array([b"B\xe4ke ", None, b"Moor"]).view(pa.string())])
    assert text_column(raw, Report(case.problems, "x", "[h]")).tolist() == ["Bäke", "", "Moor"]
    assert "Windows-1252" in case.told("note", "encoding")


def test_empty_layer(case: Any) -> None:
    frame = gpd.GeoDataFrame(
        {"line_id": [1], "a": [1], "b": [2]}, geometry=[LineString([(0, 0), (1, 1)])], crs=32616
    )
    (case.folder / "streams.gpkg").unlink()
    frame.iloc[:0].to_file(case.folder / "streams.gpkg", engine="pyogrio", geometry_type="LineString")
    with pytest.raises(InputError, match=r"streams.gpkg: \[hydrography\]: the layer has no rows -> give"):
        read(case)


def test_missing_crs(case: Any) -> None:
    case.lines({}, crs=None)
    with pytest.raises(
        InputError, match=r"streams.gpkg: .*does not say its coordinate system \(CRS\) -> set the CRS"
    ):
        read(case)


def test_wrong_geometry_types(case: Any) -> None:
    pond = Polygon([(EAST, NORTH), (EAST + 5, NORTH), (EAST, NORTH + 5)])
    case.lines({}, [pond, pond])
    with pytest.raises(
        InputError, match=r"rows 1, 2: Polygon, but lines are needed -> give a layer of lines"
    ):
        read(case)
    line = LineString([(EAST, NORTH), (EAST + 5, NORTH)])
    case.lines({}, [line, Point(EAST, NORTH), pond], name="mixed.geojson")
    case.edit("streams.gpkg", "mixed.geojson")
    with pytest.raises(InputError, match=r"rows 2, 3: Point, Polygon, but lines are needed"):
        read(case)


def test_a_table_without_geometry(case: Any) -> None:
    case.edit('path = "streams.gpkg"', 'path = "streams.csv"')
    case.write("streams.csv", "line_id,a,b\n1,2,3\n")
    with pytest.raises(InputError, match=r"streams.csv: .*no geometry, but lines are needed"):
        read(case)


def test_degrees_in_a_system_of_metres(case: Any) -> None:
    case.lines({}, [LineString([(-87.1, 41.5), (-87.0, 41.6)])])
    with pytest.raises(
        InputError, match=r"\(-87.1, 41.5\) to .*look like degrees, .*not in degrees -> set the CRS"
    ):
        read(case)


def test_small_local_coordinates_are_not_taken_for_degrees(case: Any) -> None:
    case.lines({}, [LineString([(0, 0), (100, 0)])])
    assert len(read(case)) == 1


def test_metres_in_a_system_of_degrees(case: Any) -> None:
    case.lines({}, crs="EPSG:4326")
    with pytest.raises(
        InputError, match=r"which are not degrees, but the CRS WGS 84 is in degrees -> set the CRS"
    ):
        read(case)


def test_coordinates_that_are_none_or_have_no_place(case: Any) -> None:
    good = LineString([(-87.1, 41.5), (-87.0, 41.6)])
    case.lines({}, [good, LineString([(-87.1, 41.5), (float("inf"), 41.6)])], crs="EPSG:4326")
    with pytest.raises(
        InputError, match=r"row 2: the coordinates have no place in WGS 84 / UTM zone 16N -> check"
    ):
        read(case)
    case.lines(
        {}, [LineString([(EAST, NORTH), (float("nan"), NORTH)]), LineString([(EAST, NORTH), (EAST, 0)])]
    )
    with pytest.raises(InputError, match=r"row 1: the coordinates have no place"):
        read(case)


def test_unreadable_geometry_counts_as_empty_and_is_said(case: Any) -> None:
    with sqlite3.connect(case.folder / "streams.gpkg") as base:
        blob = base.execute("select geom from streams where fid = 2").fetchone()[0]
        for trigger in base.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            base.execute(f"drop trigger {trigger[0]}")
        base.execute("update streams set geom = ? where fid = 2", (blob[:-4],))
    base.close()
    lines = read(case)
    assert lines.geometry[1] is None
    assert "row 2: no valid geometry, counted as empty -> mend" in case.told("warning", "geometry_unreadable")


def test_the_table_handed_in_is_not_changed(case: Any) -> None:
    before = (case.folder / "streams.gpkg").read_bytes()
    read(case)
    assert (case.folder / "streams.gpkg").read_bytes() == before
