"""The map page in a real browser: hostile names, units, paper, small screens, base maps."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from support.map_browser import Reader, best_row, requests_of

from barrierrank.outputs.model import OutputModel
from barrierrank.ranking import words

pytestmark = pytest.mark.browser


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
    text, row = page.panel(), best_row(model)
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


def test_a_site_off_the_network_is_told_as_such(
    visit: Callable[..., Reader], small_model: Callable[..., OutputModel]
) -> None:
    model = small_model()
    assert "on no stream line" not in visit(model, "all_on").text("#legend")
    place = int(np.flatnonzero(model.sites["best_rank"].isna())[0])
    off = [c for c in model.sites if c in {"snap_m", "reach", "upstream_km"} or c.startswith(("habitat_", "blocked_"))]
    model.sites.loc[place, off] = np.nan
    model.sites.loc[place, "kind"] = ""
    page = visit(model, "off")
    assert "on no stream line" in page.text("#legend")
    page.js("barrierrank.page.chooseSite(arguments[0], null)", place)
    assert page.text("#panel-kicker") == f"site {model.sites['site'].iloc[place]}"
    assert "No stream line is near enough to this site" in page.panel()
    assert page.js("return barrierrank.page.sites._marks.filter(m => m.kind === 'off').length") == 1
