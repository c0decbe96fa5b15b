"""Two runs side by side: which actions moved in the list, and what went into the runs that differs.

A run is told by what it left in its folder alone, so that runs of other days, machines and versions can be
compared. What differs is told as changed between the runs, never as the cause: which change moved which action
is known only where one thing is changed at a time.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

import numpy as np
import pandas as pd

from barrierrank.outputs.compare_read import INTERVAL, NUMBERS, RunResult
from barrierrank.outputs.compare_sure import beyond

FIRST = 50
"""Rows up to this rank in either run come first, by how far they moved."""
CHANGE_COLUMNS = ("what", "name", "state", "in_a", "in_b", "unit")
_TOLD = (*INTERVAL, "purpose", "best", *NUMBERS)
_RANKS = ("rank_low", "rank_high")
# How the names of parameters end, and the unit that says; longer endings first.
_UNITS = (
    ("_per_deg", "per °C"), ("_m3s", "m³/s"), ("_km2", "km²"), ("_km", "km"), ("_deg", "°"), ("_years", "years"),
    ("_days", "days"), ("_ms", "m/s"), ("_m", "m"), ("_c", "°C"), ("_rate", "a year"),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Comparison:
    """What differs between two runs.

    Parameters
    ----------
    a, b : RunResult
    moves : DataFrame
        A row for each action of either run: `state` ("both", "new": only in B, "gone": only in A), `site`, `name`,
        `action`, `rank_a`, `rank_b`, `places_up` (Int64), `beyond` (boolean: it moved by more than what the draws
        leave open, see :func:`~barrierrank.outputs.compare_sure.beyond`; missing where a run has no intervals), and
        of both runs, with `_a` and `_b` behind the name: `rank_low` and `rank_high` (Int64, the interval its rank
        keeps in most draws), `chance_top` (share of draws in which it is among the first of the list),
        `expected_benefit` (mean of all draws), `chance_of_harm` (share of draws in which its benefit is below zero),
        purpose, best, cost, present_worth_cost, benefit, net_benefit, benefit_per_cost, `today_<species>` and
        `passability_<species>`, which are passability [share] today and once the action is done.
    changes : DataFrame
        A row for each input file, each parameter that differs, and the version, with :data:`CHANGE_COLUMNS`; `state`
        is "changed", "new", "gone", "same" or "not known".
    species : tuple of str
        Keys of those that both runs have.
    """

    a: RunResult
    b: RunResult
    moves: pd.DataFrame
    changes: pd.DataFrame
    species: tuple[str, ...]

    @property
    def same_worth(self) -> bool:
        """Whether worth is told in the same money, or points, in both."""
        return self.a.currency == self.b.currency


def compare_runs(a: RunResult, b: RunResult) -> Comparison:
    """Set two runs side by side.

    Parameters
    ----------
    a, b : RunResult
        The run before and the run after; neither is changed.
    """
    species = tuple(key for key in b.species if key in a.species)
    changes = pd.DataFrame(
        [*_inputs(a, b), *_parameters(a, b), *_version(a, b)], columns=list(CHANGE_COLUMNS), dtype=object
    )
    return Comparison(a, b, _moves(a, b, species), changes, species)


def _moves(a: RunResult, b: RunResult, species: tuple[str, ...]) -> pd.DataFrame:
    sides = []
    for run, tag in ((a, "a"), (b, "b")):
        table = _with_today(run, species)
        sides.append(table.rename(columns={c: f"{c}_{tag}" for c in table if c not in ("site", "action")}))
    both = sides[0].merge(sides[1], on=["site", "action"], how="outer", sort=True)
    rank_a, rank_b = both["rank_a"].astype("Int64"), both["rank_b"].astype("Int64")
    state = np.where(rank_a.isna(), "new", np.where(rank_b.isna(), "gone", "both"))
    out = pd.DataFrame({"state": state, "site": both["site"], "name": both["name_b"].fillna(both["name_a"])})
    out["action"] = both["action"]
    out["rank_a"], out["rank_b"], out["places_up"] = rank_a, rank_b, rank_a - rank_b
    out["beyond"] = beyond(both)
    for name in (*_TOLD, *(f"{kind}_{key}" for key in species for kind in ("today", "passability"))):
        columns = [f"{name}_{tag}" for tag in "ab"]
        if all(c in both and both[c].notna().any() for c in columns) or name in _TOLD:
            out[columns] = both[columns].astype("Int64") if name in _RANKS else both[columns]
    ordered: pd.DataFrame = out.iloc[_order(out)].reset_index(drop=True)
    return ordered


def _with_today(run: RunResult, species: tuple[str, ...]) -> pd.DataFrame:
    """The list of a run, today's passability of its sites beside it."""
    after = [f"passability_{key}" for key in species]
    wanted = [c for c in run.listed if c in after or not str(c).startswith("passability_")]
    table = run.listed[wanted].copy()
    for name in INTERVAL:
        if name not in table:
            table[name] = np.nan
    for key in species if run.passage is not None else ():
        assert run.passage is not None
        mine = run.passage[run.passage["species"] == key].set_index("site")["passability"]
        table[f"today_{key}"] = table["site"].map(mine)
    return table


