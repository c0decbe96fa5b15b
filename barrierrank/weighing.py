"""What every action is worth: access as things are, the dates of seasonal crests, the terms of the list."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.access.graph import Sweep
from barrierrank.basin import Basin
from barrierrank.inputs.actions import ActionTable
from barrierrank.project import Project
from barrierrank.ranking.purpose import purposes
from barrierrank.ranking.reasons import gains_by_failing
from barrierrank.ranking.seasons import SeasonChoice, choose_dates, date_words, repeated
from barrierrank.worth.terms import SpeciesStake, action_terms, years_of
from barrierrank.worth.treatment import Ground, ground_of


@dataclass(frozen=True, eq=False)
class Today:
    """Access of each species as things are.

    Parameters
    ----------
    sweeps : tuple of Sweep
        One per species, one column each.
    gated : tuple of (e, 1) float64
        Habitat each element gates.
    grounds : tuple of Ground or None
        What treatment is reckoned on, for species with a treatment.
    """

    sweeps: tuple[Sweep, ...]
    gated: tuple[NDArray[np.float64], ...]
    grounds: tuple[Ground | None, ...]


def as_it_is(project: Project, basin: Basin) -> Today:
    """Work out access as things are."""
    graph, network = basin.graph, basin.built.network
    sweeps, gated, grounds = [], [], []
    for k, spec in enumerate(project.species):
        sweep = graph.sweep(basin.inputs.sites.passability[:, [k]])
        sweeps.append(sweep)
        gated.append(graph.gated(graph.amounts(basin.habitat.counted[:, k]), sweep))
        flow = basin.inputs.lines.discharge_m3s
        discharge = None if flow is None else basin.habitat.at_source(spec.key, flow[network.row], k)
        grounds.append(
            ground_of(graph, basin.habitat.counted[:, k], discharge, network.outlet)
            if spec.treatment
            else None
        )
    return Today(tuple(sweeps), tuple(gated), tuple(grounds))


def _plain_terms(project: Project, basin: Basin, today: Today, actions: ActionTable) -> pd.DataFrame:
    """Work out the terms of some actions."""
    sites = basin.inputs.sites
    years = years_of(
        sites.failure_probability, actions.failure_probability, actions.life_years, project.economy
    )
    return action_terms(basin.graph, actions, stakes_of(project, basin, today, actions), years, project.economy)


def stakes_of(project: Project, basin: Basin, today: Today, actions: ActionTable) -> list[SpeciesStake]:
    """Return what each species has at stake in some actions."""
    sites = basin.inputs.sites
    return [
        SpeciesStake(
            spec.key, spec.role, spec.value, sites.passability[:, k], actions.passability[:, k],
            basin.graph.amounts(basin.habitat.counted[:, k]), spec.treatment, today.grounds[k],
        )
        for k, spec in enumerate(project.species)
    ]  # fmt: skip


def with_best_dates(project: Project, basin: Basin, today: Today) -> tuple[Basin, list[SeasonChoice]]:
    """Find the dates of seasonal crests that have none, and reckon with them.

    Returns
    -------
    basin : Basin
        With the passabilities of the dates found.
    choices : list of SeasonChoice
    """
    work, actions = basin.passage, basin.inputs.actions
    if work.measured is None or not work.after.undated.size:
        return basin, []

    def worth_of(action: int, p: NDArray[np.float64]) -> NDArray[np.float64]:
        same = repeated(actions, action, p)
        return _plain_terms(project, basin, today, same)["benefit"].to_numpy(dtype=np.float64)

    choices = choose_dates(work.after, work.measured, project.species, worth_of)
    p = actions.passability.copy()
    note = actions.note.copy()
    for choice in choices:
        free = ~work.after.fixed[choice.action]
        p[choice.action, free] = choice.p[free]
        said = f"dates found: {date_words(choice.up, choice.down)} (of equal ones the longest, for margin)"
        note[choice.action] = f"{note[choice.action]}; {said}" if note[choice.action] else said
    return replace(basin, inputs=replace(basin.inputs, actions=replace(actions, passability=p, note=note))), choices


def terms_of(project: Project, basin: Basin, today: Today) -> pd.DataFrame:
    """Work out every action's terms; see :func:`barrierrank.worth.terms.action_terms`."""
    sites, actions = basin.inputs.sites, basin.inputs.actions
    terms = _plain_terms(project, basin, today, actions)
    site = terms.pop("site_index").to_numpy()
    terms.insert(0, "site", sites.site[site])
    terms.insert(1, "name", sites.name[site])
    roles = [s.role for s in project.species]
    gains = terms[[f"gain_{s.key}" for s in project.species]].to_numpy()
    failing = gains_by_failing(actions, sites, gains)  # nobody builds a thing for the day it fails
    terms.insert(
        3, "purpose", purposes(np.where(failing, 0.0, gains), roles, habitat=basin.habitat.amount.sum(axis=0))
    )
    for k, spec in enumerate(project.species):
        terms[f"failing_{spec.key}"] = failing[:, k]
        terms[f"passability_{spec.key}"] = actions.passability[:, k]
    terms["note"] = actions.note
    return terms
