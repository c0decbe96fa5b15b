"""Passability worked out: its sentences, its table in every file, and which files are written."""

from __future__ import annotations

import csv
import dataclasses
import html
import json
import math
import re
import sqlite3
import zipfile
from contextlib import closing

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
from support.passage_model import with_passage

from barrierrank.outputs import bundle
from barrierrank.outputs.cells import restore
from barrierrank.outputs.columns import describe
from barrierrank.outputs.columns_passage import APART, PASSAGE_DOCS
from barrierrank.outputs.geopackage import write_geopackage
from barrierrank.outputs.passage_table import PASSAGE_COLUMNS, sites_with_passage, with_words
from barrierrank.outputs.passages_words import (
    design_words,
    flood_words,
    passage_words,
    return_words,
    share_words,
)
from barrierrank.outputs.spoken import spoken_summary
from barrierrank.outputs.tables import write_passage, write_xlsx
from barrierrank.outputs.units import format_flow, format_height
from barrierrank.ranking.cautions import cautions_for, short_cautions, shortened

COMPUTED = {
    "source": "computed", "passability": 0.397, "p_worst": 0.12, "worst_year": 2019, "years": 15,
    "days_passable": 31.4, "run_days": 78.2, "stopped_by": "drop", "stopped_share": 0.55,
}  # fmt: skip
DESIGN = {
    "required_drop_m": 0.45, "design_flow_m3s": 12.34, "design_drop_m": 0.31, "raise_needed_m": 0.14,
    "raise_low_m": 0.04, "raise_high_m": 0.24,
}  # fmt: skip


@pytest.fixture(scope="module")
def model(small_model):
    return with_passage(small_model())


# --- Sentences ---


def test_a_computed_passability_in_words():
    assert passage_words(COMPUTED, "White sucker", "native", "metric") == (
        "40 % of the run of White sucker gets past: the way is open on 31 of its 78 days (mean of 15 years); what "
        "stops most of the others is the drop; in the worst year (2019) 12 %."
    )


@pytest.mark.parametrize(
    ("changed", "wanted", "unwanted"),
    [
        ({"passability": 0.0, "p_worst": 0.0, "days_passable": 0.0, "stopped_share": 1.0},
         "None of the run of Ide gets past: the way is open on none of its 78 days (mean of 15 years); "
         "the drop stops it.",
         "worst"),
        ({"passability": 1.0, "p_worst": 1.0, "days_passable": 78.2, "stopped_by": "", "stopped_share": 0.0},
         "All of the run of Ide gets past: the way is open on all its 78 days (mean of 15 years).", "stops"),
        ({"passability": 0.00004, "p_worst": 0.0}, "Less than 0.1 % of the run of Ide gets past", "None of"),
        ({"passability": 0.9999, "days_passable": 77.9}, "More than 99 % of the run", "All of"),
        ({"days_passable": 77.9}, "on nearly all its 78 days", "on all"),
        ({"days_passable": 0.2}, "on less than one of its 78 days", "on 0"),
        ({"days_passable": 0.0},
         "none of its 78 days (mean of 15 years), but on some soon after it, while fish still wait;", "none of it."),
        ({"run_days": 1.0, "days_passable": 1.0}, "on its only day", "1 days"),
        ({"years": 1}, "(one year)", "in the worst year"),
        ({"p_worst": 0.0}, "in the worst year (2019) none of it.", "0 %."),
        ({"p_worst": 1.0}, "in the worst year (2019) all of it.", "100 %."),
        ({"passability": 0.0, "stopped_share": 0.7}, "; what stops most is the drop", "others"),
        ({"worst_year": pd.NA}, "in the worst year 12 %.", "<NA>"),
        ({"stopped_share": 0.2, "stopped_by": "velocity"}, "what stops it most often is the speed of the water",
         "most of the others"),
        ({"stopped_by": "leap"}, "the height of the leap", "drop"),
        ({"stopped_by": "pool"}, "too shallow a pool below", "drop"),
        ({"stopped_by": "depth"}, "too little depth of water", "drop"),
        ({"stopped_by": None}, "40 % of the run", "stops"),
        ({"passability": math.nan}, "is not known: no year has flows on enough of its days.", "nan"),
        ({"days_passable": math.nan}, "40 % of the run of Ide gets past; what stops", "days"),
    ],
)  # fmt: skip
def test_odd_cases_in_words(changed, wanted, unwanted):
    said = passage_words(COMPUTED | changed, "Ide", "native", "metric")
    assert wanted in said
    assert unwanted not in said
    assert said.endswith(".")
    assert "nan" not in said.lower().replace("and", "")


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (0.01, 0.68, "1 % to 68 % of it by the estimate of the tailwater"),
        (0.0, 1.0, "none to all of it by the estimate of the tailwater"),
        (0.37, 0.41, ""),
        (math.nan, 0.9, ""),
    ],
)
def test_the_range_of_an_invader_is_told_where_it_matters(low, high, told):
    row = COMPUTED | {"p_low": low, "p_high": high}
    said = passage_words(row, "Sea lamprey", "invasive", "metric")
    assert not told or f"(mean of 15 years); {told}; what stops most" in said
    assert ("by the estimate" in said) == bool(told)
    assert "by the estimate" not in passage_words(row, "White sucker", "native", "metric")
    assert "by the estimate" not in passage_words(row | {"source": "given"}, "Sea lamprey", "invasive", "metric")


