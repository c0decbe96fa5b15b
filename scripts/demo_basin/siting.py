"""Where the structures stand: places on the lines chosen the way rivers get built on."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import Point, Polygon, STRtree

from .names import ROADS

SPACING_M = 450.0
ROAD_RINGS_KM = (0.9, 2.6, 4.4, 6.3, 8.1, 10.0, 12.2)


@dataclass
class Placer:
    """Puts sites on the lines of `table` and remembers where; `reserve` keeps them apart."""

    table: gpd.GeoDataFrame
    rng: np.random.Generator
    rows: list[dict[str, object]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.tree = STRtree(self.table.geometry.to_numpy())
        self.to_mouth_km = _distance_to_mouth(self.table)

    def free(self, i: int, along_m: float, *, spacing_m: float = SPACING_M) -> bool:
        """Tell whether no site stands within `spacing_m` of that place."""
        here = self.table.geometry[i].interpolate(along_m)
        return all(here.distance(r["point"]) >= spacing_m for r in self.rows)

    def put(self, i: int, along_m: float, kind: str, **more: object) -> None:
        """Add a site on row `i`, `along_m` from its upper end, drawn a little off the line."""
        line = self.table.geometry[i]
        row = self.table.loc[i]
        entry = {
            "row": i,
            "line_id": int(row["line_id"]),
            "kind": kind,
            "stream": row["stream"],
            "river": int(row["river"]),
            "area_km2": float(row["area_km2"]),
            "width_m": float(row["width_m"]),
            "slope": float(row["slope"]),
            "to_mouth_km": float(self.to_mouth_km[i] + (line.length - along_m) / 1000.0),
            "point": self._beside(i, along_m),
            "name": "",
        }
        self.rows.append(entry | more)

    def _beside(self, i: int, along_m: float) -> Point:
        """Return a point 3 to 55 m off the line whose nearest line is still row `i`."""
        line = self.table.geometry[i]
        here = np.array(line.interpolate(along_m).coords[0])
        ahead = np.array(line.interpolate(min(along_m + 5.0, line.length)).coords[0])
        back = np.array(line.interpolate(max(along_m - 5.0, 0.0)).coords[0])
        normal = np.array([back[1] - ahead[1], ahead[0] - back[0]]) / max(np.hypot(*(ahead - back)), 1e-9)
        off = float(self.rng.choice([-1.0, 1.0]) * np.clip(self.rng.gamma(2.0, 8.0), 3.0, 55.0))
        for _ in range(6):
            point = Point(here + off * normal)
            near = self.tree.query(point, predicate="dwithin", distance=3.0 * abs(off) + 5.0)
            if all(j == i or self.table.geometry[j].distance(point) > 2.0 * abs(off) for j in near):
                return point
            off /= 2.0
        return Point(here + off * normal)


def _distance_to_mouth(table: gpd.GeoDataFrame) -> np.ndarray:
    """Return the distance [km] from the foot of each link to the lake, along the main arms."""
    main = table[table["divergence"] != 2]
    at = dict(zip(main["from_node"], main.index, strict=True))
    done: dict[int, float] = {}
    for i in table.index:
        path = []
        node = int(table.loc[i, "to_node"])
        while node in at and node not in done:
            path.append(node)
            node = int(table.loc[at[node], "to_node"])
        km = done.get(node, 0.0)
        for n in reversed(path):
            km += float(table.loc[at[n], "length_km"])
            done[n] = km
    return table["to_node"].map(lambda n: done.get(int(n), 0.0)).to_numpy()


def place_all(table: gpd.GeoDataFrame, lake: Polygon, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return every site as a dict of `Placer.put`, structures before candidates."""
    placer = Placer(table, rng)
    _lowest_barriers(placer)
    _falls(placer)
    _old_mills(placer)
    _weirs(placer)
    _culverts(placer, lake)
    _candidates(placer)
    return placer.rows


def _stem(placer: Placer, river: int) -> pd.DataFrame:
    """Return the main stem of a river, mouth first, side arms left out."""
    t = placer.table
    stem = t[(t["river"] == river) & (t["divergence"] == 0)]
    return stem[stem["stream"] == stem["stream"].iloc[0]]


def _lowest_barriers(placer: Placer) -> None:
    """Put the lowest structures: an ageing dam, low lamprey barriers (one right at a mouth), sluices."""
    stem = _stem(placer, 0)
    lowest = stem.index[0]
    placer.put(lowest, 0.62 * placer.table.geometry[lowest].length, "dam", role="ageing dam")
    for river, least_km in ((1, 2.0), (3, 1.2), (5, 0.8), (9, 0.5)):
        stem = _stem(placer, river)
        foot = placer.to_mouth_km[stem.index]
        head = foot + stem["length_km"].to_numpy()
        i = stem.index[np.argmax(head > least_km + 0.15)]
        length = placer.table.geometry[i].length
        along = np.clip(length - (least_km - placer.to_mouth_km[i]) * 1000.0, 0.2 * length, 0.8 * length)
        placer.put(i, float(along), "dam" if river == 3 else "weir", role="lamprey barrier")
    mouth = placer.table.index[placer.table["river"] == 7][0]
    placer.put(mouth, placer.table.geometry[mouth].length - 18.0, "weir", role="lamprey barrier")
    arm = placer.table.index[(placer.table["river"] == 0) & (placer.table["divergence"] == 2)][0]
    placer.put(arm, 0.45 * placer.table.geometry[arm].length, "sluice", role="side arm")
    creek = _stem(placer, 8)
    placer.put(
        creek.index[1], 0.5 * placer.table.geometry[creek.index[1]].length, "sluice", role="low sluice"
    )


