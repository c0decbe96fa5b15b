"""Bad input at the command line: one clear line a fault, with file, row or id and remedy, and nothing left behind.

Rasters that do not overlap and a budget of zero come with the stages that read rasters and budgets.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyogrio
import pytest
import shapely
from support.command import run
from support.small_basin import ACTIONS, COURSES, SITES, SmallBasin

LINES = [shapely.LineString(c) for c in COURSES]
DIRECTION = 'direction = "nodes"\nfrom_node = "a"\nto_node = "b"'
TREATMENT = '[species.lamprey.treatment]\ncost_per_unit = 9\nper = "discharge"\ninterval_years = 4\n'
Spoil = Callable[[SmallBasin], object]


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project to spoil."""
    return SmallBasin(tmp_path / "basin")


def as_drawn(small: SmallBasin) -> SmallBasin:
    """Let the direction come from the drawing, so that the lines are noded."""
    return small.edit(DIRECTION, 'direction = "digitised"')


def cut(small: SmallBasin, name: str, share: float) -> None:
    """Cut a file short."""
    raw = (small.folder / name).read_bytes()
    small.write(name, raw[: int(len(raw) * share)])


def folder_of_that_name(small: SmallBasin, name: str) -> None:
    (small.folder / name).unlink()
    (small.folder / name).mkdir()


def spreadsheet(small: SmallBasin, share: float) -> None:
    """Give the sites as a spreadsheet that is cut short."""
    pd.DataFrame({"site": ["D1"] * 500}).to_excel(small.folder / "sites.xlsx", index=False)
    small.edit('path = "sites.csv"', 'path = "sites.xlsx"')
    cut(small, "sites.xlsx", share)


def shapefile(small: SmallBasin, lost: str) -> None:
    """Give the streams as a shapefile that lacks one of its files, or half of one."""
    small.lines({}, name="streams.shp")
    small.edit('path = "streams.gpkg"', 'path = "streams.shp"')
    if lost == "half":
        cut(small, "streams.shp", 0.5)
    else:
        (small.folder / f"streams{lost}").unlink()


def ring(*ids: int) -> list[Any]:
    """Three lines that flow in a circle and one that leads out of it."""
    a, b, c, d = (500000, 4600000), (501000, 4600000), (500500, 4601000), (499000, 4600000)
    return [shapely.LineString(p) for p in ((a, b), (b, c), (c, a), (a, d))]


def lake(small: SmallBasin) -> None:
    small.lines({}, [shapely.Point(600000, 4700000).buffer(1000)] * 4, name="lake.gpkg")
    small.edit("[sites]", '[outlets]\npath = "lake.gpkg"\n\n[sites]')


