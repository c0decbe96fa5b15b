"""What a reader of a plan must know besides its tables: in words, for the workbook."""

from __future__ import annotations

import barrierrank
from barrierrank.outputs.about import PLANNING_LEVEL, parse_date
from barrierrank.outputs.columns import HABITAT_UNITS
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import cost_words, plan_sentences
from barrierrank.problems import one_line


def plan_about_rows(look: PlanLook) -> list[tuple[str, str]]:
    """Return pairs of a head and a text; a head without text opens a section.

    Parameters
    ----------
    look : PlanLook
    """
    base = look.base
    money = f"money ({base.currency}), costs taken off"
    worth = money if base.currency else "points, which cannot be set against money"
    told = plan_sentences(look)
    rows = [
        (f"Plan for {one_line(base.basin)}", ""),
        ("For planning only", PLANNING_LEVEL),
        ("The plan", told[0]),
        *(("", text) for text in told[1:]),
        ("How it was made", ""),
        ("Budget", _budget(look)),
        ("Worth", "present worth gained over leaving everything as it is, interactions along the streams counted"),
        ("Worths are", worth),
        ("Horizon", f"{base.horizon_years} years"),
        ("Discount rate", f"{base.discount_rate:.2%} a year"),
        ("The list", base.ranked_by),
        ("Made by", _made_by(look)),
    ]
    for species in base.species:
        role = "invasive, to be kept out" if species.role == "invasive" else "native, to be let through"
        rows.append((species.label, f"{role}; habitat in {HABITAT_UNITS[species.habitat_unit]}"))
    rows += [("How to read the sheets", ""), *_how_to_read(look)]
    if base.cautions:
        rows.append(("Cautions", ""))
        rows += [(f"{i}", text) for i, text in enumerate(base.cautions, start=1)]
    return rows


def _budget(look: PlanLook) -> str:
    whole = cost_words(look.budget, look)
    if len(look.budgets) < 2:
        return whole
    years = ", ".join(cost_words(b, look) for b in look.budgets)
    return f"{whole}, over {len(look.budgets)} funding years: {years}"


def _how_to_read(look: PlanLook) -> list[tuple[str, str]]:
    steady = [("Bold rows", "core: in the best plan of nearly all draws; the column steadiness says so in words")]
    return [
        *(steady if look.draws else []),
        ("Units", "metres and square metres throughout; what a column means is on the sheet Columns"),
        ("Rounding", "to six significant figures at least; the layers in plan.gpkg hold the full values"),
        ("Apostrophe", "put in front of a text that could act as a formula; take it off to get the original"),
        ("Printing", "landscape, fitted to the width of the page; wide tables are set for A3 or 11 × 17 in"),
    ]


def _made_by(look: PlanLook) -> str:
    version = str(look.run.get("version", barrierrank.__version__))
    dated = parse_date(look.run)
    when = f", {dated:%Y-%m-%d %H:%M} UTC" if dated.year > 1980 else ""
    return f"barrierrank {version}{when}"
