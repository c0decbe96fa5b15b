"""Measured structures from disk: what arrives, and what is said where a measurement cannot be or is doubtful."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from barrierrank.inputs.entrances import ENTRANCES
from barrierrank.inputs.schema_passage import CHANGES, KINDS, SHAPES, STRUCTURES, TAILS
from barrierrank.inputs.sites import read_sites
from barrierrank.inputs.structures import NUMBERS, StructureTable, read_structures
from barrierrank.passage import kernels_fields
from barrierrank.passage.assemble import COLUMNS
from barrierrank.passage.changes import CHANGES as CHANGES_OF_PASSAGE
from barrierrank.passage.structures import KINDS as KINDS_OF_PASSAGE
from barrierrank.passage.structures import SHAPES as SHAPES_OF_PASSAGE
from barrierrank.problems import InputError

ENTRANCE = "metal pipe, headwall"
CHANNEL = {"channel_bed_m": 98.0, "channel_width_m": 6.0, "channel_slope": 0.002, "channel_n": 0.035}
WEIR = {"site": "D1", "kind": "weir", "crest_m": 100.0, "crest_width_m": 8.0, "bed_m": 99.0, **CHANNEL}
GATE = {**WEIR, "kind": "gate", "gate_opening_m": 0.5, "gate_top_m": 101.0}
CULVERT = {
    "site": "D1", "kind": "culvert", "shape": "circular", "rise_m": 1.2, "length_m": 20.0, "inlet_m": 98.6,
    "outlet_m": 98.4, "barrel_n": 0.024, "entrance": ENTRANCE, **CHANNEL,
}  # fmt: skip
ABLE = """\
[species.lamprey.swimming]
moves = "swims"
required_drop_m = 0.45
[species.lamprey.run]
curve = [["04-01", 1.0], ["06-30", 1.0]]

"""


def table(*rows: dict[str, Any]) -> str:
    """Return rows as CSV, a column for every heading that one of them has."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    lines = [",".join("" if row.get(name) is None else f'"{row[name]}"' for name in names) for row in rows]
    return "\n".join([",".join(names), *lines]) + "\n"


def read(case: Any, *rows: dict[str, Any], ratings: str = "", sections: str = "") -> StructureTable:
    """Read structures, and ratings or sections where given, of the sites D1 (weir) and D2."""
    more = ""
    for name, text in (("ratings", ratings), ("sections", sections)):
        if text:
            case.write(f"{name}.csv", text)
            more += f'{name} = "{name}.csv"\n'
    case.write("structures.csv", table(*rows))
    case.write("flows.csv", "date,discharge\n2020-01-01,1\n")
    if "[structures]" not in case.text:
        tables = f'[structures]\npath = "structures.csv"\n{more}[flows]\npath = "flows.csv"\n\n{ABLE}[ratings]'
        case.edit("[ratings]", tables)
    project = case.load()
    return read_structures(project, read_sites(project, case.problems), case.problems)


def test_words_and_codes_are_those_of_the_hydraulics() -> None:
    assert KINDS == KINDS_OF_PASSAGE
    assert SHAPES == SHAPES_OF_PASSAGE
    assert CHANGES == CHANGES_OF_PASSAGE
    assert TAILS == {
        "channel": kernels_fields.TAIL_CHANNEL, "rating": kernels_fields.TAIL_RATING,
        "section": kernels_fields.TAIL_SECTION,
    }  # fmt: skip


def test_the_values_are_those_the_hydraulics_ask_for(case: Any) -> None:
    values = read(case, WEIR).values
    assert set(values) == set(COLUMNS)
    assert all(v.shape == (1,) and v.dtype == np.float64 for v in values.values())
    assert {c.name for c in STRUCTURES if c.dtype in ("number", "whole")} == {*NUMBERS, "flow_a", "flow_b",
                                                                             "drainage_area_km2"}  # fmt: skip


