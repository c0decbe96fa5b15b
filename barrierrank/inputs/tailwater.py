"""What the water below a structure does: ratings of discharge and elevation, and surveyed cross-sections."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers
from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.schema_column import Column
from barrierrank.inputs.schema_passage import RATINGS, SECTIONS
from barrierrank.inputs.site_refs import site_positions
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.tables import read_table
from barrierrank.problems import Problems, some

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Points = tuple[FloatArray, FloatArray]

_WALL_M = 0.01


@dataclass(frozen=True)
class TailPoints:
    """Points by site.

    Parameters
    ----------
    key : str
        Key of [structures] that names the table; ``""`` where none does.
    label : str
        File, for messages.
    at : Mapping of str to ((k,) float64, (k,) float64)
        By id of the site: discharges [m3/s] or stations [m], ascending, and elevations [m].
    faulty : frozenset of str
        Sites whose points are at fault; they are not in `at`.
    """

    key: str = ""
    label: str = ""
    at: Mapping[str, Points] = field(default_factory=dict)
    faulty: frozenset[str] = frozenset()

    def tell_unused(self, structures: set[str], problems: Problems) -> None:
        """Warn of sites that have points and no structure."""
        names = [name for name in self.at if name not in structures]
        if names:
            named = some([f'"{name}"' for name in names])
            message = f"site {named}: no structure is measured there, so the points are not used"
            report = Report(problems, self.label, f"[structures] {self.key}")
            report.add("warning", "unused", message, ids=names, remedy="add the structure, or mend the id")


NO_POINTS = TailPoints()


def read_ratings(path: Path, target: CRS, sites: SiteTable, problems: Problems) -> TailPoints:
    """Read ratings of the water below: sorted by discharge, the elevation of none below that of a smaller discharge.

    Parameters
    ----------
    path : Path
        Table site, discharge_m3s, elevation_m.
    target : CRS
        Coordinate system of the basin.
    sites : SiteTable
    problems : Problems
        Gets everything that is wrong.

    Raises
    ------
    InputError
        When the table cannot be read at all.
    """
    return _read("ratings", path, RATINGS, target, sites, problems)


def read_sections(path: Path, target: CRS, sites: SiteTable, problems: Problems) -> TailPoints:
    """Read surveyed cross-sections: stations in the order of the table, ascending, with a lowest point between banks.

    Parameters
    ----------
    path : Path
        Table site, station_m, elevation_m.
    target : CRS
        Coordinate system of the basin.
    sites : SiteTable
    problems : Problems
        Gets everything that is wrong.

    Raises
    ------
    InputError
        When the table cannot be read at all.
    """
    return _read("sections", path, SECTIONS, target, sites, problems)


def _read(
    key: str, path: Path, columns: tuple[Column, ...], target: CRS, sites: SiteTable, problems: Problems
) -> TailPoints:
    at = f"[structures] {key}"
    raw = read_table(path, None, at=at, problems=problems, target=target)
    report = Report(problems, raw.label, at)
    lacking = [c.name for c in columns if not raw.has(c.name, report)]
    if lacking:
        return TailPoints(key, raw.label, faulty=frozenset(sites.site.tolist()))
    ids = ids_of(raw.text("site"))
    index = site_positions(ids, raw.row, sites, report)
    x, y = (_numbers(raw.text(c.name), raw.row, c, ids, report) for c in columns[1:])
    out: dict[str, Points] = {}
    faulty: set[str] = set()
    for name, mine in _rows_by_site(ids, index >= 0).items():
        points = x[mine], y[mine]
        made = None
        if not np.isnan(points).any():  # else told already
            check = _rating if key == "ratings" else _section
            made = check(points, raw.row[mine], name, report)
        if made is None:
            faulty.add(name)
        else:
            out[name] = made
    return TailPoints(key, raw.label, out, frozenset(faulty))


def _rows_by_site(ids: ObjectArray, known: BoolArray) -> dict[str, IntArray]:
    """Return the rows of each site, in the order of the table, sites in the order in which they come first."""
    code, names = pd.factorize(ids)
    order = np.argsort(code, kind="stable")
    order = order[known[order]]
    parts = np.split(order, np.flatnonzero(np.diff(code[order])) + 1) if order.size else []
    return {str(names[code[part[0]]]): part for part in parts}


def _numbers(cells: ObjectArray, row: IntArray, rule: Column, who: ObjectArray, report: Report) -> FloatArray:
    """Return a column of numbers; complain of empty cells and of those out of range."""
    value = read_numbers(cells, row, rule.name, report, amounts=False)
    check_range(value, row, rule.name, report, low=rule.low, high=rule.high, who=who)
    blank = is_blank(cells)
    if blank.any():
        rows = true_rows(blank, row)
        message = f'{in_rows(rows)} (site "{who[np.flatnonzero(blank)[0]]}"), column "{rule.name}": the cell is empty'
        report.error("missing_value", message, ids=rows, remedy="fill it in, or remove the row")
    return value


def _rating(points: Points, row: IntArray, name: str, report: Report) -> Points | None:
    """Return a rating sorted by discharge; complain where it is none."""
    order = np.argsort(points[0], kind="stable")
    x, y, row = points[0][order], points[1][order], row[order]
    twice = np.flatnonzero(np.diff(x) == 0.0)
    falling = np.flatnonzero(np.diff(y) < 0.0)
    if len(x) < 2:
        message = f'{in_rows(row.tolist())} (site "{name}"): a rating needs two points or more'
        remedy = "measure the water below at another discharge, or describe the channel in the structures"
    elif twice.size:
        rows = row[twice[0] : twice[0] + 2].tolist()
        message = f'{in_rows(rows)} (site "{name}"): discharge {x[twice[0]]:g} m3/s stands there twice'
        remedy = "keep one of the two"
    elif falling.size:
        i = int(falling[0])
        message = (
            f'{in_rows(row[i : i + 2].tolist())} (site "{name}"): the rating is not monotone: {y[i + 1]:g} m at '
            f"{x[i + 1]:g} m3/s, but {y[i]:g} m at {x[i]:g} m3/s"
        )
        remedy = "more water stands higher: mend the elevation or the discharge"
    else:
        return x, y
    report.error("rating", message, ids=row.tolist(), remedy=remedy)
    return None


def _section(points: Points, row: IntArray, name: str, report: Report) -> Points | None:
    """Return a cross-section; complain where it is none."""
    x, y = points
    back = np.flatnonzero(np.diff(x) <= 0.0)
    if len(x) < 3:
        message = f'{in_rows(row.tolist())} (site "{name}"): a section needs three points or more'
        remedy = "survey bank, bed and bank, or describe the channel in the structures"
    elif back.size:
        i = int(back[0])
        message = (
            f'{in_rows(row[i : i + 2].tolist())} (site "{name}"): stations do not ascend: {x[i]:g}, then '
            f"{x[i + 1]:g}"
        )
        remedy = f"put the points in order across the channel; give an upright wall a step of {_WALL_M:g} m"
    elif not (y.min() < y[0] and y.min() < y[-1]):
        message = f'{in_rows(row.tolist())} (site "{name}"): the section has no lowest point between its ends'
        remedy = "let it reach from bank to bank, with the bed between"
    else:
        return x, y
    report.error("section", message, ids=row.tolist(), remedy=remedy)
    return None
