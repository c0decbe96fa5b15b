"""Finished results of an invented basin, for tests of everything that writes outputs.

The network is a drainage tree over scattered points at about 1 km of stream per km2, its reaches are
wandering lines of about 2.2 km with 33 vertices, and access, habitat and gains follow the definitions on a
tree, so that numbers agree with each other. It scales to hundreds of thousands of reaches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import Delaunay

from barrierrank.outputs.model import OutputModel, SpeciesLook, StemProfile, StemSite

CRS = "EPSG:32625"
ORIGIN = (500_000.0, 5_200_000.0)
SPACING_M = 1_570.0
BENDS = (0.30, 0.30, 0.26, 0.20, 0.14)  # share of a piece that its middle may move aside, five times
OPEN_FROM, BLOCKED_BELOW = 0.9, 0.1
HOSTILE = (
    "<img src=x onerror=\"document.title='owned'\">",
    "</script><script>document.title='owned'</script>",
    "${document.title='owned'}",
    "`+(document.title='owned')+`",
    "\\`;document.title='owned'//",
    "'\"><svg onload=document.title='owned'>",
    "javascript:document.title='owned'",
    "</style><b>&amp;\u2028\u2029-->",
    "=1+1",
    "{{7*7}}",
)
SPECIES = (
    SpeciesLook("lamprey", "Sea lamprey", "invasive", "m"),
    SpeciesLook("walleye", "Walleye", "native", "m"),
    SpeciesLook("brook_trout", "Brook trout", "native", "m2"),
    SpeciesLook("sturgeon", "Lake sturgeon", "native", "units"),
)
VALUES = np.array([-25.0, 1.4, 0.15, 60.0])  # per unit of accessible habitat and year
FIRST = ["Alder", "Bell", "Cinder", "Dun", "Elm", "Fallow", "Grey", "Hollow", "Iron", "Juniper"]
SECOND = ["bank", "bridge", "croft", "field", "ford", "gate", "hurst", "ley", "stone", "wood"]
KINDS = ("dam", "weir", "culvert", "sluice", "natural fall", "candidate")

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Tree:
    """A drainage tree; reach `i` runs from node `i` down to node `parent[i]`.

    Parameters
    ----------
    xy : array, shape (nodes, 2) [m]
    parent : array, shape (reaches,)
        Node at the foot; nodes from `reaches` upwards are outlets.
    order : array, shape (reaches,)
        Reaches from the outlets upwards.
    """

    xy: Floats
    parent: Ints
    order: Ints

    @property
    def n(self) -> int:
        """Number of reaches."""
        return len(self.parent)


def small_model(
    *,
    seed: int = 1,
    n_reaches: int = 300,
    n_sites: int = 40,
    hostile: bool = False,
    units: Literal["metric", "us"] = "metric",
    currency: str | None = "USD",
    receiving: bool = True,
    quality: bool = False,
) -> OutputModel:
    """Build an :class:`OutputModel` of an invented basin.

    Parameters
    ----------
    seed : int
    n_reaches, n_sites : int
        A tenth or so of the sites are natural falls without actions.
    hostile : bool
        Put text that tries to run as script, markup or formula into every text of the user's.
    units : {"metric", "us"}
    currency : str or None
        None: values are points and `net_benefit` is NaN.
    receiving : bool
        Give the polygon of the receiving water.
    quality : bool
        Give reaches the columns of habitat built from rasters, curves and surveys, and main stems their profiles.
        The last species has no quality: its habitat counts by size.
    """
    rng = np.random.default_rng(seed)
    tree = _grow(rng, n_reaches)
    lines = _wander(rng, tree)
    length = shapely.length(lines)
    at = _site_reaches(rng, tree, n_sites)
    habitat = _habitat(rng, tree, length)
    passability = _passabilities(rng, len(at))
    worth = _sweep(tree, habitat, at, passability)
    reaches = _reach_table(tree, lines, habitat, worth.access, length)
    sites = _site_table(rng, tree, at, passability, worth, reaches)
    priority = _priority_table(rng, sites, worth, passability, currency)
    sites = _with_best(sites, priority)
    species, words = SPECIES, _Words("Example basin", "Ranked by net benefit for each unit of present-worth cost.")
    if quality:
        reaches = _with_quality(np.random.default_rng(seed + 1000), reaches)
    if hostile:
        sites, priority, species, words = _poison(sites, priority, species)
    if hostile and quality:
        reaches["limited_by_lamprey"] = [HOSTILE[i % len(HOSTILE)] for i in range(len(reaches))]
    return OutputModel(
        basin=words.basin,
        species=species,
        reaches=reaches,
        sites=sites,
        priority=priority,
        problems=_problem_table(sites),
        currency=currency,
        ranked_by=words.ranked_by,
        units=units,
        horizon_years=30,
        discount_rate=0.03,
        receiving=_lake(tree) if receiving else None,
        cautions=(
            "Low-head dams drown people: keep away from the face and the tail of any structure.",
            "Work on dams needs a licensed engineer and permits; follow the codes of the place.",
            "Treatment against larvae belongs in the hands of licensed applicators.",
        ),
        profiles=_profiles(tree, reaches, sites, hostile) if quality else (),
        run={"version": "0.1.0", "started": "2024-05-01T12:00:00+00:00", "seconds": 1.5},
    )


@dataclass(frozen=True)
class _Words:
    basin: str
    ranked_by: str


@dataclass(frozen=True)
class _Worth:
    """Access of reaches (n, species); habitat above and foot access of sites (sites, species)."""

    access: Floats
    above: Floats
    below_access: Floats
    to_next: Floats


def _grow(rng: np.random.Generator, n: int) -> Tree:
    """Least-cost tree over jittered points, draining to the outlets on the southern shore."""
    columns = max(round(float(np.sqrt(n * 1.5))), 2)
    n_out = max(1, columns // 5)
    i = np.arange(n)
    xy = np.column_stack([i % columns, 1 + i // columns]).astype(float)
    xy += rng.uniform(-0.42, 0.42, xy.shape)
    shore = np.linspace(0.5, columns - 1.5, n_out) if n_out > 1 else np.array([columns / 2])
    outlets = np.column_stack([shore, 0.25 * np.sin(shore)])
    xy = np.concatenate([xy, outlets]) * SPACING_M + np.array(ORIGIN)
    sides = Delaunay(xy).simplices[:, [[0, 1], [1, 2], [0, 2]]].reshape(-1, 2)
    edges = np.unique(np.sort(sides, axis=1), axis=0)
    span = np.hypot(*(xy[edges[:, 0]] - xy[edges[:, 1]]).T)
    cost = span**0.6 * rng.lognormal(0.0, 0.6, len(edges))
    graph = coo_matrix((cost, (edges[:, 0], edges[:, 1])), shape=(len(xy), len(xy))).tocsr()
    roots = np.arange(n, n + n_out)
    far, parent, _ = dijkstra(graph, directed=False, indices=roots, return_predecessors=True, min_only=True)
    return Tree(xy, parent[:n].astype(np.int64), np.argsort(far[:n], kind="stable").astype(np.int64))


def _site_reaches(rng: np.random.Generator, tree: Tree, n: int) -> Ints:
    """Reaches with a site at their foot, no two sites on one spot; fewer than `n` where there are no more."""
    drawn = rng.permutation(tree.n)
    _, first = np.unique(tree.parent[drawn], return_index=True)
    return np.sort(drawn[np.sort(first)[:n]]).astype(np.int64)


def _wander(rng: np.random.Generator, tree: Tree) -> npt.NDArray[np.object_]:
    """Midpoint displacement: 33 vertices, a fifth longer than straight, as smooth as mapped streams are."""
    points = np.stack([tree.xy[: tree.n], tree.xy[tree.parent]], axis=1)
    for limit in BENDS:
        a, b = points[:, :-1], points[:, 1:]
        across = np.stack([a[..., 1] - b[..., 1], b[..., 0] - a[..., 0]], axis=-1)
        middle = (a + b) / 2 + across * rng.uniform(-limit, limit, (*across.shape[:2], 1))
        grown = np.empty((tree.n, 2 * points.shape[1] - 1, 2))
        grown[:, ::2], grown[:, 1::2] = points, middle
        points = grown
    return np.asarray(shapely.linestrings(points), dtype=object)


def _habitat(rng: np.random.Generator, tree: Tree, length: Floats) -> Floats:
    """Usable amounts per reach and species; none on a share of the reaches."""
    quality = rng.beta(2, 2, (tree.n, 4)) * (rng.random((tree.n, 4)) > np.array([0.12, 0.05, 0.2, 0.3]))
    width = rng.uniform(2, 9, tree.n)
    scale = np.column_stack([length, length, length * width, length / 500])
    return np.asarray(quality * scale, dtype=np.float64)


def _passabilities(rng: np.random.Generator, n: int) -> Floats:
    drawn = rng.choice([0.0, 0.05, 0.33, 0.66, 0.95, 1.0], size=(n, 4), p=[0.3, 0.1, 0.2, 0.2, 0.1, 0.1])
    drawn[:, 0] = rng.choice([0.0, 0.02, 0.5, 1.0], size=n, p=[0.5, 0.2, 0.2, 0.1])
    return np.asarray(drawn, dtype=np.float64)


def _sweep(tree: Tree, habitat: Floats, at: Ints, passability: Floats) -> _Worth:
    """One sweep up for access, one down for habitat above: U(r) = h(r) + sum of p U(above)."""
    through = np.ones((tree.n, 4))
    through[at] = passability
    has_site = np.zeros(tree.n, dtype=bool)
    has_site[at] = True
    access = np.ones((tree.n, 4))
    for r in tree.order:
        below = tree.parent[r]
        access[r] = through[r] * (access[below] if below < tree.n else 1.0)
    above, fragment = habitat.copy(), habitat.copy()
    for r in tree.order[::-1]:
        below = tree.parent[r]
        if below < tree.n:
            above[below] += through[r] * above[r]
            if not has_site[r]:
                fragment[below] += fragment[r]
    below_access = np.ones((len(at), 4))
    inner = tree.parent[at] < tree.n
    below_access[inner] = access[tree.parent[at][inner]]
    return _Worth(access, above[at], below_access, fragment[at])


def _upstream_km(tree: Tree, length: Floats) -> Floats:
    total = length / 1000
    for r in tree.order[::-1]:
        if tree.parent[r] < tree.n:
            total[tree.parent[r]] += total[r]
    return total


def _strahler(tree: Tree) -> Ints:
    best = np.zeros(tree.n, dtype=np.int64)
    twice = np.zeros(tree.n, dtype=bool)
    rank = np.ones(tree.n, dtype=np.int64)
    for r in tree.order[::-1]:
        rank[r] = max(1, best[r] + twice[r])
        below = tree.parent[r]
        if below < tree.n:
            twice[below] = rank[r] == best[below] or (twice[below] and rank[r] < best[below])
            best[below] = max(best[below], rank[r])
    return rank


def _reach_table(
    tree: Tree, lines: npt.NDArray[np.object_], habitat: Floats, access: Floats, length: Floats
) -> gpd.GeoDataFrame:
    outlet = np.empty(tree.n, dtype=np.int64)
    for r in tree.order:
        below = tree.parent[r]
        outlet[r] = below - tree.n + 1 if below >= tree.n else outlet[below]
    columns: dict[str, object] = {
        "reach": np.arange(tree.n, dtype=np.int64),
        "source_id": [f"L{i:06d}" for i in range(tree.n)],
        "downstream": pd.array(np.where(tree.parent < tree.n, tree.parent, -1), dtype="Int64"),
        "outlet": outlet,
        "length_m": length,
        "strahler": _strahler(tree),
        "upstream_km": _upstream_km(tree, length),
    }
    for s, look in enumerate(SPECIES):
        a = access[:, s]
        is_so = [habitat[:, s] <= 0, a >= OPEN_FROM, a <= BLOCKED_BELOW]
        state = np.select(is_so, ["none", "open", "blocked"], "partial")
        columns |= {f"habitat_{look.key}": habitat[:, s], f"access_{look.key}": a, f"state_{look.key}": state}
    frame = gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)
    frame.loc[frame["downstream"] == -1, "downstream"] = pd.NA
    return frame


def _site_table(
    rng: np.random.Generator,
    tree: Tree,
    at: Ints,
    passability: Floats,
    worth: _Worth,
    reaches: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    n = len(at)
    kinds = rng.choice(KINDS, size=n, p=[0.3, 0.2, 0.25, 0.05, 0.1, 0.1])
    places = [f"{FIRST[i % 10]}{SECOND[(i // 10) % 10]}" for i in range(n)]
    names = [
        f"{p} {k}" + (f" {i // 100 + 1}" if n > 100 else "") for i, (p, k) in enumerate(zip(places, kinds, strict=True))
    ]
    columns: dict[str, object] = {
        "site": [f"S{i + 1:04d}" for i in range(n)],
        "name": names,
        "kind": kinds.astype(object),
        "snap_m": rng.uniform(0, 60, n),
        "reach": at,
        "upstream_km": reaches["upstream_km"].to_numpy()[at],
    }
    for s, look in enumerate(SPECIES):
        columns |= {
            f"passability_{look.key}": passability[:, s],
            f"habitat_above_{look.key}": worth.above[:, s],
            f"habitat_to_next_{look.key}": worth.to_next[:, s],
            f"blocked_{look.key}": worth.below_access[:, s] * (1 - passability[:, s]) * worth.above[:, s],
        }
    feet = tree.xy[tree.parent[at]]
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(feet[:, 0], feet[:, 1]), crs=CRS)


_ACTIONS = (
    ("Rebuild the crest", "keep out", 900_000.0, (0.0, -1.0, -1.0, -1.0)),
    ("Remove the structure", "let through", 350_000.0, (1.0, 1.0, 1.0, 1.0)),
    ("Trap and sort at a pass", "both", 1_400_000.0, (0.01, 0.8, 0.8, 0.7)),
    ("Clear debris", "neither", 12_000.0, (-1.0, -1.0, -1.0, -1.0)),
)


def _priority_table(
    rng: np.random.Generator,
    sites: gpd.GeoDataFrame,
    worth: _Worth,
    passability: Floats,
    currency: str | None,
) -> pd.DataFrame:
    """A row for each site and action, falls left out; gains by the tree formula a(below) dp U(above)."""
    annuity = (1 - 1.03**-30) / 0.03
    rows = []
    for i in np.flatnonzero(sites["kind"] != "natural fall"):
        for name, purpose, typical, after in _ACTIONS[: 2 + int(i) % 3]:
            cost = float(np.round(typical * rng.lognormal(0, 0.5), -3))
            target = np.where(np.array(after) < 0, passability[i], after)
            gain = worth.below_access[i] * (target - passability[i]) * worth.above[i]
            value = gain * VALUES * annuity
            rows.append((i, name, purpose, cost, gain, value, target))
    which, names, purposes, costs, gains, values, targets = ([r[k] for r in rows] for k in range(7))
    at_site = sites[["site", "name"]].iloc[which].reset_index(drop=True)
    out = pd.DataFrame(at_site.assign(action=names, purpose=purposes, cost=np.array(costs, dtype=float)))
    out["present_worth_cost"] = out["cost"] * 1.18
    after = pd.DataFrame(index=out.index)
    for s, look in enumerate(SPECIES):
        out[f"gain_{look.key}"] = [float(g[s]) for g in gains]
        out[f"worth_{look.key}"] = [float(v[s]) for v in values]
        after[f"passability_{look.key}"] = [float(t[s]) for t in targets]
    saved = -out["gain_lamprey"].clip(upper=0) * 0.4
    out["treatment_saved"] = saved
    out["benefit"] = out[[f"worth_{s.key}" for s in SPECIES]].sum(axis=1) + saved
    out["net_benefit"] = out["benefit"] - out["present_worth_cost"] if currency else np.nan
    out["benefit_per_cost"] = out["benefit"] / out["present_worth_cost"]
    out = pd.concat([out, after], axis=1)
    order = ["benefit_per_cost", "site", "action"]
    out = out.sort_values(order, ascending=[False, True, True], ignore_index=True)
    out.insert(0, "rank", np.arange(1, len(out) + 1))
    out["best"] = ~out.duplicated("site")
    out["why"] = [
        "Does more harm than good here." if b < 0 else f"{p.capitalize()}: returns {q:.2f} per unit of cost."
        for b, p, q in zip(out["benefit"], out["purpose"], out["benefit_per_cost"], strict=True)
    ]
    return out[[*(c for c in out if c not in after), *after]]


def _with_best(sites: gpd.GeoDataFrame, priority: pd.DataFrame) -> gpd.GeoDataFrame:
    best = priority[priority["best"]].set_index("site")
    out = sites.copy()
    out["best_rank"] = pd.array(sites["site"].map(best["rank"]), dtype="Int64")
    out["best_action"] = sites["site"].map(best["action"]).fillna("")
    return out


def _problem_table(sites: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    some = sites.iloc[:2]
    rows = {
        "severity": ["warning"] * len(some) + ["note"],
        "kind": ["snap"] * len(some) + ["rows"],
        "where": ["sites.csv"] * (len(some) + 1),
        "ids": [*some["site"], ""],
        "message": [*(f"site {s} is far from any line" for s in some["site"]), "2 blank rows left out"],
        "remedy": ["move it or raise the tolerance"] * len(some) + [""],
    }
    return gpd.GeoDataFrame(rows, geometry=[*some.geometry, None], crs=sites.crs)


REASONS = (
    "",
    "its substrate suits least",
    "its gradient is above 0.02",
    "its temperature suits least",
    "it lies above a natural fall",
)


def _with_quality(rng: np.random.Generator, reaches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give reaches gradients that rise upstream, and qualities; some not known, some none, some surveyed."""
    out, n = reaches.copy(), len(reaches)
    out["gradient"] = 0.02 * out["upstream_km"] ** -0.5 * rng.lognormal(0, 0.3, n)
    out["width_m"] = 2.5 * out["upstream_km"] ** 0.45
    for k, look in enumerate(SPECIES[:-1]):
        value = np.clip(rng.beta(1.6, 1.6, n) - 0.4 * k * np.minimum(out["gradient"] * 20, 1), 0, 1)
        reason = rng.integers(1, len(REASONS), n)
        value[reason == 4] = 0.0
        unknown = rng.random(n) < 0.06
        value[unknown] = np.nan
        out[f"quality_{look.key}"] = value
        out[f"limited_by_{look.key}"] = [
            "there are no data on it" if u else "" if v > 0.85 else REASONS[r]
            for u, v, r in zip(unknown, value, reason, strict=True)
        ]
        out[f"surveyed_{look.key}"] = (rng.random(n) < 0.1) & ~unknown
    for stage, factor in (("spawning", 0.2), ("rearing", 1.0)):
        out[f"habitat_lamprey_{stage}"] = out["habitat_lamprey"] * factor
    out["missing_dem"] = np.where(rng.random(n) < 0.1, rng.random(n), 0.0)
    out["missing_Bed_2"] = 0.0
    return out