def test_trials_in_words():
    none = {"source": "trial", "passability": 0.05, "trial_offered": 58, "trial_passed": 0, "trial_upper": 0.05}
    assert passage_words(none, "Sea lamprey", "invasive", "metric") == (
        "None of 58 Sea lamprey passed in a trial, which does not prove that none can; up to 5 % may get past (upper "
        "bound), and that is what is reckoned with."
    )
    some = {"source": "trial", "passability": 0.03, "trial_offered": 1200, "trial_passed": 36, "trial_upper": 0.07}
    assert passage_words(some, "Ide", "native", "metric") == (
        "36 of 1,200 Ide passed in a trial (3 %); up to 7 % may get past (upper bound), and 3 % is reckoned with."
    )
    bare = {"source": "trial", "passability": 0.5}
    assert passage_words(bare, "Ide", "native", "us") == "50 % of the run of Ide gets past, by a trial."


def test_given_and_assumed_in_words():
    said = passage_words({"source": "given", "passability": 0.33}, "Ide", "native", "metric")
    assert said == "33 % of the run of Ide gets past: given, not worked out."
    said = passage_words({"source": "assumed", "passability": 0.0}, "Ide", "native", "metric")
    assert said == "None of the run of Ide gets past: assumed, for want of measurements."
    assert "not known" in passage_words({"source": "given"}, "Ide", "native", "metric")


