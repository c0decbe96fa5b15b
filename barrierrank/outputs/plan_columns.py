"""What the columns of the tables of a plan mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Literal, cast

from barrierrank.outputs.column_doc import HABITAT_UNITS, PURPOSES, STATES, ColumnDoc, Kind, Table
from barrierrank.outputs.plan_look import PlanLook

PlanTable = Literal[
    "plan", "plan_left_out", "plan_steadiness", "plan_curve", "plan_front", "plan_access", "plan_reaches"
]
PLAN_TABLES: tuple[PlanTable, ...] = (
    "plan", "plan_left_out", "plan_steadiness", "plan_curve", "plan_front", "plan_access", "plan_reaches",
)  # fmt: skip
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


def _doc(
    table: PlanTable, name: str, kind: Kind, title: str, meaning: str, unit: str = "", words: tuple[str, ...] = ()
) -> ColumnDoc:  # fmt: skip
    # tables of a plan have names of their own, beside those of a ranking
    return ColumnDoc(cast("Table", table), name, kind, title, meaning, unit, words)


def _sites(table: PlanTable) -> tuple[ColumnDoc, ...]:
    return tuple(_doc(table, *row) for row in _SITE)


def _steady(table: PlanTable) -> tuple[ColumnDoc, ...]:
    return (
        _doc(table, "share", "share", "In best plans", _SHARE),
        _doc(table, "steadiness", "word", "Steadiness", _STEADY, words=STEADINESS),
    )


PLAN_DOCS = (
    _doc("plan", "order", "count", "Order", "In which order to do the actions; 1 is the first."),
    _doc("plan", "year", "count", "Year", "Funding year in which to do it; 1 is the first."),
    *_sites("plan"),
    _doc(
        "plan", "purpose", "word", "Purpose",
        "What it is for: keep out the invader, let through natives, both, or neither.", words=PURPOSES,
    ),
    _doc("plan", "cost", "money", "Cost", "What it takes of the budget.", "{money}"),
    _doc(
        "plan", "present_worth_cost", "money", "Present-worth cost",
        "Cost, upkeep and replacement over the horizon, discounted to today.", "{money}",
    ),
    _doc(
        "plan", "gain_{sp}", "habitat", "Change of habitat, {label}",
        "What the action adds to the habitat {label} can reach, all other actions of the plan done; below zero: shut "
        "out of it. Actions along one stream need each other, so that these do not add up to the change by the plan.",
        "{habitat}",
    ),
    _doc(
        "plan", "treatment_saved", "worth", "Treatment saved",
        "Present worth of the treatment against larvae that it saves, all other actions of the plan done; below zero: "
        "more is needed.",
        "{worth}",
    ),
    _doc(
        "plan", "worth_in_plan", "worth", "Worth in the plan",
        "Worth that would be lost were this action alone left out of the plan; where values are money, what it costs "
        "is taken off.",
        "{worth}",
    ),
    _doc(
        "plan", "worth_alone", "worth", "Worth alone",
        "Worth of doing this action alone, all else as it is; below the worth in the plan where it needs others.",
        "{worth}",
    ),
    _doc("plan", "rank", "count", "Rank", "Its place in the priority list; empty where it is not listed."),
    _doc(
        "plan", "by_list", "flag", "Taken by the list",
        "True where taking the best action of each site from the top of the list, as long as the money lasts, takes "
        "it too.",
    ),
    *_steady("plan"),
    _doc(
        "plan", "presumes", "text", "Presumes",
        "Sites below it whose action in the plan it counts on; empty where it counts on none.",
    ),
    _doc("plan", "why", "text", "Why", "Why it is in the plan."),
)  # fmt: skip

_LEFT_OUT = (
    *_sites("plan_left_out"),
    _doc("plan_left_out", "rank", "count", "Rank", "Its place in the priority list."),
    _doc("plan_left_out", "cost", "money", "Cost", "What it would take of the budget.", "{money}"),
    _doc(
        "plan_left_out", "worth_alone", "worth", "Worth alone", "Worth of doing this action alone, all else as it is.",
        "{worth}",
    ),
    *_steady("plan_left_out"),
    _doc("plan_left_out", "instead", "text", "Instead", "What the plan does at that site; empty: nothing."),
    _doc("plan_left_out", "why", "text", "Why", "Why the plan leaves it out."),
)  # fmt: skip

_STEADINESS = (
    *_sites("plan_steadiness"),
    _doc("plan_steadiness", "in_plan", "flag", "In the plan", "True where this plan has it."),
    *_steady("plan_steadiness"),
)

_CURVE = (
    _doc("plan_curve", "budget", "money", "Budget", "What a plan may cost.", "{money}"),
    _doc("plan_curve", "spent", "money", "Spent", "What the plan for this budget costs.", "{money}"),
    _doc("plan_curve", "worth", "worth", "Worth", "What the plan for this budget gains.", "{worth}"),
    _doc("plan_curve", "bound", "worth", "Bound", "No plan for this budget gains more.", "{worth}"),
    _doc(
        "plan_curve", "gap", "ratio", "Gap",
        "How far the bound lies above the worth, as a part of the worth; unlimited where the plan gains nothing.",
    ),
    _doc(
        "plan_curve", "price", "ratio", "Price of the next unit of money",
        "Worth that one more unit of budget would bring.", _PRICE,
    ),
    _doc("plan_curve", "actions", "count", "Actions", "How many actions the plan has."),
    _doc(
        "plan_curve", "list_worth", "worth", "Worth, list",
        "What taking the list from the top would gain for the same budget.", "{worth}",
    ),
    _doc(
        "plan_curve", "greedy_worth", "worth", "Worth, one by one",
        "What adding, again and again, the action that brings most per cost beside those taken would gain for the "
        "same budget.",
        "{worth}",
    ),
    _doc("plan_curve", "adds", "text", "Adds", "Actions that the plan for the budget before does not have."),
    _doc("plan_curve", "drops", "text", "Drops", "Actions of the plan for the budget before that this one lacks."),
)  # fmt: skip

_FRONT = (
    _doc(
        "plan_front", "cap", "habitat", "Cap", "What the habitat that the invader can reach may be at most.", "{front}",
    ),
    _doc(
        "plan_front", "invader_habitat", "habitat", "Habitat of the invader",
        "Habitat that the first invader can reach with the plan for this cap.", "{front}",
    ),
    _doc(
        "plan_front", "native_worth", "worth", "Worth, natives",
        "What natives gain by the plan for this cap.", "{worth}",
    ),
    _doc("plan_front", "native_bound", "worth", "Bound, natives", "No plan under this cap gains them more.", "{worth}"),
    _doc("plan_front", "spent", "money", "Spent", "What the plan for this cap costs.", "{money}"),
    _doc("plan_front", "worth", "worth", "Worth", "What the plan for this cap gains, everything counted.", "{worth}"),
    _doc(
        "plan_front", "gap", "ratio", "Gap",
        "How far the bound lies above the worth, as a part of the worth; unlimited where natives gain nothing.",
    ),
    _doc("plan_front", "actions", "count", "Actions", "How many actions the plan for this cap has."),
    _doc("plan_front", "here", "flag", "Nearest to the plan", "True for the point nearest to the plan."),
)  # fmt: skip

_ACCESS = (
    _doc("plan_access", "species", "text", "Species", "Key of the species."),
    _doc("plan_access", "label", "text", "Name", "Name of the species."),
    _doc("plan_access", "unit", "text", "Unit", "Unit of the amounts in this row."),
    _doc("plan_access", "habitat", "habitat", "Habitat", "All its habitat, whether or not it can be reached."),
    _doc(
        "plan_access", "before", "habitat", "Before",
        "Habitat it can reach as things are, mean over the horizon, failing of structures counted.",
    ),
    _doc("plan_access", "after", "habitat", "After", "The same once the plan is done."),
    _doc("plan_access", "change", "habitat", "Change", "After less before; below zero: shut out of it."),
    _doc(
        "plan_access", "best", "habitat", "Best",
        "No plan for the budget leaves this species better off, whatever it did to others (less habitat, for an "
        "invader); empty where not worked out.",
    ),
)  # fmt: skip

_REACHES = (
    _doc("plan_reaches", "reach", "id", "Reach", "Number of the reach, as in the results of the ranking."),
    _doc("plan_reaches", "source_id", "text", "Line", "Id of the line in the stream layer that was read."),
    _doc("plan_reaches", "stream", "text", "Stream", "Name of the stream; empty where the lines give none."),
    _doc("plan_reaches", "length_m", "length", "Length", "Length of the reach.", "m"),
    _doc("plan_reaches", "strahler", "count", "Stream order", "Strahler order of the reach: 1 for a headwater."),
    _doc(
        "plan_reaches", "habitat_{sp}", "habitat", "Habitat, {label}",
        "Usable habitat of {label} on the reach, whether or not it can be reached.", "{habitat}",
    ),
    *(
        _doc(
            "plan_reaches", f"{when}_{{sp}}", "share", f"Access {when}, {{label}}",
            f"Chance that a {{label}} that enters from the receiving water can reach this place {meaning}, 0 to 1, "
            "structures sound.",
        )
        for when, meaning in (("before", "as things are"), ("after", "once the plan is done"))
    ),
    *(
        _doc(
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
            docs.append(_doc(table, name, "other", name, "Further column, passed on as it came."))
            continue
        doc, label, unit = known[name]
        filled = doc.unit.replace("{habitat}", unit).replace("{front}", front)
        filled = filled.replace("{money}", money).replace("{worth}", worth)
        title, meaning = doc.title.replace("{label}", label), doc.meaning.replace("{label}", label)
        docs.append(replace(doc, name=name, title=title, meaning=meaning, unit=filled))
    return tuple(docs)