# name, how the project is spoiled, pieces of the one line that tells it
ERRORS: tuple[tuple[str, Spoil, tuple[str, ...]], ...] = (
    ("no crs of the basin", lambda b: b.edit('crs = "EPSG:32616"\n\n[hyd', "\n[hyd"),
     ("project.toml: [basin] crs: the key is missing", 'add it, for example crs = "EPSG:32616"')),
    ("crs of the basin in degrees", lambda b: b.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:4326"\n\n[hyd'),
     ("project.toml: [basin] crs", "in degrees: lengths cannot be measured in it", "choose a projected one in metres")),
    ("crs of the basin in feet", lambda b: b.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:2264"\n\n[hyd'),
     ("project.toml: [basin] crs", "US survey foot, not metre", "choose a projected one in metres")),
    ("crs nobody knows", lambda b: b.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:999999"\n\n[hyd'),
     ("project.toml: [basin] crs", "no coordinate system known here")),
    ("layer without crs", lambda b: b.lines({}, crs=None),
     ("streams.gpkg: [hydrography]", "does not say its coordinate system", "set the CRS of the layer")),
    ("layer in degrees said to be in metres",
     lambda b: b.lines({}, [shapely.LineString([(-87.0, 41.5), (-87.1, 41.5)])]),
     ("streams.gpkg: [hydrography]", "look like degrees", "set the CRS the coordinates are truly in")),
    ("sites with x and y swapped", lambda b: b.edit('x = "x"\ny = "y"', 'x = "y"\ny = "x"'),
     ("sites.csv: [sites]", "x and y are swapped", 'write x = "x" and y = "y"')),
    ("all sites far away", lambda b: b.write("sites.csv", SITES.replace("4600", "4700")),
     ("sites.csv", "none of the 3 site(s) lies within 100 m", "check x, y and crs in [sites]")),
    ("no outlet near a point", lambda b: b.edit("[sites]", "[outlets]\npoints = [[600000, 4700000]]\n\n[sites]"),
     ("project.toml", "outlet point 1 (600000, 4700000) is 141421 m from", "move the point to the mouth")),
    ("no outlet at the water", lake, ("lake.gpkg", "no line ends at a named outlet", "check the CRS of the outlets")),
    ("outlet line that is not there", lambda b: b.edit("[sites]", "[outlets]\nlines = [77]\n\n[sites]"),
     ("project.toml: [outlets] lines", 'no line has the id "77"', "give ids as they stand in the id column")),
    ("circle by nodes", lambda b: b.lines({"a": [1, 2, 3, 0], "b": [0, 1, 1, 2]}),
     ("streams.gpkg", "3 line(s) flow in a circle: ", "leave_out = [")),
    ("circle as drawn", lambda b: as_drawn(b).lines({}, ring()),
     ("streams.gpkg", "3 line(s) flow in a circle: ", "leave_out = [")),
    ("lines without any geometry", lambda b: as_drawn(b).lines({}, [None] * 4),
     ("streams.gpkg", "no usable stream line is left", "check the layer name")),
    ("no geometry by nodes", lambda b: b.lines({}, [None] * 4),
     ("streams.gpkg", "no line has geometry, a from node and a to node", "name the node columns")),
    ("coordinate that is no number",
     lambda b: as_drawn(b).lines({}, [*LINES[:3], shapely.LineString([(0, float("inf")), (1, 1)])]),
     ("streams.gpkg: [hydrography]: row 4", "the coordinates have no place", "mend or remove the rows")),
    ("line beyond the earth", lambda b: as_drawn(b).lines({}, [*LINES[:3], shapely.LineString([(0, 0), (1e12, 1)])]),
     ("streams.gpkg: [hydrography]: row 4", "the coordinates have no place", "mend or remove the rows")),
    ("site beyond the earth", lambda b: b.change("sites.csv", "502500", "1e21"),
     ('sites.csv: [sites]: row 4 (site "D3"): (1e+21, 4.6005e+06) has no place', "check the coordinates")),
    ("points for lines", lambda b: b.lines({}, [*LINES[:3], shapely.Point(1, 1)]),
     ("streams.gpkg: [hydrography]: row 4: Point, but lines are needed", "give a layer of lines")),
    ("ids of lines twice", lambda b: b.lines({"line_id": [1, 2, 2, 3]}),
     ("streams.gpkg: [hydrography] id", "2 stand in more than one row (rows 2, 3)", "give each line an id of its own")),
    ("column of lines that is not there", lambda b: b.edit('"width_m"', '"widht_m"'),
     ("streams.gpkg: [hydrography] width", 'there is no column "widht_m"', 'did you mean "width_m"?')),
    ("negative habitat",
     lambda b: (b.lines({"redds": [1, -2, 3, 4]}), b.edit("value = 0.4", 'value = 0.4\nhabitat = "redds"')),
     ("streams.gpkg: [species.walleye] habitat: row 2", "given -2, allowed: 0 or more", "mend the values")),
    ("more habitat than there is earth",
     lambda b: (b.lines({"width_m": 1e305}), b.edit("value = 0.4", 'value = 0.4\nhabitat = "area"')),
     ("streams.gpkg: row ", "the habitat of species walleye is more than there can be", "and their units")),
    ("treatment by a discharge nobody gives",
     lambda b: b.edit("[species.walleye]", TREATMENT + "\n[species.walleye]").edit('discharge = "q_m3s"\n', ""),
     ("project.toml: [species.lamprey.treatment] per", "add the column discharge")),
    ("treatment counted in points",
     lambda b: b.edit("[species.walleye]", TREATMENT + "\n[species.walleye]")
     .edit('[money]\ncurrency = "USD"', "[points]"),
     ("project.toml: [species.lamprey.treatment]", "costs money", "give [money] instead of [points]")),
    ("unknown species in actions", lambda b: b.change("actions.csv", "passability_walleye", "passability_pike"),
     ("actions.csv: [actions]", '"passability_pike" is of no species', "species are lamprey, walleye")),
    ("column of passabilities that is not there", lambda b: b.edit('"p_walleye"', '"p_pike"'),
     ("sites.csv: [species.walleye] passability", 'there is no column "p_pike"')),
    ("passability above 1", lambda b: b.change("sites.csv", "0.6", "60"),
     ('sites.csv: [species.lamprey] passability: row 2 ("D1"), column "p_lamprey": given 60, allowed: from 0 to 1',
      "divide the column by 100")),
    ("passability below 0", lambda b: b.change("sites.csv", "0.6", "-0.1"),
     ('row 2 ("D1"), column "p_lamprey": given -0.1, allowed: from 0 to 1',)),
    ("passability that is NaN", lambda b: b.change("sites.csv", "0.6", "nan"),
     ('sites.csv: [species.lamprey] passability: row 2 (site "D1")', "no passability", "a number from 0 to 1")),
    ("passability in a word nobody knows", lambda b: b.change("sites.csv", "poor", "so-so"),
     ("sites.csv: [species.walleye] passability: row 3", '"so-so" is neither a number nor a rating')),
    ("failure of 5 per cent", lambda b: b.change("sites.csv", ",0.02,", ",5,"),
     ('sites.csv: [sites] failure_probability: row 2 ("D1")', "given 5, allowed: from 0 to 1",
      "divide the column by 100")),
    ("negative cost", lambda b: b.change("actions.csv", "1000", "-1000"),
     ('actions.csv: [actions]: row 2 ("D1"), column "cost": given -1000, allowed: 0 or more', "mend the values")),
    ("cost without bounds", lambda b: b.change("actions.csv", "1000", "1e308"),
     ('actions.csv: [actions]: row 2 ("D1"), column "cost": given 1e+308, allowed: at most 1e+15', "mend the values")),
    ("cost left empty", lambda b: b.change("actions.csv", "1000", ""),
     ('actions.csv: [actions]: row 2 (site "D1"), column "cost": the cell is empty', "0 where it costs nothing")),
    ("cost that is infinite", lambda b: b.change("actions.csv", "1000", "inf"),
     ('actions.csv: [actions]: row 2, column "cost": "inf" is not a number', "write a number")),
    ("life of no years", lambda b: b.change("actions.csv", ",30,", ",0,"),
     ('actions.csv: [actions]: row 2 ("D1"), column "life_years": given 0, allowed: above 0',)),
    ("action at no site", lambda b: b.change("actions.csv", "D3", "D33"),
     ('actions.csv: [actions]: column "site": row 5: there is no site "D33" in sites.csv', 'did you mean "D3"?')),
    ("action named twice", lambda b: b.change("actions.csv", "D1,remove", "D1,Raise"),
     ("actions.csv: [actions]: rows 2, 3", "stands twice at site", "keep one of the rows")),
    ("007 is not 7",
     lambda b: (b.change("sites.csv", "D1", "007"), b.change("actions.csv", "D1", "7")),
     ("actions.csv: [actions]", 'there is no site "7"')),
    ("ids of sites twice", lambda b: b.change("sites.csv", "D2,", "D1,"),
     ("sites.csv: [sites] id", "D1 stand in more than one row (rows 2, 3)", "give each site an id of its own")),
    ("site without id", lambda b: b.change("sites.csv", "D2,", ","),
     ("sites.csv: [sites] id", "row 3 without id", "give every site an id")),
    ("heading twice", lambda b: b.change("sites.csv", "kind,", "name,"),
     ("sites.csv: [sites]: the heading name is there twice", "give each column a name of its own")),
    ("no rows", lambda b: b.write("sites.csv", SITES.splitlines()[0]),
     ("sites.csv: [sites]: the table has no rows below its headings", "fill it")),
    ("file of 0 bytes", lambda b: b.write("actions.csv", b""),
     ("actions.csv: [actions]: the table is empty", "fill it")),
    ("layer of 0 bytes", lambda b: b.write("streams.gpkg", b""),
     ("streams.gpkg: [hydrography] path: the file is empty (0 bytes)", "export or copy it again")),
    ("layer cut short", lambda b: cut(b, "streams.gpkg", 0.6),
     ("streams.gpkg: [hydrography] path: the file cannot be read", "it may be cut short")),
    ("layer cut at its tail", lambda b: cut(b, "streams.gpkg", 0.97),
     ("streams.gpkg: [hydrography]", "cannot be read", "cut short")),
    ("shapefile cut short", lambda b: shapefile(b, "half"),
     ("streams.shp: [hydrography] path", "shorter than its header says", "export or copy it again")),
    ("shapefile without its crs", lambda b: shapefile(b, ".prj"),
     ("streams.shp: [hydrography]", "does not say its coordinate system", ".prj")),
    ("shapefile without its table", lambda b: shapefile(b, ".dbf"),
     ("streams.shp: [hydrography]", "no column", ".dbf")),
    ("spreadsheet cut short", lambda b: spreadsheet(b, 0.7),
     ("sites.xlsx: [sites] path: the spreadsheet cannot be read", "save it again")),
    ("text breaks off in a character", lambda b: b.write("sites.csv", SITES.encode("utf-16")[:-1]),
     ("sites.csv: [sites]", "breaks off inside a UTF-16 character", "save it as CSV in UTF-8")),
    ("picture for a table", lambda b: b.write("sites.csv", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"),
     ("sites.csv: [sites]: line 3 holds a NUL byte", "save it as CSV in UTF-8")),
    ("quote that is never closed", lambda b: b.change("sites.csv", "Lower weir", '"Lower weir'),
     ("sites.csv: [sites]", "quote")),
    ("folder for a layer", lambda b: folder_of_that_name(b, "streams.gpkg"),
     ("streams.gpkg: [hydrography] path: the file cannot be read",)),
    ("folder for a table", lambda b: folder_of_that_name(b, "actions.csv"),
     ("actions.csv: [actions]: the file cannot be read (Is a directory)", "check the path")),
    ("file that is not there", lambda b: (b.folder / "sites.csv").unlink(),
     ('project.toml: [sites] path: there is no file "sites.csv"', "paths are relative to the folder of project.toml")),
    ("project file for another one", lambda b: setattr(b, "text", ""),
     ("project.toml: [basin]: the table is missing", "add it")),
    ("project file that is no TOML", lambda b: b.edit("[basin]", "[basin"),
     ("project.toml: is not valid TOML", "line 1", "mend that line")),
    ("value beyond measure", lambda b: b.edit("value = 0.4", "value = 1e300"),
     ("project.toml: [species.walleye] value: given 1e+300, allowed: a number from -1e+12 to 1e+12",)),
    ("an invader that is wanted", lambda b: b.edit("value = -1.0", "value = 1.0"),
     ("project.toml: [species.lamprey] value", "negative or 0 for an invader", "write -1, or mend role")),
    ("a question that is a program",
     lambda b: b.edit('id = "line_id"', 'id = "line_id"\nminor_channel = "@pd.eval(1)"'),
     ("streams.gpkg: [hydrography] minor_channel", "is not an expression", "write a comparison")),
)  # fmt: skip


@pytest.mark.parametrize(("spoil", "pieces"), [e[1:] for e in ERRORS], ids=[e[0] for e in ERRORS])
@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.filterwarnings("ignore:invalid value")
def test_each_fault_is_one_clear_line_and_nothing_is_left(
    small: SmallBasin, spoil: Spoil, pieces: tuple[str, ...]
) -> None:
    spoil(small)
    project = small.project
    before = sorted(p.name for p in small.folder.iterdir())
    said = run("rank", project, "--out", small.out, "--quiet")
    assert said.code == 1, said
    assert said.out == ""
    assert "Traceback" not in said.err
    lines = said.err.splitlines()
    assert all(line.startswith(("error: ", "warning: ")) for line in lines), said.err
    (telling,) = [line for line in lines if line.startswith("error: ") and pieces[0] in line][:1] or [""]
    for piece in pieces:
        assert piece in telling, said.err
    assert " -> " in telling  # what to do
    assert str(small.folder) not in said.err  # files by their names, not by the folders of this machine
    assert sorted(p.name for p in small.folder.iterdir()) == before
    # `check` tells the same, and as much
    checked = run("check", project)
    assert checked.code == 1
    assert telling in checked.err


def write(small: SmallBasin, wkb: list[bytes]) -> None:
    """Write the streams with geometries that shapely does not know."""
    columns = {"line_id": [1, 2, 3, 4], "a": [1, 2, 3, 4], "b": [0, 1, 1, 2], "width_m": [5.0] * 4,
               "q_m3s": [0.5] * 4, "area_km2": [10.0] * 4}  # fmt: skip
    table = pa.table({**columns, "geom": pa.array(wkb, pa.binary())})
    (small.folder / "streams.gpkg").unlink()
    pyogrio.write_arrow(
        table, small.folder / "streams.gpkg", layer="streams", geometry_name="geom",
        geometry_type="Unknown", crs="EPSG:32616", driver="GPKG",
    )  # fmt: skip


def curves(small: SmallBasin) -> None:
    """Draw the streams as arcs, which some databases hold."""

    def arc(a: tuple[float, float], b: tuple[float, float]) -> bytes:
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2 + 20.0)
        return struct.pack("<BII6d", 1, 8, 3, *a, *middle, *b)  # 8: circular string

    write(small, [arc(*c) for c in COURSES])


