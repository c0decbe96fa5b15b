"""What the columns of the tables of a plan mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from barrierrank.outputs.column_doc import (
    HABITAT_UNITS,
    PLAN_TABLES,
    PURPOSES,
    STATES,
    ColumnDoc,
    Kind,
    PlanTable,
)
from barrierrank.outputs.plan_look import PlanLook

__all__ = ["PLAN_COLUMN_DOCS", "PLAN_DOCS", "PLAN_TABLES", "STEADINESS", "PlanTable", "describe_plan"]

STEADINESS = ("core", "sometimes", "never")
_PRICE = "{worth} per {money}"

_SITE: tuple[tuple[str, Kind, str, str], ...] = (
    ("site", "text", "Site", "Id of the site."),
    ("name", "text", "Name", "Name of the site."),
    ("action", "text", "Action", "What is done there."),
)
_SHARE = "Share of the draws in whose best plan it is, 0 to 1; empty where nothing was drawn."
_STEADY = (
    "In words: core where it is in nearly all best plans of the draws ([plan] core of the project file says from which "
    "share on), sometimes where it is in some, never where it is in next to none; empty where nothing was drawn."
)


def _sites(table: PlanTable) -> tuple[ColumnDoc, ...]:
    return tuple(ColumnDoc(table, *row) for row in _SITE)


def _steady(table: PlanTable) -> tuple[ColumnDoc, ...]:
    return (
        ColumnDoc(table, "share", "share", "In best plans", _SHARE),
        ColumnDoc(table, "steadiness", "word", "Steadiness", _STEADY, words=STEADINESS),
    )


PLAN_DOCS = (
    ColumnDoc("plan", "order", "count", "Order", "In which order to do the actions; 1 is the first."),
    ColumnDoc("plan", "year", "count", "Year", "Funding year in which to do it; 1 is the first."),
    *_sites("plan"),
    ColumnDoc(
        "plan", "purpose", "word", "Purpose",
        "What it is for: keep out the invader, let through natives, both, or neither.", words=PURPOSES,
    ),
    ColumnDoc("plan", "cost", "money", "Cost", "What it takes of the budget.", "{money}"),
    ColumnDoc(
        "plan", "present_worth_cost", "money", "Present-worth cost",
        "Cost, upkeep and replacement over the horizon, discounted to today.", "{money}",
    ),
    ColumnDoc(
        "plan", "gain_{sp}", "habitat", "Change of habitat, {label}",
        "What the action adds to the habitat {label} can reach, all other actions of the plan done; below zero: shut "
        "out of it. Actions along one stream need each other, so that these do not add up to the change by the plan.",
        "{habitat}",
    ),
    ColumnDoc(
        "plan", "treatment_saved", "worth", "Treatment saved",
        "Present worth of the treatment against larvae that it saves, all other actions of the plan done; below zero: "
        "more is needed.",
        "{worth}",
    ),
    ColumnDoc(
        "plan", "worth_in_plan", "worth", "Worth in the plan",
        "Worth that would be lost were this action alone left out of the plan; where values are money, what it costs "
        "is taken off.",
        "{worth}",
    ),
    ColumnDoc(
        "plan", "worth_alone", "worth", "Worth alone",
        "Worth of doing this action alone, all else as it is; below the worth in the plan where it needs others.",
        "{worth}",
    ),
    ColumnDoc("plan", "rank", "count", "Rank", "Its place in the priority list; empty where it is not listed."),
    ColumnDoc(
        "plan", "by_list", "flag", "Taken by the list",
        "True where taking the best action of each site from the top of the list, as long as the money lasts, takes "
        "it too.",
    ),
    *_steady("plan"),
    ColumnDoc(
        "plan", "presumes", "text", "Presumes",
        "Sites below it whose action in the plan it counts on; empty where it counts on none.",
    ),
    ColumnDoc("plan", "why", "text", "Why", "Why it is in the plan."),
)  # fmt: skip

_LEFT_OUT = (
    *_sites("plan_left_out"),
    ColumnDoc("plan_left_out", "rank", "count", "Rank", "Its place in the priority list."),
    ColumnDoc("plan_left_out", "cost", "money", "Cost", "What it would take of the budget.", "{money}"),
    ColumnDoc(
        "plan_left_out", "worth_alone", "worth", "Worth alone", "Worth of doing this action alone, all else as it is.",
        "{worth}",
    ),
    *_steady("plan_left_out"),
    ColumnDoc("plan_left_out", "instead", "text", "Instead", "What the plan does at that site; empty: nothing."),
    ColumnDoc("plan_left_out", "why", "text", "Why", "Why the plan leaves it out."),
)  # fmt: skip

_STEADINESS = (
    *_sites("plan_steadiness"),
    ColumnDoc("plan_steadiness", "in_plan", "flag", "In the plan", "True where this plan has it."),
    *_steady("plan_steadiness"),
)

_CURVE = (
    ColumnDoc("plan_curve", "budget", "money", "Budget", "What a plan may cost.", "{money}"),
    ColumnDoc("plan_curve", "spent", "money", "Spent", "What the plan for this budget costs.", "{money}"),
    ColumnDoc("plan_curve", "worth", "worth", "Worth", "What the plan for this budget gains.", "{worth}"),
    ColumnDoc("plan_curve", "bound", "worth", "Bound", "No plan for this budget gains more.", "{worth}"),
    ColumnDoc(
        "plan_curve", "gap", "ratio", "Gap",
        "How far the bound lies above the worth, as a part of the worth; unlimited where the plan gains nothing.",
    ),
    ColumnDoc(
        "plan_curve", "price", "ratio", "Price of the next unit of money",
        "Worth that one more unit of budget would bring.", _PRICE,
    ),
    ColumnDoc("plan_curve", "actions", "count", "Actions", "How many actions the plan has."),
    ColumnDoc(
        "plan_curve", "list_worth", "worth", "Worth, list",
        "What taking the list from the top would gain for the same budget.", "{worth}",
    ),
    ColumnDoc(
        "plan_curve", "greedy_worth", "worth", "Worth, one by one",
        "What adding, again and again, the action that brings most per cost beside those taken would gain for the "
        "same budget.",
        "{worth}",
    ),
    ColumnDoc("plan_curve", "adds", "text", "Adds", "Actions that the plan for the budget before does not have."),
    ColumnDoc("plan_curve", "drops", "text", "Drops", "Actions of the plan for the budget before that this one lacks."),
)  # fmt: skip

_FRONT = (
    ColumnDoc(
        "plan_front", "cap", "habitat", "Cap", "What the habitat that the invader can reach may be at most.", "{front}",
    ),
    ColumnDoc(
        "plan_front", "invader_habitat", "habitat", "Habitat of the invader",
        "Habitat that the first invader can reach with the plan for this cap.", "{front}",
    ),
    ColumnDoc(
        "plan_front", "native_worth", "worth", "Worth, natives",
        "What natives gain by the plan for this cap.", "{worth}",
    ),
    ColumnDoc(
        "plan_front", "native_bound", "worth", "Bound, natives", "No plan under this cap gains them more.", "{worth}",
    ),
    ColumnDoc("plan_front", "spent", "money", "Spent", "What the plan for this cap costs.", "{money}"),
    ColumnDoc(
        "plan_front", "worth", "worth", "Worth", "What the plan for this cap gains, everything counted.", "{worth}",
    ),
    ColumnDoc(
        "plan_front", "gap", "ratio", "Gap",
        "How far the bound lies above the worth, as a part of the worth; unlimited where natives gain nothing.",
    ),
    ColumnDoc("plan_front", "actions", "count", "Actions", "How many actions the plan for this cap has."),
    ColumnDoc("plan_front", "here", "flag", "Nearest to the plan", "True for the point nearest to the plan."),
)  # fmt: skip

_ACCESS = (
    ColumnDoc("plan_access", "species", "text", "Species", "Key of the species."),
    ColumnDoc("plan_access", "label", "text", "Name", "Name of the species."),
    ColumnDoc("plan_access", "unit", "text", "Unit", "Unit of the amounts in this row."),
    ColumnDoc("plan_access", "habitat", "habitat", "Habitat", "All its habitat, whether or not it can be reached."),
    ColumnDoc(
        "plan_access", "before", "habitat", "Before",
        "Habitat it can reach as things are, mean over the horizon, failing of structures counted.",
    ),
    ColumnDoc("plan_access", "after", "habitat", "After", "The same once the plan is done."),
    ColumnDoc("plan_access", "change", "habitat", "Change", "After less before; below zero: shut out of it."),
    ColumnDoc(
        "plan_access", "best", "habitat", "Best",
        "No plan for the budget leaves this species better off, whatever it did to others (less habitat, for an "
        "invader), by the arithmetic plans are searched with; empty where not worked out.",
    ),
)  # fmt: skip

_REACHES = (
    ColumnDoc("plan_reaches", "reach", "id", "Reach", "Number of the reach, as in the results of the ranking."),
    ColumnDoc("plan_reaches", "source_id", "text", "Line", "Id of the line in the stream layer that was read."),
    ColumnDoc("plan_reaches", "stream", "text", "Stream", "Name of the stream; empty where the lines give none."),
    ColumnDoc("plan_reaches", "length_m", "length", "Length", "Length of the reach.", "m"),
    ColumnDoc("plan_reaches", "strahler", "count", "Stream order", "Strahler order of the reach: 1 for a headwater."),
    ColumnDoc(
        "plan_reaches", "habitat_{sp}", "habitat", "Habitat, {label}",
        "Usable habitat of {label} on the reach, whether or not it can be reached.", "{habitat}",
    ),
    *(
        ColumnDoc(
            "plan_reaches", f"{when}_{{sp}}", "share", f"Access {when}, {{label}}",
            f"Chance that a {{label}} that enters from the receiving water can reach this place {meaning}, 0 to 1, "
            "structures sound.",
        )
        for when, meaning in (("before", "as things are"), ("after", "once the plan is done"))
    ),
    *(
        ColumnDoc(
            "plan_reaches", f"state_{when}_{{sp}}", "word", f"State {when}, {{label}}",
            f"How far {{label}} can come here {meaning}: open, partial, blocked, or none where there is no habitat.",
            words=STATES,
        )
        for when, meaning in (("before", "as things are"), ("after", "once the plan is done"))
    ),
)  # fmt: skip

PLAN_COLUMN_DOCS: Mapping[PlanTable, tuple[ColumnDoc, ...]] = {
    "plan": PLAN_DOCS,
    "plan_left_out": _LEFT_OUT,
    "plan_steadiness": _STEADINESS,
    "plan_curve": _CURVE,
    "plan_front": _FRONT,
    "plan_access": _ACCESS,
    "plan_reaches": _REACHES,
}


def describe_plan(columns: Iterable[str], look: PlanLook, *, table: PlanTable) -> tuple[ColumnDoc, ...]:
    """Return what each of `columns` means, with species, units and currency filled in.

    Parameters
    ----------
    columns : iterable of str
        Names of the columns of one table of a plan, without the geometry.
    look : PlanLook
    table : str
        One of :data:`PLAN_TABLES`.

    Returns
    -------
    tuple of ColumnDoc
        One for each column, in the order given. A column that the table does not know gets kind ``other``.
    """
    known: dict[str, tuple[ColumnDoc, str, str]] = {}
    # shorter patterns last, so that they win: `state_before_x` may be that of a species `before_x`
    for doc in sorted(PLAN_COLUMN_DOCS[table], key=lambda d: -len(d.name)):
        for species in look.base.species if doc.per_species else ():
            unit = HABITAT_UNITS[species.habitat_unit]
            known[doc.name.replace("{sp}", species.key)] = (doc, species.label, unit)
        if not doc.per_species:
            known[doc.name] = (doc, "", "")
    money, worth = look.base.currency or "money", look.base.currency or "points"
    front = HABITAT_UNITS[look.front_unit]
    docs = []
    for name in columns:
        if name not in known:
            docs.append(ColumnDoc(table, name, "other", name, "Further column, passed on as it came."))
            continue
        doc, label, unit = known[name]
        filled = doc.unit.replace("{habitat}", unit).replace("{front}", front)
        filled = filled.replace("{money}", money).replace("{worth}", worth)
        title, meaning = doc.title.replace("{label}", label), doc.meaning.replace("{label}", label)
        docs.append(replace(doc, name=name, title=title, meaning=meaning, unit=filled))
    return tuple(docs)
