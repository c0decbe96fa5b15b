"""The map page in a real browser with the network off: drawing, choosing, filtering, keys."""

from __future__ import annotations

import io
import time

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from selenium.webdriver.common.keys import Keys
from support.map_browser import COLOURS, WORDS, Reader, best_row, degrees, requests_of

from barrierrank.ranking import words

pytestmark = pytest.mark.browser


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


def test_clicking_a_numbered_site_opens_its_numbers(page: Reader) -> None:
    model, row = page.model, best_row(page.model)
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
        lon, lat = degrees(model, site.geometry.x, site.geometry.y)
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
    lon, lat = degrees(model, spot.x, spot.y)
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