def test_the_design_flood_in_words_and_in_the_readers_units():
    said = passage_words(COMPUTED | DESIGN, "Sea lamprey", "invasive", "metric")
    assert said.endswith(
        "; at the design flood (12.3 m³/s) 0.31 m of drop is left where 0.45 m is needed, so that the crest is 0.14 m "
        "too low (0.04 m to 0.24 m, by the estimate of the tailwater); planning-level: a crest is raised by a licensed "
        "engineer, with permits."
    )
    # 12.34 m3/s / 0.3048^3 = 436 ft3/s; 0.31 m = 1.0 ft; 0.45 m = 1.5 ft; 0.14 m = 0.5 ft
    us = design_words(DESIGN, "us")
    for text in ("436 ft³/s", "1.0 ft of drop", "1.5 ft is needed", "0.5 ft too low (0.1 ft to 0.8 ft"):
        assert text in us
    assert "design flood" not in passage_words(COMPUTED | DESIGN, "Ide", "native", "metric")
    drowned = design_words(DESIGN | {"design_drop_m": -0.2, "raise_needed_m": 0.65}, "metric")
    assert "no drop is left where 0.45 m is needed, so that the crest is 0.65 m too low" in drowned
    enough = {"design_drop_m": 0.6, "raise_needed_m": 0.0, "raise_low_m": 0.0, "raise_high_m": 0.0}
    assert design_words(DESIGN | enough, "metric") == (
        "at the design flood (12.3 m³/s) 0.60 m of drop is left, enough to stop it"
    )
    near = design_words(DESIGN | enough | {"raise_high_m": 0.03}, "metric")
    assert near.endswith("to stop it, but up to 0.03 m too little if the water below stands higher than reckoned")
    culvert = {k: v for k, v in DESIGN.items() if "raise" not in k}  # has no crest to raise
    assert design_words(culvert, "metric").endswith("0.31 m of drop is left where 0.45 m is needed")
    assert design_words(culvert | {"design_drop_m": 0.5}, "metric").endswith("drop is left, enough to stop it")
    assert design_words(DESIGN | {"required_drop_m": math.nan}, "metric") == ""
    assert design_words(DESIGN | {"design_drop_m": math.inf}, "metric") == ""  # a shut gate
    holds = passage_words(COMPUTED | DESIGN | enough, "Sea lamprey", "invasive", "metric")
    assert "planning-level" not in holds  # nothing is to be raised


def test_shares_heights_flows_and_returns_in_words():
    shares = [0.0, 1e-6, 0.004, 0.025, 0.0996, 0.5, 0.996, 1.0, math.nan]
    assert [share_words(s) for s in shares] == [
        "none", "less than 0.1 %", "0.4 %", "2.5 %", "10 %", "50 %", "more than 99 %", "all", "not known",
    ]  # fmt: skip
    assert [format_height(v, "metric") for v in (0.0, 0.004, -0.004, -0.31, 1.2)] == [
        "0.00 m", "less than 0.01 m", "0.00 m", "-0.31 m", "1.20 m",
    ]  # fmt: skip
    assert [format_height(v, "us") for v in (0.3048, 0.01)] == ["1.0 ft", "less than 0.1 ft"]
    assert format_height(math.nan, "us") == format_flow(math.nan, "us") == "not known"
    assert format_flow(1.0, "us") == "35.3 ft³/s"
    assert [return_words(y) for y in (1.0, 6.24, 120.0, 1500.0, math.inf, math.nan)] == [
        "every year", "once in 6.2 years", "once in 120 years", "less than once in 500 years", "", "",
    ]  # fmt: skip


def test_floods_in_words():
    row = {"holds_return_years": 3.04, "drowns_return_years": 13.2}
    held = "The drop holds in floods up to one that comes once in 3 years"
    assert flood_words(row) == f"{held}; it is drowned in one that comes once in 13 years."
    assert flood_words(row | {"drowns_return_years": math.inf}) == f"{held}."
    never = flood_words(row | {"holds_return_years": 1.0})
    assert never.startswith("The drop holds in no flood, not even one that comes every year; it is drowned")
    assert flood_words({}) == ""
    even = "The drop holds even in floods that come less than once in 500 years."
    assert {flood_words(row | {"holds_return_years": y}) for y in (500.0, 3e9, math.inf)} == {even}


def test_a_label_stays_on_its_line():
    assert "\n" not in passage_words(COMPUTED, "Ide\n- a", "native", "metric")


# --- The table ---


def test_the_table_has_its_columns_in_order_and_a_sentence_a_row(model):
    table = model.passage
    assert tuple(table.columns) == PASSAGE_COLUMNS
    assert len(table) == len(model.sites) * len(model.species)
    assert set(table["source"]) == {"given", "computed", "trial", "assumed"}
    labels = {s.key: s.label for s in model.species}
    assert all(labels[key] in said for key, said in zip(table["species"], table["words"], strict=True))
    more = table.drop(columns="words").assign(extra=1)
    before = more.copy()
    assert list(with_words(more, model.species, "us").columns) == [*PASSAGE_COLUMNS, "extra"]
    pd.testing.assert_frame_equal(more, before)
    with pytest.raises(KeyError, match="burbot"):
        with_words(more.assign(species="burbot"), model.species, "us")


