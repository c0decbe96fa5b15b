"""Sites from disk: what arrives, and what is said where the table is at fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from shapely import LineString, MultiPoint

from barrierrank.inputs.sites import SiteTable, read_sites
from barrierrank.problems import InputError

HEAD = "site,name,x,y,p_lamprey,p_walleye,built\n"
XY_KEYS = 'x = "x"\ny = "y"\ncrs = "EPSG:32616"\n'


def read(case: Any) -> SiteTable:
    return read_sites(case.load(), case.problems)


def rows(case: Any, *lines: str) -> Any:
    case.write("sites.csv", HEAD + "".join(f"{line}\n" for line in lines))
    return case


def test_sound_sites_arrive_as_they_are(case: Any) -> None:
    sites = read(case)
    assert sites.site.tolist() == ["D1", "D2"]
    assert sites.row.tolist() == [2, 3]  # as a spreadsheet shows them
    assert sites.name.tolist() == ["Lower weir", "Upper weir"]
    assert sites.kind.tolist() == ["", ""]
    assert sites.x.tolist() == [500500.0, 501500.0]
    assert sites.y.tolist() == [4600000.0, 4600000.0]
    assert sites.stream is None
    assert sites.drainage_area_km2 is None
    assert sites.passability.tolist() == [[0.1, 0.25], [0.2, 0.5]]  # poor = 0.25
    assert (sites.passability_down == 1.0).all()
    assert sites.failure_probability.tolist() == [0.0, 0.0]
    assert sites.table.columns.tolist() == ["built"]
    assert sites.table["built"].tolist() == ["1950", "1960"]
    assert not case.problems.of("error")


def test_every_key_of_sites_is_used(case: Any) -> None:
    case.write(
        "sites.csv",
        "site,k,river,da,x,y,p_lamprey,p_walleye,f,d\nA,weir,Alder,12.5,1,2,0,1,0.02,poor\n"
        "B,dam,,,3,4,1,0,,0.5\n",
    )
    case.edit(
        'name = "name"\n', 'kind = "k"\nstream = "river"\ndrainage_area = "da"\nfailure_probability = "f"\n'
    )
    case.edit('passability = "p_walleye"', 'passability = 0.3\npassability_down = "d"')
    sites = read(case)
    assert sites.kind.tolist() == ["weir", "dam"]
    assert sites.stream is not None
    assert sites.stream.tolist() == ["Alder", ""]
    np.testing.assert_array_equal(sites.drainage_area_km2, [12.5, np.nan])  # type: ignore[arg-type]
    assert sites.failure_probability.tolist() == [0.02, 0.0]
    assert "1 empty cells count as 0" in case.told("note", "no_value")
    assert sites.passability[:, 1].tolist() == [0.3, 0.3]
    assert sites.passability_down[:, 1].tolist() == [0.25, 0.5]
    assert sites.table.columns.tolist() == ["p_walleye"]


def test_degrees_are_brought_into_the_crs_of_the_basin(case: Any) -> None:
    rows(case, "A,n,-87.0,41.549,0,0,", "B,n,-86.99,41.55,0,0,")
    case.edit(XY_KEYS, XY_KEYS.replace("32616", "4326"))
    sites = read(case)
    np.testing.assert_allclose(sites.x[0], 500000.0, atol=0.01)  # the central meridian of the zone
    assert 4.59e6 < sites.y[0] < 4.61e6


@pytest.mark.parametrize("suffix", ["gpkg", "geojson", "shp", "fgb"])
def test_layers_of_points(case: Any, suffix: str) -> None:
    case.points(
        {"site": [7, 8], "p_lamprey": [0.0, 1.0], "p_walleye": ["poor", "none"]},
        [(500500, 4600000), (501000, 4600000)],
        f"s.{suffix}",
        **({"SPATIAL_INDEX": "NO"} if suffix == "fgb" else {}),
    )
    case.edit("sites.csv", f"s.{suffix}").edit(XY_KEYS, "").edit('name = "name"\n', "")
    sites = read(case)
    assert sites.site.tolist() == ["7", "8"]
    assert sites.row.tolist() == [1, 2]
    np.testing.assert_allclose(sites.x, [500500, 501000], atol=1e-2)
    assert sites.passability[:, 1].tolist() == [0.25, 0.0]


def test_spreadsheets(case: Any) -> None:
    frame = pd.DataFrame(
        {
            "site": [1, 2],
            "name": ["a", None],
            "x": [1.5, 2.0],
            "y": [3, 4],
            "p_lamprey": [0, 0.5],
            "p_walleye": ["poor", 1],
        }
    )
    with pd.ExcelWriter(case.folder / "s.xlsx") as book:
        frame.to_excel(book, sheet_name="structures", index=False)
        frame.iloc[:1].to_excel(book, sheet_name="old", index=False)
    case.edit("sites.csv", "s.xlsx")
    sites = read(case)
    assert sites.site.tolist() == ["1", "2"]
    assert sites.name.tolist() == ["a", ""]
    assert sites.row.tolist() == [2, 3]
    assert sites.passability.tolist() == [[0.0, 0.25], [0.5, 1.0]]
    assert 'sheet "structures", the first of 2, is read' in case.told("note", "layer")
    case.edit('"s.xlsx"', '"s.xlsx"\nlayer = "old"')
    assert len(read(case)) == 1
    case.edit('layer = "old"', 'layer = "structure"')
    with pytest.raises(
        InputError, match=r'no sheet "structure" -> did you mean "structures"\? sheets are structures'
    ):
        read(case)


@pytest.mark.parametrize(
    "content", [b"no spreadsheet", b"PK\x03\x04" + b"\0" * 50, b""], ids=["text", "cut", "empty"]
)
def test_broken_spreadsheets(case: Any, content: bytes) -> None:
    case.write("s.xlsx", content)
    case.edit("sites.csv", "s.xlsx")
    with pytest.raises(
        InputError, match=r"s.xlsx: \[sites\] path: the spreadsheet cannot be read .* -> .*save it again"
    ):
        read(case)


def test_truncated_spreadsheet(case: Any) -> None:
    pd.DataFrame({"site": range(500)}).to_excel(case.folder / "s.xlsx", index=False)
    whole = (case.folder / "s.xlsx").read_bytes()
    case.write("s.xlsx", whole[: len(whole) // 2])
    case.edit("sites.csv", "s.xlsx")
    with pytest.raises(InputError, match=r"s\.xlsx: .*the spreadsheet cannot be read"):
        read(case)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(case: Any, encoding: str) -> None:
    case.write("sites.csv", (HEAD + "D1,Rivière du Pré,1,2,0,0,\n").encode(encoding))
    assert read(case).name.tolist() == ["Rivière du Pré"]
    notes = [p.line() for p in case.problems if p.kind == "encoding"]
    assert len(notes) == (encoding == "cp1252")
    if notes:
        assert "line 2 is not UTF-8; the file was read as Windows-1252" in notes[0]


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (HEAD.encode() + b"D1,a\0b,1,2,0,0,\n", r"line 2 holds a NUL byte.* -> save it as CSV in UTF-8"),
        (
            HEAD.encode() + b"D1,\x81\x8d,1,2,0,0,\n",
            r"line 2 is neither UTF-8 nor Windows-1252 text -> save it",
        ),
        (b"\xff\xfes\0i\0t", r"breaks off inside a UTF-16 character"),
        (b"", r"the table is empty -> fill it"),
        (b"\n\n,,\n", r"the table is empty -> fill it"),
        (HEAD.encode(), r"has no rows below its headings"),
        (HEAD.encode() + b'D1,"never closed,1,2,0,0,\n', r"cannot be read .* -> look for a quote"),
        (b"site,name,name\n1,2,3\n", r"heading name is there twice -> give each column"),
        (HEAD.encode() + b"D1,a,1,2,0,0,1950,extra\n", r"row 2: more cells than the 7 headings"),
    ],
    ids=[
        "NUL",
        "undecodable",
        "cut UTF-16",
        "empty",
        "blank",
        "headings alone",
        "open quote",
        "heading twice",
        "ragged",
    ],
)
def test_files_that_are_no_table(case: Any, content: bytes, match: str) -> None:
    case.write("sites.csv", content)
    with pytest.raises(InputError, match=r"sites\.csv: \[sites\].*" + match):
        read(case)


def test_semicolons_and_decimal_commas_are_noticed(case: Any) -> None:
    text = HEAD.replace(",", ";") + "D1;a;500500,5;4600000,25;0,125;0,5;\n"
    case.write("sites.csv", text)
    sites = read(case)
    assert (sites.x[0], sites.y[0]) == (500500.5, 4600000.25)
    assert sites.passability.tolist() == [[0.125, 0.5]]
    assert "separated by semicolons" in case.told("note", "delimiter")
    assert 'column "x": 1 cells have a decimal comma; read "500500,5" as 500500' in case.told(
        "note", "decimal_comma"
    )


def test_tabs_quotes_and_blank_rows(case: Any) -> None:
    case.write("sites.csv", HEAD.replace(",", "\t") + '\nD1\t"a ""big"" weir,\nold"\t1\t2\t0\t1\t\n')
    sites = read(case)
    assert sites.name.tolist() == ['a "big" weir,\nold']
    assert sites.row.tolist() == [3]


SPOILED = [
    pytest.param(
        ["D1,a,1,2,1.2,0,"],
        r'row 2 \("D1"\), column "p_lamprey": given 1.2, allowed: from 0 to 1 -> .*divide '
        "the column by 100",
        id="above one",
    ),
    pytest.param(
        ["D1,a,1,2,-0.1,0,"], r'column "p_lamprey": given -0.1, allowed: from 0 to 1 -> mend', id="negative"
    ),
    pytest.param(
        ["D1,a,1,2,50,0,", "D2,b,1,2,100,0,"],
        r"rows 2, 3 .*given 50.* -> if these are per cent, divide the "
        "column by 100",
        id="per cent",
    ),
    pytest.param(
        ["D1,a,1,2,50%,0,"], r'row 2, column "p_lamprey": "50%" is not a number -> write 0.5', id="50%"
    ),
    pytest.param(
        ["D1,a,1,2,high,0,"],
        r'row 2 \(site "D1"\), column "p_lamprey": "high" is neither a number nor a '
        r"rating -> add the word to \[ratings\], or mend it \(\[ratings\] has none, poor\)",
        id="no rating",
    ),
    pytest.param(
        ["D1,a,1,2,,0,"],
        r'row 2 \(site "D1"\), column "p_lamprey": no passability -> give a number',
        id="empty passability",
    ),
    pytest.param(["D1,a,1,2,NaN,0,"], r'row 2 \(site "D1"\), column "p_lamprey": no passability', id="NaN"),
    pytest.param(["D1,a,1,2,inf,0,"], r'"inf" is neither a number nor a rating', id="infinite"),
    pytest.param(
        [",a,1,2,0,0,", "D2,b,1,2,0,0,"], r'id: column "site": row 2 without id -> give every', id="no id"
    ),
    pytest.param(
        ["D1,a,1,2,0,0,", "D1,b,1,2,0,0,"],
        r'"site": D1 stand in more than one row \(rows 2, 3\)',
        id="id twice",
    ),
    pytest.param(
        ["D1,a,,2,0,0,", "D2,b,1,2,0,0,"], r'row 2 \(site "D1"\): coordinates are missing -> fill', id="no x"
    ),
    pytest.param(["D1,a,1,north,0,0,"], r'row 2, column "y": "north" is not a number', id="y in words"),
    pytest.param(
        ["D1,a,-87.1,41.5,0,0,", "D2,b,-87,41.6,0,0,"],
        r"crs: .*look like degrees, .* -> set the CRS",
        id="degrees in metres",
    ),
]


@pytest.mark.parametrize(("lines", "match"), SPOILED)
def test_each_fault_is_told_with_row_site_column_and_remedy(case: Any, lines: list[str], match: str) -> None:
    rows(case, *lines)
    with pytest.raises(InputError, match=match) as caught:
        read(case)
    assert str(caught.value).startswith("error: sites.csv: [")


def test_all_faults_are_told_at_once(case: Any) -> None:
    rows(case, "D1,a,,2,7,huh,", "D1,b,1,2,,0.5,")
    with pytest.raises(InputError, match="D1 stand in more than one row") as caught:
        read(case)
    for words in ("coordinates are missing", "given 7", '"huh" is neither', "no passability"):
        assert words in str(caught.value)


def test_metres_in_a_system_of_degrees(case: Any) -> None:
    case.edit(XY_KEYS, XY_KEYS.replace("32616", "4326"))
    with pytest.raises(InputError, match="which are not degrees, but the CRS WGS 84 is in degrees"):
        read(case)


def test_longitude_and_latitude_swapped(case: Any) -> None:
    rows(case, "A,n,41.549,-87.0,0,0,", "B,n,41.55,-86.99,0,0,")
    case.edit(XY_KEYS, XY_KEYS.replace("32616", "4326"))
    with pytest.raises(
        InputError, match=r'x and y are swapped: x = "x" gives 41.549.* -> write x = "y" and y = "x"'
    ):
        read(case)


def test_easting_and_northing_swapped(case: Any) -> None:
    rows(case, "A,n,4600000,500000,0,0,", "B,n,4600100,500900,0,0,")
    with pytest.raises(InputError, match="x and y are swapped"):
        read(case)


def test_latitude_beyond_the_pole_tells_of_swapped_columns(case: Any) -> None:
    rows(case, "A,n,41.5,-120.0,0,0,")
    case.edit(XY_KEYS, XY_KEYS.replace("32616", "4326"))
    with pytest.raises(InputError, match="x and y are swapped"):
        read(case)


def test_missing_columns_name_the_nearest(case: Any) -> None:
    case.edit('passability = "p_lamprey"', 'passability = "p_lampry"').edit('name = "name"', 'name = "nam"')
    with pytest.raises(
        InputError, match=r'species.lamprey\] passability: there is no column "p_lampry"'
    ) as caught:
        read(case)
    assert 'did you mean "p_lamprey"? columns are site, name, x, y' in str(caught.value)
    assert '[sites] name: there is no column "nam"' in str(caught.value)


def test_a_table_without_geometry_needs_coordinates(case: Any) -> None:
    case.edit(XY_KEYS, "")
    with pytest.raises(InputError, match=r'no geometry -> name the columns .* by x, y and crs .* x = "x"'):
        read(case)


def test_points_without_place_or_of_another_kind(case: Any) -> None:
    columns = {"site": [1, 2], "p_lamprey": [0, 0], "p_walleye": [0, 0]}
    case.edit("sites.csv", "s.geojson").edit(XY_KEYS, "").edit('name = "name"\n', "")
    case.lines(columns, [MultiPoint([(5e5, 4.6e6), (5e5, 4.7e6)]), None], name="s.geojson")
    with pytest.raises(InputError, match="row 2: no place -> set their points") as caught:
        read(case)
    assert "row 1: more than one point -> split them" in str(caught.value)
    case.lines(columns, [LineString([(5e5, 4.6e6), (5e5, 4.7e6)])] * 2, name="s.geojson")
    with pytest.raises(InputError, match="rows 1, 2: LineString, but points are needed"):
        read(case)


def test_points_without_crs_take_that_of_the_project_file(case: Any) -> None:
    import geopandas as gpd  # noqa: PLC0415

    frame = gpd.GeoDataFrame(
        {"site": [1], "p_lamprey": [0.0], "p_walleye": [0.0]}, geometry=gpd.points_from_xy([5e5], [4.6e6])
    )
    with pytest.warns(UserWarning, match="crs"):
        frame.to_file(case.folder / "s.gpkg", engine="pyogrio")
    case.edit("sites.csv", "s.gpkg").edit('name = "name"\n', "").edit(XY_KEYS, "")
    with pytest.raises(InputError, match="does not say its coordinate system"):
        read(case)
    case.edit('path = "s.gpkg"', 'path = "s.gpkg"\ncrs = "EPSG:32616"')
    assert read(case).x.tolist() == [5e5]


@pytest.mark.parametrize("bad", ["1.5", "-0.1", "often"])
def test_failure_probability_is_a_share(case: Any, bad: str) -> None:
    rows(case, f"D1,a,1,2,0,0,{bad}")
    case.edit('id = "site"', 'id = "site"\nfailure_probability = "built"')
    with pytest.raises(InputError, match=r'failure_probability: row 2 .*column "built"'):
        read(case)


def test_drainage_area_must_be_above_zero_and_without_thousands(case: Any) -> None:
    case.edit('id = "site"', 'id = "site"\ndrainage_area = "built"')
    rows(case, "D1,a,1,2,0,0,0")
    with pytest.raises(
        InputError, match=r'drainage_area: row 2 \("D1"\), column "built": given 0, allowed: above 0'
    ):
        read(case)
    rows(case, 'D1,a,1,2,0,0,"1,200"')
    with pytest.raises(
        InputError, match='"1,200" is not a number -> write 1200 without thousands separators'
    ):
        read(case)


def test_a_layer_of_a_text_table_is_not_used_and_said(case: Any) -> None:
    case.edit('path = "sites.csv"', 'path = "sites.csv"\nlayer = "x"')
    read(case)
    assert 'layer: "x" is not used: a text table has no layers' in case.told("warning", "unused")


def test_a_file_that_vanished(case: Any) -> None:
    project = case.load()
    (case.folder / "sites.csv").unlink()
    with pytest.raises(InputError, match=r"sites.csv: \[sites\] path: there is no such file"):
        read_sites(project, case.problems)


def test_ids_written_by_spreadsheets_lose_point_and_zero(case: Any) -> None:
    rows(case, "7.0,a,1,2,0,0,", "8.0,b,1,2,0,0,")
    assert read(case).site.tolist() == ["7", "8"]
