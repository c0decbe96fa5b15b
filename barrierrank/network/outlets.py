"""Which nodes are outlets: named by points, by lines, by the receiving water's polygon, or where flow ends."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.outlets import OutletTable
from barrierrank.problems import Problems, some


def outlet_nodes(
    outlets: OutletTable,
    places: tuple[NDArray[np.float64], NDArray[np.float64]],
    ends: NDArray[np.int64],
    named_ends: NDArray[np.int64],
    problems: Problems,
) -> NDArray[np.int64]:
    """Return the nodes that are outlets as named by points and polygons, together with `named_ends`.

    Parameters
    ----------
    outlets : OutletTable
    places : (x, y)
        Places of all nodes [m].
    ends : (k,) int64
        Nodes that may be mouths: where flow ends, or free ends where there is no direction yet.
    named_ends : (j,) int64
        Nodes found from named lines.
    problems : Problems
        A point with no line end near it is an error.

    Raises
    ------
    InputError
        When no outlet is found.
    """
    found = [named_ends]
    xy = np.column_stack(places)
    known = np.asarray(np.isfinite(xy).all(axis=1))
    ends = ends[known[ends]]
    if outlets.points.shape[0] and ends.size:
        distance, nearest = cKDTree(xy[ends]).query(outlets.points)
        for i in np.flatnonzero(distance > outlets.tolerance_m):
            x, y = outlets.points[i]
            problems.error(
                "outlet_far",
                f"outlet point {i + 1} ({x:.0f}, {y:.0f}) is {distance[i]:.0f} m from the nearest line end",
                where=outlets.label,
                place=(float(x), float(y)),
                remedy="move the point to the mouth, or raise tolerance_m in [outlets]",
            )
        found.append(ends[nearest[distance <= outlets.tolerance_m]])
    if outlets.polygons.size:
        found.append(_in_water(outlets, xy, known, ends))
    nodes = np.unique(np.concatenate(found))
    if nodes.size == 0:
        problems.error(
            "no_outlet",
            "no line ends at a named outlet, so no fish can enter the network",
            where=outlets.label,
            remedy="check the CRS of the outlets and tolerance_m in [outlets]",
        )
    problems.stop_on_errors()
    return nodes


def _in_water(
    outlets: OutletTable, xy: NDArray[np.float64], known: NDArray[np.bool_], ends: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the nodes inside the receiving water, and the line ends within the tolerance of its shore."""
    tree = shapely.STRtree(shapely.points(xy[known]))
    inside = np.flatnonzero(known)[tree.query(outlets.polygons, predicate="intersects")[1]]
    shore = shapely.STRtree(shapely.points(xy[ends]))
    near = ends[shore.query(outlets.polygons, predicate="dwithin", distance=outlets.tolerance_m)[1]]
    return np.concatenate([inside, near])


def ends_of_named_lines(
    outlets: OutletTable,
    table: LineTable,
    row: NDArray[np.int64],
    nodes: NDArray[np.int64],
    problems: Problems,
) -> NDArray[np.int64]:
    """Return the nodes at the foot of the lines that `[outlets] lines` names.

    Parameters
    ----------
    row : (k,) int64
        Rows of the table.
    nodes : (k,) int64
        Node at the foot of the line of that row, or its free end; -1 where a line has no single free end.
    """
    if not outlets.lines:
        return np.empty(0, dtype=np.int64)
    ids = table.source_id[row]
    found = []
    for wanted in outlets.lines:
        here = nodes[ids == wanted]
        here = here[here >= 0]
        if here.size == 0:
            problems.error(
                "outlet_line",
                f"outlet line {wanted} is not among the lines that take part, or has no free end",
                where=outlets.label,
                ids=[wanted],
                remedy="name the lowest line of a stream by its id",
            )
        found.append(here)
    problems.stop_on_errors()
    return np.concatenate(found)


def tell_dead_ends(
    sinks: NDArray[np.int64], places: tuple[NDArray[np.float64], NDArray[np.float64]], names: list[str],
    label: str, problems: Problems,
) -> None:  # fmt: skip
    """Tell the places where flow ends away from any named outlet: no run enters there."""
    if not sinks.size:
        return
    problems.warning(
        "dead_end",
        f"flow ends at {sinks.size} place(s) that are no named outlet; no run enters what lies above: "
        f"lines {some(names)}",
        where=label,
        ids=names,
        place=(float(places[0][sinks[0]]), float(places[1][sinks[0]])),
        remedy="add them to [outlets] if they drain to the receiving water",
    )