def test_endless_numbers_and_intervals_beyond_any_record_do_not_come_out(model):
    more = model.passage.drop(columns="words")
    shut = more["design_drop_m"].notna()
    more.loc[shut, ["low_flow_drop_m", "design_drop_m", "drowns_return_years"]] = math.inf
    more.loc[shut, "holds_return_years"] = 2.8e11
    table = with_words(more, model.species, "metric")
    numbers = table.select_dtypes("number").to_numpy(dtype=float, na_value=math.nan)
    assert not np.isinf(numbers).any()
    assert table.loc[shut, "design_drop_m"].isna().all()
    assert (table.loc[shut, ["holds_return_years", "drowns_return_years"]] == 500.0).all(axis=None)
    assert not table["words"].str.contains(r"\binf\b|\bnan\b").any()


def test_best_and_worst_year_are_opposites():
    docs = {d.name: d.meaning for d in PASSAGE_DOCS}
    assert "greatest for an invader, the least for a native" in docs["p_worst"]
    assert "least for an invader, the greatest for a native" in docs["p_best"]


def test_every_column_is_described(model):
    docs = describe(model.passage.columns, model.species, table="passage")
    assert [d.name for d in docs if d.kind == "other" or not d.meaning or "{" in d.title + d.meaning + d.unit] == []
    unit = {d.name: d.unit for d in docs}
    assert {n: u for n, u in unit.items() if n.endswith("_m")} == dict.fromkeys(
        (n for n in PASSAGE_COLUMNS if n.endswith("_m")), "m"
    )
    assert unit["design_flow_m3s"] == "m³/s"
    assert unit["holds_return_years"] == "years"
    raised = next(d for d in docs if d.name == "raise_needed_m").meaning
    assert "licensed engineer and permits" in raised
    assert "drown people" in raised
    names = [f"{n}_{s.key}" for n in ("source", "p_worst", "stopped_by") for s in model.species]
    assert {d.kind for d in describe(names, model.species, table="sites")} == {"word", "share"}


def test_csv_gives_back_the_table(model, tmp_path):
    write_passage(tmp_path / "passage.csv", model)
    back = pd.read_csv(tmp_path / "passage.csv")
    wanted = model.passage.astype({"worst_year": "float64"})
    back["stopped_by"] = back["stopped_by"].fillna("")
    pd.testing.assert_frame_equal(back, wanted, check_dtype=False, rtol=1e-5, atol=1e-9)
    assert b"2019.0" not in (tmp_path / "passage.csv").read_bytes()  # years are whole
    with pytest.raises(ValueError, match="no table of passability"):
        write_passage(tmp_path / "x.csv", dataclasses.replace(model, passage=None))


def test_csv_holds_no_formula(small_model, tmp_path):
    hostile = with_passage(small_model(hostile=True, n_reaches=60, n_sites=12))
    table = hostile.passage.assign(name="=1+1")
    write_passage(tmp_path / "p.csv", dataclasses.replace(hostile, passage=table))
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {r["name"] for r in rows} == {"'=1+1"}
    assert [restore(r["site"]) for r in rows] == table["site"].tolist()
    assert not [r["words"] for r in rows if r["words"][:1] in "=+-@"]


