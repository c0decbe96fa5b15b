"""The four ways to a direction: node columns, digitised direction, elevations, outward from named outlets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra

from barrierrank.inputs.lines import LineTable
from barrierrank.network.clean import CleanLines
from barrierrank.network.noding import Pieces, tell_twins, twins
from barrierrank.network.polylines import Polylines
from barrierrank.problems import Problems, some


@dataclass(frozen=True, eq=False)
class Directed:
    """Pieces of lines with their direction of flow.

    Parameters
    ----------
    polylines, row, line, start, end
        As in :class:`~barrierrank.network.noding.Pieces`.
    tail, head : (n,) int64
        Upstream and downstream node of each piece.
    backward : (n,) bool
        Whether the piece is drawn against its flow.
    x, y : (nodes,) float64
        Places of the nodes [m].
    """

    polylines: Polylines
    row: NDArray[np.int64]
    line: NDArray[np.int64]
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    tail: NDArray[np.int64]
    head: NDArray[np.int64]
    backward: NDArray[np.bool_]
    x: NDArray[np.float64]
    y: NDArray[np.float64]

    @classmethod
    def of(cls, pieces: Pieces, backward: NDArray[np.bool_]) -> Directed:
        """Give pieces their direction: downstream as drawn, save where `backward`."""
        return cls(
            pieces.polylines, pieces.row, pieces.line, pieces.start, pieces.end,
            np.where(backward, pieces.b, pieces.a), np.where(backward, pieces.a, pieces.b),
            backward, pieces.x, pieces.y,
        )  # fmt: skip


def direct_by_nodes(clean: CleanLines, table: LineTable, problems: Problems) -> Directed:
    """Take the topology from the from/to node columns; find out from shared ends how each line is drawn.

    Parameters
    ----------
    clean : CleanLines
        With one line a row.
    table : LineTable
        With `from_node` and `to_node`; -1 where a line has none.
    problems : Problems
        Lines without nodes, lines whose nodes are one, and twins of a line are listed and left out.
    """
    assert table.from_node is not None and table.to_node is not None  # noqa: PT018
    tail, head = table.from_node[clean.row], table.to_node[clean.row]
    turned = table.turned[clean.row]
    tail, head = np.where(turned, head, tail), np.where(turned, tail, head)
    lost = (tail < 0) | (head < 0)
    _list_lines(
        lost, clean.row, table, problems, "no_direction",
        "have no from/to node and are left out", "fill in the nodes, or leave the lines out on purpose",
    )  # fmt: skip
    ring = ~lost & (tail == head)
    _list_lines(
        ring, clean.row, table, problems, "ring",
        "begin and end at one node, so they have no direction, and are left out", "correct their from/to nodes",
    )  # fmt: skip
    used = np.flatnonzero(~lost & ~ring)
    adrift = np.zeros(lost.size, dtype=np.bool_)
    adrift[used] = ~_joined_to_drawn(clean.polylines, used, tail, head)
    _list_lines(
        adrift, clean.row, table, problems, "no_geometry",
        "have no geometry and are joined to no line that has one, and are left out", "draw them or delete them",
    )  # fmt: skip
    used = used[~adrift[used]]
    if used.size == 0:
        problems.error("no_lines", "no line has geometry, a from node and a to node", where=table.label,
                       remedy="name the node columns in [hydrography], or choose another direction")  # fmt: skip
    problems.stop_on_errors()
    nodes, ends = np.unique(np.concatenate([tail[used], head[used]]), return_inverse=True)
    tail, head = np.split(ends.astype(np.int64), 2)
    lines = clean.polylines
    single = _without_twins(clean, used, (tail, head), table, problems)
    used, tail, head = used[single], tail[single], head[single]
    backward = _drawn_backward(lines.first[used], lines.last[used], tail, head)
    x, y = _node_places(lines, used, tail, head, backward, nodes.size)
    lines = _with_links(lines, used, tail, head, x, y)
    return Directed(
        lines, clean.row, used, np.zeros(used.size), lines.length[used], tail, head, backward, x, y
    )


def _joined_to_drawn(
    lines: Polylines, used: NDArray[np.int64], tail: NDArray[np.int64], head: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell which of the used lines are drawn, or hang together through their nodes with one that is."""
    drawn = np.asarray(np.isfinite(lines.first[used]).all(axis=1), dtype=np.bool_)
    if drawn.all():
        return drawn
    nodes, ends = np.unique(np.concatenate([tail[used], head[used]]), return_inverse=True)
    a, b = np.split(ends, 2)
    graph = coo_array((np.ones(a.size, dtype=np.int8), (a, b)), shape=(nodes.size, nodes.size))
    part = connected_components(graph, directed=False)[1][a]
    return np.asarray((np.bincount(part, drawn) > 0)[part])


