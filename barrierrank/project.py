"""The project file: what a user asks for, read from TOML into frozen dataclasses."""

from __future__ import annotations

import dataclasses
import os
import re
import tomllib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from pyproj import CRS

from barrierrank.problems import BarrierRankWarning, InputError, Problems
from barrierrank.project_check import Checker, parse_crs
from barrierrank.project_habitat import (
    ATTRIBUTES,
    STAGES,
    CatchmentsSpec,
    RasterSpec,
    StageTable,
    SurveySpec,
    TerrainSpec,
    build_raster,
    build_stage,
    raster_tables,
    stage_tables,
)
from barrierrank.project_passage import (
    ABILITIES,
    FlowsSpec,
    PassageSpec,
    RunSpec,
    StructuresSpec,
    SwimmingSpec,
    TrialsSpec,
    ability_tables,
    build_passage,
    build_run,
    build_swimming,
    default_passage,
)
from barrierrank.project_plan import PlanSpec, build_plan, plan_tables
from barrierrank.project_rules import check_rules
from barrierrank.project_schema import REQUIRED_TABLES, SCHEMA
from barrierrank.project_uncertainty import UncertaintySpec, build_uncertainty, uncertainty_tables


@dataclass(frozen=True)
class BasinSpec:
    """Name of the basin and its coordinate system (projected, metres)."""

    name: str
    crs: str

    @property
    def projection(self) -> CRS:
        """`crs` as a :class:`pyproj.CRS`."""
        return parse_crs(self.crs)


@dataclass(frozen=True)
class HydrographySpec:
    """Where the stream lines are and which of their columns say what (see `project_schema.HYDROGRAPHY`)."""

    path: Path
    layer: str | None
    id: str | None
    direction: Literal["nodes", "digitised", "elevation", "outlets"]
    from_node: str | None
    to_node: str | None
    minor_channel: str | None
    length: str | None
    length_unit: Literal["m", "km", "ft", "mi"] | None
    join_tolerance_m: float
    missing: tuple[float | int | str, ...]
    drawn: Literal["auto", "downstream", "upstream"]
    leave_out: tuple[str, ...]
    turn: tuple[str, ...]
    start_elevation: str | None
    end_elevation: str | None
    name: str | None
    drainage_area: str | None
    discharge: str | None
    width: float | str | None
    width_a: float | None
    width_b: float | None
    width_set: str | None
    width_raster: str | None


@dataclass(frozen=True)
class OutletSpec:
    """Where the network drains to: mouths, shores or named lines (see `project_schema.OUTLETS`)."""

    path: Path | None
    layer: str | None
    points: tuple[tuple[float, float], ...]
    lines: tuple[str, ...]
    tolerance_m: float


@dataclass(frozen=True)
class SitesSpec:
    """Where the sites are and which of their columns say what (see `project_schema.SITES`)."""

    path: Path
    layer: str | None
    id: str
    name: str | None
    x: str | None
    y: str | None
    crs: str | None
    snap_tolerance_m: float
    ambiguous_m: float
    area_ratio: float
    kind: str | None
    stream: str | None
    drainage_area: str | None
    failure_probability: float | str


@dataclass(frozen=True)
class TreatmentSpec:
    """Cost of treating the larvae of an invader (see `project_schema.TREATMENT`)."""

    cost_per_unit: float
    per: Literal["habitat", "discharge"]
    interval_years: float
    fixed_cost_per_stream: float
    infested_from: float


@dataclass(frozen=True)
class SpeciesSpec:
    """One species: its role, worth, passabilities and habitat (see `project_schema.SPECIES`)."""

    key: str
    role: Literal["invasive", "native"]
    label: str
    value: float
    passability: float | str
    passability_down: float | str
    habitat: str
    treatment: TreatmentSpec | None
    stages: Mapping[str, StageTable] = field(default_factory=dict)
    swimming: SwimmingSpec | None = None
    run: RunSpec | None = None


@dataclass(frozen=True)
class ActionsSpec:
    """Where the table of actions is."""

    path: Path
    layer: str | None


@dataclass(frozen=True)
class EconomySpec:
    """Money or points, and how the future counts; `currency` None = points."""

    currency: str | None
    discount_rate: float
    horizon_years: int


