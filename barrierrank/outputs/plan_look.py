"""What the writers of a plan take: finished tables and a few words about how the plan was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from barrierrank.outputs.model import OutputModel


@dataclass(frozen=True)
class PlanLook:
    """A plan for one budget, and what it is compared with.

    Worths are present worths gained over leaving everything as it is, in money or points (``base.currency``), worked
    out by the access engine, interactions along the network counted. Where values are money, costs are taken off.

    Parameters
    ----------
    base : OutputModel
        The ranking of the same project: names, units, sites, reaches, list, cautions.
    budget : float
        What the plan may cost, all years together.
    budgets : tuple of float
        What each funding year has; one entry where the plan is for one year.
    spent : float
    worth : float
        Of the plan.
    bound : float
        No plan for this budget gains more, by the plan's own arithmetic (see `presumes`).
    gap : float
        (bound - worth) / worth, 0 or more; infinite where the plan gains nothing.
    status : {"proven", "open", "years", "time", "interrupted"}
        Why the search ended: the gap asked for is proven; it is done, and what is left open lies between its own
        arithmetic and the worth worked out year by year; it is done, and the plan was spread over years, which no
        bound is known for; time was up; stopped by the user.
    gap_asked : float
    seconds : float
        Of the search.
    price : float
        Worth of one more unit of budget; NaN where not known.
    plan : DataFrame
        A row for each action of the plan, in the order in which to do them. Columns `order` (from 1), `year` (funding
        year, from 1), `site`, `name`, `action`, `purpose` (as in the list), `cost`, `present_worth_cost`, per species
        `gain_<sp>` (accessible habitat lost were this action alone left out of the plan, sign turned),
        `treatment_saved`, `worth_in_plan` (worth lost were it alone left out), `worth_alone` (worth of doing it
        alone), `rank` (Int64: its place in the priority list), `by_list` (bool: taking the list from the top for the
        same budget takes it too), `share` (share of the draws in whose best plan it is; NaN where nothing was drawn),
        `steadiness` (core | sometimes | never | empty), `presumes` (site ids below it whose action in the plan it
        counts on, joined by ", "; may be empty), `why` (one sentence of plain words).
    left_out : DataFrame
        A row for each action that the list from the top takes and the plan does not: `site`, `name`, `action`, `rank`,
        `cost`, `worth_alone`, `share`, `steadiness`, `instead` (what the plan does at that site; empty: nothing),
        `why` (one sentence).
    steadiness : DataFrame or None
        A row for each action that is in the plan or in the best plan of some draw: `site`, `name`, `action`,
        `in_plan` (bool), `share`, `steadiness`. None where nothing was drawn.
    draws : int
        Number of draws planned for; 0 for none.
    list_worth, list_spent : float
        Of taking the list from the top, the best action of each site, as long as the money lasts.
    greedy_worth, greedy_spent : float
        Of adding, again and again, the action that brings most per cost beside those taken.
    access : DataFrame
        By species: `species` (key), `habitat`, `before`, `after` (accessible habitat, in the species' unit, mean over
        the horizon), `best` (no plan for the budget leaves this species better off; NaN where not worked out).
    reach_access : DataFrame
        A row for each reach, in the order of ``base.reaches``: `reach` and, per species, `before_<sp>`, `after_<sp>`:
        access, 0 to 1, of sound structures.
    curve : DataFrame or None
        A row for each budget, rising: `budget`, `spent`, `worth`, `bound`, `gap`, `price` (worth of one more unit),
        `actions` (number), `list_worth`, `greedy_worth`, `adds` and `drops` ("site: action" against the budget before,
        joined by "; "). None where not asked for.
    front : DataFrame or None
        A row for each cap on invader habitat, falling, at the plan's budget: `cap`, `invader_habitat` (accessible, in
        the unit of the first invader), `native_worth`, `native_bound`, `spent`, `worth` (of everything, as in `worth`),
        `gap`, `actions`, `here` (bool: the point nearest to the plan). None where not asked for.
    front_unit : {"m", "m2", "units"}
        Unit of the habitat of the front.
    demands : tuple of str
        What was asked of the plan besides the budget, one sentence each.
    presumes : tuple of str
        What the arithmetic of the plan takes for granted, one sentence each: years drawn together, braids, treatment.
    run : Mapping
        Contents of ``plan.json``.
    """

    base: OutputModel
    budget: float
    budgets: tuple[float, ...]
    spent: float
    worth: float
    bound: float
    gap: float
    status: str
    gap_asked: float
    seconds: float
    price: float
    plan: pd.DataFrame
    left_out: pd.DataFrame
    steadiness: pd.DataFrame | None
    draws: int
    list_worth: float
    list_spent: float
    greedy_worth: float
    greedy_spent: float
    access: pd.DataFrame
    reach_access: pd.DataFrame
    curve: pd.DataFrame | None
    front: pd.DataFrame | None
    front_unit: str
    demands: tuple[str, ...]
    presumes: tuple[str, ...]
    run: Mapping[str, object]
