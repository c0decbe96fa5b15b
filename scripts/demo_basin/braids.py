"""Islands and a delta arm: places where the stream parts, which routing down a terrain alone never gives."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy import ndimage
from shapely import LineString, Point, Polygon
from shapely.ops import substring

from .settings import Grid
from .streams import cut_at_shore, hydraulic_columns

MAIN, MINOR = 1, 2


@dataclass(frozen=True)
class Arm:
    """A side arm between two split points of a link, by their number; `offset_m` > 0 lies to the left."""

    part: int
    meet: int
    offset_m: float
    share: float  # of the flow


@dataclass(frozen=True)
class Braid:
    """How one link is split: at `cuts` (shares of its length, rising), with arms between the cuts."""

    river: int
    cuts: tuple[float, ...]
    arms: tuple[Arm, ...]
    shortest_m: float


BRAIDS = (
    Braid(0, (0.15, 0.45, 0.85), (Arm(0, 2, 150.0, 0.20), Arm(1, 2, -110.0, 0.12)), 1300.0),
    Braid(1, (0.25, 0.75), (Arm(0, 1, -120.0, 0.25),), 900.0),
    Braid(3, (0.30, 0.70), (Arm(0, 1, 110.0, 0.30),), 700.0),
)
DELTA_RIVER = 2


def add_braids(table: gpd.GeoDataFrame, lake: Polygon) -> gpd.GeoDataFrame:
    """Return `table` with the arms of `BRAIDS` added and one river parting at its mouth."""
    for braid in BRAIDS:
        table = _add_island(table, braid, lake)
    return hydraulic_columns(_add_delta(table, lake))


def carve_arms(z: np.ndarray, table: gpd.GeoDataFrame, grid: Grid) -> np.ndarray:
    """Return elevations [m] with the arms and the links they leave sunk, falling evenly."""
    z = z.copy()
    for row in table[table["whole_up"].notna()].itertuples():
        line = row.geometry
        at = np.linspace(0.0, 1.0, max(3, round(line.length / 8.0)))
        cells = grid.cells(np.array([line.interpolate(t, normalized=True).coords[0] for t in at]))
        fall = row.z_up + at * (row.z_down - row.z_up) - (row.whole_up - row.bed_up)
        z[cells] = np.minimum(z[cells], fall)
    return z


def mark_beds(table: gpd.GeoDataFrame, z: np.ndarray, grid: Grid) -> gpd.GeoDataFrame:
    """Return `table` with `bed_up`, the carved elevation [m] at the head of each link."""
    heads = np.array([g.coords[0] for g in table.geometry])
    return table.assign(bed_up=z[grid.cells(heads)], whole_up=np.nan)


def _add_island(table: gpd.GeoDataFrame, braid: Braid, lake: Polygon) -> gpd.GeoDataFrame:
    """Split the lowest link of the river's main stem that has room for the arms."""
    stem = table[table["river"] == braid.river]
    stem = stem[(stem["stream"] == stem["stream"].iloc[0]) & (stem.length >= braid.shortest_m)]
    for i, shift, side in product(stem.index, (0.0, 0.04, -0.04, 0.08, -0.08), (1.0, -1.0)):
        line = table.geometry[i]
        cuts = tuple(c + shift for c in braid.cuts)
        arms = [_side_arm(line, cuts[a.part], cuts[a.meet], side * a.offset_m) for a in braid.arms]
        if _clear(arms, table, i, lake):
            return _split(table, i, cuts, [*zip(braid.arms, arms, strict=True)])
    raise ValueError(f"no room for a braid on river {braid.river}")


