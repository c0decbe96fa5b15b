"""Directed cycles: named line by line, with lines to do without that would break them."""

from __future__ import annotations

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from barrierrank.inputs.lines import LineTable
from barrierrank.network.direction import Directed
from barrierrank.problems import Problems, some

MOST_FOR_A_HINT = 300
"""Circles of more pieces than this get no hint: finding one tries each piece in turn."""


def tell_cycles(flow: Directed, lines: LineTable, problems: Problems) -> None:
    """Add an error for every set of lines that flow in circles, with their ids and a hint how to break them."""
    n = flow.x.size
    graph = coo_array((np.ones(flow.tail.size, dtype=np.int8), (flow.tail, flow.head)), shape=(n, n))
    part = connected_components(graph, directed=True, connection="strong")[1]
    inside = np.flatnonzero(part[flow.tail] == part[flow.head])
    names = lines.source_id[flow.row[flow.line]]
    for cycle in np.unique(part[flow.tail[inside]]):
        members = inside[part[flow.tail[inside]] == cycle]
        ids = list(dict.fromkeys(str(s) for s in names[members]))
        node = flow.tail[members[0]]
        hint = ""
        if members.size <= MOST_FOR_A_HINT:
            spared = ", ".join(f'"{i}"' for i in _breaking(flow, members, names))
            hint = f"; leave_out = [{spared}] would do"
        problems.error(
            "cycle",
            f"{len(ids)} line(s) flow in a circle: {some(ids, 20)}",
            where=lines.label,
            ids=ids,
            place=(float(flow.x[node]), float(flow.y[node])),
            remedy="list the wrongly drawn one under turn, or one to do without under leave_out, in "
            f"[hydrography]{hint}",
        )


def _breaking(flow: Directed, members: NDArray[np.int64], names: NDArray[np.object_]) -> list[str]:
    """Return ids of lines without which nothing flows in a circle, found greedily, the shorter line of equals."""
    left = list(members)
    chosen: list[str] = []
    while (turning := _in_circles(flow, left)) > 0:

        def rest_without(name: str, among: list[np.int64] = left) -> list[np.int64]:
            return [p for p in among if names[p] != name]

        candidates = {str(names[p]): flow.end[p] - flow.start[p] for p in left}
        best = min(
            candidates, key=lambda name: (_in_circles(flow, rest_without(name)), candidates[name], name)
        )
        left = rest_without(best)
        chosen.append(best)
        if (
            _in_circles(flow, left) >= turning
        ):  # pragma: no cover - taking a line out of a circle always helps
            break
    return chosen


def _in_circles(flow: Directed, pieces: list[np.int64]) -> int:
    """Return how many nodes lie on circles of the given pieces."""
    graph = nx.DiGraph((int(flow.tail[p]), int(flow.head[p])) for p in pieces)
    return sum(len(c) for c in nx.strongly_connected_components(graph) if len(c) > 1)
