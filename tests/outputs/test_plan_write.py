"""The folder of a plan: whole or untouched; what is not ours stays; layers with styles and meanings."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from support.plan_look import plan_look

from barrierrank.outputs import folder, plan_write
from barrierrank.outputs.folder import OutputError
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_geopackage import PLAN_LAYERS, write_plan_geopackage
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_reaches import states
from barrierrank.outputs.plan_write import check_plan_dir, write_plan

Build = Callable[..., OutputModel]
TABLES = {"plan.csv", "plan_left_out.csv", "plan_access.csv"}
ALWAYS = TABLES | {"plan.xlsx", "plan.gpkg", "plan_map.html", "plan.json", "cautions.txt", "plan_access_lamprey.png"}
MORE = {"plan_steadiness.csv", "plan_curve.csv", "plan_front.csv", "plan_curve.png", "plan_front.png"}


@pytest.fixture(scope="module")
def look(small_model: Build) -> PlanLook:
    base = small_model(n_reaches=40, n_sites=8)
    return plan_look(dataclasses.replace(base, species=base.species[:1]), share=0.5)


@pytest.fixture(scope="module")
def bare(look: PlanLook) -> PlanLook:
    return plan_look(look.base, share=0.0, draws=0, curve=0, front=0)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small stand-ins for the slow writers where only the folder is looked at."""
    monkeypatch.setattr(plan_write, "plan_pictures", lambda _look: {"plan_access_lamprey.png": None})
    monkeypatch.setattr(plan_write, "save_picture", lambda path, _draw: path.write_text("picture"))
    monkeypatch.setattr(plan_write, "_map", lambda path, _look: path.write_text("map"))
    monkeypatch.setattr(plan_write, "write_plan_xlsx", lambda path, *_: path.write_text("book"))


def named(look: PlanLook, mark: str) -> PlanLook:
    return dataclasses.replace(look, run={**look.run, "mark": mark})


def mark(folder: Path) -> Any:
    """Check that the folder is one whole set and return whose: each file has the hash plan.json tells."""
    record = json.loads((folder / "plan.json").read_text("utf-8"))
    for output in record["outputs"]:
        assert hashlib.sha256((folder / output["path"]).read_bytes()).hexdigest() == output["sha256"]
    return record["mark"]


def left_over(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if "barrierrank" in p.name]


def test_every_output_is_written_and_told(look: PlanLook, tmp_path: Path) -> None:
    told: list[str] = []
    out = tmp_path / "deep" / "plan"
    paths = write_plan(out, named(look, "first"), told.append)
    assert {p.name for p in out.iterdir()} == {p.name for p in paths} == set(told) == ALWAYS | MORE
    assert (told[0], told[-1]) == ("plan.csv", "plan.json")
    assert mark(out) == "first"
    record = json.loads((out / "plan.json").read_text("utf-8"))
    assert {o["path"] for o in record["outputs"]} == (ALWAYS | MORE) - {"plan.json"}
    assert record["version"] == look.run["version"]
    assert "write plan.gpkg" in record["timings"]
    assert look.base.cautions[0] in " ".join((out / "cautions.txt").read_text("utf-8").split())
    assert left_over(out.parent) == []


