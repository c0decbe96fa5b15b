"""The survey table, and all that can be wrong with it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import CRS
from shapely import Point

from barrierrank.inputs.survey import SurveySource, SurveyTable, read_survey
from barrierrank.problems import InputError, Problems

BASIN = CRS.from_epsg(32616)
LINE_IDS = np.array(["101", "102", "205", "310"], dtype=object)
STAGES = {
    "lamprey": {"spawning": ["gravel", "sand"], "rearing": ["type_1", "type_2", "type_3"]},
    "walleye": {"spawning": []},
    "pike": {},
}
SOUND = """\
line,x,y,species,stage,habitat,quality,share_gravel,share_sand,date,method
101,,,lamprey,spawning,120.5,,,,2021-06-30,walked
102,,,lamprey,spawning,,0.4,,,2020,
,500100,4600000,lamprey,spawning,,,0.5,0.5,2019-05,electrofishing
205,,,walleye,spawning,0,,,,,
"""


class Case:
    """Reads a survey from a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.problems = Problems()

    def read(self, text: str | None = None, name: str = "survey.csv", crs: str | None = None) -> SurveyTable:
        """Read the survey, written first where its text is given."""
        path = self.folder / name
        if text is not None:
            path.write_text(text, encoding="utf-8")
        self.problems = Problems()
        return read_survey(SurveySource(path, None, crs, BASIN), LINE_IDS, STAGES, self.problems)

    def refuse(self, text: str, kind: str, crs: str | None = None) -> str:
        """Read a survey that must be refused; return the line that tells why."""
        with pytest.raises(InputError):
            self.read(text, crs=crs)
        lines = [p.line() for p in self.problems if p.kind == kind and p.severity == "error"]
        assert lines, [p.line() for p in self.problems]
        assert all("survey.csv: [survey]" in line for line in lines)
        assert all(p.remedy for p in self.problems.of("error"))
        return "\n".join(lines)


@pytest.fixture
def survey(tmp_path: Path) -> Case:
    """Return a folder to write a survey in."""
    return Case(tmp_path)


def rows(*lines: str, columns: str = "line,species,stage,quality") -> str:
    """Return the text of a table."""
    return "\n".join([columns, *lines]) + "\n"


def test_a_sound_table(survey: Case) -> None:
    table = survey.read(SOUND)
    assert len(survey.problems) == 0
    assert table.row.tolist() == [2, 3, 4, 5]
    assert table.line.tolist() == [0, 1, -1, 2]
    np.testing.assert_array_equal(table.x, [np.nan, np.nan, 500100.0, np.nan])
    np.testing.assert_array_equal(table.amount, [120.5, np.nan, np.nan, 0.0])
    np.testing.assert_array_equal(table.quality, [np.nan, 0.4, np.nan, np.nan])
    np.testing.assert_array_equal(table.shares["gravel"], [np.nan, np.nan, 0.5, np.nan])
    assert [str(d) for d in table.date] == ["2021-06-30", "2020-01-01", "2019-05-01", "NaT"]
    assert table.method.tolist() == ["walked", "", "electrofishing", ""]
    assert len(table.of("lamprey", "spawning")) == 3


def test_a_spreadsheet_with_true_dates(survey: Case) -> None:
    frame = pd.DataFrame({
        "line": [101], "species": ["lamprey"], "stage": ["rearing"], "quality": [0.5],
        "date": [pd.Timestamp("2022-07-01")],
    })  # fmt: skip
    frame.to_excel(survey.folder / "survey.xlsx", index=False)
    table = survey.read(name="survey.xlsx")
    assert table.line.tolist() == [0]
    assert [str(d) for d in table.date] == ["2022-07-01"]


def test_points_of_a_layer_are_brought_into_the_crs_of_the_basin(survey: Case) -> None:
    frame = gpd.GeoDataFrame(
        {"species": ["lamprey", "lamprey"], "stage": ["rearing"] * 2, "quality": [0.5, 0.6], "line": [None, "310"]},
        geometry=[Point(-87.0, 41.55), Point(-87.0, 41.55)], crs="EPSG:4326",
    )  # fmt: skip
    frame.to_file(survey.folder / "survey.gpkg", engine="pyogrio")
    table = survey.read(name="survey.gpkg")
    assert table.line.tolist() == [-1, 3]
    assert table.x[0] == pytest.approx(500000.0, abs=1.0)
    assert np.isnan(table.x[1])


