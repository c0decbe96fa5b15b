"""The GeoPackage: valid, complete, with styles and column meanings that programs can read."""

from __future__ import annotations

import dataclasses
import os
import shutil
import sqlite3
import subprocess
import xml.etree.ElementTree as ET
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest

from barrierrank.outputs import geopackage
from barrierrank.outputs.geopackage import LAYERS, write_geopackage
from barrierrank.outputs.styles import STATE_LOOKS


@pytest.fixture(scope="module")
def written(small_model, tmp_path_factory):
    path = tmp_path_factory.mktemp("gpkg") / "results.gpkg"
    model = small_model()
    write_geopackage(path, model)
    return model, path


def _ask(path, query):
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query).fetchall()


def test_layers_hold_every_row_and_value(written):
    model, path = written
    assert [n for n, kind in pyogrio.list_layers(path) if kind] == list(LAYERS)
    for name, frame in (("reaches", model.reaches), ("sites", model.sites)):
        back = gpd.read_file(path, layer=name)
        assert back.crs == frame.crs
        assert back.geometry.geom_equals(frame.geometry.reset_index(drop=True)).all()
        columns = [c for c in frame.columns if c != "geometry"]
        assert [c for c in back.columns if c != "geometry"] == columns
        wanted = pd.DataFrame(frame[columns])
        for nullable in wanted.select_dtypes("Int64"):
            wanted[nullable] = wanted[nullable].astype("float64")
        pd.testing.assert_frame_equal(pd.DataFrame(back[columns]), wanted, check_dtype=False, rtol=1e-15)


def test_a_missing_downstream_reach_is_null_not_a_number(written):
    model, path = written
    (found,) = _ask(path, "SELECT count(*) FROM reaches WHERE downstream IS NULL")[0]
    assert found == model.reaches["downstream"].isna().sum() > 0


def test_actions_stand_where_their_sites_stand(written):
    model, path = written
    back = gpd.read_file(path, layer="actions")
    assert back["rank"].tolist() == model.priority["rank"].tolist()
    place = model.sites.set_index("site").geometry
    assert all(p.equals(place[s]) for p, s in zip(back.geometry, back["site"], strict=True))
    assert set(back["best"].unique()) <= {True, False}


def test_a_problem_without_a_place_has_no_geometry(written):
    model, path = written
    assert _ask(path, "SELECT geom IS NULL FROM problems ORDER BY fid") == [
        (int(g is None),) for g in model.problems.geometry
    ]


def test_file_is_sound(written):
    _, path = written
    assert _ask(path, "PRAGMA integrity_check") == [("ok",)]
    assert _ask(path, "PRAGMA foreign_key_check") == []
    assert _ask(path, "PRAGMA application_id") == [(0x47504B47,)]  # "GPKG": OGC 12-128r15, requirement 2
    contents = dict(_ask(path, "SELECT table_name, data_type FROM gpkg_contents"))
    assert contents == dict.fromkeys(LAYERS, "features") | {"layer_styles": "attributes"}
    about = _ask(path, "SELECT identifier, description FROM gpkg_contents WHERE data_type = 'features'")
    assert all(i and d for i, d in about)
    assert len({i for i, _ in about}) == len(LAYERS)
    query = (
        "SELECT organization_coordsys_id FROM gpkg_spatial_ref_sys JOIN gpkg_geometry_columns USING (srs_id)"
    )
    srs = _ask(path, query)
    assert srs == [(32625,)] * 4


