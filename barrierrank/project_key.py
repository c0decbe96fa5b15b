"""What is said of one key of the project file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Holds = Literal[
    "text",
    "path",
    "crs",
    "choice",
    "number",
    "integer",
    "number_or_column",
    "column",
    "ids",
    "values",
    "points",
    "flag",
    "pairs",
    "list",
    "table",
]


@dataclass(frozen=True)
class Key:
    """One key of a table of the project file.

    Parameters
    ----------
    name : str
    holds : str
        What kind of value it takes; `column` is the name of a column, `pairs` a list of pairs of
        numbers, `list` a list and `table` a table of keys that the rules of its table look
        into.
    meaning : str
        One line for people.
    required : bool
    default : object
        What is used where the key is left out; None = nothing.
    reason : str
        Why that default; ``"assumed"`` where there is no better reason.
    low, high : float
        Allowed range [in `unit`], ends included unless `above` is true (then `low` itself is not allowed).
    above : bool
    choices : tuple of str
    unit : str
    of : str
        For columns: the layer or table the column belongs to.
    example : str
        A value as TOML, shown where a key must be written and has no default.
    """

    name: str
    holds: Holds
    meaning: str
    required: bool = False
    default: Any = None
    reason: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    above: bool = False
    choices: tuple[str, ...] = ()
    unit: str = ""
    of: str = ""
    example: str = ""
