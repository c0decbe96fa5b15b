"""Which cautions are printed."""

from __future__ import annotations

import pytest

from barrierrank.ranking.cautions import CAUTIONS, cautions_for, short_cautions, shortened

TEXT = {caution.key: caution.text for caution in CAUTIONS}
ALWAYS = {"planning_level"}
SITE = ALWAYS | {"field_check", "low_head_dam"}
WORKS = SITE | {"engineer"}


CHANGES = (
    "raise", "lower", "notch", "lip", "seasonal", "trap_and_sort", "fishway", "ramp", "remove", "build",
)  # fmt: skip


def keys(actions: list[str], *roles: str, changes: list[str] | None = None, structures: bool = False) -> set[str]:
    given = cautions_for(actions, roles, changes=changes or [], structures=structures)
    return {key for key, text in TEXT.items() if text in given}


def test_the_planning_level_is_always_said() -> None:
    assert keys([]) == ALWAYS
    assert cautions_for([])[0] == CAUTIONS[0].text


@pytest.mark.parametrize("action", ["rebuild", "Raise crest", "repair", "new_barrier", "fix it", "PIER-7"])
def test_works_need_an_engineer(action: str) -> None:
    assert keys([action]) == WORKS


@pytest.mark.parametrize("action", ["remove", "Removal of weir", "breach", "dismantle dam", "lower_crest"])
def test_removal_has_its_own(action: str) -> None:
    assert keys([action]) == WORKS | {"removal"}


@pytest.mark.parametrize("action", ["fit fishway", "fish ladder", "fish_pass", "rock ramp", "eel passage"])
def test_passage_has_its_own(action: str) -> None:
    assert keys([action]) == WORKS | {"fish_passage"}


@pytest.mark.parametrize(
    "action",
    [
        "raise the crest 0.3 m", "heighten crest", "seasonal crest", "spring boards", "stop-logs in April", "log weir",
        "build a barrier", "add a lip", "monitor and notch", "trap behind a seasonal crest", "survey, then raise",
        "sort at a notch", "catch and lower", "treat and breach", "trap and build", "net at the stop logs",
        "inspect, lip added", "study and dismantle", "trap with fishway", "none but flashboards",
    ],
)  # fmt: skip
def test_a_changed_crest_or_removal_always_has_the_three(action: str) -> None:
    assert {"planning_level", "low_head_dam", "engineer"} <= keys([action])


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("action", ["option B", "survey", "trap in May", "leave"])
def test_what_is_changed_calls_for_them_whatever_the_action_is_called(action: str, change: str) -> None:
    found = keys([action], changes=[change])
    assert found >= WORKS
    assert ("removal" in found) == (change in ("remove", "lower", "notch"))
    assert ("fish_passage" in found) == (change in ("fishway", "ramp"))
    assert ("trapped_fish" in found) == (change == "trap_and_sort" or action.startswith("trap"))
    assert keys([action], "native", changes=[change]) == found | {"fish_passage"}


def test_a_change_that_is_not_known_is_taken_for_works() -> None:
    assert keys(["survey"], changes=["blast"]) == WORKS
    assert keys(["survey"], changes=["", " "]) == SITE


def test_structures_told_without_actions_have_the_three_too() -> None:
    assert keys([], structures=True) == ALWAYS | {"low_head_dam", "engineer"}


def test_short_texts_say_the_same_in_one_line() -> None:
    # common practice, no source: what beside a picture or an action must not be left out
    planning, drown, engineer = short_cautions()
    assert "Planning-level" in planning
    assert "local codes" in planning
    assert "drown people" in drown
    assert "licensed engineer and permits" in engineer
    assert all(len(text) < 125 for text in short_cautions(["remove"]))
    assert len(short_cautions(["remove the dam"])) == 4
    assert len(short_cautions(changes=["notch"])) == 4
    assert short_cautions(structures=False) == (planning,)
    assert shortened(cautions_for(["rebuild"])) == (planning, drown, engineer)
    assert shortened(["a text of others"]) == ()


def test_words_inside_words_are_not_taken_for_others() -> None:
    assert keys(["new steel wheel"]) == WORKS
    assert keys(["survey slips and logic"]) == SITE
    assert keys(["cabinet repair"]) == WORKS


def test_trapped_fish() -> None:
    assert keys(["trap and sort"]) == SITE | {"trapped_fish"}
    assert keys(["trap and rebuild crest"]) == WORKS | {"trapped_fish"}
    assert keys(["selective passage"]) == WORKS | {"fish_passage", "trapped_fish"}


def test_species_call_for_cautions_too() -> None:
    assert keys(["survey"], "native") == SITE
    assert keys(["rebuild"], "native") == WORKS | {"fish_passage"}
    assert keys([], "invasive") == ALWAYS | {"lampricide"}
    assert keys(["treat larvae"]) == SITE | {"lampricide"}


def test_every_caution_can_be_called_for_and_order_does_not_matter() -> None:
    actions = ["trap", "remove", "fish ladder", "rebuild"]
    assert set(cautions_for(actions, ["invasive", "native"])) == set(TEXT.values())
    assert cautions_for(actions[::-1] * 2, ["native", "invasive"]) == tuple(c.text for c in CAUTIONS)
    assert len(TEXT) == len(CAUTIONS)


def test_the_usual_dangers_are_named() -> None:
    # common practice, no source: what these cautions must not fail to say
    for key, needed in {
        "low_head_dam": ["drown", "rescue", "signs"],
        "engineer": ["licensed engineer", "permits", "dam safety"],
        "lampricide": ["certified applicators", "label"],
        "planning_level": ["planning-level", "local codes"],
        "fish_passage": ["consent", "protected species"],
        "field_check": ["in the field", "drop"],
    }.items():
        assert all(word in TEXT[key] for word in needed), key
