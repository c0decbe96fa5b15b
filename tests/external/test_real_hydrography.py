"""The network on real hydrography, against the attributes its publishers worked out.

Sources: NHDPlus Version 2 and NHDPlus High Resolution (US EPA and US Geological Survey, public domain), attributes
ArbolateSu, StreamOrde, TotDASqKM as the NHDPlus user guide defines them; National Inventory of Dams, 2019 (US Army
Corps of Engineers, public domain); OpenStreetMap (its contributors, ODbL 1.0).
"""

from __future__ import annotations

import contextlib
import dataclasses
import re
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from support import plain

from barrierrank.access.graph import AccessGraph
from barrierrank.basin import Basin, Clock, make_basin
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import InputError, Problems
from barrierrank.project import load_project
from barrierrank.run import rank_project

pytestmark = pytest.mark.real_data

NETWORK = "NHDFlowline_Network"
COMPLETE = [
    ("new_hope_full.gpkg", NETWORK, 746),
    ("yahara_natseamless.gpkg", NETWORK, 267),
    ("walker_full.gpkg", NETWORK, 62),
]


@dataclass(frozen=True)
class Sample:
    """One real layer and how to read it."""

    file: str
    layer: str
    crs: str = "EPSG:5070"
    id: str = "COMID"
    direction: str = "nodes"
    length: str = "LENGTHKM"
    more: str = ""

    def project(self, folder: Path, data: Path, sites: pd.DataFrame | None = None, more: str = "") -> Path:
        """Write a project file for it, with one site on the middle of its longest line where none are given."""
        if sites is None:
            frame = gpd.read_file(data / "hydrography" / self.file, layer=self.layer).to_crs("EPSG:4326")
            x, y = shapely.get_coordinates(frame.geometry.iloc[frame.geometry.count_coordinates().argmax()])[5]
            sites = pd.DataFrame({"site": ["one"], "lon": [x], "lat": [y], "p": [0.5]})
        sites.to_csv(folder / "sites.csv", index=False)
        nodes = 'from_node = "FromNode"\nto_node = "ToNode"\n' if self.direction == "nodes" else ""
        minor = 'minor_channel = "Divergence == 2"\n' if self.id != "osm_id" else ""
        length = f'length = "{self.length}"\nlength_unit = "km"\n' if self.length else ""
        text = (
            f'[basin]\nname = "Sample"\ncrs = "{self.crs}"\n'
            f'[hydrography]\npath = "{(data / "hydrography" / self.file).as_posix()}"\nlayer = "{self.layer}"\n'
            f'id = "{self.id}"\ndirection = "{self.direction}"\n{nodes}{minor}{length}{self.more}'
            "join_tolerance_m = 0.5\n"
            '[sites]\npath = "sites.csv"\nid = "site"\nx = "lon"\ny = "lat"\ncrs = "EPSG:4326"\n'
            "snap_tolerance_m = 100\n"
            '[species.invader]\nrole = "invasive"\nvalue = -1.0\npassability = "p"\nhabitat = "length"\n'
            '[species.native]\nrole = "native"\nvalue = 0.4\npassability = "p"\nhabitat = "length"\n'
            f'[money]\ncurrency = "USD"\ndiscount_rate = 0.03\nhorizon_years = 30\n{more}'
        )
        path = folder / "project.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def basin(self, folder: Path, data: Path, sites: pd.DataFrame | None = None) -> tuple[Basin, Problems]:
        problems = Problems()
        project = load_project(self.project(folder, data, sites), problems)
        return make_basin(project, problems, Clock()), problems

    def published(self, data: Path) -> pd.DataFrame:
        frame = gpd.read_file(data / "hydrography" / self.file, layer=self.layer, ignore_geometry=True)
        return frame.set_index(frame[self.id].astype("int64").astype(str))


