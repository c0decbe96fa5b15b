"""Plans for many budgets, and for many caps on what the invader can reach."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.plan.basin import BasinPlan, BasinPlans
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import NoPlanError
from barrierrank.plan.exact import LEAVE
from barrierrank.planning_stop import Stop
from barrierrank.project import Project
from barrierrank.run import RankedRun

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

CAPS = "caps of the front"
FRONT_GAP = 0.01
"""Gap of the plans of a front."""
SHORTER = 10.0
"""By this the time for each plan of a front is shorter than that for the plan."""
LEAST_SHARE = 0.02
"""Least cap of the front above what no plan can go below, as a share of the way to the greatest."""


def curve_budgets(budget: float, points: int, to: float) -> list[float]:
    """Return the budgets of a curve, rising, the plan's own among them; one alone where that is 0."""
    even = np.linspace(0.0, budget * to, points + 1)[1:]
    nearest = int(np.argmin(np.abs(even - budget)))
    even[nearest] = budget
    return list(dict.fromkeys(even.tolist()))


def budget_curve(
    project: Project, run: RankedRun, plans: BasinPlans, best: BasinPlan, budget: float, order: Ints, stop: Stop
) -> pd.DataFrame | None:  # fmt: skip
    """Return the best plan of each budget, as :class:`barrierrank.outputs.plan_look.PlanLook` describes it.

    Once the user stops it, the budgets done by then are returned; None where there are none.
    """
    rows: list[dict[str, object]] = []
    last: BasinPlan | None = None
    budgets = curve_budgets(budget, project.plan.curve_points, project.plan.curve_to)
    for b in stop.through("budgets of the curve", budgets):
        with stop.heard():
            one = _next_best(plans, b, (best, budget), last)
            if one is None:
                continue
            stop.note(one.plan)
            rows.append(_point(run, plans, b, one, last, order))
            last = one
    return pd.DataFrame(rows) if rows else None


def _next_best(
    plans: BasinPlans, budget: float, known: tuple[BasinPlan, float], last: BasinPlan | None
) -> BasinPlan | None:
    """Return the best plan for one more budget of a curve; None where it does not do for what is asked."""
    best, of = known
    start = [best.rows] if budget >= best.spent else []
    start += [] if last is None else [last.rows]
    try:
        price = None if last is None else last.plan.price
        one = best if budget == of else plans.best(budget, start=start, price=price)
    except NoPlanError:
        return None
    if last is not None and last.worth > one.worth:  # the smaller budget's plan can be paid as well
        one = replace(last, bound=max(one.bound, last.worth), plan=one.plan)
    return one


def _point(
    run: RankedRun, plans: BasinPlans, budget: float, one: BasinPlan, last: BasinPlan | None, order: Ints
) -> dict[str, object]:
    """Return a row of the curve."""
    before = np.full(one.rows.size, LEAVE) if last is None else last.rows
    return {
        "budget": budget, "spent": one.spent, "worth": one.worth, "bound": one.bound, "gap": one.gap,
        "price": one.plan.price, "actions": int((one.rows != LEAVE).sum()),
        "list_worth": plans.exact.worth(plans.from_the_top(order, budget)),
        "greedy_worth": plans.exact.worth(plans.greedy(budget)), "adds": _named(run, one.rows, before),
        "drops": _named(run, before, one.rows),
    }  # fmt: skip


def _named(run: RankedRun, rows: Ints, without: Ints) -> str:
    """Return what one plan has and another has not, as "site: action"."""
    inputs = run.basin.inputs
    return "; ".join(
        f"{inputs.sites.site[s]}: {inputs.actions.action[rows[s]]}"
        for s in np.flatnonzero((rows != LEAVE) & (rows != without))
    )


def least_exposed(plans: BasinPlans, budget: float) -> float:
    """Return the least accessible habitat that a plan found leaves the species that has a cap."""
    capped = max(plans.asked.capped, 0)
    other = _for_one(plans.without_cap(), capped, -1.0)
    plan = best_plan(other.demands(budget), gap=plans.gap, seconds=plans.seconds)
    return float(plans.exact.accessible(other.model.sites(plan.choice))[capped])