def test_places_in_columns_are_brought_into_the_crs_of_the_basin(survey: Case) -> None:
    text = rows("-87.0,41.55,lamprey,rearing,1", columns="x,y,species,stage,quality")
    table = survey.read(text, crs="EPSG:4326")
    assert table.x[0] == pytest.approx(500000.0, abs=1.0)
    assert 4.5e6 < table.y[0] < 4.7e6


def test_degrees_where_the_basin_has_metres(survey: Case) -> None:
    text = rows("-87.0,41.55,lamprey,rearing,1", columns="x,y,species,stage,quality")
    assert "look like degrees" in survey.refuse(text, "crs_units")


def test_a_place_nowhere(survey: Case) -> None:
    text = rows(
        "-87.0,41.5,lamprey,rearing,1", "3.0,90,lamprey,rearing,1", columns="x,y,species,stage,quality"
    )
    survey.read(text, crs="EPSG:4326")  # the pole has a place in this system
    text = text.replace("-87.0,41.5", "3.0,0.0")  # on the equator, a quarter of the earth away, it has none
    assert "row 2: the place is not in the CRS" in survey.refuse(text, "coordinates", crs="EPSG:4326")


def test_unknown_species_and_stages_come_with_the_nearest(survey: Case) -> None:
    text = rows(
        "101,lampry,spawning,1", ",,,", "101,lamprey,spawnin,1", "101,pike,spawning,1", "101,,spawning,1"
    )
    told = survey.refuse(text.replace(",,,\n", ""), "unknown_species")
    assert 'row 2: there is no species "lampry" -> did you mean "lamprey"?' in told
    assert "no species is named" in told
    told = survey.refuse(text.replace(",,,\n", ""), "unknown_stage")
    assert 'species lamprey has no stage "spawnin" -> did you mean "spawning"?' in told
    assert 'row 4: species pike has no stage "spawning" -> add [species.pike.spawning]' in told


def test_an_unknown_line_comes_with_the_nearest(survey: Case) -> None:
    told = survey.refuse(rows("1001,lamprey,spawning,1", "101,lamprey,spawning,1"), "unknown_id")
    assert 'row 2: column "line": no line has the id "1001" -> did you mean "101"?' in told


def test_many_unknown_lines_are_told_in_one(survey: Case) -> None:
    told = survey.refuse(rows(*(f"z{i},lamprey,spawning,1" for i in range(30))), "unknown_id")
    assert told.count("\n") == 10
    assert "more ids that no line has: z10, z11" in told


def test_neither_line_nor_place(survey: Case) -> None:
    columns = "line,x,y,species,stage,quality"
    text = rows(
        ",500000,,lamprey,spawning,1", ",,,lamprey,spawning,1", "101,,,lamprey,spawning,1", columns=columns
    )
    assert "rows 2, 3: neither a line nor a place" in survey.refuse(text, "missing_place")
    assert "row 2: neither" in survey.refuse(
        rows("lamprey,spawning,1", columns="species,stage,quality"), "missing_place"
    )


