"""What can be done at the sites: costs, life, chance of failing and the passabilities afterwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.action_changes import COLUMNS, check_changes
from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers, read_shares
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.schema import ACTIONS, RESERVED_ACTION, column
from barrierrank.inputs.schema_passage import CHANGES
from barrierrank.inputs.site_refs import read_days, site_positions
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.inputs.words import is_rating, read_evidence, read_words
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.project_check import nearest

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

AT = "[actions]"
_PREFIX = "passability_"
_DEVICE_PREFIX = "efficiency_"


def _none() -> npt.NDArray[Any]:
    """Stand for a column that is not given; see :meth:`ActionTable.__post_init__`."""
    return np.empty(0)


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
        Chance to get past upstream afterwards. Where not given: that of the site today, which may be NaN; NaN where
        the action changes the structure, to be worked out.
    note : (n,) object array of str
    change : (n,) object array of str
        What it does to the structure, one of `schema_passage.CHANGES`; ``""`` = nothing that is worked out.
    change_m, change_width_m : (n,) float64
        How much, and how wide [m]; NaN where not given.
    crest_up, crest_down : (n,) int64
        Days of a leap year, 1 to 366, from which and to which a seasonal crest is up; -1 where not given.
    efficiency : (n, S) float64
        Share that a device lets get past the structure; NaN where not given.
    given : (n, S) bool
        Whether the table gives the passability. Left out on construction: everywhere.
    evidence : (n,) object array of str
        What the cost and the passabilities given rest on, one of `project_uncertainty.EVIDENCE`; ``""`` where not
        given.
    rated : (n, S) bool
        Whether the table gives the passability as a word of [ratings].

    The columns from `change` on may be left out on construction.
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
    change: ObjectArray = field(default_factory=_none)
    change_m: FloatArray = field(default_factory=_none)
    change_width_m: FloatArray = field(default_factory=_none)
    crest_up: IntArray = field(default_factory=_none)
    crest_down: IntArray = field(default_factory=_none)
    efficiency: FloatArray = field(default_factory=_none)
    given: BoolArray = field(default_factory=_none)
    evidence: ObjectArray = field(default_factory=_none)
    rated: BoolArray = field(default_factory=_none)

    def __post_init__(self) -> None:
        """Fill in the columns that are left out."""
        n, pairs = len(self.row), self.passability.shape
        blank = {
            "change": np.full(n, "", dtype=object), "change_m": np.full(n, np.nan),
            "change_width_m": np.full(n, np.nan), "crest_up": np.full(n, -1, dtype=np.int64),
            "crest_down": np.full(n, -1, dtype=np.int64), "efficiency": np.full(pairs, np.nan),
            "given": np.ones(pairs, dtype=bool), "evidence": np.full(n, "", dtype=object),
            "rated": np.zeros(pairs, dtype=bool),
        }  # fmt: skip
        for name, value in blank.items():
            if getattr(self, name).size == 0:
                object.__setattr__(self, name, value)

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
        are not, an action named twice at a site, costs, lives and chances out of range, changes that are none or
        lack what they need.
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
        change = read_words(self.text("change"), self.raw.row, "change", CHANGES, self.report)
        after, given = self.passability(np.where(index < 0, 0, index), change != "")
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
            passability=after,
            note=self.text("note"),
            change=change,
            change_m=self.metres("change_m"),
            change_width_m=self.metres("change_width_m"),
            crest_up=self.day("crest_up"),
            crest_down=self.day("crest_down"),
            efficiency=self.efficiency(),
            given=given,
            evidence=read_evidence(self.raw, self.report),
            rated=np.column_stack([self.rated(_PREFIX + s.key) for s in self.project.species]),
        )
        filled = {name: ~is_blank(self.text(name)) for name in COLUMNS}
        check_changes(table, filled, self.site, self.report)
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
        known = [c.name for c in ACTIONS if "<" not in c.name]
        known += [prefix + s for prefix in (_PREFIX, _DEVICE_PREFIX) for s in species]
        unused: list[str] = []
        for name in (c for c in self.columns if c not in known):
            if name.startswith((_PREFIX, _DEVICE_PREFIX)):
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
        return site_positions(self.site, self.raw.row, self.sites, self.report)

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
            some_change = name.startswith(_PREFIX) and "change" in self.columns
            rest = " (save where a change is worked out)" if some_change else ""
            message = f'no column "{name}": every row counts as the site today{rest}'
            self.report.add("note", "missing_column", message)
            return np.array(today, dtype=np.float64)
        words = self.project.ratings if name.startswith(_PREFIX) else None
        value = read_shares(self.text(name), self.raw.row, name, self.report, words=words, who=self.site)
        return np.where(np.isnan(value), today, value)

    def passability(self, site: IntArray, changes: BoolArray) -> tuple[FloatArray, BoolArray]:
        """Return the passabilities afterwards, one column a species, and which of them the table gives."""
        today = self.sites.passability[site]
        after, given = np.empty_like(today), np.zeros(today.shape, dtype=bool)
        for j, species in enumerate(self.project.species):
            name = _PREFIX + species.key
            left = np.where(changes, np.nan, today[:, j])
            after[:, j] = self.share(name, left)
            given[:, j] = ~is_blank(self.text(name)) | self.rated(name)
        return after, given

    def rated(self, name: str) -> BoolArray:
        """Tell which cells hold a word of [ratings]: one of them may be a word for an empty cell otherwise."""
        return is_rating(self.text(name), self.project.ratings)

    def efficiency(self) -> FloatArray:
        """Return what devices let past, one column a species; NaN where not given."""
        out = np.full((self.n, len(self.project.species)), np.nan)
        for j, species in enumerate(self.project.species):
            name = _DEVICE_PREFIX + species.key
            if name in self.columns:
                out[:, j] = read_shares(self.text(name), self.raw.row, name, self.report, who=self.site)
        return out

    def metres(self, name: str) -> FloatArray:
        """Return an optional column of lengths checked against the schema; NaN where empty."""
        rule = column("actions", name)
        value = read_numbers(self.text(name), self.raw.row, name, self.report, amounts=False)
        check_range(value, self.raw.row, name, self.report, low=rule.low, above=rule.above, who=self.site)
        check_range(value, self.raw.row, name, self.report, high=rule.high, who=self.site)
        return value

    def day(self, name: str) -> IntArray:
        """Return a column of days of the year."""
        return read_days(self.text(name), self.raw.row, name, self.report)
