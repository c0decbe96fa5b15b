"""What each action does and costs: gains, treatment, present worth, term by term."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.access.graph import AccessGraph, Sweep
from barrierrank.inputs.actions import ActionTable
from barrierrank.jit import SMALL, each
from barrierrank.project import EconomySpec, TreatmentSpec
from barrierrank.worth.finance import cost_terms, discount_weights, expected_passability, failed_share
from barrierrank.worth.treatment import Ground, treatment_saved

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SpeciesStake:
    """One species: what it is worth and what it meets.

    Parameters
    ----------
    key, role : str
    value : float
        Per unit of accessible habitat and year.
    passability : (sites,) float64
        Of today's structures as long as they stand.
    after : (a,) float64
        Of the site after each action, as long as what was built stands.
    habitat : (e,) float64
        Drawn together to elements.
    treatment : TreatmentSpec or None
    ground : Ground or None
        For the treatment.
    """

    key: str
    role: str
    value: float
    passability: Floats
    after: Floats
    habitat: Floats
    treatment: TreatmentSpec | None = None
    ground: Ground | None = None


@dataclass(frozen=True, eq=False)
class Years:
    """How structures age over the horizon.

    Parameters
    ----------
    failed_today : (sites, t) float64
        Share of today's structures expected to have failed; t is 1 where nothing ever fails.
    failed_after : (a, t) float64
        Likewise after each action.
    weights : (t, 2) float64
        Columns: mean over the horizon, and present worth.
    """

    failed_today: Floats
    failed_after: Floats
    weights: Floats


def years_of(failure_today: Floats, failure_after: Floats, life_years: Floats, economy: EconomySpec) -> Years:
    """Work out how structures age; one column stands for all years where nothing fails.

    Parameters
    ----------
    failure_today : (sites,) float64
        Annual probability that today's structure fails.
    failure_after : (a,) float64
        Likewise for what an action leaves.
    life_years : (a,) float64
        Life of what an action builds, after which it is built anew; NaN for never.
    economy : EconomySpec
    """
    horizon = economy.horizon_years
    discount = discount_weights(economy.discount_rate, horizon)
    if not failure_today.any() and not failure_after.any():
        weights = np.array([[1.0, discount.sum()]])
        return Years(np.zeros((failure_today.size, 1)), np.zeros((failure_after.size, 1)), weights)
    return Years(
        failed_share(failure_today, horizon_years=horizon),
        failed_share(failure_after, horizon_years=horizon, life_years=life_years),
        np.column_stack([np.full(horizon, 1.0 / horizon), discount]),
    )


@dataclass(frozen=True, eq=False)
class Change:
    """What each action alone changes for one species.

    Parameters
    ----------
    gain : (a,) float64
        Accessible habitat, mean over the horizon.
    worth : (a,) float64
        Present worth of its value.
    treatment_saved : (a,) float64
        Present worth of the treatment it saves.
    """

    gain: Floats
    worth: Floats
    treatment_saved: Floats


def change_for(graph: AccessGraph, site: Ints, stake: SpeciesStake, years: Years) -> Change:
    """Work out what each action alone changes for one species, structures ageing meanwhile.

    Parameters
    ----------
    graph : AccessGraph
    site : (a,) int64
        Site of each action.
    stake : SpeciesStake
    years : Years
    """
    sweep: Sweep = graph.sweep(expected_passability(stake.passability, years.failed_today))
    after = expected_passability(stake.after, years.failed_after)
    gated = graph.gated(stake.habitat, sweep)
    effect = graph.effects(site, after, years.weights, sweep, (gated,))[0]
    saved = np.zeros(site.size)
    if stake.treatment is not None and stake.ground is not None:
        saved = treatment_saved(
            graph, sweep, stake.ground, stake.treatment, (site, after), years.weights[:, 1].copy()
        )
    return Change(effect[:, 0], stake.value * effect[:, 1], saved)


def action_terms(
    graph: AccessGraph,
    actions: ActionTable,
    stakes: Sequence[SpeciesStake],
    years: Years,
    economy: EconomySpec,
) -> pd.DataFrame:
    """Return a row per action, in the order of the actions table, with every term its standing is made of.

    Parameters
    ----------
    graph : AccessGraph
    actions : ActionTable
    stakes : sequence of SpeciesStake
    years : Years
    economy : EconomySpec

    Returns
    -------
    DataFrame
        Columns `site_index`, `action`, `cost`, `cost_capital`, `cost_upkeep`, `cost_replacement`,
        `present_worth_cost` [money], per species `gain_<sp>` (habitat, mean over the horizon) and `worth_<sp>`,
        `treatment_saved`, `benefit`, `net_benefit` (NaN where values are points), `benefit_per_cost` (inf where
        something is gained for nothing).
    """
    site = actions.site_index
    costs = cost_terms(
        actions.cost, actions.upkeep, actions.life_years,
        rate=economy.discount_rate, horizon_years=economy.horizon_years,
    )  # fmt: skip
    columns: dict[str, Floats] = {
        "cost": actions.cost,
        "present_worth_cost": costs.total,
        "cost_capital": costs.capital,
        "cost_upkeep": costs.upkeep,
        "cost_replacement": costs.replacement,
    }
    saved, benefit = np.zeros(site.size), np.zeros(site.size)
    _ = graph.frontier  # worked out once, before the species are looked at side by side
    changes = each(lambda s: change_for(graph, site, s, years), stakes, threads=len(graph) >= SMALL)
    for stake, change in zip(stakes, changes, strict=True):
        columns[f"gain_{stake.key}"] = change.gain
        columns[f"worth_{stake.key}"] = change.worth
        saved += change.treatment_saved
        benefit += change.worth + change.treatment_saved
    columns["treatment_saved"] = saved
    columns["benefit"] = benefit
    columns["net_benefit"] = benefit - costs.total if economy.currency else np.full(site.size, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        columns["benefit_per_cost"] = benefit / costs.total
    return pd.DataFrame({"site_index": site, "action": actions.action, **columns})
