"""The map page in a real browser with the network off: drawing, choosing, filtering, keys, hostile names, printing."""

from __future__ import annotations

import io
import json
import math
import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from barrierrank.outputs.map import write_map
from barrierrank.outputs.model import OutputModel
from barrierrank.ranking import words

pytestmark = pytest.mark.browser

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
COLOURS = {"none": 0x999999, "blocked": 0xD55E00, "partial": 0x882255, "open": 0x0072B2}
WORDS = {"none": "No habitat", "blocked": "Blocked", "partial": "Partly open", "open": "Open"}


@dataclass
class Reader:
    """A browser at one page."""

    driver: webdriver.Chrome
    model: OutputModel
    url: str

    def js(self, script: str, *given: Any) -> Any:
        return self.driver.execute_script(script, *given)

    def one(self, css: str) -> WebElement:
        return self.driver.find_element(By.CSS_SELECTOR, css)

    def all(self, css: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def wait(self, script: str) -> Any:
        """Wait till a script gives something true."""
        until = time.monotonic() + 15
        while time.monotonic() < until:
            found = self.js(script)
            if found:
                return found
            time.sleep(0.02)
        raise AssertionError(f"waited in vain for: {script}")

    def keys(self, *keys: str) -> None:
        ActionChains(self.driver).send_keys(*keys).perform()

    def panel(self) -> str:
        return self.text("#panel")

    def text(self, css: str) -> str:
        return str(self.js("return document.querySelector(arguments[0]).innerText", css)).replace(
            "\u00a0", " "
        )

    def is_open(self) -> bool:
        return bool(self.js("return !document.getElementById('panel').hidden"))

    def focused(self) -> WebElement:
        return self.driver.switch_to.active_element

    def wait_drawn(self) -> None:
        self.wait("return !barrierrank.page.reaches._waiting.length && !barrierrank.page.map._animatingZoom")

    def reset(self) -> None:
        self.js(
            "const p = barrierrank.page; p.panel.close(); p.list.field.value = ''; p.list.bestOnly.checked = false;"
            "p.list.update(); p.map.fitBounds(p.meta.bounds, { padding: [24, 24], animate: false });"
        )
        self.one('input[name="species"][value="0"]').click()
        self.wait_drawn()

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the basin [m] is on the screen."""
        lon, lat = _degrees(self.model, x, y)
        point = self.js(
            "const p = barrierrank.page.map.latLngToContainerPoint([arguments[1], arguments[0]]),"
            "b = barrierrank.page.map.getContainer().getBoundingClientRect(); return [p.x + b.left, p.y + b.top]",
            lon,
            lat,
        )
        return float(point[0]), float(point[1])

    def click_at(self, x: float, y: float) -> None:
        mouse = ActionChains(self.driver)
        mouse.w3c_actions.pointer_action.move_to_location(round(x), round(y)).click()
        mouse.perform()


def _degrees(model: OutputModel, x: float, y: float) -> tuple[float, float]:
    point = model.sites.iloc[:1].set_geometry(
        model.sites.iloc[:1].geometry.affine_transform([0, 0, 0, 0, x, y])
    )
    found = point.to_crs("EPSG:4326").geometry.iloc[0]
    return found.x, found.y


@pytest.fixture(scope="module")
def driver() -> Iterator[webdriver.Chrome]:
    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    helper = shutil.which("chromedriver")
    if chromium is None or helper is None:
        reason = "Chromium and chromedriver are needed to read the map"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(helper))
    browser.set_window_size(1400, 900)
    browser.execute_cdp_cmd("Network.enable", {})
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", offline)
    yield browser
    browser.quit()


@pytest.fixture(scope="module")
def visit(driver: webdriver.Chrome, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Reader]:
    folder = tmp_path_factory.mktemp("map")

    def opened(model: OutputModel, name: str, **options: Any) -> Reader:
        path: Path = folder / f"{name}.html"
        write_map(path, model, **options)
        driver.get_log("performance")
        driver.get_log("browser")
        driver.get(path.as_uri())
        reader = Reader(driver, model, path.as_uri())
        reader.wait("return document.documentElement.dataset.ready")
        reader.wait_drawn()
        return reader

    return opened


@pytest.fixture(scope="module")
def basin(visit: Callable[..., Reader], small_model: Callable[..., OutputModel]) -> Reader:
    return visit(small_model(n_reaches=500, n_sites=260, seed=5), "basin")


@pytest.fixture
def page(basin: Reader) -> Reader:
    """The basin's page as it is when opened."""
    if basin.driver.current_url != basin.url:
        basin.driver.get(basin.url)
        basin.wait("return document.documentElement.dataset.ready")
        basin.wait_drawn()
    basin.reset()
    return basin


def requests_of(driver: webdriver.Chrome) -> list[str]:
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]