def test_workbook_has_a_sheet_of_it_and_cautions_on_every_page(model, tmp_path):
    told = dataclasses.replace(model, cautions=cautions_for(["Raise crest & sill"], ["invasive"]))
    write_xlsx(tmp_path / "p.xlsx", told)
    book = openpyxl.load_workbook(tmp_path / "p.xlsx")
    assert book.sheetnames == ["Priority list", "Sites", "Passability", "Columns", "About", "Problems"]
    sheet = book["Passability"]
    head = {c.value: c.column for c in sheet[1]}
    # what the sentence tells as well stands behind it, and is not printed: else letters come out at 4 points
    assert tuple(head) == (*(c for c in PASSAGE_COLUMNS if c not in APART), *APART)
    assert sheet.print_area.startswith("'Passability'!$A$1:")
    last = sheet.cell(1, head["words"]).column_letter
    assert sheet.print_area == f"'Passability'!$A$1:${last}${sheet.max_row}"
    printed = sum(sheet.column_dimensions[sheet.cell(1, i).column_letter].width for i in range(1, head["words"] + 1))
    assert printed <= 215 / 0.7
    assert sheet.max_row == len(model.passage) + 1
    assert sheet.cell(2, head["words"]).alignment.wrap_text
    assert sheet.column_dimensions[sheet.cell(1, head["words"]).column_letter].width > 60
    assert '"m³/s"' in sheet.cell(2, head["design_flow_m3s"]).number_format
    for shown in ("passability", "raise_needed_m"):  # none is a result, not a gap
        assert sheet.cell(2, head[shown]).number_format.endswith(";0")
    found = [sheet.cell(r, head["passability"]).value for r in range(2, sheet.max_row + 1)]
    np.testing.assert_allclose(np.array(found, float), model.passage["passability"], atol=1e-6)
    rows = {(r[0], r[1]): r for r in book["Columns"].iter_rows(min_row=2, values_only=True)}
    assert all(rows["Passability", name][4] for name in PASSAGE_COLUMNS)
    assert rows["Sites", "p_worst_lamprey"][4]
    for name in ("Priority list", "Passability"):
        foot = book[name].oddFooter.center.text
        assert "drown people" in foot
        assert "licensed engineer and permits" in foot
    with zipfile.ZipFile(tmp_path / "p.xlsx") as archive:
        sheets = [archive.read(n).decode() for n in archive.namelist() if "worksheets/sheet" in n]
    found = [f for text in sheets for f in re.findall(r"<odd(?:Footer|Header)>(.*?)</odd", text, re.DOTALL)]
    feet = [html.unescape(f) for f in found]
    assert len(feet) >= 10
    assert max(map(len, feet)) <= 255  # from memory: programs mend, or refuse, a file with more
    plain = dataclasses.replace(model, passage=None)
    write_xlsx(tmp_path / "q.xlsx", plain)
    assert "Passability" not in openpyxl.load_workbook(tmp_path / "q.xlsx").sheetnames


def test_sites_get_source_worst_year_and_what_stops(model, small_model):
    plain = small_model().sites
    assert sites_with_passage(plain, None, model.species) is plain
    shuffled = model.passage.sample(frac=1.0, random_state=1)
    sites = sites_with_passage(plain, shuffled, model.species)
    assert list(sites.columns[: len(plain.columns)]) == list(plain.columns)
    assert sites.crs == plain.crs
    for look in model.species:
        rows = model.passage[model.passage["species"] == look.key]
        assert sites[f"source_{look.key}"].tolist() == rows["source"].tolist()
        assert sites[f"stopped_by_{look.key}"].tolist() == rows["stopped_by"].tolist()
        np.testing.assert_array_equal(sites[f"p_worst_{look.key}"], rows["p_worst"])
        for name in ("design_drop_m", "raise_needed_m"):  # of invaders alone
            assert (f"{name}_{look.key}" in sites) == (look.role == "invasive")
            if look.role == "invasive":
                np.testing.assert_array_equal(sites[f"{name}_{look.key}"], rows[name])
    assert sites["raise_needed_m_lamprey"].gt(0.0).any()
    few = sites_with_passage(plain, model.passage.iloc[:4], model.species)
    assert few["source_lamprey"].tolist()[1:] == ["given"] * (len(plain) - 1)


