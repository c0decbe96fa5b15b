"""From lines and sites to a :class:`~barrierrank.network.model.RiverNetwork`, with everything mended listed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.outlets import OutletTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network import outlets as mouths
from barrierrank.network.circles import tell_cycles
from barrierrank.network.clean import CleanLines, clean_lines
from barrierrank.network.direction import (
    Directed,
    direct_as_drawn,
    direct_by_elevation,
    direct_by_nodes,
    direct_from_outlets,
)
from barrierrank.network.model import RiverNetwork
from barrierrank.network.noding import Pieces, node_lines
from barrierrank.network.polylines import Polylines
from barrierrank.network.sites import Snapped, SnapSettings, Split, snap_sites, split_at_sites
from barrierrank.problems import Problems


@dataclass(frozen=True)
class NetworkSettings:
    """How lines become a network.

    Parameters
    ----------
    direction : {"nodes", "digitised", "elevation", "outlets"}
    join_tolerance_m : float
        Line ends this near each other [m] are one node.
    drawn : {"auto", "downstream", "upstream"}
        How the lines are drawn, for ``direction = "digitised"``.
    """

    direction: str
    join_tolerance_m: float
    drawn: str = "auto"


@dataclass(frozen=True, eq=False)
class Built:
    """A network and where its sites ended up."""

    network: RiverNetwork
    snapped: Snapped | None


def build_network(
    lines: LineTable,
    settings: NetworkSettings,
    problems: Problems,
    *,
    sites: SiteTable | None = None,
    snapping: SnapSettings | None = None,
    outlets: OutletTable | None = None,
) -> Built:
    """Node the lines, give them a direction, find the outlets, put the sites on them, and check the whole.

    Parameters
    ----------
    lines : LineTable
    settings : NetworkSettings
    problems : Problems
        Grows by everything that was mended or looks doubtful.
    sites, snapping : SiteTable, SnapSettings, optional
    outlets : OutletTable, optional
        Where runs enter; without it, wherever flow ends.

    Returns
    -------
    Built

    Raises
    ------
    InputError
        When the lines cannot make an acyclic network with an outlet; every reason is told, with the ids of lines.
    """
    clean = clean_lines(lines, problems, by_nodes=settings.direction == "nodes")
    flow, named = _directed(clean, lines, settings, outlets, problems)
    entry = _entries(flow, lines, outlets, named, problems)
    snapped = None
    if sites is not None and snapping is not None:
        snapped = snap_sites(flow, lines, sites, snapping, problems)
        split = split_at_sites(flow, snapped, sites.site)
    else:
        piece = np.arange(flow.line.size)
        split = Split(
            piece, flow.start, flow.end, flow.tail, flow.head, np.full_like(piece, -1), flow.x, flow.y
        )
    problems.stop_on_errors()
    network = _assemble(flow, split, lines, entry)
    if network.order.size < network.nodes:
        tell_cycles(flow, lines, problems)
        problems.stop_on_errors()
    _tell_parts(network, lines, problems)
    return Built(network, snapped)


def _directed(
    clean: CleanLines,
    lines: LineTable,
    settings: NetworkSettings,
    outlets: OutletTable | None,
    problems: Problems,
) -> tuple[Directed, NDArray[np.int64] | None]:
    """Return the directed pieces, and the outlets where they were needed to find the direction."""
    if settings.direction == "nodes":
        if lines.from_node is None or lines.to_node is None:
            problems.error("no_nodes", 'direction = "nodes" needs from_node and to_node', where=lines.label,
                           remedy="name both columns in [hydrography]")  # fmt: skip
            problems.stop_on_errors()
        return direct_by_nodes(clean, lines, problems), None
    pieces = node_lines(
        clean,
        tolerance=settings.join_tolerance_m,
        label=lines.label,
        names=lines.source_id,
        problems=problems,
    )
    if settings.direction == "digitised":
        return direct_as_drawn(pieces, lines, settings.drawn, problems), None
    if settings.direction == "elevation":
        return direct_by_elevation(pieces, lines, problems), None
    if outlets is None:
        problems.error("no_outlet", 'direction = "outlets" needs an [outlets] table', where=lines.label,
                       remedy="name the mouths there: points, lines, or the receiving water's polygon")  # fmt: skip
        problems.stop_on_errors()
        raise AssertionError  # pragma: no cover - stop_on_errors has raised
    named = _free_ends(pieces, lines, outlets, problems)
    return direct_from_outlets(pieces, lines, named, problems), named


def _free_ends(
    pieces: Pieces, lines: LineTable, outlets: OutletTable, problems: Problems
) -> NDArray[np.int64]:
    """Return the outlets while there is no direction yet: among the nodes that only one piece touches."""
    degree = np.bincount(np.concatenate([pieces.a, pieces.b]), minlength=pieces.x.size)
    free_a, free_b = degree[pieces.a] == 1, degree[pieces.b] == 1
    single = np.where(free_a & ~free_b, pieces.a, np.where(free_b & ~free_a, pieces.b, np.int64(-1)))
    named = mouths.ends_of_named_lines(outlets, lines, pieces.row[pieces.line], single, problems)
    return mouths.outlet_nodes(outlets, (pieces.x, pieces.y), np.flatnonzero(degree == 1), named, problems)


def _entries(
    flow: Directed,
    lines: LineTable,
    outlets: OutletTable | None,
    named: NDArray[np.int64] | None,
    problems: Problems,
) -> NDArray[np.bool_]:
    """Tell which nodes runs enter at."""
    count = flow.x.size
    flows_on = np.bincount(flow.tail, minlength=count) > 0
    sinks = np.flatnonzero(~flows_on & (np.bincount(flow.head, minlength=count) > 0))
    entry = np.zeros(count, dtype=np.bool_)
    if outlets is None:
        entry[sinks] = True
        return entry
    if named is None:
        foot = np.where(_last_of_row(flow), flow.head, np.int64(-1))
        by_line = mouths.ends_of_named_lines(outlets, lines, flow.row[flow.line], foot, problems)
        named = mouths.outlet_nodes(outlets, (flow.x, flow.y), sinks, by_line, problems)
    entry[named] = True
    dead = sinks[~entry[sinks]]
    at_dead = np.flatnonzero(np.isin(flow.head, dead))
    names = [str(s) for s in lines.source_id[flow.row[flow.line[at_dead]]]]
    mouths.tell_dead_ends(dead, (flow.x, flow.y), names, lines.label, problems)
    return entry


def _last_of_row(flow: Directed) -> NDArray[np.bool_]:
    """Tell which pieces are the lowest of their line: no other piece of the same row flows on from them."""
    row = flow.row[flow.line]
    key = row * np.int64(flow.x.size)
    return ~np.isin(key + flow.head, key + flow.tail)


def _assemble(flow: Directed, split: Split, lines: LineTable, entry: NDArray[np.bool_]) -> RiverNetwork:
    line = flow.line[split.piece]
    row = flow.row[line]
    factor = _length_factor(flow.polylines, flow.row, lines)
    length = (split.end - split.start) * factor[0][line] + _link_length(flow, split, factor[1])
    all_entries = np.zeros(split.x.size, dtype=np.bool_)
    all_entries[: entry.size] = entry
    return RiverNetwork(
        split.tail, split.head, length, lines.minor[row], split.site, all_entries, row, line,
        split.start, split.end, flow.backward[split.piece], flow.polylines, split.x, split.y,
    )  # fmt: skip


def _length_factor(
    polylines: Polylines, row: NDArray[np.int64], lines: LineTable
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return per line: published over drawn length (1 where not published), and the length of lines without any."""
    drawn = polylines.length
    factor, without = np.ones(drawn.size), np.zeros(drawn.size)
    if lines.length_m is None:
        return factor, without
    published = lines.length_m
    whole = np.bincount(row, drawn, minlength=published.size)
    known = np.isfinite(published[row])
    scaled = known & (whole[row] > 0)
    factor[scaled] = published[row[scaled]] / whole[row[scaled]]
    without[known & ~scaled] = published[row[known & ~scaled]]
    return factor, without