# --- No network, no errors ---


def test_page_asks_for_nothing_but_itself(basin: Reader) -> None:
    """First in this file: the log of requests runs from the opening of the page on."""
    basin.reset()
    basin.one("#rows button").click()
    basin.one(".leaflet-control-zoom-in").click()
    for choice in basin.all('input[name="species"]'):
        choice.click()
    basin.wait_drawn()
    asked = requests_of(basin.driver)
    assert asked[0] == basin.url
    assert all(url.startswith("data:") for url in asked[1:])
    severe = [e["message"] for e in basin.driver.get_log("browser") if e["level"] == "SEVERE"]
    assert severe == []


def test_network_is_forbidden_by_the_page_itself(page: Reader) -> None:
    told = page.js(
        "return new Promise(done => { document.addEventListener('securitypolicyviolation',"
        " e => done(e.effectiveDirective), { once: true }); new Image().src = 'https://pictures.example.org/a.png'; })"
    )
    assert told == "img-src"
    page.driver.get_log("browser")


# --- Streams ---


def test_streams_have_the_colour_of_their_state(page: Reader) -> None:
    """Colours on the screen against the table, through the original lines and a second projection."""
    page.js(
        "document.getElementById('legend').hidden = true;"
        "for (const p of ['pins', 'route']) barrierrank.page.map.getPane(p).style.display = 'none';"
    )
    reaches = page.model.reaches
    chosen = reaches.sample(60, random_state=1)
    middles = chosen.geometry.interpolate(0.5, normalized=True)
    spots = [page.at(p.x, p.y) for p in middles]
    try:
        for k, look in enumerate(page.model.species[:2]):
            page.one(f'input[name="species"][value="{k}"]').click()
            page.wait_drawn()
            time.sleep(0.3)  # tiles fade in
            shot = np.asarray(
                Image.open(io.BytesIO(page.driver.get_screenshot_as_png())).convert("RGB")
            ).astype(int)
            states = chosen[f"state_{look.key}"].tolist()
            right = sum(_colour_near(shot, spot, COLOURS[s]) for spot, s in zip(spots, states, strict=True))
            wrong = sum(
                _colour_near(shot, spot, COLOURS[_other(s)]) for spot, s in zip(spots, states, strict=True)
            )
            assert right >= 0.9 * len(spots)  # a few lie under others
            assert wrong <= 0.25 * len(spots)  # neighbours of another state
    finally:
        page.js(
            "document.getElementById('legend').hidden = false;"
            "for (const p of ['pins', 'route']) barrierrank.page.map.getPane(p).style.display = '';"
        )


def _other(state: str) -> str:
    return "blocked" if state in {"open", "partial"} else "open"


def _colour_near(shot: np.ndarray, spot: tuple[float, float], colour: int) -> bool:
    """Whether some pixel within three of `spot` lies nearer to the colour than a third of the way to paper."""
    x, y = round(spot[0]), round(spot[1])
    part = shot[max(y - 3, 0) : y + 4, max(x - 3, 0) : x + 4].reshape(-1, 3)
    wanted = np.array([colour >> 16, (colour >> 8) & 255, colour & 255])
    return bool(len(part)) and bool((np.abs(part - wanted).sum(axis=1) < 110).any())