def _falls(placer: Placer) -> None:
    """Put a natural fall on the steepest middle reach of two rivers."""
    t = placer.table
    steep = t["slope"] * t["area_km2"] ** 0.45
    for river in (1, 2):
        on = t[(t["river"] == river) & t["stream"].notna() & t["area_km2"].between(10.0, 60.0)]
        on = on[on.length > 200.0]
        i = steep[on.index].idxmax()
        drop_m = 0.6 * float(t.loc[i, "z_up"] - t.loc[i, "z_down"])
        placer.put(i, 0.5 * t.geometry[i].length, "fall", role="fall", drop_m=min(drop_m, 6.5))


def _pick(placer: Placer, pool: pd.DataFrame, count: int, spacing_m: float, **site: object) -> None:
    """Put `count` sites of one kind on reaches of `pool`, drawn at random, well apart.

    Raises
    ------
    ValueError
        Where the pool has too few places.
    """
    left = count
    for i in placer.rng.permutation(pool.index.to_numpy()):
        length = placer.table.geometry[i].length
        if length < 300.0 or left == 0:
            continue
        along = float(placer.rng.uniform(120.0, length - 120.0))
        if placer.free(i, along, spacing_m=spacing_m):
            placer.put(i, along, **site)
            left -= 1
    if left:
        raise ValueError(f"{left} sites of kind {site['kind']} found no place")


def _old_mills(placer: Placer) -> None:
    """Put old mill dams in the middle of named streams; one close to the mouth of the fifth river."""
    t = placer.table
    low = _stem(placer, 4)
    near = low[(placer.to_mouth_km[low.index] > 2.0) & (placer.to_mouth_km[low.index] < 5.0)]
    _pick(placer, near, 1, 500.0, kind="dam", role="mill dam")
    named = t["stream"].notna() & (t["divergence"] == 0)
    pool = t[named & t["area_km2"].between(7.0, 75.0) & (placer.to_mouth_km > 3.0)]
    _pick(placer, pool, 13, 2300.0, kind="dam", role="mill dam")


def _weirs(placer: Placer) -> None:
    """Put low weirs on named streams."""
    t = placer.table
    pool = t[t["stream"].notna() & (t["divergence"] == 0) & t["area_km2"].between(4.0, 60.0)]
    _pick(placer, pool[placer.to_mouth_km[pool.index] > 1.5], 6, 1500.0, kind="weir", role="weir")


def _culverts(placer: Placer, lake: Polygon) -> None:
    """Put culverts where ring roads around the lake cross small streams; two on one reach."""
    t = placer.table
    pool = t[t["area_km2"].between(0.8, 14.0) & (t.length > 260.0)]
    found = []
    for k, km in enumerate(ROAD_RINGS_KM):
        ring = lake.buffer(km * 1000.0, quad_segs=32).exterior
        hits = pool.geometry.intersection(ring)
        for i, hit in hits[~hits.is_empty].items():
            first = hit if isinstance(hit, Point) else hit.geoms[0]
            found.append((int(i), float(t.geometry[i].project(first)), k))
    left, roads = 29, set()
    for n in placer.rng.permutation(len(found)):
        i, along, ring = found[n]
        road = ROADS[(ring * 5 + t.loc[i, "river"]) % len(ROADS)]
        along = float(np.clip(along, 90.0, t.geometry[i].length - 90.0))
        crossing = (road, t.loc[i, "stream"])
        if left and crossing not in roads and placer.free(i, along, spacing_m=900.0):
            placer.put(i, along, "culvert", role="culvert", road=road)
            roads.add(crossing)
            left -= 1
    double = [r for r in placer.rows if r["kind"] == "culvert" and t.geometry[r["row"]].length > 1100.0]
    first = min(double, key=lambda r: -t.geometry[r["row"]].length)
    length = t.geometry[first["row"]].length
    along = t.geometry[first["row"]].project(first["point"])
    other = along - 450.0 if along > 0.5 * length else along + 450.0
    placer.put(first["row"], other, "culvert", role="culvert", road="Farm access track")


def _candidates(placer: Placer) -> None:
    """Put candidates for a new barrier: lower named streams, not too steep, spread over the rivers."""
    t = placer.table
    km = placer.to_mouth_km
    main = t["stream"].notna() & (t["divergence"] == 0)
    for river, count in ((2, 3), (6, 2), (4, 1), (10, 2), (8, 1), (0, 2), (3, 1), (1, 1), (5, 1), (7, 1)):
        pool = t[main & (t["river"] == river) & (t["area_km2"] > 3.0) & (km < 14.0) & (km > 0.25)]
        pool = pool[pool["slope"] < 0.02]
        _pick(placer, pool, count, 550.0, kind="candidate", role="candidate")
