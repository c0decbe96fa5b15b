"""In which order to do what a plan holds, and in which year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.basin import BasinPlans
from barrierrank.plan.demands import ROUNDING, NoPlanError
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.worth.finance import (
    cost_terms,
    discount_weights,
    failed_share,
    single_payment_factor,
)
from barrierrank.worth.treatment import treatment_a_year

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Schedule:
    """Which year each action of a plan is done in.

    Parameters
    ----------
    rows : (sites,) int64
    year : (sites,) int64
        From 1; 0 where nothing is done.
    worth : float
        Present worth gained, waiting counted.
    """

    rows: Ints
    year: Ints
    worth: float


def worth_in_years(exact: ExactWorth, rows: Ints, year: Ints) -> float:
    """Return the present worth that a plan gains when its actions wait for their years.

    Parameters
    ----------
    exact : ExactWorth
    rows : (sites,) int64
    year : (sites,) int64
        Funding year of each action, from 1; what is done in year y counts from year y of the horizon on.
    """
    horizon, rate = exact.economy.horizon_years, exact.economy.discount_rate
    discount = discount_weights(rate, horizon)
    nothing = np.full(rows.size, LEAVE)
    return _absolute(exact, rows, year, discount) - _absolute(exact, nothing, np.zeros_like(year), discount)


def _absolute(exact: ExactWorth, rows: Ints, year: Ints, discount: Floats) -> float:
    """Return the present worth of a plan, not less that of doing nothing."""
    actions, horizon = exact.actions, exact.economy.horizon_years
    done = np.flatnonzero(rows >= 0)
    row, begins = rows[done], year[done] - 1
    failed = failed_share(exact.failure_today, horizon_years=horizon)
    after = failed_share(
        actions.failure_probability[row], horizon_years=horizon, life_years=actions.life_years[row]
    )
    t = np.arange(horizon)
    since = t[None, :] - begins[:, None]
    built = since >= 0
    failed[done] = np.where(built, np.take_along_axis(after, np.maximum(since, 0), axis=1), failed[done])
    total = 0.0
    if exact.economy.currency:
        for y in np.unique(begins):
            some = row[begins == y]
            cost = cost_terms(
                actions.cost[some], actions.upkeep[some], actions.life_years[some],
                rate=exact.economy.discount_rate, horizon_years=horizon - int(y),
            ).total  # fmt: skip
            total -= float(cost.sum() * single_payment_factor(exact.economy.discount_rate, y))
    for stake in exact.stakes:
        p = np.repeat(stake.passability[:, None], horizon, axis=1)
        p[done] = np.where(built, stake.after[row][:, None], p[done])
        expected = (1.0 - failed) * p + failed
        sweep = exact.graph.sweep(expected)
        total += stake.value * float(exact.graph.accessible(stake.habitat, sweep) @ discount)
        if stake.treatment is not None and stake.ground is not None:
            total -= float(treatment_a_year(sweep, stake.ground, stake.treatment) @ discount)
    return total


def schedule(plans: BasinPlans, rows: Ints, budgets: Sequence[float]) -> Schedule:
    """Spread a plan over funding years; money that is left in a year may be spent later.

    Two ways are tried and the better one is kept: what the plan for all the money holds, the best part of it first;
    and each year the best use of the money there is by then, whatever the plan for all the money says.

    Parameters
    ----------
    plans : BasinPlans
    rows : (sites,) int64
        The plan for all the money.
    budgets : sequence of float
        What each year has.

    Raises
    ------
    ValueError
        There are more funding years than years in the horizon.
    """
    horizon = plans.exact.economy.horizon_years
    if len(budgets) > horizon:
        raise ValueError(f"{len(budgets)} funding years do not fit into a horizon of {horizon} years")
    best: Schedule | None = None
    for among in (rows, None):
        year = _years(plans, rows, budgets, among)
        if year is None:
            continue
        chosen, when = year
        worth = worth_in_years(plans.exact, chosen, when)
        if best is None or worth > best.worth:
            best = Schedule(chosen, when, worth)
    if best is None:
        raise NoPlanError("the first year's money does not pay for what is forced")
    return best


def _years(
    plans: BasinPlans, rows: Ints, budgets: Sequence[float], among: Ints | None
) -> tuple[Ints, Ints] | None:
    """Choose year after year; None where a year's money does not do."""
    year = np.zeros(rows.size, dtype=np.int64)
    now = np.full(rows.size, LEAVE)
    spendable = 0.0
    for y, budget in enumerate(budgets, start=1):
        spendable += budget
        last = among is not None and y == len(budgets)
        try:
            then = (
                rows
                if last
                else _with(plans, now, y == len(budgets)).best(spendable, among=among, start=[now]).rows
            )
        except NoPlanError:
            return None
        year[(then >= 0) & (now == LEAVE)] = y
        now = then
    return now, year


def _with(plans: BasinPlans, rows: Ints, last: bool) -> BasinPlans:
    """Return the same where what was done before is forced; what is asked for must be there in the last year."""
    before, asked = rows[rows >= 0], plans.asked
    if last:
        forced, eventually = np.unique(np.concatenate([asked.forced, before])), asked.forced[:0]
    else:
        forced, eventually = before, np.setdiff1d(asked.forced, before)
    return plans.changed(asked=replace(asked, forced=forced, eventually=eventually))


def years_by_order(exact: ExactWorth, rows: Ints, sites: Ints, budgets: Sequence[float]) -> Ints:
    """Return the year in which each action can be paid when they are done one after the other, (sites,).

    Parameters
    ----------
    exact : ExactWorth
    rows : (sites,) int64
    sites : (k,) int64
        Sites where something is done, in order.
    budgets : sequence of float
        What each year has; what is left may be spent later.
    """
    spendable = np.cumsum(np.asarray(budgets, dtype=np.float64)) * (1.0 + ROUNDING)
    spent = np.cumsum(exact.actions.cost[rows[sites]])
    year = np.zeros(rows.size, dtype=np.int64)
    year[sites] = np.minimum(np.searchsorted(spendable, spent) + 1, len(budgets))
    return year


def in_order(plans: BasinPlans, rows: Ints, year: Ints) -> Ints:
    """Return the sites of a plan in the order in which to act, year by year.

    Within a year what brings most for each unit of cost beside what is done by then comes first; where nothing
    brings anything alone, as at the first of several structures on the way up, the lowest site comes first.
    """
    exact = plans.exact
    out: list[int] = []
    now = np.full(rows.size, LEAVE)
    depth = exact.graph.depth[np.maximum(exact.graph.of_site, 0)]
    for y in np.unique(year[rows >= 0]):
        left = np.flatnonzero((rows >= 0) & (year == y))
        while left.size:
            other = exact.alternatives(now, rows[left])
            other_site = other.site[other.row != LEAVE]
            worth, cost = (
                other.worth[other.row != LEAVE],
                np.maximum(exact.actions.cost[rows[other_site]], 1e-9),
            )
            merit = np.where(worth > 0.0, worth / cost, 0.0)
            first = np.lexsort((other_site, depth[other_site], -merit))[0]
            site = int(other_site[first])
            out.append(site)
            now[site] = rows[site]
            left = left[left != site]
    return np.array(out, dtype=np.int64)


def presumed(plans: BasinPlans, rows: Ints) -> list[list[int]]:
    """Return for each site of the sites table the sites below it where the plan does something; empty elsewhere."""
    graph = plans.exact.graph
    starts, below = graph.sites_below(len(rows))
    return [
        [int(s) for s in below[starts[i] : starts[i + 1]] if rows[s] >= 0] if rows[i] >= 0 else []
        for i in range(rows.size)
    ]
