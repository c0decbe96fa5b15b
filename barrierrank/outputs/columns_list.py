"""What the columns of the priority list and of the table of problems mean."""

from __future__ import annotations

from barrierrank.outputs.column_doc import PURPOSES, STANDINGS, ColumnDoc
from barrierrank.outputs.columns_intervals import INTERVAL_DOCS
from barrierrank.outputs.columns_learning import HINGES_DOC

PRIORITY_DOCS = (
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
        "passability_{sp}",
        "share",
        "Passability afterwards, {label}",
        "Chance that a {label} that reaches the site during its run gets past it upstream once the action is done, "
        "0 to 1: what the ranking reckons with, failure aside.",
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
    *INTERVAL_DOCS,
    HINGES_DOC,
    ColumnDoc(
        "priority_list", "cost_capital", "money", "Capital", "Part of the present-worth cost: spent now.", "{money}"
    ),
    ColumnDoc(
        "priority_list",
        "cost_upkeep",
        "money",
        "Upkeep",
        "Part of the present-worth cost: upkeep of every year over the horizon, discounted to today.",
        "{money}",
    ),
    ColumnDoc(
        "priority_list",
        "cost_replacement",
        "money",
        "Replacement",
        "Part of the present-worth cost: building again at the end of its life, where that comes before the horizon, "
        "discounted to today.",
        "{money}",
    ),
    ColumnDoc(
        "priority_list",
        "score",
        "share",
        "Score",
        "Sum of the criteria, each brought to 0 to 1 over the list and weighed: what this list is ordered by.",
    ),
    ColumnDoc(
        "priority_list",
        "standing",
        "word",
        "Standing",
        "How it comes out: worth doing, costs more than it brings, no effect, more harm than good, or not known.",
        words=STANDINGS,
    ),
    ColumnDoc(
        "priority_list", "tied", "count", "Equal rows", "How many other rows of the list are equal with this one."
    ),
    ColumnDoc("priority_list", "tied_with", "text", "Equal with", "The first of those; empty where there is none."),
    ColumnDoc("priority_list", "note", "text", "Note", "What the table of actions says beside it."),
    ColumnDoc(
        "priority_list",
        "remark",
        "text",
        "Remark",
        "In the workbook only: says in words where a row is the best at its site, costs more than it brings "
        "in or does more harm than good, and where its order with a neighbour in the list is not settled.",
    ),
    ColumnDoc("priority_list", "why", "text", "Why", "Why it stands where it stands."),
)

PROBLEM_DOCS = (
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
