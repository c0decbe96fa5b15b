"""The tables of a plan: what is done, what the list does otherwise, and the words about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.plan.basin import BasinPlans
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.plan.order import presumed
from barrierrank.planning_draws import Steadiness
from barrierrank.project import Project
from barrierrank.project_plan import ActionName
from barrierrank.ranking import words
from barrierrank.ranking.effects import effects
from barrierrank.run import RankedRun, ranked_species

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

ROUNDING = 1e-6
"""Share of a worth below which a difference is not told."""
NOTABLE = 0.02
"""Share by which the worth in a plan and alone must differ for it to be told."""


@dataclass(frozen=True, eq=False)
class Compared:
    """What a plan is compared with.

    Parameters
    ----------
    order : (k,) int64
        Rows of the actions table in the order of the list, the best of each site.
    by_list, greedy : (sites,) int64
        Rows that the list from the top, and greedy choice, would do.
    """

    order: Ints
    by_list: Ints
    greedy: Ints


def _called(run: RankedRun, rows: Ints) -> pd.DataFrame:
    """Return how actions are called, and their places in the list."""
    inputs = run.basin.inputs
    site = inputs.actions.site_index[rows]
    listed = run.model.priority.set_index(run.model.priority.index)
    return pd.DataFrame(
        {
            "site": inputs.sites.site[site].astype(str), "name": inputs.sites.name[site].astype(str),
            "action": inputs.actions.action[rows].astype(str),
            "purpose": listed["purpose"].reindex(rows).to_numpy(),
            "rank": listed["rank"].reindex(rows).astype("Int64").array,
        }
    )  # fmt: skip


def _steady(project: Project, rows: Ints, steady: Steadiness | None) -> pd.DataFrame:
    """Return in how many draws actions are in the best plan, and what that is called."""
    if steady is None:
        return pd.DataFrame(
            {"share": np.full(rows.size, np.nan), "steadiness": np.full(rows.size, "", dtype=object)}
        )
    share = steady.share[rows]
    called = np.where(share >= project.plan.core, "core", np.where(share > 0.0, "sometimes", "never"))
    return pd.DataFrame({"share": share, "steadiness": called.astype(object)})


def plan_table(
    project: Project, run: RankedRun, plans: BasinPlans, rows: Ints, steps: tuple[Ints, Ints], compared: Compared,
    steady: Steadiness | None,
) -> pd.DataFrame:  # fmt: skip
    """Return the plan, an action a row, in the order in which to act.

    Parameters
    ----------
    project, run, plans
    rows : (sites,) int64
    steps : (k,) int64, (k,) int64
        Sites in order, and the year of each.
    compared : Compared
    steady : Steadiness or None
    """
    sites, year = steps
    chosen = rows[sites]
    table = _called(run, chosen)
    table.insert(0, "order", np.arange(1, sites.size + 1))
    table.insert(1, "year", year)
    rank = table.pop("rank")
    exact = plans.exact
    table["cost"], table["present_worth_cost"] = exact.actions.cost[chosen], exact.costs.total[chosen]
    left = exact.alternatives(rows, np.empty(0, dtype=np.int64))  # each site of the plan left as it is
    at = np.argsort(left.site)[np.searchsorted(np.sort(left.site), sites)]
    for k, spec in enumerate(project.species):
        table[f"gain_{spec.key}"] = -left.gain[at, k]
    table["treatment_saved"] = -left.saved[at]
    table["worth_in_plan"] = -left.worth[at]
    table["worth_alone"] = _alone(exact, chosen)
    table["rank"] = rank
    table["by_list"] = compared.by_list[sites] == chosen
    table = pd.concat([table, _steady(project, chosen, steady)], axis=1)
    lower = presumed(plans, rows)
    ids = [str(s) for s in run.basin.inputs.sites.site]
    table["presumes"] = [", ".join(ids[b] for b in lower[s]) for s in sites.tolist()]
    table["why"] = _why(project, table)
    return table


def _alone(exact: ExactWorth, chosen: Ints) -> Floats:
    """Return the worth of doing each action alone."""
    nothing = np.full(exact.failure_today.size, LEAVE)
    alone = exact.alternatives(nothing, np.sort(chosen))
    return alone.worth[np.searchsorted(alone.row, chosen)] if chosen.size else np.empty(0)


def _amounts(project: Project, worth: Floats) -> list[str]:
    currency = project.economy.currency
    return words.money(worth, currency=currency) if currency else words.points(worth)


def _why(project: Project, table: pd.DataFrame) -> list[str]:
    """Return one or two sentences for each action of a plan."""
    if table.empty:
        return []
    told = effects(
        table, ranked_species(project.species), currency=project.economy.currency, units=project.display.units,
        points=project.economy.currency is None,
    )  # fmt: skip
    alone = _amounts(project, table["worth_alone"].to_numpy(dtype=np.float64))
    out = []
    within, apart = (table[c].to_numpy(dtype=np.float64) for c in ("worth_in_plan", "worth_alone"))
    for i, presumes in enumerate(table["presumes"].tolist()):
        does = told[i].told()
        text = (
            f"Beside the rest of the plan it {does}."
            if does
            else "Beside the rest of the plan it changes little."
        )
        if presumes:
            text += f" It counts on what the plan does below, at {presumes}."
        if apart[i] <= 0.0 < within[i]:
            text += " Done alone it would not pay."
        elif within[i] > (1.0 + NOTABLE) * apart[i]:
            text += f" Done alone it would bring less: {alone[i]}."
        elif within[i] < (1.0 - NOTABLE) * apart[i]:
            text += f" Done alone it would bring more: {alone[i]}; part of that the plan gets otherwise."
        out.append(text)
    return out


def left_out_table(
    project: Project,
    run: RankedRun,
    plans: BasinPlans,
    rows: Ints,
    compared: Compared,
    steady: Steadiness | None,
) -> pd.DataFrame:
    """Return the actions that the list from the top takes and the plan does not, in the order of the list."""
    listed = compared.order[np.isin(compared.order, compared.by_list)]
    inputs = run.basin.inputs
    chosen = listed[rows[inputs.actions.site_index[listed]] != listed]
    table = _called(run, chosen).drop(columns="purpose")
    table["cost"] = plans.exact.actions.cost[chosen]
    table["worth_alone"] = _alone(plans.exact, chosen)
    table = pd.concat([table, _steady(project, chosen, steady)], axis=1)
    site = inputs.actions.site_index[chosen]
    table["instead"] = [str(inputs.actions.action[rows[s]]) if rows[s] >= 0 else "" for s in site.tolist()]
    table["why"] = _why_not(project, plans, rows, chosen, table)
    return table


def _why_not(project: Project, plans: BasinPlans, rows: Ints, chosen: Ints, table: pd.DataFrame) -> list[str]:
    """Return a sentence for each action of the list that the plan leaves out."""
    if not chosen.size:
        return []
    exact = plans.exact
    other = exact.alternatives(rows, np.sort(chosen))
    at = np.searchsorted(np.sort(chosen), chosen)
    worth, cost = other.worth[at], other.cost[at]
    told, alone = _amounts(project, worth), _amounts(project, table["worth_alone"].to_numpy(dtype=np.float64))
    money = words.money(np.abs(cost), currency=project.economy.currency)
    out = []
    for i, (brings, instead) in enumerate(zip(worth.tolist(), table["instead"].tolist(), strict=True)):
        first = f"The plan does {instead} there instead. " if instead else ""
        now = "In its place" if instead else "Added to the plan"
        if brings <= 0.0:
            text = f"{now} it would bring nothing more, where alone it would bring {alone[i]}."
        elif not plans.allowed[chosen[i]]:
            text = "It is forbidden, or another action is forced there."
        elif cost[i] > 0.0:
            text = f"{now} it would bring {told[i]} for {money[i]} more; that money brings more elsewhere."
        else:
            text = f"{now} it would bring {told[i]}, but what is asked of the plan rules it out."
        out.append(first + text)
    return out


def steadiness_table(
    project: Project, run: RankedRun, rows: Ints, steady: Steadiness | None
) -> pd.DataFrame | None:
    """Return every action that is in the plan or in the best plan of some draw, the steadiest first."""
    if steady is None:
        return None
    inside = np.zeros(steady.share.size, dtype=bool)
    inside[rows[rows >= 0]] = True
    some = np.flatnonzero(inside | (steady.share > 0.0))
    some = some[np.lexsort((some, ~inside[some], -steady.share[some]))]
    table = _called(run, some)[["site", "name", "action"]]
    table["in_plan"] = inside[some]
    return pd.concat([table, _steady(project, some, steady)], axis=1)


def access_table(project: Project, exact: ExactWorth, rows: Ints, furthest: Floats) -> pd.DataFrame:
    """Return accessible habitat of each species before and after the plan, mean over the horizon, and the furthest.

    Where structures fail the furthest comes from another arithmetic than the rest; no plan is told to be beyond it.
    """
    after = exact.accessible(rows)
    invasive = np.array([s.role == "invasive" for s in project.species])
    best = np.where(invasive, np.fmin(furthest, after), np.fmax(furthest, after))
    return pd.DataFrame(
        {
            "species": [s.key for s in project.species],
            "habitat": [float(s.habitat.sum()) for s in exact.stakes],
            "before": exact.accessible(np.full(rows.size, LEAVE)), "after": after,
            "best": np.where(np.isnan(furthest), np.nan, best),
        }
    )  # fmt: skip


def reach_table(project: Project, run: RankedRun, exact: ExactWorth, rows: Ints) -> pd.DataFrame:
    """Return access of each reach before and after the plan, structures sound."""
    of_reach = run.basin.graph.of_reach
    before, after = (
        exact.reach_access(np.full(rows.size, LEAVE))[of_reach],
        exact.reach_access(rows)[of_reach],
    )
    table = pd.DataFrame({"reach": run.model.reaches["reach"].to_numpy()})
    for k, spec in enumerate(project.species):
        table[f"before_{spec.key}"], table[f"after_{spec.key}"] = before[:, k], after[:, k]
    return table


def demand_sentences(project: Project) -> tuple[str, ...]:
    """Return what the project file asks of plans, one sentence each."""
    spec = project.plan
    out = [f"{_name(one)} is forced." for one in spec.forced]
    out += [f"{_name(one)} is forbidden." for one in spec.forbidden]
    out += [f"At most one of {words.listed([_name(one) for one in group])}." for group in spec.exclusive]
    out += [f"{_name(one)} only together with {_name(one.on)}." for one in spec.depends]
    for key, most in spec.most_invader_habitat.items():
        spec_of = next(s for s in ranked_species(project.species) if s.key == key)
        amount = words.habitats([most], habitat_unit=spec_of.habitat_unit, units=project.display.units)[0]
        out.append(f"{spec_of.label or key} may reach no more than {amount} of habitat.")
    return tuple(out)


def _name(one: ActionName) -> str:
    return f"{one.action} at {one.site}" if one.action is not None else f"anything at {one.site}"


def presumptions(project: Project, plans: BasinPlans, rows: Ints, budgets: Sequence[float]) -> tuple[str, ...]:
    """Return what the arithmetic of plans takes for granted, one sentence each."""
    out = []
    if plans.exact.years.weights.shape[0] > 1:
        text = (
            "For the search and its bound each structure has the passability to be expected in the mean of the years; "
            "the worth that is printed is worked out year by year."
        )
        error, worth = plans.mean_error(rows), plans.exact.worth(rows)
        if abs(error) > ROUNDING * max(abs(worth), 1.0):
            share = f", {100.0 * abs(error) / worth:.2g} %" if worth > 0.0 else ""
            by = _amounts(project, np.array([abs(error)]))[0]
            text += (
                f" Of this plan the search makes {by}{share} {'more' if error > 0.0 else 'less'} than that, so another "
                "plan may be better by about as much in spite of the bound."
            )
        out.append(text)
    if plans.model.steps.node.size and not plans.by_thresholds:
        out.append(
            "With so many sites the bound counts treatment, which is due from a threshold of access on, at no more "
            "than it costs: it may be higher than any plan can reach."
        )
    if plans.model.joins:
        count = plans.model.joins
        arms = (
            "one place where arms of a river meet"
            if count == 1
            else f"{count} places where arms of a river meet"
        )
        out.append(
            f"Sites stand in the arms below {arms}: the search takes what the arms let past together as it is "
            "today, and the bound does not cover changes there; the worth that is printed does."
        )
    if len(budgets) > 1:
        out.append(
            "Money that is left in a year can be spent later; costs are those of today. The bound is that of doing "
            "everything in the first year: putting costs off can bring a plan above it."
        )
    return tuple(out)
