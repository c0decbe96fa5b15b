"""Sites on the network: snapped to the nearest line, doubtful cases told, reaches split at them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network import kernels_ends, kernels_split
from barrierrank.network.direction import Directed
from barrierrank.problems import Problems

AT_END_M = 1e-3
"""A site this near the end of a piece [m] sits at that end: far below any survey's accuracy."""
LOOK_BEYOND = 10.0
"""How many tolerances from a site that is left off the nearest line is looked for."""
MOST_LOOKED_FOR = 500
"""For how many of these sites: a table of another region has them by the thousand."""
ONE_SPOT_M = 1.0
"""Two sites this near each other on one line [m] are told as standing on one spot."""


@dataclass(frozen=True, eq=False)
class SnapSettings:
    """How sites find their line.

    Parameters
    ----------
    tolerance_m : float
        Greatest distance [m] from a site to its line.
    ambiguous_m : float
        A second stream that is no more than this [m] farther than the nearest one is told.
    area_ratio : float
        A drainage area that differs from the line's by more than this factor is told.
    """

    tolerance_m: float
    ambiguous_m: float
    area_ratio: float


@dataclass(frozen=True, eq=False)
class Snapped:
    """Where the sites are, in the order of their table.

    Parameters
    ----------
    line : (s,) int64
        Line each site was snapped to; -1 where none is near enough.
    measure : (s,) float64
        Place on the line [m from its start]; NaN where there is no line.
    distance : (s,) float64
        How far the site was moved [m]; NaN likewise.
    """

    line: NDArray[np.int64]
    measure: NDArray[np.float64]
    distance: NDArray[np.float64]


def snap_sites(
    flow: Directed, table: LineTable, sites: SiteTable, settings: SnapSettings, problems: Problems
) -> Snapped:
    """Snap each site to the nearest line and tell what looks doubtful.

    A site with no line within the tolerance is left off the network and told. Equally near lines are decided by
    their place on the map, and told.
    """
    count = sites.x.size
    lines = flow.polylines
    point, line, distance, measure = lines.near((sites.x, sites.y), settings.tolerance_m)
    used = np.zeros(len(lines), dtype=np.bool_)
    used[flow.line] = True
    keep = used[line]
    point, line, distance, measure = point[keep], line[keep], distance[keep], measure[keep]
    best = kernels_ends.two_nearest(count, point, distance, line)
    found = best[:, 0] >= 0
    chosen = best[found, 0]
    snapped = Snapped(np.full(count, -1, dtype=np.int64), np.full(count, np.nan), np.full(count, np.nan))
    snapped.line[found], snapped.measure[found] = line[chosen], measure[chosen]
    snapped.distance[found] = distance[chosen]
    _tell_far(flow, table, sites, np.flatnonzero(~found), settings, problems)
    second = np.where(best[:, 1] >= 0, best[:, 1], 0)
    rival = (best[:, 1] >= 0) & found
    if rival.any():
        rival &= distance[second] - np.where(found, snapped.distance, 0.0) <= settings.ambiguous_m
        _tell_ambiguous(
            flow, table, sites, snapped, np.flatnonzero(rival), (line[second], distance[second]), problems
        )
    _tell_disagreement(flow, table, sites, snapped, (point, line), settings, problems)
    _tell_one_spot(sites, snapped, problems)
    return snapped


def _tell_far(
    flow: Directed, table: LineTable, sites: SiteTable, which: NDArray[np.int64], settings: SnapSettings,
    problems: Problems,
) -> None:  # fmt: skip
    """Tell sites with no line within the tolerance, and how far the nearest one is where it is not far beyond."""
    if which.size == 0:
        return
    reach, first = LOOK_BEYOND * max(settings.tolerance_m, ONE_SPOT_M), which[:MOST_LOOKED_FOR]
    point, line, distance, _ = flow.polylines.near((sites.x[first], sites.y[first]), reach)
    keep = np.isin(line, flow.line)
    point, line, distance = point[keep], line[keep], distance[keep]
    best = kernels_ends.two_nearest(first.size, point, distance, line)[:, 0]
    for k, i in enumerate(which):
        nearest = "" if k >= first.size else f" (none within {reach:,.0f} m either)"
        if k < first.size and best[k] >= 0:
            name = table.source_id[flow.row[line[best[k]]]]
            nearest = f" (the nearest, {name}, is {distance[best[k]]:,.0f} m away)"
        problems.warning(
            "site_far",
            f"row {sites.row[i]}, {_called(sites, i)}: no stream line within {settings.tolerance_m:g} m"
            f"{nearest}; it is left off the network",
            where=sites.label,
            ids=[sites.site[i]],
            place=(float(sites.x[i]), float(sites.y[i])),
            remedy="correct its coordinates, raise snap_tolerance_m, or add the missing line",
        )