def test_layer_of_sites_carries_them_with_null_where_nothing_stops(model, tmp_path):
    path = tmp_path / "results.gpkg"
    write_geopackage(path, model)
    back = gpd.read_file(path, layer="sites")
    np.testing.assert_array_equal(back["p_worst_walleye"].to_numpy(float), model.sites["p_worst_walleye"])
    assert back["source_walleye"].tolist() == model.sites["source_walleye"].tolist()
    assert back["stopped_by_walleye"].fillna("").tolist() == model.sites["stopped_by_walleye"].tolist()
    with closing(sqlite3.connect(path)) as db:
        (empty,) = db.execute("SELECT count(*) FROM sites WHERE stopped_by_walleye = ''").fetchone()
        rules = dict(
            db.execute("SELECT column_name, constraint_name FROM gpkg_data_columns WHERE table_name = 'sites'")
        )
        query = "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = ? ORDER BY value"
        words = [v for (v,) in db.execute(query, ("words_stopped",))]
    assert empty == 0
    assert rules["stopped_by_walleye"] == "words_stopped"
    assert rules["source_walleye"] == "words_source"
    assert rules["p_worst_walleye"] == "share"
    np.testing.assert_array_equal(back["raise_needed_m_lamprey"], model.sites["raise_needed_m_lamprey"])
    assert {"design_drop_m_lamprey", "raise_needed_m_lamprey"} <= set(rules)
    actions = gpd.read_file(path, layer="actions")
    np.testing.assert_array_equal(actions["passability_lamprey"], model.priority["passability_lamprey"])
    assert words == sorted(("drop", "leap", "pool", "depth", "velocity"))


# --- Files ---


@pytest.fixture
def quick(monkeypatch):
    """Small stand-ins for slow writers, pictures among them, where only the folder is looked at."""
    from barrierrank.outputs import map as maps  # noqa: PLC0415

    for place, name in ((bundle, "write_xlsx"), (bundle, "write_geopackage"), (maps, "write_map")):
        monkeypatch.setattr(place, name, lambda path, model: path.write_text(model.basin))
    monkeypatch.setattr(bundle, "write_blocked_maps", lambda _folder, _model: [])


def test_the_bundle_holds_them_and_clears_those_of_the_run_before(model, tmp_path, quick):
    out, told = tmp_path / "results", []
    one = dataclasses.replace(model, site_passages=model.site_passages[:1], seasons=model.seasons[:1])
    bundle.write_bundle(out, one, progress=told.append)
    names = {"passage.csv", "passage_s0001.png", "season_s0001_1.png"}
    assert names <= {p.name for p in out.iterdir()}
    assert {"passage.csv", "passage_<site>.png", "season_<site>_<number>.png"} <= set(told)
    listed = {o["path"] for o in json.loads((out / "run.json").read_text("utf-8"))["outputs"]}
    assert names <= listed
    (out / "passage.txt").write_text("mine")
    told.clear()
    none = dataclasses.replace(model, passage=None, site_passages=(), seasons=())
    bundle.write_bundle(out, none, progress=told.append)
    left = {p.name for p in out.iterdir()}
    assert not names & left
    assert "passage.txt" in left
    assert not [name for name in told if "passage" in name or "season" in name]


def test_names_of_ours_are_told_from_those_of_others():
    for name in ("passage.csv", "passage_a_1.png", "season_a_1.png", "passage_a.png.aux.xml", "season_a_12.png"):
        assert bundle.is_ours(name)
    for name in ("passage.png", "passage_A.png", "season_a.png", "season_1.png", "my_passage_a.png", "passage_a.jpg"):
        assert not bundle.is_ours(name)


def test_the_command_line_names_the_dangers_beside_the_actions_it_names(model):
    cautions = cautions_for(["Raise crest"], ["invasive"])
    said = spoken_summary(dataclasses.replace(model, cautions=cautions))
    assert said.count("Caution: ") == 2
    assert cautions[0] in said
    for text in shortened(cautions)[1:]:
        assert text in said
    assert len(short_cautions()) == 3


def test_the_command_line_counts_the_notes_that_it_does_not_print(model):
    notes = int((model.problems["severity"] == "note").sum())
    assert notes == 1
    assert "1 note on the data: in the sheet Problems of the workbook" in spoken_summary(model)
    none = dataclasses.replace(model, problems=model.problems[model.problems["severity"] != "note"])
    assert "on the data" not in spoken_summary(none)