PRINT = """
return [...barrierrank.page.map.getPane('reaches').querySelectorAll('canvas')].map((c) => {
  const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  let sum = 0;
  for (let i = 0; i < d.length; i++) sum = (sum * 31 + d[i]) % 1000000007;
  return sum;
}).sort().join();
"""


def test_one_species_is_shown_at_a_time(page: Reader) -> None:
    first = page.js(PRINT)
    seen = {first}
    for k, look in enumerate(page.model.species[1:], start=1):
        page.one(f'input[name="species"][value="{k}"]').click()
        page.wait_drawn()
        seen.add(page.js(PRINT))
        assert page.js("return document.querySelectorAll('input[name=\"species\"]:checked').length") == 1
        wanted = "wanted" if look.role == "native" else "not wanted"
        assert look.label in page.text("#meaning")
        assert wanted in page.text("#meaning")
    assert len(seen) == len(page.model.species)
    page.one('input[name="species"][value="0"]').click()
    page.wait_drawn()
    assert page.js(PRINT) == first


def test_species_are_switched_by_arrow_keys(page: Reader) -> None:
    page.one('input[name="species"][value="0"]').send_keys(Keys.ARROW_RIGHT)
    page.wait_drawn()
    assert page.js("return barrierrank.page.species") == 1


def test_legend_tells_how_much_stream_is_in_each_state(page: Reader) -> None:
    sums = page.model.reaches.groupby("state_lamprey")["length_m"].sum()
    for state, word in WORDS.items():
        row = next(r.text for r in page.all("#legend [data-state]") if word in r.text)
        percent = round(100 * sums.get(state, 0) / sums.sum())
        assert words.lengths([sums.get(state, 0)], units="metric")[0] in row
        assert f"{percent} %" in row.replace("\u00a0", " ")


# --- Sites ---


def _best_row(model: OutputModel) -> pd.Series:
    return model.priority.iloc[0]


def test_clicking_a_numbered_site_opens_its_numbers(page: Reader) -> None:
    model, row = page.model, _best_row(page.model)
    page.one('.pin[aria-label^="Rank 1:"]').click()
    site = model.sites.set_index("site").loc[row["site"]]
    text = page.panel()
    for told in (row["name"], row["site"], row["action"], row["why"], row["purpose"], site["kind"]):
        assert told in text
    order = model.reaches.set_index("reach")["strahler"].loc[site["reach"]]
    assert f"Stream order here\n{order}" in text
    assert words.lengths([site["upstream_km"] * 1000], units="metric")[0] in text
    for look in model.species:
        for column in ("habitat_above", "habitat_to_next", "blocked"):
            value = site[f"{column}_{look.key}"]
            assert words.habitats([value], habitat_unit=look.habitat_unit, units="metric")[0] in text
    for _, action in model.priority[model.priority["site"] == row["site"]].iterrows():
        assert words.money([action["cost"]], currency="USD")[0] in text
        net = words.money([action["net_benefit"]], currency="USD")[0].replace("-", "\u2212")
        assert net in text
        assert words.numbers([action["benefit_per_cost"]])[0].replace("-", "\u2212") in text
    assert page.one("#panel .action-best h4").text == row["action"]
    assert page.js("return document.querySelectorAll('.pin-chosen').length") == 1


