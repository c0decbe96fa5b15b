"""From arrays to the tables that are written: reaches, sites, problems, the receiving water."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from barrierrank.access.graph import AccessGraph, Sweep
from barrierrank.habitat.build import ReachHabitat
from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.outlets import OutletTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network.build import Built
from barrierrank.network.model import RiverNetwork
from barrierrank.outputs.columns_intervals import INTERVAL_COLUMNS
from barrierrank.outputs.columns_learning import HINGES_ON
from barrierrank.problems import Problems
from barrierrank.project import DisplaySpec, Project, SpeciesSpec

Floats = NDArray[np.float64]


def state_of(access: Floats, habitat: Floats, display: DisplaySpec) -> NDArray[np.object_]:
    """Return the words for access: open, partial, blocked, or none where there is no habitat.

    Parameters
    ----------
    access, habitat : (n,) float64
    display : DisplaySpec
        With the limits `open_from` and `blocked_below`; access of 0 always is blocked.
    """
    words = np.full(access.size, "partial", dtype=object)
    words[access >= display.open_from] = "open"
    words[(access < display.blocked_below) | (access <= 0.0)] = "blocked"
    words[~(habitat > 0.0)] = "none"
    return words


def reaches_frame(
    project: Project, network: RiverNetwork, lines: LineTable, graph: AccessGraph, habitat: ReachHabitat,
    sweeps: tuple[Sweep, ...],
) -> gpd.GeoDataFrame:  # fmt: skip
    """Return the `reaches` table; reaches are numbered from 1.

    Parameters
    ----------
    habitat : ReachHabitat
    sweeps : tuple of Sweep
        Of today, one per species.
    """
    downstream = pd.array(network.downstream + 1, dtype="Int64")
    downstream[network.downstream < 0] = pd.NA
    columns: dict[str, object] = {
        "reach": np.arange(1, len(network) + 1),
        "source_id": lines.source_id[network.row],
        "downstream": downstream,
        "outlet": network.outlet,
        "length_m": network.length_m,
        "strahler": network.strahler,
        "upstream_km": network.upstream_m / 1000.0,
    }
    if lines.name is not None:
        columns["stream"] = lines.name[network.row]
    for k, spec in enumerate(project.species):
        access = sweeps[k].access[graph.of_reach, 0]
        columns[f"habitat_{spec.key}"] = habitat.amount[:, k]
        columns[f"access_{spec.key}"] = access
        columns[f"state_{spec.key}"] = state_of(access, habitat.amount[:, k], project.display)
    columns |= _quality_columns(project, habitat)
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=network.geometry(), crs=project.basin.crs)


def _quality_columns(project: Project, habitat: ReachHabitat) -> dict[str, object]:
    """Return what the reaches are like, where habitat is judged by curves and surveys."""
    columns: dict[str, object] = {}
    known = habitat.known
    if known.gradient is not None:
        columns["gradient"] = known.gradient
    if known.width_m is not None and habitat.stages:
        columns["width_m"] = known.width_m
    for spec in project.species:
        for stage in spec.stages:
            columns[f"habitat_{spec.key}_{stage}"] = habitat.stages[spec.key, stage].amount
        if spec.habitat in spec.stages:
            made = habitat.stages[spec.key, spec.habitat]
            words = np.array(["", *made.reasons[1:]], dtype=object)
            columns[f"quality_{spec.key}"] = made.quality
            columns[f"limited_by_{spec.key}"] = words[made.limited_by]
            columns[f"surveyed_{spec.key}"] = habitat.surveyed[spec.key, spec.habitat]
    return columns | {f"missing_{name}": share for name, share in known.missing.items()}


def sites_frame(
    project: Project, built: Built, sites: SiteTable, graph: AccessGraph, habitat: ReachHabitat,
    today: tuple[tuple[Sweep, ...], tuple[Floats, ...]], priority: pd.DataFrame,
) -> gpd.GeoDataFrame:  # fmt: skip
    """Return the `sites` table; sites off the network have no reach and no amounts.

    Parameters
    ----------
    habitat : ReachHabitat
    today : sweeps, gated habitat
        Of today, one per species.
    priority : DataFrame
        The ranked list, for the best rank and action of each site.
    """
    network = built.network
    reach = network.site_reach(len(sites))
    on = reach >= 0
    above = _at(network.upstream_sum(habitat.amount), reach)
    to_next = _at(network.upstream_sum(habitat.amount, stop_at_sites=True), reach)
    number = pd.array(reach + 1, dtype="Int64")
    number[~on] = pd.NA
    columns: dict[str, object] = {
        "site": sites.site,
        "name": sites.name,
        "kind": sites.kind,
        "snap_m": np.full(len(sites), np.nan) if built.snapped is None else built.snapped.distance,
        "reach": number,
        "upstream_km": _at(network.upstream_m[:, None], reach)[:, 0] / 1000.0,
    }
    for k, spec in enumerate(project.species):
        columns[f"passability_{spec.key}"] = sites.passability[:, k]
        columns[f"habitat_above_{spec.key}"] = above[:, k]
        columns[f"habitat_to_next_{spec.key}"] = to_next[:, k]
        blocked = graph.blocked(today[0][k], today[1][k])
        columns[f"blocked_{spec.key}"] = np.where(on, blocked, np.nan)
    columns |= _best_of(sites, priority)
    return gpd.GeoDataFrame(
        pd.DataFrame(columns), geometry=gpd.points_from_xy(sites.x, sites.y), crs=project.basin.crs
    )


def priority_frame(ranked: pd.DataFrame, species: Sequence[SpeciesSpec]) -> pd.DataFrame:
    """Return the priority list with its columns in the order of reading: what decides, how sure it is, why, the rest.

    Parameters
    ----------
    ranked : DataFrame
        From :func:`barrierrank.ranking.order.rank_actions`, with `why`; with the columns of the draws where
        uncertainty is worked out.
    species : sequence of SpeciesSpec
    """
    gains = [f"gain_{s.key}" for s in species]
    first = ["rank", "site", "name", "action", "purpose", "cost", "present_worth_cost", *gains]
    first += ["treatment_saved", "net_benefit", "benefit_per_cost", "best"]
    first += [c for c in INTERVAL_COLUMNS if c in ranked]
    first += ["why", "note", *([HINGES_ON] if HINGES_ON in ranked else [])]
    first += [f"passability_{s.key}" for s in species]
    return ranked[[*first, *(c for c in ranked.columns if c not in first)]]


def _at(values: Floats, reach: NDArray[np.int64]) -> Floats:
    """Return rows of `values`, NaN where the reach is -1."""
    out = np.full((reach.size, values.shape[1]), np.nan)
    on = reach >= 0
    out[on] = values[reach[on]]
    return out


def _best_of(sites: SiteTable, priority: pd.DataFrame) -> dict[str, object]:
    """Return the best rank and action of each site; none where leaving it as it is is best."""
    best = priority[priority["best"]].drop_duplicates("site").set_index("site")
    known = best.reindex(sites.site)
    return {
        "best_rank": known["rank"].astype("Int64").array,
        "best_action": known["action"].fillna("").to_numpy(dtype=object),
    } if len(best) else {
        "best_rank": pd.array([pd.NA] * len(sites), dtype="Int64"),
        "best_action": np.full(len(sites), "", dtype=object),
    }  # fmt: skip


def problems_frame(problems: Problems, crs: str) -> gpd.GeoDataFrame:
    """Return the `problems` table: a row each, with its place where it has one."""
    rows = [
        (p.severity, p.kind, p.where, ", ".join(p.ids), p.message, p.remedy)
        for p in problems
    ]  # fmt: skip
    places = [None if p.place is None else shapely.Point(*p.place) for p in problems]
    table = pd.DataFrame(
        rows, columns=["severity", "kind", "where", "ids", "message", "remedy"], dtype=object
    )
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(places, dtype="geometry"), crs=crs)


def receiving_frame(outlets: OutletTable | None, crs: str) -> gpd.GeoDataFrame | None:
    """Return the polygons of the receiving water, None where there are none."""
    if outlets is None or outlets.polygons.size == 0:
        return None
    return gpd.GeoDataFrame(geometry=gpd.GeoSeries(list(outlets.polygons)), crs=crs)
