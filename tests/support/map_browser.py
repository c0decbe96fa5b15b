"""A browser at the map page, and what tests ask of it."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import Any

import pandas as pd
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from barrierrank.outputs.model import OutputModel

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
        lon, lat = degrees(self.model, x, y)
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


def degrees(model: OutputModel, x: float, y: float) -> tuple[float, float]:
    point = model.sites.iloc[:1].set_geometry(
        model.sites.iloc[:1].geometry.affine_transform([0, 0, 0, 0, x, y])
    )
    found = point.to_crs("EPSG:4326").geometry.iloc[0]
    return found.x, found.y


def best_row(model: OutputModel) -> pd.Series:
    return model.priority.iloc[0]


def requests_of(driver: webdriver.Chrome) -> list[str]:
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
