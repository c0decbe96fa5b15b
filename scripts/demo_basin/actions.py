"""What can be done at each site, what it costs and how fish get past afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .sites import SPECIES

FOREVER_YEARS = 100  # nothing left to replace
SEASON = {
    "S12": ("04-20", "07-15"),
    "S45": ("04-25", "07-10"),
    "S54": ("04-20", "07-15"),
    "S57": ("05-01", "07-15"),
}
"""Days a seasonal crest is up; at other measured sites they are left to be found."""
LATER = {  # works thought of after the survey
    "fit a lip": ("S29", "S45", "S54"),
    "cut a notch": ("S09", "S50"),
    "lower the crest": ("S37", "S46"),
    "rock ramp": ("S09", "S32", "S50"),
    "build fishway": ("S08", "S21", "S31", "S38"),
}


@dataclass(frozen=True)
class Work:
    """One action; `cost` and `upkeep` (a year) in USD.

    `p` are the passabilities afterwards, ordered as `SPECIES`; None or NaN: worked out from the change, or as today.
    `change`, its size [m], its width [m] and its dates, and the efficiencies of a device are columns of their own.
    """

    action: str
    cost: float
    upkeep: float
    life_years: int
    failure: float
    p: tuple[float, ...] | None
    note: str = ""
    change: str = ""
    change_m: float = np.nan
    width_m: float = np.nan
    up_down: tuple[str, str] = ("", "")
    efficiency: tuple[float, ...] | None = None


def action_table(sites: pd.DataFrame, by_site: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return a row per action; natural falls have none.

    Parameters
    ----------
    sites : DataFrame
    by_site : DataFrame
        Of the measured sites, see :class:`demo_basin.measures.Measures`.
    rng : Generator
    """
    rows = []
    surveys = {s.Index: s for s in by_site.itertuples()}
    for site in sites.itertuples():
        dear = float(np.exp(0.22 * rng.standard_normal()))  # some places are harder to work in than others
        works = list(_works(site, rng, dear))
        if site.site in surveys:
            works = [_computed(w, site, surveys[site.site]) for w in works]
            works += _later_works(site, dear)
        rows += [_row(site.site, work) for work in works]
    return pd.DataFrame(rows)


def _row(site: str, work: Work) -> dict[str, object]:
    """Return the columns of one action."""
    none = (np.nan,) * len(SPECIES)
    row: dict[str, object] = {
        "site": site,
        "action": work.action,
        "cost": int(round(work.cost, -3)),
        "upkeep": int(round(work.upkeep, -2)),
        "life_years": work.life_years,
        "failure_probability": round(work.failure, 4),
    }
    row |= {f"passability_{s}": round(min(x, 1.0), 2) for s, x in zip(SPECIES, work.p or none, strict=True)}
    row |= {"change": work.change, "change_m": work.change_m, "change_width_m": work.width_m}
    row |= {"crest_up": work.up_down[0], "crest_down": work.up_down[1]}
    row |= {f"efficiency_{s}": round(x, 2) for s, x in zip(SPECIES, work.efficiency or none, strict=True)}
    return row | {"note": work.note}


def _computed(work: Work, site: object, survey: object) -> Work:
    """Return a work at a measured site with its change, so that passabilities need not be typed."""
    typed = [s in survey.typed for s in SPECIES]
    if work.action in (
        "remove",
        "replace culvert",
    ):  # a crossing of full width leaves the stream as without it
        return replace(work, p=None, change="remove")
    if all(typed) or survey.measured not in {"weir", "dam", "culvert", "none"}:
        return work
    # the works at a crest make it tight: a passability typed because of a leak is not that of afterwards
    rest = tuple(np.where(typed, work.p, np.nan)) if any(typed) else None
    tight = " and made tight" if any(typed) else ""
    new: dict[str, object] = {}
    match work.action:
        case "rebuild":
            new = {"p": rest}
        case "repair" if survey.measured == "culvert":
            new = {"p": None, "change": "fishway", "efficiency": (0.6, 0.4, 0.5, 0.6)}
        case "repair":
            new = {"p": None}
        case "raise the crest":
            high = survey.raise_m
            new = {"p": rest, "change": "raise", "change_m": high, "note": f"{high:g} m higher{tight}"}
        case "seasonal crest" if site.role == "lamprey barrier":
            days = SEASON.get(site.site, ("", ""))
            note = f"upper part movable{tight}, up in the lamprey run" + (
                "" if any(days) else ", dates to be found"
            )
            new = {
                "p": rest,
                "change": "seasonal",
                "change_m": survey.movable_m,
                "up_down": days,
                "note": note,
            }
        case "fit selective passage":
            new = {"p": rest, "change": "trap_and_sort", "efficiency": work.p}
        case "build barrier":
            width, high = round(0.85 * site.width_m, 1), survey.build_m
            new = {"p": None, "change": "build", "change_m": high, "width_m": width}
            new["note"] = f"fixed crest {high:g} m above the bed"
    return replace(work, **new)


