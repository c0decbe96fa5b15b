"""The plan on the map: what the page holds, and that a page without a plan knows nothing of it."""

from __future__ import annotations

import dataclasses
import importlib.util
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from support.map_page import Decoded, Reader, read_varints, unfold

from barrierrank.outputs.map.encode import squeezed
from barrierrank.outputs.map.plan import LIMITS, NOTED, limits, plan_bytes
from barrierrank.outputs.map.plan_frame import PLAN_FILES, numbered_beside
from barrierrank.outputs.map.write import render_map
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook

Build = Callable[..., OutputModel]
STATES = ("none", "blocked", "partial", "open")


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "plan_map_fixture", Path(__file__).with_name("plan_map_fixture.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


FIXTURE = _load()


@pytest.fixture(scope="module")
def model(small_model: Build) -> OutputModel:
    return small_model(seed=5, n_reaches=300, n_sites=60)


@pytest.fixture(scope="module")
def look(model: OutputModel) -> PlanLook:
    plan: PlanLook = FIXTURE.plan_for(model, years=3)
    return plan


@pytest.fixture(scope="module")
def page(model: OutputModel, look: PlanLook) -> str:
    return render_map(model, plan=look)


@pytest.fixture(scope="module")
def decoded(page: str) -> Decoded:
    return Decoded(page)


# --- Without a plan ---


def test_a_page_without_a_plan_holds_nothing_of_one(model: OutputModel, page: str) -> None:
    """Scripts, styles, switch, list and sections come with a plan only; what all pages hold is the same."""
    bare = render_map(model)
    told = Decoded(bare)
    assert "plan" not in told.meta
    assert not [name for name in told.meta["sections"] if name.startswith("plan")]
    for piece in ('id="plan"', 'name="view"', "data-view", "PlanWords", "pin-plan"):
        assert piece not in bare
        assert piece in page
    assert 'class="badge pin-left"' not in bare
    scripts, more = Reader(bare).inside("script"), Reader(page).inside("script")
    n = sum(name.endswith(".js") for name in PLAN_FILES)
    assert len(more) == len(scripts) + n
    assert [s for s in scripts if "sections" not in s and len(s) > 3000 and s not in more] == [
        told_package(bare)
    ]


def told_package(page: str) -> str:
    return "".join(Reader(page).inside("script", id="package"))


def test_scripts_of_a_plan_never_read_text_as_markup_or_code() -> None:
    folder = resources.files("barrierrank.outputs.map")
    for name in PLAN_FILES:
        text = folder.joinpath(name).read_text(encoding="utf-8")
        for word in (
            "innerHTML",
            "outerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "new Function",
            "http",
        ):
            assert word not in text, (name, word)
    assert {f"with_plan/{p.name}" for p in folder.joinpath("with_plan").iterdir()} == set(PLAN_FILES)


def test_equal_plans_give_equal_pages(model: OutputModel, look: PlanLook, page: str) -> None:
    assert render_map(model, plan=look) == page


# --- Access before and after ---


def _told(decoded: Decoded, time: str, k: int) -> tuple[list[float], list[int]]:
    """Access and states as the page has them, read from the description of the codes alone."""
    access = decoded.shares(f"access{k}")
    states = list(decoded.section(f"state{k}"))
    many = decoded.meta["plan"]["changed"][time][k]
    if many:
        values = read_varints(decoded.section(f"plan_{time}{k}"))
        assert len(values) == 2 * many
        for at, code in zip(
            np.cumsum(values[:many]), np.cumsum([unfold(v) for v in values[many:]]), strict=True
        ):
            access[at], states[at] = (int(code) // 4 - 1) / 1000, int(code) % 4
    else:
        assert f"plan_{time}{k}" not in decoded.meta["sections"]
    return access, states


def test_access_after_the_plan_comes_back_for_every_reach(
    decoded: Decoded, model: OutputModel, look: PlanLook
) -> None:
    ids = decoded.ids()
    told_apart = 0
    for k, species in enumerate(model.species):
        table = look.reach_access.set_index(model.reaches["source_id"]).loc[ids]
        for time in ("before", "after"):
            access, _ = _told(decoded, time, k)
            wanted = table[f"{time}_{species.key}"].to_numpy()
            np.testing.assert_allclose(access, wanted, atol=0.0011)
            assert [(a == 0, a == 1) for a in access] == [(w == 0, w == 1) for w in wanted]
        changed = decoded.meta["plan"]["changed"]["after"][k]
        assert changed <= (table[f"after_{species.key}"] != table[f"before_{species.key}"]).sum()
        told_apart += changed
        assert decoded.meta["plan"]["changed"]["before"][k] == 0
    assert told_apart > 50


def test_states_after_the_plan_follow_the_limits_of_the_project(model: OutputModel, look: PlanLook) -> None:
    strict = dataclasses.replace(
        model, run={"parameters": {"display": {"open_from": 0.6, "blocked_below": 0.4}}}
    )
    assert limits(strict) == (0.6, 0.4)
    assert limits(model) == (LIMITS["open_from"], LIMITS["blocked_below"])
    for given, (open_from, blocked_below) in ((model, (0.9, 0.1)), (strict, (0.6, 0.4))):
        decoded = Decoded(render_map(given, plan=look))
        for k, species in enumerate(model.species):
            access, states = _told(decoded, "after", k)
            today = decoded.shares(f"access{k}")
            habitat = model.reaches.set_index("source_id")[f"habitat_{species.key}"].loc[decoded.ids()]
            for a, b, state, h in zip(access, today, states, habitat, strict=True):
                if a == b:
                    continue
                wanted = "none" if h <= 0 else "open" if a >= open_from else "blocked"
                wanted = "partial" if wanted == "blocked" and a >= blocked_below and a > 0 else wanted
                assert STATES[state] == wanted


def test_lengths_of_the_legend_add_up(decoded: Decoded, model: OutputModel, look: PlanLook) -> None:
    length, clear = model.reaches["length_m"], 0
    for k, species in enumerate(model.species):
        told = decoded.meta["plan"]["lengths"]
        assert told["before"][k] == decoded.meta["lengths"][k]
        for name in ("before", "after", "change"):
            assert sum(told[name][k]) == pytest.approx(length.sum(), abs=3)
        step = look.reach_access[f"after_{species.key}"] - look.reach_access[f"before_{species.key}"]
        some = model.reaches[f"habitat_{species.key}"] > 0
        for code, sign in ((1, 1), (2, -1)):
            least, most = (length[some & (sign * step >= NOTED + d)].sum() for d in (0.002, -0.002))
            assert least - 1 <= told["change"][k][code] <= most + 1  # the page knows thousandths
            clear += least > 0
    assert clear > 0


def test_another_access_before_the_plan_is_told_too(model: OutputModel, look: PlanLook) -> None:
    """Where access before the plan is not that of the map, both are kept."""
    table = look.reach_access.copy()
    table["before_walleye"] = table["before_walleye"] * 0.5
    decoded = Decoded(render_map(model, plan=dataclasses.replace(look, reach_access=table)))
    access, _ = _told(decoded, "before", 1)
    wanted = table.set_index(model.reaches["source_id"]).loc[decoded.ids(), "before_walleye"]
    np.testing.assert_allclose(access, wanted, atol=0.0011)
    assert decoded.meta["plan"]["changed"]["before"][0] == 0


def test_a_plan_takes_few_bytes_a_reach(small_model: Build) -> None:
    """Against the plain way: access after the plan of every reach and species as one more byte pair each."""
    model = small_model(seed=2, n_reaches=4000, n_sites=150)
    plan = FIXTURE.plan_for(model)
    told = Decoded(render_map(model, plan=plan)).meta["sections"]
    after = sum(size for name, (_, size) in told.items() if name.startswith("plan_"))
    naive = sum(
        len(squeezed((plan.reach_access[f"after_{s.key}"] * 1000).round().astype("<u2").to_numpy().tobytes()))
        for s in model.species
    )
    assert 0 < after < 0.5 * naive
    assert plan_bytes(model, None) == 0
    assert plan_bytes(model, plan) > after


# --- Actions ---


def test_actions_of_the_plan_come_back(decoded: Decoded, model: OutputModel, look: PlanLook) -> None:
    told, ids = decoded.json("plan"), model.sites["site"].tolist()
    for name, table in (("plan", look.plan), ("out", look.left_out)):
        part = told[name]
        assert [ids[i] for i in part["site"]] == table["site"].tolist()
        for column in ("action", "why", "steadiness"):
            assert part[column] == table[column].tolist()
        assert part["rank"] == table["rank"].tolist()
        np.testing.assert_allclose(part["cost"], table["cost"], rtol=5.1e-3)
        np.testing.assert_allclose(part["alone"], table["worth_alone"], rtol=5.1e-3)
        np.testing.assert_allclose(np.array(part["share"]) / 1000, table["share"], atol=0.00051)
        listed = model.priority.iloc[part["row"]]
        assert listed["site"].tolist() == table["site"].tolist()
        assert listed["action"].tolist() == table["action"].tolist()
    part = told["plan"]
    assert part["order"] == look.plan["order"].tolist()
    assert part["year"] == look.plan["year"].tolist()
    named = [", ".join(ids[i] for i in below) for below in part["presumes"]]
    assert named == look.plan["presumes"].tolist()
    assert any(named)
    assert told["out"]["instead"] == look.left_out["instead"].tolist()
    for k, species in enumerate(model.species):
        np.testing.assert_allclose(part[f"gain{k}"], look.plan[f"gain_{species.key}"], rtol=5.1e-3)


def test_without_draws_shares_are_not_told(model: OutputModel) -> None:
    told = Decoded(render_map(model, plan=FIXTURE.plan_for(model, draws=0))).json("plan")
    assert told["draws"] == 0
    assert set(told["plan"]["share"]) == {None}


def test_an_empty_plan_is_a_plan(model: OutputModel, look: PlanLook) -> None:
    empty = dataclasses.replace(look, plan=look.plan.iloc[:0], left_out=look.left_out.iloc[:0], gap=np.inf)
    page = render_map(model, plan=empty)
    assert "The plan: 0 actions" in page
    assert 'class="plan-out"' not in page
    assert Decoded(page).json("plan")["gap"] is None


def test_fewer_sites_are_numbered_beside_a_plan(look: PlanLook) -> None:
    assert numbered_beside(None, 200) == 200
    assert numbered_beside(look, 200) == 200 - len(look.plan) - len(look.left_out)
    large = dataclasses.replace(look, plan=pd.concat([look.plan] * 50, ignore_index=True))
    assert numbered_beside(large, 200) == 40


# --- What does not fit ---


def _with(look: PlanLook, **changed: Any) -> PlanLook:
    return dataclasses.replace(look, plan=look.plan.assign(**changed))


def test_a_plan_of_other_reaches_is_refused(model: OutputModel, look: PlanLook) -> None:
    for table in (look.reach_access.iloc[::-1], look.reach_access.iloc[1:]):
        with pytest.raises(ValueError, match="same reaches in the same order"):
            render_map(model, plan=dataclasses.replace(look, reach_access=table))


def test_a_site_that_is_not_known_is_refused(model: OutputModel, look: PlanLook) -> None:
    with pytest.raises(ValueError, match="not in the table of sites: elsewhere"):
        render_map(model, plan=_with(look, site="elsewhere"))


def test_a_purpose_that_is_not_known_is_refused(model: OutputModel, look: PlanLook) -> None:
    with pytest.raises(ValueError, match="purposes are keep out"):
        render_map(model, plan=_with(look, purpose="other"))


def test_sites_presumed_that_are_not_known_stay_text(model: OutputModel, look: PlanLook) -> None:
    told = Decoded(render_map(model, plan=_with(look, presumes="S0001, somewhere"))).json("plan")
    assert set(told["plan"]["presumes"]) == {"S0001, somewhere"}