def _profiles(
    tree: Tree, reaches: gpd.GeoDataFrame, sites: gpd.GeoDataFrame, hostile: bool
) -> tuple[StemProfile, ...]:
    """Follow each outlet's largest reaches upwards; elevation is what the gradients add up to."""
    size, length = reaches["upstream_km"].to_numpy(), reaches["length_m"].to_numpy()
    largest: dict[int, int] = {}
    for r in np.argsort(size):
        largest[int(tree.parent[r])] = int(r)
    site_at = {int(r): i for i, r in enumerate(sites["reach"]) if not pd.isna(r)}
    stems = []
    for number, outlet in enumerate(range(tree.n, len(tree.xy)), start=1):
        way, node = [], outlet
        while node in largest:
            node = largest[node]
            way.append(node)
        if way:
            plain = f"{FIRST[number % 10]} {SECOND[number // 10 % 10]} creek"
            name = HOSTILE[number % len(HOSTILE)] if hostile else plain
            stems.append(_profile(way, reaches, sites, (name, number), (length, site_at)))
    return tuple(stems)


def _profile(
    way: list[int],
    reaches: gpd.GeoDataFrame,
    sites: gpd.GeoDataFrame,
    named: tuple[str, int],
    known: tuple[Floats, dict[int, int]],
) -> StemProfile:
    length, site_at = known
    along, part = np.linspace(0, 1, 9), len(way)
    foot = np.concatenate([[0], np.cumsum(length[way])])
    rise = np.concatenate([[0], np.cumsum(length[way] * reaches["gradient"].to_numpy()[way])]) + 176
    distance = (foot[:-1, None] + along * np.diff(foot)[:, None]).ravel()
    height = (rise[:-1, None] + along**1.3 * np.diff(rise)[:, None]).ravel()
    on = [
        StemSite(
            str(sites["site"].iloc[i]),
            str(sites["name"].iloc[i]),
            str(sites["kind"].iloc[i]),
            float(foot[k]),
            float(rise[k]),
            None if pd.isna(sites["best_rank"].iloc[i]) else int(sites["best_rank"].iloc[i]),
        )
        for k in range(part)
        if (i := site_at.get(way[k], -1)) >= 0
    ]
    quality = {
        s.key: np.repeat(reaches[f"quality_{s.key}"].to_numpy()[way], len(along)) for s in SPECIES[:-1]
    }
    return StemProfile(named[0], named[1], distance, height, quality, tuple(on))


