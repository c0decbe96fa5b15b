"""What every output column means and in which unit: one table for the workbook, the layers, docs and
tests."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from barrierrank.outputs.model import SpeciesLook

Table = Literal["reaches", "sites", "priority_list", "problems"]
Kind = Literal[
    "id", "text", "word", "count", "length", "habitat", "share", "money", "worth", "ratio", "flag", "other"
]

TABLES: tuple[Table, ...] = ("reaches", "sites", "priority_list", "problems")
HABITAT_UNITS = {"m": "m", "m2": "m²", "units": "units"}
STATES = ("open", "partial", "blocked", "none")
PURPOSES = ("keep out", "let through", "both", "neither")


@dataclass(frozen=True)
class ColumnDoc:
    """One output column.

    Parameters
    ----------
    table : {"reaches", "sites", "priority_list", "problems"}
    name : str
        Name of the column; ``{sp}`` stands for the key of a species.
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

    table: Table
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


_LAYER_ONLY = (
    ColumnDoc(
        "reaches",
        "reach",
        "id",
        "Reach",
        "Number of the reach: a piece of stream between junctions, ends or sites.",
    ),
    ColumnDoc("reaches", "source_id", "text", "Line", "Id of the line in the stream layer that was read."),
    ColumnDoc(
        "reaches", "downstream", "id", "Reach below", "Number of the reach it flows into; empty at an outlet."
    ),
    ColumnDoc("reaches", "outlet", "id", "Outlet", "Number of the outlet that it drains to."),
    ColumnDoc("reaches", "length_m", "length", "Length", "Length of the reach.", "m"),
    ColumnDoc(
        "reaches", "strahler", "count", "Stream order", "Strahler order of the reach: 1 for a headwater."
    ),
    ColumnDoc(
        "reaches",
        "upstream_km",
        "length",
        "Upstream length",
        "Length of all reaches above, each counted once, this one included.",
        "km",
    ),
    ColumnDoc(
        "reaches",
        "habitat_{sp}",
        "habitat",
        "Habitat, {label}",
        "Usable habitat of {label} on the reach, quality counted, whether or not it can be reached.",
        "{habitat}",
    ),
    ColumnDoc(
        "reaches",
        "access_{sp}",
        "share",
        "Access, {label}",
        "Chance that a {label} that enters from the receiving water can reach this place, 0 to 1.",
    ),
    ColumnDoc(
        "reaches",
        "state_{sp}",
        "word",
        "State, {label}",
        "How far {label} can come here: open, partial, blocked, or none where there is no habitat.",
        words=STATES,
    ),
)

_SITES = (
    ColumnDoc("sites", "site", "text", "Site", "Id of the site."),
    ColumnDoc("sites", "name", "text", "Name", "Name of the site."),
    ColumnDoc("sites", "kind", "text", "Kind", "Kind of structure or place, as the table of sites gives it."),
    ColumnDoc(
        "sites",
        "snap_m",
        "length",
        "Moved by",
        "Distance from the place given to the stream it was put on.",
        "m",
    ),
    ColumnDoc(
        "sites",
        "reach",
        "id",
        "Reach above",
        "Number of the reach that begins at the site and lies above it.",
    ),
    ColumnDoc(
        "sites",
        "upstream_km",
        "length",
        "Upstream length",
        "Length of all reaches above the site, each counted once.",
        "km",
    ),
    ColumnDoc(
        "sites",
        "passability_{sp}",
        "share",
        "Passability, {label}",
        "Chance that a {label} that reaches the site during its run gets past it upstream, 0 to 1, today.",
    ),
    ColumnDoc(
        "sites",
        "habitat_above_{sp}",
        "habitat",
        "Habitat above, {label}",
        "All habitat of {label} above the site, whatever stands further up and whether or not it can be reached.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "habitat_to_next_{sp}",
        "habitat",
        "Habitat to the next site, {label}",
        "Habitat of {label} between the site and the next sites above it.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "blocked_{sp}",
        "habitat",
        "Blocked habitat, {label}",
        "Habitat that {label} would gain were this site fully passable, all else as it is.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "best_rank",
        "count",
        "Best rank",
        "Rank of the best action at the site; empty where nothing can be done there.",
    ),
    ColumnDoc("sites", "best_action", "text", "Best action", "The action of that rank; empty likewise."),
)