def test_a_weir_arrives_with_its_defaults(case: Any) -> None:
    given = {**WEIR, "logs_m": 0.3, "logs_in": "11-01", "logs_out": "2-29", "gauge": "G7", "flow_a": 0.4,
             "flow_b": 0.9, "drainage_area_km2": 55, "note": "old mill"}  # fmt: skip
    t = read(case, {**WEIR, "site": "D2"}, given)
    assert len(t) == 2
    assert t.row.tolist() == [2, 3]
    assert t.site.tolist() == [1, 0]
    assert {k: t.values[k].tolist() for k in ("kind", "crest", "width", "bed", "channel_bed", "tail")} == {
        "kind": [1, 1], "crest": [100, 100], "width": [8, 8], "bed": [99, 99], "channel_bed": [98, 98], "tail": [0, 0],
    }  # fmt: skip
    defaults = ("side", "thickness", "lip", "contractions", "notch_width", "notch_depth", "channel_side", "embedded")
    assert all(t.values[k].tolist() == [0.0, 0.0] for k in defaults)
    assert t.values["barrels"].tolist() == [1.0, 1.0]
    for name in ("coefficient", "pool_bed", "opening", "gate_top", "shape", "rise", "inlet_k", "entrance_loss"):
        assert np.isnan(t.values[name]).all()
    assert t.values["logs"].tolist() == [0.0, 0.3]
    assert (t.up_from.tolist(), t.up_to.tolist()) == ([-1, 306], [-1, 60])
    assert t.gauge.tolist() == ["", "G7"]
    np.testing.assert_array_equal([t.flow_a, t.flow_b, t.area_km2], [[np.nan, 0.4], [np.nan, 0.9], [np.nan, 55.0]])
    assert t.note.tolist() == ["", "old mill"]
    assert t.tail_start.tolist() == [0, 0, 0]
    assert not case.problems.of("warning")


def test_a_culvert_takes_its_entrance_from_the_word(case: Any) -> None:
    same = {**CULVERT, "site": "D2", "shape": "Circular", "span_m": 1.2, "entrance": "Metal pipe headwall"}
    t = read(case, {**CULVERT, "barrels": 3, "embedded_m": 0.2}, same)
    known = ENTRANCES[ENTRANCE]
    expected = {"inlet_k": known.k, "inlet_m": known.m, "inlet_c": known.c, "inlet_y": known.y,
                "entrance_loss": known.loss}  # fmt: skip
    for name, value in expected.items():
        assert t.values[name].tolist() == [value, value]
    assert t.values["shape"].tolist() == [0.0, 0.0]
    assert t.values["span"].tolist() == [1.2, 1.2]  # a circle is as wide as it is high
    assert not case.problems.of("warning")
    box = {**CULVERT, "shape": "box", "span_m": 2.0, "entrance": "concrete box, wingwalls of 30 to 75 degrees"}
    assert read(case, box).values["span"].tolist() == [2.0]
    assert (t.values["inlet"][0], t.values["outlet"][0], t.values["barrels"][0]) == (98.6, 98.4, 3.0)


def test_gates_falls_and_places_without_a_structure(case: Any) -> None:
    t = read(case, GATE, {**{k: v for k, v in WEIR.items() if k != "bed_m"}, "site": "D2", "kind": "Fall"})
    assert t.values["kind"].tolist() == [3.0, 4.0]
    assert (t.values["opening"][0], t.values["gate_top"][0]) == (0.5, 101.0)
    assert read(case, {"site": "D1", "kind": "none"}).values["kind"].tolist() == [0.0]


def test_ratings_and_sections_are_put_in_a_row(case: Any) -> None:
    bare = {k: v for k, v in WEIR.items() if k not in CHANNEL}
    rating = "site,discharge_m3s,elevation_m\nD1,5,99.0\nD1,0,98.2\nD1,2,98.6\n"
    section = "site,station_m,elevation_m\nD2,0,99\nD2,2,97.5\nD2,4,97.4\nD2,9,99.5\n"
    surveyed = {**bare, "site": "D2", "channel_slope": 0.002, "channel_n": 0.04}
    t = read(case, surveyed, bare, ratings=rating, sections=section)
    assert t.values["tail"].tolist() == [2.0, 1.0]
    assert t.tail_start.tolist() == [0, 4, 7]
    assert t.tail_x.tolist() == [0.0, 2.0, 4.0, 9.0, 0.0, 2.0, 5.0]  # the rating sorted by discharge
    assert t.tail_y.tolist() == [99.0, 97.5, 97.4, 99.5, 98.2, 98.6, 99.0]
    np.testing.assert_array_equal(t.values["channel_bed"], [97.4, np.nan])
    rating_too = rating + "D2,0,97\nD2,4,98\n"
    t = read(case, surveyed, bare, ratings=rating_too, sections=section)
    assert t.values["tail"].tolist() == [1.0, 1.0]
    assert "row 2: a rating and a section are given; the rating is used" in case.told("note", "unused")


