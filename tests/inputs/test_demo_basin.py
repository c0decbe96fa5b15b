"""The demo basin is what its README says: streams, terrain, sites and flows that agree with one another."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyflwdir
import pytest
import rasterio
from scipy import ndimage, optimize
from shapely import Point, STRtree

DEMO = Path(__file__).parents[2] / "data_demo"
CRS = "EPSG:32625"
SPECIES = ("lamprey", "walleye", "white_sucker", "brook_trout")


@pytest.fixture(scope="module")
def streams() -> gpd.GeoDataFrame:
    return gpd.read_file(DEMO / "streams.gpkg", layer="streams")


@pytest.fixture(scope="module")
def lake() -> gpd.GeoDataFrame:
    return gpd.read_file(DEMO / "streams.gpkg", layer="lake")


@pytest.fixture(scope="module")
def sites() -> pd.DataFrame:
    return pd.read_csv(DEMO / "sites.csv", keep_default_na=False, na_values=[""])


@pytest.fixture(scope="module")
def actions() -> pd.DataFrame:
    return pd.read_csv(DEMO / "actions.csv")


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / name, keep_default_na=False, na_values=[""])


@pytest.fixture(scope="module")
def structures() -> pd.DataFrame:
    return table("structures.csv")


@pytest.fixture(scope="module")
def tailwater() -> pd.DataFrame:
    return table("tailwater.csv")


@pytest.fixture(scope="module")
def sections() -> pd.DataFrame:
    return table("sections.csv")


class Below:
    """Level of the water below a structure by plain formulas."""

    def __init__(self, structures: pd.DataFrame, tailwater: pd.DataFrame, sections: pd.DataFrame) -> None:
        self.structures = structures.set_index("site")
        self.ratings = dict(iter(tailwater.groupby("site")))
        self.sections = dict(iter(sections.groupby("site")))

    def level(self, site: str, q: float) -> float:
        """Return the elevation [m] at a discharge [m3/s]."""
        row = self.structures.loc[site]
        if site in self.ratings:
            rating = self.ratings[site]
            return float(np.interp(q, rating["discharge_m3s"], rating["elevation_m"]))
        if site in self.sections:
            x = np.linspace(0.0, self.sections[site]["station_m"].iloc[-1], 2001)
            z = np.interp(x, self.sections[site]["station_m"], self.sections[site]["elevation_m"])
        else:
            half, side = 0.5 * row["channel_width_m"], row["channel_side"]
            x = np.linspace(-half - 3.0 * side, half + 3.0 * side, 4001)
            z = row["channel_bed_m"] + np.maximum(np.abs(x) - half, 0.0) / side

        def excess(level: float) -> float:
            depth = np.maximum(level - z, 0.0)
            wet = np.minimum(depth[1:], depth[:-1]) > 0.0
            perimeter = (np.hypot(np.diff(x), np.diff(z)) * wet).sum() + depth[0] + depth[-1]
            area = np.trapezoid(depth, x)
            radius = area / max(perimeter, 1e-9)
            return float(area * radius ** (2.0 / 3.0) * row["channel_slope"] ** 0.5 / row["channel_n"] - q)

        return float(optimize.brentq(excess, z.min() + 1e-4, z.min() + 4.0))


def pipe_flow(q: float, row: pd.Series) -> tuple[float, float]:
    """Return mean velocity [m/s] and depth [m] of uniform flow in a circular barrel."""
    slope = (row["inlet_m"] - row["outlet_m"]) / row["length_m"]
    radius = 0.5 * row["rise_m"]

    def area(angle: float) -> float:
        return 0.5 * radius**2 * (angle - np.sin(angle))

    def excess(angle: float) -> float:
        hydraulic = area(angle) / (radius * angle)
        return float(area(angle) * hydraulic ** (2.0 / 3.0) * slope**0.5 / row["barrel_n"] - q)

    angle = optimize.brentq(excess, 0.05, 5.0)
    return q / area(angle), radius * (1.0 - np.cos(0.5 * angle))


@pytest.fixture(scope="module")
def below(structures: pd.DataFrame, tailwater: pd.DataFrame, sections: pd.DataFrame) -> Below:
    return Below(structures, tailwater, sections)


@pytest.fixture(scope="module")
def flows() -> pd.DataFrame:
    return pd.read_csv(DEMO / "flows.csv", parse_dates=["date"], index_col="date")


@pytest.fixture(scope="module")
def runs(flows: pd.DataFrame) -> pd.Series:
    """Flow over its mean on days of 10 to 18 deg C, April to July."""
    day = flows.index.strftime("%m-%d")
    days = flows[(day >= "04-01") & (day <= "07-31") & flows["water_temp_c"].between(10.0, 18.0)]
    return days["discharge_m3s"] / flows["discharge_m3s"].mean()


@pytest.fixture(scope="module")
def points(sites: pd.DataFrame) -> gpd.GeoSeries:
    return gpd.GeoSeries(gpd.points_from_xy(sites["lon"], sites["lat"]), crs="EPSG:4326").to_crs(CRS)


@pytest.fixture(scope="module")
def project() -> dict:
    return tomllib.loads((DEMO / "project.toml").read_text(encoding="utf-8"))


def ends(streams: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and last points of the lines, each of shape (n, 2)."""
    first = np.array([g.coords[0] for g in streams.geometry])
    last = np.array([g.coords[-1] for g in streams.geometry])
    return first, last