def measured(small: SmallBasin) -> None:
    """Draw the streams with heights and measures (M)."""
    write(small, [struct.pack("<BII8d", 1, 3002, 2, *a, 5.0, 0.0, *b, 4.0, 9.0) for a, b in COURSES])


# name, how the project is changed, severity, pieces of the line that tells what was done or looks doubtful
TOLD: tuple[tuple[str, Spoil, str, tuple[str, ...]], ...] = (
    ("duplicate line as drawn", lambda b: as_drawn(b).lines({}, [*LINES, LINES[0]]), "mended",
     ("streams.gpkg", "line 5 has the very course of line 1 and is left out")),
    ("duplicate line by nodes", lambda b: b.lines({"a": [1, 2, 3, 4, 1], "b": [0, 1, 1, 2, 0]}, [*LINES, LINES[0]]),
     "mended", ("streams.gpkg", "line 5 has the very course of line 1 and is left out")),
    ("empty line", lambda b: as_drawn(b).lines({}, [*LINES, None]), "warning",
     ("streams.gpkg", "1 line(s) without geometry are left out: 5", "draw them or delete them")),
    ("lines joined to nothing drawn",
     lambda b: b.lines({"a": [1, 2, 3, 4, 8, 9], "b": [0, 1, 1, 2, 7, 8]}, [*LINES, None, None]), "warning",
     ("streams.gpkg", "have no geometry and are joined to no line that has one", "left out: 5, 6")),
    ("line of no length", lambda b: as_drawn(b).lines({}, [*LINES, shapely.LineString([(1, 1), (1, 1)])]), "mended",
     ("streams.gpkg", "1 line(s) of no length are left out: 5")),
    ("site far from any line", lambda b: b.change("sites.csv", "502500,4600500", "502500,4609500"), "warning",
     ("sites.csv", "row 4, site D3 (Head culvert): no stream line within 100 m (none within 1,000 m",
      "correct its coordinates")),
    ("two sites on one spot", lambda b: b.change("sites.csv", "501500,4600250", "500500,4600000"), "warning",
     ("sites.csv", "rows 2 and 3: site D1 (Lower weir) and site D2 (Upper weir) stand on one spot",
      "keep one of them")),
    ("structures that fail only once built anew", lambda b: b.edit('failure_probability = "q"\n', ""), "warning",
     ("actions.csv", "row 2: what is built may fail", "today's structures never do", "in [sites] too")),
    ("species with no habitat",
     lambda b: (b.lines({"redds": 0.0}), b.edit("value = 0.4", 'value = 0.4\nhabitat = "redds"')), "warning",
     ("streams.gpkg", "species walleye has no habitat on the network", "check habitat in [species.walleye]")),
    ("lines without width",
     lambda b: (b.lines({"width_m": [5.0, None, 5.0, 0.0]}), b.edit("value = 0.4", 'value = 0.4\nhabitat = "area"')),
     "warning", ("streams.gpkg", "2 line(s) have no width and count with no area: 2, 4", "fill in the width column")),
    ("a zone far from the streams", lambda b: b.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:32630"\n\n[hyd'),
     "warning", ("project.toml: [basin] crs", "the streams lie at longitude -87.0", "choose a system for that place")),
    ("Latin-1", lambda b: b.write("sites.csv", SITES.replace("Lower weir", "Mühlwehr").encode("latin-1")), "note",
     ("sites.csv: [sites]: line 2 is not UTF-8", "save it as UTF-8")),
    ("semicolons", lambda b: b.write("sites.csv", SITES.replace(",", ";")), "note",
     ("sites.csv: [sites]", "columns are separated by semicolons")),
    ("curves", curves, "mended", ("streams.gpkg", "curves are read as short straight pieces")),
    ("weights that are not used",
     lambda b: b.edit("[money]", "[ranking.weights]\ncost = -1.0\n\n[money]"), "warning",
     ("project.toml: [ranking.weights]: the weights are not used",)),
)  # fmt: skip


