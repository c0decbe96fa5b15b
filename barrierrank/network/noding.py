"""Where lines meet: ends joined within the tolerance, ends that lie on another line, twins of a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.network import kernels_ends, kernels_lines
from barrierrank.network.clean import CleanLines
from barrierrank.network.polylines import Polylines
from barrierrank.problems import Problems, some


@dataclass(frozen=True, eq=False)
class Pieces:
    """Undirected pieces of lines between nodes.

    Parameters
    ----------
    polylines : Polylines
        The lines.
    row : (lines,) int64
        Row of the table each line comes from.
    line : (n,) int64
        Line of each piece; the pieces of a line follow each other.
    start, end : (n,) float64
        Measures [m] on the line.
    a, b : (n,) int64
        Nodes at the start and at the end of the piece as drawn.
    x, y : (nodes,) float64
        Places of the nodes [m].
    """

    polylines: Polylines
    row: NDArray[np.int64]
    line: NDArray[np.int64]
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    a: NDArray[np.int64]
    b: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]

    def keep(self, which: NDArray[np.bool_]) -> Pieces:
        """Return the pieces of which `which` is true; nodes and lines stay as they are."""
        return Pieces(
            self.polylines, self.row, self.line[which], self.start[which], self.end[which],
            self.a[which], self.b[which], self.x, self.y,
        )  # fmt: skip


def node_lines(
    clean: CleanLines, *, tolerance: float, label: str, names: NDArray[np.object_], problems: Problems
) -> Pieces:
    """Join line ends into nodes, split lines where another one ends on them, leave out twins and rings.

    Parameters
    ----------
    clean : CleanLines
    tolerance : float
        Joining distance [m].
    label : str
        File and layer, for messages.
    names : (rows,) object
        Ids of the rows, for messages.
    problems : Problems
        Grows by an entry for every gap closed, line split or line left out.
    """
    polylines, row = clean.polylines, clean.row
    node, x, y = _join_ends(polylines, row, tolerance, label, names, problems)
    twin = twins(polylines, node, names[row])
    if (twin >= 0).any():
        tell_twins(twin, polylines, row, label, names, problems)
        keep = np.flatnonzero(twin < 0)
        polylines, row = polylines.take(keep), row[keep]
        node = np.concatenate([part[keep] for part in np.split(node, 2)])
    a, b = np.split(node, 2)
    pieces = _split_at_ends(
        Pieces(polylines, row, *_whole(polylines), a, b, x, y), tolerance, label, names, problems
    )
    return _without_rings(pieces, label, names, problems)


def _whole(polylines: Polylines) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    return np.arange(len(polylines)), np.zeros(len(polylines)), polylines.length


def _join_ends(
    polylines: Polylines,
    row: NDArray[np.int64],
    tolerance: float,
    label: str,
    names: NDArray[np.object_],
    problems: Problems,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    ends = np.concatenate([polylines.first, polylines.last])
    exact, group = kernels_ends.join_ends(ends[:, 0].copy(), ends[:, 1].copy(), tolerance)
    node, first = kernels_ends.number_groups(group)
    apart = np.flatnonzero((exact == np.arange(exact.size)) & (group != exact))
    for i in apart:
        gap = float(np.hypot(*(ends[i] - ends[group[i]])))
        pair = [names[row[j % row.size]] for j in (group[i], i)]
        problems.mended(
            "gap",
            f"ends of lines {pair[0]} and {pair[1]} lie {gap:.3g} m apart and are joined",
            where=label,
            ids=pair,
            place=(float(ends[i, 0]), float(ends[i, 1])),
        )
    return node, ends[first, 0], ends[first, 1]


def twins(polylines: Polylines, node: NDArray[np.int64], names: NDArray[np.object_]) -> NDArray[np.int64]:
    """Return for each line one with the very same course in either direction and an id that goes first, or -1."""
    a, b = np.split(node, 2)
    low, high = np.minimum(a, b), np.maximum(a, b)
    key = low * (int(node.max()) + 1) + high
    first = kernels_ends.first_with_key(key)
    out = np.full(key.size, -1, dtype=np.int64)
    if not (first != np.arange(key.size)).any():
        return out
    crowded = np.flatnonzero(np.bincount(first, minlength=first.size)[first] > 1)
    _, by_name = np.unique(names[crowded].astype(str), return_inverse=True)
    crowded = crowded[np.lexsort((by_name.ravel(), first[crowded]))]
    coords, offsets = polylines.coords, polylines.offsets
    for k, line in enumerate(crowded):
        back = k - 1
        while back >= 0 and first[crowded[back]] == first[line] and out[line] < 0:
            pair = np.array([[line, crowded[back]]])
            other = coords[offsets[crowded[back]] : offsets[crowded[back] + 1]]
            mine = coords[offsets[line] : offsets[line + 1]]
            turned = mine.shape == other.shape and bool((mine[::-1] == other).all())
            if out[crowded[back]] < 0 and (turned or kernels_lines.same_course(coords, offsets, pair)[0]):
                out[line] = crowded[back]
            back -= 1
    return out


def tell_twins(
    twin: NDArray[np.int64],
    polylines: Polylines,
    row: NDArray[np.int64],
    label: str,
    names: NDArray[np.object_],
    problems: Problems,
) -> None:
    """List the lines that :func:`twins` found; `row` and `names` as in :func:`node_lines`."""
    for line in np.flatnonzero(twin >= 0):
        pair = [names[row[line]], names[row[twin[line]]]]
        x, y = polylines.first[line]
        problems.mended(
            "duplicate",
            f"line {pair[0]} has the very course of line {pair[1]} and is left out",
            where=label,
            ids=pair,
            place=(float(x), float(y)),
        )


def _split_at_ends(
    pieces: Pieces, tolerance: float, label: str, names: NDArray[np.object_], problems: Problems
) -> Pieces:
    """Split lines at nodes that lie on them, as where a tributary ends on the middle of a drawn river."""
    lines = pieces.polylines
    point, line, distance, measure = lines.near((pieces.x, pieces.y), max(tolerance, 1e-6), ends=(pieces.a, pieces.b))
    inside = (measure > 0.0) & (measure < lines.length[line])
    point, line, distance, measure = point[inside], line[inside], distance[inside], measure[inside]
    if point.size == 0:
        return pieces
    ends_here = _a_line_at(pieces, point)
    for p, target, d, source in zip(point, line, distance, ends_here, strict=True):
        pair = [names[pieces.row[source]], names[pieces.row[target]]]
        problems.mended(
            "t_join",
            f"line {pair[0]} ends on the middle of line {pair[1]} ({d:.3g} m off), which is split there",
            where=label,
            ids=pair,
            place=(float(pieces.x[p]), float(pieces.y[p])),
        )
    return _split(pieces, line, measure, point)


def _a_line_at(pieces: Pieces, node: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return for each node one line that ends there."""
    found = np.full(pieces.x.size, -1, dtype=np.int64)
    found[pieces.b[::-1]] = pieces.line[::-1]
    found[pieces.a[::-1]] = pieces.line[::-1]
    return found[node]