def test_sites_after_the_numbered_ones_answer_to_a_click(page: Reader) -> None:
    model = page.model
    ranked = model.sites.dropna(subset=["best_rank"]).sort_values("best_rank")
    assert len(ranked) > 200
    assert len(page.all(".pin")) == 200
    idle = model.sites[model.sites["best_rank"].isna()].iloc[0]
    for site in (ranked.iloc[205], idle):
        page.js("barrierrank.page.panel.close()")
        lon, lat = _degrees(model, site.geometry.x, site.geometry.y)
        page.js(
            "barrierrank.page.map.setView([arguments[1], arguments[0]], 14, { animate: false })", lon, lat
        )
        page.wait_drawn()
        page.click_at(*page.at(site.geometry.x, site.geometry.y))
        assert page.text("#panel-title") == site["name"]
        assert site["site"] in page.text("#panel-kicker")
    assert "No action is listed" in page.panel()


def test_a_mark_is_opened_and_left_by_keys(page: Reader) -> None:
    pin = page.all(".pin")[1]
    assert pin.get_attribute("tabindex") == "0"
    assert pin.get_attribute("role") == "button"
    page.js("arguments[0].focus()", pin)
    page.keys(Keys.ENTER)
    assert page.is_open()
    assert page.focused().get_attribute("id") == "panel-title"
    page.keys(Keys.ESCAPE)
    assert not page.is_open()
    assert page.focused() == pin


def test_way_from_the_receiving_water_names_the_sites_below(page: Reader) -> None:
    model = page.model
    down = dict(zip(model.reaches["reach"], model.reaches["downstream"], strict=True))
    at = dict(zip(model.sites["reach"], model.sites["name"], strict=True))
    ways = {}
    for site, reach in zip(model.sites["site"], model.sites["reach"], strict=True):
        way, r = [], down[reach]
        while not pd.isna(r):
            if r in at:
                way.append(at[r])
            r = down[r]
        ways[site] = way[::-1]
    longest = max(ways, key=lambda s: len(ways[s]))
    assert len(ways[longest]) >= 3
    page.js("barrierrank.page.chooseSite(arguments[0], null)", model.sites["site"].tolist().index(longest))
    assert [b.text for b in page.all("#panel .way button")] == ways[longest]
    page.all("#panel .way button")[0].click()
    assert page.text("#panel-title") == ways[longest][0]


# --- Reaches ---


def test_clicking_a_stream_opens_its_numbers(page: Reader) -> None:
    model = page.model
    feet = np.array([(p.x, p.y) for p in model.sites.geometry])
    middle = model.reaches.geometry.interpolate(0.5, normalized=True)
    free = [np.hypot(*(feet - (p.x, p.y)).T).min() for p in middle]
    reach, spot = model.reaches.iloc[int(np.argmax(free))], middle.iloc[int(np.argmax(free))]
    lon, lat = _degrees(model, spot.x, spot.y)
    page.js("barrierrank.page.map.setView([arguments[1], arguments[0]], 14, { animate: false })", lon, lat)
    page.wait_drawn()
    page.click_at(*page.at(spot.x, spot.y))
    page.wait("return barrierrank.page.panel.isOpen")
    assert page.text("#panel-title") == reach["source_id"]
    text = page.panel()
    assert words.lengths([reach["length_m"]], units="metric")[0] in text
    assert words.lengths([reach["upstream_km"] * 1000], units="metric")[0] in text
    assert f"Stream order\n{reach['strahler']}" in text
    rows = page.all("#panel tbody tr")
    for row, look in zip(rows, model.species, strict=True):
        shown = row.text.replace("\u00a0", " ")
        assert look.label in shown
        access = float(f"{reach[f'access_{look.key}'] * 100:.3g}")
        assert f"{access:g} %" in shown
        assert WORDS[reach[f"state_{look.key}"]] in shown
        habitat = reach[f"habitat_{look.key}"]
        assert words.habitats([habitat], habitat_unit=look.habitat_unit, units="metric")[0] in shown
    page.js("barrierrank.page.map.setView([10, 10], 14, { animate: false })")  # nothing drawn there
    page.click_at(700, 300)
    assert not page.is_open()


# --- The list ---