_PRIORITY = (
    ColumnDoc("priority_list", "rank", "count", "Rank", "Place in the list; 1 is the first to do."),
    ColumnDoc("priority_list", "site", "text", "Site", "Id of the site."),
    ColumnDoc("priority_list", "name", "text", "Name", "Name of the site."),
    ColumnDoc("priority_list", "action", "text", "Action", "What would be done there."),
    ColumnDoc(
        "priority_list",
        "purpose",
        "word",
        "Purpose",
        "What it is for: keep out the invader, let through natives, both, or neither.",
        words=PURPOSES,
    ),
    ColumnDoc("priority_list", "cost", "money", "Cost", "Cost of doing it once.", "{money}"),
    ColumnDoc(
        "priority_list",
        "present_worth_cost",
        "money",
        "Present-worth cost",
        "Cost, upkeep and replacement over the horizon, discounted to today.",
        "{money}",
    ),
    ColumnDoc(
        "priority_list",
        "gain_{sp}",
        "habitat",
        "Change of habitat, {label}",
        "Change of the habitat {label} can reach were this action alone done; below zero: shut out of it.",
        "{habitat}",
    ),
    ColumnDoc(
        "priority_list",
        "worth_{sp}",
        "worth",
        "Worth, {label}",
        "What that change is worth over the horizon, discounted to today, failing counted; "
        "less habitat for an invader counts above zero.",
        "{worth}",
    ),
    ColumnDoc(
        "priority_list",
        "treatment_saved",
        "worth",
        "Treatment saved",
        "Present worth of the treatment against larvae that is no longer needed; below zero: more is needed.",
        "{worth}",
    ),
    ColumnDoc(
        "priority_list",
        "benefit",
        "worth",
        "Benefit",
        "Sum of the worths of all species and of the treatment saved; below zero: more harm than good.",
        "{worth}",
    ),
    ColumnDoc(
        "priority_list",
        "net_benefit",
        "worth",
        "Net benefit",
        "Benefit less present-worth cost; empty where values are points, which cannot be set against money.",
        "{worth}",
    ),
    ColumnDoc(
        "priority_list",
        "benefit_per_cost",
        "ratio",
        "Benefit per cost",
        "Benefit divided by present-worth cost.",
        "{worth} per {money}",
    ),
    ColumnDoc("priority_list", "best", "flag", "Best at its site", "True for the best action at its site."),
    ColumnDoc(
        "priority_list",
        "rank_low",
        "count",
        "Rank, low end",
        "Low end of the interval of its rank over all draws.",
    ),
    ColumnDoc(
        "priority_list",
        "rank_high",
        "count",
        "Rank, high end",
        "High end of the interval of its rank over all draws.",
    ),
    ColumnDoc(
        "priority_list",
        "chance_top",
        "share",
        "Chance of the top",
        "Share of the draws in which it is among the first of the list, 0 to 1.",
    ),
    ColumnDoc(
        "priority_list",
        "remark",
        "text",
        "Remark",
        "In the workbook only: says in words where a row is the best at its site, costs more than it brings "
        "in or does more harm than good.",
    ),
    ColumnDoc("priority_list", "why", "text", "Why", "Why it stands where it stands."),
)

_PROBLEMS = (
    ColumnDoc(
        "problems",
        "severity",
        "word",
        "Severity",
        "error stopped the run; warning: look at it; mended: put right and listed; note: worth knowing.",
        words=("error", "warning", "mended", "note"),
    ),
    ColumnDoc("problems", "kind", "text", "Kind", "Short word for the rule that found it."),
    ColumnDoc("problems", "where", "text", "Where", "File or layer it was found in."),
    ColumnDoc("problems", "ids", "text", "Ids", "Rows or ids that it concerns."),
    ColumnDoc("problems", "message", "text", "Message", "What was given and what is wrong with it."),
    ColumnDoc(
        "problems", "remedy", "text", "Remedy", "What to do about it; empty where nothing need be done."
    ),
)

COLUMN_DOCS: tuple[ColumnDoc, ...] = (*_LAYER_ONLY, *_SITES, *_PRIORITY, *_PROBLEMS)


def describe(
    columns: Iterable[str], species: Sequence[SpeciesLook], *, table: Table, currency: str | None = None
) -> tuple[ColumnDoc, ...]:
    """Return what each of `columns` means, with species, units and currency filled in.

    Parameters
    ----------
    columns : iterable of str
        Names of the columns of one table; a geometry column is left out by the caller.
    species : sequence of SpeciesLook
    table : {"reaches", "sites", "priority_list", "problems"}
    currency : str or None
        ISO code of the money; None where values are points.

    Returns
    -------
    tuple of ColumnDoc
        One for each column, in the order given. A column that this table does not know gets kind ``other``.
    """
    plain = {d.name: d for d in COLUMN_DOCS if d.table == table and not d.per_species}
    filled = {
        d.name.format(sp=s.key): (d, s)
        for d in COLUMN_DOCS
        if d.table == table and d.per_species
        for s in species
    }
    money = currency or "money"
    worth = currency or "points"
    docs = []
    for name in columns:
        doc, look = filled.get(name, (plain.get(name), None))
        if doc is None:
            docs.append(ColumnDoc(table, name, "other", name, "Further column, passed on as it came."))
            continue
        # replace, not format: labels are the user's text and may hold braces
        label = look.label if look else ""
        unit = HABITAT_UNITS[look.habitat_unit] if look else ""
        docs.append(
            replace(
                doc,
                name=name,
                title=doc.title.replace("{label}", label),
                meaning=doc.meaning.replace("{label}", label),
                unit=doc.unit.replace("{habitat}", unit).replace("{money}", money).replace("{worth}", worth),
            )
        )
    return tuple(docs)
