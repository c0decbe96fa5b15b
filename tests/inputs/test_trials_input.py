"""The table of trials, and all that can be wrong with it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from barrierrank.inputs.actions import read_actions
from barrierrank.inputs.schema_passage import TRIALS
from barrierrank.inputs.sites import read_sites
from barrierrank.inputs.trials import COLUMNS, TrialTable, check_trial_actions, read_trials
from barrierrank.problems import InputError

HEAD = "site,action,species,offered,passed,let_through,held_back"
SOUND = f"""\
{HEAD}
D1,,lamprey,40,0,,
D2,remove,walleye,12,9,,
,raise,walleye,,,30,170
D2,,lamprey,0,0,,
"""


@pytest.fixture
def trials(case: Any) -> Any:
    """Return a project with trials."""
    case.text += '[trials]\npath = "trials.csv"\n'
    case.write("trials.csv", SOUND)
    return case


def read(case: Any, text: str | None = None) -> TrialTable:
    if text is not None:
        case.write("trials.csv", text)
    project = case.load()
    return read_trials(project, read_sites(project, case.problems), case.problems)


def refuse(case: Any, kind: str, *lines: str, head: str = HEAD) -> str:
    """Read trials that must be refused; return the lines that tell why."""
    with pytest.raises(InputError):
        read(case, "\n".join([head, *lines]) + "\n")
    assert all(p.remedy for p in case.problems.of("error"))
    told: str = case.told("error", kind)
    assert all("trials.csv: [trials]" in line for line in told.splitlines())
    return told


def test_sound_trials_arrive_as_they_are(trials: Any) -> None:
    table = read(trials)
    assert len(table) == 4
    assert table.label == "trials.csv"
    assert table.row.tolist() == [2, 3, 4, 5]
    assert table.site.tolist() == [0, 1, -1, 1]
    assert table.action.tolist() == ["", "remove", "raise", ""]
    assert table.species.tolist() == [0, 1, 1, 0]
    assert table.offered.tolist() == [40, 12, 200, 0]
    assert table.passed.tolist() == [0, 9, 30, 0]
    assert table.offered.dtype == table.passed.dtype == table.site.dtype == np.int64
    assert len(trials.problems.of("warning")) == 1
    assert "row 5: no fish were offered, so the trial says nothing and is left out" in trials.told("warning", "no_fish")


def test_without_trials_the_table_is_empty(case: Any) -> None:
    table = read(case)
    assert len(table) == 0
    assert table.label == ""


def test_columns_are_those_the_manual_tells_of() -> None:
    assert set(COLUMNS) == {c.name for c in TRIALS} == set(HEAD.split(","))


def test_a_spreadsheet_and_columns_left_out(trials: Any) -> None:
    frame = pd.DataFrame(
        {"site": ["D1", "D2"], "species": ["lamprey", "walleye"], "offered": [5, 6.0], "passed": [0, 6]}
    )
    frame.to_excel(trials.folder / "t.xlsx", index=False)
    trials.edit("trials.csv", "t.xlsx")
    table = read(trials)
    assert table.action.tolist() == ["", ""]
    assert table.offered.tolist() == [5, 6]
    assert table.passed.tolist() == [0, 6]


def test_a_sorter_alone(trials: Any) -> None:
    table = read(trials, "action,species,let_through,held_back\nraise,lamprey,2,98\nraise,walleye,0,0\n")
    assert table.site.tolist() == [-1, -1]
    assert table.offered.tolist() == [100, 0]
    assert table.passed.tolist() == [2, 0]


def test_the_site_as_it_is_may_be_named_and_blanks_be_written_out(trials: Any) -> None:
    table = read(trials, f"{HEAD}\nD1,Leave as it is,lamprey,4,1,-,NA\n-,raise,lamprey,4,1,n/a,\n")
    assert table.action.tolist() == ["", "raise"]
    assert table.site.tolist() == [0, -1]


def test_unknown_sites_and_species_come_with_the_nearest(trials: Any) -> None:
    told = refuse(trials, "unknown_site", "D11,,lamprey,1,1,,", "D1,,lamprey,1,1,,")
    assert 'row 2: there is no site "D11" in sites.csv -> did you mean "D1"?' in told
    told = refuse(trials, "unknown_species", "D1,,lampry,1,1,,", "D1,,,1,1,,")
    assert (
        'row 2: there is no species "lampry" -> did you mean "lamprey"? species are lamprey, walleye' in told
    )
    assert "row 3: no species is named" in told


def test_neither_site_nor_action(trials: Any) -> None:
    told = refuse(trials, "missing_place", ",,lamprey,1,1,,", ",leave as it is,lamprey,1,1,,")
    assert "rows 2, 3: neither a site nor an action is named" in told


@pytest.mark.parametrize(
    ("line", "kind", "words"),
    [
        ("D1,,lamprey,10,11,,", "out_of_range", "row 2: 11 passed of 10 offered -> at most those offered"),
        ("D1,,lamprey,-1,0,,", "out_of_range", 'column "offered": given -1, allowed: 0 or more'),
        ("D1,,lamprey,5,-2,,", "out_of_range", 'column "passed": given -2, allowed: 0 or more'),
        ("D1,,lamprey,,,5,-2", "out_of_range", 'column "held_back": given -2, allowed: 0 or more'),
        ("D1,,lamprey,1e15,5,,", "out_of_range", 'column "offered": given 1e+15, allowed: at most'),
        ("D1,,lamprey,10,2.5,,", "not_whole", 'row 2: column "passed": given 2.5, allowed: whole numbers'),
        ("D1,,lamprey,10,25%,,", "not_a_number", 'row 2, column "passed": "25%" is not a number'),
        ("D1,,lamprey,many,3,,", "not_a_number", 'row 2, column "offered": "many" is not a number'),
        ("D1,,lamprey,,,,", "missing_value", "row 2: no counts are given -> fill in offered and passed, or"),
        ("D1,,lamprey,10,,,", "missing_value", 'row 2: "offered" is given, but "passed" is empty'),
        ("D1,,lamprey,,3,,", "missing_value", 'row 2: "passed" is given, but "offered" is empty'),
        ("D1,,lamprey,,,3,", "missing_value", 'row 2: "let_through" is given, but "held_back" is empty'),
        ("D1,,lamprey,,,,3", "missing_value", 'row 2: "held_back" is given, but "let_through" is empty'),
        ("D1,,lamprey,10,3,3,7", "several_values", "row 2: both offered/passed and let_through/held_back"),
    ],
)
def test_counts_that_cannot_be(trials: Any, line: str, kind: str, words: str) -> None:
    assert words in refuse(trials, kind, line)


def test_columns_that_are_not_there(trials: Any) -> None:
    told = refuse(trials, "missing_column", "1,1", head="offered,passd")
    assert 'there is no column "species"' in told
    assert 'there is neither a column "site" nor a column "action"' in told
    assert 'there is a column "offered", but no column "passed" -> did you mean "passd"?' in told
    told = refuse(trials, "missing_column", "D1,lamprey", head="site,species")
    assert "there are no columns of counts" in told
    assert "missing_value" not in {p.kind for p in trials.problems.of("error")}


def test_columns_that_are_not_used_are_named(trials: Any) -> None:
    read(trials, "site,acton,species,offered,passed,water,who\nD1,,lamprey,5,0,high,me\n")
    assert 'column "acton" is not used -> did you mean "action"?' in trials.told("warning", "unused_column")
    assert "columns not used: water, who" in trials.told("note", "unused_column")


def test_all_faults_are_told_at_once(trials: Any) -> None:
    refuse(trials, "unknown_site", "D9,,lamprey,1,2,,", "D1,,trout,1.5,1,,", ",,walleye,1,1,1,1")
    kinds = {p.kind for p in trials.problems.of("error")}
    assert kinds == {
        "unknown_site",
        "out_of_range",
        "unknown_species",
        "not_whole",
        "missing_place",
        "several_values",
    }


def test_files_that_are_none(trials: Any) -> None:
    with pytest.raises(InputError, match="no rows below its headings"):
        read(trials, f"{HEAD}\n")
    trials.text = trials.text.replace("trials.csv", "gone.csv")
    with pytest.raises(InputError, match=r"gone\.csv"):
        read(trials)


def check(case: Any, text: str) -> None:
    table = read(case, text)
    project = case.load()
    sites = read_sites(project, case.problems)
    check_trial_actions(table, read_actions(project, sites, case.problems), sites, case.problems)


def test_trials_of_actions_that_there_are(trials: Any) -> None:
    check(trials, SOUND.replace("remove", "Remove"))
    assert not trials.problems.of("error")


def test_trials_of_actions_that_there_are_not(trials: Any) -> None:
    with pytest.raises(InputError):
        check(
            trials,
            f"{HEAD}\nD1,remove,lamprey,5,1,,\n,rais,lamprey,5,1,,\nD2,ladder,lamprey,5,1,,\nD1,,lamprey,1,1,,\n",
        )
    told = trials.told("error", "unknown_action")
    assert 'row 2, column "action": there is no action "remove" at site "D1"' in told
    assert 'row 3, column "action": there is no action "rais" at any site -> did you mean "raise"?' in told
    assert (
        'row 4, column "action": there is no action "ladder" at any site -> name it as in the table' in told
    )
    assert len(told.splitlines()) == 3


def test_a_site_may_be_called_as_an_empty_cell_is(trials: Any) -> None:
    sites = ["site,name,x,y,p_lamprey,p_walleye", "D1,,500500,4600000,0,0", "NA,,501600,4600000,0,0"]
    trials.write("sites.csv", "\n".join(sites) + "\n")
    assert read(trials, f"{HEAD}\nNA,,lamprey,5,1,,\n").site.tolist() == [1]