def test_list_stands_in_the_order_of_rank_and_goes_on(page: Reader) -> None:
    rows = page.all("#rows li")
    assert len(rows) == 100
    wanted = page.model.priority
    assert [r.text.split("\n")[0] for r in rows[:20]] == [str(r) for r in wanted["rank"][:20]]
    page.js("document.getElementById('more').click()")
    assert len(page.all("#rows li")) == 200
    assert page.focused() == page.all("#rows li button")[100]


@pytest.mark.parametrize("column", ["name", "site", "action"])
def test_filter_finds_by_name_id_and_action(page: Reader, column: str) -> None:
    wanted = str(page.model.priority[column].iloc[7])
    piece = wanted[1:].upper()
    page.one("#filter").send_keys(piece)
    hit = page.model.priority[["name", "site", "action"]].apply(
        lambda c: c.str.upper().str.contains(piece, regex=False)
    )
    count = int(hit.any(axis=1).sum())
    page.wait(f"return document.getElementById('rows-note').textContent.startsWith('{count} of ')")
    assert all(piece in t.upper() for t in _row_texts(page, column))


def _row_texts(page: Reader, column: str) -> list[str]:
    model = page.model
    rows = page.js(
        "return [...document.querySelectorAll('#rows button')].map(b => [Number(b.dataset.site), b.innerText])"
    )
    ids = model.sites["site"].tolist()
    return [ids[site] if column == "site" else text for site, text in rows]


def test_filter_that_finds_nothing_says_so(page: Reader) -> None:
    page.one("#filter").send_keys("no such place")
    page.wait("return document.getElementById('rows-note').textContent.startsWith('Nothing matches')")
    assert page.all("#rows li") == []
    page.keys(Keys.ESCAPE)
    assert page.one("#filter").get_attribute("value") == ""
    assert len(page.all("#rows li")) == 100


def test_list_is_worked_by_keys_alone(page: Reader) -> None:
    page.one("#filter").send_keys(Keys.ARROW_DOWN, "")
    page.keys(Keys.ARROW_DOWN)
    row = page.focused()
    assert row == page.all("#rows button")[1]
    page.keys(Keys.ENTER)
    assert page.is_open()
    assert page.text("#panel-title") == page.model.priority["name"].iloc[1]
    assert row.get_attribute("aria-current") == "true"
    page.keys(Keys.ESCAPE)
    assert not page.is_open()
    assert page.focused() == row
    page.keys(Keys.ARROW_UP, Keys.ARROW_UP)
    assert page.focused().get_attribute("id") == "filter"


def test_only_the_best_action_of_each_site(page: Reader) -> None:
    page.one("#best-only").click()
    best = int(page.model.priority["best"].sum())
    assert page.text("#rows-note").startswith(f"{best} of {len(page.model.priority)} actions")


def test_sites_without_actions_can_be_found_in_the_list(page: Reader) -> None:
    idle = page.model.sites[page.model.sites["best_rank"].isna()].iloc[0]
    page.one("#filter").send_keys(idle["site"])
    page.wait("return document.querySelectorAll('#rows li').length === 1")
    assert "no action listed" in page.text("#rows")
    page.one("#rows button").click()
    assert page.text("#panel-title") == idle["name"]


# --- Hostile names ---


def test_hostile_names_do_not_run_and_are_shown_as_written(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel], model_fixture: ModuleType
) -> None:
    model = small_model(hostile=True)
    page = visit(model, "hostile")
    title = page.driver.title
    shown = [b.text for b in page.all("#rows .row-name")]
    for text in model_fixture.HOSTILE:
        assert _plain(text) in {_plain(s) for s in shown}
    for row in range(0, 40, 3):
        page.js("document.querySelectorAll('#rows button')[arguments[0]].click()", row)
    for k in range(len(model.species)):
        page.js("document.querySelectorAll('input[name=\"species\"]')[arguments[0]].click()", k)
    page.js("barrierrank.page.chooseReach(3)")
    page.wait_drawn()
    time.sleep(0.2)
    assert page.driver.title == title
    assert "owned" in title  # the basin's name, as text
    assert title.endswith(": barriers ranked")
    assert page.js("return document.querySelectorAll('body img, svg[onload], b + *[onerror]').length") == 0
    assert _plain(model.basin) == _plain(page.text("h1"))
    severe = [e["message"] for e in page.driver.get_log("browser") if e["level"] == "SEVERE"]
    assert severe == []


