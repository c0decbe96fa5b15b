"""Project files proposed for a user's own layers: they load, and say why each key is what it is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString

from barrierrank.inputs.actions import read_actions
from barrierrank.inputs.lines import read_lines
from barrierrank.inputs.propose import propose_project, toml_value
from barrierrank.inputs.propose_lines import node_pair
from barrierrank.inputs.schema_passage import ACTION_CHANGES, STRUCTURES, TRIALS
from barrierrank.inputs.sites import read_sites
from barrierrank.problems import InputError, Problems
from barrierrank.project import Project, load_project
from barrierrank.project_schema import SCHEMA

EAST, NORTH = 500000.0, 4600000.0
CHAIN = [
    LineString([(EAST + 1000.0 * (i + 1), NORTH), (EAST + 1000.0 * i, NORTH)]) for i in reversed(range(4))
]


def proposed(case: Any, text: str) -> tuple[Project, Problems]:
    """Load a proposed project file and read all it names."""
    problems = Problems()
    project = load_project(case.write("proposed.toml", text), problems)
    read_lines(project, problems)
    sites = read_sites(project, problems)
    read_actions(project, sites, problems)
    return project, problems


def propose(
    case: Any,
    streams: str = "streams.gpkg",
    sites: str | None = "sites.csv",
    actions: str | None = None,
    **more: Any,
) -> str:
    """Propose for files of the case's folder."""
    folder: Path = case.folder
    tables = (None if name is None else folder / name for name in (sites, actions))
    return propose_project(folder / streams, *tables, folder=folder, **more)


def line_of(text: str, key: str) -> str:
    """Return the line of a key in use."""
    return next(line for line in text.splitlines() if line.startswith(f"{key} = "))


def rich_lines(case: Any, **more: Any) -> None:
    case.lines(
        {
            "line_id": [11, 12, 13, 14],
            "a": None,
            "b": None,
            "FromNode": [1, 2, 3, 4],
            "ToNode": [2, 3, 4, 5],
            "len_ft": shapely.length(CHAIN) / 0.3048,
            "Divergence": [0, 1, 2, 0],
            "river": ["Alder"] * 4,
            "tot_area_km2": [1.0, 2.0, 3.0, 4.0],
            "q_m3s": [0.1, 0.2, 0.3, 0.4],
            "width_m": [3.0, 3.0, 4.0, 5.0],
        }
        | more,
        CHAIN,
    )


def test_columns_of_lines_are_found_with_reasons(case: Any) -> None:
    rich_lines(case)
    text = propose(case, actions="actions.csv")
    project, problems = proposed(case, text)
    assert not problems.of("error")
    h = project.hydrography
    assert (h.id, h.direction, h.from_node, h.to_node) == ("line_id", "nodes", "FromNode", "ToNode")
    assert (h.length, h.length_unit, h.minor_channel) == ("len_ft", "ft", "Divergence == 2")
    assert (h.name, h.drainage_area, h.discharge, h.width) == ("river", "tot_area_km2", "q_m3s", "width_m")
    assert project.basin.crs == "EPSG:32616"
    assert "75% of the nodes in ToNode start another line; there the lines meet as drawn in 100%" in text
    assert "1.00 to 1.00 of their length as drawn" in line_of(text, "length")


@pytest.mark.parametrize(
    ("unit", "per_metre"), [("m", 1.0), ("km", 1e-3), ("ft", 1 / 0.3048), ("mi", 1 / 1609.344)]
)
def test_units_of_length_are_found(case: Any, unit: str, per_metre: float) -> None:
    case.lines({"len": [990 * per_metre, 1010 * per_metre]})
    assert f'length_unit = "{unit}"' in propose(case)


def test_a_length_column_that_is_none_is_not_proposed(case: Any) -> None:
    case.lines({"length": [3.0, 900.0]})
    assert "# length = " in propose(case)