@pytest.mark.usefixtures("quick")
def test_a_second_plan_replaces_ours_and_keeps_what_is_not_ours(look: PlanLook, bare: PlanLook, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    write_plan(out, named(look, "first"))
    (out / "notes.txt").write_text("mine")
    (out / "project").mkdir()
    (out / "project" / "deep.qgz").write_text("deep")
    (out / "link").symlink_to("notes.txt")
    (out / "plan.gpkg-wal").write_text("of the old database")
    out.chmod(0o750)
    write_plan(out, named(bare, "second"))
    assert mark(out) == "second"
    assert {p.name for p in out.iterdir()} == ALWAYS | {"notes.txt", "project", "link"}
    assert (out / "project" / "deep.qgz").read_text() == "deep"
    assert (out / "link").is_symlink()
    assert out.stat().st_mode & 0o777 == 0o750
    assert left_over(tmp_path) == []


class _Killed(BaseException):
    """What a kill is to Python code: nothing catches it."""


STEPS = ["write_plan_csv", "write_cautions", "write_plan_geopackage", "write_record", "keep_others", "swap"]


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("step", STEPS)
def test_a_failure_at_any_step_leaves_one_whole_set(
    look: PlanLook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, after: bool
) -> None:
    out = tmp_path / "plan"
    write_plan(out, named(look, "old"))
    (out / "notes.txt").write_text("mine")
    owner = plan_write if hasattr(plan_write, step) else folder
    real = getattr(owner, step)

    def cut(*args: Any, **options: Any) -> None:
        if after:
            real(*args, **options)
        raise _Killed

    with monkeypatch.context() as m:
        m.setattr(owner, step, cut)
        with pytest.raises(_Killed):
            write_plan(out, named(look, "new"))
    assert mark(out) == ("new" if step == "swap" and after else "old")
    write_plan(out, named(look, "third"))
    assert mark(out) == "third"
    assert (out / "notes.txt").read_text() == "mine"
    assert left_over(tmp_path) == []


@pytest.mark.usefixtures("quick")
def test_a_folder_that_cannot_take_a_plan(look: PlanLook, tmp_path: Path) -> None:
    ranked = tmp_path / "results"
    ranked.mkdir()
    for name in ("run.json", "priority_list.csv"):
        (ranked / name).write_text("{}")
    with pytest.raises(OutputError, match=r"holds the results of a ranking -> .*--out plan"):
        check_plan_dir(ranked)
    with pytest.raises(OutputError, match="holds the results of a ranking"):
        write_plan(ranked, look)
    assert sorted(p.name for p in ranked.iterdir()) == ["priority_list.csv", "run.json"]
    with pytest.raises(OutputError, match="the folder you work in"):
        check_plan_dir(Path.cwd())
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        check_plan_dir(file)
    check_plan_dir(tmp_path / "not there yet")


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("name", ["plan.csv", "cautions.txt", "plan.json", "plan_access_eel.png", "plan.xlsx"])
@pytest.mark.parametrize("record", ["", "[]", "{", '{"made_by": "me", "outputs": []}'])
def test_files_of_others_under_our_names_are_not_replaced(
    look: PlanLook, tmp_path: Path, name: str, record: str
) -> None:
    out = tmp_path / "plan"
    out.mkdir()
    if record:
        (out / "plan.json").write_text(record)
    if name != "plan.json" or not record:
        (out / name).write_text("mine")
    before = {p.name: p.read_text() for p in out.iterdir()}
    with pytest.raises(OutputError, match="was not written by this command and would be replaced"):
        write_plan(out, look)
    assert {p.name: p.read_text() for p in out.iterdir()} == before


@pytest.mark.usefixtures("quick")
def test_a_record_cannot_name_files_that_are_not_ours(look: PlanLook, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    write_plan(out, named(look, "first"))
    (out / "thesis.docx").write_text("mine")
    record = json.loads((out / "plan.json").read_text("utf-8"))
    record["outputs"].append({"path": "thesis.docx"})
    (out / "plan.json").write_text(json.dumps(record))
    write_plan(out, named(look, "second"))
    assert (out / "thesis.docx").read_text() == "mine"


def ask(path: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query).fetchall()


@pytest.mark.parametrize("hostile", [False, True])
def test_the_layers_hold_the_tables(small_model: Build, tmp_path: Path, hostile: bool) -> None:
    look = plan_look(small_model(hostile=hostile))
    path = tmp_path / "plan.gpkg"
    write_plan_geopackage(path, look)
    sites, reaches = (gpd.read_file(path, layer=name) for name in PLAN_LAYERS)
    assert [c for c in sites if c != "geometry"] == list(look.plan)
    for column in ("order", "site", "name", "action", "why", "cost", "worth_in_plan", "rank", "share"):
        assert sites[column].tolist() == pytest.approx(look.plan[column].tolist()), column
    places = look.base.sites.set_index("site").geometry
    assert all(p.equals(places[s]) for p, s in zip(sites.geometry, sites["site"], strict=True))
    assert sites.crs == look.base.sites.crs == reaches.crs
    assert reaches["reach"].tolist() == look.base.reaches["reach"].tolist()
    for species in look.base.species:
        for when in ("before", "after"):
            name = f"{when}_{species.key}"
            assert reaches[name].to_numpy() == pytest.approx(look.reach_access[name].to_numpy())
            assert (reaches[f"state_{name}"].to_numpy() == states(look, species.key, when)).all()
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
    assert ask(path, "PRAGMA foreign_key_check") == []


def test_styles_and_meanings_are_in_the_file(small_model: Build, tmp_path: Path) -> None:
    look = plan_look(small_model())
    path = tmp_path / "plan.gpkg"
    write_plan_geopackage(path, look)
    styles = ask(path, "SELECT f_table_name, styleName, styleQML, styleSLD, useAsDefault FROM layer_styles")
    names = [(layer, name) for layer, name, *_ in styles]
    assert names.count(("plan_sites", "Purpose")) == names.count(("plan_sites", "Steadiness")) == 1
    assert {("reaches", f"{w}: {s.key}") for s in look.base.species for w in ("After", "Before")} <= set(names)
    defaults = [(layer, name) for layer, name, *_, default in styles if default]
    assert sorted(defaults) == [("plan_sites", "Purpose"), ("reaches", "After: lamprey")]
    query = "SELECT name FROM pragma_table_info('{}')"
    columns = {layer: {n for (n,) in ask(path, query.format(layer))} for layer in PLAN_LAYERS}
    for layer, _, qml, sld, _ in styles:
        attribute = ET.fromstring(qml[qml.index("<qgis") :]).find("renderer-v2").get("attr")
        assert attribute in columns[layer]
        ET.fromstring(sld.encode())
    told = {
        (layer, name): meaning
        for layer, name, meaning in ask(path, "SELECT table_name, column_name, description FROM gpkg_data_columns")
    }
    for layer, there in columns.items():
        assert all(told[layer, name] for name in there - {"fid", "geom"})
    words = {w for (w,) in ask(path, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_type = 'enum'")}
    assert {"core", "open", "keep out"} <= words


def test_the_same_plan_gives_the_same_layers_and_one_of_nothing_has_empty_ones(bare: PlanLook, tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_plan_geopackage(tmp_path / f"{name}.gpkg", bare)
    one, other = (list(sqlite3.connect(tmp_path / f"{n}.gpkg").iterdump()) for n in ("a", "b"))
    assert one == other
    sites = gpd.read_file(tmp_path / "a.gpkg", layer="plan_sites")
    assert len(sites) == 0
    assert list(bare.plan) == [c for c in sites if c != "geometry"]
    styles = {n for (n,) in ask(tmp_path / "a.gpkg", "SELECT styleName FROM layer_styles")}
    assert "Steadiness" not in styles
    assert np.isfinite(gpd.read_file(tmp_path / "a.gpkg", layer="reaches")["after_lamprey"]).all()