def _order(moves: pd.DataFrame) -> Any:
    """Rows of the first ranks before the others; in each part the greatest moves first, new and gone before them."""
    endless = np.iinfo(np.int64).max
    ranks = [moves[c].fillna(endless).to_numpy(dtype=np.int64) for c in ("rank_b", "rank_a")]
    moved = moves["places_up"].abs().fillna(endless).to_numpy(dtype=np.int64)
    late = np.minimum(*ranks) > FIRST
    return np.lexsort((moves["action"].astype(str), moves["site"].astype(str), ranks[1], ranks[0], -moved, late))


def _inputs(a: RunResult, b: RunResult) -> list[tuple[Any, ...]]:
    """Files by name, seen from the project file; those moved elsewhere by the last part of it."""
    files_a, files_b = _files(a), _files(b)
    pairs = {name: name for name in files_b if name in files_a}
    left_a = [n for n in files_a if n not in files_b]
    left_b = [n for n in files_b if n not in files_a]
    for name in left_b:
        alike = [n for n in left_a if PurePosixPath(n).name == PurePosixPath(name).name]
        if len(alike) == 1 and sum(PurePosixPath(n).name == PurePosixPath(name).name for n in left_b) == 1:
            pairs[name] = alike[0]
    rows: list[tuple[Any, ...]] = []
    for name, entry in files_b.items():
        if name not in pairs:
            rows.append(("input", name, "new", "", _sum(entry), ""))
            continue
        before = files_a[pairs[name]]
        known = _sum(before) and _sum(entry)
        state = ("same" if _content(before) == _content(entry) else "changed") if known else "not known"
        rows.append(("input", name, state, _sum(before), _sum(entry), ""))
    taken = set(pairs.values())
    rows += [("input", n, "gone", _sum(e), "", "") for n, e in files_a.items() if n not in taken]
    order = {state: i for i, state in enumerate(("changed", "new", "gone", "not known", "same"))}
    return sorted(rows, key=lambda row: order[row[2]])


def _files(run: RunResult) -> dict[str, Mapping[str, Any]]:
    """Inputs of a run by their path as seen from the folder of the project file, which rank names first."""
    entries = run.record["inputs"]
    found: dict[str, Mapping[str, Any]] = {}
    home = PurePosixPath(entries[0]["path"]).parent if entries else PurePosixPath()
    for i, entry in enumerate(entries):
        path = str(entry["path"])
        near = path if "://" in path else os.path.relpath(path, home).replace(os.sep, "/")
        found["project file" if i == 0 else near] = entry
    return found


def _sum(entry: Mapping[str, Any]) -> str:
    return str(entry.get("sha256") or "")


def _content(entry: Mapping[str, Any]) -> str:
    """What a file holds, those that belong to it counted (a shapefile's parts, a folder's members)."""
    parts = entry.get("files")
    members = [f.get("sha256") for f in parts if isinstance(f, dict)] if isinstance(parts, list) else []
    return json.dumps([entry.get("sha256"), sorted(str(m) for m in members)])


def _parameters(a: RunResult, b: RunResult) -> list[tuple[Any, ...]]:
    flat_a, flat_b = _flat(a.parameters), _flat(b.parameters)
    rows: list[tuple[Any, ...]] = []
    for name in sorted(set(flat_a) | set(flat_b)):
        before, after = flat_a.get(name), flat_b.get(name)
        if before == after or name == "path":  # the project file's own name says nothing
            continue
        state = "new" if before is None else "gone" if after is None else "changed"
        rows.append(("parameter", name, state, _text(before), _text(after), unit_of(name, b.currency or a.currency)))
    return sorted(rows, key=lambda row: ("changed", "new", "gone").index(row[2]))


def _flat(value: Any, head: str = "") -> dict[str, Any]:
    """Parameters by dotted path; lists whole; what is not set is left out."""
    if isinstance(value, Mapping):
        inner = [_flat(part, f"{head}.{key}" if head else str(key)) for key, part in value.items()]
        return {name: setting for part in inner for name, setting in part.items()}
    return {} if value is None else {head: value}


def _text(value: Any) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def unit_of(name: str, currency: str | None) -> str:
    """Return the unit of a parameter as its name tells it; empty where it does not.

    Parameters
    ----------
    name : str
        Dotted path.
    currency : str or None

    Examples
    --------
    >>> unit_of("sites.snap_tolerance_m", None), unit_of("economy.discount_rate", None), unit_of("basin.crs", None)
    ('m', 'a year', '')
    """
    last = name.rsplit(".", 1)[-1]
    if re.search(r"\.treatment\.(cost_per_unit|fixed_cost_per_stream)$", name):
        return currency or ""
    return next((unit for end, unit in _UNITS if last.endswith(end)), "")


def _version(a: RunResult, b: RunResult) -> list[tuple[Any, ...]]:
    before, after = a.record["version"], b.record["version"]
    return [("version", "barrierrank", "same" if before == after else "changed", before, after, "")]
