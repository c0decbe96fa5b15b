"""Four ways to a direction, one network: the demo basin by nodes, as drawn, from its outlets, by elevation."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely

from barrierrank.basin import Clock, make_basin
from barrierrank.problems import Problems
from barrierrank.project import load_project

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"


def upstream_of(folder: Path) -> pd.Series[float]:
    """Return the upstream length [m] at the foot of each line of the demo basin or a copy of it."""
    problems = Problems()
    basin = make_basin(load_project(folder / "project.toml", problems), problems, Clock())
    network, lines = basin.built.network, basin.inputs.lines
    return pd.Series(network.upstream_m).groupby(lines.source_id[network.row]).max()


@pytest.fixture(scope="module")
def upstream() -> pd.Series[float]:
    """Return the upstream length [m] at the foot of each line, by the node columns."""
    return upstream_of(DEMO)


class TestDirections:
    """Four ways to a direction, one network."""

    def other(self, tmp_path: Path, direction: str, turned: float) -> Path:
        """Copy the demo with another direction and a share of its lines drawn backwards."""
        for path in (p for p in DEMO.iterdir() if p.suffix in (".csv", ".tif")):
            shutil.copy(path, tmp_path)
        streams = pyogrio.read_dataframe(DEMO / "streams.gpkg", layer="streams")
        with rasterio.open(DEMO / "dem.tif") as dem:
            course = streams.geometry.to_numpy().copy()
            ends = [shapely.get_coordinates(shapely.get_point(course, place)) for place in (0, -1)]
            upper, lower = (np.array([float(v[0]) for v in dem.sample(xy)]) for xy in ends)
        # lines whose ends lie in cells of one height stay as drawn, which is what the rule for level lines is
        back = (np.random.default_rng(3).random(len(streams)) < turned) & ((upper > lower) | (turned > 1.0))
        course[back] = shapely.reverse(course[back])
        streams["z_start"], streams["z_end"] = np.where(back, lower, upper), np.where(back, upper, lower)
        streams = streams.set_geometry(course, crs=streams.crs).drop(columns=["from_node", "to_node"])
        streams.to_file(tmp_path / "streams.gpkg", layer="streams")
        lake = pyogrio.read_dataframe(DEMO / "streams.gpkg", layer="lake")
        lake.to_file(tmp_path / "streams.gpkg", layer="lake", mode="a")
        text = (DEMO / "project.toml").read_text(encoding="utf-8")
        text, found = re.subn(r'^direction = "nodes".*$', direction, text, flags=re.MULTILINE)
        assert found == 1
        for line in ('from_node = "from_node"\n', 'to_node = "to_node"\n'):
            assert line in text
            text = text.replace(line, "")
        (tmp_path / "project.toml").write_text(text, encoding="utf-8")
        return tmp_path

    def test_as_drawn(self, upstream: pd.Series[float], tmp_path: Path) -> None:
        found = upstream_of(self.other(tmp_path, 'direction = "digitised"', 0.0))
        pd.testing.assert_series_equal(found, upstream, check_exact=False, rtol=1e-9)

    def test_drawn_upstream_throughout(self, upstream: pd.Series[float], tmp_path: Path) -> None:
        found = upstream_of(self.other(tmp_path, 'direction = "digitised"', 1.1))
        pd.testing.assert_series_equal(found, upstream, check_exact=False, rtol=1e-9)

    def test_from_outlets(self, upstream: pd.Series[float], tmp_path: Path) -> None:
        found = upstream_of(self.other(tmp_path, 'direction = "outlets"', 0.4))
        pd.testing.assert_series_equal(found, upstream, check_exact=False, rtol=1e-9)

    def test_by_elevation(self, upstream: pd.Series[float], tmp_path: Path) -> None:
        elevation = 'direction = "elevation"\nstart_elevation = "z_start"\nend_elevation = "z_end"'
        found = upstream_of(self.other(tmp_path, elevation, 0.4))
        pd.testing.assert_series_equal(found, upstream, check_exact=False, rtol=1e-9)