@dataclass(frozen=True)
class RankingSpec:
    """What the list is ordered by; `weights` (column: weight, sign = direction) for ``by = "criteria"``."""

    by: Literal["benefit_per_cost", "net_benefit", "criteria"]
    weights: Mapping[str, float]


@dataclass(frozen=True)
class DisplaySpec:
    """How results are shown to people."""

    units: Literal["metric", "us"]
    open_from: float
    blocked_below: float


@dataclass(frozen=True)
class Project:
    """A checked project file.

    Parameters
    ----------
    path : Path
        The project file.
    outlets : OutletSpec or None
        None: every place where flow ends is an outlet.
    ratings : Mapping of str to float
        Words (lower case) allowed in passability columns, and the passability each stands for.
    species : tuple of SpeciesSpec
        In the order of the file.
    actions : ActionsSpec or None
    structures, flows, trials : or None
        What passability is worked out from.
    passage, uncertainty, plan : PassageSpec, UncertaintySpec, PlanSpec
        Defaults where the file has no such table.
    """

    path: Path
    basin: BasinSpec
    hydrography: HydrographySpec
    outlets: OutletSpec | None
    rasters: Mapping[str, RasterSpec]
    terrain: TerrainSpec | None
    catchments: CatchmentsSpec | None
    survey: SurveySpec | None
    sites: SitesSpec
    ratings: Mapping[str, float]
    species: tuple[SpeciesSpec, ...]
    actions: ActionsSpec | None
    economy: EconomySpec
    ranking: RankingSpec
    display: DisplaySpec
    structures: StructuresSpec | None = None
    flows: FlowsSpec | None = None
    trials: TrialsSpec | None = None
    passage: PassageSpec = field(default_factory=default_passage)
    uncertainty: UncertaintySpec = field(default_factory=build_uncertainty)
    plan: PlanSpec = field(default_factory=build_plan)

    def curve_columns(self) -> dict[str, str]:
        """Return the columns of the lines that curves ask for, each with the place that asks."""
        return {
            name: f"[species.{s.key}.{stage}.curves] {name}"
            for s in self.species
            for stage, table in s.stages.items()
            for name in table.curves
            if name not in ATTRIBUTES and name not in self.rasters
        }

    def parameters(self) -> dict[str, Any]:
        """Return every parameter, defaults included, as plain JSON values; paths are relative to the file."""
        plain = _plain(self, self.path.parent)
        plain["path"] = self.path.name
        plain["species"] = {s.pop("key"): s for s in plain["species"]}
        return dict(plain)


def _plain(value: Any, folder: Path) -> Any:
    """Turn dataclasses, mappings, tuples and paths into what JSON can hold."""
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), folder) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): _plain(v, folder) for k, v in value.items()}
    if isinstance(value, tuple):
        return [_plain(v, folder) for v in value]
    if isinstance(value, Path):
        try:
            return Path(os.path.relpath(value, folder)).as_posix()
        except ValueError:  # another drive
            return value.as_posix()
    return value


def load_project(path: Path | str, problems: Problems | None = None) -> Project:
    """Read and check a project file.

    Parameters
    ----------
    path : Path
        TOML file; paths in it are relative to its folder.
    problems : Problems, optional
        Where warnings and notes go; without it warnings are issued as :class:`BarrierRankWarning`.

    Returns
    -------
    Project

    Raises
    ------
    InputError
        With every problem found, once.
    """
    found = Problems() if problems is None else problems
    path = Path(path)
    raw = _read_toml(path, found)
    check = Checker(found, path)
    tables = check.tables(raw, REQUIRED_TABLES)
    values = {
        name: check.table(tables[name], name, name, extra=("weights",) if name == "ranking" else ())
        for name in SCHEMA
        if name in tables and name not in ("species", "uncertainty", "plan")
    }
    values["rasters"] = raster_tables(tables.get("rasters", {}), check)
    values["ratings"] = tables.get("ratings", {})
    values["species"] = _species_tables(tables.get("species", {}), check)
    ready = check_rules(values, tables, check)
    ready["uncertainty"] = uncertainty_tables(tables.get("uncertainty", {}), check)
    ready["plan"] = plan_tables(tables.get("plan", {}), ready, check)
    found.stop_on_errors()
    if problems is None:
        for problem in found.of("warning"):
            warnings.warn(problem.line(), BarrierRankWarning, stacklevel=2)
    return _build(path, ready)


