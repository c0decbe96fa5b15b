#!/usr/bin/env python3
"""Measure ranking in many draws of the inputs against one ranking of the same network.

    python scripts/bench_draws.py               1,000 draws, 100,000 reaches, 10,000 sites, 2 species
    python scripts/bench_draws.py --draws 200 --sites 2000

Ratios are what counts: both sides are taken in one run on one machine. Rankings are timed one by one between the
blocks of draws and their median is taken, so that both sides bear the same load of the machine.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parent)]

from bench import ECONOMY, action_table, line_table, random_lines, site_table, small_case, whole_job  # noqa: E402

from barrierrank.access.graph import AccessGraph  # noqa: E402
from barrierrank.network.build import NetworkSettings, build_network  # noqa: E402
from barrierrank.network.sites import SnapSettings  # noqa: E402
from barrierrank.problems import Problems  # noqa: E402
from barrierrank.ranking.draw_points import BetaTable, beta_worth, draw_blocks, lognormal_factor  # noqa: E402
from barrierrank.ranking.draw_ranks import draw_ranks  # noqa: E402
from barrierrank.ranking.draw_worth import DrawBlock, worth_of_draws  # noqa: E402
from barrierrank.ranking.intervals import intervals_of  # noqa: E402
from barrierrank.ranking.rules import RankingRule  # noqa: E402
from barrierrank.worth.terms import SpeciesStake  # noqa: E402

SPECIES = ("invader", "native")
REACHES_PER_SITE = 10
PER_SITE = 2


def in_draws(geometry: np.ndarray, sites: int, draws: int) -> tuple[dict[str, float], float]:
    """Rank in many draws; return the seconds of each part, and of one ranking, the median of one after each block."""
    table = site_table(geometry, sites, seed=1)
    actions = action_table(table, seed=1, per_site=PER_SITE)
    built = build_network(line_table(geometry), NetworkSettings("digitised", 0.5), Problems(), sites=table,
                          snapping=SnapSettings(100.0, 10.0, 1.5))  # fmt: skip
    graph = AccessGraph.from_network(built.network, sites)
    habitat = graph.amounts(built.network.length_m)
    stakes = [SpeciesStake(key, "native", 0.1, table.passability[:, k], actions.passability[:, k], habitat)
              for k, key in enumerate(SPECIES)]  # fmt: skip
    now, then = table.passability[:, :2], actions.passability[:, :2]
    alpha, beta = beta_worth(np.concatenate([now.ravel(), then.ravel()]), np.full(now.size + then.size, 12.0))
    cv = np.concatenate([np.full(2 * len(SPECIES), 0.2), np.full(len(actions), 0.3)])
    seconds = {"points": 0.0, "worth": 0.0, "ranks": 0.0}
    ranks, benefit = np.empty((len(actions), draws), dtype=np.int32), np.empty((len(actions), draws))
    single: list[float] = []
    done = 0
    start = time.perf_counter()
    betas = BetaTable(alpha, beta)
    for u in draw_blocks(alpha.size + cv.size, draws, seed=1, method="latin_hypercube"):
        p = betas.quantile(u[:, : alpha.size])
        f = lognormal_factor(u[:, alpha.size :], cv).T
        d = len(u)
        before = p[: now.size].reshape(*now.shape, d)
        after = p[now.size :].reshape(*then.shape, d)
        block = DrawBlock(
            passability=tuple(np.ascontiguousarray(before[:, k]) for k in range(2)),
            after=tuple(np.ascontiguousarray(after[:, k]) for k in range(2)),
            failure_today=np.zeros((sites, d)), failure_after=np.zeros((len(actions), d)),
            habitat=tuple(habitat[:, None] * f[k] for k in range(2)), value=0.1 * f[2:4],
            treatment=np.ones((2, d)), cost=f[4:],
        )  # fmt: skip
        start = _lap(seconds, "points", start)
        terms = worth_of_draws(graph, actions, stakes, block, ECONOMY)
        start = _lap(seconds, "worth", start)
        these = slice(done, done := done + d)
        names = {"site": table.site[actions.site_index], "action": actions.action}
        ranks[:, these], benefit[:, these] = draw_ranks(terms, RankingRule(), **names), terms.benefit
        _lap(seconds, "ranks", start)
        single.append(sum(whole_job(line_table(geometry), table, actions).values()))
        start = time.perf_counter()
    intervals_of(ranks, benefit, level=0.9, top=10)
    _lap(seconds, "ranks", start)
    return seconds, statistics.median(single)


def _lap(seconds: dict[str, float], name: str, start: float) -> float:
    now = time.perf_counter()
    seconds[name] += now - start
    return now


def main() -> None:
    """Print the ratio and its parts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--sites", type=int, default=10_000)
    asked = parser.parse_args()
    whole_job(*small_case())  # compiles
    in_draws(random_lines(500, seed=2), 50, 4)
    geometry = random_lines(asked.sites * REACHES_PER_SITE, seed=1)
    parts, one = in_draws(geometry, asked.sites, asked.draws)
    told = ", ".join(f"{name} {value / one:.1f}" for name, value in parts.items())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{asked.draws:,} draws of {len(geometry):,} reaches, {asked.sites:,} sites, "
        f"{PER_SITE * asked.sites:,} actions, 2 species: "
        f"{sum(parts.values()) / one:.0f} x one ranking (target 60); of it {told}; peak memory {peak:.1f} GB"
    )


if __name__ == "__main__":
    main()