def outlets(streams: gpd.GeoDataFrame) -> pd.Series:
    return ~streams["to_node"].isin(streams["from_node"])


def sample(name: str, xy: np.ndarray) -> np.ndarray:
    with rasterio.open(DEMO / name) as raster:
        return np.array([v[0] for v in raster.sample(xy)])


class TestStreams:
    def test_size_and_crs(self, streams: gpd.GeoDataFrame, lake: gpd.GeoDataFrame) -> None:
        assert 1300 <= len(streams) <= 1700
        assert streams.crs == lake.crs == CRS
        assert streams["line_id"].is_unique
        assert streams.geometry.geom_type.eq("LineString").all()
        assert streams.geometry.is_valid.all()
        assert streams.geometry.is_simple.all()
        lon_lat = streams.to_crs("EPSG:4326").total_bounds
        assert (lon_lat[:2] > [-34.0, 46.0]).all()
        assert (lon_lat[2:] < [-32.0, 48.0]).all()

    def test_nodes_agree_with_geometry(self, streams: gpd.GeoDataFrame) -> None:
        first, last = ends(streams)
        at: dict[int, tuple[float, ...]] = {}
        for node, xy in zip(np.r_[streams["from_node"], streams["to_node"]], np.r_[first, last], strict=True):
            assert at.setdefault(int(node), tuple(xy)) == tuple(xy)
        assert len(set(at.values())) == len(at)  # two nodes are never in one place

    def test_lines_meet_at_nodes_only(self, streams: gpd.GeoDataFrame) -> None:
        tree = STRtree(streams.geometry)
        for i, j in tree.query(streams.geometry, predicate="intersects").T:
            if i < j:
                a, b = streams.geometry.iloc[i], streams.geometry.iloc[j]
                shared = a.boundary.intersection(b.boundary)
                assert not shared.is_empty
                assert a.intersection(b).difference(shared.buffer(0.2)).is_empty

    def test_every_line_reaches_the_lake_without_a_cycle(self, streams: gpd.GeoDataFrame) -> None:
        below = streams.groupby("from_node")["to_node"].agg(list).to_dict()
        left = dict.fromkeys([*streams["from_node"], *streams["to_node"]], 0)
        for node in streams["to_node"]:
            left[node] += 1
        ready = [n for n, count in left.items() if count == 0]
        seen = 0
        while ready:
            node = ready.pop()
            seen += 1
            for nxt in below.get(node, []):
                left[nxt] -= 1
                if left[nxt] == 0:
                    ready.append(nxt)
        assert seen == len(left)

    def test_outlets_lie_on_the_shore(self, streams: gpd.GeoDataFrame, lake: gpd.GeoDataFrame) -> None:
        mouths = streams[outlets(streams)]
        assert 8 <= len(mouths) <= 12
        shore = lake.geometry.iloc[0].exterior
        _, last = ends(mouths)
        assert max(Point(xy).distance(shore) for xy in last) < 1.0
        inside = streams.geometry.intersection(lake.geometry.iloc[0]).length
        assert inside.max() < 1.0

    def test_partings(self, streams: gpd.GeoDataFrame) -> None:
        parts = streams.groupby("from_node")["divergence"].agg(sorted)
        many = parts[parts.map(len) > 1]
        assert len(many) >= 3
        assert all(d == [1, 2] for d in many)
        assert all(d == [0] for d in parts[parts.map(len) == 1])

    def test_area_grows_downstream(self, streams: gpd.GeoDataFrame) -> None:
        inflow = streams.groupby("to_node")["area_km2"].sum()
        outflow = streams.groupby("from_node")["area_km2"].sum()
        both = inflow.index.intersection(outflow.index)
        assert (outflow[both] >= inflow[both] - 0.005).all()

    def test_columns_agree(self, streams: gpd.GeoDataFrame) -> None:
        np.testing.assert_allclose(streams["length_km"] * 1000.0, streams.length, rtol=0.02, atol=1.0)
        np.testing.assert_allclose(streams["q_mean_m3s"], 0.0125 * streams["area_km2"], rtol=0.01, atol=1e-4)
        np.testing.assert_allclose(streams["width_m"], 2.8 * streams["area_km2"] ** 0.42, rtol=0.01)
        large = streams[streams["area_km2"] > 60.0]
        assert large["slope"].median() < 0.005
        assert streams.loc[streams["area_km2"] < 1.0, "slope"].quantile(0.9) > 0.02