def _called(sites: SiteTable, i: int | np.integer[Any]) -> str:
    """Return how a message calls a site: by its id, and its name where it has another one."""
    name = str(sites.name[i]).strip()
    return f"site {sites.site[i]}" + (f" ({name})" if name and name != sites.site[i] else "")


def tell_none_near(
    sites: SiteTable, snapped: Snapped | None, places: tuple[NDArray[np.float64], NDArray[np.float64]],
    tolerance_m: float, problems: Problems,
) -> None:  # fmt: skip
    """Add an error where not one site is near a line: then it is the coordinates, not the sites.

    Parameters
    ----------
    sites : SiteTable
    snapped : Snapped or None
    places : (x, y)
        Places of the nodes of the network [m].
    tolerance_m : float
        Greatest distance from a site to its line [m].
    problems : Problems
    """
    if snapped is None or (snapped.line >= 0).any():
        return
    x, y = np.nanmedian(places[0]), np.nanmedian(places[1])
    problems.error(
        "no_site_on_network",
        f"none of the {len(sites):,} site(s) lies within {tolerance_m:g} m of a stream line: the middle of the sites "
        f"is at ({np.median(sites.x):.0f}, {np.median(sites.y):.0f}), that of the streams at ({x:.0f}, {y:.0f})",
        where=sites.label,
        remedy="check x, y and crs in [sites] and the CRS of the streams, or raise snap_tolerance_m",
    )


def _tell_ambiguous(
    flow: Directed, table: LineTable, sites: SiteTable, snapped: Snapped, which: NDArray[np.int64],
    second: tuple[NDArray[np.int64], NDArray[np.float64]], problems: Problems,
) -> None:  # fmt: skip
    other, apart = second
    in_row = _Continues(flow)
    for i in which:
        mine, rival = snapped.line[i], other[i]
        if in_row(mine, rival):
            continue  # one stream drawn in two lines
        a, b = (table.source_id[flow.row[k]] for k in (mine, rival))
        if a == b:
            continue
        problems.warning(
            "site_ambiguous",
            f"row {sites.row[i]}, {_called(sites, i)}: line {b} ({apart[i]:.1f} m) is almost as near as "
            f"line {a} ({snapped.distance[i]:.1f} m), which was taken",
            where=sites.label,
            ids=[sites.site[i]],
            place=(float(sites.x[i]), float(sites.y[i])),
            remedy="check on the map that it sits on the right stream; move its coordinates onto it",
        )


class _Continues:
    """Tells of two lines whether one continues the other at a node where nothing else meets."""

    def __init__(self, flow: Directed) -> None:
        degree = np.bincount(np.concatenate([flow.tail, flow.head]), minlength=flow.x.size)
        first = np.append(True, flow.line[1:] != flow.line[:-1])
        last = np.append(flow.line[1:] != flow.line[:-1], True)
        self.degree = degree
        self.ends = np.full((len(flow.polylines), 2), -1, dtype=np.int64)
        self.ends[flow.line[first], 0] = np.where(flow.backward, flow.head, flow.tail)[first]
        self.ends[flow.line[last], 1] = np.where(flow.backward, flow.tail, flow.head)[last]

    def __call__(self, a: int, b: int) -> bool:
        shared = set(self.ends[a].tolist()) & set(self.ends[b].tolist()) - {-1}
        return any(self.degree[node] == 2 for node in shared)


