"""Random structures, fish and flows for property tests."""

from __future__ import annotations

import numpy as np

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.passability import RunDays, run_days
from barrierrank.passage.results import RunWeights
from barrierrank.passage.structures import Structures


def random_structures(rng: np.random.Generator, n: int, *, kinds: tuple[int, ...] = (1, 2, 3, 4)) -> Structures:
    """Return n plausible structures of all kinds on streams of some m3/s, tailwater from a channel."""
    x = np.full((n, f.FIELDS), np.nan)
    x[:, f.KIND] = rng.choice(kinds, n)
    bed = rng.uniform(90.0, 110.0, n)
    width = rng.uniform(1.5, 20.0, n)
    x[:, f.TAIL] = f.TAIL_CHANNEL
    x[:, f.TAIL_SHIFT] = 0.0
    x[:, f.CHANNEL_BED], x[:, f.CHANNEL_WIDTH] = bed, width
    x[:, f.CHANNEL_SIDE] = rng.choice([0.0, 1.0, 2.5], n)
    x[:, f.CHANNEL_SLOPE] = 10 ** rng.uniform(-3.5, -1.5, n)
    x[:, f.CHANNEL_N] = rng.uniform(0.025, 0.06, n)
    x[:, f.CREST] = bed + rng.uniform(0.1, 2.0, n)
    x[:, f.WIDTH] = width * rng.uniform(0.4, 1.2, n)
    x[:, f.SIDE] = rng.choice([0.0, 0.0, 1.0], n)
    x[:, f.THICKNESS] = rng.choice([0.0, 0.3, 2.0], n)
    x[:, f.BED] = np.where(rng.random(n) < 0.7, x[:, f.CREST] - rng.uniform(0.2, 1.5, n), np.nan)
    x[:, f.LIP] = rng.choice([0.0, 0.15], n)
    x[:, f.CONTRACTIONS] = rng.choice([0.0, 2.0], n)
    notched = rng.random(n) < 0.2
    x[:, f.NOTCH_WIDTH] = np.where(notched, 0.2 * x[:, f.WIDTH], 0.0)
    x[:, f.NOTCH_DEPTH] = np.where(notched, 0.3, 0.0)
    x[:, f.LOGS] = rng.choice([0.0, 0.0, 0.4], n)
    x[:, f.POOL_BED] = np.where(rng.random(n) < 0.7, bed - rng.uniform(0.0, 1.0, n), np.nan)
    x[:, f.OPENING] = rng.uniform(0.05, 0.5, n)
    x[:, f.GATE_TOP] = np.where(rng.random(n) < 0.5, x[:, f.CREST] + 1.5, np.nan)
    _barrels(rng, x, bed, width)
    up = rng.random(n) < 0.5
    return Structures(
        site=np.arange(n), numbers=x, tail_start=np.zeros(n + 1, dtype=np.int64), tail_x=np.empty(0),
        tail_y=np.empty(0), up_from=np.where(up, rng.integers(60, 120, n), -1),
        up_to=np.where(up, rng.integers(150, 200, n), -1), gauge=np.zeros(n, dtype=np.int64),
        flow_factor=10 ** rng.uniform(-1.0, 0.5, n), flow_exponent=rng.choice([1.0, 0.9], n),
    )  # fmt: skip


def _barrels(rng: np.random.Generator, x: np.ndarray, bed: np.ndarray, width: np.ndarray) -> None:
    """Fill the columns of barrels."""
    n = len(bed)
    x[:, f.SHAPE] = rng.choice([f.CIRCULAR, f.BOX, f.ARCH], n)
    x[:, f.RISE] = rng.uniform(0.6, 2.5, n)
    x[:, f.SPAN] = np.where(x[:, f.SHAPE] == f.CIRCULAR, x[:, f.RISE], x[:, f.RISE] * rng.uniform(1.0, 2.0, n))
    x[:, f.LENGTH] = rng.uniform(6.0, 60.0, n)
    x[:, f.OUTLET] = bed + rng.uniform(-0.3, 0.8, n)
    x[:, f.INLET] = x[:, f.OUTLET] + x[:, f.LENGTH] * rng.uniform(-0.002, 0.03, n)
    x[:, f.BARREL_N] = rng.choice([0.012, 0.024, 0.035], n)
    x[:, f.BARRELS] = np.maximum(np.round(width / x[:, f.SPAN] * 0.5), 1.0)
    x[:, f.EMBEDDED] = np.where(rng.random(n) < 0.3, 0.15 * x[:, f.RISE], 0.0)
    x[:, f.ENTRANCE_LOSS] = 0.5
    x[:, f.INLET_K], x[:, f.INLET_M], x[:, f.INLET_C], x[:, f.INLET_Y] = 0.0098, 2.0, 0.0398, 0.67


