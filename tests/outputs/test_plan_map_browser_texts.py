"""The plan on the map in a real browser: hostile names, points and miles, habitat quality."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from support.map_browser import Reader

from barrierrank.outputs.model import OutputModel
from barrierrank.ranking import words

pytestmark = pytest.mark.browser


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


def _view(page: Reader, view: str) -> None:
    page.js('document.querySelector(`input[name="view"][value="${arguments[0]}"]`).click()', view)
    page.wait(f"return barrierrank.page.plan.view === '{view}'")
    page.wait_drawn()
    time.sleep(0.05)


def _open(page: Reader, site: str) -> str:
    place = page.model.sites["site"].tolist().index(site)
    page.js("barrierrank.page.chooseSite(arguments[0], null)", place)
    return page.panel()


# --- Hostile names ---


def test_hostile_texts_of_a_plan_do_not_run(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel], model_fixture: ModuleType
) -> None:
    model = small_model(hostile=True)
    plan = FIXTURE.plan_for(model, years=2, hostile=model_fixture.HOSTILE)
    page = visit(model, "plan_hostile", plan=plan)
    title = page.driver.title
    page.js("for (const d of document.querySelectorAll('details')) d.open = true")
    for css in ("#plan-rows button", "#out-rows button"):
        for row in range(len(page.all(css))):
            page.js("document.querySelectorAll(arguments[0])[arguments[1]].click()", css, row)
    for table in (plan.plan, plan.left_out):
        text = _open(page, table["site"].iloc[0])
        assert _plain(table["why"].iloc[0]) in _plain(text)
    for view in ("after", "change"):
        _view(page, view)
    page.js("return barrierrank.page.chooseReach(3)")
    notes = _plain(page.text(".about-body"))
    for text in model_fixture.HOSTILE:
        assert _plain(text) in notes
    time.sleep(0.2)
    assert page.driver.title == title
    assert page.js("return document.querySelectorAll('body img, svg[onload], b + *[onerror]').length") == 0
    assert [e["message"] for e in page.driver.get_log("browser") if e["level"] == "SEVERE"] == []


def _plain(text: str) -> str:
    return "".join(text.split())


# --- Points and miles, quality ---


def test_points_and_miles(visit: Callable[..., Reader], small_model: Callable[..., OutputModel]) -> None:
    model = small_model(units="us", currency=None)
    plan = FIXTURE.plan_for(model, draws=0)
    page = visit(model, "plan_us", plan=plan)
    row = plan.plan.iloc[0]
    text = _open(page, row["site"])
    assert f"Worth if done alone\n{words.points([row['worth_alone']])[0]}" in text
    assert f"Cost\n{words.numbers([row['cost']])[0]}" in text
    assert "draws" not in text
    assert "Funding year" not in text
    assert words.points([plan.worth])[0] in page.text("#plan-told")
    reached = plan.access.iloc[0]
    assert words.lengths([reached["before"]], units="us")[0] in page.text("#plan-meaning")


def test_quality_of_habitat_needs_no_switch(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel]
) -> None:
    model = small_model(quality=True)
    page = visit(model, "plan_quality", plan=FIXTURE.plan_for(model))
    _view(page, "change")
    page.js('document.querySelector(\'input[name="show"][value="quality"]\').click()')
    page.wait("return document.querySelector('.plan-view').hidden")
    assert page.js("return document.querySelector('#legend [data-show=\"access\"]').hidden")
    assert not page.js("return document.querySelector('#legend [data-show=\"quality\"]').hidden")
    page.js('document.querySelector(\'input[name="show"][value="access"]\').click()')
    page.wait("return !document.querySelector('.plan-view').hidden")
    assert not page.js("return document.querySelector('#legend [data-view=\"change\"]').hidden")
    assert "yr " not in page.text("#plan-rows")  # one funding year: nothing to tell
    assert [e["message"] for e in page.driver.get_log("browser") if e["level"] == "SEVERE"] == []