@pytest.mark.parametrize(("change", "severity", "pieces"), [t[1:] for t in TOLD], ids=[t[0] for t in TOLD])
def test_what_is_mended_or_doubtful_is_told_once(
    small: SmallBasin, change: Spoil, severity: str, pieces: tuple[str, ...]
) -> None:
    change(small)
    said = run("check", small.project)
    assert (said.code, said.err) == (0, ""), said
    telling = [line for line in said.out.splitlines() if all(p in line for p in pieces)]
    assert len(telling) == 1, said.out
    assert telling[0].startswith(f"{severity}: ")
    assert run("check", small.project, "--strict").code == (1 if severity == "warning" else 0)


# name, how the project is changed: the list stays as it is
HARMLESS: tuple[tuple[str, Spoil], ...] = (
    ("byte-order mark", lambda b: b.write("sites.csv", b"\xef\xbb\xbf" + SITES.encode())),
    ("UTF-16", lambda b: b.write("actions.csv", ACTIONS.encode("utf-16"))),
    ("line ends of Windows", lambda b: b.write("sites.csv", SITES.replace("\n", "\r\n"))),
    ("decimal commas", lambda b: b.write("sites.csv", SITES.replace(",", ";").replace("0.", "0,"))),
    ("heights", lambda b: b.lines({}, [shapely.force_3d(line, 7.0) for line in LINES])),
    ("heights and measures", measured),
    ("multipart lines of one part", lambda b: b.lines({}, [shapely.MultiLineString([line]) for line in LINES])),
    ("ids of lines as texts", lambda b: b.lines({"line_id": ["1", "2", "3", "4"]})),
    ("nodes as floats", lambda b: b.lines({"a": [1.0, 2.0, 3.0, 4.0], "b": [0.0, 1.0, 1.0, 2.0]})),
    ("nodes as texts", lambda b: b.lines({"a": ["u", "v", "w", "x"], "b": ["t", "u", "u", "v"]})),
    ("a duplicate line by nodes", lambda b: b.lines({"a": [1, 2, 3, 4, 1], "b": [0, 1, 1, 2, 0]}, [*LINES, LINES[0]])),
    ("a duplicate line as drawn", lambda b: as_drawn(b).lines({}, [*LINES, LINES[0]])),
)  # fmt: skip


