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
from scipy import ndimage
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
def flows() -> pd.DataFrame:
    return pd.read_csv(DEMO / "flows.csv", parse_dates=["date"], index_col="date")


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