def compared(network: RiverNetwork, basin: Basin, published: pd.DataFrame) -> pd.DataFrame:
    """Return, for each line, what was worked out beside what was published."""
    ids = basin.inputs.lines.source_id[network.row]
    got = pd.DataFrame({"upstream_km": network.upstream_m / 1000, "strahler": network.strahler}, index=ids)
    return published.join(got.groupby(level=0).max(), how="inner")  # of a line split at a site, the lowest reach


@pytest.mark.parametrize("direction", ["nodes", "digitised"])
@pytest.mark.parametrize(("file", "layer", "lines"), COMPLETE)
def test_upstream_length_and_order_equal_the_published_ones_on_every_line(
    real_data: Path, tmp_path: Path, file: str, layer: str, lines: int, direction: str
) -> None:
    sample = Sample(file, layer, direction=direction)
    basin, problems = sample.basin(tmp_path, real_data)
    both = compared(basin.built.network, basin, sample.published(real_data))
    assert len(both) == lines
    np.testing.assert_allclose(both["upstream_km"], both["ArbolateSu"], atol=0.0015)  # published to the metre
    assert (both["strahler"] == both["StreamOrde"]).all()
    assert {p.kind for p in problems} <= {"parts", "query"}


@pytest.mark.parametrize(("file", "layer", "lines"), COMPLETE)
def test_layers_turned_upside_down_give_the_same(
    real_data: Path, tmp_path: Path, file: str, layer: str, lines: int
) -> None:
    frame = gpd.read_file(real_data / "hydrography" / file, layer=layer)
    (tmp_path / "hydrography").mkdir()
    frame.geometry = frame.geometry.force_2d().line_merge().reverse()
    frame.to_file(tmp_path / "hydrography" / file, layer=layer)
    sample = Sample(file, layer, direction="digitised")
    basin, problems = sample.basin(tmp_path, tmp_path)
    assert "drawn_upstream" in {p.kind for p in problems}
    both = compared(basin.built.network, basin, sample.published(real_data))
    assert len(both) == lines
    np.testing.assert_allclose(both["upstream_km"], both["ArbolateSu"], atol=0.0015)


@pytest.mark.parametrize(
    ("sample", "complete"),
    [
        (Sample("tylerforks_nhdplus.gpkg", "flowline"), 60),
        (Sample("shellmound_nhdplus.gpkg", "flowline"), 703),
        (
            Sample(
                "rondout_neversink_nhdplushr.gpkg", "flowline_rondout_0202", id="NHDPlusID", length="LengthKM"
            ),
            485,
        ),
        (
            Sample(
                "rondout_neversink_nhdplushr.gpkg",
                "flowline_neversink_0204",
                id="NHDPlusID",
                length="LengthKM",
            ),
            496,
        ),
    ],
    ids=lambda v: v.layer if isinstance(v, Sample) else "",
)
def test_clipped_layers_agree_wherever_nothing_flows_in_from_outside(
    real_data: Path, tmp_path: Path, sample: Sample, complete: int
) -> None:
    basin, problems = sample.basin(tmp_path, real_data)
    network, published = basin.built.network, sample.published(real_data)
    both = compared(network, basin, published)
    # inflow from outside: a line whose publisher names an upstream line that is not in the file, or a line without
    # inflow in the file that is no source by its publisher
    flags = published.rename(columns=str.lower).reindex(basin.inputs.lines.source_id[network.row])
    elsewhere = (flags["uphydroseq"] != 0) & ~flags["uphydroseq"].isin(flags["hydroseq"])
    clipped = elsewhere.to_numpy() | (
        ~np.isin(network.tail, network.head) & (flags["startflag"] != 1).to_numpy()
    )
    whole = network.upstream_sum(clipped.astype(float)[:, None])[:, 0] == 0.0
    checked = both.loc[flags.index[whole].unique()]
    assert len(checked) == complete
    np.testing.assert_allclose(checked["upstream_km"], checked["ArbolateSu"], atol=0.0015)
    assert (checked["strahler"] == checked["StreamOrde"]).all()
    assert all(p.severity != "error" for p in problems)