def _link_length(flow: Directed, split: Split, without: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the published length of lines that have none in their geometry, on their lowest reach."""
    last = np.append(split.piece[1:] != split.piece[:-1], True)
    return np.where(last, without[flow.line[split.piece]], 0.0)


def _parts(network: RiverNetwork) -> NDArray[np.int64]:
    """Return the part of each reach: what drains to one place, and what arms join to it."""
    outlet, below = network.outlet, network.main_below
    arms = np.flatnonzero(np.diff(network.below[0])[network.tail] > 1)
    past = np.flatnonzero(network.entry[network.head] & (below[network.head] >= 0))
    a = np.concatenate([outlet[arms], outlet[past]])
    b = np.concatenate([outlet[below[network.tail[arms]]], outlet[below[network.head[past]]]])
    n = int(outlet.max()) + 1
    graph = coo_array((np.ones(a.size, dtype=np.int8), (a, b)), shape=(n, n))
    part = connected_components(graph, directed=False)[1].astype(np.int64)
    return np.asarray(part[outlet])


def _tell_parts(network: RiverNetwork, lines: LineTable, problems: Problems) -> None:
    """Note how many parts the network has, and its smallest ones, which may be cut off by a gap."""
    part = _parts(network)
    length = np.bincount(part, network.length_m)
    present = np.flatnonzero(np.bincount(part) > 0)
    if present.size < 2:
        return
    names = [str(lines.source_id[network.row[np.flatnonzero(part == p)[0]]])
             for p in present[np.argsort(length[present], kind="stable")][:5]]  # fmt: skip
    problems.note(
        "parts",
        f"the lines make {present.size} separate parts, the largest of {length.max() / 1000:.1f} km; "
        f"the smallest begin at lines {', '.join(names)}",
        where=lines.label,
        remedy="a part cut off by a gap needs a larger join_tolerance_m or a drawn link",
    )
