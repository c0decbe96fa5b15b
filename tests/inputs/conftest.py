"""A small sound project on disk that each test spoils in one way."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from shapely import LineString, Point

from barrierrank.problems import Problems
from barrierrank.project import Project, load_project

PROJECT = """\
[basin]
name = "Example basin"
crs = "EPSG:32616"

[hydrography]
path = "streams.gpkg"
id = "line_id"
direction = "nodes"
from_node = "a"
to_node = "b"

[sites]
path = "sites.csv"
id = "site"
name = "name"
x = "x"
y = "y"
crs = "EPSG:32616"

[ratings]
none = 0.0
poor = 0.25

[species.lamprey]
role = "invasive"
value = -1.0
passability = "p_lamprey"

[species.walleye]
role = "native"
value = 0.4
passability = "p_walleye"

[actions]
path = "actions.csv"

[money]
currency = "USD"
discount_rate = 0.03
horizon_years = 30
"""
SITES = """\
site,name,x,y,p_lamprey,p_walleye,built
D1,Lower weir,500500,4600000,0.1,poor,1950
D2,Upper weir,501500,4600000,0.2,0.5,1960
"""
ACTIONS = """\
site,action,cost,upkeep,life_years,failure_probability,passability_lamprey,passability_walleye,note
D1,raise,100000,1000,30,0.01,0,0,
D2,remove,50000,0,,0,1,1,brown fields below
"""


class Case:
    """Files of one project in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.text = PROJECT
        self.problems = Problems()
        self.write("sites.csv", SITES)
        self.write("actions.csv", ACTIONS)
        self.lines({})

    def write(self, name: str, content: str | bytes) -> Path:
        """Write one file of the project."""
        path = self.folder / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def lines(
        self,
        columns: Mapping[str, Any],
        geometry: list[Any] | None = None,
        *,
        crs: Any = "EPSG:32616",
        name: str = "streams.gpkg",
        **options: Any,
    ) -> Path:
        """Write the lines: two reaches in a row, 1 km each, unless told otherwise; None drops a column."""
        if geometry is None:
            start, middle, end = (500000, 4600000), (501000, 4600000), (502000, 4600000)
            geometry = [LineString([end, middle]), LineString([middle, start])]
        n = len(geometry)
        data = {"line_id": range(1, n + 1), "a": range(n), "b": range(1, n + 1)} | dict(columns)
        frame = gpd.GeoDataFrame({k: v for k, v in data.items() if v is not None}, geometry=geometry, crs=crs)
        path = self.folder / name
        path.unlink(missing_ok=True)
        frame.to_file(path, engine="pyogrio", **options)
        return path

    def points(
        self, columns: Mapping[str, Any], xy: list[tuple[float, float]], name: str, **options: Any
    ) -> Path:
        """Write a layer of points."""
        frame = gpd.GeoDataFrame(dict(columns), geometry=[Point(p) for p in xy], crs="EPSG:32616")
        frame.to_file(self.folder / name, engine="pyogrio", **options)
        return self.folder / name

    def edit(self, old: str, new: str) -> Case:
        """Replace a piece of the project file that must be there."""
        assert old in self.text, old
        self.text = self.text.replace(old, new)
        return self

    def load(self) -> Project:
        """Write the project file and load it."""
        self.problems = Problems()
        return load_project(self.write("project.toml", self.text), self.problems)

    def told(self, severity: str, kind: str) -> str:
        """Return the lines of the problems of one kind, which must be there."""
        lines = [p.line() for p in self.problems if p.severity == severity and p.kind == kind]
        assert lines, [p.line() for p in self.problems]
        return "\n".join(lines)


@pytest.fixture
def case(tmp_path: Path) -> Case:
    """Return a sound project to spoil."""
    return Case(tmp_path)