def _later_works(site: object, dear: float) -> Iterator[Work]:
    """Yield works at a measured site beyond those its role suggests; no random numbers are drawn for them."""
    w, h, fails = site.width_m, site.height_m, site.failure_probability
    for action in (a for a, at in LATER.items() if site.site in at):
        match action:
            case "fit a lip":
                cost = (18_000 + 1_500 * w) * dear
                work = Work(action, cost, 0.02 * cost, 30, fails, None, "steel angle on the crest")
                yield replace(work, change="lip", change_m=0.15)
            case "cut a notch":
                cost = (16_000 + 400 * w) * dear
                work = Work(action, cost, 0.02 * cost, 40, fails, None, "for fish at low water")
                yield replace(work, change="notch", change_m=round(0.6 * min(h, 0.5), 2), width_m=1.2)
            case "lower the crest":
                cost = (20_000 + 2_200 * w) * dear
                work = Work(action, cost, 0, FOREVER_YEARS, 0.5 * fails, None, "0.3 m lower")
                yield replace(work, change="lower", change_m=0.3)
            case "rock ramp":
                cost = (30_000 + 7_000 * w * max(h, 0.4)) * dear
                work = Work(action, cost, 0.015 * cost, 40, fails, None, "lamprey get up it as well")
                yield replace(work, change="ramp", efficiency=(0.85, 0.55, 0.65, 0.9))
            case "build fishway":
                cost = (140_000 + 150_000 * h) * dear
                work = Work(action, cost, 0.02 * cost, 40, fails, None, "pools and weirs on one bank")
                yield replace(work, change="fishway", efficiency=(0.3, 0.25, 0.6, 0.75))


def _later_works(site: object, dear: float) -> Iterator[Work]:
    """Yield works at a measured site beyond those its role suggests; no random numbers are drawn for them."""
    w, h = site.width_m, site.height_m
    for action in (a for a, at in LATER.items() if site.site in at):
        match action:
            case "fit a lip":
                cost = (18_000 + 1_500 * w) * dear
                work = Work(
                    action, cost, 0.02 * cost, 30, site.failure_probability, None, "steel angle on the crest"
                )
                yield replace(work, change="lip", change_m=0.15)
            case "cut a notch":
                cost = (16_000 + 400 * w) * dear
                work = Work(
                    action, cost, 0.02 * cost, 40, site.failure_probability, None, "for fish at low water"
                )
                yield replace(work, change="notch", change_m=round(0.6 * min(h, 0.5), 2), width_m=1.2)
            case "lower the crest":
                cost = (20_000 + 2_200 * w) * dear
                work = Work(
                    action, cost, 0, FOREVER_YEARS, 0.5 * site.failure_probability, None, "0.3 m lower"
                )
                yield replace(work, change="lower", change_m=0.3)
            case "rock ramp":
                cost = (30_000 + 7_000 * w * max(h, 0.4)) * dear
                work = Work(
                    action, cost, 0.015 * cost, 40, site.failure_probability, None, "lamprey climb it as well"
                )
                yield replace(work, change="ramp", efficiency=(0.85, 0.55, 0.65, 0.9))
            case "build fishway":
                cost = (140_000 + 150_000 * h) * dear
                work = Work(
                    action,
                    cost,
                    0.02 * cost,
                    40,
                    site.failure_probability,
                    None,
                    "pool and weir, on one bank",
                )
                yield replace(work, change="fishway", efficiency=(0.3, 0.25, 0.6, 0.75))


def _works(site: object, rng: np.random.Generator, dear: float) -> Iterator[Work]:
    """Yield the actions for one site by its role."""
    if site.role in {"ageing dam", "lamprey barrier"}:
        yield from _barrier_works(site, dear)
    elif site.role == "mill dam":
        yield from _mill_works(site, dear)
    elif site.role in {"weir", "low sluice", "side arm"}:
        yield from _weir_works(site, rng, dear)
    elif site.role == "culvert":
        yield from _culvert_works(site, rng, dear)
    elif site.role == "candidate":
        yield from _candidate_works(site, rng, dear)


def _now(site: object) -> tuple[float, ...]:
    return tuple(float(getattr(site, f"p_{s}")) for s in SPECIES)


def _removal(site: object, dear: float, note: str = "") -> Work:
    cost = 65_000 * max(site.height_m, 0.5) ** 0.8 * (site.width_m / 6.0) ** 0.5 * dear
    return Work("remove", cost, 0, FOREVER_YEARS, 0.0, (1.0, 1.0, 1.0, 1.0), note)


def _sorting(site: object, action: str, cost: float, *, native: float, note: str) -> Work:
    """Return passage where fish are caught and sorted by hand or gate: costly to run, lamprey stay below."""
    upkeep = 12_000 + 600 * site.width_m
    p = (0.01, native - 0.1, native, native + 0.05)
    return Work(action, cost, upkeep, 30, 0.004, p, note)