def test_without_structures_the_table_is_empty(case: Any) -> None:
    project = case.load()
    t = read_structures(project, read_sites(project, case.problems), case.problems)
    assert len(t) == 0
    assert set(t.values) == set(COLUMNS)
    assert t.tail_start.tolist() == [0]


def _without(row: dict[str, Any], *names: str) -> dict[str, Any]:
    return {k: v for k, v in row.items() if k not in names}


IMPOSSIBLE = [
    ({**WEIR, "crest_m": 98.5}, r"the crest \(crest_m = 98\.5\) lies below the bed above \(bed_m = 99\)"),
    ({**WEIR, "crest_m": 97, "bed_m": None}, r"lies below the bed of the channel below \(98\)"),
    ({**WEIR, "notch_width_m": 1, "notch_depth_m": 1.2}, r"a notch 1\.2 m deep reaches below the bed above"),
    ({**WEIR, "notch_width_m": 9, "notch_depth_m": 0.2}, r"the notch \(9 m\) is wider than the crest \(8 m\)"),
    ({**WEIR, "notch_width_m": 1}, r"one of notch_width_m and notch_depth_m is given -> give both"),
    ({**WEIR, "pool_bed_m": 100.5}, r"the bed of the pool below \(pool_bed_m = 100\.5\) lies above the crest"),
    ({**WEIR, "lip_m": -0.1}, r'column "lip_m": given -0\.1, allowed: 0 or more'),
    ({**WEIR, "crest_width_m": 0}, r'\("D1"\), column "crest_width_m": given 0, allowed: above 0'),
    ({**WEIR, "contractions": 3}, r'column "contractions": given 3, allowed: at most 2'),
    ({**WEIR, "contractions": 0.5}, r'column "contractions": given 0\.5, allowed: whole numbers'),
    ({**WEIR, "channel_n": 3.5}, r'column "channel_n": given 3\.5, allowed: at most 0\.3'),
    ({**WEIR, "channel_n": 0.001}, r'column "channel_n": given 0\.001, allowed: 0\.005 or more'),
    ({**WEIR, "channel_slope": 0}, r'column "channel_slope": given 0, allowed: above 0'),
    ({**WEIR, "channel_width_m": 0}, r"has no width: channel_width_m and channel_side are 0"),
    ({**WEIR, "logs_m": 0.3, "logs_in": "04-01"}, r"one of logs_in and logs_out is given -> give both"),
    ({**WEIR, "logs_in": "04-01", "logs_out": "06-01"}, r"but logs_m is not -> give the height"),
    ({**WEIR, "logs_m": 0.3, "logs_in": "1 April", "logs_out": "06-01"}, r'"logs_in": "1 April" is not a day'),
    ({**WEIR, "flow_a": 0.5}, r"one of flow_a and flow_b is given"),
    ({**WEIR, "crest_m": "high"}, r'column "crest_m": "high" is not a number'),
    (_without(WEIR, "crest_m"), r"a weir needs crest_m -> measure it"),
    ({**_without(WEIR, "crest_width_m"), "kind": "dam"}, r"a dam needs crest_width_m"),
    (_without(WEIR, *CHANNEL), r"it is not known what the water below does -> give a rating, a section"),
    (_without(WEIR, "channel_n"), r"the channel below needs channel_n too"),
    ({**WEIR, "kind": "wier"}, r'column "kind": there is no kind "wier" -> did you mean "weir"\?'),
    ({**WEIR, "kind": ""}, r"row 2 \(site \"D1\"\): no kind is given -> give one of none, weir, dam"),
    ({**WEIR, "site": "D11"}, r'row 2: there is no site "D11" in sites\.csv -> did you mean "D1"\?'),
    ({**WEIR, "site": ""}, r'column "site": row 2 without site'),
    (_without(GATE, "gate_opening_m"), r"a gate needs gate_opening_m"),
    ({**GATE, "gate_top_m": 100.2}, r"gate_top_m = 100\.2 lies below the opening \(0\.5 m above the sill at 100\)"),
    ({**CULVERT, "outlet_m": 100.0}, r"lies above the inlet \(inlet_m = 98\.6\) by more than the rise \(1\.2\)"),
    ({**CULVERT, "inlet_m": 130.0}, r"the barrel falls from 130 to 98\.4 over a length of 20 m"),
    ({**CULVERT, "embedded_m": 1.2}, r"bed material 1\.2 m deep fills the barrel, whose rise is 1\.2 m"),
    ({**CULVERT, "span_m": 2.0}, r"a circular barrel has a rise of 1\.2 m and a span of 2 m"),
    ({**CULVERT, "shape": "box"}, r"a culvert needs span_m"),
    ({**CULVERT, "shape": "squre"}, r'there is no shape "squre" -> .*circular, box, arch'),
    ({**CULVERT, "entrance": "none at all"}, r'column "entrance": there is no entrance "none at all"'),
    ({**CULVERT, "entrance": None}, r"a culvert needs entrance"),
    ({**CULVERT, "shape": None}, r"a culvert needs shape -> give one of circular"),
    ({**CULVERT, "rise_m": 0}, r'column "rise_m": given 0, allowed: above 0'),
    ({**CULVERT, "length_m": -2}, r'column "length_m": given -2, allowed: above 0'),
    ({**CULVERT, "barrels": 0}, r'column "barrels": given 0, allowed: 1 or more'),
    ({**CULVERT, "pool_bed_m": 98.7}, r"lies above the crest or outlet"),
]