def _plain(text: str) -> str:
    return "".join(text.split())


# --- Units, paper, small screens, base maps ---


def test_numbers_are_written_as_elsewhere(page: Reader) -> None:
    values = [
        0,
        0.0004,
        0.5,
        1,
        3.14159,
        99.96,
        999.6,
        1234,
        61000,
        456789,
        1.5e6,
        2.75e9,
        0.3048,
        400,
        1609.344,
    ]
    for units in ("metric", "us"):
        told = page.js(
            "const f = barrierrank.formats(arguments[0], 'USD');"
            "return arguments[1].map(v =>"
            " [f.length(v), f.habitat(v, 'm2'), f.habitat(v, 'units'), f.money(v), f.number(v)])",
            units,
            values,
        )
        wanted = [
            words.lengths(values, units=units),
            words.areas(values, units=units),
            words.habitats(values, habitat_unit="units", units=units),
            words.money(values, currency="USD"),
            words.numbers(values),
        ]
        assert told == [list(t) for t in zip(*wanted, strict=True)]
    shares = page.js(
        "const f = barrierrank.formats('us', null); return arguments[0].map(v => f.share(v))",
        [0, 0.0001, 0.333, 1, None],
    )
    assert [s.replace("\u00a0", " ") for s in shares] == [
        "0 %",
        "under 0.1 %",
        "33.3 %",
        "100 %",
        "not known",
    ]


def test_miles_and_points(visit: Callable[..., Reader], small_model: Callable[..., OutputModel]) -> None:
    model = small_model(units="us", currency=None, receiving=False)
    page = visit(model, "us")
    page.one("#rows button").click()
    text, row = page.panel(), _best_row(model)
    site = model.sites.set_index("site").loc[row["site"]]
    assert words.lengths([site["upstream_km"] * 1000], units="us")[0] in text
    assert words.points([row["benefit"]])[0] in text
    assert "Net benefit" not in text
    assert page.js("return document.querySelector('.leaflet-control-scale-line').textContent").split()[
        -1
    ] in {"mi", "ft"}


@pytest.mark.parametrize("units", ["metric", "us"])
def test_three_digits_of_reaches_are_those_of_the_table(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel], units: Any
) -> None:
    """All reaches: what is kept in the page is rounded, but what people read is not rounded twice."""
    model = small_model(units=units)
    page = visit(model, f"digits_{units}")
    told = page.js(
        "const p = barrierrank.page, s = p.store, f = p.formats;"
        "const names = ['length', 'upstream', 'habitat0', 'habitat2'];"
        "return Promise.all([s.ids(), ...names.map(n => s.numbers(n))]).then(([id, a, b, c, d]) => Array.from("
        " { length: s.n }, (_, i) =>"
        " [id(i), f.length(a(i)), f.length(b(i)), f.habitat(c(i), 'm'), f.habitat(d(i), 'm2')]))"
    )
    told = pd.DataFrame(told).set_index(0).loc[model.reaches["source_id"]]
    for column, values in enumerate(("length_m", "upstream_km", "habitat_lamprey"), start=1):
        metres = model.reaches[values] * (1000 if values == "upstream_km" else 1)
        wanted = words.lengths(metres, units=units)
        big = [w for w in zip(told[column], wanted, strict=True) if not w[1].endswith((" ft", " m"))]
        assert len(big) > 50
        assert [t for t, _ in big] == [w for _, w in big]
    areas = words.areas(model.reaches["habitat_brook_trout"], units=units)
    assert [t for t, w in zip(told[4], areas, strict=True) if "acre" in w] == [
        w for w in areas if "acre" in w
    ]


