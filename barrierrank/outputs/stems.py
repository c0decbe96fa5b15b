"""The way up each main stem, from its outlet to its headwater: elevation, quality, sites."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.habitat.build import ReachHabitat
from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network.model import RiverNetwork
from barrierrank.outputs.model import StemProfile, StemSite
from barrierrank.project import Project

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

MOST_STEMS = 12
"""Main stems at the most: the longest."""


def stem_profiles(
    project: Project, network: RiverNetwork, tables: tuple[LineTable, SiteTable], habitat: ReachHabitat,
    sites: gpd.GeoDataFrame,
) -> tuple[StemProfile, ...]:  # fmt: skip
    """Return the profiles of the longest main stems, one an outlet; none where there are no elevations.

    A main stem goes up from the outlet by the reach with most stream above it at every junction.

    Parameters
    ----------
    project : Project
    network : RiverNetwork
    tables : lines and sites
    habitat : ReachHabitat
    sites : GeoDataFrame
        The `sites` table, for ranks.
    """
    if habitat.known.profile is None:
        return ()
    stems = sorted(main_stems(network), key=lambda stem: (-float(network.length_m[stem].sum()), int(stem[0])))
    return tuple(_profile(project, network, tables, habitat, sites, stem) for stem in stems[:MOST_STEMS])


def main_stems(network: RiverNetwork) -> list[Ints]:
    """Return the reaches of each outlet's main stem, upwards."""
    size = network.upstream_m
    by_size = np.lexsort((np.arange(len(network)), size))
    above = np.full(network.nodes, -1, dtype=np.int64)
    above[network.head[by_size]] = by_size  # the last one written to a node has most above it
    stems = []
    for node in np.flatnonzero(network.entry):
        way = []
        reach = int(above[node])
        while reach >= 0:
            way.append(reach)
            node_above = int(network.tail[reach])
            reach = -1 if network.entry[node_above] else int(above[node_above])
        if way:
            stems.append(np.array(way, dtype=np.int64))
    return stems


def _profile(
    project: Project, network: RiverNetwork, tables: tuple[LineTable, SiteTable], habitat: ReachHabitat,
    sites: gpd.GeoDataFrame, stem: Ints,
) -> StemProfile:  # fmt: skip
    profile = habitat.known.profile
    assert profile is not None
    distance, elevation = [], []
    quality: dict[str, list[Floats]] = {s.key: [] for s in project.species if s.habitat in s.stages}
    foot, at = 0.0, {}
    for reach in stem:
        part = slice(profile.offsets[reach], profile.offsets[reach + 1])
        length = float(network.length_m[reach])
        at[int(reach)] = (foot, float(profile.bottom_m[reach]))
        distance.append(foot + (length - profile.distance_m[part])[::-1])
        elevation.append(profile.smoothed_m[part][::-1])
        for s in project.species:
            if s.key in quality:
                value = habitat.stages[s.key, s.habitat].quality[reach]
                quality[s.key].append(np.full(distance[-1].size, value))
        foot += length
    return StemProfile(
        name=_name(tables[0], network, stem),
        outlet=int(network.outlet[stem[0]]),
        distance_m=np.concatenate(distance),
        elevation_m=np.concatenate(elevation),
        quality={key: np.concatenate(parts) for key, parts in quality.items()},
        sites=_sites_on(network, tables[1], sites, at),
    )


def _name(lines: LineTable, network: RiverNetwork, stem: Ints) -> str:
    """Return the name that most of the stem's length has, or words for a stem without one."""
    if lines.name is not None:
        names = pd.Series(network.length_m[stem]).groupby(lines.name[network.row[stem]].astype(str)).sum()
        names = names[names.index != ""]
        if len(names):
            return str(names.idxmax())
    return f"stream of outlet {int(network.outlet[stem[0]])}"


def _sites_on(
    network: RiverNetwork, sites: SiteTable, frame: gpd.GeoDataFrame, at: dict[int, tuple[float, float]]
) -> tuple[StemSite, ...]:
    rank = frame["best_rank"]
    found = []
    for reach, (distance, elevation) in at.items():
        site = int(network.site[reach])
        if site >= 0:
            best = None if pd.isna(rank.iloc[site]) else int(rank.iloc[site])
            found.append(
                StemSite(
                    str(sites.site[site]),
                    str(sites.name[site]),
                    str(sites.kind[site]),
                    distance,
                    elevation,
                    best,
                )
            )
    return tuple(found)