@pytest.mark.parametrize(("row", "match"), IMPOSSIBLE)
def test_each_impossible_measurement_is_told_with_row_site_and_remedy(
    case: Any, row: dict[str, Any], match: str
) -> None:
    with pytest.raises(InputError, match=match) as caught:
        read(case, row)
    problems = caught.value.problems
    assert all(p.line().startswith("error: structures.csv: [structures]: ") for p in problems)
    assert all(p.remedy and p.ids for p in problems)
    assert len(problems) == 1  # no fault drags others along


RATING = "site,discharge_m3s,elevation_m\n"
SECTION = "site,station_m,elevation_m\n"
SURVEYED = {**_without(WEIR, *CHANNEL), "channel_slope": 0.002, "channel_n": 0.04}
POINTS = [
    ("ratings", RATING + "D1,0,98\nD1,2,99\nD1,3,98.5\n",
     r"ratings\.csv: \[structures\] ratings: rows 3, 4 \(site \"D1\"\): the rating is not monotone: 98\.5 m at 3 m3/s"),
    ("ratings", RATING + "D1,0,98\nD1,2,99\nD1,2,99.5\n", r"discharge 2 m3/s stands there twice"),
    ("ratings", RATING + "D1,2,99.5\n", r"a rating needs two points or more"),
    ("ratings", RATING + "D1,-1,98\nD1,2,99.5\n", r'"discharge_m3s": given -1, allowed: from 0'),
    ("ratings", RATING + "D1,0,\nD1,2,99.5\n", r'row 2 \(site "D1"\), column "elevation_m": the cell is empty'),
    ("ratings", RATING + "D9,0,98\nD9,2,99.5\n", r'there is no site "D9" in sites\.csv'),
    ("ratings", "site,discharge,elevation_m\nD1,0,98\n", r'no column "discharge_m3s"'),
    ("sections", SECTION + "D1,0,99\nD1,3,98\nD1,2,98\nD1,5,99\n",
     r"sections\.csv: .*rows 3, 4 \(site \"D1\"\): stations do not ascend: 3, then 2"),
    ("sections", SECTION + "D1,0,99\nD1,1,99\nD1,1,98\nD1,5,99\n", r"stations do not ascend: 1, then 1 -> .*wall"),
    ("sections", SECTION + "D1,0,99\nD1,3,98\nD1,5,97\n", r"no lowest point between its ends -> let it reach"),
    ("sections", SECTION + "D1,0,99\nD1,3,98\n", r"a section needs three points or more"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "text", "match"), POINTS)
def test_ratings_and_sections_that_cannot_be_are_told(case: Any, key: str, text: str, match: str) -> None:
    with pytest.raises(InputError, match=match) as caught:
        read(case, SURVEYED, **{key: text})
    follow_ons = [p for p in caught.value.problems if p.where == "structures.csv"]
    assert not follow_ons or "D9" in text  # one fault, told once