class TestTerrain:
    def test_grids(self) -> None:
        with rasterio.open(DEMO / "dem.tif") as dem, rasterio.open(DEMO / "substrate.tif") as bed:
            assert dem.crs == bed.crs == CRS
            assert dem.transform == bed.transform
            assert dem.res == (30.0, 30.0)
            assert dem.dtypes == ("float32",)
            assert bed.nodata == 0
            z = dem.read(1)
            assert set(np.unique(bed.read(1))) == {0, 1, 2, 3, 4, 5}
        assert z.min() > 150.0
        assert z.max() < 1000.0

    def test_lake_is_level(self, lake: gpd.GeoDataFrame) -> None:
        minx, miny, maxx, maxy = lake.total_bounds
        inner = lake.geometry.iloc[0].buffer(-60.0)
        grid = np.array([(x, y) for x in np.arange(minx, maxx, 700.0) for y in np.arange(miny, maxy, 700.0)])
        wet = np.array([inner.contains(Point(xy)) for xy in grid])
        assert wet.sum() > 50
        assert np.ptp(sample("dem.tif", grid[wet])) == 0.0

    def test_lake_drains_to_the_edge_of_the_map(self, lake: gpd.GeoDataFrame) -> None:
        with rasterio.open(DEMO / "dem.tif") as dem:
            z = dem.read(1)
            row, col = dem.index(*lake.geometry.iloc[0].representative_point().coords[0])
        low, _ = ndimage.label(z <= z[row, col], structure=np.ones((3, 3)))
        assert low[row, col] in {*low[0], *low[-1], *low[:, 0], *low[:, -1]}

    def test_lines_fall_downstream(self, streams: gpd.GeoDataFrame) -> None:
        first, last = ends(streams)
        fall = sample("dem.tif", first) - sample("dem.tif", last)
        assert (fall > -0.05).all()
        steep = streams["slope"] * streams.length > 1.0
        assert (fall[steep] > 0.0).all()
        clear = (streams["divergence"] == 0) & (streams.length > 300.0)
        np.testing.assert_allclose(
            fall[clear], (streams["slope"] * streams.length)[clear], atol=2.5, rtol=0.05
        )

    def test_streams_lie_in_their_valleys(self, streams: gpd.GeoDataFrame) -> None:
        mid = np.array([g.interpolate(0.5, normalized=True).coords[0] for g in streams.geometry])
        bed = sample("dem.tif", mid)
        angles = np.deg2rad(np.arange(0, 360, 45))
        around = np.array([sample("dem.tif", mid + 150.0 * np.array([np.cos(a), np.sin(a)])) for a in angles])
        assert (np.median(around, axis=0) > bed).mean() > 0.97

    def test_streams_are_those_of_the_terrain(self, streams: gpd.GeoDataFrame) -> None:
        # independent reference: pyflwdir's own filling and routing of the published terrain
        with rasterio.open(DEMO / "dem.tif") as dem:
            z, transform = dem.read(1).astype(np.float64), dem.transform
        _, d8 = pyflwdir.dem.fill_depressions(z)
        cells = pyflwdir.from_array(d8, ftype="d8", transform=transform, latlon=False).upstream_area("cell")
        area = ndimage.maximum_filter(cells.reshape(z.shape), 3) * 900.0 / 1e6
        single = streams[streams["divergence"] == 0]
        mid = np.array([g.interpolate(0.5, normalized=True).coords[0] for g in single.geometry])
        col = ((mid[:, 0] - transform.c) // 30.0).astype(int)
        row = ((transform.f - mid[:, 1]) // 30.0).astype(int)
        assert (area[row, col] > 0.2).mean() > 0.98
        assert np.median(area[row, col] / single["area_km2"]) == pytest.approx(1.0, abs=0.1)

    def test_lowland_beds_are_finer(self, streams: gpd.GeoDataFrame) -> None:
        mid = np.array([g.interpolate(0.5, normalized=True).coords[0] for g in streams.geometry])
        bed = sample("substrate.tif", mid)
        assert (bed > 0).all()
        assert np.median(bed[streams["area_km2"] > 60.0]) >= 4
        assert np.median(bed[streams["slope"] > 0.03]) <= 2


class TestSites:
    def test_kinds(self, sites: pd.DataFrame) -> None:
        kinds = sites["kind"].value_counts()
        assert set(kinds.index) == {"dam", "weir", "culvert", "sluice", "fall", "candidate"}
        assert kinds["candidate"] == 15
        assert kinds["fall"] == 2
        assert len(sites) == 75
        assert sites["site"].is_unique
        assert sites["name"].is_unique
        assert sites.loc[sites["kind"] == "fall", "stream"].nunique() == 2

    def test_snap_to_the_named_stream(
        self, sites: pd.DataFrame, points: gpd.GeoSeries, streams: gpd.GeoDataFrame
    ) -> None:
        (_, line), far = streams.sindex.nearest(points, return_all=False, return_distance=True)
        assert far.max() < 60.0
        assert (far > 0.5).all()
        on = streams["stream"].iloc[line].reset_index(drop=True)
        assert on.fillna("").eq(sites["stream"].fillna("")).all()
        per_line = pd.Series(line).value_counts()
        assert (per_line >= 2).any()  # two on one reach
        assert (streams["divergence"].iloc[line] == 2).any()  # one on a side arm
        _, last = ends(streams[outlets(streams)])
        assert min(p.distance(Point(xy)) for p in points for xy in last) < 60.0  # one right at a mouth

    def test_values_are_allowed(self, sites: pd.DataFrame, project: dict) -> None:
        assert set(sites["p_white_sucker"].dropna()) <= set(project["ratings"])
        for species in ("lamprey", "walleye", "brook_trout"):
            assert sites[f"p_{species}"].dropna().between(0.0, 1.0).all()
        assert sites["failure_probability"].between(0.0, 0.08).all()
        assert (sites["failure_probability"] >= 0.01).sum() >= 5
        candidate = (sites["kind"] == "candidate") & sites["p_lamprey"].notna()
        assert candidate.sum() >= 10
        assert sites.loc[candidate, "p_lamprey"].eq(1.0).all()
        assert sites.loc[candidate, "p_white_sucker"].eq("open").all()

    def test_an_island_sluice_does_not_close_the_river(
        self, sites: pd.DataFrame, points: gpd.GeoSeries, streams: gpd.GeoDataFrame
    ) -> None:
        (_, line), _ = streams.sindex.nearest(points, return_all=False, return_distance=True)
        arm = streams.iloc[line[(streams["divergence"].iloc[line] == 2).to_numpy()]]
        main = streams[streams["divergence"] == 1]
        assert arm["from_node"].isin(main["from_node"]).all()
        assert sites["kind"].iloc[np.flatnonzero(np.isin(line, arm.index))].eq("sluice").all()


class TestActions:
    def test_refer_to_sites(self, sites: pd.DataFrame, actions: pd.DataFrame) -> None:
        assert 130 <= len(actions) <= 195
        assert set(actions["site"]) == set(sites.loc[sites["kind"] != "fall", "site"])
        assert not actions.duplicated(["site", "action"]).any()

    def test_values_are_allowed(self, actions: pd.DataFrame) -> None:
        for species in SPECIES:
            assert actions[f"passability_{species}"].dropna().between(0.0, 1.0).all()
            assert actions[f"efficiency_{species}"].dropna().between(0.0, 1.0).all()
        assert actions["cost"].between(15_000, 4_000_000).all()
        assert (actions["upkeep"] >= 0).all()
        assert (actions["life_years"] >= 25).all()
        assert actions["failure_probability"].between(0.0, 0.08).all()
        built = actions["action"].isin(["build barrier", "rebuild", "raise the crest"])
        assert actions.loc[built, "passability_lamprey"].max() <= 0.05
        assert actions.loc[actions["action"] == "remove", "passability_lamprey"].dropna().eq(1.0).all()

    def test_changes_are_of_measured_sites(self, actions: pd.DataFrame, structures: pd.DataFrame) -> None:
        empty = actions[[f"passability_{s}" for s in SPECIES]].isna()
        here = actions["site"].isin(structures["site"])
        assert not empty[~here].any().any()
        assert actions.loc[~here, "change"].isna().all()
        assert set(actions["change"].dropna()) == {
            *(
                "raise",
                "lower",
                "notch",
                "lip",
                "seasonal",
                "trap_and_sort",
                "fishway",
                "ramp",
                "remove",
                "build",
            )
        }
        # without a change an empty cell means "as today": allowed only where the structure is kept as it is
        kept = empty.any(axis=1) & actions["change"].isna()
        assert set(actions.loc[kept, "action"]) == {"repair", "rebuild"}
        device = actions["change"].isin(["trap_and_sort", "fishway", "ramp"])
        efficiency = actions[[f"efficiency_{s}" for s in SPECIES]].notna()
        assert efficiency[device].all().all()
        assert not efficiency[~device].any().any()
        sized = actions["change"].isin(["raise", "lower", "notch", "lip", "seasonal", "build"])
        assert (sized == actions["change_m"].notna()).all()
        assert actions.loc[sized, "change_m"].between(0.1, 2.0).all()
        wide = actions["change"].isin(["notch", "build"])
        assert (wide == actions["change_width_m"].notna()).all()

    def test_seasonal_crests_have_dates_or_leave_them_to_be_found(self, actions: pd.DataFrame) -> None:
        seasonal = actions[actions["change"] == "seasonal"].set_index("site")
        dated = seasonal["crest_up"].notna()
        assert (dated == seasonal["crest_down"].notna()).all()
        assert dated.sum() >= 2
        assert seasonal.index[~dated].tolist() == ["S29"]
        assert (seasonal.loc[dated, "crest_up"] < seasonal.loc[dated, "crest_down"]).all()

    def test_no_action_only_repeats_today(self, sites: pd.DataFrame, actions: pd.DataFrame) -> None:
        numeric = ["lamprey", "walleye", "brook_trout"]
        both = actions.merge(sites, on="site", suffixes=("", "_today"))
        same = np.all([both[f"passability_{s}"] == both[f"p_{s}"] for s in numeric], axis=0)
        assert (both.loc[same, "failure_probability"] < both.loc[same, "failure_probability_today"]).all()


class TestStructures:
    def test_every_kind_is_there(self, structures: pd.DataFrame) -> None:
        kinds = structures["kind"].value_counts()
        assert set(kinds.index) == {"none", "weir", "dam", "culvert", "gate", "sluice", "fall"}
        assert len(structures) - kinds["none"] >= 35
        assert kinds["none"] == kinds["fall"] == 2
        assert kinds["culvert"] >= 12
        assert kinds["weir"] + kinds["dam"] >= 15
        assert set(structures["shape"].dropna()) == {"circular", "box", "arch"}
        crest = structures[structures["kind"].isin(["weir", "dam"])]
        thin = crest["crest_thickness_m"] < 0.05
        assert thin.any()
        assert (~thin).any()
        for column in ("lip_m", "notch_depth_m", "logs_m", "crest_side", "crest_coefficient", "contractions"):
            assert crest[column].gt(0.0).any()
        assert (structures["barrels"] > 1).sum() >= 2
        assert (structures["embedded_m"] > 0.0).sum() >= 2
        assert structures["flow_a"].notna().sum() >= 2

    def test_stand_at_sites_of_their_kind(self, structures: pd.DataFrame, sites: pd.DataFrame) -> None:
        assert structures["site"].is_unique
        kind = structures.merge(sites, on="site", suffixes=("", "_site"), validate="1:1")
        same = {"none": "candidate", "gate": "sluice"}
        assert kind["kind"].replace(same).eq(kind["kind_site"]).all()
        assert set(structures["site"]) <= set(sites["site"])

    def test_typed_where_not_measured(self, structures: pd.DataFrame, sites: pd.DataFrame) -> None:
        typed = sites.set_index("site")[[f"p_{s}" for s in SPECIES]].notna()
        measured = typed.index.isin(structures["site"])
        assert typed[~measured].all().all()
        both = typed[measured & typed.any(axis=1)]
        assert both.index.tolist() == ["S12", "S22"]
        assert both.loc["S12"].tolist() == [True, False, False, False]

    def test_elevations_agree(self, structures: pd.DataFrame, sections: pd.DataFrame) -> None:
        s = structures.set_index("site")
        crest = s[s["crest_m"].notna()]
        assert (crest["crest_m"] > crest["bed_m"] + 0.05).all()
        assert (crest["crest_m"] - crest["notch_depth_m"].fillna(0.0) >= crest["bed_m"]).all()
        assert (crest["crest_m"] > crest["pool_bed_m"] + 0.3).all()
        below = crest["channel_bed_m"].dropna()
        assert (crest.loc[below.index, "crest_m"] > below).all()
        assert (crest.loc[below.index, "pool_bed_m"] < below).all()
        lowest = sections.groupby("site")["elevation_m"].min()
        at = crest.index.intersection(lowest.index)
        assert (crest.loc[at, "crest_m"] > lowest[at]).all()
        gate = s[s["gate_opening_m"].notna()]
        assert (gate["gate_top_m"] > gate["crest_m"] + gate["gate_opening_m"]).all()
        barrel = s[s["kind"] == "culvert"]
        slope = (barrel["inlet_m"] - barrel["outlet_m"]) / barrel["length_m"]
        assert slope.between(0.0, 0.02).all()
        assert (barrel["embedded_m"].fillna(0.0) < 0.35 * barrel["rise_m"]).all()

    def test_fit_their_streams(
        self, structures: pd.DataFrame, sites: pd.DataFrame, points: gpd.GeoSeries, streams: gpd.GeoDataFrame
    ) -> None:
        (_, line), _ = streams.sindex.nearest(points, return_all=False, return_distance=True)
        on = streams.iloc[line].reset_index(drop=True).set_axis(sites["site"])
        s = structures.set_index("site")
        here = on.loc[s.index]
        np.testing.assert_allclose(s["drainage_area_km2"], here["area_km2"], rtol=0.01)
        wide = (s["channel_width_m"] / here["width_m"]).dropna()
        assert wide.between(0.5, 1.0).all()
        assert (s["crest_width_m"] <= here["width_m"]).where(s["crest_width_m"].notna(), other=True).all()
        slope = (s["channel_slope"] / here["slope"]).dropna()
        assert slope.between(0.8, 1.25).all()
        assert s["channel_n"].dropna().between(0.025, 0.06).all()
        mean = s["flow_a"] * 1.54 ** s["flow_b"] / (0.0125 * s["drainage_area_km2"])
        np.testing.assert_allclose(mean.dropna(), 1.0, rtol=0.02)

    def test_the_same_numbers_give_the_same_measures(
        self, monkeypatch: pytest.MonkeyPatch, structures: pd.DataFrame, tailwater: pd.DataFrame,
        sections: pd.DataFrame, sites: pd.DataFrame, points: gpd.GeoSeries, streams: gpd.GeoDataFrame,
    ) -> None:  # fmt: skip
        monkeypatch.syspath_prepend(str(DEMO.parent / "scripts"))
        from demo_basin.measures import PLANS, measure  # noqa: PLC0415 - scripts are no package of the tests
        from demo_basin.settings import SEED  # noqa: PLC0415

        (_, line), _ = streams.sindex.nearest(points, return_all=False, return_distance=True)
        on = streams[["area_km2", "width_m", "slope"]].iloc[line].reset_index(drop=True)
        frame = pd.concat([sites[["site", "height_m"]], on], axis=1)
        frame["role"] = [PLANS[s].role if s in PLANS else "" for s in frame["site"]]
        one, two = (
            measure(frame, np.random.default_rng(np.random.SeedSequence(SEED).spawn(7)[6])) for _ in range(2)
        )
        pd.testing.assert_frame_equal(one.structures, two.structures)
        pd.testing.assert_frame_equal(one.tailwater, two.tailwater)
        assert one.structures["site"].tolist() == structures["site"].tolist()
        for column in ("crest_m", "outlet_m", "inlet_m", "channel_bed_m", "channel_width_m", "pool_bed_m"):
            made = one.structures[column].astype(float)
            # the published streams are rounded: the last digit may differ
            np.testing.assert_allclose(made, structures[column], atol=0.11 if "width" in column else 0.011)
        np.testing.assert_allclose(one.tailwater["elevation_m"], tailwater["elevation_m"], atol=0.011)
        np.testing.assert_allclose(one.sections["elevation_m"], sections["elevation_m"], atol=0.011)


class TestWaterBelow:
    def test_ratings_rise(self, tailwater: pd.DataFrame, structures: pd.DataFrame) -> None:
        sites = tailwater.groupby("site")
        assert sites.ngroups >= 3
        assert set(tailwater["site"]) <= set(structures["site"])
        area = structures.set_index("site")["drainage_area_km2"]
        for name, rating in sites:
            assert rating["discharge_m3s"].iloc[0] == 0.0
            assert rating["discharge_m3s"].is_monotonic_increasing
            assert rating["discharge_m3s"].is_unique
            assert rating["elevation_m"].is_monotonic_increasing
            # the greatest flow of the record is 11.8 times the mean
            assert rating["discharge_m3s"].iloc[-1] >= 12.0 * 0.0125 * area[name]

    def test_sections_lie_between_banks(self, sections: pd.DataFrame, structures: pd.DataFrame) -> None:
        sites = sections.groupby("site")
        assert sites.ngroups >= 4
        given = structures.set_index("site")
        for name, section in sites:
            z = section["elevation_m"].to_numpy()
            assert (np.diff(section["station_m"]) > 0.0).all()
            assert min(z[0], z[-1]) > z.min() + 0.5
            assert given.loc[name, ["channel_slope", "channel_n"]].notna().all()
        assert set(given.index[given["kind"] == "none"]) <= set(sites.groups)

    def test_no_more_than_one_is_given(
        self, structures: pd.DataFrame, tailwater: pd.DataFrame, sections: pd.DataFrame
    ) -> None:
        given = structures["channel_bed_m"].notna().astype(int)
        ways = given + structures["site"].isin(tailwater["site"]) + structures["site"].isin(sections["site"])
        assert ways.eq(1).all()

    def test_drops_are_those_of_the_sites(
        self, structures: pd.DataFrame, sites: pd.DataFrame, below: Below
    ) -> None:
        # plain formulas: Manning solved by scipy, no part of the program
        height = sites.set_index("site")["height_m"]
        s = structures.set_index("site")
        for name, row in s[s["kind"] != "none"].iterrows():
            mean = 0.0125 * row["drainage_area_km2"]
            low, flood = below.level(name, 0.5 * mean), below.level(name, 9.0 * mean)
            assert 0.0 < flood - low < 1.8, name
            sill = (
                row["outlet_m"] if row["kind"] == "culvert" else row["crest_m"] + np.nan_to_num(row["logs_m"])
            )
            if not row["embedded_m"] > 0.0:
                notch = (
                    row["notch_depth_m"] if name == "S22" else 0.0
                )  # the height of a breach is that of its sill
                assert sill - notch - low == pytest.approx(height[name], abs=0.03), name
            else:
                assert sill < low

    def test_floods_fit_between_the_banks(self, structures: pd.DataFrame) -> None:
        s = structures.set_index("site")
        for name, row in s[s["kind"].isin(["weir", "dam", "fall"])].iterrows():
            flood = 12.0 * 0.0125 * row["drainage_area_km2"]
            # Francis, from memory; a broad crest passes 1.70 at most: theory of critical flow
            c = 1.84 if row["crest_thickness_m"] < 0.05 else 1.7
            head = (flood / (c * row["crest_width_m"])) ** (2.0 / 3.0)
            assert 0.1 < head < 1.3, name
        for name, row in s[s["kind"] == "culvert"].iterrows():
            flood = 12.0 * 0.0125 * row["drainage_area_km2"]
            wide = row["rise_m"] if row["shape"] == "circular" else row["span_m"]
            area = (
                wide
                * (row["rise_m"] - np.nan_to_num(row["embedded_m"]))
                * (row["barrels"] if row["barrels"] > 1 else 1)
            )
            assert flood / (0.75 * area) < 3.0, name  # m/s: the road is not washed away every spring


class TestCases:
    """What the README says these sites show, by plain formulas."""

    def drop(self, name: str, flow: float, structures: pd.DataFrame, below: Below) -> float:
        """Return the drop over a crest at a flow that is given in means."""
        row = structures.set_index("site").loc[name]
        return row["crest_m"] - below.level(name, flow * 0.0125 * row["drainage_area_km2"])

    def test_a_low_weir_drowns_in_wet_springs_alone(
        self, runs: pd.Series, structures: pd.DataFrame, actions: pd.DataFrame, below: Below
    ) -> None:
        greatest = runs.groupby(runs.index.year).max()
        left = {year: self.drop("S45", q, structures, below) for year, q in greatest.items() if year > 2010}
        assert left[2020] > 0.55  # dry
        assert left[2015] < 0.20  # wet
        raised = actions[(actions["site"] == "S45") & (actions["change"] == "raise")]["change_m"].item()
        assert 0.2 <= raised <= 0.5
        flood = greatest.sort_values().iloc[-2]
        assert (
            self.drop("S45", flood, structures, below)
            < 0.45
            < self.drop("S45", flood, structures, below) + raised
        )

    def test_a_verdict_that_hangs_on_the_level_below(
        self, runs: pd.Series, structures: pd.DataFrame, below: Below
    ) -> None:
        drops = np.array(
            [self.drop("S50", q, structures, below) for q in np.quantile(runs, np.linspace(0, 1, 41))]
        )
        share = {shift: float((drops - shift < 0.45).mean()) for shift in (-0.1, 0.0, 0.1)}
        assert share[-0.1] < 0.15
        assert 0.1 < share[0.0] < 0.5
        assert share[0.1] > 0.9

    def test_quick_and_shallow_barrels(self, runs: pd.Series, structures: pd.DataFrame) -> None:
        s = structures.set_index("site")
        flow = 0.0125 * s["drainage_area_km2"] * runs.median()
        speed, depth = pipe_flow(flow["S59"], s.loc["S59"])
        assert 1.2 < speed < 2.5  # more than a white sucker holds over 16 m, less than a lamprey
        assert depth > 0.10
        slab = s.loc["S13"]
        slope = (slab["inlet_m"] - slab["outlet_m"]) / slab["length_m"]
        unit = flow["S13"] / (slab["barrels"] * slab["span_m"])
        assert (unit * slab["barrel_n"] / slope**0.5) ** 0.6 < 0.06

    def test_a_pool_too_shallow_to_leap_from(
        self, structures: pd.DataFrame, sites: pd.DataFrame, project: dict, below: Below
    ) -> None:
        trout = project["species"]["brook_trout"]["swimming"]
        height = sites.set_index("site")["height_m"]
        s = structures.set_index("site")
        for name, deep in (("S43", False), ("S48", True)):
            pool = (
                below.level(name, 0.5 * 0.0125 * s.loc[name, "drainage_area_km2"]) - s.loc[name, "pool_bed_m"]
            )
            assert height[name] + 0.1 < trout["leap_m"]
            assert (pool > trout["pool_share"] * (height[name] + 0.1)) == deep

    def test_runs_of_lamprey_and_walleye_part_in_time(self, flows: pd.DataFrame, project: dict) -> None:
        share = {}
        for species in ("lamprey", "walleye"):
            run = project["species"][species]["run"]
            x, weight = np.array(run["curve"]).T
            day = flows.index.strftime("%m-%d")
            inside = (day >= run["season"][0]) & (day <= run["season"][1])
            share[species] = np.where(inside, np.interp(flows["water_temp_c"], x, weight), 0.0)
        spring = share["walleye"] * (flows.index.strftime("%m-%d") < "05-08")
        assert spring.sum() > 0.75 * share["walleye"].sum()
        later = share["lamprey"] * (flows.index.strftime("%m-%d") >= "05-08")
        assert later.sum() > 0.85 * share["lamprey"].sum()


class TestTrials:
    def test_counts(self, sites: pd.DataFrame, actions: pd.DataFrame) -> None:
        trials = pd.read_csv(DEMO / "trials.csv")
        assert set(trials["action"].dropna()) <= set(actions["action"])
        assert set(trials["site"].dropna()) <= set(sites["site"])
        assert set(trials["species"]) <= set(SPECIES)
        assert (trials["passed"] <= trials["offered"]).where(trials["offered"].notna(), other=True).all()
        sorter = trials[trials["let_through"].notna()].set_index("species")
        assert sorter.loc["lamprey", ["let_through", "held_back"]].tolist() == [0.0, 121.0]
        native = sorter.drop("lamprey")
        assert (native["let_through"] / (native["let_through"] + native["held_back"])).min() > 0.7
        weir = trials[trials["action"].isna()].iloc[0]
        assert (weir["species"], weir["offered"], weir["passed"]) == ("lamprey", 40, 0)


class TestFlows:
    def test_record(self, flows: pd.DataFrame) -> None:
        assert flows.index.equals(pd.date_range("2010-10-01", "2025-09-30", name="date"))
        assert flows.notna().all().all()
        assert (flows["discharge_m3s"] > 0).all()

    def test_mean_agrees_with_the_line_of_the_gauge(
        self, flows: pd.DataFrame, streams: gpd.GeoDataFrame
    ) -> None:
        gauge = pd.read_csv(DEMO / "gauges.csv").iloc[0]
        near = streams.distance(Point(gauge["x"], gauge["y"]))
        line = streams.loc[near.idxmin()]
        assert near.min() < 30.0
        assert gauge["area_km2"] == pytest.approx(line["area_km2"], rel=0.02)
        assert flows["discharge_m3s"].mean() == pytest.approx(line["q_mean_m3s"], rel=0.15)

    def test_seasons(self, flows: pd.DataFrame) -> None:
        monthly = flows.groupby(flows.index.month).mean()
        flow, warmth = monthly["discharge_m3s"], monthly["water_temp_c"]
        assert flow.idxmax() in {4, 5}
        assert flow[[1, 2]].max() < 0.5 * flow.mean()
        assert flow[[7, 8]].max() < flow[[10, 11]].mean()
        assert warmth[[1, 2]].max() < 1.0
        assert 17.0 < warmth[[7, 8]].mean() < 22.0
        smooth = flows["water_temp_c"].rolling(5).mean()
        crossing = [
            (s > 10.0).idxmax().day_of_year for year, s in smooth.groupby(smooth.index.year) if year > 2010
        ]
        assert 118 <= np.median(crossing) <= 142  # from the end of April to the third week of May
        yearly = flows["discharge_m3s"].resample("YS-OCT").mean()
        assert yearly.max() > 1.4 * yearly.min()


class TestProject:
    def test_names_what_is_there(
        self, project: dict, streams: gpd.GeoDataFrame, sites: pd.DataFrame, actions: pd.DataFrame
    ) -> None:
        hydrography = project["hydrography"]
        for key in ("id", "from_node", "to_node", "length", "name", "drainage_area", "discharge", "width"):
            assert hydrography[key] in streams.columns
        assert len(streams.query(hydrography["minor_channel"])) >= 3
        for key in ("id", "name", "x", "y", "kind", "stream", "failure_probability"):
            assert project["sites"][key] in sites.columns
        assert tuple(project["species"]) == SPECIES
        for name, species in project["species"].items():
            assert species["passability"] in sites.columns
            assert (species["value"] < 0) == (species["role"] == "invasive")
            assert f"passability_{name}" in actions.columns

    def test_folder_is_small_and_ids_are_steady(self, sites: pd.DataFrame) -> None:
        assert sum(p.stat().st_size for p in DEMO.iterdir() if p.is_file()) < 6_000_000
        numbers = sites["site"].str.removeprefix("S").astype(int).tolist()
        assert all(b == a + 1 for a, b in pairwise(numbers))
