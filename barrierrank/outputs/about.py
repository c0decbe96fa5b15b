"""What a reader of the results must know besides the numbers: in words, for the workbook."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import barrierrank
from barrierrank.outputs.columns import HABITAT_UNITS
from barrierrank.outputs.intervals import uncertainty_rows
from barrierrank.outputs.learning_words import learning_sentences
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.units import format_length
from barrierrank.problems import SEVERITIES

PLANNING_LEVEL = (
    "These results compare actions for planning. They are no design, no permit and no safety assessment: "
    "have every structure that is to be worked on assessed on the spot, and follow the codes and the "
    "licensed practice of the place."
)


def parse_date(run: Mapping[str, Any]) -> dt.datetime:
    """Return the date of the run without a zone [UTC], or a fixed one where the record has none.

    Parameters
    ----------
    run : Mapping
        Contents of ``run.json``.
    """
    for key in ("date", "started"):
        try:
            found = dt.datetime.fromisoformat(str(run[key]))
        except (KeyError, ValueError):
            continue
        return found.astimezone(dt.UTC).replace(tzinfo=None) if found.tzinfo else found
    return dt.datetime(1980, 1, 1)  # workbooks have no zones


def about_rows(model: OutputModel) -> list[tuple[str, str]]:
    """Return pairs of a head and a text; a head without text opens a section.

    Parameters
    ----------
    model : OutputModel
    """
    money = model.currency
    worth = f"money ({money})" if money else "points, which cannot be set against money"
    rows = [
        (f"Priority list of {model.basin}", ""),
        ("For planning only", PLANNING_LEVEL),
        ("How it is ranked", model.ranked_by),
        ("Horizon", f"{model.horizon_years} years"),
        ("Discount rate", f"{model.discount_rate:.2%} a year"),
        ("Values are", worth),
        ("Made by", _made_by(model.run)),
        ("What was looked at", ""),
        ("Streams", _streams(model)),
        ("Sites", _sites(model)),
        ("Problems found", _problems(model)),
    ]
    for look in model.species:
        role = "invasive, to be kept out" if look.role == "invasive" else "native, to be let through"
        rows.append((look.label, f"{role}; habitat in {HABITAT_UNITS[look.habitat_unit]}"))
    rows += uncertainty_rows(model)
    told = learning_sentences(model)
    rows += [("What to learn next" if i == 0 else "", text) for i, text in enumerate(told)]
    rows += [("How to read the list", ""), *_how_to_read()]
    if model.cautions:
        rows.append(("Cautions", ""))
        rows += [(f"{i}", text) for i, text in enumerate(model.cautions, start=1)]
    return rows


def _how_to_read() -> list[tuple[str, str]]:
    return [
        ("Bold rows", "the best action at a site; the column remark says so in words"),
        ("Slanted rows", "the action does more harm than good; the column remark says so in words"),
        ("Units", "metres and square metres throughout; what a column means is on the sheet Columns"),
        ("Rounding", "to six significant figures at least; the layers in results.gpkg hold the full values"),
        ("Apostrophe", "put in front of a text that could act as a formula; take it off to get the original"),
        ("Printing", "landscape, fitted to the width of the page; wide lists are set for A3 or 11 × 17 in"),
    ]


def _made_by(run: Mapping[str, Any]) -> str:
    version = str(run.get("version", barrierrank.__version__))
    dated = parse_date(run)
    when = f", {dated:%Y-%m-%d %H:%M} UTC" if dated.year > 1980 else ""
    return f"barrierrank {version}{when}"


def _streams(model: OutputModel) -> str:
    length = format_length(float(model.reaches["length_m"].sum()), model.units)
    outlets = model.reaches["outlet"].nunique()
    return f"{len(model.reaches):,} reaches, {length} in all, {outlets:,} outlet{'s' if outlets != 1 else ''}"


def _sites(model: OutputModel) -> str:
    with_actions = int(model.sites["best_rank"].notna().sum())
    sites, rows = len(model.sites), len(model.priority)
    return f"{sites:,} sites, {with_actions:,} of them with actions; {rows:,} rows in the list"


def _problems(model: OutputModel) -> str:
    counts = model.problems["severity"].value_counts()
    told = [f"{counts[s]:,} {s}" for s in SEVERITIES if counts.get(s, 0)]
    return ", ".join(told) if told else "none"
