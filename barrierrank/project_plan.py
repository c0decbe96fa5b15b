"""``[plan]`` of the project file: how plans are searched for, and what is asked of them besides the budget."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from barrierrank.project_check import Checker, id_text, nearest, show
from barrierrank.project_key import Key
from barrierrank.project_schema_plan import MOST_HABITAT, PLAN, YEAR_BUDGET

__all__ = ["ActionName", "Dependency", "PlanSpec", "build_plan", "plan_tables"]

AT = "plan"
_ACTION = Key("action", "text", "what is done there", required=True, example='"rebuild"')
_ENTRY = '{site = "S12", action = "rebuild"}'
_EXAMPLE = {k.name: k.example for k in PLAN}


@dataclass(frozen=True)
class ActionName:
    """An action as the project file names it.

    Parameters
    ----------
    site : str
        Id of the site.
    action : str or None
        None: every action at the site (in `forbidden` alone).
    """

    site: str
    action: str | None


@dataclass(frozen=True)
class Dependency(ActionName):
    """An action that a plan has only together with the action `on`."""

    on: ActionName


@dataclass(frozen=True)
class PlanSpec:
    """``[plan]``: what is asked of a plan (see `project_schema_plan.PLAN`).

    Parameters
    ----------
    gap : float
        Share of what a plan gains, 0 to 1, by which the best plan may be better still when the search stops.
    seconds : float
        Of search for one plan, above 0 [s].
    draws : int
        Draws of ``[uncertainty]`` for which plans are made; 0 = none, else 2 or more, never more than there are.
    core : float
        Share of these draws, 0.5 to 1, from which an action is called core.
    curve_points : int
        Points of the budget curve, 2 or more.
    curve_to : float
        End of the budget curve in budgets, above 1.
    front_points : int
        Points of the front of natives against invaders, 2 or more.
    forced : tuple of ActionName
        Entries of this list and of the next three are in the order of the file.
    forbidden : tuple of ActionName
        An entry whose action is None stands for all actions at its site.
    exclusive : tuple of tuple of ActionName
        Groups of two or more, of which a plan has at most one.
    depends : tuple of Dependency
    most_invader_habitat : Mapping of str to float
        By the key of an invasive species: cap on its accessible habitat, mean over the horizon [unit of its habitat].
    year_budgets : tuple of float
        What each funding year has [money]; empty = not given.
    """

    gap: float
    seconds: float
    draws: int
    core: float
    curve_points: int
    curve_to: float
    front_points: int
    forced: tuple[ActionName, ...]
    forbidden: tuple[ActionName, ...]
    exclusive: tuple[tuple[ActionName, ...], ...]
    depends: tuple[Dependency, ...]
    most_invader_habitat: Mapping[str, float]
    year_budgets: tuple[float, ...]


def plan_tables(raw: Mapping[str, Any], ready: Mapping[str, Any], check: Checker) -> dict[str, Any]:
    """Check the keys of ``[plan]``; whether its sites and actions exist is told once the tables are read.

    Parameters
    ----------
    raw : Mapping
        As read; empty where the file has no such table.
    ready : Mapping
        Checked values of the other tables: `species`, `economy` and `uncertainty` are looked at.
    check : Checker
        Where complaints go.

    Returns
    -------
    dict
        Every key with its value or default.
    """
    values = check.table(raw, AT, AT)
    lists = {name: values[name] or () for name in ("forced", "forbidden", "exclusive", "depends")}
    values["forced"] = _names(lists["forced"], "forced", check)
    values["forbidden"] = _names(lists["forbidden"], "forbidden", check, whole_sites=True)
    values["exclusive"] = _groups(lists["exclusive"], check)
    values["depends"] = _dependencies(lists["depends"], check)
    values["most_invader_habitat"] = _caps(values["most_invader_habitat"] or {}, ready["species"], check)
    values["year_budgets"] = _years(values["year_budgets"] or (), ready["economy"], check)
    values["draws"] = _draws(values["draws"], ready["uncertainty"]["draws"], "draws" in raw, check)
    return values


def build_plan(v: Mapping[str, Any] | None = None) -> PlanSpec:
    """Assemble the table from checked values; from the defaults without any."""
    if v is None:
        v = {k.name: k.default for k in PLAN}
    caps: Mapping[str, float] = MappingProxyType(dict(v["most_invader_habitat"] or {}))
    return PlanSpec(**{**{k.name: v[k.name] for k in PLAN}, "most_invader_habitat": caps})


class _Place:
    """One entry of a list of ``[plan]``, for complaints."""

    def __init__(self, name: str, number: int, check: Checker) -> None:
        self.name = name
        self.number = number
        self.at = f"[{AT}] {name}, entry {number}"
        self.check = check

    def part(self, key: str) -> _Place:
        """Return the place of a table inside this entry."""
        inside = _Place(self.name, self.number, self.check)
        inside.at = f"{self.at}, {key}"
        return inside

    def error(self, message: str, remedy: str, *, kind: str = "project_value") -> None:
        """Add an error about this entry."""
        self.check.error(self.at, message, remedy, kind=kind)


def _names(
    raw: list[Any] | tuple[Any, ...], name: str, check: Checker, *, whole_sites: bool = False
) -> tuple[ActionName, ...]:
    """Read a list of actions."""
    found = (
        _name(entry, _Place(name, i, check), whole_site=whole_sites) for i, entry in enumerate(raw, start=1)
    )
    return tuple(n for n in found if n is not None)


def _groups(raw: list[Any] | tuple[Any, ...], check: Checker) -> tuple[tuple[ActionName, ...], ...]:
    """Read a list of groups of actions."""
    groups = []
    for i, group in enumerate(raw, start=1):
        place = _Place("exclusive", i, check)
        if not isinstance(group, list) or len(group) < 2:
            given = "one action alone" if isinstance(group, dict) else show(group)
            message = f"given {given}, allowed: a group of two or more actions in brackets"
            place.error(message, f"write exclusive = {_EXAMPLE['exclusive']}")
            continue
        names = [_name(entry, place) for entry in group]
        groups.append(tuple(n for n in names if n is not None))
    return tuple(groups)


def _dependencies(raw: list[Any] | tuple[Any, ...], check: Checker) -> tuple[Dependency, ...]:
    """Read a list of actions that depend on others."""
    found = []
    for i, entry in enumerate(raw, start=1):
        place = _Place("depends", i, check)
        first = _name(entry, place, more=("on",))
        if not isinstance(entry, dict):
            continue
        if "on" not in entry:
            message = "the key is missing: on, the action it depends on"
            place.error(
                message, 'add it, for example on = {site = "S2", action = "fishway"}', kind="missing_key"
            )
            continue
        second = _name(entry["on"], place.part("on"))
        if first is not None and second is not None:
            found.append(Dependency(first.site, first.action, second))
    return tuple(found)


def _name(
    raw: Any, place: _Place, *, whole_site: bool = False, more: tuple[str, ...] = ()
) -> ActionName | None:
    """Read one site and action; None where it is at fault, which is told."""
    if not isinstance(raw, dict):
        message = f"given {show(raw)}, allowed: a site and an action in braces, such as {_ENTRY}"
        place.error(message, f"write {place.name} = {_EXAMPLE[place.name]}")
        return None
    sound = True
    allowed = ("site", "action", *more)
    for key in raw:
        if key not in allowed:
            remedy = nearest(key, allowed) or f"keys are {', '.join(allowed)}"
            place.error(f"{show(key)}: there is no such key", remedy, kind="unknown_key")
            sound = False
    for key in ("site",) if whole_site else ("site", "action"):
        if key not in raw:
            example = 'site = "S12"' if key == "site" else 'action = "rebuild"'
            place.error(f"the key is missing: {key}", f"add it, for example {example}", kind="missing_key")
            sound = False
    site, action = None, None
    if "site" in raw and (site := _site(raw["site"], place)) is None:
        sound = False
    if "action" in raw:
        action = place.check.value(_ACTION, raw["action"], f"{place.at}, action")
        sound = sound and action is not None
    if not sound or site is None:
        return None
    return ActionName(site, None if action is None else action.strip())


def _site(raw: Any, place: _Place) -> str | None:
    """Read the id of a site: a text or a number, as in lists of ids."""
    number = isinstance(raw, int | float) and not isinstance(raw, bool) and math.isfinite(raw)
    if number or (isinstance(raw, str) and raw.strip()):
        return id_text(raw)
    given = "an empty text" if isinstance(raw, str) else show(raw)
    place.error(f"site: given {given}, allowed: the id of a site", 'write it as in the sites, site = "S12"')
    return None


def _caps(raw: Mapping[str, Any], species: Mapping[str, Any], check: Checker) -> dict[str, float]:
    """Check the caps on habitat: each of an invasive species."""
    out: dict[str, float] = {}
    invasive = [key for key, v in species.items() if v["role"] in ("invasive", None)]
    listed = f"invasive species are {', '.join(invasive)}" if invasive else "no species here is invasive"
    for key, amount in raw.items():
        at = f"[{AT}] most_invader_habitat, {key}"
        if key not in species:
            remedy = nearest(key, invasive) or f"{listed}; give one of these, or leave the cap out"
            check.error(at, f"there is no species {show(key)}", remedy, kind="unknown_species")
        elif key not in invasive:
            message = "the species is native, and the cap is on what invaders may reach"
            check.error(at, message, f"{listed}; name one of these, or remove the cap")
        elif (value := check.value(MOST_HABITAT, amount, at)) is not None:
            out[key] = value
    return out


def _years(raw: list[Any] | tuple[Any, ...], economy: Mapping[str, Any], check: Checker) -> tuple[float, ...]:
    """Check what each funding year has."""
    at = f"[{AT}] year_budgets"
    read = [check.value(YEAR_BUDGET, v, f"{at}, year {i}") for i, v in enumerate(raw, start=1)]
    years = tuple(v for v in read if v is not None)
    if len(years) < len(read):
        return ()
    if years and not any(years):
        message = f"given {show(list(raw))}: there is nothing to spend in any year"
        check.error(
            at, message, "give at least one year some money, or leave the key out", kind="out_of_range"
        )
    horizon = economy.get("horizon_years")
    if horizon is not None and len(years) > horizon:
        message = f"given {len(years)} years, but costs and gains are counted over horizon_years = {horizon}"
        check.error(at, message, "give fewer years, or a longer horizon", kind="out_of_range")
    return years


def _draws(draws: int | None, most: int | None, given: bool, check: Checker) -> int | None:
    """Check the number of draws: no more than there are, which is told where more were asked for."""
    at = f"[{AT}] draws"
    if draws == 1:
        message = "given 1, allowed: 0 (off), or 2 or more"
        check.error(
            at, message, "one draw tells nothing of how steady a plan is: give some tens", kind="out_of_range"
        )
    if draws is None or most is None or draws <= most:
        return draws
    if given:  # no error: who makes fewer draws for a quick look should not have to change this as well
        message = (
            f"{at}: given {draws}, but [uncertainty] draws = {most}, so plans are made for {most or 'none'}"
        )
        check.problems.note("fewer_draws", message, where=check.path.name)
    return most