def _side_arm(line: LineString, start: float, end: float, offset_m: float) -> LineString:
    """Return an arm beside `line` from `start` to `end` (shares of its length), with the same ends."""
    reach = substring(line, start, end, normalized=True)
    at = np.linspace(0.0, 1.0, max(8, round(reach.length / 8.0)))
    xy = np.array([reach.interpolate(t, normalized=True).coords[0] for t in at])
    soft = np.column_stack([ndimage.gaussian_filter1d(xy[:, k], 12.0, mode="nearest") for k in (0, 1)])
    along = np.gradient(soft, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(along[:, 0], along[:, 1])[:, None]
    swell = np.sin(np.pi * at) ** 0.7
    ripple = 1.0 + 0.12 * np.sin(at * 17.0)
    blend = np.minimum(1.0, 3.0 * swell)[:, None]  # from the line itself at the ends to its smoothed course
    out = (1.0 - blend) * xy + blend * soft + normal * (offset_m * swell * ripple)[:, None]
    out[[0, -1]] = xy[[0, -1]]
    return LineString(np.round(out, 1)).simplify(1.0)


def _clear(arms: list[LineString], table: gpd.GeoDataFrame, own: int, lake: Polygon) -> bool:
    """Tell whether the arms are simple, meet their link at their ends only and stay off everything else."""
    line = table.geometry[own]
    others = table.geometry.drop(index=own)
    for k, arm in enumerate(arms):
        middle = substring(arm, 0.12, 0.88, normalized=True)
        if not arm.is_simple or arm.distance(lake) < 60.0 or middle.distance(line) < 35.0:
            return False
        ends = arm.boundary.buffer(2.0)
        if not ends.contains(arm.intersection(line)):
            return False
        if others.distance(arm).min() < 60.0:
            return False
        if any(substring(o, 0.05, 0.95, normalized=True).distance(middle) < 30.0 for o in arms[:k]):
            return False
    return True


def _split(
    table: gpd.GeoDataFrame, i: int, cuts: tuple[float, ...], arms: list[tuple[Arm, LineString]]
) -> gpd.GeoDataFrame:
    """Return `table` with link `i` cut into pieces and the arms put beside them."""
    row = table.loc[i]
    line = row.geometry
    points = [Point(np.round(line.interpolate(t, normalized=True).coords[0], 1)) for t in cuts]
    stops = (0.0, *cuts, 1.0)
    node = int(table[["from_node", "to_node"]].to_numpy().max())
    nodes = [row["from_node"], *(node + 1 + k for k in range(len(cuts))), row["to_node"]]
    fresh = int(table["line_id"].max())
    pieces = []
    for k, (start, end) in enumerate(pairwise(stops)):
        piece = substring(line, start, end, normalized=True)
        xy = [*piece.coords]
        xy[0] = points[k - 1].coords[0] if k else xy[0]
        xy[-1] = points[k].coords[0] if k < len(cuts) else xy[-1]
        taken = sum(a.share for a, _ in arms if a.part < k <= a.meet)
        parts = any(a.part == k - 1 for a, _ in arms)
        new = _piece(row, LineString(xy), start, end)
        new.update(from_node=nodes[k], to_node=nodes[k + 1], area_km2=row["area_km2"] * (1.0 - taken))
        new["divergence"] = MAIN if parts else 0
        new["line_id"] = row["line_id"] if k == len(cuts) else (fresh := fresh + 1)
        pieces.append(new)
    for arm, path in arms:
        xy = [points[arm.part].coords[0], *path.coords[1:-1], points[arm.meet].coords[0]]
        new = _piece(row, LineString(xy), cuts[arm.part], cuts[arm.meet])
        new.update(from_node=nodes[arm.part + 1], to_node=nodes[arm.meet + 1], divergence=MINOR)
        new.update(area_km2=row["area_km2"] * arm.share, line_id=(fresh := fresh + 1))
        pieces.append(new)
    return _put_in_place_of(table, i, pieces)


def _piece(row: pd.Series, line: LineString, start: float, end: float) -> dict[str, object]:
    """Return the values of a part of a link between two shares of its length."""
    fall = row["z_up"] - row["z_down"]
    new = row.to_dict()
    new.update(geometry=line, length_km=line.length / 1000.0, whole_up=row["z_up"])
    new.update(z_up=row["z_up"] - start * fall, z_down=row["z_up"] - end * fall)
    return new


def _put_in_place_of(table: gpd.GeoDataFrame, i: int, pieces: list[dict[str, object]]) -> gpd.GeoDataFrame:
    """Return `table` with row `i` replaced by `pieces`, the rest in the old order."""
    new = gpd.GeoDataFrame(pieces, crs=table.crs)[list(table.columns)].astype(table.dtypes.drop("geometry"))
    return pd.concat([table.loc[: i - 1], new, table.loc[i + 1 :]], ignore_index=True)


def _add_delta(table: gpd.GeoDataFrame, lake: Polygon) -> gpd.GeoDataFrame:
    """Return `table` with a minor arm that leaves `DELTA_RIVER` near its mouth and finds the lake itself."""
    i = table.index[table["river"] == DELTA_RIVER][0]
    row = table.loc[i]
    line = row.geometry
    others = table.geometry.drop(index=i)
    for back in (350.0, 450.0, 550.0, 650.0):
        cut = max(0.1, 1.0 - back / line.length)
        start = np.array(line.interpolate(cut, normalized=True).coords[0])
        ahead = np.array(line.coords[-1]) - start
        for degrees in (30.0, -30.0, 45.0, -45.0, 60.0, -60.0):
            path = _bent_path(start, ahead, degrees)
            if not path.intersects(lake):
                continue
            path = cut_at_shore(path, lake)
            apart = Point(path.coords[-1]).distance(line)
            if path.length < 1.8 * back and apart > 140.0 and others.distance(path).min() > 60.0:
                return _split_delta(table, i, cut, path)
    raise ValueError("no room for a delta arm")


def _bent_path(start: np.ndarray, ahead: np.ndarray, degrees: float) -> LineString:
    """Return a gently winding path that leaves at `degrees` from the way ahead, long enough to overshoot."""
    turn = np.deg2rad(degrees)
    way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ (ahead / np.hypot(*ahead))
    side = np.array([-way[1], way[0]])
    s = np.arange(0.0, 1400.0, 20.0)
    bend = 18.0 * np.sin(s / 70.0) * np.minimum(1.0, s / 100.0)
    return LineString(np.round(start + s[:, None] * way + bend[:, None] * side, 1))


def _split_delta(table: gpd.GeoDataFrame, i: int, cut: float, path: LineString) -> gpd.GeoDataFrame:
    """Return `table` with link `i` parted at `cut`; its lower piece is the main arm, `path` the minor one."""
    share = 0.18
    row = table.loc[i]
    table = _split(table, i, (cut,), [])
    upper, lower = table.index[i], table.index[i + 1]
    table.loc[lower, ["divergence", "area_km2"]] = [MAIN, row["area_km2"] * (1.0 - share)]
    new = table.loc[lower].to_dict()
    xy = [table.geometry[upper].coords[-1], *path.coords[1:]]
    new.update(geometry=LineString(xy), length_km=LineString(xy).length / 1000.0, divergence=MINOR)
    new.update(to_node=int(table[["from_node", "to_node"]].to_numpy().max()) + 1)
    new.update(line_id=int(table["line_id"].max()) + 1, area_km2=row["area_km2"] * share)
    arm = gpd.GeoDataFrame([new], crs=table.crs)[list(table.columns)].astype(table.dtypes.drop("geometry"))
    return pd.concat([table.loc[:lower], arm, table.loc[lower + 1 :]], ignore_index=True)