def _for_one(plans: BasinPlans, species: int, sign: float) -> BasinPlans:
    """Return plans that are worth the habitat of one species, or are the worse for it, and nothing else."""
    tree = plans.model.tree
    weight = np.zeros_like(tree.weight)
    weight[:, species] = sign * plans.model.habitat[:, species]
    return plans.changed(tree=replace(tree, weight=weight, worth=np.zeros_like(tree.worth)))


def furthest(project: Project, plans: BasinPlans, budget: float, stop: Stop) -> Floats:
    """Return accessible habitat beyond which no plan takes a species, whatever it does to others, (species,).

    The most for natives and the least for invaders, by the arithmetic of the tree; NaN once the user has stopped it.
    """
    out = np.full(len(project.species), np.nan)
    for k in stop.through("how far each species could be taken", range(out.size)):
        with stop.heard():
            sign = -1.0 if project.species[k].role == "invasive" else 1.0
            other = _for_one(plans, k, sign)
            try:
                plan = best_plan(other.demands(budget), gap=FRONT_GAP, seconds=plans.seconds / SHORTER)
            except NoPlanError:
                continue
            stop.note(plan)
            out[k] = max(sign * plan.bound + plans.free_habitat(k), 0.0)
    return out


def native_front(
    project: Project, plans: BasinPlans, best: BasinPlan, budget: float, stop: Stop
) -> pd.DataFrame | None:
    """Return the most that natives can gain for each cap on the first invader's habitat; None without both.

    Once the user stops it, the caps done by then are returned; None where there are none.
    """
    roles = [s.role for s in project.species]
    natives = [k for k, s in enumerate(project.species) if s.role == "native" and s.value > 0.0]
    if "invasive" not in roles or not natives:
        return None
    if stop.asked:
        stop.cut.append(f"{CAPS} (none done)")
        return None
    invader = roles.index("invasive")
    years = float(plans.exact.years.weights[:, 1].sum())
    tree = plans.model.tree
    weight = np.zeros_like(tree.weight)
    for k in natives:
        weight[:, k] = project.species[k].value * years * plans.model.habitat[:, k]
    alone = replace(tree, weight=weight, worth=np.zeros_like(tree.worth))
    front = plans.without_cap(invader).changed(tree=alone)
    front = front.changed(gap=max(FRONT_GAP, plans.gap), seconds=plans.seconds / SHORTER)
    native_today = plans.exact.species_worth(np.full(best.rows.size, LEAVE))[natives].sum()
    today = plans.exact.accessible(np.full(best.rows.size, LEAVE))
    least = least_exposed(plans.without_cap(invader), budget)
    widest = best_plan(front.demands(budget, cap=np.inf), gap=plans.gap, seconds=plans.seconds)
    stop.note(widest)
    most = float(plans.exact.accessible(front.model.sites(widest.choice))[invader])
    rows = []
    lowest = least + LEAST_SHARE * (most - least)
    caps: list[float] = np.linspace(max(most, today[invader]), lowest, project.plan.front_points).tolist()
    for cap in stop.through(CAPS, caps):
        limit = np.inf if cap == caps[0] else cap  # the first one is no limit
        try:
            _, plan, chosen = front.changed(asked=replace(front.asked, cap=limit)).kept(budget)
        except NoPlanError:
            continue
        except KeyboardInterrupt:
            stop.asked = True
            continue
        stop.note(plan)
        reached = plans.exact.accessible(chosen)
        native = float(plans.exact.species_worth(chosen)[natives].sum() - native_today)
        bound = max(native, plan.bound - plan.zero)
        rows.append(
            {
                "cap": max(cap, float(reached[invader])), "invader_habitat": float(reached[invader]),
                "native_worth": native, "native_bound": bound, "spent": plans.exact.spent(chosen),
                "worth": plans.exact.worth(chosen), "gap": bound / native - 1.0 if native > 0.0 else np.inf,
                "actions": int((chosen != LEAVE).sum()),
            }
        )  # fmt: skip
    if not rows:
        return None
    table = pd.DataFrame(rows)
    own = plans.exact.accessible(best.rows)[invader]
    table["here"] = np.arange(len(table)) == int(np.argmin(np.abs(table["invader_habitat"] - own)))
    return table
