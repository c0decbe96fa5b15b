"""What the columns about uncertainty mean: those of the priority list, and the table `acceptability`."""

from __future__ import annotations

from barrierrank.outputs.column_doc import ColumnDoc, Kind

INTERVAL_COLUMNS = ("rank_low", "rank_high", "chance_top", "expected_benefit", "chance_of_harm")
"""Columns of the priority list that are there only where uncertainty is worked out, in their order."""

RANKS_APART = 20
"""Ranks that the table `acceptability` has a column of their own for; the rest is `later`."""

_DRAW = "A draw takes what is not known for sure (passability, habitat, costs, values, failure) anew."


def _of_list(name: str, kind: Kind, title: str, meaning: str, unit: str = "") -> ColumnDoc:
    return ColumnDoc("priority_list", name, kind, title, meaning, unit)


def _of_ranks(name: str, kind: Kind, title: str, meaning: str) -> ColumnDoc:
    return ColumnDoc("acceptability", name, kind, title, meaning)


INTERVAL_DOCS = (
    _of_list(
        "rank_low", "count", "Rank, low end",
        "Low end of the interval of its rank over all draws, at [uncertainty] level of the project file: the better "
        f"end. {_DRAW}",
    ),
    _of_list(
        "rank_high", "count", "Rank, high end", "High end of the same interval: the worse end.",
    ),
    _of_list(
        "chance_top", "share", "Chance of the top",
        "Share of the draws in which it is among the first of the list, 0 to 1; how many these are is "
        "[uncertainty] top of the project file.",
    ),
    _of_list(
        "expected_benefit", "worth", "Expected benefit",
        "Benefit over the horizon, discounted to today: mean of all draws.", "{worth}",
    ),
    _of_list(
        "chance_of_harm", "share", "Chance of harm",
        "Share of the draws in which it does more harm than good: benefit below zero, 0 to 1.",
    ),
)  # fmt: skip

ACCEPTABILITY_DOCS = (
    _of_ranks("site", "text", "Site", "Id of the site."),
    _of_ranks("name", "text", "Name", "Name of the site."),
    _of_ranks("action", "text", "Action", "What would be done there."),
    _of_ranks("rank", "count", "Rank", "Place in the priority list."),
    *(
        _of_ranks(f"{rank}", "share", f"Rank {rank}", f"Share of the draws in which it has rank {rank}, 0 to 1.")
        for rank in range(1, RANKS_APART + 1)
    ),
    _of_ranks("later", "share", "Later", f"Share of the draws in which it comes after rank {RANKS_APART}, 0 to 1."),
)