def some_fish() -> np.ndarray:
    """Return four fish, (4, TRAITS): two that do not leap, one of them slowed by cold, a leaper, a weak one."""
    x = np.zeros((4, f.TRAITS))
    x[:, f.REQUIRED_DROP], x[:, f.REQUIRED_DROP_LIP] = 0.45, 0.30
    x[:, f.LEAP] = np.nan
    x[:, f.VELOCITY_SHARE] = 1.0
    x[:, f.DEPTH_LEAST] = [0.03, 0.1, 0.1, 0.15]
    x[:, f.WARMTH], x[:, f.WARMTH_AT] = [0.0, 0.03, 0.0, -0.02], 12.0
    x[:, f.PROLONGED_A], x[:, f.PROLONGED_B] = 12.0, [-6.0, -5.0, -5.0, -8.0]
    x[:, f.PROLONGED_FROM], x[:, f.PROLONGED_TO] = 0.4, [1.5, 1.6, 1.6, 1.0]
    x[:, f.BURST_A], x[:, f.BURST_B] = 6.0, -1.5
    x[:, f.BURST_FROM], x[:, f.BURST_TO] = [1.5, 1.6, 1.6, 1.0], [3.9, 2.6, 3.0, 1.6]
    x[:, f.WAIT_DAYS] = [0.0, 3.0, 5.0, 10.0]
    x[2, f.LEAPS], x[2, f.LEAP] = 1.0, 0.7
    x[2, f.POOL_SHARE], x[2, f.POOL_LEAST] = 1.25, 0.2
    x[2, f.REQUIRED_DROP:f.REQUIRED_DROP_LIP + 1] = np.nan
    return x


def some_days(rng: np.random.Generator, *, years: int, fish: np.ndarray, gaps: bool = True) -> RunDays:
    """Return runs of four species in a record of made-up flows at one gauge."""
    date = np.arange("2001-01-01", f"{2001 + years}-01-01", dtype="datetime64[D]")
    of_year = (date - date.astype("datetime64[Y]")).astype(np.int64)
    noise = np.zeros(date.size)
    for d in range(1, date.size):
        noise[d] = 0.9 * noise[d - 1] + rng.normal(0.0, 0.35)
    flow = 1.5 * np.exp(0.8 * np.sin((of_year - 20) / 58.1) + noise)
    heat = 10.0 - 9.0 * np.cos((of_year - 20) / 58.1) + rng.normal(0.0, 1.5, date.size)
    if gaps:
        flow[rng.integers(0, date.size, 5)] = np.nan
        heat[rng.integers(0, date.size, 5)] = np.nan
        flow[rng.integers(0, date.size, 3)] = 0.0
    runs = [_run(rng, date, of_year, first) for first in (95, 100, 110, 85)]
    return run_days(date, flow[None], heat[None], runs, fish[:, f.WAIT_DAYS].tolist())


def _run(rng: np.random.Generator, date: np.ndarray, of_year: np.ndarray, first: int) -> RunWeights:
    """Return a run of 80 days with random weights."""
    inside = (of_year >= first) & (of_year < first + 80)
    year = (date.astype("datetime64[Y]").astype(np.int64) + 1970) - 2001
    weight = np.where(inside, rng.uniform(0.0, 1.0, date.size), 0.0)
    total = np.bincount(year, weight)
    return RunWeights(
        weight=(weight / total[year])[None], year=np.where(inside, year, -1), years=2001 + np.arange(total.size),
        complete=np.ones((1, total.size), dtype=bool),
    )
