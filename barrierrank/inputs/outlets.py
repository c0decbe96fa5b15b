"""Where the network drains to: mouths, shores of the receiving water, or lines named by id."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.vector import find_layer, read_layer
from barrierrank.problems import Problems
from barrierrank.project import Project

AT = "[outlets]"


@dataclass(frozen=True, eq=False)
class OutletTable:
    """Outlets as read.

    Parameters
    ----------
    label : str
        File and layer, or the project file; for messages.
    points : (k, 2) float64
        River mouths in the CRS of the basin [m].
    polygons : (p,) object array
        Polygons of the receiving water in the CRS of the basin.
    lines : tuple of str
        Ids of the lines that end in the receiving water.
    tolerance_m : float
        How far from a mouth or a shore a line may end [m].
    """

    label: str
    points: npt.NDArray[np.float64]
    polygons: npt.NDArray[np.object_]
    lines: tuple[str, ...]
    tolerance_m: float


def read_outlets(project: Project, problems: Problems) -> OutletTable | None:
    """Read the outlets the project file names.

    Parameters
    ----------
    project : Project
    problems : Problems

    Returns
    -------
    OutletTable or None
        None where the project file has no table of outlets.

    Raises
    ------
    InputError
        When the layer cannot be read, has no CRS, or holds neither points nor polygons.
    """
    spec = project.outlets
    if spec is None:
        return None
    points = np.array(spec.points, dtype=np.float64).reshape(-1, 2)
    polygons = np.empty(0, dtype=object)
    label = project.path.name
    with own_errors(problems):
        if spec.path is not None:
            info = find_layer(spec.path, spec.layer, wanted="points or polygons", at=AT, problems=problems)
            report = Report(problems, info.label, AT)
            layer = read_layer(
                info, (), target=project.basin.projection, wanted="points or polygons", report=report
            )
            label = layer.label
            more, polygons = _sorted_out(layer.geometry, report)
            points = np.concatenate((points, more))
    return OutletTable(label, points, polygons, spec.lines, spec.tolerance_m)


def _sorted_out(
    geometry: npt.NDArray[np.object_], report: Report
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.object_]]:
    """Return the points and single polygons of a layer; polygons that cross themselves are mended."""
    empty = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    if empty.any():
        rows = true_rows(empty)
        report.add("warning", "empty_geometry", f"{in_rows(rows)}: no geometry; left out", ids=rows)
        if empty.all():
            report.error("empty_layer", "no row has a geometry", remedy="give a layer of mouths or shores")
    kinds = shapely.get_type_id(geometry)
    is_polygon = np.isin(kinds, (3, 6)) & ~empty
    points = shapely.get_coordinates(geometry[np.isin(kinds, (0, 4)) & ~empty])
    polygons = np.asarray(shapely.force_2d(geometry[is_polygon]), dtype=object)
    broken = ~shapely.is_valid(polygons)
    if broken.any():
        rows = (np.flatnonzero(is_polygon)[broken] + 1).tolist()
        report.add(
            "mended", "invalid_polygon", f"{in_rows(rows)}: a shore crosses itself; made valid", ids=rows
        )
        polygons = np.where(broken, shapely.make_valid(polygons), polygons)
    parts = shapely.get_parts(shapely.get_parts(polygons))
    return points, parts[shapely.get_type_id(parts) == 3]