@pytest.mark.parametrize("change", [h[1] for h in HARMLESS], ids=[h[0] for h in HARMLESS])
def test_what_is_only_written_otherwise_changes_nothing(small: SmallBasin, change: Spoil) -> None:
    assert run("rank", small.project, "--out", small.out, "--quiet").code == 0
    before = (small.out / "priority_list.csv").read_bytes()
    change(small)
    said = run("rank", small.project, "--out", small.out, "--quiet")
    assert (said.code, said.err) == (0, "")
    assert (small.out / "priority_list.csv").read_bytes() == before


@pytest.mark.parametrize("ids", [("007", "1e5", "1.50"), ("2020-01-02", "01/02/2020", "1-2"),
                                 ("12345678901234567890123", "NA", "nan"), ("true", "0x10", "-")])  # fmt: skip
def test_ids_are_kept_to_the_letter(small: SmallBasin, ids: tuple[str, ...]) -> None:
    for name in ("sites.csv", "actions.csv"):
        for old, new in zip(("D1", "D2", "D3"), ids, strict=True):
            small.change(name, f"{old},", f"{new},")
    said = run("rank", small.project, "--out", small.out, "--quiet")
    assert (said.code, said.err) == (0, "")
    table = pd.read_csv(small.out / "priority_list.csv", dtype=str, keep_default_na=False)
    assert {s.removeprefix("'") for s in table["site"]} == set(ids)
    layer = pyogrio.read_dataframe(small.out / "results.gpkg", layer="sites")
    assert layer["site"].tolist() == list(ids)
