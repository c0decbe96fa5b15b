"""The plan on the map in a real browser with the network off: marks, switch, panel, list, keys, hostile names."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from selenium.webdriver.common.keys import Keys
from support.map_browser import Reader, requests_of

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.ranking import words

pytestmark = pytest.mark.browser

SPECIES = "document.querySelectorAll('input[name=\"species\"]')[arguments[0]].click()"
PRINT = """
return [...barrierrank.page.map.getPane('reaches').querySelectorAll('canvas')].map((c) => {
  const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  let sum = 0;
  for (let i = 0; i < d.length; i++) sum = (sum * 31 + d[i]) % 1000000007;
  return sum;
}).sort().join();
"""


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
def model(small_model: Callable[..., OutputModel]) -> OutputModel:
    return small_model(n_reaches=500, n_sites=60, seed=5)


@pytest.fixture(scope="module")
def look(model: OutputModel) -> PlanLook:
    plan: PlanLook = FIXTURE.plan_for(model, years=3)
    return plan


@pytest.fixture(scope="module")
def opened(visit: Callable[..., Reader], model: OutputModel, look: PlanLook) -> Reader:
    return visit(model, "plan", plan=look)


@pytest.fixture
def page(opened: Reader) -> Reader:
    if opened.driver.current_url != opened.url:
        opened.driver.get(opened.url)
        opened.wait("return document.documentElement.dataset.ready")
    opened.reset()
    _view(opened, "before")
    return opened


def _view(page: Reader, view: str) -> None:
    page.js('document.querySelector(`input[name="view"][value="${arguments[0]}"]`).click()', view)
    page.wait(f"return barrierrank.page.plan.view === '{view}'")
    page.wait_drawn()
    time.sleep(0.05)


def _open(page: Reader, site: str) -> str:
    place = page.model.sites["site"].tolist().index(site)
    page.js("barrierrank.page.chooseSite(arguments[0], null)", place)
    return page.panel()


# --- No network, no errors ---


def test_page_with_a_plan_asks_for_nothing_but_itself(opened: Reader) -> None:
    """First in this file: the log of requests runs from the opening of the page on."""
    for view in ("after", "change", "before"):
        _view(opened, view)
    opened.one("#plan-rows button").click()
    opened.one(".plan-out summary").click()
    opened.one("#out-rows button").click()
    opened.js("return barrierrank.page.chooseReach(3)")
    asked = requests_of(opened.driver)
    assert asked[0] == opened.url
    assert all(url.startswith("data:") for url in asked[1:])
    assert [e["message"] for e in opened.driver.get_log("browser") if e["level"] == "SEVERE"] == []


# --- Marks ---


def test_sites_of_the_plan_carry_order_and_year(page: Reader, look: PlanLook) -> None:
    told = page.js(
        "return [...document.querySelectorAll('.pin.pin-plan')].map(p => [p.getAttribute('aria-label'), p.innerText])"
    )
    wanted = [
        f"Plan {order}, year {year}: {name}, {action}"
        for order, year, name, action in look.plan[["order", "year", "name", "action"]].itertuples(
            index=False
        )
    ]
    assert [label for label, _ in told] == wanted
    assert page.js(
        "return [...document.querySelectorAll('.pin')].slice(0, 3).every(p => p.classList.contains('pin-plan'))"
    )
    large = page.js(
        "return [...document.querySelectorAll('.pin.pin-plan:not(.pin-small)')].map(p => p.textContent)"
    )
    assert len(large) > len(wanted) // 2  # they come first where marks crowd
    assert all("yr " in text for text in large)


def test_sites_left_out_are_marked_in_another_way(page: Reader, look: PlanLook) -> None:
    told = page.js(
        "return [...document.querySelectorAll('.pin.pin-left')].map(p => p.getAttribute('aria-label'))"
    )
    assert told == [
        f"Left out of the plan, rank {rank}: {name}, {action}"
        for rank, name, action in look.left_out[["rank", "name", "action"]].itertuples(index=False)
    ]
    look_of = (
        "const s = getComputedStyle(document.querySelector(arguments[0]));"
        " return [s.backgroundImage, s.backgroundColor, s.borderTopStyle]"
    )
    kinds = [
        page.js(look_of, f".legend .badge.{kind} > span") for kind in ("pin-plan", "pin-left", "pin-keep-out")
    ]
    assert len({tuple(k) for k in kinds}) == 3
    assert kinds[1][2] == "dashed"
    assert page.js("return document.querySelectorAll('.pin-plan.pin-left').length") == 0


def _luminance(css: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(v) / 255 for v in css[css.index("(") + 1 : -1].split(",")[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def test_marks_are_told_apart_by_lightness_alone(page: Reader) -> None:
    """Contrast of at least 3 : 1 between fills, 4.5 : 1 for the number: WCAG 2.2, success criteria 1.4.11 and 1.4.3."""
    colour = "const s = getComputedStyle(document.querySelector(arguments[0])); return [s.backgroundColor, s.color]"
    plan, ink = map(_luminance, page.js(colour, ".legend .pin-plan > span"))
    other, _ = map(_luminance, page.js(colour, ".legend .badge.pin-keep-out:not(.pin-outline) > span"))
    assert (plan + 0.05) / (other + 0.05) > 3
    assert (plan + 0.05) / (ink + 0.05) > 4.5


def test_every_site_keeps_one_mark(page: Reader) -> None:
    pins = page.js("return [...barrierrank.page.sites._pins.keys()]")
    dots = page.js("return barrierrank.page.sites._marks.map(m => m.site)")
    assert sorted(pins + dots) == list(range(len(page.model.sites)))
    assert len(page.all(".pin")) == len(pins)


def test_a_mark_of_the_plan_is_opened_by_keys(page: Reader, look: PlanLook) -> None:
    pin = page.one(".pin.pin-plan")
    page.js("arguments[0].focus()", pin)
    page.keys(Keys.ENTER)
    assert page.text("#panel-title") == look.plan["name"].iloc[0]
    page.keys(Keys.ESCAPE)
    assert page.focused() == pin


# --- Before and after ---


def test_the_switch_recolours_the_streams_and_the_legend(page: Reader, look: PlanLook) -> None:
    seen = {"before": page.js(PRINT)}
    lengths = page.js("return barrierrank.page.plan.plan.meta.lengths")
    for view in ("after", "change"):
        _view(page, view)
        seen[view] = page.js(PRINT)
    assert len(set(seen.values())) == 3
    told = [row.text for row in page.all("#legend [data-change]")]
    for row, code in zip(told, (1, 2, 0), strict=True):
        assert words.lengths([lengths["change"][0][code]], units="metric")[0] in row
    assert page.js("return document.querySelector('#legend [data-view=\"access\"]').hidden")
    _view(page, "after")
    row = page.one('#legend [data-state="3"]').text
    assert words.lengths([lengths["after"][0][3]], units="metric")[0] in row
    _view(page, "before")
    assert page.js(PRINT) == seen["before"]
    row = page.one('#legend [data-state="3"]').text
    assert words.lengths([lengths["before"][0][3]], units="metric")[0] in row


def test_the_switch_holds_for_every_species(page: Reader, look: PlanLook) -> None:
    before = []
    for k in range(len(page.model.species)):
        page.js(SPECIES, k)
        page.wait_drawn()
        time.sleep(0.1)
        before.append(page.js(PRINT))
    _view(page, "after")
    after = []
    for k, row in enumerate(look.access.itertuples()):
        page.js(SPECIES, k)
        page.wait_drawn()
        time.sleep(0.1)
        after.append(page.js(PRINT))
        unit = page.model.species[k].habitat_unit
        for value in (row.before, row.after, row.habitat):
            assert words.habitats([value], habitat_unit=unit, units="metric")[0] in page.text("#plan-meaning")
    assert all(a != b for a, b in zip(before, after, strict=True))


def test_the_switch_is_worked_by_keys(page: Reader) -> None:
    page.one('input[name="view"][value="before"]').send_keys(Keys.ARROW_RIGHT)
    page.wait("return barrierrank.page.plan.view === 'after'")
    assert page.js("return document.activeElement.value") == "after"


def test_a_reach_tells_access_before_and_after(page: Reader, look: PlanLook) -> None:
    step = (look.reach_access["after_lamprey"] - look.reach_access["before_lamprey"]).abs()
    place = int(step.argmax())
    source = page.model.reaches["source_id"].iloc[place]
    drawn = page.js(
        "const s = barrierrank.page.store;"
        " return s.ids().then(id => Array.from({ length: s.n }, (_, i) => id(i)))"
    )
    page.js("return barrierrank.page.chooseReach(arguments[0])", drawn.index(source))
    page.wait("return document.querySelectorAll('#panel section').length > 1")
    text = page.panel()
    assert "Access before and after the plan" in text
    rows = page.js(
        "return [...document.querySelectorAll('#panel section')].find(s => s.innerText.includes('before and after'))"
        ".querySelectorAll('tbody tr')"
    )
    for row, species in zip(rows, page.model.species, strict=True):
        for time_ in ("before", "after"):
            value = look.reach_access[f"{time_}_{species.key}"].iloc[place]
            assert f"{float(f'{100 * round(value, 3):.3g}'):g} %" in row.text.replace("\u00a0", " ")
    assert "closes" in rows[0].text or "opens" in rows[0].text


# --- The panel ---


def test_a_site_of_the_plan_tells_what_the_plan_does(page: Reader, look: PlanLook) -> None:
    counted = look.plan.index[look.plan["presumes"] != ""][0]
    row = look.plan.loc[counted]
    text = _open(page, row["site"])
    for told in (
        "In the plan",
        row["action"],
        row["purpose"],
        row["why"],
        f"Order in the plan\n{row['order']} of {len(look.plan)}",
    ):
        assert told in text
    assert f"Funding year\n{row['year']} of 3" in text
    for term, column in (
        ("Worth in the plan", "worth_in_plan"),
        ("Worth if done alone", "worth_alone"),
        ("Cost", "cost"),
    ):
        assert f"{term}\n{words.money([row[column]], currency='USD')[0]}".replace("-", "\u2212") in text
    assert f"{float(f'{100 * round(row.share, 3):.3g}'):g} % of 200 draws ({row['steadiness']})" in text
    assert f"Taken by the list from the top\n{'yes' if row['by_list'] else 'no'}" in text
    below = row["presumes"].split(", ")[0]
    name = page.model.sites.set_index("site").loc[below, "name"]
    link = page.one("#panel .presumes button")
    assert link.text.startswith(name)
    link.click()
    assert page.text("#panel-title") == name
    assert f"Presumed by what the plan does above, at {row['name']}" in page.panel()


def test_a_site_left_out_tells_why(page: Reader, look: PlanLook) -> None:
    for row in (look.left_out.iloc[0], look.left_out.iloc[1]):
        text = _open(page, row["site"])
        assert "Left out of the plan" in text
        assert row["why"] in text
        assert f"Instead the plan does here\n{row['instead'] or 'nothing'}" in text


def test_other_sites_say_that_the_plan_does_nothing_there(page: Reader, look: PlanLook) -> None:
    busy = {*look.plan["site"], *look.left_out["site"]}
    other = next(s for s in page.model.priority["site"] if s not in busy)
    assert "The plan does nothing at this site." in _open(page, other)


# --- The list ---


def test_the_list_of_the_plan_stands_in_its_order_and_zooms(page: Reader, look: PlanLook) -> None:
    more = page.one("#plan-more")
    if more.is_displayed():
        page.js("arguments[0].click()", more)
        assert page.focused() == page.all("#plan-rows button")[12]
    rows = page.all("#plan-rows button")
    told = page.js("return [...document.querySelectorAll('#plan-rows button')].map(b => b.innerText)")
    assert len(rows) == len(look.plan)
    for text, row in zip(told, look.plan.itertuples(), strict=True):
        assert text.split("\n")[0].startswith(str(row.order))
        for part in (row.name, row.action, f"year {row.year}", words.money([row.cost], currency="USD")[0]):
            assert part in text
    page.js("const m = barrierrank.page.map; m.setZoom(m.getZoom() - 2, { animate: false })")
    zoom = page.js("return barrierrank.page.map.getZoom()")
    page.js("arguments[0].click()", rows[4])
    page.wait(f"return barrierrank.page.map.getZoom() > {zoom} && !barrierrank.page.map._animatingZoom")
    assert page.text("#panel-title") == look.plan["name"].iloc[4]
    assert rows[4].get_attribute("aria-current") == "true"
    page.wait("return !barrierrank.page.map._panAnim || !barrierrank.page.map._panAnim._inProgress")
    boxes = page.js(
        "return ['.pin-chosen > span', '#legend', '#panel'].map(c => { const b = document.querySelector(c)"
        ".getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; })"
    )
    pin, legend, panel = boxes
    assert pin[2] < panel[0]
    assert pin[0] > legend[2] or pin[3] < legend[1]


def test_the_list_of_the_plan_is_worked_by_keys(page: Reader, look: PlanLook) -> None:
    rows = page.all("#plan-rows button")
    page.js("arguments[0].focus()", rows[0])
    page.keys(Keys.ARROW_DOWN)
    assert page.focused() == rows[1]
    page.keys(Keys.ENTER)
    assert page.text("#panel-title") == look.plan["name"].iloc[1]
    page.keys(Keys.ESCAPE)
    assert page.focused() == rows[1]


def test_the_ranked_list_tells_what_the_plan_takes(page: Reader, look: PlanLook) -> None:
    told = dict(page.js(
        "return [...document.querySelectorAll('#rows button')]"
            ".map((b, i) => [i, (b.querySelector('.plan-tag') || {}).textContent || ''])"
    ))  # fmt: skip
    planned = {(r.site, r.action): f"in the plan: {r.order}, year {r.year}" for r in look.plan.itertuples()}
    left = {(r.site, r.action): "left out of the plan" for r in look.left_out.itertuples()}
    for i, row in page.model.priority.iloc[: len(told)].reset_index(drop=True).iterrows():
        assert told[i] == {**left, **planned}.get((row["site"], row["action"]), "")


def test_the_whole_plan_is_on_the_paper(page: Reader, look: PlanLook) -> None:
    page.js("window.dispatchEvent(new Event('beforeprint'))")
    try:
        assert len(page.all("#plan-rows li")) == len(look.plan)
        assert page.js("return document.querySelectorAll('details:not([open])').length") == 0
    finally:
        page.js("window.dispatchEvent(new Event('afterprint'))")


def test_a_phone_shows_the_site_that_was_chosen(page: Reader) -> None:
    metrics = {"width": 390, "height": 800, "deviceScaleFactor": 2, "mobile": True}
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        page.js("document.getElementById('legend').open = false")
        page.wait("return innerWidth === 390")
        assert page.js("return document.documentElement.scrollWidth") <= 390
        row = page.all("#plan-rows button")[6]
        page.js("arguments[0].scrollIntoView(); arguments[0].focus(); arguments[0].click()", row)
        page.wait("return !barrierrank.page.map._panAnim || !barrierrank.page.map._panAnim._inProgress")
        page.wait_drawn()
        pin = page.js(
            "const b = document.querySelector('.pin-chosen > span').getBoundingClientRect(); return [b.top, b.bottom]"
        )
        assert pin[0] > 0
        assert pin[1] < page.js("return document.getElementById('panel').getBoundingClientRect().top")
        page.keys(Keys.ESCAPE)
        top = page.js("return arguments[0].getBoundingClientRect().top", row)
        assert 0 <= top < 800
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        page.js("document.getElementById('legend').open = true; window.scrollTo(0, 0)")
