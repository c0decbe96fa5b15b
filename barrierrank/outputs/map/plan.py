"""What the page says of a plan: its actions, what the list would have done instead, access before and after it.

The scripts in ``with_plan`` read it. Access is kept only where it differs from today's: above the sites of a
plan, long runs of reaches change by the same amount, so that a plan costs a few bytes a run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.map.encode import Floats, Ints, Package, deltas, plain, share, squeezed, varints
from barrierrank.outputs.map.lines import Lines
from barrierrank.outputs.map.reach_layer import STATES, unit_scales
from barrierrank.outputs.map.sites import DIGITS, PURPOSES
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook

TIMES = ("before", "after")
NOTED = 0.05  # change of access from which a reach counts as opened or closed
LIMITS = {
    "open_from": 0.9,
    "blocked_below": 0.1,
}  # where the run does not say: the defaults of a project file


@dataclass(frozen=True)
class Change:
    """Access of one species at one time where it differs from the table of reaches.

    Parameters
    ----------
    at : array, shape (changed,)
        Places among the reaches, rising.
    code : array, shape (changed,)
        Access as :func:`~barrierrank.outputs.map.encode.share` codes it.
    state : array, shape (changed,)
        Places in `STATES`.
    """

    at: Ints
    code: Ints
    state: Ints

    def section(self) -> bytes:
        """Return all steps from place to place, then all steps of ``4 code + state``, as varints."""
        gaps = np.diff(self.at, prepend=np.int64(0))
        return varints(gaps) + varints(deltas(4 * self.code + self.state))


def add_plan(package: Package, model: OutputModel, plan: PlanLook, lines: Lines) -> dict[str, Any]:
    """Add the sections of a plan to `package`.

    Returns
    -------
    dict
        What the page's JSON says about it: how many reaches change by time and species, stream lengths [m] by state
        before and after and by stays, opens and closes, and the change [thousandths] from which they count as such.

    Raises
    ------
    ValueError
        Where the plan does not fit the tables of `model`.
    """
    _same_reaches(model, plan)
    package.add_json("plan", plan_columns(model, plan))
    changed: dict[str, list[int]] = {time: [] for time in TIMES}
    lengths: dict[str, list[list[int]]] = {time: [] for time in (*TIMES, "change")}
    for k, look in enumerate(model.species):
        states, access = {}, {}
        for time in TIMES:
            change = changes(model, plan, look.key, time, lines.order)
            changed[time].append(len(change.at))
            if len(change.at):
                package.add(f"plan_{time}{k}", change.section())
            states[time], access[time] = _whole(model, look.key, change, lines.order)
            lengths[time].append(_sums(model, states[time], len(STATES), lines.order))
        moved = _moves(states["before"], access["before"], access["after"])
        lengths["change"].append(_sums(model, moved, 3, lines.order))
    return {"changed": changed, "lengths": lengths, "noted": round(NOTED * 1000)}


def plan_bytes(model: OutputModel, plan: PlanLook | None) -> int:
    """Return about how many bytes a plan takes, deflated; 0 without one.

    Raises
    ------
    ValueError
        Where the plan does not fit the tables of `model`.
    """
    if plan is None:
        return 0
    _same_reaches(model, plan)
    order = np.arange(len(model.reaches))
    parts = [changes(model, plan, s.key, time, order).section() for s in model.species for time in TIMES]
    columns = json.dumps(plan_columns(model, plan), separators=(",", ":")).encode("ascii")
    return sum(len(squeezed(part)) for part in (columns, *parts))


def changes(model: OutputModel, plan: PlanLook, key: str, time: str, order: Ints) -> Change:
    """Return where access at one time differs from the table of reaches by what the page can tell.

    Parameters
    ----------
    key : str
        Of the species.
    time : {"before", "after"}
    order : array, shape (n,)
        Places of the reaches in the order they are drawn.
    """
    today = share(_floats(model.reaches[f"access_{key}"]))[order]
    values = _floats(plan.reach_access[f"{time}_{key}"])[order]
    code = share(values)
    at = np.flatnonzero(code != today)
    states = _states(values[at], _floats(model.reaches[f"habitat_{key}"])[order][at], limits(model))
    return Change(at, code[at], states)


def limits(model: OutputModel) -> tuple[float, float]:
    """Return the access from which a reach counts as open and below which it counts as blocked."""
    known: Any = model.run
    for name in ("parameters", "display"):
        known = known.get(name) if isinstance(known, Mapping) else None
    found = {**LIMITS, **(known if isinstance(known, Mapping) else {})}
    return float(found["open_from"]), float(found["blocked_below"])


def plan_columns(model: OutputModel, plan: PlanLook) -> dict[str, Any]:
    """Return the tables of a plan as columns, sites by their place, and a few numbers about the whole of it.

    Habitat is divided by :func:`~barrierrank.outputs.map.reach_layer.unit_scales`. ``row`` is the place of an action in
    the priority list, -1 where it is not in it. ``presumes`` lists places of sites; text that names others stays text.

    Raises
    ------
    ValueError
        Where a table names a site or a purpose that is not known.
    """
    rows, out = plan.plan, plan.left_out
    purpose = pd.Index(PURPOSES).get_indexer(pd.Index(rows["purpose"].astype(str)))
    if (purpose < 0).any():
        raise ValueError(
            f"purposes are {', '.join(PURPOSES)}; given: {rows['purpose'][purpose < 0].iloc[0]!r}."
        )
    known = {str(site): i for i, site in enumerate(model.sites["site"])}
    planned = {
        **_action(model, rows, known),
        "order": [int(v) for v in rows["order"]],
        "year": [int(v) for v in rows["year"]],
        "purpose": purpose.tolist(),
        "present_worth_cost": _numbers(rows["present_worth_cost"]),
        "saved": _numbers(rows["treatment_saved"]),
        "worth": _numbers(rows["worth_in_plan"]),
        "by_list": [int(v) for v in rows["by_list"].astype(bool)],
        "presumes": [_named(str(text), known) for text in rows["presumes"].fillna("")],
    }
    scales = unit_scales(model)
    by_habitat = pd.Series({s.key: scales[f"habitat{k}"] for k, s in enumerate(model.species)})
    for k, look in enumerate(model.species):
        planned[f"gain{k}"] = _numbers(rows[f"gain_{look.key}"] / by_habitat[look.key])
    access = plan.access.set_index("species").reindex(by_habitat.index)
    return {
        "plan": planned,
        "out": {**_action(model, out, known), "instead": _texts(out["instead"])},
        "species": [_numbers(access[name] / by_habitat) for name in ("habitat", "before", "after")],
        "years": len(plan.budgets),
        "draws": plan.draws,
        **{name: plain(float(getattr(plan, name)), DIGITS) for name in ("budget", "spent", "worth", "gap")},
    }


def _action(model: OutputModel, rows: pd.DataFrame, known: Mapping[str, int]) -> dict[str, list[Any]]:
    """Return the columns that actions of the plan and actions left out have in common."""
    missing = [site for site in rows["site"].astype(str) if site not in known]
    if missing:
        raise ValueError(
            f"the plan names sites that are not in the table of sites: {', '.join(missing[:5])}."
        )
    listed: dict[tuple[str, str], int] = {}
    pairs = zip(model.priority["site"].astype(str), model.priority["action"].astype(str), strict=True)
    for row, pair in enumerate(pairs):
        listed.setdefault(pair, row)
    mine = zip(rows["site"].astype(str), rows["action"].astype(str), strict=True)
    return {
        "site": [known[site] for site in rows["site"].astype(str)],
        "action": _texts(rows["action"]),
        "row": [listed.get(pair, -1) for pair in mine],
        "rank": [None if pd.isna(r) else int(r) for r in rows["rank"]],
        "cost": _numbers(rows["cost"]),
        "alone": _numbers(rows["worth_alone"]),
        "share": [None if code == 0 else code - 1 for code in share(_floats(rows["share"])).tolist()],
        "steadiness": _texts(rows["steadiness"]),
        "why": _texts(rows["why"]),
    }


def _named(text: str, known: Mapping[str, int]) -> list[int] | str:
    """Return places of the sites that `text` names; `text` itself where one of them is not known."""
    parts = text.split(", ") if text else []
    if all(part in known for part in parts):
        return [known[part] for part in parts]
    return text


def _same_reaches(model: OutputModel, plan: PlanLook) -> None:
    """Raise where access before and after is not told in the order of the table of reaches."""
    told, wanted = plan.reach_access["reach"].to_numpy(), model.reaches["reach"].to_numpy()
    if not np.array_equal(told, wanted):
        raise ValueError(
            f"access before and after the plan is told for {len(told)} reaches, the table of reaches has "
            f"{len(wanted)}: both must hold the same reaches in the same order."
        )


def _states(access: Floats, habitat: Floats, at: tuple[float, float]) -> Ints:
    """Return places in `STATES`; access of 0 always is blocked."""
    open_from, blocked_below = at
    rules = [~(habitat > 0.0), (access < blocked_below) | ~(access > 0.0), access >= open_from]
    words = ("none", "blocked", "open")
    return np.select(rules, [STATES.index(w) for w in words], STATES.index("partial")).astype(np.int64)


def _whole(model: OutputModel, key: str, change: Change, order: Ints) -> tuple[Ints, Ints]:
    """Return states and codes of access of all reaches as the page will know them, in the order drawn."""
    words = pd.Index(STATES)
    states = words.get_indexer(pd.Index(model.reaches[f"state_{key}"].astype(str)))[order].astype(np.int64)
    codes = share(_floats(model.reaches[f"access_{key}"]))[order]
    states[change.at], codes[change.at] = change.state, change.code
    return states, codes


def _moves(states: Ints, before: Ints, after: Ints) -> Ints:
    """Return 0 where a reach stays as it is or has no habitat, 1 where it opens, 2 where it closes."""
    step = np.where((before > 0) & (after > 0) & (states != STATES.index("none")), after - before, 0)
    least = round(NOTED * 1000)
    return np.select([step >= least, step <= -least], [1, 2], 0).astype(np.int64)


def _sums(model: OutputModel, codes: Ints, many: int, order: Ints) -> list[int]:
    """Return stream lengths [m] by code."""
    length = _floats(model.reaches["length_m"])[order]
    sums = np.bincount(codes, weights=length, minlength=many)
    return [round(float(v)) for v in sums]


def _floats(column: pd.Series[Any]) -> npt.NDArray[np.float64]:
    return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def _numbers(column: pd.Series[Any]) -> list[float | int | None]:
    return [plain(v, DIGITS) for v in _floats(column)]


def _texts(column: pd.Series[Any]) -> list[str]:
    return ["" if pd.isna(t) else str(t) for t in column]