def test_lines_without_nodes_are_taken_as_drawn(case: Any) -> None:
    high = [LineString([(EAST, NORTH, 9.0), (EAST + 5, NORTH, 3.0)])]
    case.lines({"a": None, "b": None, "name": ["x"]}, high)
    text = propose(case)
    assert 'direction = "digitised"' in text
    assert "the lines have heights" in line_of(text, "direction")
    assert not proposed(case, text)[1].of("error")


def test_node_columns_that_do_not_connect_are_not_proposed(case: Any) -> None:
    rich_lines(case, FromNode=[1, 2, 3, 4], ToNode=[91, 92, 93, 94])
    assert 'direction = "digitised"' in propose(case)


def test_layers_in_degrees_get_a_zone_of_metres(case: Any) -> None:
    case.lines({}, list(gpd.GeoSeries(CHAIN, crs=32616).to_crs(4326)), crs="EPSG:4326")
    text = propose(case)
    assert 'crs = "EPSG:32616"' in text
    assert "the zone the streams lie in; their own, WGS 84, is not in metres" in text
    assert not proposed(case, text)[1].of("error")


def test_layers_in_feet_get_a_zone_of_metres(case: Any) -> None:
    case.lines({}, list(gpd.GeoSeries(CHAIN, crs=32616).to_crs(2965)), crs="EPSG:2965")
    assert proposed(case, propose(case))[0].basin.crs == "EPSG:32616"


def test_every_key_and_every_default_is_written_with_a_reason(case: Any) -> None:
    text = propose(case)
    for table, keys in SCHEMA.items():
        for key in keys:
            lines = [ln for ln in text.splitlines() if ln.lstrip("# ").startswith(f"{key.name} = ")]
            assert lines, (table, key.name)
            assert all(ln.count("#") >= 1 for ln in lines if "path" not in key.name), (table, key.name)
            if key.default not in (None, ()):
                assert any(
                    toml_value(key.default) in ln and key.reason in ln for ln in lines
                ) or key.name in (
                    "passability",
                    "failure_probability",
                ), (table, key.name)
    assert "needs a licensed engineer" in text


def test_commented_tables_are_sound_when_put_to_use(case: Any) -> None:
    rich_lines(case)
    text = propose(case)
    for table in ("money", "species.lamprey.treatment"):
        block = text.split(f"# [{table}]")[1].split("\n\n")[0].split("\n[")[0]
        used = "\n".join(ln.removeprefix("# ") for ln in block.splitlines())
        text = text.replace(f"# [{table}]{block}", f"[{table}]{used}")
    text = text[: text.index("\n[points]")] + text[text.index("\n[money]") :]
    project, _ = proposed(case, text)
    assert project.economy.currency == "USD"
    assert project.species[0].treatment is not None


def test_tables_of_passability_are_sound_when_put_to_use(case: Any) -> None:
    text = propose(case)
    for name in ("structures.csv", "flows.csv", "trials.csv"):
        case.write(name, "site\n")
    for table in ("structures", "flows", "species.lamprey.swimming", "species.lamprey.run", "trials", "passage"):
        start = text.index(f"# [{table}]\n")
        lines = []
        for line in text[start:].splitlines():
            if not line.startswith("# ") or (lines and line.startswith("# [")):
                break
            lines.append(line)
        used = [line.removeprefix("# ") for line in lines if "= ..." not in line and '= "..."' not in line]
        text = text.replace("\n".join(lines), "\n".join(used))
    problems = Problems()
    project = load_project(case.write("proposed.toml", text), problems)
    assert not problems.of("warning")
    assert project.structures is not None
    assert project.flows is not None
    assert project.trials is not None
    lamprey = project.species[0]
    assert lamprey.swimming is not None
    assert lamprey.run is not None
    assert lamprey.swimming.burst == ((2.0, 20.0), (4.0, 5.0))


def test_columns_of_the_tables_of_passability_are_listed(case: Any) -> None:
    text = propose(case)
    for c in (*STRUCTURES, *TRIALS, *ACTION_CHANGES):
        assert re.search(rf"^#.* {re.escape(c.name)}[,;.\n]", text, re.MULTILINE), c.name
    assert all(len(line) <= 120 for line in text.splitlines() if line.startswith("#   "))