def _without_twins(
    clean: CleanLines, used: NDArray[np.int64], nodes: tuple[NDArray[np.int64], NDArray[np.int64]],
    table: LineTable, problems: Problems,
) -> NDArray[np.bool_]:  # fmt: skip
    """Tell which of the lines stay: a second line of the same course and nodes would be a way round every site."""
    lines, row = clean.polylines, clean.row[used]
    here = lines if used.size == len(lines) else lines.take(used)
    twin = twins(here, np.concatenate(nodes), table.source_id[row])
    twin[nodes[0] != nodes[0][twin]] = -1  # those that flow against each other are a circle, told as one
    tell_twins(twin, here, row, table.label, table.source_id, problems)
    return twin < 0


def _list_lines(
    which: NDArray[np.bool_], row: NDArray[np.int64], table: LineTable, problems: Problems,
    kind: str, what: str, remedy: str,
) -> None:  # fmt: skip
    ids = table.source_id[row[which]]
    if ids.size:
        problems.warning(
            kind, f"{ids.size} line(s) {what}: {some(ids)}", where=table.label, ids=ids, remedy=remedy
        )


def _drawn_backward(
    first: NDArray[np.float64], last: NDArray[np.float64], tail: NDArray[np.int64], head: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell which lines are drawn against their nodes.

    Each pair of a node and an end place is counted over all lines, under both readings of each line. At its true
    node an end meets the ends of the other lines there, so the true reading has the higher count.
    """
    n = tail.size
    places = np.round(np.concatenate([first, last]), 3)
    _, place = np.unique(places, axis=0, return_inverse=True)
    start, end = np.split(place.ravel().astype(np.int64), 2)
    pairs = np.concatenate([_pair(tail, start), _pair(head, end), _pair(tail, end), _pair(head, start)])
    _, index, count = np.unique(pairs, return_inverse=True, return_counts=True)
    seen = count[index].reshape(4, n)
    return np.asarray(seen[2] + seen[3] > seen[0] + seen[1])


def _pair(node: NDArray[np.int64], place: NDArray[np.int64]) -> NDArray[np.int64]:
    return (node << np.int64(32)) | place


def _node_places(
    lines: Polylines, used: NDArray[np.int64], tail: NDArray[np.int64], head: NDArray[np.int64],
    backward: NDArray[np.bool_], count: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Return a place for every node: the mean of the ends that meet there."""
    first, last = lines.first[used], lines.last[used]
    upper = np.where(backward[:, None], last, first)
    lower = np.where(backward[:, None], first, last)
    node = np.concatenate([tail, head])
    ends = np.concatenate([upper, lower])
    known = np.isfinite(ends).all(axis=1)
    number = np.bincount(node[known], minlength=count).astype(float)
    number[number == 0] = np.nan
    x = np.bincount(node[known], ends[known, 0], minlength=count) / number
    y = np.bincount(node[known], ends[known, 1], minlength=count) / number
    return x, y


def _with_links(
    lines: Polylines, used: NDArray[np.int64], tail: NDArray[np.int64], head: NDArray[np.int64],
    x: NDArray[np.float64], y: NDArray[np.float64],
) -> Polylines:  # fmt: skip
    """Draw the lines without geometry straight between their nodes, whose places `x` and `y` are filled in."""
    blank = np.flatnonzero(~np.isfinite(lines.first[used]).all(axis=1))
    if blank.size == 0:
        return lines
    _spread_places(x, y, tail[blank], head[blank])
    coords = lines.coords.copy()
    at = lines.offsets[used[blank]]
    upper = np.column_stack([x[tail[blank]], y[tail[blank]]])
    lower = np.column_stack([x[head[blank]], y[head[blank]]])
    coords[at], coords[at + 1] = upper, lower
    return Polylines(coords, lines.offsets)


def _spread_places(
    x: NDArray[np.float64], y: NDArray[np.float64], tail: NDArray[np.int64], head: NDArray[np.int64]
) -> None:
    """Put nodes that no drawn line touches where the nearest node is along the links `tail` to `head`."""
    while True:
        to = np.concatenate([tail, head])
        source = np.concatenate([head, tail])
        fill = ~np.isfinite(x[to]) & np.isfinite(x[source])
        if not fill.any():
            return
        x[to[fill]], y[to[fill]] = x[source[fill]], y[source[fill]]


def direct_as_drawn(pieces: Pieces, table: LineTable, drawn: str, problems: Problems) -> Directed:
    """Take the digitised direction; a layer drawn wholly upstream is noticed and turned.

    Parameters
    ----------
    pieces : Pieces
    table : LineTable
    drawn : {"auto", "downstream", "upstream"}
        What the project file says; `auto` looks at the junctions.
    problems : Problems
    """
    backward = table.turned[pieces.row[pieces.line]].copy()
    if drawn == "upstream" or (drawn == "auto" and _looks_upstream(Directed.of(pieces, backward))):
        backward = ~backward
        if drawn == "auto":
            problems.mended(
                "drawn_upstream",
                "the layer is drawn upstream (its lines part where streams should join), so all lines are turned",
                where=table.label,
                remedy='set drawn = "downstream" in [hydrography] if the layer is right as it is',
            )
    return Directed.of(pieces, backward)


def _looks_upstream(flow: Directed) -> bool:
    """Tell whether far more junctions part than join, and far more ends are fed than begin."""
    into = np.bincount(flow.head, minlength=flow.x.size)
    out = np.bincount(flow.tail, minlength=flow.x.size)
    joining = int(((into >= 2) & (out == 1)).sum())
    parting = int(((out >= 2) & (into == 1)).sum())
    begins = int(((into == 0) & (out == 1)).sum())
    ends = int(((out == 0) & (into == 1)).sum())
    return parting > 2 * joining and ends > 1.5 * begins


def direct_by_elevation(pieces: Pieces, table: LineTable, problems: Problems) -> Directed:
    """Let each line flow from its higher to its lower end; level lines keep their digitised direction, and are listed.

    Raises
    ------
    InputError
        When there are no elevations.
    """
    up, down = table.elevation_start, table.elevation_end
    if up is None or down is None:
        problems.error(
            "no_elevation",
            'direction = "elevation" but the lines have no Z and no elevation columns are named',
            where=table.label,
            remedy="name start_elevation and end_elevation in [hydrography], or choose another direction",
        )
        problems.stop_on_errors()
        raise AssertionError  # pragma: no cover - stop_on_errors has raised
    row = pieces.row[pieces.line]
    start, end = up[row], down[row]
    level = ~(np.abs(start - end) > 0.0)
    _list_lines(
        _first_of_line(pieces) & level, row, table, problems, "level",
        "are level or lack an elevation; they keep their digitised direction", "turn them if this is wrong",
    )  # fmt: skip
    return Directed.of(pieces, (start < end) ^ table.turned[row])


def _first_of_line(pieces: Pieces) -> NDArray[np.bool_]:
    return np.append(True, pieces.line[1:] != pieces.line[:-1])


def direct_from_outlets(
    pieces: Pieces, table: LineTable, outlet_node: NDArray[np.int64], problems: Problems
) -> Directed:
    """Let every piece flow towards the nearest outlet along the lines.

    A piece flows from its end that is farther from the outlets to the nearer one, so there can be no cycle. Parts
    that no outlet belongs to have no direction; they are listed and left out.

    Parameters
    ----------
    outlet_node : (k,) int64
        Nodes that are outlets.
    """
    count = pieces.x.size
    length = np.maximum(pieces.end - pieces.start, 1e-9)
    distance = _nearest(pieces.a, pieces.b, length, outlet_node, count)
    lost = ~np.isfinite(distance[pieces.a])
    _list_lines(
        lost & _first_of_line(pieces), pieces.row[pieces.line], table, problems, "no_outlet",
        "are not joined to any outlet, so they have no direction, and are left out",
        "name an outlet of that part in [outlets], or raise join_tolerance_m if a gap cuts it off",
    )  # fmt: skip
    kept = pieces.keep(~lost)
    da, db = distance[kept.a], distance[kept.b]
    # equally far ends: by place, so that the order of the rows does not matter
    ax, ay, bx, by = kept.x[kept.a], kept.y[kept.a], kept.x[kept.b], kept.y[kept.b]
    tie = (da == db) & ((ax < bx) | ((ax == bx) & (ay < by)))
    return Directed.of(kept, (da < db) | tie)


def _nearest(
    a: NDArray[np.int64],
    b: NDArray[np.int64],
    length: NDArray[np.float64],
    sources: NDArray[np.int64],
    count: int,
) -> NDArray[np.float64]:
    """Return the way [m] from the nearest source to every node over undirected pieces, inf where there is none."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((length, high, low))
    first = np.append(True, (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0))
    chosen = order[first]  # the shortest of parallel pieces: a sparse matrix would add them up
    ends = (low[chosen].astype(np.int32), high[chosen].astype(np.int32))  # as scipy's compiled search takes them
    graph = coo_array((length[chosen], ends), shape=(count, count)).tocsr()
    return np.asarray(dijkstra(graph, directed=False, indices=sources, min_only=True))