def _barrier_works(site: object, dear: float) -> Iterator[Work]:
    """Actions at a structure that keeps lamprey out today."""
    w, old = site.width_m, site.role == "ageing dam"
    now = _now(site)
    repair = (110_000 + 9_000 * w + (280_000 if old else 0)) * dear
    rebuild = (320_000 + 48_000 * w) * dear * (1.6 if old else 1.0)
    yield Work(
        "repair",
        repair,
        0.02 * repair,
        25,
        0.008 if old else min(0.004, 0.5 * site.failure_probability),
        now,
    )
    yield Work("rebuild", rebuild, 0.012 * rebuild, 50, 0.002, (0.0, now[1], 0.0, now[3]))
    if not old:
        crest = (85_000 + 11_000 * w) * dear
        p = (0.0, 0.0, 0.0, 0.8 * now[3])
        yield Work(
            "raise the crest",
            crest,
            0.015 * crest,
            30,
            site.failure_probability,
            p,
            "0.25 m higher, with a lip",
        )
        seasonal = (190_000 + 17_000 * w) * dear
        p = (0.04, 0.55, 0.5, 0.9)
        yield Work(
            "seasonal crest", seasonal, 8_000 + 250 * w, 25, 0.008, p, "crest raised from April to June only"
        )
    unsound = site.failure_probability > 0.01
    trap = (360_000 + 21_000 * w + (200_000 if old else 0)) * dear + (repair if unsound else 0.0)
    note = "trap and sort, crest made sound" if unsound else "trap and sort at the existing crest"
    yield _sorting(site, "fit selective passage", trap, native=0.68, note=note)
    yield _removal(site, dear * (4.0 if old else 1.0), "opens the river to lamprey")


def _mill_works(site: object, dear: float) -> Iterator[Work]:
    """Actions at an old mill dam."""
    w, h = site.width_m, site.height_m
    now = _now(site)
    yield _removal(site, dear, "pond sediment to be surveyed first")
    if now[0] > 0.2:
        rebuild = (240_000 + 40_000 * w) * dear
        yield Work("rebuild", rebuild, 0.015 * rebuild, 50, 0.002, (0.0, 0.05, 0.0, 0.3), "closes the breach")
    elif site.failure_probability >= 0.008:
        repair = (60_000 + 7_000 * w * h**0.5) * dear
        yield Work("repair", repair, 0.025 * repair, 25, 0.003, now)
    passage = (260_000 + 18_000 * w + 60_000 * h) * dear
    yield _sorting(site, "fit selective passage", passage, native=0.62, note="trap and sort")


def _weir_works(site: object, rng: np.random.Generator, dear: float) -> Iterator[Work]:
    """Actions at a low weir or sluice that stops few fish today."""
    w = site.width_m
    now = _now(site)
    yield _removal(site, dear)
    crest = (60_000 + 9_000 * w) * dear
    yield Work(
        "raise the crest", crest, 0.02 * crest, 30, 0.008, (0.02, 0.1, 0.05, 0.4), "to a drop of 0.6 m"
    )
    if rng.random() < 0.5:
        seasonal = (150_000 + 16_000 * w) * dear
        p = (0.06, max(0.5, now[1]), max(0.5, now[2]), 0.9)
        yield Work(
            "seasonal crest", seasonal, 7_000 + 250 * w, 25, 0.01, p, "crest raised from April to June only"
        )
    if site.condition == "poor":
        repair = (35_000 + 4_000 * w) * dear
        yield Work("repair", repair, 0.025 * repair, 25, 0.003, now)


def _culvert_works(site: object, rng: np.random.Generator, dear: float) -> Iterator[Work]:
    """Actions at a road crossing."""
    now = _now(site)
    cost = float(np.clip((18_000 + 19_000 * site.width_m**1.15) * dear, 60_000, 400_000))
    yield Work(
        "replace culvert", cost, 0.01 * cost, 50, 0.001, (0.97, 0.95, 0.95, 0.97), "open bottom, full width"
    )
    if now[3] < 0.75 and rng.random() < 0.4:
        fix = float(np.clip(0.2 * cost, 18_000, 80_000))
        p = (min(1.0, now[0] + 0.3), min(0.8, now[1] + 0.25), min(0.8, now[2] + 0.3), min(0.92, now[3] + 0.3))
        yield Work("repair", fix, 0.03 * fix, 25, 0.004, p, "baffles and a raised pool below the outlet")


def _candidate_works(site: object, rng: np.random.Generator, dear: float) -> Iterator[Work]:
    """Actions where nothing stands yet."""
    w = site.width_m
    cost = (160_000 + 40_000 * w) * dear
    yield Work(
        "build barrier", cost, 0.014 * cost, 50, 0.003, (0.01, 0.05, 0.03, 0.4), "fixed crest, 0.6 m drop"
    )
    trap = cost + (290_000 + 12_000 * w) * dear
    yield _sorting(site, "build with trap-and-sort", trap, native=0.7, note="fixed crest with trap")
    if rng.random() < 0.35:
        seasonal = cost * 1.2
        p = (0.05, 0.6, 0.55, 0.92)
        yield Work(
            "build seasonal barrier",
            seasonal,
            8_000 + 250 * w,
            30,
            0.01,
            p,
            "crest raised April to June only",
        )
