"""Columns of habitat built from rasters, curves and surveys: described, and carried by every file."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest

from barrierrank.outputs.columns import COLUMN_DOCS, describe
from barrierrank.outputs.geopackage import write_geopackage
from barrierrank.outputs.model import SpeciesLook
from barrierrank.outputs.quality import LOOKS, NONE, STEPS, UNKNOWN, quality_codes
from barrierrank.outputs.tables import write_csv, write_xlsx


@pytest.fixture(scope="module")
def model(small_model):
    return small_model(quality=True)


def test_every_column_of_the_reaches_is_described(model):
    docs = describe(model.reaches.drop(columns="geometry").columns, model.species, table="reaches")
    by_name = {d.name: d for d in docs}
    assert [d.name for d in docs if d.kind == "other"] == []
    assert [d.name for d in docs if "{" in d.title + d.meaning + d.unit] == []
    assert by_name["gradient"].unit == "m/m"
    assert by_name["width_m"].unit == "m"
    assert by_name["quality_lamprey"].kind == by_name["missing_dem"].kind == "share"
    assert by_name["quality_lamprey"].title == "Habitat quality, Sea lamprey"
    assert by_name["surveyed_walleye"].kind == "flag"
    assert by_name["limited_by_brook_trout"].kind == "text"
    assert "Bed_2" in by_name["missing_Bed_2"].title
    assert by_name["habitat_lamprey_spawning"].title == "Spawning habitat, Sea lamprey"


def test_patterns_do_not_catch_what_they_should_not(model):
    names = ["missing_", "missing_a-b", "quality_burbot", "habitat_lamprey_feeding"]
    assert {d.kind for d in describe(names, model.species, table="reaches")} == {"other"}
    assert describe(["missing_dem"], model.species, table="sites")[0].kind == "other"
    assert sum("{raster}" in d.name for d in COLUMN_DOCS) == 1


def test_a_species_whose_key_ends_like_a_stage_keeps_its_own_column():
    looks = (SpeciesLook("x", "Ex", "native", "m"), SpeciesLook("x_spawning", "Ex at its nest", "native", "m2"))
    (doc,) = describe(["habitat_x_spawning"], looks, table="reaches")
    assert doc.title == "Habitat, Ex at its nest"


def test_a_label_with_braces_stays_as_it_is():
    looks = (SpeciesLook("x", "{raster} {label}", "native", "m"),)
    (doc,) = describe(["quality_x"], looks, table="reaches")
    assert doc.title == "Habitat quality, {raster} {label}"


def test_layers_carry_them(model, tmp_path):
    path = tmp_path / "results.gpkg"
    write_geopackage(path, model)
    back = gpd.read_file(path, layer="reaches")
    for name in model.reaches.columns.drop("geometry"):
        given = model.reaches[name]
        if given.dtype.kind == "f":
            np.testing.assert_array_equal(back[name].to_numpy(dtype=float), given.to_numpy(), err_msg=name)
    assert back["surveyed_lamprey"].dtype == bool
    assert back["surveyed_lamprey"].tolist() == model.reaches["surveyed_lamprey"].tolist()
    assert back["limited_by_lamprey"].fillna("").tolist() == model.reaches["limited_by_lamprey"].tolist()


def test_the_workbook_says_what_they_mean_and_tables_pass_further_columns_on(model, tmp_path):
    more = dataclasses.replace(model, priority=model.priority.assign(habitat_lamprey_spawning=1.5))
    write_csv(tmp_path / "p.csv", more)
    assert pd.read_csv(tmp_path / "p.csv")["habitat_lamprey_spawning"].eq(1.5).all()
    write_xlsx(tmp_path / "p.xlsx", more)
    book = openpyxl.load_workbook(tmp_path / "p.xlsx")
    head = [c.value for c in book["Priority list"][1]]
    assert "habitat_lamprey_spawning" in head
    told = {c.value for row in book["Columns"].iter_rows() for c in row}
    wanted = {"gradient", "width_m", "quality_walleye", "limited_by_walleye", "surveyed_walleye", "missing_Bed_2"}
    assert wanted <= told


def test_steps_of_quality():
    q = np.array([np.nan, 0.0, 1e-9, 0.1999, 0.2, 0.4, 0.6, 0.799, 0.8, 1.0, 3 * 0.2, 1 + 1e-12])
    assert quality_codes(q).tolist() == [UNKNOWN, NONE, 1, 1, 2, 3, 4, 4, 5, 5, 4, 5]
    assert [look.code for look in LOOKS] == list(range(7))
    widths = [s.width for s in STEPS]
    assert widths == sorted(widths)
    for bad in (-0.01, 1.01):
        with pytest.raises(ValueError, match="between 0 and 1"):
            quality_codes(np.array([0.5, bad]))