def test_everything_is_on_the_paper(page: Reader) -> None:
    page.one("#rows button").click()
    page.js(
        "barrierrank.page.map.setZoom(barrierrank.page.map.getZoom() + 1, { animate: false });"
        "window.dispatchEvent(new Event('beforeprint'))"
    )
    tiles = "barrierrank.page.map.getPane('reaches').querySelectorAll('canvas.leaflet-tile')"
    assert page.js(f"return {tiles}.length") > 0
    assert page.js(f"return [...{tiles}].every(t => t.classList.contains('leaflet-tile-loaded'))")
    assert page.js("return document.querySelectorAll('details:not([open])').length") == 0
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        for css in ("#panel", "#rows", ".mapbox", ".about-body"):
            box = page.js(
                "const b = document.querySelector(arguments[0]).getBoundingClientRect(); return [b.width, b.height]",
                css,
            )
            assert min(box) > 50, css
        overflow = page.js("return getComputedStyle(document.querySelector('#panel-body')).overflowY")
        assert overflow == "visible"
    finally:
        page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        page.js("window.dispatchEvent(new Event('afterprint'))")
    assert page.js("return document.querySelector('.about details').open") is False


def test_page_fits_a_phone(page: Reader) -> None:
    metrics = {"width": 390, "height": 800, "deviceScaleFactor": 2, "mobile": True}
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        page.wait("return innerWidth === 390")
        assert page.js("return document.documentElement.scrollWidth") <= 390
        page.js("document.querySelector('#rows button').click()")
        box = page.js(
            "const b = document.getElementById('panel').getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom]"
        )
        assert box[0] == 0
        assert box[2] == pytest.approx(390, abs=1)
        assert box[1] > 200  # the map stays in sight above it
        page.wait("return !barrierrank.page.map._panAnim || !barrierrank.page.map._panAnim._inProgress")
        page.wait_drawn()
        pin = page.js(
            "const b = document.querySelector('.pin-chosen > span').getBoundingClientRect(); return [b.left, b.bottom]"
        )
        assert 0 < pin[0] < 390
        assert pin[1] < box[1]
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_base_maps_fail_quietly_and_only_when_chosen(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel]
) -> None:
    page = visit(small_model(), "online", online_base=True)
    page.one(".bases summary").click()
    assert [u for u in requests_of(page.driver) if u.startswith("http")] == []
    page.one('input[name="base"][value="0"]').click()
    page.wait(
        "return document.getElementById('base-note').textContent.includes('could not be loaded; the map works without')"
    )
    assert any(u.startswith("https://tile.openstreetmap.org/") for u in requests_of(page.driver))
    page.one("#rows button").click()
    assert page.is_open()
    page.one('input[name="base"][value="plain"]').click()
    assert page.text("#base-note") == ""
    page.driver.get_log("browser")


def test_lines_lie_where_the_originals_lie(page: Reader) -> None:
    """First and last vertices, through the page's own projection back to degrees."""
    ids = page.js(
        "const s = barrierrank.page.store; return s.ids().then(id => Array.from({ length: s.n }, (_, i) => id(i)))"
    )
    ends = page.js(
        "const s = barrierrank.page.store, r = s.meta.reaches; return Array.from({ length: s.n }, (_, i) => {"
        " const v = s.first[i + 1] - 1, at = L.point(s.x[v] + r.x0, s.y[v] + r.y0);"
        " const p = L.CRS.EPSG3857.pointToLatLng(at, r.zoom); return [p.lng, p.lat]; })"
    )
    heads = page.model.reaches.set_index("source_id").to_crs("EPSG:4326").geometry
    for source, (lon, lat) in zip(ids, ends, strict=True):
        x, y = heads.loc[source].coords[0][:2]
        assert math.hypot((lon - x) * 111e3 * math.cos(math.radians(y)), (lat - y) * 111e3) < 2.0
