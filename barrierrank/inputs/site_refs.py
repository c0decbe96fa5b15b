"""Columns that name sites or days: found among those there are, and told where there are none."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.cells import is_blank
from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.sites import SiteTable
from barrierrank.project_check import nearest
from barrierrank.project_dates import day_of_year

ObjectArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.int64]

_MOST_UNKNOWN = 20


def site_positions(
    ids: ObjectArray, row: IntArray, sites: SiteTable, report: Report, *, empty_allowed: bool = False
) -> IntArray:
    """Return the position of each row's site; complain of sites there are not, and of empty cells.

    Parameters
    ----------
    ids : (n,) object array of str
    row : (n,) int64
        Row numbers for messages.
    sites : SiteTable
    report : Report
    empty_allowed : bool
        An empty cell has a meaning of its own: it gets -1 without a complaint.

    Returns
    -------
    (n,) int64
        -1 where there is no such site.
    """
    known = pd.Index(sites.site)
    once = np.flatnonzero(~known.duplicated() & (sites.site != ""))
    found = known[once].get_indexer(pd.Index(ids))
    index = np.where(found >= 0, once[found], -1) if once.size else np.full(len(ids), -1, dtype=np.int64)
    empty = ids == ""
    if empty.any() and not empty_allowed:
        rows = true_rows(empty, row)
        remedy = "name the site, or remove the row"
        report.error("missing_id", f'column "site": {in_rows(rows)} without site', ids=rows, remedy=remedy)
    unknown = (index < 0) & ~empty & (once.size > 0)  # of sites without ids nothing can be said
    names = list(dict.fromkeys(ids[unknown].tolist()))
    for name in names[:_MOST_UNKNOWN]:
        rows = true_rows(ids == name, row)
        message = f'column "site": {in_rows(rows)}: there is no site "{name}" in {sites.label}'
        remedy = nearest(name, sites.site.tolist()) or "add it to the sites, or mend the id"
        report.error("unknown_site", message, ids=(name,), remedy=remedy)
    if len(names) > _MOST_UNKNOWN:
        rest = names[_MOST_UNKNOWN:]
        message = f'column "site": {len(rest)} more sites that are not in {sites.label}'
        report.error("unknown_site", message, ids=rest, remedy="check that the ids are the same")
    return index.astype(np.int64)


def read_days(cells: ObjectArray, row: IntArray, name: str, report: Report) -> IntArray:
    """Read a column of days of the year, written month-day; complain of those that are none.

    Parameters
    ----------
    cells : (n,) object array of str
    row : (n,) int64
    name : str
        Heading, for messages.
    report : Report

    Returns
    -------
    (n,) int64
        Days of a leap year, 1 to 366; -1 where blank or wrong.
    """
    days = [day_of_year(c) for c in cells]
    wrong = np.array([d is None for d in days], dtype=bool) & ~is_blank(cells)
    if wrong.any():
        rows = true_rows(wrong, row)
        first = cells[np.flatnonzero(wrong)[0]]
        message = f'{in_rows(rows)}, column "{name}": "{first}" is not a day of the year'
        remedy = "write month-day, for example 04-15; in a spreadsheet set the column to text"
        report.error("bad_date", message, ids=rows, remedy=remedy)
    return np.array([-1 if d is None else d for d in days], dtype=np.int64)
