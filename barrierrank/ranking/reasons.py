"""Why an action changes nothing, in words that the list can print."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.access.graph import NOWHERE, AccessGraph, Sweep
from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.project import SpeciesSpec


def reasons_of_no_effect(
    terms: pd.DataFrame,
    graph: AccessGraph,
    tables: tuple[SiteTable, ActionTable],
    species: Sequence[SpeciesSpec],
    sweeps: Sequence[Sweep],
) -> npt.NDArray[np.object_]:
    """Return for each action why it changes nothing, ``""`` where it does change something.

    Parameters
    ----------
    terms : DataFrame
        From :func:`barrierrank.worth.terms.action_terms`, a row per action in the order of the actions table.
    graph : AccessGraph
    tables : sites and actions
    species : sequence of SpeciesSpec
    sweeps : sequence of Sweep
        Access as things are, one per species.
    """
    sites, actions = tables
    still = (terms[[f"gain_{s.key}" for s in species]].to_numpy() == 0.0).all(axis=1)
    out = np.full(len(terms), "", dtype=object)
    for row in np.flatnonzero(still):
        site = int(actions.site_index[row])
        element = int(graph.of_site[site])
        if element < 0:
            out[row] = "the site is not on the network"
            continue
        same = actions.passability[row] == sites.passability[site]
        # what is open already stays open when it fails
        same_risk = actions.failure_probability[row] == sites.failure_probability[site]
        same &= same_risk | (sites.passability[site] >= 1.0)
        below = int(graph.parent[graph.first[element]])
        if same.all():
            out[row] = "it leaves every passability as it is"
        elif graph.gate[element] == NOWHERE or below == NOWHERE:
            out[row] = "no run from the receiving water gets to this stream"
        elif all(sweep.access[below, 0] == 0.0 for sweep in sweeps):
            out[row] = _stopped_below(graph, sites, below, sweeps)
        else:
            out[row] = "there is no habitat above it that any species could gain or lose"
    return out


def gains_by_failing(actions: ActionTable, sites: SiteTable, gains: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Tell which gains come of failing alone: the sound structure lets no more fish past than today's does.

    Parameters
    ----------
    actions : ActionTable
        Of a actions.
    sites : SiteTable
    gains : (a, S) float64
        Change of accessible habitat [unit of the species].

    Returns
    -------
    (a, S) bool
    """
    return (gains > 0.0) & (actions.passability <= sites.passability[actions.site_index])


def _stopped_below(graph: AccessGraph, sites: SiteTable, element: int, sweeps: Sequence[Sweep]) -> str:
    """Name the nearest site below that alone stops every species, where there is one."""
    while element > NOWHERE:
        site = int(graph.site[element])
        if site >= 0 and all(sweep.passability[site, 0] == 0.0 for sweep in sweeps):
            return f"site {sites.site[site]} below already stops every species"
        element = int(graph.gate[element])
    return "what stands below already stops every species"