def test_ogrinfo_reads_it_without_a_warning(written):
    if not shutil.which("ogrinfo"):
        (pytest.fail if os.environ.get("CI") else pytest.skip)("GDAL's ogrinfo is not there")
    model, path = written
    done = subprocess.run(["ogrinfo", "-ro", "-so", "-al", path], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert f"Feature Count: {len(model.reaches)}" in done.stdout
    assert "domain name=share" in done.stdout


def test_every_column_is_described_in_the_file(written):
    _, path = written
    told = {(t, c): (title, meaning, rule) for t, c, title, meaning, rule in _ask(
        path, "SELECT table_name, column_name, title, description, constraint_name FROM gpkg_data_columns"
    )}  # fmt: skip
    for layer in LAYERS:
        for (name,) in _ask(path, f"SELECT name FROM pragma_table_info('{layer}')"):
            if name not in ("fid", "geom"):
                assert told[layer, name][1], (layer, name)
    assert "[m]" in told["reaches", "length_m"][1]
    assert "[USD]" in told["actions", "cost"][1]
    registered = _ask(path, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'")
    assert {r[0] for r in registered} == {"gpkg_data_columns", "gpkg_data_column_constraints"}
    rules = {r[0] for r in _ask(path, "SELECT DISTINCT constraint_name FROM gpkg_data_column_constraints")}
    assert {rule for _, _, rule in told.values() if rule} == rules
    words = _ask(path, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = 'words_state'")
    assert {w[0] for w in words} == {"open", "partial", "blocked", "none"}


def _styles(path):
    return _ask(
        path,
        "SELECT f_table_name, f_geometry_column, styleName, useAsDefault, styleQML, styleSLD "
        "FROM layer_styles",
    )


def test_styles_one_default_a_layer_and_one_for_each_species(written):
    model, path = written
    rows = _styles(path)
    assert sorted(r[0] for r in rows if r[3]) == sorted(LAYERS)
    assert {r[1] for r in rows} == {"geom"}
    reaches = [r for r in rows if r[0] == "reaches"]
    assert [r[2] for r in reaches] == [f"State: {s.key}" for s in model.species]
    assert [r[3] for r in reaches] == [1, 0, 0, 0]  # lamprey, the first invasive one
    assert {r[2] for r in rows if r[0] == "sites"} == {"Best rank", "Kind"}


def test_style_texts_are_well_formed_and_colour_every_state(written):
    _, path = written
    for layer, _, _, _, qml, sld in _styles(path):
        root = ET.fromstring(qml)
        assert root.tag == "qgis"
        renderer = root.find("renderer-v2")
        named = {s.get("name") for s in renderer.findall("symbols/symbol")}
        used = {c.get("symbol") for c in [*renderer.findall("categories/*"), *renderer.findall("ranges/*")]}
        assert used == named
        rules = ET.fromstring(sld.split("?>", 1)[1]).findall(".//{http://www.opengis.net/se}Rule")
        assert len(rules) == len(used)
        if layer == "reaches":
            assert renderer.get("attr").startswith("state_")
            assert {c.get("value") for c in renderer.findall("categories/*")} == {
                w.state for w in STATE_LOOKS
            }
            assert all(w.colour in sld for w in STATE_LOOKS)


def test_hostile_text_is_kept_as_it_is_and_breaks_no_style(small_model, tmp_path):
    model = small_model(hostile=True)
    model.sites.loc[model.sites.index[0], "kind"] = "bell\x07 & <b>"
    write_geopackage(tmp_path / "r.gpkg", model)
    assert gpd.read_file(tmp_path / "r.gpkg", layer="sites")["name"].tolist() == model.sites["name"].tolist()
    for row in _styles(tmp_path / "r.gpkg"):
        ET.fromstring(row[4])
        ET.fromstring(row[5].split("?>", 1)[1])
    assert _ask(tmp_path / "r.gpkg", "PRAGMA integrity_check") == [("ok",)]


def test_empty_layers_and_an_older_file_in_the_way(small_model, tmp_path):
    model = small_model()
    bare = dataclasses.replace(model, priority=model.priority.iloc[:0], problems=model.problems.iloc[:0])
    path = tmp_path / "r.gpkg"
    path.write_bytes(b"no database at all")
    write_geopackage(path, bare)
    assert [len(gpd.read_file(path, layer=n)) for n in LAYERS] == [300, 40, 0, 0]


def test_same_results_give_the_same_bytes(small_model, tmp_path):
    for name in ("a", "b"):
        write_geopackage(tmp_path / f"{name}.gpkg", small_model())
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()


def test_a_short_layer_is_not_passed_over(small_model, tmp_path, monkeypatch):
    real = pyogrio.write_dataframe
    monkeypatch.setattr(
        geopackage.pyogrio,
        "write_dataframe",
        lambda frame, *a, **k: real(frame.iloc[: len(frame) // 2], *a, **k),
    )
    with pytest.raises(OSError, match=r"layer reaches holds 150 of 300 rows"):
        write_geopackage(tmp_path / "r.gpkg", small_model())


def test_the_model_is_not_changed(small_model, tmp_path):
    model = small_model()
    before = model.reaches.copy(deep=True)
    write_geopackage(tmp_path / "r.gpkg", model)
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(model.reaches))
    assert np.array_equal(before.geometry.to_wkb(), model.reaches.geometry.to_wkb())
