#!/usr/bin/env python3
"""Measure passability from structures, flows and fish against one ranking of a network with as many sites.

    python scripts/bench_passage.py              10,000 structures, 15 years, 4 species
    python scripts/bench_passage.py --structures 2000 --years 40

Ratios are what counts: both sides are taken in one run on one machine.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "scripts")]

from bench import action_table, line_table, random_lines, site_table, small_case, whole_job  # noqa: E402
from support.random_structures import random_structures, some_days, some_fish  # noqa: E402

from barrierrank.passage.passability import run_passability  # noqa: E402

REACHES_PER_SITE = 10


def ranking_s(sites: int) -> float:
    """Return the seconds of one ranking of a network with so many sites, best of three."""
    whole_job(*small_case())  # compiles
    geometry = random_lines(sites * REACHES_PER_SITE, seed=1)
    table = site_table(geometry, sites, seed=1, ageing=False)
    actions = action_table(table, seed=1, ageing=False)
    return min(sum(whole_job(line_table(geometry), table, actions).values()) for _ in range(3))


def passage_s(count: int, years: int) -> tuple[float, float]:
    """Return the seconds of working out every passability, best of three, and the days of run they hold."""
    rng = np.random.default_rng(1)
    fish = some_fish()
    run_passability(random_structures(rng, 8), fish, some_days(rng, years=2, fish=fish), crest_reach_m=1.0)
    structures, days = random_structures(rng, count), some_days(rng, years=years, fish=fish)
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        run_passability(structures, fish, days, crest_reach_m=1.0)
        taken.append(time.perf_counter() - start)
    return min(taken), float(days.day.size)


def alone(count: int, years: int) -> tuple[float, float, float]:
    """Return seconds, days of run and peak memory [kB] of a process that works out passability alone."""
    words = [sys.executable, __file__, "--alone", "--structures", str(count), "--years", str(years)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    taken, days, peak = map(float, done.stdout.split())
    return taken, days, peak / (1024 if sys.platform == "darwin" else 1)


def main() -> None:
    """Print the ratio and the peak memory."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--structures", type=int, default=10_000)
    parser.add_argument("--years", type=int, default=15)
    parser.add_argument("--alone", action="store_true", help="print seconds, days and peak memory of passability alone")
    asked = parser.parse_args()
    if asked.alone:
        print(*passage_s(asked.structures, asked.years), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        return
    taken, days, peak = alone(asked.structures, asked.years)
    less = alone(asked.structures, 1)[2]
    ranked = ranking_s(asked.structures)
    print(
        f"{asked.structures:,} structures, {asked.years} years ({days:,.0f} days of run), 4 species: "
        f"{taken / ranked:.1f} x one ranking of {asked.structures * REACHES_PER_SITE:,} reaches with "
        f"{asked.structures:,} sites (target 20); peak memory {peak / 1e3:.0f} MB, with one year {less / 1e3:.0f} MB"
    )


if __name__ == "__main__":
    main()