def test_gaps_and_a_true_multipart_end_in_a_network_with_every_mend_listed(
    real_data: Path, tmp_path: Path
) -> None:
    sample = Sample(
        "rondout_neversink_nhdplushr.gpkg", "flowline_rondout_0202", id="NHDPlusID", length="LengthKM"
    )
    basin, problems = sample.basin(tmp_path, real_data)
    told = {p.kind: p for p in problems}
    assert told["multipart"].ids == ("10000700070447",)
    assert told["no_direction"].ids == ("10000700047982",)
    assert len(basin.built.network) == 488 + 1  # split at the site


def test_cycles_of_the_delta_are_named_and_can_be_broken(real_data: Path, tmp_path: Path) -> None:
    sample = Sample("shellmound_nhdplus.gpkg", "flowline", direction="digitised")
    with pytest.raises(InputError, match="flow in a circle") as caught:
        sample.basin(tmp_path, real_data)
    cycles = sorted(len(p.ids) for p in caught.value.problems)
    assert cycles == [3, 9]
    assert {"17962793", "17962853", "17962883"} in [set(p.ids) for p in caught.value.problems]
    spared = [re.findall(r'"(\d+)"', p.remedy) for p in caught.value.problems]
    assert sorted(len(s) for s in spared) == [1, 2]
    ids = ", ".join(f'"{i}"' for s in spared for i in s)
    mended = Sample(sample.file, sample.layer, direction="digitised", more=f"leave_out = [{ids}]\n")
    basin, problems = mended.basin(tmp_path, real_data)
    assert basin.built.network.order.size == basin.built.network.nodes
    assert "left_out" in {p.kind for p in problems}


@pytest.mark.parametrize(("file", "crs", "joins"), [("osm_liechtenstein.gpkg", "EPSG:32632", 188),
                                                    ("osm_rutland.gpkg", "EPSG:32618", 32)])  # fmt: skip
def test_ways_that_join_at_mid_line_are_joined_where_their_node_ids_say(
    real_data: Path, tmp_path: Path, file: str, crs: str, joins: int
) -> None:
    ways = gpd.read_file(real_data / "hydrography" / file, layer="waterways")
    at: dict[str, set[tuple[str, bool]]] = {}
    for way, nodes in zip(ways["osm_id"], ways["nodes"], strict=True):
        listed = str(nodes).strip("[]").replace(",", " ").split()
        for i, node in enumerate(listed):
            at.setdefault(node, set()).add((way, i in (0, len(listed) - 1)))
    shared = [node for node, seen in at.items() if len({w for w, _ in seen}) > 1]
    mid = [n for n in shared if any(end for _, end in at[n]) and any(not end for _, end in at[n])]
    assert len(mid) == joins
    sample = Sample(file, "waterways", crs=crs, id="osm_id", direction="digitised", length="")
    problems = Problems()
    project = load_project(sample.project(tmp_path, real_data), problems)
    with contextlib.suppress(InputError):  # one extract has circles, see the next test
        make_basin(project, problems, Clock())
    places = {p.place for p in problems if p.kind == "t_join"}
    assert len(places) == joins


def test_ways_with_circles_make_a_network_once_the_named_lines_are_left_out(
    real_data: Path, tmp_path: Path
) -> None:
    sample = Sample("osm_rutland.gpkg", "waterways", crs="EPSG:32618", id="osm_id", direction="digitised", length="")
    with pytest.raises(InputError, match=r"flow in a circle: .*leave_out = ") as caught:
        sample.basin(tmp_path, real_data)
    assert {"w257158058", "w453718834"} in [set(p.ids) for p in caught.value.problems]
    ids = ", ".join(f'"{i}"' for p in caught.value.problems for i in re.findall(r'"(w\d+)"', p.remedy))
    basin, problems = dataclasses.replace(sample, more=f"leave_out = [{ids}]\n").basin(tmp_path, real_data)
    assert basin.built.network.order.size == basin.built.network.nodes
    assert not problems.of("error")


