"""What the project file may hold, and what is said where it is at fault."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from barrierrank.problems import BarrierRankWarning, InputError, Problems
from barrierrank.project import Project, load_project
from barrierrank.project_schema import SCHEMA, default_of


def test_sound_file_loads_with_defaults_filled_in(case: Any) -> None:
    project = case.load()
    assert project.basin.projection.to_epsg() == 32616
    assert project.hydrography.path == case.folder / "streams.gpkg"
    assert project.hydrography.join_tolerance_m == default_of("hydrography", "join_tolerance_m")
    assert [s.key for s in project.species] == ["lamprey", "walleye"]
    assert project.species[0].label == "lamprey"
    assert project.ratings == {"none": 0.0, "poor": 0.25}
    assert project.economy.currency == "USD"
    assert project.outlets is None
    assert not case.problems.of("error")


def test_every_key_of_the_release_is_read(case: Any) -> None:
    case.lines({"len": [1.0, 1.0]})
    case.points({"m": ["x"]}, [(500000, 4600000)], "mouth.gpkg")
    case.edit(
        'to_node = "b"\n',
        'to_node = "b"\nlayer = "streams"\nminor_channel = "a == 9"\nlength = "len"\nlength_unit = "km"\n'
        'join_tolerance_m = 2\nmissing = [-1, "none"]\ndrawn = "downstream"\nleave_out = [1]\nturn = ["2"]\n'
        'start_elevation = "a"\nend_elevation = "b"\nname = "a"\ndrainage_area = "a"\ndischarge = "a"\n'
        "width_a = 2.0\nwidth_b = 0.5\n",
    )
    case.edit(
        "[sites]\n",
        '[outlets]\npath = "mouth.gpkg"\nlayer = "mouth"\npoints = [[500000, 4600000]]\nlines = [2]\n'
        'tolerance_m = 5\n\n[sites]\nlayer = "s"\nkind = "kind"\nstream = "st"\ndrainage_area = "da"\n'
        "snap_tolerance_m = 50\nambiguous_m = 5\narea_ratio = 2\nfailure_probability = 0.02\n",
    )
    case.edit(
        'passability = "p_lamprey"\n',
        'passability = "p_lamprey"\npassability_down = 0.5\nhabitat = "area"\nlabel = "Sea lamprey"\n'
        '[species.lamprey.treatment]\ncost_per_unit = 1\nper = "discharge"\ninterval_years = 4\n'
        "fixed_cost_per_stream = 10\ninfested_from = 0.2\n",
    )
    case.edit(
        "[money]",
        '[ranking]\nby = "criteria"\n[ranking.weights]\ncost = -1\n[display]\nunits = "us"\n'
        "open_from = 0.8\nblocked_below = 0.2\n[money]",
    )
    given = tomllib.loads(case.text)
    plain = case.load().parameters()
    economy = {**given["money"]}
    assert plain["economy"] == economy
    assert plain["ranking"] == {"by": "criteria", "weights": {"cost": -1.0}}
    for table in ("basin", "hydrography", "outlets", "sites", "display"):
        for key, value in given[table].items():
            expected = [str(v) for v in value] if key in ("leave_out", "turn", "lines") else value
            assert plain[table][key] == expected, (table, key)
    lamprey = plain["species"]["lamprey"]
    assert {k: lamprey[k] for k in given["species"]["lamprey"]} == given["species"]["lamprey"]


def test_parameters_are_json_with_relative_paths_and_every_default(case: Any) -> None:
    plain = case.load().parameters()
    assert json.loads(json.dumps(plain)) == plain
    assert plain["hydrography"]["path"] == "streams.gpkg"
    assert str(case.folder) not in json.dumps(plain)
    for table in ("hydrography", "sites", "ranking", "display"):
        assert {k.name for k in SCHEMA[table]} <= set(plain[table])


def test_every_default_has_a_reason() -> None:
    silent = [
        f"{t}.{k.name}"
        for t, keys in SCHEMA.items()
        for k in keys
        if k.default not in (None, ()) and not k.reason
    ]
    assert silent == []


def test_all_faults_are_told_at_once(case: Any) -> None:
    case.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:4326"\n\n[hyd').edit("value = 0.4", "value = 'x'")
    case.edit('path = "actions.csv"', 'path = "nothing.csv"').edit("currency", "curency")
    with pytest.raises(InputError, match="degrees") as caught:
        case.load()
    text = str(caught.value)
    assert all(w in text for w in ("[species.walleye] value", "nothing.csv", "curency", "[money] currency"))
    assert len(caught.value.problems) == 5


def test_one_sided_species_are_a_note_only(case: Any) -> None:
    case.edit('role = "native"', 'role = "invasive"').edit("value = 0.4", "value = -0.4")
    case.load()
    assert "nothing to let through" in case.told("note", "one_sided")


def test_web_mercator_is_warned_of(case: Any) -> None:
    case.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:3857"\n\n[hyd')
    case.load()
    assert "stretches lengths" in case.told("warning", "crs_scale")


def test_weights_not_used_are_warned_of(case: Any) -> None:
    case.edit("[money]", "[ranking.weights]\ncost = -1\n[money]")
    case.load()
    assert "not used" in case.told("warning", "unused")


def test_warnings_reach_callers_without_a_list(case: Any) -> None:
    case.edit('crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:3857"\n\n[hyd')
    path = case.write("project.toml", case.text)
    with pytest.warns(BarrierRankWarning, match="stretches lengths") as told:
        project = load_project(path)
    assert [w.category for w in told] == [BarrierRankWarning]
    assert project.basin.crs == "EPSG:3857"


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"[basin]\nname = broken\n", r"p\.toml: is not valid TOML: .*line 2"),
        (b"[basin]\n\nname = 'caf\xe9'\n", r"line 3 is not UTF-8 text -> save the file as UTF-8"),
        ("[basin]".encode("utf-16"), "is not UTF-8"),
        (b"a = " + b"[" * 5000, "p.toml: is n"),
        (b"a = 1" + b"0" * 5000, "is not valid TOML"),
        (b"", r"\[basin\]: the table is missing"),
    ],
    ids=["syntax", "latin-1", "utf-16", "nested", "huge number", "empty"],
)
def test_files_that_are_no_toml_get_one_clear_line(tmp_path: Path, content: bytes, match: str) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=match) as caught:
        load_project(path)
    assert all("\n" not in p.line() for p in caught.value.problems)
    if content:
        assert len(caught.value.problems) == 1


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(
        InputError, match=r"nothing\.toml: there is no such project file -> .*`new` writes one"
    ):
        load_project(tmp_path / "nothing.toml")
    with pytest.raises(InputError, match="is a folder, not a project file"):
        load_project(tmp_path)


def test_a_byte_order_mark_does_no_harm(case: Any) -> None:
    path = case.write("project.toml", b"\xef\xbb\xbf" + case.text.encode())
    assert isinstance(load_project(path, Problems()), Project)