def _split(
    pieces: Pieces, line: NDArray[np.int64], measure: NDArray[np.float64], node: NDArray[np.int64]
) -> Pieces:
    """Split whole lines (one piece each) at measures, where they pass the given nodes."""
    n = pieces.line.size
    all_line = np.concatenate([pieces.line, line])
    start = np.concatenate([pieces.start, measure])
    a = np.concatenate([pieces.a, node])
    order = np.lexsort((a, start, all_line))
    all_line, start, a = all_line[order], start[order], a[order]
    last = np.append(all_line[1:] != all_line[:-1], True)
    end, b = np.append(start[1:], 0.0), np.append(a[1:], 0)
    whole_end, whole_b = np.empty(n), np.empty(n, dtype=np.int64)
    whole_end[pieces.line], whole_b[pieces.line] = pieces.end, pieces.b
    end[last], b[last] = whole_end[all_line[last]], whole_b[all_line[last]]
    return Pieces(pieces.polylines, pieces.row, all_line, start, end, a, b, pieces.x, pieces.y)


def _without_rings(pieces: Pieces, label: str, names: NDArray[np.object_], problems: Problems) -> Pieces:
    """Leave out pieces that end where they begin: too short for the tolerance, or a ring without direction."""
    ring = pieces.a == pieces.b
    if not ring.any():
        return pieces
    length = pieces.end - pieces.start
    lines = pieces.line[ring]
    for line, size in zip(lines, length[ring], strict=True):
        x, y = pieces.polylines.middle(np.array([line]))[0]
        name = names[pieces.row[line]]
        problems.warning(
            "ring",
            f"line {name} ({size:.3g} m) begins and ends at one node, so it has no direction, and is left out",
            where=label,
            ids=[name],
            place=(float(x), float(y)),
            remedy="split a ring in two lines drawn downstream; lower join_tolerance_m if the line is only short",
        )
    return pieces.keep(~ring)


def list_of_rows(names: NDArray[np.object_], row: NDArray[np.int64]) -> str:
    """Return the first few ids of rows in words, each once."""
    return some(list(dict.fromkeys(names[row])))