@pytest.mark.parametrize(
    ("row", "kind", "words"),
    [
        (
            "101,lamprey,spawning,-3,,,",
            "out_of_range",
            'row 2, column "habitat": given -3, allowed: 0 or more',
        ),
        (
            "101,lamprey,spawning,,1.2,,",
            "out_of_range",
            'row 2, column "quality": given 1.2, allowed: from 0 to 1',
        ),
        ("101,lamprey,spawning,,-0.1,,", "out_of_range", 'column "quality": given -0.1'),
        ("101,lamprey,spawning,,good,,", "unknown_rating", '"good" is neither a number'),
        ("101,lamprey,spawning,much,,,", "not_a_number", 'column "habitat": "much" is not a number'),
        ("101,lamprey,spawning,,,0.5,0.4", "shares_sum", "sum to 0.9, allowed: 1 within 2%"),
        ("101,lamprey,spawning,,,0.5,", "shares_sum", "sum to 0.5"),
        ("101,lamprey,spawning,,,0,0", "shares_sum", "sum to 0,"),
        ("101,lamprey,spawning,,,50,50", "out_of_range", "divide the column by 100"),
        ("101,lamprey,spawning,,,x,1", "not_a_number", 'column "share_gravel": "x" is not a number'),
        ("101,lamprey,spawning,,,,", "missing_value", "row 2: nothing was found there"),
        ("101,lamprey,spawning,3,0.5,,", "several_values", "row 2: more than one"),
        ("101,lamprey,spawning,,0.5,0.5,0.5", "several_values", "row 2: more than one"),
        ("101,lamprey,rearing,,,0.5,0.5", "unknown_class", "gives none of the classes gravel, sand"),
        ("101,walleye,spawning,,,0.5,0.5", "unknown_class", "add a table { class = suitability }"),
    ],
)
def test_values_that_cannot_be(survey: Case, row: str, kind: str, words: str) -> None:
    columns = "line,species,stage,habitat,quality,share_gravel,share_sand"
    assert words in survey.refuse(rows(row, columns=columns), kind)


@pytest.mark.parametrize(
    "date", ["30.6.2021", "06/30/2021", "2021-13-01", "2021-02-30", "0021-01-01", "soon", "21"]
)
def test_dates_that_are_none(survey: Case, date: str) -> None:
    text = rows(f"101,lamprey,spawning,1,{date}", columns="line,species,stage,quality,date")
    assert f'row 2: column "date": "{date}" is not a date' in survey.refuse(text, "bad_date")


def test_shares_within_rounding_are_made_to_sum_to_one(survey: Case) -> None:
    columns = "line,species,stage,share_gravel,share_sand,share_bedrock"
    table = survey.read(
        rows("101,lamprey,spawning,0.33,0.33,0.33", "102,lamprey,spawning,1,,", columns=columns)
    )
    assert table.shares["gravel"] == pytest.approx([1 / 3, 1.0])
    assert table.shares["bedrock"] == pytest.approx([1 / 3, 0.0])
    told = [p for p in survey.problems if p.kind == "class_without_suitability"]
    assert [p.ids for p in told] == [("bedrock",)]


def test_a_class_that_is_nearly_a_known_one_is_a_warning(survey: Case) -> None:
    survey.read(rows("101,lamprey,spawning,0.5,0.5", columns="line,species,stage,share_gravels,share_sand"))
    assert 'did you mean "gravel"?' in survey.problems.of("warning")[0].line()


def test_columns_that_are_not_there(survey: Case) -> None:
    told = survey.refuse(rows("101,lamprey,spawning", columns="line,species,stagee"), "missing_column")
    assert 'no column "stage" -> did you mean "stagee"?' in told
    assert "there is no column of what was found" in told


def test_columns_that_are_not_used_are_named(survey: Case) -> None:
    survey.read(rows("101,lamprey,spawning,1,mud,x", columns="line,species,stage,quality,methods,crew"))
    told = {p.severity: p.line() for p in survey.problems if p.kind == "unused_column"}
    assert 'did you mean "method"?' in told["warning"]
    assert "crew" in told["note"]


def test_everything_wrong_is_told_at_once(survey: Case) -> None:
    columns = "line,species,stage,quality,date"
    with pytest.raises(InputError) as caught:
        survey.read(rows("9,lamprey,spawning,2,never", "101,nobody,spawning,,", columns=columns))
    kinds = {p.kind for p in caught.value.problems}
    assert kinds >= {"unknown_id", "out_of_range", "bad_date", "unknown_species", "missing_value"}


@pytest.mark.parametrize(
    ("content", "words"), [(None, "no such file"), ("", "empty"), ("line,species\n", "no rows")]
)
def test_files_that_hold_nothing(survey: Case, content: str | None, words: str) -> None:
    with pytest.raises(InputError, match=words):
        survey.read(content)


def test_hostile_text_stays_on_one_line(survey: Case) -> None:
    told = survey.refuse(rows('101,"=cmd()\nrm",spawning,1'), "unknown_species")
    assert told.count("\n") == 0
