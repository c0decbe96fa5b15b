"""What is said of one column of a table the user hands in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Column:
    """One column of a table the user hands in.

    Parameters
    ----------
    name : str
        Heading in the table; in the sites table the key of [sites] that names the heading.
        ``<species>`` stands for each species key.
    dtype : {"text", "number", "share", "whole", "day"}
        `share`: a number from 0 to 1. `whole`: a whole number. `day`: a day of the year, month-day.
    required : bool
    meaning : str
    unit : str
    low, high : float
        Allowed range, ends included, unless `above` is true: then `low` itself is not allowed.
    above : bool
    blank : str
        What an empty cell means; ``"not allowed"`` where there must be a value.
    ratings : bool
        Whether words of [ratings] are allowed.
    words : tuple of str
        The words a text may be; empty = any.
    default : float
        What an empty cell counts as; NaN = no value.
    """

    name: str
    dtype: Literal["text", "number", "share", "whole", "day"]
    required: bool
    meaning: str
    unit: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    above: bool = False
    blank: str = "not allowed"
    ratings: bool = False
    words: tuple[str, ...] = ()
    default: float = float("nan")

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        if self.dtype == "day":
            return "month-day, such as 04-15"
        if self.dtype == "text":
            return ", ".join(self.words) or "text"
        if self.dtype == "share":
            return "0 to 1, or a word of [ratings]" if self.ratings else "0 to 1"
        noun = "whole, " if self.dtype == "whole" else ""
        if self.low > float("-inf"):  # an upper limit there is only against slips of the hand
            return noun + (f"above {self.low:g}" if self.above else f"{self.low:g} or more")
        return "a number"
