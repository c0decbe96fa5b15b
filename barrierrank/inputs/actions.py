"""What can be done at the sites: costs, life, chance of failing and the passabilities afterwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers, read_shares
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.schema import ACTIONS, RESERVED_ACTION, column
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.project_check import nearest

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

AT = "[actions]"
_PREFIX = "passability_"


@dataclass(frozen=True, eq=False)
class ActionTable:
    """Actions as read; n rows in the order of the table, S species in the order of the project file.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages; ``""`` where the project file names no actions.
    row : (n,) int64
        Row numbers: as a spreadsheet shows them (headings are row 1), or features from 1.
    site_index : (n,) int64
        Position of the site in the table of sites.
    action : (n,) object array of str
        Unique within a site, never empty.
    cost : (n,) float64
        Capital cost today [money].
    upkeep : (n,) float64
        [money per year].
    life_years : (n,) float64
        Years until replacement; NaN = never replaced.
    failure_probability : (n,) float64
        Annual chance of failing afterwards; that of the site today where not given.
    passability : (n, S) float64
        Chance to get past upstream afterwards; that of the site today where not given.
    note : (n,) object array of str
    """

    label: str
    row: IntArray
    site_index: IntArray
    action: ObjectArray
    cost: FloatArray
    upkeep: FloatArray
    life_years: FloatArray
    failure_probability: FloatArray
    passability: FloatArray
    note: ObjectArray

    def __len__(self) -> int:
        return len(self.row)


def read_actions(project: Project, sites: SiteTable, problems: Problems) -> ActionTable:
    """Read the actions the project file names.

    Parameters
    ----------
    project : Project
    sites : SiteTable
    problems : Problems
        Gets everything that is wrong or worth knowing.

    Returns
    -------
    ActionTable
        Without rows where the project file names none.

    Raises
    ------
    InputError
        With everything wrong with the table: unreadable, columns that are not there, sites or species that
        are not, an action named twice at a site, costs, lives and chances out of range.
    """
    spec = project.actions
    if spec is None:
        return _no_actions(len(project.species))
    with own_errors(problems):
        raw = read_table(spec.path, spec.layer, at=AT, problems=problems, target=project.basin.projection)
        return _Reader(raw, project, sites, Report(problems, raw.label, AT)).table()


def _no_actions(species: int) -> ActionTable:
    number, text = np.empty(0), np.empty(0, dtype=object)
    whole = np.empty(0, dtype=np.int64)
    return ActionTable(
        "", whole, whole, text, number, number, number, number, np.empty((0, species)), text
    )  # fmt: skip


class _Reader:
    """Turns the columns of one table into the arrays of an :class:`ActionTable`."""

    def __init__(self, raw: RawTable, project: Project, sites: SiteTable, report: Report) -> None:
        self.raw = raw
        self.project = project
        self.sites = sites
        self.report = report
        self.n = len(raw.frame)
        self.columns = [str(c) for c in raw.frame.columns]
        self.site = np.full(self.n, "", dtype=object)

    def table(self) -> ActionTable:
        """Return the whole table."""
        self.check_columns()
        self.site = ids_of(self.text("site"))
        index = self.site_index()
        action = self.actions()
        known = np.where(index < 0, 0, index)  # rows of unknown sites never get out: they are errors
        table = ActionTable(
            label=self.raw.label,
            row=self.raw.row,
            site_index=index,
            action=action,
            cost=self.amounts("cost"),
            upkeep=np.nan_to_num(self.amounts("upkeep"), nan=0.0),
            life_years=self.amounts("life_years"),
            failure_probability=self.share("failure_probability", self.sites.failure_probability[known]),
            passability=self.passability(known),
            note=self.text("note"),
        )
        if (index >= 0).all():
            self.tell_failing_only_afterwards(table)
        return table

    def tell_failing_only_afterwards(self, table: ActionTable) -> None:
        """Warn where what is built may fail while what stands today is taken never to."""
        if self.project.sites.failure_probability != 0.0:
            return
        today = self.sites.passability[table.site_index]
        shut = ((table.passability <= today) & (today < 1.0)).any(axis=1) & (table.passability <= today).all(axis=1)
        rows = true_rows(shut & (table.failure_probability > 0.0), self.raw.row)
        if rows:
            self.report.add(
                "warning",
                "failure_only_afterwards",
                f"{in_rows(rows)}: what is built may fail (failure_probability), while today's structures never do "
                "([sites] failure_probability = 0), so that over the years the action seems to let fish through",
                ids=rows,
                remedy="give failure_probability in [sites] too: a column, or one number for every structure",
            )

    def check_columns(self) -> None:
        """Complain of columns that are needed and not there, of unknown species, and name those not used."""
        for need in (c.name for c in ACTIONS if c.required):
            self.raw.has(need, self.report)
        species = [s.key for s in self.project.species]
        known = [c.name for c in ACTIONS if "<" not in c.name] + [_PREFIX + s for s in species]
        unused: list[str] = []
        for name in (c for c in self.columns if c not in known):
            if name.startswith(_PREFIX):
                message = f'column "{name}" is of no species of the project file'
                remedy = f"{nearest(name, known)} species are {', '.join(species)}".strip()
                self.report.error("unknown_species", message, remedy=remedy)
            elif nearest(name, known):
                message = f'column "{name}" is not used'
                self.report.add("warning", "unused_column", message, remedy=nearest(name, known))
            else:
                unused.append(name)
        if unused:
            self.report.add("note", "unused_column", f"columns not used: {some(unused, 10)}")

    def text(self, name: str) -> ObjectArray:
        """Return a column as texts, all empty where it is not there."""
        return self.raw.text(name) if name in self.columns else np.full(self.n, "", dtype=object)

    def site_index(self) -> IntArray:
        """Return the position of each row's site; complain of sites there are not, and of empty cells."""
        if "site" not in self.columns:
            return np.full(self.n, -1, dtype=np.int64)
        ids = pd.Index(self.sites.site)
        once = np.flatnonzero(~ids.duplicated() & (self.sites.site != ""))
        found = ids[once].get_indexer(pd.Index(self.site))
        index = np.where(found >= 0, once[found], -1) if once.size else np.full(self.n, -1, dtype=np.int64)
        empty = self.site == ""
        if empty.any():
            rows = true_rows(empty, self.raw.row)
            remedy = "name the site, or remove the row"
            self.report.error(
                "missing_id", f'column "site": {in_rows(rows)} without site', ids=rows, remedy=remedy
            )
        unknown = (index < 0) & ~empty & (once.size > 0)  # of sites without ids nothing can be said
        names = list(dict.fromkeys(self.site[unknown].tolist()))
        for name in names[:20]:
            rows = true_rows(self.site == name, self.raw.row)
            message = f'column "site": {in_rows(rows)}: there is no site "{name}" in {self.sites.label}'
            remedy = nearest(name, self.sites.site.tolist()) or "add it to the sites, or mend the id"
            self.report.error("unknown_site", message, ids=(name,), remedy=remedy)
        if len(names) > 20:
            message = f'column "site": {len(names) - 20} more sites that are not in {self.sites.label}'
            self.report.error(
                "unknown_site", message, ids=names[20:], remedy="check that the ids are the same"
            )
        return index

    def actions(self) -> ObjectArray:
        """Return the names of the actions; complain of empty, reserved and repeated ones."""
        action = self.text("action")
        if "action" not in self.columns:
            return action
        for wrong, what, remedy in (
            (action == "", "no action is named", "name it, or remove the row"),
            (
                np.array([a.casefold() == RESERVED_ACTION for a in action], dtype=bool),
                f'"{RESERVED_ACTION}" is what every site has without a row',
                "remove the row",
            ),
        ):
            if wrong.any():
                rows = true_rows(wrong, self.raw.row)
                message = f'column "action": {in_rows(rows)}: {what}'
                self.report.error("action_name", message, ids=rows, remedy=remedy)
        pairs = pd.DataFrame({"site": self.site, "action": [a.casefold() for a in action]})
        twice = pairs.duplicated(keep=False).to_numpy() & (action != "") & (self.site != "")
        if twice.any():
            rows = true_rows(twice, self.raw.row)
            first = np.flatnonzero(twice)[0]
            message = f'{in_rows(rows)}: "{action[first]}" stands twice at site "{self.site[first]}"'
            remedy = "keep one of the rows, or give the actions different names"
            self.report.error("duplicate_action", message, ids=rows, remedy=remedy)
        return action

    def amounts(self, name: str) -> FloatArray:
        """Return a column of numbers checked against the schema; NaN where empty."""
        rule = column("actions", name)
        if name not in self.columns:
            if not rule.required:
                self.report.add(
                    "note", "missing_column", f'no column "{name}": every row counts as {rule.blank}'
                )
            return np.full(self.n, np.nan)
        cells = self.text(name)
        value = read_numbers(cells, self.raw.row, name, self.report)
        check_range(value, self.raw.row, name, self.report, low=rule.low, above=rule.above, who=self.site)
        check_range(value, self.raw.row, name, self.report, high=rule.high, who=self.site)
        blank = is_blank(cells)
        if rule.required and blank.any():
            rows = true_rows(blank, self.raw.row)
            named = some([f'"{s}"' for s in self.site[blank]], 3)
            message = f'{in_rows(rows)} (site {named}), column "{name}": the cell is empty'
            self.report.error(
                "missing_value", message, ids=rows, remedy="fill it in, 0 where it costs nothing"
            )
        return value

    def share(self, name: str, today: FloatArray) -> FloatArray:
        """Return a column of chances; that of today where the column or the cell is empty."""
        if name not in self.columns:
            message = f'no column "{name}": every row counts as the site today'
            self.report.add("note", "missing_column", message)
            return np.array(today, dtype=np.float64)
        words = self.project.ratings if name.startswith(_PREFIX) else None
        value = read_shares(self.text(name), self.raw.row, name, self.report, words=words, who=self.site)
        return np.where(np.isnan(value), today, value)

    def passability(self, site: IntArray) -> FloatArray:
        """Return the passabilities afterwards, one column a species."""
        today = self.sites.passability
        return np.column_stack(
            [self.share(_PREFIX + s.key, today[site, j]) for j, s in enumerate(self.project.species)]
        )
