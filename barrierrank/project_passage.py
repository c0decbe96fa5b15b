"""Structures, flows, trials, swimming and runs of the project file as frozen dataclasses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from barrierrank.project_check import Checker
from barrierrank.project_schema_passage import PASSAGE

COMPUTED = "computed"
"""Stands for a passability that is worked out at every site."""
ABILITIES = ("swimming", "run")
"""Sub-tables of a species that passability is worked out from."""

Pairs = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class StructuresSpec:
    """``[structures]``: where the measured structures and what the water below does are."""

    path: Path
    layer: str | None
    ratings: Path | None
    sections: Path | None


@dataclass(frozen=True)
class FlowsSpec:
    """``[flows]``: daily discharges and temperatures, and how they are carried over to a site."""

    path: Path
    layer: str | None
    date: str
    discharge: str
    discharge_unit: Literal["m3s", "ft3s"]
    temperature: str | None
    gauge: str | None
    gauges: Path | None
    exponent: float
    ratio_low: float
    ratio_high: float
    missing: tuple[float | int | str, ...]


@dataclass(frozen=True)
class TrialsSpec:
    """``[trials]``: counts of fish offered and passed; `prior` = passed and stopped fish it is worth."""

    path: Path
    layer: str | None
    prior: tuple[float, float]
    confidence: float
    invasive: Literal["upper", "mean"]


@dataclass(frozen=True)
class PassageSpec:
    """``[passage]``: settings of the computation (see `project_schema_passage.PASSAGE`)."""

    design_return_years: float
    design_season: Literal["run", "year"]
    peak_factor: float
    crest_reach_m: float
    tailwater_error_m: float
    roughness_error: float
    least_complete: float
    pictures: int


@dataclass(frozen=True)
class SwimmingSpec:
    """``[species.<key>.swimming]``: what a fish can do.

    Parameters
    ----------
    moves : {"swims", "leaps"}
    length_m : float or None
    required_drop_m, required_drop_lip_m : float or None
        Drop that stops it, without and with a lip on the crest [m]; None = no drop is known to.
    leap_m, leap_speed_ms : float or None
        One of the two where it leaps.
    leap_angle_deg, pool_share, pool_least_m, depth_least_m : float
    speed_unit : {"m/s", "lengths/s"}
        Of the speeds in `burst` and `prolonged`.
    burst, prolonged : tuple of (float, float)
        Two points (speed, seconds), speeds ascending, seconds descending; empty = not known.
    velocity_share, warmth_per_deg : float
    warmth_at_c : float or None
        Given where `warmth_per_deg` is not 0.
    """

    moves: Literal["swims", "leaps"]
    length_m: float | None
    required_drop_m: float | None
    required_drop_lip_m: float | None
    leap_m: float | None
    leap_speed_ms: float | None
    leap_angle_deg: float
    pool_share: float
    pool_least_m: float
    depth_least_m: float
    speed_unit: Literal["m/s", "lengths/s"]
    burst: Pairs
    prolonged: Pairs
    velocity_share: float
    warmth_per_deg: float
    warmth_at_c: float | None


@dataclass(frozen=True)
class RunSpec:
    """``[species.<key>.run]``: when a species comes by.

    Parameters
    ----------
    by : {"date", "temperature", "degree_days"}
    season : tuple of (int, int)
        First and last day, both of a leap year, 1 to 366; the first is greater where the season passes new year.
    curve : tuple of (float, float)
        Weights by day of a leap year (1 to 366, in the order of the season, so that they fall back once where it
        passes new year), by temperature [deg C] or by degree-days, ascending. Weights >= 0, not all 0.
    base_c : float
    wait_days : int
    """

    by: Literal["date", "temperature", "degree_days"]
    season: tuple[int, int]
    curve: Pairs
    base_c: float
    wait_days: int


def default_passage() -> PassageSpec:
    """Return the settings of a project file without ``[passage]``."""
    return PassageSpec(**{k.name: k.default for k in PASSAGE})


def ability_tables(raw: Mapping[str, Any], at: str, check: Checker) -> dict[str, dict[str, Any] | None]:
    """Check the keys of ``[species.<key>.swimming]`` and ``[species.<key>.run]``; None where they are not there."""
    out: dict[str, dict[str, Any] | None] = {}
    for name in ABILITIES:
        table = raw.get(name)
        out[name] = None
        if isinstance(table, dict):
            out[name] = check.table(table, name, f"{at}.{name}")
        elif table is not None:
            check.error(f"[{at}] {name}", "is a table of keys", f"write a line [{at}.{name}]")
    return out


def build_swimming(v: Mapping[str, Any] | None) -> SwimmingSpec | None:
    """Assemble what a fish can do from checked values."""
    if v is None:
        return None
    lip = v["required_drop_lip_m"]
    return SwimmingSpec(**{**v, "required_drop_lip_m": v["required_drop_m"] if lip is None else lip})


def build_run(v: Mapping[str, Any] | None) -> RunSpec | None:
    """Assemble a run from checked values."""
    return None if v is None else RunSpec(**v)


def build_passage(v: Mapping[str, Any]) -> dict[str, Any]:
    """Assemble the top-level tables from checked values, by the names of the fields of a project."""
    return {
        "structures": StructuresSpec(**v["structures"]) if v.get("structures") else None,
        "flows": FlowsSpec(**v["flows"]) if v.get("flows") else None,
        "trials": TrialsSpec(**v["trials"]) if v.get("trials") else None,
        "passage": PassageSpec(**v["passage"]) if v.get("passage") else default_passage(),
    }
