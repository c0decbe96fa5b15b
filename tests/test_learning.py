"""What to learn next: which inputs a project's list hinges on, and what a survey of each site is worth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support.small_passage import SmallPassage

from barrierrank.basin import Clock, make_basin
from barrierrank.learning import _bearing, _numbers
from barrierrank.outputs.model import OutputModel
from barrierrank.problems import Problems
from barrierrank.project import load_project
from barrierrank.run import rank_project, rule_of
from barrierrank.spreading import spread_of
from barrierrank.weighing import as_it_is

COLUMNS = "change,change_m,efficiency_lamprey,efficiency_walleye"
ACTIONS = (
    "D1,raise,1000,raise,0.5,,", "D1,remove,500,remove,,,", "D2,fishway,2000,fishway,,0.1,0.6",
    "D2,lower,800,lower,0.4,,", "D2,paint,10,,,,",
)  # fmt: skip


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    return SmallPassage(tmp_path).actions(COLUMNS, *ACTIONS)


def ranked(small: SmallPassage) -> OutputModel:
    problems = Problems()
    return rank_project(load_project(small.project, problems), problems)


def test_sites_are_surveyed_where_it_is_worth_something(small: SmallPassage) -> None:
    model = ranked(small)
    table, look = model.survey_next, model.learning
    assert table is not None
    assert look is not None
    assert table["place"].tolist() == list(range(1, len(table) + 1))
    assert (np.diff(table["worth_perfect"]) <= 0.0).all()
    surveyed = table[table["worth_survey"].notna()]
    assert set(surveyed["site"]) <= {"D1", "D2", "D3"}
    assert set(surveyed["kind"]) == {"passability"}
    slack = 4.0 * table["error"].to_numpy() + 1e-9
    assert (table["worth_perfect"] <= look.everything + slack).all()
    assert (surveyed["worth_survey"] <= surveyed["worth_perfect"] + 4.0 * surveyed["error"] + 1e-9).all()
    assert look.together <= look.everything * 1.05 + 1e-9
    assert set(look.sites) <= set(surveyed["site"])


def test_what_is_measured_as_well_as_a_survey_would_needs_none(small: SmallPassage) -> None:
    alike = "".join(f"{word} = 100\n" for word in ("measured", "rated", "modelled", "guessed"))
    small.edit("[species.walleye.run]", f"[uncertainty.passability]\n{alike}\n[species.walleye.run]")
    model = ranked(small)
    assert model.survey_next is not None
    assert model.learning is not None
    assert model.learning.sites == ()
    assert model.survey_next["worth_survey"].isna().all()


def test_a_number_bears_on_its_own_action_or_on_the_way_up_and_down(small: SmallPassage) -> None:
    problems = Problems()
    project = load_project(small.project, problems)
    basin = make_basin(project, problems, Clock())
    made = spread_of(project, basin, as_it_is(project, basin), rule_of(project))
    assert made is not None
    numbers = _numbers(project, basin, made)
    rows = _bearing(basin, project, numbers.site, numbers.action).toarray().astype(bool)
    own = numbers.action >= 0
    assert (rows[own].sum(axis=1) == 1).all()
    assert rows[own, numbers.action[own]].all()
    assert rows[numbers.site < 0].all()
    today = (numbers.kind == "passability") & ~own
    assert today.any()
    assert rows[today].all()  # D1 lies below D2: each bears on both, at one outlet


def test_the_list_says_what_it_hinges_on(small: SmallPassage) -> None:
    words = ranked(small).priority["hinges_on"]
    assert words.str.len().max() > 0
    assert words.str.contains("%").any()


def test_an_input_without_doubt_is_nothing_to_learn(small: SmallPassage) -> None:
    before = ranked(small).survey_next
    assert before is not None
    text = (small.folder / "sites.csv").read_text(encoding="utf-8").splitlines()
    small.write("sites.csv", "\n".join([f"{text[0]},evidence", *(f"{line},certain" for line in text[1:])]) + "\n")
    after = ranked(small).survey_next
    assert after is not None
    assert before["what"].str.endswith("today").any()
    assert not after["what"].str.endswith("today").any()
