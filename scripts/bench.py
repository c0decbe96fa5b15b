#!/usr/bin/env python3
"""Measure the work of barrierrank against the time to read the same lines; makes its own networks.

    python scripts/bench.py                 every row: about five minutes, then `plans`
    python scripts/bench.py speed           network to ranks for 1,000,000 reaches against reading them
    python scripts/bench.py memory          peak memory of the same for 2,700,000 reaches
    python scripts/bench.py effects         effects of all sites against the plain definition in networkx
    python scripts/bench.py plans           gaps proven in a given time, and a general solver beside: about 40 minutes
    python scripts/bench.py plans --quick   of these 1,000 sites and the solver only: about 20 minutes

Ratios are what counts: both sides of each are taken in one run on one machine.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pyogrio
import shapely
from bench_plan import Cells, flow_form, plain_model, plan_cells

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.sites import SnapSettings
from barrierrank.problems import Problems
from barrierrank.project import EconomySpec
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.worth.terms import SpeciesStake, action_terms, years_of

ROWS = ("speed", "memory", "effects", "plans")
VERTICES = 12
"""Vertices a line: about what medium-resolution hydrography has (10.6 on the New Hope sample)."""
SPECIES = ("invader", "native_a", "native_b")
ECONOMY = EconomySpec(currency="USD", discount_rate=0.03, horizon_years=30)
PLANS = (
    Cells(1_000, natives=1, gap=0.1, seconds=10.0, seeds=3),
    Cells(10_000, natives=1, gap=0.25, seconds=30.0, seeds=3),
    Cells(10_000, natives=3, gap=0.5, seconds=60.0, seeds=2),
    Cells(20_000, natives=1, gap=0.5, seconds=60.0, seeds=2),
    Cells(10_000, natives=1, gap=0.5, seconds=30.0, curve=True),
)
CURVE_S = 120.0
"""What a curve of 20 budgets may take."""
BESIDE = Cells(200, natives=1, gap=0.1, seconds=10.0)
"""Plans that a general solver makes too."""
SOLVER_S = 60.0
"""What the solver is given for each: beyond that, ratios are "at least"."""


def random_lines(n: int, seed: int) -> np.ndarray:
    """Return n lines drawn downstream on a jittered lattice: a random tree with braids, in shuffled order."""
    rng = np.random.default_rng(seed)
    side = math.isqrt(n) + 1
    xy = np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2)[: n + 1] * 1000.0
    xy += rng.normal(0, 100, xy.shape)
    i = np.arange(1, n + 1)
    row, column = np.divmod(i, side)
    left = np.where(row == 0, True, np.where(column == 0, False, rng.random(n) < 0.5))
    down = np.where(left, i - 1, i - side)
    t = np.linspace(0, 1, VERTICES)[None, :, None]
    bends = rng.normal(0, 40, (n, VERTICES, 2))
    bends[:, [0, -1]] = 0.0
    coords = xy[i][:, None] * (1 - t) + xy[down][:, None] * t + bends
    # one line in a hundred also has a side channel to its other neighbour: braids and diversions
    other = np.where(left, i - side, i - 1)
    side_channel = np.flatnonzero((row > 0) & (column > 0) & (rng.random(n) < 0.01))
    replaced = rng.choice(
        np.flatnonzero(np.bincount(down, minlength=n + 1)[i] == 0), side_channel.size, replace=False
    )
    coords[replaced] = (
        xy[i[side_channel]][:, None] * (1 - t) + xy[other[side_channel]][:, None] * t + bends[replaced]
    )
    coords = coords[rng.permutation(n)]
    return shapely.linestrings(coords.reshape(-1, 2), indices=np.repeat(np.arange(n), VERTICES))


def line_table(geometry: np.ndarray) -> LineTable:
    """Return lines as the reader hands them over."""
    n = geometry.size
    off = np.zeros(n, dtype=np.bool_)
    names = np.arange(1, n + 1).astype(str).astype(object)
    return LineTable("bench", geometry, np.arange(1, n + 1), names, None, None, off, off, off,
                     None, None, None, None, None, None, None, {})  # fmt: skip


def site_table(geometry: np.ndarray, sites: int, seed: int, *, ageing: bool = False) -> SiteTable:
    """Return sites near random lines, with passabilities of all kinds; where `ageing`, a fifth of them may fail."""
    rng = np.random.default_rng(seed + 1)
    line = geometry[rng.choice(geometry.size, sites, replace=False)]
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, rng.random(sites), normalized=True))
    xy = xy + rng.normal(0, 15, xy.shape)
    text = np.full(sites, "", dtype=object)
    p = np.where(rng.random((sites, 3)) < 0.3, 0.0, rng.random((sites, 3)) ** 0.3)
    q = np.where((rng.random(sites) < 0.2) & ageing, rng.uniform(0.005, 0.05, sites), 0.0)
    names = np.arange(sites).astype(str).astype(object)
    return SiteTable("bench", np.arange(1, sites + 1), names, text, text, xy[:, 0].copy(), xy[:, 1].copy(),
                     None, None, q, p, np.ones_like(p), pd.DataFrame(index=range(sites)))  # fmt: skip


def action_table(sites: SiteTable, seed: int, per_site: int = 2, *, ageing: bool = False) -> ActionTable:
    """Return actions: `per_site` at each site."""
    rng = np.random.default_rng(seed + 2)
    index = np.repeat(np.arange(len(sites)), per_site)
    n = index.size
    action = np.array(["repair", "remove", "rebuild"], dtype=object)[np.tile(np.arange(per_site), len(sites))]
    return ActionTable("bench", np.arange(1, n + 1), index, action, rng.lognormal(12, 1, n),
                       rng.lognormal(7, 1, n), np.full(n, 40.0), np.full(n, 0.002 * ageing), rng.random((n, 3)),
                       np.full(n, "", dtype=object))  # fmt: skip


def whole_job(lines: LineTable, sites: SiteTable, actions: ActionTable) -> dict[str, float]:
    """Run network, access, effects, terms and ranks; return seconds per stage."""
    seconds, start = {}, time.perf_counter()

    def lap(name: str) -> None:
        nonlocal start
        now = time.perf_counter()
        seconds[name] = now - start
        start = now

    built = build_network(lines, NetworkSettings("digitised", 0.5), Problems(), sites=sites,
                          snapping=SnapSettings(100.0, 10.0, 1.5))  # fmt: skip
    network = built.network
    lap("network")
    _ = (network.strahler, network.upstream_m, network.outlet)
    lap("attributes")
    graph = AccessGraph.from_network(network, len(sites))
    years = years_of(sites.failure_probability, actions.failure_probability, actions.life_years, ECONOMY)
    habitat = graph.amounts(network.length_m)
    stakes = [SpeciesStake(key, "native", 0.1, sites.passability[:, k], actions.passability[:, k], habitat)
              for k, key in enumerate(SPECIES)]  # fmt: skip
    lap("access")
    terms = action_terms(graph, actions, stakes, years, ECONOMY)
    lap("effects")
    terms.insert(0, "site", sites.site[terms.pop("site_index").to_numpy()])
    rank_actions(terms.assign(name=""), RankingRule())
    lap("ranks")
    return seconds


def speed(reaches: int, sites: int, runs: int = 3) -> dict[str, float]:
    """Print the time of the whole job as a share of the time to read the same lines."""
    geometry = random_lines(reaches, seed=1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lines.gpkg"
        frame = gpd.GeoDataFrame({"line": np.arange(reaches)}, geometry=geometry, crs="EPSG:5070")
        pyogrio.write_dataframe(frame, path)
        reading = []
        for _ in range(runs):
            start = time.perf_counter()
            geometry = np.asarray(pyogrio.read_dataframe(path, use_arrow=True).geometry.values)
            reading.append(time.perf_counter() - start)
    whole_job(*small_case())  # compiles
    figures = {"reading_s": min(reading)}
    for ageing in (False, True):
        table = site_table(geometry, sites, seed=1, ageing=ageing)
        actions = action_table(table, seed=1, ageing=ageing)
        jobs = [whole_job(line_table(geometry), table, actions) for _ in range(runs)]
        best = min(jobs, key=lambda job: sum(job.values()))
        ratio = sum(best.values()) / min(reading)
        shares = ", ".join(f"{name} {value / min(reading):.2f}" for name, value in best.items())
        years = f"structures ageing over {ECONOMY.horizon_years} years" if ageing else "structures that last"
        print(f"{reaches:,} reaches, {sites:,} sites, {len(actions):,} actions, 3 species, {years}: "
              f"{ratio:.2f} x reading the lines (target 1.0)\n   of it {shares}")  # fmt: skip
        figures |= {
            f"{name}{'_ageing' if ageing else ''}": value for name, value in {"ratio": ratio, **best}.items()
        }
    return figures


def small_case() -> tuple[LineTable, SiteTable, ActionTable]:
    """Return a small case of the same kind, for compiling."""
    geometry = random_lines(500, seed=2)
    sites = site_table(geometry, 50, seed=2, ageing=True)
    return line_table(geometry), sites, action_table(sites, seed=2, ageing=True)


def memory(reaches: int, sites: int) -> None:
    """Print the peak memory of the whole job, in a process of its own."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "import bench, resource\n"
        f"g = bench.random_lines({reaches}, seed=3)\n"
        f"s = bench.site_table(g, {sites}, seed=3)\n"
        "bench.whole_job(bench.line_table(g), s, bench.action_table(s, seed=3))\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent)], capture_output=True, text=True, check=True
    )
    peak = int(done.stdout.split()[-1]) * (1 if sys.platform == "darwin" else 1024)
    print(f"{reaches:,} reaches, {sites:,} sites: peak memory {peak / 1e9:.1f} GB, lines included (target 6)")


