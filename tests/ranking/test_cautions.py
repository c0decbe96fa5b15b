"""Which cautions are printed."""

from __future__ import annotations

import pytest

from barrierrank.ranking.cautions import CAUTIONS, cautions_for

TEXT = {caution.key: caution.text for caution in CAUTIONS}
ALWAYS = {"planning_level"}
SITE = ALWAYS | {"field_check", "low_head_dam"}
WORKS = SITE | {"engineer"}


def keys(actions: list[str], *roles: str) -> set[str]:
    given = cautions_for(actions, roles)
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


def test_words_inside_words_are_not_taken_for_others() -> None:
    assert keys(["new steel wheel"]) == WORKS
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
