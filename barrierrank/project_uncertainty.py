"""``[uncertainty]`` of the project file: how often the inputs are drawn anew, and how far they may be off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from barrierrank.project_check import Checker, show
from barrierrank.project_schema_uncertainty import BY_EVIDENCE, CERTAIN, EVIDENCE, ROW_EVIDENCE, UNCERTAINTY

__all__ = ["CERTAIN", "EVIDENCE", "ROW_EVIDENCE", "UncertaintySpec", "build_uncertainty", "uncertainty_tables"]


@dataclass(frozen=True)
class UncertaintySpec:
    """``[uncertainty]``: how far inputs may be off (see `project_schema_uncertainty.UNCERTAINTY`).

    Parameters
    ----------
    draws : int
        0 = off, else 2 or more.
    seed : int
    method : {"latin_hypercube", "sobol"}
    level : float
        Share of the draws that the interval of a rank covers, above 0 and at most 1.
    top : int
        `k` of the chance to be among the `k` best.
    value_cv, treatment_cv, basin_habitat_cv : float
        Coefficients of variation of one factor a species: of its value, of the costs of treating it, of all its
        habitat; 0 = certain.
    passability : Mapping of str to float
        By class of :data:`EVIDENCE`: the number of fish offered in a trial that would tell as much [fish].
    habitat, cost, failure : Mapping of str to float
        By class of :data:`EVIDENCE`: coefficient of variation, above 0.
    """

    draws: int
    seed: int
    method: Literal["latin_hypercube", "sobol"]
    level: float
    top: int
    value_cv: float
    treatment_cv: float
    basin_habitat_cv: float
    passability: Mapping[str, float]
    habitat: Mapping[str, float]
    cost: Mapping[str, float]
    failure: Mapping[str, float]

    @property
    def on(self) -> bool:
        """Whether inputs are drawn at all."""
        return self.draws > 0


def uncertainty_tables(raw: Mapping[str, Any], check: Checker) -> dict[str, Any]:
    """Check the keys of ``[uncertainty]`` and of its sub-tables.

    Parameters
    ----------
    raw : Mapping
        As read; empty where the file has no such table.
    check : Checker
        Where complaints go.

    Returns
    -------
    dict
        Every key with its value or default, and by the name of each sub-table its keys likewise.
    """
    at = "uncertainty"
    values = check.table(raw, at, at, extra=tuple(BY_EVIDENCE))
    for name in BY_EVIDENCE:
        table = raw.get(name, {})
        if not isinstance(table, dict):
            message = f"given {show(table)}, but it is a table with a number for each of {', '.join(EVIDENCE)}"
            check.error(f"[{at}] {name}", message, f"write a line [{at}.{name}] and its keys below it")
            table = {}
        values[name] = check.table(table, f"{at}.{name}", f"{at}.{name}")
    if values["draws"] == 1:
        message = "given 1, allowed: 0 (off), or 2 or more"
        check.error(f"[{at}] draws", message, "one draw tells no spread: give some hundreds", kind="out_of_range")
    return values


def build_uncertainty(v: Mapping[str, Any] | None = None) -> UncertaintySpec:
    """Assemble the table from checked values; from the defaults without any."""
    if v is None:
        v = {k.name: k.default for k in UNCERTAINTY}
        v |= {name: {k.name: k.default for k in keys} for name, keys in BY_EVIDENCE.items()}
    tables: dict[str, Any] = {name: MappingProxyType(dict(v[name])) for name in BY_EVIDENCE}
    return UncertaintySpec(**{k.name: v[k.name] for k in UNCERTAINTY}, **tables)