def effects(reaches: int, sites: int, sampled: int = 12) -> None:
    """Print how much faster the effects of all sites are than by the plain definition, and their difference."""
    geometry = random_lines(reaches, seed=4)
    table = site_table(geometry, sites, seed=4)
    built = build_network(line_table(geometry), NetworkSettings("digitised", 0.5), Problems(), sites=table,
                          snapping=SnapSettings(100.0, 10.0, 1.5))  # fmt: skip
    network, p = built.network, table.passability[:, :1]
    graph = AccessGraph.from_network(network, sites)
    graph.blocked(graph.sweep(p), graph.gated(graph.amounts(network.length_m), graph.sweep(p)))
    start = time.perf_counter()
    graph = AccessGraph.from_network(network, sites)
    sweep = graph.sweep(p)
    fast = graph.blocked(sweep, graph.gated(graph.amounts(network.length_m), sweep))
    fast_s = time.perf_counter() - start
    plain = plain_graph(network)
    base = plain_total(plain, network, p[:, 0])
    chosen = np.random.default_rng(4).permutation(sites)[:sampled]
    start, worst = time.perf_counter(), 0.0
    for s in chosen:
        opened = p[:, 0].copy()
        opened[s] = 1.0
        effect = plain_total(plain, network, opened) - base
        worst = max(worst, abs(effect - fast[s]) / max(abs(effect), 1e-6 * base))
    plain_s = (time.perf_counter() - start) / sampled * sites
    print(f"{reaches:,} reaches, {sites:,} sites: effects {plain_s / fast_s:,.0f} x faster than the plain "
          f"definition (target 1,000), greatest relative difference {worst:.1e} (target 1e-9)")  # fmt: skip


