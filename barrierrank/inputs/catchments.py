"""The land that drains to each line, as polygons with the line's id."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from barrierrank.inputs.arrow import read_ids
from barrierrank.inputs.report import Report, own_errors
from barrierrank.inputs.vector import check_column, find_layer, read_layer
from barrierrank.problems import Problems, some
from barrierrank.project import Project

AT = "[catchments]"


def read_catchments(
    project: Project, line_ids: npt.NDArray[np.object_], problems: Problems
) -> npt.NDArray[np.float64]:
    """Return the area [km2] that drains to each line itself, (n,); 0 for a line without a catchment.

    Parameters
    ----------
    project : Project
        With `catchments`.
    line_ids : (n,) object array of str
    problems : Problems
        Catchments of unknown lines and lines without a catchment are told.

    Raises
    ------
    InputError
        When the layer cannot be read or has no such column.
    """
    spec = project.catchments
    assert spec is not None
    with own_errors(problems):
        info = find_layer(spec.path, spec.layer, wanted="polygons", at=AT, problems=problems)
        report = Report(problems, info.label, AT)
        if not check_column(info, spec.id, report.key("id")):
            return np.zeros(line_ids.size)
        layer = read_layer(info, [spec.id], target=project.basin.projection, wanted="polygons", report=report)
        ids = read_ids(layer.columns.column(spec.id), report.key("id"))
    place = {name: i for i, name in enumerate(line_ids)}
    index = np.array([place.get(name, -1) for name in ids.text], dtype=np.int64)
    area = shapely.area(layer.geometry) / 1e6
    out = np.bincount(index[index >= 0], area[index >= 0], minlength=line_ids.size).astype(np.float64)
    strange = ids.text[index < 0]
    if strange.size:
        report.add("note", "catchment_of_no_line", f"{strange.size} catchment(s) belong to no line: {some(strange)}",
                   ids=tuple(strange))  # fmt: skip
    without = line_ids[out == 0.0]
    if without.size:
        report.add("note", "no_catchment", f"{without.size} line(s) have no catchment of their own: {some(without)}",
                   ids=tuple(without))  # fmt: skip
    return out
