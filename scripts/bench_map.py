"""Measure the interactive map in headless Chromium: page, drawing, panning, zooming, memory, requests.

    python scripts/bench_map.py [--reaches 50000 200000] [--keep FOLDER]

The basin is the invented one of the tests of outputs: reaches of about 2.1 km with 33 vertices, 0.75 km of
stream per km2, four species, a site on every 25th reach. Drawing times run until the frame after the last tile
is on the screen.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from barrierrank.outputs.map import write_map

ROOT = Path(__file__).resolve().parents[1]
FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1400,900",
]
TARGETS = {
    50_000: {"page_mb": 3, "draw_s": 1, "pan_ms": 100, "zoom_ms": 300, "heap_mb": 40},
    200_000: {"page_mb": 8, "draw_s": 2, "pan_ms": 150, "zoom_ms": 700, "heap_mb": 60},
}
STEPS = ((900, 0), (0, 700), (-1800, 0), (0, -1400), (900, 0), (0, 700))  # pixels; most leave the tiles drawn
# Run `change`, then wait until no tile waits and two frames have passed; give the milliseconds.
TIMED = """
const done = arguments[arguments.length - 1], page = barrierrank.page, map = page.map;
const start = performance.now();
(function () { %s })();
(function wait() {
  if (page.reaches._waiting.length) return setTimeout(wait, 1);
  requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start)));
})();
"""
DRAWN = """
const done = arguments[arguments.length - 1];
(function wait() {
  const ready = document.documentElement.dataset.ready && !barrierrank.page.reaches._waiting.length;
  if (!ready) return setTimeout(wait, 5);
  requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now())));
})();
"""


def fixture() -> ModuleType:
    """Load the builder of the invented basin."""
    spec = importlib.util.spec_from_file_location("model_fixture", ROOT / "tests/outputs/model_fixture.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["model_fixture"] = module
    spec.loader.exec_module(module)
    return module


def browser() -> webdriver.Chrome:
    """Start headless Chromium that keeps a log of requests."""
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    driver.set_script_timeout(60)
    return driver


def measure(driver: webdriver.Chrome, path: Path) -> dict[str, float]:
    """Measure one page."""
    driver.get_log("performance")
    driver.get(path.as_uri())
    drawn = driver.execute_async_script(DRAWN)

    def timed(change: str) -> float:
        driver.execute_async_script(TIMED % "")
        return float(driver.execute_async_script(TIMED % change))

    zoom = "map.setZoom(map.getZoom() + %g, { animate: false });"
    pan = "map.panBy([%d, %d], { animate: false });"
    zooms = [timed(zoom % d) for d in (1, 1, -1, -1, 0.5, -0.5)]
    pans = {}
    for nearer in (1, 2, 3):
        timed("map.fitBounds(page.meta.bounds, { animate: false });")
        timed(zoom % nearer)
        pans[nearer] = [timed(pan % step) for step in STEPS]
    species = [timed(f"page.showSpecies({k});") for k in (1, 2, 0)]
    driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    heap = driver.execute_cdp_cmd("Runtime.getHeapUsage", {})
    return {
        "page_mb": path.stat().st_size / 1e6,
        "draw_s": drawn / 1000,
        "pan_ms": statistics.median(pans[2]),
        "pan_ms_most": max(max(p) for p in pans.values()),
        "zoom_ms": statistics.median(zooms),
        "zoom_ms_most": max(zooms),
        "species_ms": statistics.median(species),
        "heap_mb": heap["usedSize"] / 1e6,
        "arrays_mb": heap.get("backingStorageSize", 0) / 1e6,
        "requests": len(requests(driver, path)),
        "severe": sum(entry["level"] == "SEVERE" for entry in driver.get_log("browser")),
    }


def requests(driver: webdriver.Chrome, path: Path) -> list[str]:
    """Return what was asked for besides the file and pictures inside it."""
    log = driver.get_log("performance")
    events: list[dict[str, Any]] = [json.loads(entry["message"])["message"] for entry in log]
    urls = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    return [u for u in urls if u != path.as_uri() and not u.startswith(("data:", "blob:"))]


def main() -> None:
    """Print one line of figures for each size, with the targets beside them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reaches", type=int, nargs="+", default=[50_000, 200_000])
    parser.add_argument("--keep", type=Path, help="folder to leave the pages in")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        for n in given.reaches:
            path = (folder / f"map_{n}.html").resolve()
            model = fixture().small_model(n_reaches=n, n_sites=n // 25)
            start = time.perf_counter()
            write_map(path, model)
            print(f"{n:,} reaches, written in {time.perf_counter() - start:.1f} s")
            driver = browser()
            try:
                for name, value in measure(driver, path).items():
                    target = TARGETS.get(n, {}).get(name)
                    print(f"  {name:14}{value:10.2f}" + (f"   target {target}" if target else ""))
            finally:
                driver.quit()


if __name__ == "__main__":
    main()
