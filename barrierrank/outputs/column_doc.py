"""What there is to say of one output column, and the words that columns have for values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Table = Literal[
    "reaches", "sites", "priority_list", "problems", "passage", "acceptability", "survey_next", "weights"
]  # fmt: skip
PlanTable = Literal[
    "plan", "plan_left_out", "plan_steadiness", "plan_curve", "plan_front", "plan_access", "plan_reaches"
]  # fmt: skip
Kind = Literal[
    "id", "text", "word", "count", "length", "habitat", "share", "money", "worth", "ratio", "measure", "flag", "other"
]

TABLES: tuple[Table, ...] = (
    "reaches", "sites", "priority_list", "problems", "passage", "acceptability", "survey_next", "weights",
)  # fmt: skip
PLAN_TABLES: tuple[PlanTable, ...] = (
    "plan", "plan_left_out", "plan_steadiness", "plan_curve", "plan_front", "plan_access", "plan_reaches",
)  # fmt: skip
HABITAT_UNITS = {"m": "m", "m2": "m²", "units": "units"}
STATES = ("open", "partial", "blocked", "none")
PURPOSES = ("keep out", "let through", "both", "neither")
STANDINGS = ("worth doing", "costs more than it brings", "no effect", "more harm than good", "not known")
SOURCES = ("given", "computed", "trial", "assumed")
LEARNED = ("passability", "habitat", "value", "treatment", "cost", "failure")
STOPPERS = ("drop", "leap", "pool", "depth", "velocity")


@dataclass(frozen=True)
class ColumnDoc:
    """One output column.

    Parameters
    ----------
    table : str
        One of :data:`TABLES` or :data:`PLAN_TABLES`.
    name : str
        Name of the column; ``{sp}`` stands for the key of a species, ``{raster}`` for the name of a raster.
    kind : str
        What sort of value it holds; decides how it is rounded and shown.
    title : str
        Short name in plain words; ``{label}`` stands for the name of the species.
    meaning : str
        What it is, for people who did not run the program.
    unit : str
        Empty where there is none. ``{habitat}``, ``{money}`` and ``{worth}`` are filled in by
        :func:`describe`.
    words : tuple of str
        The only values it can have; empty where it is free.
    """

    table: Table | PlanTable
    name: str
    kind: Kind
    title: str
    meaning: str
    unit: str = ""
    words: tuple[str, ...] = ()

    @property
    def per_species(self) -> bool:
        """True where the name is a pattern, one column for each species."""
        return "{sp}" in self.name
