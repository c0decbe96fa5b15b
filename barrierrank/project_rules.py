"""Rules that tie keys of the project file to each other, checked after each key by itself is sound."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from pyproj import CRS

from barrierrank.problems import some
from barrierrank.project_check import PROJECTED_REMEDY, Checker, parse_crs, show
from barrierrank.project_habitat import check_habitat_rules
from barrierrank.project_passage_rules import check_passage_rules
from barrierrank.project_schema import SCHEMA

Values = dict[str, Any]


def check_rules(values: Mapping[str, Any], raw: Mapping[str, Any], check: Checker) -> Values:
    """Check what keys require of each other and return the values of every table, defaults filled in.

    Parameters
    ----------
    values : Mapping
        Checked tables that are in the file; `species` by key.
    raw : Mapping
        The tables as read, to tell what was given from what is a default.
    check : Checker
        Where complaints go.
    """
    ready: Values = {name: values.get(name) or {} for name in ("basin", "hydrography", "sites")}
    for name in ("ranking", "display"):
        ready[name] = values.get(name) or {k.name: k.default for k in SCHEMA[name]}
    ready["outlets"], ready["actions"] = values.get("outlets"), values.get("actions")
    _basin(ready["basin"], check)
    _hydrography(ready["hydrography"], check)
    _outlets(ready["outlets"], ready["hydrography"], check)
    _sites(ready["sites"], check)
    ready["ratings"] = _ratings(values["ratings"], check)
    ready["species"] = values["species"]
    _species(ready["species"], ready["hydrography"], raw, check)
    ready["rasters"] = values["rasters"]
    ready |= {name: values.get(name) for name in ("terrain", "catchments", "survey")}
    _area_for_width(ready, check)
    check_habitat_rules(ready, check)
    check_passage_rules(ready, values, check)
    ready["economy"] = _economy(values, check)
    ready["weights"] = _weights(raw.get("ranking", {}), ready["ranking"], check)
    if "points" in values and "money" not in values and ready["ranking"]["by"] == "net_benefit":
        message = 'given "net_benefit", but points less money is no number'
        check.error("[ranking] by", message, 'give "benefit_per_cost", or [money] instead of [points]')
    _display(ready["display"], check)
    return ready


def _basin(v: Values, check: Checker) -> None:
    if not v.get("crs"):
        return
    crs = parse_crs(v["crs"])
    given = f"given {show(v['crs'])} ({crs.name})"
    at = "[basin] crs"
    if crs.is_geographic or crs.is_geocentric or not crs.is_projected:
        what = (
            "in degrees: lengths cannot be measured in it" if crs.is_geographic else "not a projected system"
        )
        check.error(at, f"{given}, which is {what}", PROJECTED_REMEDY, kind="geographic_crs")
        return
    unit = crs.axis_info[0].unit_name if crs.axis_info else "unknown"
    if not all(math.isclose(a.unit_conversion_factor, 1.0, rel_tol=1e-12) for a in crs.axis_info[:2]):
        message = f"{given}, whose unit is {unit}, not metre"
        check.error(at, message, PROJECTED_REMEDY, kind="crs_unit")
    if _is_web_mercator(crs):
        message = f"{given} stretches lengths away from the equator (at 45 degrees by 1.41)"
        check.problems.warning(
            "crs_scale", f"{at}: {message}", remedy=PROJECTED_REMEDY, where=check.path.name
        )


def _is_web_mercator(crs: CRS) -> bool:
    operation = crs.coordinate_operation
    return operation is not None and "pseudo" in operation.method_name.lower()


def _both_or_neither(v: Values, pair: tuple[str, str], at: str, check: Checker) -> None:
    given = [k for k in pair if v.get(k) is not None]
    if len(given) == 1:
        lacking = next(k for k in pair if k != given[0])
        check.error(f"[{at}] {given[0]}", f"is given without {lacking}", f"add {lacking}, or leave both out")


def _hydrography(v: Values, check: Checker) -> None:
    if not v:
        return
    at = "hydrography"
    for pair in (("from_node", "to_node"), ("start_elevation", "end_elevation"), ("width_a", "width_b")):
        _both_or_neither(v, pair, at, check)
    if v["direction"] == "nodes" and v["from_node"] is None and v["to_node"] is None:
        message = 'direction = "nodes" needs the columns from_node and to_node'
        check.error(f"[{at}] from_node", message, "add both, or choose another direction", kind="missing_key")
    if v["length"] is not None and v["length_unit"] is None:
        check.error(f"[{at}] length_unit", "the unit of the length column is missing",
                    'add length_unit = "m", "km", "ft" or "mi"', kind="missing_key")  # fmt: skip
    ways = [k for k in ("width", "width_a", "width_set", "width_raster") if v[k] is not None]
    if len(ways) > 1:
        check.error(f"[{at}] {ways[0]}", f"is given beside {ways[1]}", "keep one way to the width")
    both = sorted(set(v["leave_out"]) & set(v["turn"]))
    if both:
        check.error(
            f"[{at}] turn", f"lines {some(both)} are also in leave_out", "name each in one list alone"
        )


def _area_for_width(ready: Values, check: Checker) -> None:
    """Check that a rule for the width has drainage areas to work with."""
    v = ready["hydrography"]
    rule = next((k for k in ("width_a", "width_set") if v and v[k] is not None), None)
    if rule and v["drainage_area"] is None and not ready["terrain"] and not ready["catchments"]:
        message = "needs drainage areas: the column drainage_area [km2], [catchments] or [terrain]"
        check.error(f"[hydrography] {rule}", message, "add drainage_area", kind="missing_key")


def _outlets(v: Values | None, hydrography: Values, check: Checker) -> None:
    if v is None:
        if hydrography and hydrography["direction"] == "outlets":
            message = '[hydrography] direction = "outlets" needs to know where they are'
            check.error("[outlets]", message, "add the table with path, points or lines", kind="missing_key")
        return
    if v["path"] is None and not v["points"] and not v["lines"]:
        message = "names no outlet"
        check.error(
            "[outlets]", message, "give path, points or lines, or leave the table out", kind="missing_key"
        )
    if v["points"] and all(abs(x) <= 180 and abs(y) <= 90 for x, y in v["points"]):
        message = f"given {show(v['points'])}, which look like degrees"
        check.error(
            "[outlets] points", message, "give metres in the CRS of [basin], or a point layer by path"
        )


def _sites(v: Values, check: Checker) -> None:
    if not v:
        return
    _both_or_neither(v, ("x", "y"), "sites", check)
    if v["x"] is not None and v["x"] == v["y"]:
        check.error(
            "[sites] y",
            f"names the same column as x, {show(v['x'])}",
            "name the column of the latitude or northing",
        )
    if v["x"] is not None and v["crs"] is None:
        message = "the coordinate system of x and y is missing"
        check.error(
            "[sites] crs", message, 'add it, "EPSG:4326" for GPS longitude and latitude', kind="missing_key"
        )


def _ratings(raw: Mapping[str, Any], check: Checker) -> dict[str, float]:
    out: dict[str, float] = {}
    for word, value in raw.items():
        at = f"[ratings] {word}"
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not 0.0 <= value <= 1.0:
            check.error(
                at, f"given {show(value)}, allowed: a number from 0 to 1", "give the passability of the word"
            )
        elif _numeric(word):
            check.error(
                at, "a rating is a word; a number in a column means itself", "use words in the column"
            )
        elif word.strip().casefold() in out:
            check.error(at, "is there twice (capitals do not count)", "keep one of the two")
        else:
            out[word.strip().casefold()] = float(value)
    return out


def _numeric(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return not word.strip()
    return word.strip().casefold() not in {"nan", "inf", "infinity"}


def _species(species: Values, hydrography: Values, raw: Mapping[str, Any], check: Checker) -> None:
    if not species and isinstance(raw.get("species"), dict):
        check.error("[species]", "names no species", "add [species.<key>] tables", kind="missing_key")
    for key, v in species.items():
        at = f"[species.{key}]"
        v["label"] = v["label"] or key
        sign = {"invasive": -1, "native": 1}.get(v["role"] or "", 0)
        if v["value"] is not None and v["value"] * sign < 0:
            rule = "negative or 0 for an invader" if sign < 0 else "positive or 0 for a native"
            check.error(
                f"{at} value",
                f"given {v['value']:g}, allowed: {rule}",
                f"write {-v['value']:g}, or mend role",
            )
        if v["treatment"] is not None and v["role"] == "native":
            check.error(
                f"[species.{key}.treatment]", "a native is not treated", "remove the table, or mend role"
            )
        by_flow = v["treatment"] is not None and v["treatment"]["per"] == "discharge"
        if by_flow and hydrography and hydrography["discharge"] is None:
            message = 'given "discharge", but the streams have none'
            check.error(
                f"[species.{key}.treatment] per", message, "add the column discharge to [hydrography]"
            )
        stage = v["stages"].get(v["habitat"] or "", {"measure": v["habitat"]})
        if (
            stage["measure"] == "area"
            and hydrography
            and all(hydrography[k] is None for k in ("width", "width_a", "width_set", "width_raster"))
        ):
            message = 'given "area", but the streams have no width'
            ways = "width, width_a and width_b, width_set or width_raster"
            check.error(f"{at} habitat", message, f"add {ways} to [hydrography]")
    roles = {v["role"] for v in species.values()}
    for role, lost in (("invasive", "nothing to keep out"), ("native", "nothing to let through")):
        if species and role not in roles and None not in roles:
            message = f"[species]: no species is {role}, so there is {lost}"
            check.problems.note("one_sided", message, where=check.path.name)


def _economy(values: Mapping[str, Any], check: Checker) -> Values:
    given = [name for name in ("money", "points") if name in values]
    if len(given) != 1:
        message = "both are given" if given else "neither is given"
        remedy = "keep [money] if values are money a year, [points] if they are points"
        check.error(
            "[money] and [points]", message, remedy if given else f"add one: {remedy}", kind="money_or_points"
        )
        return {}
    return {"currency": None, **values[given[0]]}


def _weights(raw: Mapping[str, Any], ranking: Values, check: Checker) -> dict[str, float]:
    weights = raw.get("weights", {})
    at = "[ranking.weights]"
    if not isinstance(weights, dict):
        check.error(
            at, f"given {show(weights)}", "write a line [ranking.weights] and column = weight below it"
        )
        return {}
    for column, weight in weights.items():
        number = isinstance(weight, int | float) and not isinstance(weight, bool)
        if not number or not _finite(weight):
            check.error(
                f"{at} {column}", f"given {show(weight)}, allowed: a number", "its sign is the direction"
            )
    if ranking["by"] == "criteria" and not any(weights.values()):
        message = 'by = "criteria" needs weights that are not all 0'
        check.error(at, message, "add the table, column = weight", kind="missing_key")
    if ranking["by"] not in ("criteria", None) and weights:
        message = f'{at}: the weights are not used with by = "{ranking["by"]}"'
        check.problems.warning("unused", message, remedy='give by = "criteria"', where=check.path.name)
    return {k: float(w) for k, w in weights.items()} if not check.problems.of("error") else {}


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _display(v: Values, check: Checker) -> None:
    low, high = v["blocked_below"], v["open_from"]
    if low is not None and high is not None and low > high:
        message = f"given {low:g}, above open_from = {high:g}"
        check.error(
            "[display] blocked_below", message, "give open_from the greater of the two", kind="out_of_range"
        )
