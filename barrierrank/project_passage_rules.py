"""Rules that tie structures, flows, trials, swimming and runs of the project file together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

from barrierrank.project_check import Checker, show
from barrierrank.project_dates import DAYS, day_of_year, in_season, month_day
from barrierrank.project_passage import ABILITIES, COMPUTED
from barrierrank.project_schema_passage import PASSAGE, TRIALS

Values = dict[str, Any]

_FASTEST_MS = 20.0
"""No fish is known to swim this fast [m/s]; a greater number is a slip, or in body lengths."""
_FASTEST_LENGTHS = 50.0
_LONGEST_S = 1e7


def check_passage_rules(ready: Values, values: Mapping[str, Any], check: Checker) -> None:
    """Check what the tables of passability require of each other, and read their lists.

    Parameters
    ----------
    ready : dict
        Gets `structures`, `flows`, `trials` (None where not there) and `passage`; `species` are checked in place.
    values : Mapping
        Checked tables that are in the file.
    check : Checker
        Where complaints go.
    """
    for name in ("structures", "flows", "trials"):
        ready[name] = values.get(name)
    ready["passage"] = values.get("passage") or {k.name: k.default for k in PASSAGE}
    if ready["trials"]:
        ready["trials"]["prior"] = _prior(ready["trials"]["prior"], check)
    if ready["structures"] and not ready["flows"]:
        message = "structures need daily discharges to be judged by"
        check.error("[flows]", message, "add [flows] path, or leave [structures] out", kind="missing_key")
    for key, species in ready["species"].items():
        at = f"species.{key}"
        if species["swimming"] is not None:
            _swimming(species["swimming"], f"{at}.swimming", check)
        if species["run"] is not None:
            _run(species["run"], f"{at}.run", check)
        _of_species(species, at, ready, check)
    _unused(ready, check)


def _prior(given: Sequence[Any] | None, check: Checker) -> tuple[float, float] | None:
    at, default = "[trials] prior", next(k.default for k in TRIALS if k.name == "prior")
    if given is None:
        return None
    if len(given) != 2 or not all(_number(v) and 0.0 < v <= 1e6 for v in given):
        message = f"given {show(given)}, allowed: two numbers above 0, of passed and of stopped fish"
        check.error(at, message, f"write prior = {show(default)}", kind="out_of_range")
        return None
    return float(given[0]), float(given[1])


def _number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _needs(at: str, key: str, why: str, remedy: str, check: Checker) -> None:
    check.error(f"[{at}] {key}", why, remedy, kind="missing_key")


def _of_species(species: Values, at: str, ready: Values, check: Checker) -> None:
    """Check what a computed passability and the tables of one species need."""
    if species["passability_down"] == COMPUTED:
        message = f'given "{COMPUTED}", but passage downstream is not worked out'
        check.error(f"[{at}] passability_down", message, "give a number from 0 to 1, or a column")
    if species["passability"] == COMPUTED:
        for name in ("structures", "flows"):
            if not ready[name]:
                message = f'passability = "{COMPUTED}" of [{at}] needs this table'
                check.error(
                    f"[{name}]", message, f"add [{name}] path, or give passabilities", kind="missing_key"
                )
        for name in ABILITIES:
            if species[name] is None:
                message = f'passability = "{COMPUTED}" needs this table'
                check.error(f"[{at}.{name}]", message, "add it, or give passabilities", kind="missing_key")
    elif species["swimming"] is not None and species["run"] is None and ready["structures"]:
        message = f"[{at}.swimming] is given, but not when the run comes by"
        check.error(
            f"[{at}.run]", message, f"add the table, or leave [{at}.swimming] out", kind="missing_key"
        )
    elif species["run"] is not None and species["swimming"] is None:
        message = f"[{at}.run]: is not used without [{at}.swimming]"
        check.problems.warning("unused", message, remedy=f"add [{at}.swimming]", where=check.path.name)
    run, swimming = species["run"], species["swimming"]
    warm = ready["flows"] and ready["flows"]["temperature"] is not None
    if run is not None and run["by"] in ("temperature", "degree_days") and ready["flows"] and not warm:
        message = f'by = "{run["by"]}" of [{at}.run] needs the column of water temperatures'
        _needs("flows", "temperature", message, 'add it, or give by = "date"', check)
    if swimming is not None and swimming["warmth_per_deg"] and ready["flows"] and not warm:
        message = f"[{at}.swimming] warmth_per_deg: is not used without [flows] temperature"
        check.problems.warning("unused", message, remedy="name the column", where=check.path.name)


def _unused(ready: Values, check: Checker) -> None:
    """Warn of tables that nothing uses."""
    able = [key for key, s in ready["species"].items() if s["swimming"] is not None]
    if ready["structures"] and not able:
        message = "[structures]: no species has a table of what it can do, so nothing is worked out"
        remedy = "add [species.<key>.swimming] and [species.<key>.run]"
        check.problems.warning("unused", message, remedy=remedy, where=check.path.name)
    if ready["flows"] and not ready["structures"]:
        message = "[flows]: not used without [structures]"
        check.problems.warning("unused", message, remedy="add [structures]", where=check.path.name)


def _swimming(v: Values, at: str, check: Checker) -> None:
    """Check what a fish can do: enough to tell what stops it, and nothing that cannot be."""
    leap = [k for k in ("leap_m", "leap_speed_ms") if v[k] is not None]
    known = bool(v["burst"] or v["prolonged"])
    if v["moves"] == "leaps":
        if not leap:
            why = 'moves = "leaps" needs how high: leap_m, or the speed leap_speed_ms'
            _needs(at, "leap_m", why, 'add one of them, or give moves = "swims"', check)
        if len(leap) == 2:
            check.error(f"[{at}] leap_speed_ms", "is given beside leap_m", "keep one of the two")
        _not_used(v, ("required_drop_m", "required_drop_lip_m"), at, "leaps", check)
    elif v["moves"] == "swims":
        if v["required_drop_m"] is None and not known:
            why = 'moves = "swims" needs what stops it: a drop, or how long it holds a speed'
            _needs(at, "required_drop_m", why, "add it, or burst or prolonged", check)
        _not_used(v, ("leap_m", "leap_speed_ms"), at, "swims", check)
    lip, drop = v["required_drop_lip_m"], v["required_drop_m"]
    if lip is not None and drop is None:
        _needs(at, "required_drop_m", "required_drop_lip_m is given without it", "add it", check)
    elif lip is not None and lip > drop:
        message = f"[{at}] required_drop_lip_m: given {lip:g}, more than without a lip ({drop:g})"
        remedy = "a lip makes a drop harder to get over: mend one of the two"
        check.problems.warning("doubtful", message, remedy=remedy, where=check.path.name)
    if v["warmth_per_deg"] and v["warmth_at_c"] is None:
        why = "warmth_per_deg is given without the temperature the speeds are given for"
        _needs(at, "warmth_at_c", why, "add it", check)
    if v["speed_unit"] == "lengths/s" and known and v["length_m"] is None:
        _needs(at, "length_m", 'speed_unit = "lengths/s" needs the length of the body', "add it", check)
    sound = [_endurance(v, name, at, check) for name in ("burst", "prolonged")]
    if all(sound) and v["burst"] and v["prolonged"]:
        _burst_is_faster(v, at, check)


def _not_used(v: Values, names: tuple[str, ...], at: str, moves: str, check: Checker) -> None:
    for name in names:
        if v[name] is not None:
            message = f'[{at}] {name}: is not used with moves = "{moves}"'
            check.problems.warning("unused", message, remedy="leave it out", where=check.path.name)


def _endurance(v: Values, name: str, at: str, check: Checker) -> bool:
    """Tell whether the two points of a line of endurance are sound; complain where they are not."""
    points = v[name]
    if not points:
        return True
    place, given = f"[{at}] {name}", show([list(p) for p in points])
    remedy = f"write {name} = [[speed, seconds], [greater speed, fewer seconds]]"
    if len(points) != 2:
        check.error(place, f"given {given}, allowed: two points", remedy)
        return False
    (slow, long), (fast, short) = points
    most, unit = (_FASTEST_LENGTHS, "lengths/s") if v["speed_unit"] == "lengths/s" else (_FASTEST_MS, "m/s")
    if slow <= 0.0 or short <= 0.0:
        check.error(place, f"given {given}, allowed: speeds and seconds above 0", remedy, kind="out_of_range")
    elif fast > most or long > _LONGEST_S:
        message = f"given {given}, allowed: at most {most:g} {unit} and {_LONGEST_S:g} seconds"
        hint = (
            'if these are body lengths a second, give speed_unit = "lengths/s"' if unit == "m/s" else remedy
        )
        check.error(place, message, hint, kind="out_of_range")
    elif fast <= slow:
        check.error(place, f"given {given}, whose speeds do not ascend", remedy)
    elif short >= long:
        message = f"given {given}: a greater speed must be held for fewer seconds"
        check.error(place, message, remedy)
    else:
        return True
    return False


def _burst_is_faster(v: Values, at: str, check: Checker) -> None:
    burst, prolonged = v["burst"], v["prolonged"]
    if burst[0][0] < prolonged[0][0] or burst[1][0] <= prolonged[1][0]:
        message = f"given up to {burst[1][0]:g}, but prolonged goes up to {prolonged[1][0]:g}"
        if burst[1][0] > prolonged[1][0]:
            message = f"given from {burst[0][0]:g}, but prolonged begins at {prolonged[0][0]:g}"
        check.error(f"[{at}] burst", message, "burst speeds are the faster ones: mend or exchange the two")


def _run(v: Values, at: str, check: Checker) -> None:
    """Read season and curve of a run into days and numbers."""
    season = _season(v["season"], at, check) if v["season"] is not None else None
    points = _points(v, at, check)
    if v["season"] is None and v["by"] in ("temperature", "degree_days"):
        why = f'by = "{v["by"]}" needs the first and the last day of the season'
        _needs(at, "season", why, 'add it, for example season = ["03-15", "07-15"]', check)
    if v["by"] == "date" and points is not None:
        season = _dates_in_order(points, season, v["season"] is not None, at, check)
    elif points is not None and any(b[0] <= a[0] for a, b in itertools.pairwise(points)):
        check.error(
            f"[{at}] curve", f"given {show(v['curve'])}, whose x do not ascend", "sort the points by x"
        )
    if points is not None and v["by"] == "degree_days" and points[0][0] < 0.0:
        message = f"given {points[0][0]:g}, allowed: degree-days from 0"
        check.error(
            f"[{at}] curve", message, "count them from the first day of the season", kind="out_of_range"
        )
    v["season"], v["curve"] = season, points


def _season(given: Sequence[Any], at: str, check: Checker) -> tuple[int, int] | None:
    days = [day_of_year(d) if isinstance(d, str) else None for d in given]
    if len(given) == 2 and days[0] is not None and days[1] is not None:
        return days[0], days[1]
    message = f"given {show(given)}, allowed: the first and the last day as month-day"
    check.error(f"[{at}] season", message, 'write season = ["03-15", "07-15"]', kind="bad_date")
    return None


def _points(v: Values, at: str, check: Checker) -> tuple[tuple[float, float], ...] | None:
    """Return the points of a curve as numbers, days of a leap year for dates; None after a complaint."""
    given = v["curve"]
    if given is None or v["by"] is None:
        return None
    place, dates = f"[{at}] curve", v["by"] == "date"
    what = "a date, month-day," if dates else "a number"
    example = '[["04-10", 0.0], ["05-15", 1.0], ["06-20", 0.0]]' if dates else "[[8.0, 0.0], [12.0, 1.0]]"
    out: list[tuple[float, float]] = []
    for row in given:
        pair: list[Any] = row if isinstance(row, list) and len(row) == 2 else [None, None]
        x = _abscissa(pair[0], dates=dates)
        if x is None or not _number(pair[1]):
            message = f"given {show(row)}, allowed: {what} and a weight"
            kind = "bad_date" if dates else "project_value"
            check.error(place, message, f"write curve = {example}", kind=kind)
            return None
        out.append((x, float(pair[1])))
    if len(out) < 2:
        check.error(place, f"given {show(given)}, allowed: two points or more", f"write curve = {example}")
    elif any(w < 0.0 for _, w in out):
        least = min(w for _, w in out)
        check.error(place, f"given the weight {least:g}, allowed: 0 or more", "mend it", kind="out_of_range")
    elif not any(w > 0.0 for _, w in out):
        check.error(
            place, "all weights are 0", "give a weight above 0 where fish come by", kind="out_of_range"
        )
    else:
        return tuple(out)
    return None


def _abscissa(given: Any, *, dates: bool) -> float | None:
    """Return where a point of a curve lies: a number, or the day of a leap year for a date; None where it is none."""
    if not dates:
        return float(given) if _number(given) else None
    day = day_of_year(given) if isinstance(given, str) else None
    return None if day is None else float(day)


def _dates_in_order(
    points: Sequence[tuple[float, float]],
    season: tuple[int, int] | None,
    given: bool,
    at: str,
    check: Checker,
) -> tuple[int, int] | None:
    """Check that dates lie in the season and ascend in it; return the season, that of the curve where none is given."""
    place = f"[{at}] curve"
    if season is None:
        if given:
            return None  # told already
        season = int(points[0][0]), int(points[-1][0])
    outside = [month_day(int(x)) for x, _ in points if not in_season(x, season)]
    whole = f"{month_day(season[0])} to {month_day(season[1])}"
    since = [(x - season[0]) % DAYS for x, _ in points]
    if given and outside:
        message = f"{', '.join(outside)} is outside the season {whole}"
        check.error(place, message, "widen the season, or leave the point out", kind="out_of_range")
    elif any(b <= a for a, b in itertools.pairwise(since)):
        dates = ", ".join(month_day(int(x)) for x, _ in points)
        check.error(
            place, f"given {dates}, which do not ascend in the season {whole}", "sort the points by date"
        )
    return season