def test_a_rating_in_another_datum_is_warned_of(case: Any) -> None:
    read(case, _without(CULVERT, *CHANNEL), ratings=RATING + "D1,0,3.4\nD1,2,4.1\n")
    told = case.told("warning", "doubtful")
    assert 'row 2 (site "D1"): the crest or outlet (98.4) is more than 30 m from the lowest water below' in told
    assert "in one datum" in told


def test_a_section_needs_slope_and_roughness(case: Any) -> None:
    section = SECTION + "D1,0,99\nD1,3,98\nD1,5,99\n"
    with pytest.raises(InputError, match="a section needs channel_slope and channel_n"):
        read(case, _without(SURVEYED, "channel_n"), sections=section)


DOUBTFUL = [
    ({**WEIR, "crest_m": 130.0}, "more than 30 m above the bed below (98)"),
    ({**WEIR, "crest_thickness_m": 60}, "crest_thickness_m = 60 is more than 50 m"),
    ({**WEIR, "crest_width_m": 1200}, "crest_width_m = 1200 is very wide for its stream"),
    ({**WEIR, "crest_width_m": 121}, "crest_width_m = 121 is very wide for its stream"),  # the channel is 6 m wide
    ({**WEIR, "channel_slope": 0.3}, "channel_slope = 0.3 is a fall of more than 0.1 m in each metre"),
    ({**GATE, "gate_opening_m": 0, "gate_top_m": None}, "the gate is shut (gate_opening_m = 0) and never overflowed"),
    ({**WEIR, "crest_coefficient": 3.3}, "crest_coefficient = 3.3 is outside 1 to 2.6"),
    ({**CULVERT, "outlet_m": 99.0}, "the barrel leads up"),
    ({**CULVERT, "shape": "box", "span_m": 2}, 'entrance "metal pipe, headwall" is not that of a box'),
    ({**CULVERT, "inlet_m": 97.9, "outlet_m": 97.8}, "lies below the bed of the channel below (98)"),
]


@pytest.mark.parametrize(("row", "told"), DOUBTFUL)
def test_what_is_doubtful_is_warned_of_and_read_all_the_same(case: Any, row: dict[str, Any], told: str) -> None:
    assert len(read(case, row)) == 1
    assert told in case.told("warning", "doubtful")
    assert len(case.problems.of("warning")) == 1


def test_a_kind_that_differs_from_that_of_the_sites_is_warned_of(case: Any) -> None:
    case.write("sites.csv", "site,name,x,y,p_lamprey,p_walleye,kind\n"
               "D1,a,500500,4600000,0,0,Fall\nD2,b,501500,4600000,0,0,dam\n")  # fmt: skip
    case.edit('id = "site"', 'id = "site"\nkind = "kind"')
    read(case, WEIR, {**WEIR, "site": "D2"})
    told = case.told("warning", "kind_differs")
    assert 'row 2 (site "D1"): kind is weir here, but Fall in the table of sites' in told
    assert "D2" not in told  # a dam is a weir


def test_a_site_has_one_structure(case: Any) -> None:
    with pytest.raises(InputError, match=r"D1 stand in more than one row \(rows 2, 3\)"):
        read(case, WEIR, WEIR)


def test_points_without_a_structure_and_columns_without_use_are_told(case: Any) -> None:
    rating = RATING + "D2,0,98\nD2,2,99\n"
    read(case, {**WEIR, "crest_widht_m": 3, "builder": "x"}, ratings=rating)
    assert 'site "D2": no structure is measured there' in case.told("warning", "unused")
    assert 'did you mean "crest_width_m"?' in case.told("warning", "unused_column")
    assert "columns not used: builder" in case.told("note", "unused_column")


def test_all_faults_are_told_at_once(case: Any) -> None:
    with pytest.raises(InputError, match="crest_m") as caught:
        read(case, _without(WEIR, "crest_m"), {**CULVERT, "site": "D2", "entrance": "odd", "embedded_m": 2},
             ratings=RATING + "D1,0,98\nD1,2,97\n")  # fmt: skip
    for words in ("needs crest_m", "no entrance", "fills the barrel", "not monotone"):
        assert words in str(caught.value)


@pytest.mark.parametrize("need", ["site", "kind"])
def test_missing_columns(case: Any, need: str) -> None:
    with pytest.raises(InputError, match=rf'structures\.csv: .*there is no column "{need}"'):
        read(case, _without(WEIR, need))
