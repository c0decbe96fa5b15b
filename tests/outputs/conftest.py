"""Shared by the tests of outputs: `small_model` builds finished results of an invented basin."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from support.map_browser import FLAGS, Reader

from barrierrank.outputs.map import write_map
from barrierrank.outputs.model import OutputModel


def _load() -> ModuleType:
    """Import the builder beside this file by its path: tests are no package."""
    name = "outputs_model_fixture"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("model_fixture.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def model_fixture() -> ModuleType:
    """The whole module: `small_model`, `HOSTILE`, `SPECIES`."""
    return _load()


@pytest.fixture(scope="session")
def small_model(model_fixture: ModuleType) -> Callable[..., OutputModel]:
    """The builder: ``small_model(seed=1, n_reaches=300, n_sites=40, hostile=False, units=..., ...)``."""
    builder: Callable[..., OutputModel] = model_fixture.small_model
    return builder


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
