"""Rasters, terrain, life stages and surveys in the project file: checked, as frozen dataclasses."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from barrierrank.project_check import Checker, nearest, show

STAGES = ("spawning", "rearing")
#: What a curve may ask of a reach beside rasters and numeric columns of the lines.
ATTRIBUTES = ("gradient", "drainage_area", "width", "order")

Kind = Literal["number", "classes"]
Statistic = Literal["mean", "median", "min", "max"]
Along = Literal["line", "buffer"]
Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class RasterSpec:
    """One ``[rasters.<name>]``.

    Parameters
    ----------
    name : str
    path : Path
    band : int
    kind : {"number", "classes"}
    statistic : {"mean", "median", "min", "max"}
        For numbers.
    along : {"line", "buffer"}
    buffer_m, buffer_widths : float or None
        Distance to each side [m], or as a share of the channel's width.
    classes : Mapping of str to tuple of int
        Codes of each class, for rasters of classes.
    """

    name: str
    path: Path
    band: int = 1
    kind: Kind = "number"
    statistic: Statistic = "mean"
    along: Along = "line"
    buffer_m: float | None = None
    buffer_widths: float | None = None
    classes: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class TerrainSpec:
    """``[terrain]``: how gradients come from a raster of elevations."""

    elevation: str
    step_m: float | None
    spike_m: float
    gradient_over_m: float


@dataclass(frozen=True)
class CatchmentsSpec:
    """``[catchments]``: land that drains to each line."""

    path: Path
    layer: str | None
    id: str


@dataclass(frozen=True)
class SurveySpec:
    """``[survey]``: measured habitat."""

    path: Path
    layer: str | None
    crs: str | None


@dataclass(frozen=True)
class StageTable:
    """``[species.<key>.spawning]`` or ``[species.<key>.rearing]``.

    Parameters
    ----------
    stage : {"spawning", "rearing"}
    measure : {"area", "length"}
    combine : {"geometric_mean", "product", "minimum"}
    drift_km : float or None
    curves : Mapping of str to points or to suitabilities by label
    gradient_above, drainage_area_below_km2 : float or None
    below_falls_only : bool
    """

    stage: Literal["spawning", "rearing"]
    measure: Literal["area", "length"]
    combine: Literal["geometric_mean", "product", "minimum"]
    drift_km: float | None
    curves: Mapping[str, Points | Mapping[str, float]]
    gradient_above: float | None
    drainage_area_below_km2: float | None
    below_falls_only: bool


def raster_tables(raw: Mapping[str, Any], check: Checker) -> dict[str, dict[str, Any]]:
    """Check each ``[rasters.<name>]``."""
    out: dict[str, dict[str, Any]] = {}
    for name, table in raw.items():
        at = f"rasters.{name}"
        if not isinstance(table, dict):
            check.error(
                f"[{at}]", "a raster is a table of keys", f"write a line [{at}] and its keys below it"
            )
            continue
        values = check.table(table, "raster", at, extra=("classes",))
        values["classes"] = _classes(table.get("classes"), values, at, check)
        if values["along"] == "buffer" and (values["buffer_m"] is None) == (values["buffer_widths"] is None):
            message = 'along = "buffer" needs one of buffer_m and buffer_widths'
            check.error(f"[{at}] along", message, "give one distance", kind="missing_key")
        if name in ATTRIBUTES:
            check.error(
                f"[{at}]", f"{name} is worked out from the streams already", "give the raster another name"
            )
        out[name] = values
    return out


def _classes(raw: Any, values: Mapping[str, Any], at: str, check: Checker) -> dict[str, tuple[int, ...]]:
    if raw is None:
        if values["kind"] == "classes":
            check.error(f"[{at}] classes", "the key is missing: which code is which class",
                        "add it, for example classes = { gravel = 3, sand = [4, 5] }", kind="missing_key")  # fmt: skip
        return {}
    if not isinstance(raw, dict) or not raw:
        check.error(f"[{at}] classes", f"given {show(raw)}", "write classes = { gravel = 3, sand = [4, 5] }")
        return {}
    out: dict[str, tuple[int, ...]] = {}
    seen: dict[int, str] = {}
    for label, codes in raw.items():
        listed = codes if isinstance(codes, list) else [codes]
        if not listed or any(isinstance(c, bool) or not isinstance(c, int) for c in listed):
            check.error(
                f"[{at}] classes", f"given {label} = {show(codes)}, allowed: whole numbers", "give its code"
            )
            continue
        twice = [c for c in listed if c in seen]
        if twice:
            check.error(
                f"[{at}] classes", f"code {twice[0]} stands for {seen[twice[0]]} and {label}", "keep one"
            )
        seen |= dict.fromkeys(listed, label)
        out[label] = tuple(listed)
    return out


def stage_tables(raw: Mapping[str, Any], at: str, check: Checker) -> dict[str, dict[str, Any]]:
    """Check the life stages of one species."""
    out: dict[str, dict[str, Any]] = {}
    for stage in STAGES:
        table = raw.get(stage)
        if table is None:
            continue
        place = f"{at}.{stage}"
        if not isinstance(table, dict):
            check.error(f"[{at}] {stage}", "is a table of keys", f"write a line [{place}]")
            continue
        values = check.table(table, "stage", place, extra=("curves", "limits"))
        limits = table.get("limits", {})
        values |= check.table(limits if isinstance(limits, dict) else {}, "limits", f"{place}.limits")
        values["curves"] = _curves(table.get("curves", {}), f"{place}.curves", check)
        if values["drift_km"] is not None and (stage != "rearing" or "spawning" not in raw):
            message = "drift counts for rearing, below spawning"
            check.error(f"[{place}] drift_km", message, f"add [{at}.spawning], or leave drift_km out")
        out[stage] = values
    return out


def _curves(raw: Any, at: str, check: Checker) -> dict[str, Any]:
    if not isinstance(raw, dict):
        check.error(f"[{at}]", f"given {show(raw)}", f"write a line [{at}] and attribute = curve below it")
        return {}
    out: dict[str, Any] = {}
    for name, curve in raw.items():
        place = f"[{at}] {name}"
        made = _labels(curve, place, check) if isinstance(curve, dict) else _points(curve, place, check)
        if made is not None:
            out[name] = made
    return out


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _labels(curve: Mapping[str, Any], at: str, check: Checker) -> Mapping[str, float] | None:
    wrong = [k for k, v in curve.items() if not _number(v) or not 0.0 <= v <= 1.0]
    if wrong or not curve:
        given = f"{wrong[0]} = {show(curve[wrong[0]])}" if wrong else "nothing"
        check.error(
            at, f"given {given}, allowed: suitabilities from 0 to 1", "write { gravel = 1.0, sand = 0.4 }"
        )
        return None
    return MappingProxyType({k: float(v) for k, v in curve.items()})


def _points(curve: Any, at: str, check: Checker) -> Points | None:
    remedy = "write [[x, suitability], ...], for example [[0.0, 0.0], [0.01, 1.0], [0.05, 0.0]]"
    rows = curve if isinstance(curve, list) else []
    pairs = [r for r in rows if isinstance(r, list) and len(r) == 2 and all(map(_number, r))]
    if len(pairs) < 2 or len(pairs) != len(rows):
        check.error(at, f"given {show(curve)}, allowed: two points or more", remedy)
        return None
    if any(b[0] < a[0] for a, b in itertools.pairwise(pairs)):
        check.error(at, f"given {show(curve)}, whose x do not ascend", "sort the points by x")
        return None
    if any(not 0.0 <= p[1] <= 1.0 for p in pairs):
        check.error(
            at, f"given {show(curve)}, allowed: suitabilities from 0 to 1", remedy, kind="out_of_range"
        )
        return None
    return tuple((float(x), float(s)) for x, s in pairs)


def check_habitat_rules(values: Mapping[str, Any], check: Checker) -> None:
    """Check what ties rasters, terrain and stages together."""
    rasters = values["rasters"]
    terrain = values.get("terrain")
    if terrain and terrain["elevation"] is not None:
        _named_raster(terrain["elevation"], "[terrain] elevation", rasters, check, kind="number")
    width = (values["hydrography"] or {}).get("width_raster")
    if width is not None:
        _named_raster(width, "[hydrography] width_raster", rasters, check, kind="number")
    for key, species in values["species"].items():
        at = f"species.{key}"
        habitat = species["habitat"]
        if habitat in STAGES and habitat not in species["stages"]:
            message = f'given "{habitat}", but there is no such stage'
            check.error(f"[{at}] habitat", message, f"add [{at}.{habitat}]", kind="missing_key")
        if species["stages"] and habitat not in STAGES:
            message = f"[{at}]: life stages are given, but habitat = {show(habitat)} does not use them"
            check.problems.warning("unused", message, remedy='give habitat = "rearing" or "spawning"',
                                   where=check.path.name)  # fmt: skip
        for stage, table in species["stages"].items():
            for name, curve in table["curves"].items():
                if name == "gradient" and not terrain:
                    check.error(f"[{at}.{stage}.curves] gradient", "there is no terrain to take gradients from",
                                "add [rasters.dem] and [terrain] elevation", kind="missing_key")  # fmt: skip
                elif name in rasters:
                    _fits(rasters[name], curve, f"[{at}.{stage}.curves] {name}", check)


def _named_raster(name: str, at: str, rasters: Mapping[str, Any], check: Checker, *, kind: str) -> None:
    if name not in rasters:
        remedy = nearest(name, list(rasters)) or f"add [rasters.{name}]"
        check.error(at, f"there is no raster {show(name)}", remedy, kind="missing_key")
    elif rasters[name]["kind"] not in (kind, None):
        check.error(at, f"raster {name} holds {rasters[name]['kind']}", f'it must be of kind = "{kind}"')


def _fits(raster: Mapping[str, Any], curve: Any, at: str, check: Checker) -> None:
    by_label = isinstance(curve, Mapping)
    if by_label != (raster["kind"] == "classes"):
        wanted = (
            "a table { label = suitability }"
            if raster["kind"] == "classes"
            else "points [[x, suitability], ...]"
        )
        check.error(at, f"the raster holds {raster['kind']}", f"write {wanted}")
    elif by_label:
        for label in curve:
            if label not in raster["classes"]:
                remedy = (
                    nearest(label, list(raster["classes"])) or f"classes are {', '.join(raster['classes'])}"
                )
                check.error(at, f"there is no class {show(label)}", remedy)


def build_raster(name: str, v: Mapping[str, Any]) -> RasterSpec:
    """Assemble one raster from checked values."""
    return RasterSpec(name=name, **{**v, "classes": MappingProxyType(v["classes"])})


def build_stage(stage: str, v: Mapping[str, Any]) -> StageTable:
    """Assemble one life stage from checked values."""
    return StageTable(stage=stage, **{**v, "curves": MappingProxyType(v["curves"])})  # type: ignore[arg-type]
