"""Passability worked out, pictures of structures and seasons for the invented basin of the tests of outputs.

Numbers are invented, and agree with each other as far as readers compare them: days with flags, the worst year with the
best, what a crest lacks with the drop that is needed and the one that is left.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.model import OutputModel, SeasonTrade, SitePassage, SpeciesLook
from barrierrank.outputs.passage_table import sites_with_passage, with_words

REASONS = ("drop", "leap", "pool", "depth", "velocity")
REQUIRED_M = 0.45


def with_passage(model: OutputModel, *, seed: int = 1, pictures: int = 2) -> OutputModel:
    """Return the model with passability of the first three quarters of its sites worked out; the rest is given."""
    rng = np.random.default_rng(seed)
    ids = model.sites["site"].tolist()
    rows = [
        _row(rng, str(site), str(name), look, float(p), i >= 0.75 * len(ids), i)
        for i, (site, name) in enumerate(zip(ids, model.sites["name"], strict=True))
        for look, p in zip(model.species, (model.sites[f"passability_{s.key}"].iloc[i] for s in model.species),
                           strict=True)
    ]  # fmt: skip
    table = with_words(pd.DataFrame(rows).astype({"worst_year": "Int64"}), model.species, model.units)
    shown = [site_passage(model, i, table, seed=seed + i) for i in range(min(pictures, len(ids)))]
    trades = (season_trade(model, 0, seed=seed), season_trade(model, 0, seed=seed + 1, native="brook_trout"))
    return dataclasses.replace(
        model, passage=table, site_passages=tuple(shown), seasons=trades if pictures else (),
        sites=sites_with_passage(model.sites, table, model.species),
    )  # fmt: skip


def _row(
    rng: np.random.Generator, site: str, name: str, look: SpeciesLook, p: float, given: bool, number: int
) -> dict[str, object]:
    row: dict[str, object] = {"site": site, "name": name, "species": look.key, "passability": p, "source": "given"}
    row |= dict.fromkeys(("p_worst", "p_best", "p_low", "p_high"), math.nan)
    row |= dict.fromkeys(("days_passable", "run_days", "stopped_share"), math.nan)
    row |= {"worst_year": pd.NA, "years": 0, "stopped_by": ""}
    lengths = ("required_drop_m", "low_flow_drop_m", "design_flow_m3s", "design_drop_m", "raise_needed_m")
    row |= dict.fromkeys((*lengths, "holds_return_years", "drowns_return_years"), math.nan)
    row |= dict.fromkeys(("raise_low_m", "raise_high_m", "trial_offered", "trial_passed", "trial_upper"), math.nan)
    if given:
        return row if number % 2 else row | {"source": "assumed"}
    if number % 7 == 3:
        offered = int(rng.integers(20, 200))
        return row | {
            "source": "trial", "trial_offered": float(offered), "trial_passed": float(round(p * offered)),
            "trial_upper": min(p + 3 / offered, 1.0),
        }  # fmt: skip
    swing = rng.uniform(0.2, 0.9) * min(p, 1 - p)
    low, high, days = p - swing, min(p + swing, 1.0), float(rng.integers(50, 90))
    worst, best = (high, low) if look.role == "invasive" else (low, high)
    row |= {
        "source": "computed", "p_low": p - swing / 2, "p_high": p + swing / 2,
        "p_worst": worst, "p_best": best, "worst_year": int(rng.integers(2009, 2024)),
        "years": 15, "days_passable": round(p * days, 2), "run_days": days,
        "stopped_by": REASONS[number % 5] if p < 1 else "", "stopped_share": (1 - p) * rng.uniform(0.4, 1.0),
    }  # fmt: skip
    return row | _design(rng) if look.role == "invasive" else row


def _design(rng: np.random.Generator) -> dict[str, object]:
    left = float(rng.uniform(-0.3, 0.6))
    lack = max(REQUIRED_M - left, 0.0)
    return {
        "required_drop_m": REQUIRED_M, "low_flow_drop_m": left + 0.4, "design_flow_m3s": float(rng.uniform(3, 40)),
        "design_drop_m": left, "raise_needed_m": lack,
        "holds_return_years": float(rng.uniform(1.1, 9) if lack else rng.uniform(11, 60)),
        "drowns_return_years": float(rng.uniform(9, 10) if left < 0 else rng.uniform(60, 200)),
        "raise_low_m": max(lack - 0.1, 0.0), "raise_high_m": max(REQUIRED_M - left + 0.1, 0.0),
    }  # fmt: skip


def site_passage(
    model: OutputModel, number: int, table: pd.DataFrame, *, seed: int = 1, perched: bool = False
) -> SitePassage:
    """Return a spring run at a structure whose tailwater rises with the flow."""
    rng = np.random.default_rng(seed)
    row = model.sites.iloc[number]
    known = table[(table["site"] == row["site"]) & (table["species"] == model.species[0].key)].iloc[0]
    design_q, left = float(known["design_flow_m3s"]), float(known["design_drop_m"])
    if math.isnan(design_q):
        design_q, left = 31.0, 0.2
    day = np.arange(np.datetime64("2016-03-20"), np.datetime64("2016-07-05"))
    flow = _spring(rng, len(day))
    q = np.concatenate([[0.05], np.geomspace(0.2, 1.5 * design_q, 60)])
    drop = left + 0.9 - 0.9 * (q / design_q) ** 0.42
    needed = {look.key: REQUIRED_M if look.role == "invasive" else math.nan for look in model.species}
    if len(model.species) > 3:
        needed[model.species[3].key] = 0.2
    stage = np.interp(flow, q, drop)
    open_, run = {}, {}
    for k, look in enumerate(model.species):
        hump = np.exp(-0.5 * ((np.arange(len(day)) - 35 - 9 * k) / (8 + 3 * k)) ** 2)
        run[look.key] = np.where(hump > 0.01, hump, 0.0) / hump.sum()
        open_[look.key] = stage < (REQUIRED_M if k == 0 else 0.9 - 0.2 * k)
    return SitePassage(
        site=str(row["site"]), name=str(row["name"]), kind="culvert" if perched else str(row["kind"]),
        rank=None if pd.isna(row["best_rank"]) else int(row["best_rank"]), day=day, discharge=flow, open=open_, run=run,
        curve_q=q, curve_drop=drop, crest_m=178.4, required=needed, design_q=design_q, design_years=10.0,
        curve_low=drop + 0.1 + 0.01 * q**0.5, curve_high=drop - 0.1 - 0.02 * q**0.5,
        drop_word="perch of the outlet" if perched else "drop from crest to tailwater", year=2016,
    )  # fmt: skip


def _spring(rng: np.random.Generator, n: int) -> npt.NDArray[np.float64]:
    """Snow melt and three showers on a falling baseflow."""
    t = np.arange(n)
    flow = 2.0 + 13 * np.exp(-0.5 * ((t - 24) / 9) ** 2)
    for peak in rng.integers(10, n - 10, 3):
        flow += rng.uniform(3, 12) * np.where(t >= peak, np.exp(-(t - peak) / 4.0), 0.0)
    return np.asarray(flow * rng.lognormal(0, 0.05, n))


def season_trade(
    model: OutputModel, number: int, *, seed: int = 1, invader: str = "lamprey", native: str = "walleye"
) -> SeasonTrade:
    """Return every pair of dates a week apart, against two runs that overlap."""
    rng = np.random.default_rng(seed)
    row = model.sites.iloc[number]
    starts = np.arange(75, 180, 7)
    up, down = (a.ravel() for a in np.meshgrid(starts, starts + 7, indexing="ij"))
    kept = down > up
    up, down = np.concatenate([[0], up[kept]]), np.concatenate([[0], down[kept]])
    p_invader, p_native = (
        1 - (_arrived(down, at, wide) - _arrived(up, at, wide)) * (down > 0) for at, wide in ((130, 12), (112, 14))
    )
    p_invader = np.clip(0.02 + 0.9 * p_invader + rng.uniform(-0.01, 0.01, len(up)), 0, 1)
    front = pareto(p_invader, p_native)
    best = int(np.argmax(np.where(front, p_native - 1.5 * p_invader, -np.inf)))
    words = (
        "With the crest up from the first to the second of the chosen dates most of the invader is stopped, "
        "while natives that come before and after them get past."
    )
    return SeasonTrade(
        str(row["site"]), str(row["name"]), "Seasonal crest", invader, native, p_invader, p_native,
        up.astype(np.int64), down.astype(np.int64), front, best, words,
    )  # fmt: skip


def _arrived(day: npt.NDArray[np.int64], at: float, wide: float) -> npt.NDArray[np.float64]:
    return 1 / (1 + np.exp(-1.7 * (day - at) / wide))


def pareto(less: Sequence[float] | npt.NDArray[np.float64], more: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Tell which points no other point beats in both."""
    a, b = np.asarray(less), np.asarray(more)
    worse = (a[None] <= a[:, None]) & (b[None] >= b[:, None]) & ((a[None] < a[:, None]) | (b[None] > b[:, None]))
    return np.asarray(~worse.any(axis=1))
