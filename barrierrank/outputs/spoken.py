"""What the command line says at the end of a run."""

from __future__ import annotations

import textwrap

from barrierrank.outputs.intervals import settled_of_first
from barrierrank.outputs.learning_words import learning_sentences
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.units import format_amount, format_money
from barrierrank.problems import one_line
from barrierrank.ranking.cautions import shortened

TOP = 5
WIDTH = 110


def spoken_summary(model: OutputModel) -> str:
    """Return the outcome in a few lines of plain text.

    Parameters
    ----------
    model : OutputModel
    """
    summary = model.run.get("summary", {})
    lines = [f"{one_line(model.basin)}: {len(model.reaches):,} reaches, {len(model.sites):,} sites"]
    for look in model.species:
        row = summary.get(look.key)
        if not row:
            continue
        share = 100.0 * row["accessible"] / row["habitat"] if row["habitat"] else 0.0
        text = (
            f"{one_line(look.label)} can reach {format_amount(row['accessible'], look.habitat_unit, model.units)} "
            f"of {format_amount(row['habitat'], look.habitat_unit, model.units)} ({share:.0f} %)"
        )
        if "treatment_a_year" in row:
            text += f"; treatment costs {format_money(row['treatment_a_year'], model.currency)} a year"
        if row.get("missing_share", 0.0) > 0.0:
            text += f"; {100 * row['missing_share']:.0f} % of what its habitat is judged by is not known"
        if row.get("surveyed_share", 0.0) > 0.0:
            text += f"; {100 * row['surveyed_share']:.0f} % was surveyed"
        lines.append("  " + text)
    best = model.priority[model.priority["best"]]
    nothing = "No action is worth more than leaving things as they are."
    if model.priority.empty:
        nothing = "No actions are given, so nothing is ranked: name a table of them in [actions]."
    lines.append(model.ranked_by if len(best) else nothing)
    for rank, site, name, action, why in zip(
        *(best[c].head(TOP) for c in ("rank", "site", "name", "action", "why")), strict=True
    ):
        label = f" ({name})" if name else ""
        head = one_line(f"{rank:>3}  {site}{label}: {action}. {why}")
        lines += textwrap.wrap(head, WIDTH, initial_indent="", subsequent_indent="     ")
    if model.uncertainty is not None and len(model.priority) > 1:
        settled, looked = settled_of_first(model)
        told = f"{settled} are" if settled > 1 else "one is" if settled else "none is"
        lines.append(
            f"Of the first {looked} in the list, {told} settled against neighbours "
            f"({model.uncertainty.draws:,} draws): see rank_low, rank_high."
        )
    for text in learning_sentences(model):
        lines += textwrap.wrap(text, WIDTH)
    lines.append(
        "Each action is weighed alone, all else as it is: what two of them bring together can differ."
    )
    notes = int((model.problems["severity"] == "note").sum())
    if notes:
        what = "note" if notes == 1 else "notes"
        lines.append(f"{notes:,} {what} on the data: in the sheet Problems of the workbook, or by barrierrank check.")
    first, rest = model.cautions[:1], shortened(model.cautions)[1:]
    lines += [""] + [f"Caution: {one_line(c)}" for c in (*first, " ".join(rest)) if c]
    return "\n".join(lines)
