"""Columns of the tables the user hands in as data: for checks, new project files and the manual."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from barrierrank.inputs.schema_column import Column
from barrierrank.inputs.schema_passage import (
    ACTION_CHANGES,
    GAUGES,
    RATINGS,
    SECTIONS,
    STRUCTURES,
    TRIALS,
)
from barrierrank.project_uncertainty import ROW_EVIDENCE

SITES: tuple[Column, ...] = (
    Column("id", "text", True, "id of the site, used once"),
    Column("name", "text", False, "name of the site", blank="no name"),
    Column("x", "number", False, "longitude or easting; not needed for point layers", unit="as [sites] crs"),
    Column("y", "number", False, "latitude or northing; not needed for point layers", unit="as [sites] crs"),
    Column("kind", "text", False, "kind of structure", blank="not known"),
    Column("stream", "text", False, "name of the stream it is on, checked", blank="not checked"),
    Column("drainage_area", "number", False, "drainage area, checked", unit="km2", low=0.0,
           above=True, blank="not checked"),
    Column("failure_probability", "share", False, "annual chance that the structure fails today",
           unit="per year", low=0.0, high=1.0, blank="0"),
    Column("passability", "share", True, "chance to get past upstream, one column a species; a cell may be empty "
           "where it is worked out", low=0.0, high=1.0, ratings=True),
    Column("passability_down", "share", False, "chance to get past downstream, one column a species", low=0.0,
           high=1.0, ratings=True),
    Column("evidence", "text", False, "what today's passability and failure_probability rest on; always of this name",
           words=ROW_EVIDENCE, blank="rated for a word of [ratings], else modelled"),
)  # fmt: skip

ACTIONS: tuple[Column, ...] = (
    Column("site", "text", True, "id of the site it is done at"),
    Column("action", "text", True, "what is done, named once a site"),
    Column("cost", "number", True, "capital cost today", unit="money", low=0.0, high=1e15),
    Column("upkeep", "number", False, "cost of upkeep", unit="money per year", low=0.0, high=1e15,
           blank="0"),
    Column("life_years", "number", False, "years until it must be replaced", unit="years", low=0.0,
           above=True, blank="never replaced"),
    Column("failure_probability", "share", False, "annual chance that it fails afterwards",
           unit="per year", low=0.0, high=1.0, blank="as the site today"),
    Column("passability_<species>", "share", False, "chance to get past upstream afterwards", low=0.0,
           high=1.0, blank="as the site today; with a change: worked out", ratings=True),
    *ACTION_CHANGES,
    Column("evidence", "text", False, "what the cost and the passabilities of the row rest on", words=ROW_EVIDENCE,
           blank="rated for a word of [ratings], else modelled"),
    Column("note", "text", False, "anything worth saying", blank="nothing"),
)  # fmt: skip

TABLES: Mapping[str, tuple[Column, ...]] = MappingProxyType(
    {
        "sites": SITES,
        "actions": ACTIONS,
        "structures": STRUCTURES,
        "ratings": RATINGS,
        "sections": SECTIONS,
        "trials": TRIALS,
        "gauges": GAUGES,
    }
)

#: Never the name of an action: it is what every site has without one.
RESERVED_ACTION = "leave as it is"


def column(table: str, name: str) -> Column:
    """Return one column of a table.

    Raises
    ------
    KeyError
        When there is none of that name.
    """
    return {c.name: c for c in TABLES[table]}[name]


def describe_inputs(tables: Iterable[str] = tuple(TABLES)) -> str:
    """Return the columns of the input tables as Markdown.

    Parameters
    ----------
    tables : iterable of str
        Names in :data:`TABLES`.
    """
    parts: list[str] = []
    for name in tables:
        parts.append(f"### {name}\n")
        parts.append("| column | needed | values | unit | empty cell means | meaning |")
        parts.append("| --- | --- | --- | --- | --- | --- |")
        for c in TABLES[name]:
            needed = "yes" if c.required else "no"
            parts.append(f"| `{c.name}` | {needed} | {c.allowed} | {c.unit} | {c.blank} | {c.meaning} |")
        parts.append("")
    return "\n".join(parts)