def _lake(tree: Tree) -> gpd.GeoDataFrame:
    """Receiving water along the southern shore, its edge through the outlets; an island in it."""
    outlets = tree.xy[tree.n :]
    x0, x1 = tree.xy[:, 0].min() - 3 * SPACING_M, tree.xy[:, 0].max() + 3 * SPACING_M
    y = ORIGIN[1]
    shore_x = np.linspace(x0, x1, 200)
    shore_y = np.interp(shore_x, outlets[:, 0], outlets[:, 1]) if len(outlets) > 1 else np.full(200, y)
    shore_y[1:-1] -= 60 * np.abs(np.sin(shore_x[1:-1] / 700))
    deep = y - 5 * SPACING_M
    island = shapely.Point((x0 + x1) / 2, y - 2.5 * SPACING_M).buffer(0.7 * SPACING_M)
    water = shapely.Polygon([*zip(shore_x, shore_y, strict=True), (x1, deep), (x0, deep)]).difference(island)
    return gpd.GeoDataFrame({"name": ["Example lake"]}, geometry=[water], crs=CRS)


def _poison(
    sites: gpd.GeoDataFrame, priority: pd.DataFrame, species: tuple[SpeciesLook, ...]
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, tuple[SpeciesLook, ...], _Words]:
    """Every text of the user's turned hostile; ids stay distinct and agree between tables."""
    bad_id = {s: f"{s} {HOSTILE[i % len(HOSTILE)]}" for i, s in enumerate(sites["site"])}
    bad_name = {s: HOSTILE[(i + 1) % len(HOSTILE)] for i, s in enumerate(sites["site"])}
    sites, priority = sites.copy(), priority.copy()
    sites["name"] = sites["site"].map(bad_name)
    priority["name"] = priority["site"].map(bad_name)
    for frame in (sites, priority):
        frame["site"] = frame["site"].map(bad_id)
    sites["kind"] = [HOSTILE[i % len(HOSTILE)] for i in range(len(sites))]
    turn = [HOSTILE[i % len(HOSTILE)] for i in range(len(priority))]
    priority["action"], priority["why"] = turn, [f"why {t}" for t in turn]
    best = priority[priority["best"]].set_index("site")["action"]
    sites["best_action"] = sites["site"].map(best).fillna("")
    looks = tuple(SpeciesLook(s.key, HOSTILE[i], s.role, s.habitat_unit) for i, s in enumerate(species))
    return sites, priority, looks, _Words(HOSTILE[1], "Ranked by " + HOSTILE[0])