def _species_tables(raw: Mapping[str, Any], check: Checker) -> dict[str, dict[str, Any]]:
    """Check each ``[species.<key>]`` and its treatment."""
    out: dict[str, dict[str, Any]] = {}
    for key, table in raw.items():
        at = f"species.{key}"
        if not re.fullmatch(r"[a-z0-9_]+", key):
            slug = re.sub(r"[^a-z0-9]+", "_", key.lower()).strip("_") or "fish"
            message = "a species key holds lower-case letters a-z, digits and _ alone"
            check.error(
                f"[{at}]", message, f"write [species.{slug}] and label = the name to show", kind="species_key"
            )
        if not isinstance(table, dict):
            message = "a species is a table of keys"
            check.error(f"[{at}]", message, f"write a line [{at}] and its keys below it", kind="species_key")
            continue
        values = check.table(table, "species", at, extra=("treatment", *STAGES, *ABILITIES))
        treatment = table.get("treatment")
        values["stages"] = stage_tables(table, at, check)
        values |= ability_tables(table, at, check)
        values["treatment"] = None
        if isinstance(treatment, dict):
            values["treatment"] = check.table(treatment, "treatment", f"{at}.treatment")
        elif treatment is not None:
            check.error(f"[{at}] treatment", "is a table of keys", f"write a line [{at}.treatment]")
        out[key] = values
    return out


def _read_toml(path: Path, problems: Problems) -> dict[str, Any]:
    """Return the raw tables of a TOML file.

    Raises
    ------
    InputError
        When the file cannot be read as TOML; one line with the line number.
    """
    message, remedy = "", ""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return tomllib.loads(text)
    except (FileNotFoundError, NotADirectoryError):
        message, remedy = "there is no such project file", "give the path of a project file; `new` writes one"
    except IsADirectoryError:
        message, remedy = "is a folder, not a project file", "give the path of the TOML file inside it"
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        message = f"line {line} is not UTF-8 text"
        remedy = "save the file as UTF-8, or give the path of a project file; `new` writes one"
    except OSError as error:
        message, remedy = f"cannot be read ({error.strerror})", "check the file and its permissions"
    except RecursionError:
        message, remedy = "is nested too deeply to be a project file", "see what `new` writes"
    except ValueError as error:  # tomllib.TOMLDecodeError, numbers and paths beyond any size
        message, remedy = (
            f"is not valid TOML: {error}",
            "mend that line; texts need quotes, tables are [in brackets]",
        )
    problems.error("toml", message, remedy=remedy, where=path.name or str(path))
    problems.stop_on_errors()
    raise InputError(problems)  # not reached: the error above always stops


def _build(path: Path, v: Mapping[str, Any]) -> Project:
    """Assemble the dataclasses from values that passed every check."""
    species = tuple(
        SpeciesSpec(
            key=key,
            **{k: x for k, x in s.items() if k not in ("treatment", "stages", *ABILITIES)},
            stages=MappingProxyType({k: build_stage(k, x) for k, x in s["stages"].items()}),
            treatment=TreatmentSpec(**s["treatment"]) if s["treatment"] else None,
            swimming=build_swimming(s["swimming"]),
            run=build_run(s["run"]),
        )
        for key, s in v["species"].items()
    )
    return Project(
        path=path,
        basin=BasinSpec(**v["basin"]),
        hydrography=HydrographySpec(**v["hydrography"]),
        outlets=OutletSpec(**v["outlets"]) if v["outlets"] else None,
        rasters=MappingProxyType({k: build_raster(k, x) for k, x in v["rasters"].items()}),
        terrain=TerrainSpec(**v["terrain"]) if v.get("terrain") else None,
        catchments=CatchmentsSpec(**v["catchments"]) if v.get("catchments") else None,
        survey=SurveySpec(**v["survey"]) if v.get("survey") else None,
        sites=SitesSpec(**v["sites"]),
        ratings=MappingProxyType(v["ratings"]),
        species=species,
        actions=ActionsSpec(**v["actions"]) if v["actions"] else None,
        economy=EconomySpec(**v["economy"]),
        ranking=RankingSpec(by=v["ranking"]["by"], weights=MappingProxyType(v["weights"])),
        display=DisplaySpec(**v["display"]),
        **build_passage(v),
        uncertainty=build_uncertainty(v["uncertainty"]),
        plan=build_plan(v["plan"]),
    )
