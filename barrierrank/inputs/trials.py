"""Trials: how many fish of a species were offered to a site or an action, and how many got past; read and checked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.schema import RESERVED_ACTION
from barrierrank.inputs.schema_passage import TRIALS
from barrierrank.inputs.site_refs import site_positions
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.project_check import nearest

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

AT = "[trials]"
FISH = ("offered", "passed")
SORTER = ("let_through", "held_back")
COLUMNS = tuple(c.name for c in TRIALS)
_MOST_FISH = 1e12
"""More than any count there is: an upper limit against slips of the hand."""


@dataclass(frozen=True, eq=False)
class TrialTable:
    """Trials as read; n rows in the order of the table.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages; ``""`` where the project file names no trials.
    row : (n,) int64
        Row numbers: as a spreadsheet shows them (headings are row 1), or features from 1.
    site : (n,) int64
        Position in the table of sites; -1 = every site where the action can be done.
    action : (n,) object array of str
        ``""`` = the site as it is.
    species : (n,) int64
        Position in the project file.
    offered, passed : (n,) int64
        Fish that tried and those of them that got past; of a sorter, all it was given and those it let through.
    """

    label: str
    row: IntArray
    site: IntArray
    action: ObjectArray
    species: IntArray
    offered: IntArray
    passed: IntArray

    def __len__(self) -> int:
        return len(self.row)


def read_trials(project: Project, sites: SiteTable, problems: Problems) -> TrialTable:
    """Read the trials the project file names.

    Parameters
    ----------
    project : Project
    sites : SiteTable
    problems : Problems
        Gets everything that is wrong or worth knowing.

    Returns
    -------
    TrialTable
        Without rows where the project file names none.

    Raises
    ------
    InputError
        With everything wrong with the table: unreadable, columns that are not there, sites or species that are not,
        neither a site nor an action, counts that are missing, given twice over, not whole, below 0, or more passed
        than offered.
    """
    spec = project.trials
    if spec is None:
        whole = np.empty(0, dtype=np.int64)
        return TrialTable("", whole, whole, np.empty(0, dtype=object), whole, whole, whole)
    with own_errors(problems):
        raw = read_table(spec.path, spec.layer, at=AT, problems=problems, target=project.basin.projection)
        return _Reader(raw, project, sites, Report(problems, raw.label, AT)).table()


def check_trial_actions(
    trials: TrialTable, actions: ActionTable, sites: SiteTable, problems: Problems
) -> None:
    """Complain of trials of actions that cannot be done where they were tried, or anywhere.

    Parameters
    ----------
    trials : TrialTable
    actions : ActionTable
    sites : SiteTable
    problems : Problems

    Raises
    ------
    InputError
        With every such trial.
    """
    report = Report(problems, trials.label, AT)
    there = {(int(s), a.casefold()) for s, a in zip(actions.site_index, actions.action, strict=True)}
    names = sorted({str(a) for a in actions.action})
    anywhere = {name.casefold() for name in names}
    wrong: dict[tuple[int, str], list[int]] = {}
    for i in np.flatnonzero(trials.action != "").tolist():
        name = trials.action[i].casefold()
        at = int(trials.site[i])
        if name not in anywhere or (at >= 0 and (at, name) not in there):
            wrong.setdefault((at, str(trials.action[i])), []).append(int(trials.row[i]))
    with own_errors(problems):
        for (at, name), rows in wrong.items():
            where = f'at site "{sites.site[at]}"' if name.casefold() in anywhere else "at any site"
            message = f'{in_rows(rows)}, column "action": there is no action "{name}" {where}'
            mine = sorted({str(a) for a in actions.action[actions.site_index == at]}) if at >= 0 else names
            remedy = nearest(name, mine) or "name it as in the table of actions, or add it there"
            report.error("unknown_action", message, ids=rows, remedy=remedy)


class _Reader:
    """Turns the columns of one table into the arrays of a :class:`TrialTable`."""

    def __init__(self, raw: RawTable, project: Project, sites: SiteTable, report: Report) -> None:
        self.raw = raw
        self.keys = [s.key for s in project.species]
        self.sites = sites
        self.report = report
        self.n = len(raw.frame)
        self.columns = [str(c) for c in raw.frame.columns]

    def table(self) -> TrialTable:
        """Return the whole table."""
        self.check_columns()
        site = self.site_index()
        action = self.actions()
        where = (self.site_ids() != "") | (action != "")
        if {"site", "action"} & set(self.columns):
            what = "neither a site nor an action is named"
            self.error("missing_place", ~where, what, "name the site it was tried at, or the action, or both")
        species = self.species_index()
        offered, passed = self.counts()
        return TrialTable(self.raw.label, self.raw.row, site, action, species, offered, passed)

    def text(self, name: str) -> ObjectArray:
        """Return a column as texts, all empty where it is not there or says so."""
        cells = self.raw.text(name) if name in self.columns else np.full(self.n, "", dtype=object)
        return np.where(is_blank(cells), "", cells).astype(object)

    def named(self, name: str) -> BoolArray:
        """Tell where a cell is filled in."""
        return np.asarray(self.text(name) != "", dtype=bool)

    def error(self, kind: str, wrong: BoolArray, what: str, remedy: str) -> None:
        """Complain of the rows where `wrong` is true, if there are any."""
        if wrong.any():
            rows = true_rows(wrong, self.raw.row)
            self.report.error(kind, f"{in_rows(rows)}: {what}", ids=rows, remedy=remedy)

    def check_columns(self) -> None:
        """Complain of columns that are needed and not there; name those not used."""
        self.raw.has("species", self.report)
        have = set(self.columns)
        if not {"site", "action"} & have:
            message = 'there is neither a column "site" nor a column "action"'
            remedy = f"{nearest('site', self.columns)} say where the fish were tried, or at what".strip()
            self.report.error("missing_column", message, remedy=remedy)
        for pair in (FISH, SORTER):
            for name, other in (pair, pair[::-1]):
                if name in have and other not in have:
                    message = f'there is a column "{name}", but no column "{other}"'
                    remedy = nearest(other, self.columns) or f'add "{other}"'
                    self.report.error("missing_column", message, remedy=remedy)
        if not have & {*FISH, *SORTER}:
            message = "there are no columns of counts"
            remedy = (
                f"give {FISH[0]} and {FISH[1]} (fish), or {SORTER[0]} and {SORTER[1]} (a sorter's counts)"
            )
            self.report.error("missing_column", message, remedy=remedy)
        unused: list[str] = []
        for name in (c for c in self.columns if c not in COLUMNS):
            if nearest(name, COLUMNS):
                message = f'column "{name}" is not used'
                self.report.add("warning", "unused_column", message, remedy=nearest(name, COLUMNS))
            else:
                unused.append(name)
        if unused:
            self.report.add("note", "unused_column", f"columns not used: {some(unused, 10)}")

    def site_ids(self) -> ObjectArray:
        """Return the ids of the sites, empty where none is named; a site may be called as an empty cell is ("NA")."""
        if "site" not in self.columns:
            return np.full(self.n, "", dtype=object)
        given = ids_of(self.raw.text("site"))
        return np.where(is_blank(given) & ~np.isin(given, self.sites.site), "", given).astype(object)

    def site_index(self) -> IntArray:
        """Return the position of each row's site, -1 where none is named; complain of sites there are not."""
        return site_positions(self.site_ids(), self.raw.row, self.sites, self.report, empty_allowed=True)

    def actions(self) -> ObjectArray:
        """Return the names of the actions; the site as it is has none."""
        action = self.text("action")
        as_it_is = np.fromiter((a.casefold() == RESERVED_ACTION for a in action), dtype=bool, count=self.n)
        return np.where(as_it_is, "", action).astype(object)

    def species_index(self) -> IntArray:
        """Return the position of each row's species; complain of those the project file has not."""
        given = self.text("species")
        index = pd.Index(self.keys).get_indexer(pd.Index(given)).astype(np.int64)
        if "species" in self.columns:
            for key in dict.fromkeys(given[index < 0].tolist()):
                what = f'there is no species "{key}"' if key else "no species is named"
                remedy = f"{nearest(key, self.keys)} species are {', '.join(self.keys)}".strip()
                self.error("unknown_species", given == key, what, remedy)
        return index

    def number(self, name: str) -> FloatArray:
        """Return a column of counts; complain of cells that are no whole numbers from 0."""
        value = read_numbers(self.text(name), self.raw.row, name, self.report)
        check_range(value, self.raw.row, name, self.report, low=0.0)
        check_range(value, self.raw.row, name, self.report, high=_MOST_FISH)
        part = np.asarray(~np.isnan(value) & (value != np.floor(value)), dtype=bool)
        if part.any():
            first = value[np.flatnonzero(part)[0]]
            what = f'column "{name}": given {first:g}, allowed: whole numbers of fish'
            self.error("not_whole", part, what, "give the count, not a share or a mean of several trials")
        return value

    def counts(self) -> tuple[IntArray, IntArray]:
        """Return fish offered and passed; complain of rows without, with both kinds, or with impossible ones."""
        given = {name: self.named(name) for name in (*FISH, *SORTER)}
        fish, sorter = given[FISH[0]] | given[FISH[1]], given[SORTER[0]] | given[SORTER[1]]
        if {*FISH, *SORTER} & set(self.columns):
            remedy = f"fill in {' and '.join(FISH)}, or {' and '.join(SORTER)}; 0 is a count"
            self.error("missing_value", ~fish & ~sorter, "no counts are given", remedy)
        both = fish & sorter
        what = f"both {'/'.join(FISH)} and {'/'.join(SORTER)} are given"
        self.error("several_values", both, what, "keep the counts of one of the two")
        for pair, kind in ((FISH, fish), (SORTER, sorter)):
            for name, other in (pair, pair[::-1]):
                half = kind & given[other] & ~given[name] & ~both
                if name in self.columns and other in self.columns:
                    self.error(
                        "missing_value", half, f'"{other}" is given, but "{name}" is empty', "fill it in"
                    )
        read = {name: self.number(name) for name in (*FISH, *SORTER)}
        offered = np.where(sorter, read["let_through"] + read["held_back"], read["offered"])
        passed = np.where(sorter, read["let_through"], read["passed"])
        more = np.asarray(passed > offered, dtype=bool) & ~sorter
        if more.any():
            first = int(np.flatnonzero(more)[0])
            what = f"{passed[first]:g} passed of {offered[first]:g} offered"
            self.error("out_of_range", more, what, "at most those offered can pass: mend one of the two")
        none = np.asarray(offered == 0.0, dtype=bool)
        if none.any():
            rows = true_rows(none, self.raw.row)
            message = f"{in_rows(rows)}: no fish were offered, so the trial says nothing and is left out"
            self.report.add("warning", "no_fish", message, remedy="give how many were offered", ids=rows)
        return _whole(offered), _whole(passed)


def _whole(value: FloatArray) -> IntArray:
    """Return counts as whole numbers; those of rows at fault never get out."""
    return np.nan_to_num(np.clip(value, 0.0, 2.0 * _MOST_FISH), nan=0.0).astype(np.int64)