def test_species_come_from_the_columns_of_the_sites(case: Any) -> None:
    text = propose(case)
    tables = tomllib.loads(text)
    assert list(tables["species"]) == ["lamprey", "walleye"]
    assert (
        tables["species"]["lamprey"] | {"role": "invasive", "passability": "p_lamprey"}
        == tables["species"]["lamprey"]
    )
    assert tables["species"]["walleye"]["role"] == "native"
    assert tables["ratings"] == {"poor": 0.25}
    assert tables["sites"]["id"] == "site"
    assert "actions" not in tables
    assert "# Not in use yet: no table was named; it needs the columns site, action, cost." in text


def test_one_column_of_passability_gets_a_placeholder_beside_it(case: Any) -> None:
    case.write("sites.csv", "code,lon,lat,pass_trout\nA,-87,41.5,0.2\nB,-87.01,41.5,0.3\n")
    tables = tomllib.loads(propose(case))
    assert tables["species"]["trout"]["passability"] == "pass_trout"
    assert tables["species"]["invader"]["passability"] == 0.5
    assert (tables["sites"]["id"], tables["sites"]["x"], tables["sites"]["crs"]) == (
        "code",
        "lon",
        "EPSG:4326",
    )


def test_coordinates_among_the_streams_take_their_crs(case: Any) -> None:
    text = propose(case)
    assert tomllib.loads(text)["sites"]["crs"] == "EPSG:32616"
    assert "the values lie among the streams in this system" in text


def test_sites_as_points_need_no_coordinates(case: Any) -> None:
    case.points(
        {"site": ["A", "B"], "p_lamprey": [0.0, 1.0], "kind": ["weir", "dam"], "fail": [0.1, 0.0]},
        [(EAST + 100, NORTH), (EAST + 900, NORTH)],
        "s.gpkg",
    )
    text = propose(case, sites="s.gpkg")
    tables = tomllib.loads(text)
    assert "x" not in tables["sites"]
    assert (tables["sites"]["layer"], tables["sites"]["kind"]) == ("s", "kind")
    assert tables["sites"]["failure_probability"] == "fail"
    assert not proposed(case, text)[1].of("error")


def test_actions_are_used_where_their_columns_are_there(case: Any) -> None:
    assert tomllib.loads(propose(case, actions="actions.csv"))["actions"] == {"path": "actions.csv"}
    case.write("works.csv", "site,work,price\nD1,x,3\n")
    text = propose(case, actions="works.csv")
    assert "actions" not in tomllib.loads(text)
    assert "# Not in use yet: it lacks the columns action, cost." in text


def test_species_come_from_the_actions_where_the_sites_name_none(case: Any) -> None:
    case.write("sites.csv", "site,x,y\nD1,500500,4600000\nD2,501500,4600000\n")
    text = propose(case, actions="actions.csv")
    species = tomllib.loads(text)["species"]
    assert {k: (s["role"], s["passability"]) for k, s in species.items()} == {
        "lamprey": ("invasive", 0.5), "walleye": ("native", 0.5),
    }  # fmt: skip
    assert "assumed: no column of passabilities was found" in text
    proposed(case, text)


def test_the_id_of_the_sites_is_the_one_the_actions_know(case: Any) -> None:
    case.write("sites.csv", "recordid,nat_id,x,y,p_walleye\n11,D1,500500,4600000,0.5\n12,D2,501500,4600000,0.5\n")
    assert tomllib.loads(propose(case))["sites"]["id"] == "recordid"
    text = propose(case, actions="actions.csv")
    assert tomllib.loads(text)["sites"]["id"] == "nat_id"
    assert "among them all sites of the actions" in line_of(text[text.index("[sites]") :], "id")


