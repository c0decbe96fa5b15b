"""A small sound project on disk, whole from streams to money, that each test spoils or changes in one way."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely import LineString

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
width = "width_m"
discharge = "q_m3s"
drainage_area = "area_km2"

[sites]
path = "sites.csv"
id = "site"
name = "name"
kind = "kind"
x = "x"
y = "y"
crs = "EPSG:32616"
failure_probability = "q"

[ratings]
none = 0.0
poor = 0.25

[species.lamprey]
role = "invasive"
label = "Sea lamprey"
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
site,name,kind,x,y,q,p_lamprey,p_walleye
D1,Lower weir,weir,500500,4600000,0.02,0.6,0.3
D2,Upper weir,weir,501500,4600250,0,0.2,poor
D3,Head culvert,culvert,502500,4600500,0,none,none
"""
ACTIONS = """\
site,action,cost,upkeep,life_years,failure_probability,passability_lamprey,passability_walleye,note
D1,raise,1000,10,30,0.001,0,0.2,
D1,remove,500,0,,0,1,1,brown fields below
D2,remove,600,0,,0,1,1,
D3,replace,400,0,50,0,0.9,0.9,
"""
# A river (1) with two branches (2 and 3), the first of them drawn in two lines (2 and 4); all drawn downstream.
COURSES = (
    ((501000, 4600000), (500000, 4600000)),
    ((502000, 4600500), (501000, 4600000)),
    ((502000, 4599500), (501000, 4600000)),
    ((503000, 4600500), (502000, 4600500)),
)


class SmallBasin:
    """Files of one project in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.text = PROJECT
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
        """Write the lines, those of :data:`COURSES` unless told otherwise; a column of None is left out."""
        if geometry is None:
            geometry = [LineString(c) for c in COURSES]
        n = len(geometry)
        start, end = ([1, 2, 3, 4], [0, 1, 1, 2]) if n == 4 else (list(range(1, n + 1)), list(range(n)))
        data: dict[str, Any] = {
            "line_id": range(1, n + 1), "a": start, "b": end, "width_m": 5.0, "q_m3s": 0.5, "area_km2": 10.0,
        } | dict(columns)  # fmt: skip
        frame = gpd.GeoDataFrame({k: v for k, v in data.items() if v is not None}, geometry=geometry, crs=crs)
        path = self.folder / name
        path.unlink(missing_ok=True)
        frame.to_file(path, engine="pyogrio", **options)
        return path

    def edit(self, old: str, new: str) -> SmallBasin:
        """Replace a piece of the project file that must be there."""
        assert old in self.text, old
        self.text = self.text.replace(old, new)
        return self

    def change(self, name: str, old: str, new: str) -> SmallBasin:
        """Replace a piece of another text file of the project that must be there."""
        text = (self.folder / name).read_text(encoding="utf-8")
        assert old in text, old
        self.write(name, text.replace(old, new))
        return self

    @property
    def project(self) -> str:
        """Write the project file; its path as a word of the command line."""
        return str(self.write("project.toml", self.text))

    @property
    def out(self) -> Path:
        """Folder for results, beside the data."""
        return self.folder / "results"
