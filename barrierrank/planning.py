"""From a project file to the best plan for a budget, and what it is compared with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.basin import Clock, Progress, silent
from barrierrank.habitat.amounts import habitat_unit_of
from barrierrank.inputs.plan_demands import plan_demands
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.record import run_record
from barrierrank.plan.basin import Asked, BasinPlan, BasinPlans
from barrierrank.plan.demands import NoPlanError
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.plan.order import Schedule, in_order, schedule, worth_in_years, years_by_order
from barrierrank.planning_draws import Steadiness, steadiness_of
from barrierrank.planning_front import budget_curve, furthest, least_exposed, native_front
from barrierrank.planning_stop import Stop
from barrierrank.planning_tables import (
    Compared,
    access_table,
    demand_sentences,
    left_out_table,
    plan_table,
    presumptions,
    reach_table,
    steadiness_table,
)
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.run import RankedRun, input_files, ranked_run
from barrierrank.weighing import stakes_of

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PlanRequest:
    """What the user wants of a plan.

    Parameters
    ----------
    budget : float or None
        All years together; None: what the years in the project file have.
    years : int
        Funding years that share the budget evenly; 0: as in the project file, else one.
    curve, front : bool
        Whether the curve over budgets, and the front of natives against invaders, are wanted.
    """

    budget: float | None = None
    years: int = 0
    curve: bool = False
    front: bool = False


def plan_project(
    project: Project, problems: Problems, request: PlanRequest, *, progress: Progress = silent,
    command: Sequence[str] = (), run: RankedRun | None = None,
) -> PlanLook:  # fmt: skip
    """Find the best plan of a project.

    Stopped from the keyboard (Ctrl-C) while plans are made, it goes on with the best plan so far; a warning says what
    was cut short.

    Parameters
    ----------
    project : Project
    problems : Problems
        Grows by everything that was mended or looks doubtful.
    request : PlanRequest
    progress : callable
        Told what each stage does.
    command : sequence of str
        The command line, for the record.
    run : RankedRun, optional
        A ranking of the same project, where there is one already.

    Raises
    ------
    InputError
        The inputs are at fault, or demands cannot be met together; they are named.
    """
    clock = Clock(progress)
    budgets = year_budgets(project, request, problems)
    problems.stop_on_errors()
    if run is None:
        run = ranked_run(project, problems, clock, command=command, learn=False)
    asked = asked_of(project, run, problems)
    problems.stop_on_errors()
    exact = ExactWorth(
        run.basin.graph, run.basin.inputs.actions,
        stakes_of(project, run.basin, run.today, run.basin.inputs.actions),
        run.basin.inputs.sites.failure_probability, project.economy,
    )  # fmt: skip
    plans = BasinPlans(exact, asked, project.plan.gap, project.plan.seconds)
    stop = Stop()
    with clock.stage("plan", "looking for the best plan"):
        best, compared = found_plan(project, run, plans, float(sum(budgets)), problems)
        stop.note(best.plan, "the search for the plan")
        timed = _in_years(project, plans, best, budgets, problems)
    steady, curve, front = _beside(project, run, plans, (best, compared), (budgets, request), (clock, stop))
    alone = np.full(len(project.species), np.nan)
    with stop.heard(), clock.stage("species", "how far each species could be taken"):
        alone = furthest(project, plans, float(sum(budgets)), stop)
    stop.tell(problems)
    if request.front and front is None and not stop.asked:
        problems.warning(
            "no_front", "a front needs an invasive species, and a native one with a value above 0; none was made",
            where=project.path.name, remedy="give these species, or leave out --front",
        )  # fmt: skip
    record = run_record(
        inputs=[project.path, *input_files(project)], parameters=project.parameters(), timings=clock.seconds,
        problems=problems, command=command,
    )  # fmt: skip
    return _look(project, run, plans, (best, timed, compared, steady), (budgets, curve, front, alone), record)


def _beside(
    project: Project, run: RankedRun, plans: BasinPlans, found: tuple[BasinPlan, Compared],
    wanted: tuple[Sequence[float], PlanRequest], way: tuple[Clock, Stop],
) -> tuple[Steadiness | None, pd.DataFrame | None, pd.DataFrame | None]:  # fmt: skip
    """Make the plans that stand beside the plan: in draws, for other budgets, for caps on the invader."""
    (best, compared), (budgets, request), (clock, stop), spec = found, wanted, way, project.plan
    budget = float(sum(budgets))
    steady = curve = front = None
    if run.spread is not None and spec.draws:
        words = f"planning in {spec.draws:,} draws of the inputs"
        with stop.heard("the draws"), clock.stage("steadiness", words):
            steady = steadiness_of(project, run.basin, run.spread, plans, budget, best.rows, stop)
    if request.curve:
        words = f"planning for {spec.curve_points} budgets"
        with stop.heard("the curve"), clock.stage("curve", words):
            curve = budget_curve(project, run, plans, best, budget, compared.order, stop)
    if request.front:
        words = f"planning for {spec.front_points} caps on the invader"
        with stop.heard("the front"), clock.stage("front", words):
            front = native_front(project, plans, best, budget, stop)
    return steady, curve, front


def year_budgets(project: Project, request: PlanRequest, problems: Problems) -> tuple[float, ...]:
    """Return what each funding year has: as asked, else as in the project file."""
    given = project.plan.year_budgets
    where = project.path.name
    if request.budget is None and not given:
        problems.error(
            "no_budget", "no budget is given", where=where, remedy="add --budget X, or year_budgets in [plan]"
        )
        return (0.0,)
    years = request.years or (len(given) if request.budget is None else 1)
    if years > project.economy.horizon_years:
        problems.error(
            "years_beyond_horizon",
            f"{years} funding years do not fit into a horizon of {project.economy.horizon_years} years",
            where=where, remedy="ask for fewer --years, or lengthen horizon_years",
        )  # fmt: skip
    if request.budget is None:
        return given if years == len(given) else (sum(given) / years,) * years
    return (request.budget / years,) * years


def asked_of(project: Project, run: RankedRun, problems: Problems) -> Asked:
    """Return the demands of the project file by rows of the actions table."""
    spec, inputs = project.plan, run.basin.inputs
    named = plan_demands(spec, inputs.sites, inputs.actions, problems, project.path.name)
    keys = [s.key for s in project.species]
    caps = list(spec.most_invader_habitat.items())
    if len(caps) > 1:
        problems.error(
            "several_caps",
            f"[plan] most_invader_habitat caps {some([k for k, _ in caps])}; a plan can keep to one cap",
            where=project.path.name, remedy="leave one of them, the one that matters most",
        )  # fmt: skip
    capped, cap = (keys.index(caps[0][0]), float(caps[0][1])) if caps else (-1, np.inf)
    off = [int(r) for r in named.forced if run.basin.graph.of_site[inputs.actions.site_index[r]] < 0]
    if off:
        sites = [str(inputs.sites.site[inputs.actions.site_index[r]]) for r in off]
        problems.error(
            "forced_off_network",
            f"[plan] forced: {some(sites)} not on the network, so nothing follows from acting there",
            where=project.path.name, remedy="mend the place of the site, or take it out of forced",
        )  # fmt: skip
    return Asked(named.forced, named.forbidden, named.exclusive, named.depends, capped, cap)


def found_plan(
    project: Project, run: RankedRun, plans: BasinPlans, budget: float, problems: Problems
) -> tuple[BasinPlan, Compared]:
    """Find the plan, take the list from the top and choose greedily; name demands that cannot be met."""
    order = order_of_list(run.model)
    by_list, greedy = plans.from_the_top(order, budget), plans.forced_only
    try:
        greedy = plans.greedy(budget)
        best = plans.best(budget, start=[by_list, greedy])
    except NoPlanError:
        _tell_clash(project, plans, budget, problems)
        problems.stop_on_errors()
        raise
    return best, Compared(order, by_list, greedy)


def order_of_list(model: OutputModel) -> Ints:
    """Return the rows of the actions table as one would take them from the top: the best action of each site."""
    rows: Ints = model.priority.index[model.priority["best"].to_numpy(dtype=bool)].to_numpy(dtype=np.int64)
    return rows


def _tell_clash(project: Project, plans: BasinPlans, budget: float, problems: Problems) -> None:
    """Name the demands that no plan can meet together."""
    actions, forced = plans.exact.actions, plans.asked.forced
    where, money = project.path.name, project.economy.currency or "of cost"
    needed = float(actions.cost[forced].sum())
    if needed > budget:
        names = [f"{plans.exact.actions.action[r]}" for r in forced]
        problems.error(
            "budget_below_forced",
            f"[plan] forced asks for {some(names)}, which cost {needed:,.0f} {money} together; the budget is "
            f"{budget:,.0f}", where=where, remedy="raise the budget, or take something out of forced",
        )  # fmt: skip
        return
    least = _least_exposed(plans, budget) if plans.asked.capped >= 0 else np.nan
    if least > plans.asked.cap:
        spec = project.species[plans.asked.capped]
        unit = habitat_unit_of(spec)
        problems.error(
            "cap_out_of_reach",
            f"[plan] most_invader_habitat caps {spec.key} at {plans.asked.cap:,.0f} {unit}; with a budget of "
            f"{budget:,.0f} {money} and what else is asked, no plan found leaves it less than {least:,.0f} {unit}",
            where=where, remedy="raise the cap or the budget, or ask for less in forced, forbidden and depends",
        )  # fmt: skip
        return
    problems.error(
        "demands_cannot_be_met", f"no plan of {budget:,.0f} {money} meets everything that [plan] asks",
        where=where, remedy="raise the budget or the cap, or take entries out of forced, exclusive and depends",
    )  # fmt: skip


def _least_exposed(plans: BasinPlans, budget: float) -> float:
    """Return the least that a plan found leaves the species that has a cap; NaN where none meets the other demands."""
    try:
        return least_exposed(plans, budget)
    except NoPlanError:
        return float("nan")


def _in_years(
    project: Project, plans: BasinPlans, best: BasinPlan, budgets: Sequence[float], problems: Problems
) -> Schedule:
    """Spread a plan over the funding years; tell where the money of a year does not do."""
    if len(budgets) == 1:
        return Schedule(best.rows, np.where(best.rows != LEAVE, 1, 0).astype(np.int64), best.worth)
    try:
        return schedule(plans, best.rows, budgets)
    except NoPlanError as error:
        problems.error(
            "years_too_poor", f"the plan cannot be spread over {len(budgets)} funding years: {error}",
            where=project.path.name, remedy="ask for fewer years, give the first ones more, or force less",
        )  # fmt: skip
        problems.stop_on_errors()
        raise


def _look(
    project: Project, run: RankedRun, plans: BasinPlans,
    found: tuple[BasinPlan, Schedule, Compared, Steadiness | None],
    more: tuple[Sequence[float], pd.DataFrame | None, pd.DataFrame | None, Floats], record: Mapping[str, Any],
) -> PlanLook:  # fmt: skip
    """Put everything together for the writers."""
    best, timed, compared, steady = found
    budgets, curve, front, alone = more
    exact, rows = plans.exact, timed.rows
    sites = in_order(plans, rows, timed.year)
    steps = (sites, timed.year[sites])
    invaders = [s for s in project.species if s.role == "invasive"]
    bound = max(best.bound, timed.worth)
    left = bound - timed.worth
    gap = 0.0 if left <= 0.0 else left / timed.worth if timed.worth > 0.0 else np.inf
    status = best.plan.status
    if len(budgets) > 1 and status != "interrupted":
        status = "years"
    elif status == "proven" and gap > project.plan.gap * (1.0 + 1e-6):
        status = "open"
    return PlanLook(
        base=run.model, budget=float(sum(budgets)), budgets=tuple(budgets), spent=exact.spent(rows), worth=timed.worth,
        bound=bound, gap=gap, status=status, gap_asked=project.plan.gap, seconds=best.plan.seconds,
        price=_price(plans, best, float(sum(budgets))),
        plan=plan_table(project, run, plans, rows, steps, compared, steady),
        left_out=left_out_table(project, run, plans, rows, compared, steady),
        steadiness=steadiness_table(project, run, rows, steady),
        draws=0 if steady is None else steady.draws,
        list_worth=_worth_by(plans, compared.by_list, compared.order, budgets),
        list_spent=exact.spent(compared.by_list),
        greedy_worth=_worth_by(plans, compared.greedy, None, budgets), greedy_spent=exact.spent(compared.greedy),
        access=access_table(project, exact, rows, alone), reach_access=reach_table(project, run, exact, rows),
        curve=curve, front=front, front_unit=habitat_unit_of(invaders[0]) if invaders else "m",
        demands=demand_sentences(project), presumes=presumptions(project, plans, rows, budgets), run=record,
    )  # fmt: skip


def _worth_by(plans: BasinPlans, rows: Ints, order: Ints | None, budgets: Sequence[float]) -> float:
    """Return the worth of another choice, spread over the funding years as the plan is."""
    exact = plans.exact
    if len(budgets) == 1:
        return exact.worth(rows)
    done = (rows != LEAVE).astype(np.int64)
    sites = in_order(plans, rows, done)
    if order is not None:  # what is forced first, then as the list has it
        place = np.full(len(exact.actions), -1)
        place[order] = np.arange(order.size)
        sites = np.flatnonzero(done)[np.argsort(place[rows[np.flatnonzero(done)]], kind="stable")]
    return worth_in_years(exact, rows, years_by_order(exact, rows, sites, budgets))


def _price(plans: BasinPlans, best: BasinPlan, budget: float) -> float:
    """Return what one more unit of budget brings; NaN where that is nothing only since dearer actions are left out."""
    dearer = plans.exact.actions.cost[plans.allowed] > budget
    return float("nan") if best.plan.price <= 0.0 and dearer.any() else best.plan.price
