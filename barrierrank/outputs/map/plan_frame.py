"""What stands round the map where there is a plan: switch, legend, list and notes, as plain HTML."""

from __future__ import annotations

from barrierrank.outputs.map.escape import esc
from barrierrank.outputs.map.frame import Additions, badge, radio, stroke, svg
from barrierrank.outputs.map.plan import NOTED
from barrierrank.outputs.plan_look import PlanLook

# In a folder of their own: what lies beside this file stands in every page.
PLAN_FILES = tuple(
    f"with_plan/{name}" for name in ("plan_layer.js", "plan_panel.js", "plan_join.js", "plan.css")
)
FEWEST_NUMBERED = 40
CHANGES = (
    (1, "Opens", stroke("M3 8H33", "#0072B2", 4.4)),
    (2, "Closes", stroke("M3 8H33", "#D55E00", 4.4) + stroke("M5 8H34", "#F6EDF1", 2.6, "3 8")),
    (0, "Stays", stroke("M3 8H33", "#999999", 1.6)),
)  # codes as in plan.py and plan_layer.js


def plan_additions(plan: PlanLook) -> Additions:
    """Return the parts of the page that tell of `plan`.

    Parameters
    ----------
    plan : PlanLook
    """
    return Additions(
        choice=_CHOICE, streams=_streams(), marks=_marks(plan), ledger=_ledger(plan), notes=_notes(plan)
    )


def numbered_beside(plan: PlanLook | None, most: int) -> int:
    """Return how many sites are marked with their rank where those of the plan are marked as well.

    Parameters
    ----------
    plan : PlanLook or None
    most : int
        How many without a plan.
    """
    if plan is None:
        return most
    return max(FEWEST_NUMBERED, most - len(plan.plan) - len(plan.left_out))


_CHOICE = f"""<fieldset class="species show plan-view"><legend>Streams and the plan</legend><div class="choices">
{radio("view", "before", "before the plan", checked=True)}
{radio("view", "after", "after it")}
{radio("view", "change", "what changes")}</div></fieldset>
<p id="plan-meaning" class="plan-meaning" role="status"></p>
"""


def _streams() -> str:
    """Return the legend of what the plan changes; hidden till it is asked for."""
    rows = "".join(
        f'<li data-change="{code}">{svg(swatch, width=36)}<b>{word}</b><span class="amount"></span></li>'
        for code, word, swatch in CHANGES
    )
    least = f"{NOTED * 100:g}"
    return f"""<div data-view="change" hidden><h2>What the plan changes</h2><ul>{rows}</ul>
<p class="quiet">Opens: of 100 fish at the receiving water at least {least} more get there than before; closes: at
least {least} fewer. Streams without habitat stay.</p></div>"""


def _marks(plan: PlanLook) -> str:
    """Return the legend of the marks there are."""
    year = "<small>yr 1</small>" if len(plan.budgets) > 1 else ""
    told = "in the plan: order and funding year" if year else "in the plan: order"
    planned = f'<li class="wide">{badge("plan", f"1{year}")}<span>{told}</span></li>'
    left = "taken by the list from the top, left out of the plan: rank"
    out = f'<li class="wide">{badge("left")}<span>{left}</span></li>'
    return ("" if plan.plan.empty else planned) + ("" if plan.left_out.empty else out)


def _ledger(plan: PlanLook) -> str:
    """Return the list of the plan without its rows."""
    many, left = len(plan.plan), len(plan.left_out)
    those = "it" if left == 1 else "them"
    out = f"""<details class="plan-out"><summary>Left out, though the list takes {those} ({left:,})</summary>
<ol id="out-rows" class="rows" aria-label="Left out of the plan"></ol></details>
"""
    head = f"The plan: {many:,} {'action' if many == 1 else 'actions'}"
    return f"""<details id="plan" class="plan-list" open><summary><h2>{head}</h2></summary>
<p id="plan-told" class="quiet"></p>
<ol id="plan-rows" class="rows" aria-label="Actions of the plan, in their order"></ol>
<button type="button" id="plan-more" class="more" hidden></button>
{out if left else ""}</details>
"""


def _notes(plan: PlanLook) -> str:
    """Return what was asked of the plan and what it takes for granted."""
    drawn = (
        f"Shares of draws come from {plan.draws:,} draws of what is not known for sure." if plan.draws else ""
    )
    sound = "On the streams, access before and after is that of sound structures."
    lines = [*plan.demands, *plan.presumes, drawn, sound]
    return "<h2>The plan</h2>" + "".join(f"<p>{esc(line)}</p>" for line in lines if line)
