"""Uncertainty in the project file, and the evidence behind the numbers of sites and actions."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from barrierrank.inputs.actions import ActionTable, read_actions
from barrierrank.inputs.propose import propose_project
from barrierrank.inputs.sites import SiteTable, read_sites
from barrierrank.problems import InputError
from barrierrank.project import load_project
from barrierrank.project_schema import SCHEMA
from barrierrank.project_uncertainty import EVIDENCE, UncertaintySpec, build_uncertainty


def read(case: Any) -> tuple[SiteTable, ActionTable]:
    project = case.load()
    sites = read_sites(project, case.problems)
    return sites, read_actions(project, sites, case.problems)


def with_table(case: Any, text: str) -> Any:
    case.text += text
    return case


def test_without_the_table_every_default_holds(case: Any) -> None:
    spec = case.load().uncertainty
    assert spec == build_uncertainty()
    single = (spec.draws, spec.seed, spec.method, spec.level, spec.top)
    assert single == (512, 1, "latin_hypercube", 0.9, 10)
    assert (spec.value_cv, spec.treatment_cv, spec.basin_habitat_cv) == (0.3, 0.2, 0.2)
    assert dict(spec.passability) == {"measured": 100, "rated": 20, "modelled": 12, "guessed": 4}
    assert dict(spec.habitat) == {"measured": 0.1, "rated": 0.3, "modelled": 0.4, "guessed": 0.8}
    assert dict(spec.cost) == {"measured": 0.1, "rated": 0.2, "modelled": 0.3, "guessed": 0.5}
    assert dict(spec.failure) == {"measured": 0.2, "rated": 0.4, "modelled": 0.5, "guessed": 1.0}
    assert spec.on


def test_what_is_given_is_taken_and_the_rest_is_default(case: Any) -> None:
    with_table(case, '[uncertainty]\ndraws = 64\nmethod = "sobol"\n[uncertainty.cost]\nguessed = 1\n')
    project = case.load()
    spec = project.uncertainty
    assert isinstance(spec, UncertaintySpec)
    assert (spec.draws, spec.method, spec.seed) == (64, "sobol", 1)
    assert dict(spec.cost) == {"measured": 0.1, "rated": 0.2, "modelled": 0.3, "guessed": 1.0}
    plain = json.loads(json.dumps(project.parameters()))["uncertainty"]
    assert plain["draws"] == 64
    assert plain["cost"]["guessed"] == 1.0
    with pytest.raises(TypeError):
        spec.cost["guessed"] = 2.0


def test_no_draws_switch_it_off(case: Any) -> None:
    spec = with_table(case, "[uncertainty]\ndraws = 0\n").load().uncertainty
    assert spec.draws == 0
    assert not spec.on


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("draws = 1", r"\[uncertainty\] draws: given 1, allowed: 0 \(off\), or 2 or more"),
        ("draws = -5", r"\[uncertainty\] draws: given -5"),
        ("draws = 2.5", r"draws: given 2.5 \(a number\), allowed: a whole number"),
        ('method = "latin"', r'given "latin", allowed: "latin_hypercube", "sobol"'),
        ("level = 90", r"divide per cent by 100: 0.9"),
        ("level = 0.0", r"allowed: a number above 0"),
        ("top = 0", r"\[uncertainty\] top: given 0"),
        ("value_cv = -0.1", r"\[uncertainty\] value_cv"),
        ("drwas = 10", r'there is no such key -> did you mean "draws"'),
        ("cost = 0.3", r"\[uncertainty\] cost: given 0.3, but it is a table .* -> write a line \[uncertainty.cost\]"),
        ("[uncertainty.cost]\nguessed = 0", r"\[uncertainty.cost\] guessed: given 0, allowed: a number above 0"),
        ("[uncertainty.passability]\nrated = -1", r"\[uncertainty.passability\] rated"),
        ("[uncertainty.failure]\nmodeled = 1", r'\[uncertainty.failure\] modeled: .*did you mean "modelled"'),
        ("[uncertainty.habitat]\nmeasured = true", r"\[uncertainty.habitat\] measured: given true"),
        ("[uncertainty.habitats]\nmeasured = 1", r'habitats: there is no such key -> did you mean "habitat"'),
    ],
)
def test_what_is_wrong_is_told_with_key_and_remedy(case: Any, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as caught:
        with_table(case, f"[uncertainty]\n{text}\n").load()
    assert len(caught.value.problems) == 1


def test_classes_are_the_same_in_every_table() -> None:
    for name in ("passability", "habitat", "cost", "failure"):
        keys = SCHEMA[f"uncertainty.{name}"]
        assert tuple(k.name for k in keys) == EVIDENCE == ("measured", "rated", "modelled", "guessed")
        assert all(k.reason and k.low == 0.0 and k.above for k in keys)


def test_a_new_project_file_has_the_table_with_its_defaults(case: Any) -> None:
    text = propose_project(case.folder / "streams.gpkg", case.folder / "sites.csv", None, folder=case.folder)
    for name in ("uncertainty", *(n for n in SCHEMA if n.startswith("uncertainty."))):
        assert f"\n[{name}]\n" in text
    assert load_project(case.write("new.toml", text), case.problems).uncertainty == build_uncertainty()


def test_evidence_of_sites_and_actions_is_read(case: Any) -> None:
    case.write(
        "sites.csv",
        "site,name,x,y,p_lamprey,p_walleye,evidence\n"
        "D1,Lower weir,500500,4600000,0.1,Poor,Measured\nD2,Upper weir,501500,4600000,none,0.5,\n",
    )
    case.write(
        "actions.csv",
        "site,action,cost,passability_lamprey,passability_walleye,evidence\n"
        "D1,raise,100,none,0.5,guessed\nD2,remove,50,1,,n/a\n",
    )
    sites, actions = read(case)
    assert sites.evidence.tolist() == ["measured", ""]
    assert sites.rated.tolist() == [[False, True], [True, False]]
    assert "evidence" not in sites.table.columns
    assert actions.evidence.tolist() == ["guessed", ""]
    assert actions.rated.tolist() == [[True, False], [False, False]]
    assert not [p for p in case.problems if "evidence" in p.line()]


def test_without_the_column_there_is_no_evidence(case: Any) -> None:
    for table in read(case):
        assert table.evidence.dtype == object
        assert table.evidence.tolist() == ["", ""]
        assert table.rated.shape == (2, 2)


def test_a_passability_that_is_one_number_is_not_rated(case: Any) -> None:
    case.edit('passability = "p_walleye"', "passability = 0.25")
    assert not read(case)[0].rated.any()


@pytest.mark.parametrize("file", ["sites.csv", "actions.csv"])
def test_an_unknown_word_is_told_with_the_nearest(case: Any, file: str) -> None:
    head, first, second = (case.folder / file).read_text().splitlines()
    case.write(file, f"{head},evidence\n{first},mesured\n{second},rated\n")
    with pytest.raises(InputError, match=r'row 2, column "evidence": there is no evidence "mesured"') as caught:
        read(case)
    assert 'did you mean "measured"? (measured, rated, modelled, guessed, certain)' in str(caught.value)


def test_columns_left_out_on_construction_are_filled_in() -> None:
    n, text = 3, np.full(3, "", dtype=object)
    whole, number = np.arange(n), np.zeros(n)
    sites = SiteTable(
        "t", whole, text, text, text, number, number, None, None, number, np.ones((n, 2)), np.ones((n, 2)), None,  # type: ignore[arg-type]
    )  # fmt: skip
    actions = ActionTable("t", whole, whole, text, number, number, number, number, np.ones((n, 2)), text)
    for table in (sites, actions):
        assert table.evidence.tolist() == [""] * n
        assert table.rated.shape == (n, 2)
        assert table.rated.dtype == bool
        assert not table.rated.any()
