"""From lines as they come to lines a network can be made of; nothing is dropped in silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from barrierrank.inputs.lines import LineTable
from barrierrank.network.polylines import Polylines
from barrierrank.problems import Problems, some


@dataclass(frozen=True, eq=False)
class CleanLines:
    """Usable lines.

    Parameters
    ----------
    polylines : Polylines
        One usable line each.
    row : (n,) int64
        Index into the table the line was read from; a multipart line gives several lines of the same row.
    """

    polylines: Polylines
    row: NDArray[np.int64]


def clean_lines(table: LineTable, problems: Problems, *, by_nodes: bool) -> CleanLines:
    """Leave out what cannot be a stream line, take multipart lines apart, and list each case.

    Parameters
    ----------
    table : LineTable
        Lines as read, in the basin's CRS.
    problems : Problems
        Grows by an entry for every line that is left out or changed.
    by_nodes : bool
        Whether from/to nodes give the topology: then a line without usable geometry still is a link, and a
        multipart line stays one line.

    Raises
    ------
    InputError
        When a coordinate is not a finite number, or no line is left.
    """
    geometry = table.geometry
    usable = ~table.leave_out
    _list_left_out(table, problems)
    empty = shapely.get_num_coordinates(geometry) == 0
    if by_nodes:
        lines, row = _one_line_each(table, geometry, usable, empty, problems)
    else:
        _list_empty(table, usable & empty, problems)
        lines, row = _parts(table, geometry, np.flatnonzero(usable & ~empty), problems)
    if lines.size == 0:
        problems.error(
            "no_lines",
            "no usable stream line is left",
            where=table.label,
            remedy="check the layer name and leave_out; every line that was left out is listed",
        )
    problems.stop_on_errors()
    polylines = Polylines.from_geometry(lines)
    order = polylines.neighbours_first()
    polylines, row = polylines.take(order), row[order]
    _check_finite(table, polylines, row, ~empty[row], problems)
    problems.stop_on_errors()
    if by_nodes:
        return CleanLines(polylines, row)
    return _without_points(table, polylines, row, problems)


def _list_left_out(table: LineTable, problems: Problems) -> None:
    ids = table.source_id[table.leave_out]
    if ids.size:
        problems.note(
            "left_out", f"left out as the project file says: {some(ids)}", where=table.label, ids=ids
        )


def _list_empty(table: LineTable, which: NDArray[np.bool_], problems: Problems) -> None:
    ids = table.source_id[which]
    if ids.size:
        problems.warning(
            "no_geometry",
            f"{ids.size} line(s) without geometry are left out: {some(ids)}",
            where=table.label,
            ids=ids,
            remedy="draw them or delete them; a missing line cuts off what lies above",
        )


def _check_finite(
    table: LineTable,
    polylines: Polylines,
    row: NDArray[np.int64],
    drawn: NDArray[np.bool_],
    problems: Problems,
) -> None:
    finite = np.isfinite(polylines.coords)
    if finite.all():
        return
    bad = (np.add.reduceat(~finite.all(axis=1), polylines.offsets[:-1]) > 0) & drawn
    ids = table.source_id[row[bad]]
    if ids.size:
        problems.error(
            "bad_coordinates",
            f"{ids.size} line(s) have coordinates that are no finite numbers: {some(ids)}",
            where=table.label,
            ids=ids,
            remedy="repair or delete these lines, and check the CRS of the layer",
        )


def _parts(
    table: LineTable, geometry: NDArray[np.object_], rows: NDArray[np.int64], problems: Problems
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    if not (shapely.get_type_id(geometry[rows]) == shapely.GeometryType.MULTILINESTRING).any():
        return geometry[rows], rows
    parts, index = shapely.get_parts(geometry[rows], return_index=True)
    keep = ~shapely.is_empty(parts)
    parts, index = parts[keep], index[keep]
    count = np.bincount(index, minlength=rows.size)
    for i in np.flatnonzero(count > 1):
        source = table.source_id[rows[i]]
        problems.mended(
            "multipart",
            f"line {source} has {count[i]} parts; each is taken as a line",
            where=table.label,
            ids=[source],
            place=_place(geometry[rows[i]]),
        )
    return parts, rows[index]


def _one_line_each(
    table: LineTable,
    geometry: NDArray[np.object_],
    usable: NDArray[np.bool_],
    empty: NDArray[np.bool_],
    problems: Problems,
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Return one LineString a row; without geometry a line of two places that are no numbers, filled in later."""
    rows = np.flatnonzero(usable)
    lines = geometry[rows].copy()
    if empty[rows].any():
        ids = table.source_id[rows[empty[rows]]]
        problems.mended(
            "no_geometry",
            f"{ids.size} line(s) without geometry are kept as links between their nodes: {some(ids)}",
            where=table.label,
            ids=ids,
        )
        with np.errstate(invalid="ignore"):
            lines[empty[rows]] = shapely.linestrings(np.full((2, 2), np.nan), handle_nan="allow")
    several = np.flatnonzero(shapely.get_num_geometries(lines) > 1)
    single = np.flatnonzero(shapely.get_type_id(lines) == shapely.GeometryType.MULTILINESTRING)
    lines[single] = shapely.get_geometry(lines[single], 0)
    for i in several:
        source = table.source_id[rows[i]]
        lines[i], gap = _joined_parts(geometry[rows[i]])
        problems.mended(
            "multipart",
            f"line {source} has several parts; they are joined in a row (widest gap {gap:.1f} m), "
            "since its nodes say where it begins and ends",
            where=table.label,
            ids=[source],
            place=_place(lines[i]),
        )
    return lines, rows


def _joined_parts(multi: shapely.MultiLineString) -> tuple[shapely.LineString, float]:
    """Join the parts of a line in their order of nearness; return the line and its widest gap [m]."""
    merged = shapely.line_merge(shapely.force_2d(multi), directed=True)
    parts = [shapely.get_coordinates(p) for p in shapely.get_parts(merged) if not p.is_empty]
    starts = np.array([p[0] for p in parts])
    ends = np.array([p[-1] for p in parts])
    reach_in = np.hypot(*(starts[:, None] - ends[None]).transpose(2, 0, 1))
    np.fill_diagonal(reach_in, np.inf)
    # begin with the part that lies farthest from any other part's end, that is the head of the row
    row = [int(np.argmax(reach_in.min(axis=1)))] if len(parts) > 1 else [0]
    gap = 0.0
    while len(row) < len(parts):
        left = [i for i in range(len(parts)) if i not in row]
        nearest = min(left, key=lambda i: (reach_in[i, row[-1]], i))
        gap = max(gap, float(reach_in[nearest, row[-1]]))
        row.append(nearest)
    return shapely.LineString(np.concatenate([parts[i] for i in row])), gap


def _without_points(
    table: LineTable, polylines: Polylines, row: NDArray[np.int64], problems: Problems
) -> CleanLines:
    """Leave out lines of no length."""
    points = polylines.length <= 0.0
    if not points.any():
        return CleanLines(polylines, row)
    ids = table.source_id[row[points]]
    problems.mended(
        "zero_length",
        f"{ids.size} line(s) of no length are left out: {some(ids)}",
        where=table.label,
        ids=ids,
        place=(float(polylines.first[points][0, 0]), float(polylines.first[points][0, 1])),
    )
    keep = np.flatnonzero(~points)
    return CleanLines(polylines.take(keep), row[keep])


def _place(geometry: shapely.Geometry) -> tuple[float, float]:
    x, y = shapely.get_coordinates(geometry)[0]
    return float(x), float(y)
