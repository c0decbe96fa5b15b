"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from support.command import Ranked, run

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # begun in the background, where shells turn Ctrl-C off
    signal.signal(signal.SIGINT, signal.default_int_handler)  # what tests start must hear it


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Have all that looks at the demo run by the same worker: it takes a minute to make."""
    for item in items:
        if "demo" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.xdist_group("demo"))


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of open data; absent, tests skip, or fail with BARRIERRANK_REQUIRE_REAL_DATA=1."""
    default = Path(__file__).resolve().parents[1] / ".." / "shared" / "data"
    folder = Path(os.environ.get("BARRIERRANK_REAL_DATA", default)).resolve()
    if not (folder / "hydrography").is_dir():
        reason = f"the folder of open data is not there (BARRIERRANK_REAL_DATA, looked for {folder})"
        if os.environ.get("BARRIERRANK_REQUIRE_REAL_DATA") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return folder


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Ranked:
    """Rank the demo basin, and plan for it, once for all tests."""
    folder = tmp_path_factory.mktemp("demo") / "results"
    return Ranked(folder, run("demo", "--out", folder))
