"""Tables as the readers hand them over, made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.outlets import OutletTable
from barrierrank.inputs.sites import SiteTable


def lines_of(courses: list[Any], **given: Any) -> LineTable:
    """Make a table of lines from lists of points, shapely geometries or None; ids are 1, 2, 3, ..."""
    n = len(courses)
    geometry = np.empty(n, dtype=object)
    for i, course in enumerate(courses):
        geometry[i] = shapely.LineString(course) if isinstance(course, list) else course
    off = np.zeros(n, dtype=np.bool_)
    whole: dict[str, Any] = {
        "label": "streams.gpkg", "geometry": geometry, "row": np.arange(1, n + 1),
        "source_id": np.array([str(i + 1) for i in range(n)], dtype=object), "from_node": None, "to_node": None,
        "minor": off, "leave_out": off, "turned": off, "length_m": None, "name": None, "drainage_area_km2": None,
        "discharge_m3s": None, "width_m": None, "elevation_start": None, "elevation_end": None, "amounts": {},
    }  # fmt: skip
    for key, value in given.items():
        whole[key] = np.asarray(value) if isinstance(value, list) else value
    return LineTable(**whole)


def sites_at(places: list[tuple[float, float]], **given: Any) -> SiteTable:
    """Make a table of sites A, B, C, ... at the given places, for one species."""
    n = len(places)
    xy = np.array(places, dtype=np.float64).reshape(n, 2)
    text = np.full(n, "", dtype=object)
    whole: dict[str, Any] = {
        "label": "sites.csv", "row": np.arange(2, n + 2),
        "site": np.array([chr(65 + i) for i in range(n)], dtype=object), "name": text, "kind": text,
        "x": xy[:, 0].copy(), "y": xy[:, 1].copy(), "stream": None, "drainage_area_km2": None,
        "failure_probability": np.zeros(n), "passability": np.full((n, 1), 0.5),
        "passability_down": np.ones((n, 1)), "table": pd.DataFrame(index=range(n)),
    }  # fmt: skip
    for key, value in given.items():
        whole[key] = np.asarray(value) if isinstance(value, list) else value
    return SiteTable(**whole)


def outlets_of(**given: Any) -> OutletTable:
    """Make a table of outlets from `points`, `polygons`, `lines`."""
    polygons = np.array(given.get("polygons", []), dtype=object)
    points = np.array(given.get("points", []), dtype=np.float64).reshape(-1, 2)
    return OutletTable(
        "project.toml", points, polygons, tuple(given.get("lines", ())), given.get("tolerance_m", 30.0)
    )