def test_the_number_a_program_gave_is_the_last_choice_of_an_id(case: Any) -> None:
    case.write("sites.csv", "fid,id,x,y\n1,W7,500500,4600000\n2,W9,501500,4600000\n")
    assert tomllib.loads(propose(case))["sites"]["id"] == "id"


def test_without_sites_a_placeholder_says_what_is_needed(case: Any) -> None:
    text = propose(case, sites=None)
    assert "PLACEHOLDER: write the path of your table of sites" in text
    assert set(tomllib.loads(text)["species"]) == {"invader", "native_fish"}


def test_names_of_the_user_cannot_break_the_file(case: Any) -> None:
    odd = 'a "id"\\'
    case.lines({"line_id": None, odd: [1, 2], "na\nme": ["x", "y"], "side arm": [0, 1], "minor arm": [0, 1]})
    case.write("sites.csv", 'site,lon,lat,"p_""x""\ny"\nA,-87,41.5,"#\tlow"\nB,-87,41.5,0\n')
    text = propose(case, name='Basin "of" \\ # things')
    tables = tomllib.loads(text)
    assert tables["basin"]["name"] == 'Basin "of" \\ # things'
    assert tables["hydrography"]["minor_channel"] == "`minor arm` == 1"


def test_what_cannot_be_read_is_told(case: Any) -> None:
    case.lines({}, crs=None)
    with pytest.raises(InputError, match=r"streams.gpkg: .*does not say its coordinate system"):
        propose(case)
    case.lines({}, [None, None], geometry_type="LineString")
    with pytest.raises(InputError, match="no row has a geometry"):
        propose(case)
    case.lines({})
    with pytest.raises(InputError, match="there is no such file"):
        propose(case, sites="nothing.csv")
    with pytest.raises(InputError, match=r'no layer "x" -> layers are streams'):
        propose(case, layer="x")


def test_paths_are_relative_to_the_folder_of_the_project_file(case: Any) -> None:
    text = propose_project(case.folder / "streams.gpkg", None, None, folder=case.folder / "deep" / "er")
    assert 'path = "../../streams.gpkg"' in text


@pytest.mark.parametrize(
    ("columns", "pair"),
    [
        (["FROM_NODE", "TO_NODE"], ("FROM_NODE", "TO_NODE")),
        (["tonode", "fromnode"], ("fromnode", "tonode")),
        (["start_node", "end_node"], ("start_node", "end_node")),
        (["us_id", "ds_id"], ("us_id", "ds_id")),
        (["source", "target"], ("source", "target")),
        (["upnode", "dnnode"], ("upnode", "dnnode")),
    ],
)
def test_pairs_of_node_columns_by_name(columns: list[str], pair: tuple[str, str]) -> None:
    assert node_pair(columns)[0] == pair


def test_no_pair_where_there_is_none() -> None:
    assert node_pair(["FromMeas", "ToMeas", "start_elev", "end_elev", "stone", "total"]) == []


@pytest.mark.real_data
@pytest.mark.parametrize(
    ("file", "layer", "node"),
    [
        ("new_hope_full.gpkg", "NHDFlowline_Network", "FromNode"),
        ("yahara_natseamless.gpkg", "NHDFlowline_Network", "FromNode"),
        ("rondout_neversink_nhdplushr.gpkg", "flowline_rondout_0202", "FromNode"),
        ("osm_liechtenstein.gpkg", "waterways", None),
    ],
)
def test_real_layers_get_a_project_that_loads(
    real_data: Path, case: Any, file: str, layer: str, node: str | None
) -> None:
    text = propose_project(
        real_data / "hydrography" / file, case.folder / "sites.csv", None, layer=layer, folder=case.folder
    )
    problems = Problems()
    project = load_project(case.write("proposed.toml", text), problems)
    lines = read_lines(project, problems)
    assert project.hydrography.from_node == node
    assert (lines.length_m is None) == (node is None)
    if lines.length_m is not None:
        np.testing.assert_allclose(np.median(lines.length_m / shapely.length(lines.geometry)), 1.0, atol=1e-3)
    assert not problems.of("error")
