"""What the map says of passability: what the page holds, and what a reader sees beside the map."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
import pytest
from support.map_browser import Reader
from support.map_page import Decoded
from support.passage_model import with_passage

from barrierrank.outputs.column_doc import SOURCES, STOPPERS
from barrierrank.outputs.map.passage import HEIGHTS, RANGE, page_cautions, passage_bytes, passage_columns
from barrierrank.outputs.map.write import render_map
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.units import format_flow, format_height
from barrierrank.ranking.cautions import cautions_for, short_cautions

Build = Callable[..., OutputModel]


@pytest.fixture(scope="module")
def model(small_model: Build) -> OutputModel:
    return with_passage(small_model(seed=5, n_reaches=200, n_sites=60), pictures=0)


@pytest.fixture(scope="module")
def decoded(model: OutputModel) -> Decoded:
    return Decoded(render_map(model))


# --- What the page holds ---


def test_numbers_come_back_by_site_and_species(decoded: Decoded, model: OutputModel) -> None:
    ids = model.sites["site"].tolist()
    table = model.passage.set_index(["site", "species"])
    told = 0
    for look, part in zip(model.species, decoded.json("passage"), strict=True):
        sites = [ids[i] for i in itertools.accumulate(part["at"])]
        rows = table.loc[[(s, look.key) for s in sites]]
        told += len(rows)
        assert [SOURCES[int(c)] for c in part["source"]] == rows["source"].tolist()
        assert [("", *STOPPERS)[int(c)] for c in part["by"]] == rows["stopped_by"].tolist()
        wanted = {
            "worst": ("p_worst", 1000, 0.51), "upper": ("trial_upper", 1000, 0.51), "year": ("worst_year", 1, 0.0),
            "years": ("years", 1, 0.0), "run": ("run_days", 1, 0.51), "days": ("days_passable", 1, 0.051),
            "offered": ("trial_offered", 1, 0.0), "passed": ("trial_passed", 1, 0.0),
        }  # fmt: skip
        if look.role == "invasive":
            wanted |= {name: (column, 1000, 0.51) for name, column in (HEIGHTS | RANGE).items()}
            wide = rows["p_high"] - rows["p_low"] > 0.05  # else nobody is told
            rows = rows.assign(p_low=rows["p_low"].where(wide), p_high=rows["p_high"].where(wide))
            assert wide.any()
            assert not wide[rows["source"] == "computed"].all()
        assert set(part) - {"flow", "holds", "drowns"} == {"at", "source", "by", *wanted}
        for name, (column, scale, off) in wanted.items():
            read = np.array([math.nan if v is None else v for v in part[name]])
            given = rows[column].to_numpy(dtype=float, na_value=math.nan) * scale
            np.testing.assert_allclose(read, given, atol=off, rtol=1e-12, err_msg=name)
        assert ("flow" in part) == (look.role == "invasive")
    assert told == (model.passage["source"] != "given").sum()


def test_a_design_check_is_told_where_passability_is_given_too(model: OutputModel) -> None:
    table = model.passage.assign(source="given")
    parts = passage_columns(dataclasses.replace(model, passage=table))
    assert parts is not None
    assert len(parts[0]["at"]) == table["design_drop_m"].notna().sum() > 0
    assert set(parts[0]["source"]) == {"0"}
    assert [p["at"] for p in parts[1:]] == [[], [], []]


def test_shares_are_never_rounded_to_none_or_all(model: OutputModel) -> None:
    table = model.passage[model.passage["source"] == "computed"].iloc[:3].copy()
    table["species"], table["p_worst"] = "walleye", [1e-6, 1 - 1e-6, 0.0]
    parts = passage_columns(dataclasses.replace(model, passage=table))
    assert parts is not None
    assert parts[1]["worst"] == [1, 999, 0]


def test_a_row_takes_a_few_bytes(small_model: Build) -> None:
    many = with_passage(small_model(n_reaches=2500, n_sites=2000), pictures=0)
    rows = (many.passage["source"] != "given").sum()
    assert rows > 4000
    assert passage_bytes(many) < 11 * rows


def test_without_the_table_the_page_holds_nothing_of_it(small_model: Build, model: OutputModel) -> None:
    plain = small_model(seed=5, n_reaches=200, n_sites=60)
    assert "passage" not in Decoded(render_map(plain)).meta["sections"]
    assert passage_columns(plain) is None
    assert passage_bytes(plain) == 0
    assert passage_bytes(model) > 0


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("site", "S9999", "names sites that are not in the table of sites: S9999"),
        ("source", "guess", "sources of passability are given, computed, trial, assumed; given: 'guess'"),
        ("stopped_by", "wall", "reasons of passability are drop, leap, pool, depth, velocity; given: 'wall'"),
    ],
)
def test_what_is_not_known_is_refused(model: OutputModel, column: str, value: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        passage_columns(dataclasses.replace(model, passage=model.passage.assign(**{column: value})))


def test_cautions_of_the_page(model: OutputModel) -> None:
    assert page_cautions(model) == list(short_cautions())
    works = dataclasses.replace(model, cautions=cautions_for(["remove"]))
    assert page_cautions(works) == list(short_cautions(["remove"]))
    assert page_cautions(dataclasses.replace(model, passage=None)) == []


# --- What a reader sees ---


@pytest.fixture(scope="module")
def opened(visit: Callable[..., Reader], model: OutputModel) -> Reader:
    return visit(model, "passage")


@pytest.fixture
def page(opened: Reader) -> Iterator[Reader]:
    if opened.driver.current_url != opened.url:
        opened.driver.get(opened.url)
        opened.wait("return document.documentElement.dataset.ready")
    opened.reset()
    return opened


def told_at(page: Reader, site: str, species: str) -> str:
    at = page.model.sites["site"].tolist().index(site)
    page.js("barrierrank.page.chooseSite(arguments[0], null)", at)
    label = next(s.label for s in page.model.species if s.key == species)
    rows = page.js("return [...document.querySelectorAll('.passages > li')].map(r => r.innerText)")
    return " ".join(next((r for r in rows if r.startswith(label)), "").replace("\u00a0", " ").split())


def first(model: OutputModel, species: str, source: str, **more: object) -> pd.Series:
    table = model.passage[(model.passage["species"] == species) & (model.passage["source"] == source)]
    for column, value in more.items():
        table = table[table[column] == value]
    return table.iloc[0]


@pytest.mark.browser
def test_a_site_tells_days_reason_and_worst_year(page: Reader, model: OutputModel) -> None:
    table = model.passage[(model.passage["source"] == "computed") & (model.passage["species"] == "walleye")]
    row = table[table["passability"].between(0.2, 0.8)].iloc[0]
    said = told_at(page, row["site"], "walleye")
    assert said.startswith(f"Walleye native {100 * row['passability']:.3g} % Computed from structure and flows.")
    assert f"open on {row['days_passable']:.0f} of {row['run_days']:.0f} days of the run (mean of 15 years)." in said
    words = {"drop": "the drop", "leap": "the height of the leap", "pool": "too shallow a pool below",
             "depth": "too little depth of water", "velocity": "the speed of the water"}  # fmt: skip
    assert f"Mostly stopped by {words[row['stopped_by']]}." in said
    assert f"Worst year {row['worst_year']}: {float(f'{1000 * row.p_worst:.0f}') / 10:g} %." in said
    assert "Drop" not in said.split("stopped")[0]  # natives have no design check


@pytest.mark.browser
@pytest.mark.parametrize("units", ["metric", "us"])
def test_an_invader_has_its_design_check_in_the_units_of_the_reader(
    visit: Callable[..., Reader], page: Reader, model: OutputModel, units: str
) -> None:
    if units == "us":
        page = visit(dataclasses.replace(model, units="us"), "passage_us")
    table = model.passage[model.passage["raise_needed_m"] > 0.1]
    row = table.iloc[0]
    said = told_at(page, row["site"], "lamprey").replace("\u2212", "-")
    for text in (
        f"Drop that stops it {format_height(0.45, units)}",
        f"Drop at low flow {format_height(row['low_flow_drop_m'], units)}",
        f"Drop at the design flood, {format_flow(row['design_flow_m3s'], units)} "
        f"{format_height(row['design_drop_m'], units)}",
        f"Holds in floods up to once in {row['holds_return_years']:.2g} years",
        f"Crest too low by {format_height(row['raise_needed_m'], units)} "
        f"({format_height(row['raise_low_m'], units)} to {format_height(row['raise_high_m'], units)})",
    ):
        assert text in said
    warned = page.text(".warned")
    assert "drown people" in warned
    assert "licensed engineer and permits" in warned
    assert "Planning-level" in warned


@pytest.mark.browser
def test_the_range_of_an_invader_is_told_where_it_matters(page: Reader, model: OutputModel) -> None:
    table = model.passage[(model.passage["species"] == "lamprey") & (model.passage["source"] == "computed")]
    wide = table["p_high"] - table["p_low"] > 0.05
    row = table[wide].iloc[0]
    low, high = (float(f"{1000 * row[name]:.0f}") / 10 for name in ("p_low", "p_high"))
    said = told_at(page, row["site"], "lamprey")
    assert f"{low:g} % to {high:g} % by the estimate of the water below." in said
    assert "by the estimate" not in told_at(page, table[~wide].iloc[0]["site"], "lamprey")
    assert "by the estimate" not in told_at(page, row["site"], "walleye")


@pytest.mark.browser
def test_every_action_tells_what_it_lets_past(page: Reader, model: OutputModel) -> None:
    rows = model.priority
    today = rows["site"].map(model.sites.set_index("site")["passability_lamprey"])
    change = rows["passability_lamprey"] != today
    for which, words in ((change, "lets past {} % \u2192 {} %"), (~change, "lets past {} %, as today")):
        row = rows[which].iloc[0]
        at = model.sites["site"].tolist().index(row["site"])
        page.js("barrierrank.page.chooseSite(arguments[0], null)", at)
        number = rows[rows["site"] == row["site"]].index.get_loc(row.name)
        lines = page.js("return [...document.querySelectorAll('.gains')].map(g => g.firstChild.innerText)")
        said = " ".join(lines[number].replace("\u00a0", " ").split())
        shares = (today[row.name], row["passability_lamprey"])
        assert words.format(*(f"{100 * p:.3g}" for p in shares)) in said


@pytest.mark.browser
def test_trials_and_assumptions_are_told_and_given_ones_are_not(page: Reader, model: OutputModel) -> None:
    row = first(model, "walleye", "trial")
    said = told_at(page, row["site"], "walleye")
    passed = f"{row['trial_passed']:.0f}" if row["trial_passed"] else "None"
    assert f"From a trial. {passed} of {row['trial_offered']:.0f} passed. Up to" in said
    assert "(upper bound)." in said
    assert "Assumed. For want of measurements." in told_at(page, first(model, "walleye", "assumed")["site"], "walleye")
    assert told_at(page, first(model, "walleye", "given")["site"], "walleye") == ""
    assert not page.js("return [...document.querySelectorAll('h3')].some(h => h.textContent.startsWith('How passab'))")


@pytest.mark.browser
def test_every_site_can_be_opened_and_none_says_undefined(page: Reader, model: OutputModel) -> None:
    for i in range(len(model.sites)):
        page.js("barrierrank.page.chooseSite(arguments[0], null)", i)
        text = page.panel()
        assert not [w for w in ("undefined", "NaN", "null", "Infinity") if w in text], text
    severe = [e["message"] for e in page.driver.get_log("browser") if e["level"] == "SEVERE"]
    assert severe == []


@pytest.mark.browser
def test_heights_flows_and_returns_are_written_as_elsewhere(page: Reader) -> None:
    heights, flows = [0.0, 0.004, -0.004, -0.31, 0.45, 1.2, 12.345], [0.0005, 0.25, 1.0, 12.34, 435.7]
    for units in ("metric", "us"):
        told = page.js(
            "const f = barrierrank.formats(arguments[0], null);"
            "return [arguments[1].map(f.height), arguments[2].map(f.flow)]", units, heights, flows,
        )  # fmt: skip
        assert [t.replace("\u2212", "-") for t in told[0]] == [format_height(v, units) for v in heights]
        assert told[1] == [format_flow(v, units) for v in flows]
    years = page.js("const f = barrierrank.formats('us', null); return [1, 6.24, 120, 900].map(f.often)")
    assert years == ["every year", "once in 6.2 years", "once in 120 years", "less than once in 500 years"]


@pytest.mark.browser
def test_intervals_beyond_any_record_and_fish_that_wait_in_words(page: Reader) -> None:
    page.js("window.told = new barrierrank.Passage([], {species: []}, barrierrank.formats('metric', null))")
    pairs = page.js("return told.design({left: 0.9, required: 0.45, low: null, flow: null, holds: 500, drowns: 500,"
                    " raise: null})")  # fmt: skip
    assert pairs[-2:] == [
        ["Holds in floods up to", "rarer than once in 500 years"],
        ["Drowns in floods from", "rarer than once in 500 years"],
    ]
    said = page.js("return told.words({source: 1, run: 33, days: 0, years: 15, by: 1, worst: null}, 0.009).join(' ')")
    assert "none of 33 days of the run (mean of 15 years), but on some soon after it, while fish still wait." in said


@pytest.mark.browser
def test_the_table_of_fish_is_not_cut_on_a_small_laptop(page: Reader, model: OutputModel) -> None:
    metrics = {"width": 900, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        page.wait("return innerWidth === 900")
        told_at(page, first(model, "lamprey", "computed")["site"], "lamprey")
        box = page.js("const t = document.querySelector('.table-box'); return [t.scrollWidth, t.clientWidth]")
        assert 0 < box[0] <= box[1]
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