def plain_graph(network) -> nx.DiGraph:
    """Return the graph of reaches that points upstream, for the plain definition."""
    graph = nx.DiGraph()
    leaving: dict[int, list[int]] = {}
    for r in range(len(network)):
        leaving.setdefault(int(network.tail[r]), []).append(r)
    for r in range(len(network)):
        foot = int(network.head[r])
        for below in ["water"] if network.entry[foot] else leaving.get(foot, []):
            graph.add_edge(below, r)
    return graph


def plain_total(graph: nx.DiGraph, network, p: np.ndarray) -> float:
    """Return the accessible length by networkx's shortest ways over -log p."""

    def weight(_: object, upper: int, __: object) -> float | None:
        site = network.site[upper]
        chance = 1.0 if site < 0 else p[site]
        return None if chance == 0.0 else -math.log(chance)

    far = nx.single_source_dijkstra_path_length(graph, "water", weight=weight)
    del far["water"]
    return sum(network.length_m[r] * math.exp(-d) for r, d in far.items())


def plans(*, quick: bool) -> None:
    """Print how near the best plans are proven to be, and how long a general solver takes for the same gaps.

    Parameters
    ----------
    quick : bool
        The first row and that of the solver only.
    """
    for cells in PLANS[:1] if quick else PLANS:
        target = f"all plans, curve {CURVE_S:g} s" if cells.curve else "all plans"
        print(f"plans of {plan_cells(cells).summary()} (target {target})", flush=True)
    plain, flow = plain_model(SOLVER_S), flow_form(SOLVER_S)
    plan_cells(BESIDE, (plain, flow))
    print(f"plans of {BESIDE.sites:,} sites: {plain.summary()} (target median 100, no slower on 0)")
    print(f"plans of {BESIDE.sites:,} sites: {flow.summary()} (no target)", flush=True)


def main() -> None:
    """Run the rows asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("rows", nargs="*", choices=[*ROWS, []], default=[])
    parser.add_argument(
        "--quick", action="store_true", help="of `plans`, only 1,000 sites and the solver: about 20 minutes"
    )
    parser.add_argument("--json", type=Path, help="also write the figures of `speed` there")
    asked = parser.parse_args()
    rows = asked.rows or ROWS
    if "plans" in rows:
        print(f"plans take about {20 if asked.quick else 40} minutes", flush=True)
    if "speed" in rows:
        figures = speed(1_000_000, 100_000)
        if asked.json:
            asked.json.write_text(json.dumps(figures, indent=1))
    if "memory" in rows:
        memory(2_700_000, 270_000)
    if "effects" in rows:
        effects(20_000, 2_000)
    if "plans" in rows:
        plans(quick=asked.quick)
    print(f"peak memory of this process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")


if __name__ == "__main__":
    main()
