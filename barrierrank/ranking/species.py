"""A species as the ranking knows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class RankedSpecies:
    """What the ranking has to know of a species to speak of it.

    Parameters
    ----------
    key : str
        The user's own key, ``[a-z0-9_]+``; suffix of its columns `gain_<key>` and `worth_<key>`.
    label : str
        Name to show (user text).
    role : {"invasive", "native"}
    habitat_unit : {"m", "m2", "units"}
        Unit of `gain_<key>`.
    value_known : bool
        False where the project gives it no value: its habitat is shown but does not count.
    noun : str
        What its habitat is called: ``"habitat"``, ``"rearing habitat"``.
    """

    key: str
    label: str
    role: Literal["invasive", "native"]
    habitat_unit: Literal["m", "m2", "units"] = "m"
    value_known: bool = True
    noun: str = "habitat"
