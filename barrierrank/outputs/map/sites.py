"""Sites and their actions as columns of JSON: what the list, the marks and the panel show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from barrierrank.outputs.map.encode import plain
from barrierrank.outputs.map.lines import Lines, to_web
from barrierrank.outputs.model import OutputModel

PURPOSES = ("keep out", "let through", "both", "neither")
DIGITS = 3  # of amounts and money, in the units people read: what they are shown


def site_columns(model: OutputModel, lines: Lines, scales: Mapping[str, float]) -> dict[str, list[Any]]:
    """Return a list per column, sites in the order of their table.

    ``reach`` is the reach's place among the drawn lines, -1 where it has none; ``lon`` and ``lat`` are in
    1e-5 degrees. Amounts are divided by `scales`, of :func:`~barrierrank.outputs.map.reach_layer.unit_scales`.
    """
    sites = model.sites
    web = to_web(shapely.get_coordinates(np.asarray(sites.geometry.array, dtype=object)), sites.crs)
    degrees = np.round(lines.plane.degrees(web) * 1e5).astype(np.int64)
    columns: dict[str, list[Any]] = {
        "id": _texts(sites["site"]),
        "name": _texts(sites["name"]),
        "kind": _texts(sites["kind"]),
        "lon": degrees[:, 0].tolist(),
        "lat": degrees[:, 1].tolist(),
        "reach": _places(model, lines).tolist(),
        "snap": _numbers(sites["snap_m"]),
        "upstream": _numbers(sites["upstream_km"] * 1000 / scales["upstream"]),
        "rank": [None if pd.isna(r) else int(r) for r in sites["best_rank"]],
    }
    for k, look in enumerate(model.species):
        columns[f"passability{k}"] = _numbers(sites[f"passability_{look.key}"])
        columns[f"above{k}"] = _numbers(sites[f"habitat_above_{look.key}"] / scales[f"habitat{k}"])
        columns[f"next{k}"] = _numbers(sites[f"habitat_to_next_{look.key}"] / scales[f"habitat{k}"])
        columns[f"blocked{k}"] = _numbers(sites[f"blocked_{look.key}"] / scales[f"habitat{k}"])
    return columns


def action_columns(model: OutputModel, scales: Mapping[str, float]) -> dict[str, list[Any]]:
    """Return a list per column of the priority list, in its order.

    ``site`` is the place in the table of sites; ``worth`` tells whether benefits exceed cost (net benefit
    above 0; where values are points, benefit above 0). ``after`` is passability once the action is done.

    Raises
    ------
    ValueError
        Where a row names a site that is not in the table of sites, or a purpose that is not known.
    """
    rows = model.priority
    site = pd.Index(model.sites["site"].astype(str)).get_indexer(pd.Index(rows["site"].astype(str)))
    if (site < 0).any():
        missing = rows["site"][site < 0].astype(str).unique()[:5]
        raise ValueError(
            f"the priority list names sites that are not in the table of sites: {', '.join(missing)}."
        )
    purpose = pd.Index(PURPOSES).get_indexer(pd.Index(rows["purpose"].astype(str)))
    if (purpose < 0).any():
        raise ValueError(
            f"purposes are {', '.join(PURPOSES)}; given: {rows['purpose'][purpose < 0].iloc[0]!r}."
        )
    net, benefit = rows["net_benefit"].astype(float), rows["benefit"].astype(float)
    columns: dict[str, list[Any]] = {
        "site": site.tolist(),
        "rank": rows["rank"].astype(int).tolist(),
        "action": _texts(rows["action"]),
        "purpose": purpose.tolist(),
        "cost": _numbers(rows["cost"]),
        "present_worth_cost": _numbers(rows["present_worth_cost"]),
        "saved": _numbers(rows["treatment_saved"]),
        "benefit": _numbers(benefit),
        "net": _numbers(net),
        "per_cost": _numbers(rows["benefit_per_cost"]),
        "best": rows["best"].astype(int).tolist(),
        "worth": (net.where(net.notna(), benefit) > 0).astype(int).tolist(),
        "why": _texts(rows["why"]),
    }
    for k, look in enumerate(model.species):
        columns[f"gain{k}"] = _numbers(rows[f"gain_{look.key}"] / scales[f"habitat{k}"])
        if f"passability_{look.key}" in rows:
            columns[f"after{k}"] = _numbers(rows[f"passability_{look.key}"])
    return columns


def water_rings(
    receiving: gpd.GeoDataFrame | None, lines: Lines, *, most: int = 20_000
) -> list[list[list[list[int]]]]:
    """Return polygons of the receiving water as rings of [lon, lat] in 1e-5 degrees, outer ring first.

    Simplified from the lines' own tolerance up until no more than `most` vertices are left.
    """
    if receiving is None:
        return []
    shapes = np.asarray(receiving.geometry.explode(index_parts=False).array, dtype=object)
    shapes = shapes[shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON]
    tolerance = lines.tolerance_m
    simple = shapely.simplify(shapes, tolerance, preserve_topology=True)
    while shapely.get_num_coordinates(simple).sum() > most and tolerance < 1e5:
        tolerance *= 2
        simple = shapely.simplify(shapes, tolerance, preserve_topology=True)
    out = []
    for shape in simple[~shapely.is_empty(simple)]:
        rings = shapely.get_rings(shape)
        webs = [to_web(shapely.get_coordinates(ring), receiving.crs) for ring in rings]
        out.append([np.round(lines.plane.degrees(w) * 1e5).astype(np.int64).tolist() for w in webs])
    return out


def _places(model: OutputModel, lines: Lines) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Return where each site's reach stands among the drawn lines; -1 where it has none."""
    drawn = pd.Index(model.reaches["reach"].to_numpy()[lines.order])
    return np.asarray(drawn.get_indexer(model.sites["reach"].to_numpy()), dtype=np.int64)


def _texts(column: pd.Series[Any]) -> list[str]:
    return ["" if pd.isna(t) else str(t) for t in column]


def _numbers(column: pd.Series[Any]) -> list[float | int | None]:
    return [plain(v, DIGITS) for v in column.to_numpy(dtype=np.float64, na_value=np.nan)]