def _tell_disagreement(
    flow: Directed, table: LineTable, sites: SiteTable, snapped: Snapped,
    near: tuple[NDArray[np.int64], NDArray[np.int64]], settings: SnapSettings, problems: Problems,
) -> None:  # fmt: skip
    """Tell sites whose stream name or drainage area is not that of their line."""
    on = snapped.line >= 0
    row = flow.row[np.where(on, snapped.line, 0)]
    if sites.stream is not None and table.name is not None:
        mine, lines = _folded(sites.stream), _folded(table.name)
        for i in np.flatnonzero(on & (mine != "") & (lines[row] != "") & (mine != lines[row])):
            others = near[1][near[0] == i]
            hint = [table.source_id[flow.row[k]] for k in others if lines[flow.row[k]] == mine[i]]
            told = f"; line {hint[0]} within the tolerance has that name" if hint else ""
            problems.warning(
                "site_stream_name",
                f"row {sites.row[i]}, {_called(sites, i)}: its stream is {sites.stream[i]!s}, but line "
                f"{table.source_id[row[i]]} is {table.name[row[i]]!s}{told}",
                where=sites.label,
                ids=[sites.site[i]],
                place=(float(sites.x[i]), float(sites.y[i])),
                remedy="correct the name or move the site onto its stream",
            )
    if sites.drainage_area_km2 is not None and table.drainage_area_km2 is not None:
        ratio = sites.drainage_area_km2 / table.drainage_area_km2[row]
        off = on & (ratio > 0) & np.isfinite(ratio)
        off &= (ratio > settings.area_ratio) | (ratio < 1.0 / settings.area_ratio)
        for i in np.flatnonzero(off):
            problems.warning(
                "site_drainage_area",
                f"row {sites.row[i]}, {_called(sites, i)}: drainage area {sites.drainage_area_km2[i]:g} km2, but "
                f"line {table.source_id[row[i]]} drains {table.drainage_area_km2[row[i]]:g} km2",
                where=sites.label,
                ids=[sites.site[i]],
                place=(float(sites.x[i]), float(sites.y[i])),
                remedy="check that it sits on the right stream",
            )


def _folded(names: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return names for comparing: case and outer blanks do not count, missing is empty."""
    return np.array([n.strip().casefold() if isinstance(n, str) else "" for n in names], dtype=object)


def _tell_one_spot(sites: SiteTable, snapped: Snapped, problems: Problems) -> None:
    order = np.lexsort((snapped.measure, snapped.line))
    line, measure = snapped.line[order], snapped.measure[order]
    close = (line[1:] == line[:-1]) & (line[1:] >= 0) & (np.diff(measure) <= ONE_SPOT_M)
    for k in np.flatnonzero(close):
        i, j = order[k], order[k + 1]
        problems.warning(
            "sites_on_one_spot",
            f"rows {sites.row[i]} and {sites.row[j]}: {_called(sites, i)} and {_called(sites, j)} stand on one spot; "
            "a fish must pass both",
            where=sites.label,
            ids=[sites.site[i], sites.site[j]],
            place=(float(sites.x[i]), float(sites.y[i])),
            remedy="keep one of them if they are one structure",
        )


@dataclass(frozen=True, eq=False)
class Split:
    """Reaches after the split: pieces of `Directed`, cut at sites, in the order of the pieces and downstream.

    Parameters
    ----------
    piece : (r,) int64
    start, end : (r,) float64
        Measures on the line [m], as drawn.
    tail, head : (r,) int64
        Nodes, new ones at sites included.
    site : (r,) int64
        Site at the foot of the reach, -1 for none.
    x, y : (nodes,) float64
    """

    piece: NDArray[np.int64]
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    tail: NDArray[np.int64]
    head: NDArray[np.int64]
    site: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]


def split_at_sites(flow: Directed, snapped: Snapped, names: NDArray[np.object_]) -> Split:
    """Cut the pieces at their sites; every site comes to sit at the foot of one reach.

    Sites on one spot follow each other by their names, with a reach of no length between them.
    """
    on = np.flatnonzero(snapped.line >= 0)
    measure = snapped.measure[on]
    piece = kernels_split.locate(flow.line, flow.end, snapped.line[on], measure)
    length = flow.end - flow.start
    from_start = np.clip(measure - flow.start[piece], 0.0, length[piece])
    place = np.where(flow.backward[piece], length[piece] - from_start, from_start)
    place[place <= AT_END_M] = 0.0
    at_foot = place >= length[piece] - AT_END_M
    place[at_foot] = length[piece][at_foot]
    _, by_name = np.unique(names[on], return_inverse=True)
    order = np.lexsort((by_name.ravel(), place, piece))
    site, piece, place, at_foot = on[order], piece[order], place[order], at_foot[order]
    points = flow.polylines.at(snapped.line[site], snapped.measure[site])
    of_piece, start, end, tail, head, at_foot_of, fresh = kernels_split.cut_at_sites(
        (flow.tail, flow.head, flow.start, flow.end, flow.backward),
        (piece, place, site, at_foot),
        flow.x.size,
    )
    nodes = np.concatenate([np.column_stack([flow.x, flow.y]), points[fresh]])
    return Split(of_piece, start, end, tail, head, at_foot_of, nodes[:, 0].copy(), nodes[:, 1].copy())