def test_dams_snap_where_the_reference_has_them_with_its_upstream_length(
    real_data: Path, tmp_path: Path
) -> None:
    reference = pd.read_csv(real_data / "dams" / "new_hope_dam_reference.csv").set_index("nidid")
    dams = pd.read_csv(real_data / "dams" / "nid_new_hope.csv")
    table = pd.DataFrame({"site": dams["nidid"], "lon": dams["longitude"], "lat": dams["latitude"], "p": 0.5})
    sample = Sample("new_hope_full.gpkg", NETWORK)
    basin, problems = sample.basin(tmp_path, real_data, table)
    snapped, network = basin.built.snapped, basin.built.network
    assert snapped is not None
    sites = basin.inputs.sites.site
    expected = reference.reindex(sites)
    near = (expected["snap_dist_m"] <= 100.0).to_numpy()
    assert near.sum() == 36
    assert (np.isfinite(snapped.distance) == near).all()
    assert sum(p.kind == "site_far" for p in problems) == len(sites) - 36
    np.testing.assert_allclose(snapped.distance[near], expected["snap_dist_m"][near], atol=0.1)
    reach = network.site_reach(len(sites))[near]
    lines = basin.inputs.lines.source_id[network.row[reach]]
    assert (lines == expected["COMID"][near].astype("int64").astype(str)).all()
    np.testing.assert_allclose(
        network.upstream_m[reach] / 1000, expected["upstream_km_from_published"][near], atol=0.002
    )


def test_fifty_sites_on_the_braided_sample_rank_and_equal_the_plain_definition(
    real_data: Path, tmp_path: Path
) -> None:
    lines = gpd.read_file(real_data / "hydrography" / "new_hope_full.gpkg", layer=NETWORK)
    rng = np.random.default_rng(50)
    # half of the sites in arms of loops, where it is hardest
    arms = np.flatnonzero(lines["Divergence"].to_numpy() > 0)
    chosen = np.concatenate([rng.choice(arms, 25, replace=False), rng.choice(len(lines), 25, replace=False)])
    on = lines.geometry.iloc[chosen].to_crs("EPSG:5070").interpolate(rng.random(50), normalized=True)
    on = on.to_crs("EPSG:4326")
    p = np.where(rng.random(50) < 0.3, 0.0, rng.random(50).round(2))
    table = pd.DataFrame(
        {"site": [f"S{i}" for i in range(50)], "lon": on.x.to_numpy(), "lat": on.y.to_numpy(), "p": p}
    )
    sample = Sample("new_hope_full.gpkg", NETWORK)
    actions = pd.DataFrame({"site": table["site"], "action": "remove", "cost": 1000.0,
                            "passability_invader": 1.0, "passability_native": 1.0})  # fmt: skip
    actions.to_csv(tmp_path / "actions.csv", index=False)
    path = sample.project(tmp_path, real_data, table, '[actions]\npath = "actions.csv"\n')
    problems = Problems()
    project = load_project(path, problems)
    model = rank_project(project, problems)
    basin = make_basin(project, Problems(), Clock())
    network = basin.built.network
    assert network.braided
    assert (network.site >= 0).sum() == 50
    passability = basin.inputs.sites.passability[:, 0]
    expected = plain.access_by_shortest_way(network, passability)
    np.testing.assert_allclose(model.reaches["access_native"], expected, rtol=1e-9)
    graph = AccessGraph.from_network(network, 50)
    assert (np.diff(graph.first) > 1).any()
    base = expected @ network.length_m
    blocked = model.sites.set_index("site")["blocked_native"]
    gain = model.priority.set_index("site")["gain_native"]
    for i, site in enumerate(basin.inputs.sites.site):
        opened = passability.copy()
        opened[i] = 1.0
        effect = plain.access_by_shortest_way(network, opened) @ network.length_m - base
        assert blocked[site] == pytest.approx(effect, rel=1e-9, abs=1e-6)
        assert gain[site] == pytest.approx(effect, rel=1e-9, abs=1e-6)
