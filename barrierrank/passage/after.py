"""Passability of sites after what is done there: given, tried, worked out anew, or as today."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.report import Report, in_rows
from barrierrank.inputs.sites import SiteTable
from barrierrank.passage.changes import DEVICES, Changes, changed, with_device
from barrierrank.passage.passability import run_passability
from barrierrank.passage.structures import FloatArray, IntArray, Structures
from barrierrank.passage.today import COMPUTED, GIVEN, TRIED, Measured, SitePassability, Tried, why_not
from barrierrank.problems import Problems
from barrierrank.project import Project

BoolArray = NDArray[np.bool_]

_OPEN_ENDED = (1, 366)
"""Dates a seasonal crest without dates stands for until the best ones are found: up all the year."""
_TELLING = 0.01
"""Differences of passability up to this are not worth telling."""
_ORIGIN = {GIVEN: "given", TRIED: "from a trial", COMPUTED: "worked out"}


@dataclass(frozen=True, eq=False)
class ActionPassability:
    """Passability after each action; m actions, S species.

    Parameters
    ----------
    p : (m, S) float64
    fixed : (m, S) bool
        Given in the table or found by a trial: dates found later do not change it.
    undated : (j,) int64
        Seasonal crests whose dates are not given: the best ones are to be found.
    crests : Structures
        Their structures, j rows, with the movable crest and no dates yet.
    beyond : (j, S) float64
        What is added to a passability worked out for these: by how much today's, where it is given or tried, is above
        what structure and flow make of it; 0 elsewhere.
    yearly : (m, C, Y) float64 or None
        Passability of each year, for the species and years of what is measured; NaN where it is not worked out, and for
        crests whose dates are to be found. None without measured structures.
    """

    p: FloatArray
    fixed: BoolArray
    undated: IntArray
    crests: Structures | None
    beyond: FloatArray
    yearly: FloatArray | None


def actions_after(
    project: Project, tables: tuple[SiteTable, ActionTable], today: SitePassability, measured: Measured | None,
    tried: Tried, problems: Problems,
) -> ActionPassability:  # fmt: skip
    """Work out the passability after every action.

    What the table gives comes first. Else a trial of the action; where the action puts in a device, the trial is one of
    the device, which works beside the structure. Else the structure as the action changes it (where today's passability
    is given or tried: today's and the difference that the change makes), or the efficiency of the device from the
    table. Where the action changes nothing, the site as it is today.

    Parameters
    ----------
    tables : SiteTable, ActionTable
    problems : Problems
        Errors for changes that cannot be made, lack measures or cannot be judged.
    """
    actions = tables[1]
    count = len(project.species)
    now = today.p[actions.site_index]
    trial = tried.trials.of_actions(actions.site_index, actions.action, count)
    tried_p = np.where(trial >= 0, np.append(tried.stands_for, np.nan)[trial], np.nan)
    device = np.isin(actions.change, DEVICES)
    fixed = actions.given | (~device[:, None] & ~np.isnan(tried_p))
    works = _Works(project, tables, measured, problems)
    undated, crests, worked_out = works.after(today, fixed)
    p = np.where(((actions.change != "") & ~device)[:, None], worked_out, now)
    efficiency = np.where(np.isnan(tried_p), actions.efficiency, tried_p)
    beside = device[:, None] & ~actions.given
    _tell_without_efficiency(project, actions, beside & np.isnan(efficiency), problems)
    p = np.where(beside, with_device(now, np.where(np.isnan(efficiency), 0.0, efficiency)), p)
    p = np.where(actions.given, actions.passability, np.where(fixed, tried_p, p))
    beyond = _beyond(today, measured, actions.site_index[undated])
    return ActionPassability(p, fixed, undated, crests, beyond, works.yearly)


def _beyond(today: SitePassability, measured: Measured | None, site: IntArray) -> FloatArray:
    """Return by how much today's passability of some sites is above what is worked out for them, 0 without that."""
    if measured is None or not site.size:
        return np.zeros((site.size, today.p.shape[1]))
    was = measured.means(measured.passage, today.p.shape[1])[measured.row_of_site(len(today.p))[site]]
    return np.nan_to_num(today.p[site] - was, nan=0.0)


class _Works:
    """Works that change measured structures: made, and judged anew."""

    def __init__(
        self, project: Project, tables: tuple[SiteTable, ActionTable], measured: Measured | None, problems: Problems
    ) -> None:  # fmt: skip
        self.project = project
        self.sites, self.actions = tables
        self.measured = measured
        self.problems = problems
        self.report = Report(problems, self.actions.label, "[actions]")
        n = len(self.sites)
        row = np.full(n, -1, dtype=np.int64) if measured is None else measured.row_of_site(n)
        self.row = row[self.actions.site_index]
        self.yearly: FloatArray | None = None
        if measured is not None:
            self.yearly = np.full((len(self.actions), *measured.passage.p.shape[1:]), np.nan)

    def after(self, today: SitePassability, fixed: BoolArray) -> tuple[IntArray, Structures | None, FloatArray]:
        """Return undated seasonal crests, their structures and the passability after the changes.

        Parameters
        ----------
        today : SitePassability
        fixed : (m, S) bool
            Passabilities that are known without.
        """
        actions, measured = self.actions, self.measured
        out = today.p[actions.site_index]
        out[actions.change == "remove"] = 1.0
        asked = (actions.change != "") & ~fixed.all(axis=1)
        device = np.isin(actions.change, DEVICES)
        lacking = asked & ~device & (actions.change != "remove") & (self.row < 0)
        for i in np.flatnonzero(lacking).tolist():
            self.tell_unmeasured(i, fixed)
        none = np.empty(0, dtype=np.int64)
        if measured is None:
            return none, None, out
        beside = np.flatnonzero(asked & device & (self.row >= 0))
        self.changed(measured.structures, beside, np.zeros(beside.size, dtype=bool))  # told where it cannot be
        rows = np.flatnonzero(asked & ~device & (self.row >= 0))
        if not rows.size:
            return none, None, out
        undated = (actions.change[rows] == "seasonal") & (actions.crest_up[rows] < 0) & (actions.crest_down[rows] < 0)
        after, possible = self.changed(measured.structures, rows, undated)
        passage, unknown = run_passability(after, measured.fish, measured.days, crest_reach_m=measured.crest_reach_m)
        made = measured.means(passage, len(self.project.species))
        if self.yearly is not None:
            self.yearly[rows[~undated]] = passage.p[~undated]
        known = ~np.isnan(made)
        open_ = ~fixed[rows] & possible[:, None]
        told = np.isnan(today.p[actions.site_index[rows]])  # of today, for the same reason
        self.tell_unknown(rows, open_ & ~known & ~told & (actions.change[rows] != "remove")[:, None], unknown)
        reckoned = self.from_today(rows, open_ & known & ~undated[:, None], made, today)
        out[rows] = np.where(known, reckoned, out[rows])
        at = np.flatnonzero(undated & possible)
        if not at.size:
            return none, None, out
        crests = after.take(at)
        self.check_down(crests, rows[at], open_[at])
        return rows[at], crests, out

    def check_down(self, crests: Structures, rows: IntArray, open_: BoolArray) -> None:
        """Complain of seasonal crests that cannot be judged when they are down: no dates could be found for them."""
        assert self.measured is not None
        never = np.zeros(len(crests), dtype=np.int64)
        lowered = replace(crests, up_from=never, up_to=never)
        passage, unknown = run_passability(
            lowered, self.measured.fish, self.measured.days, crest_reach_m=self.measured.crest_reach_m
        )
        self.tell_unknown(rows, open_ & np.isnan(self.measured.means(passage, open_.shape[1])), unknown)

    def changed(self, structures: Structures, rows: IntArray, undated: BoolArray) -> tuple[Structures, BoolArray]:
        """Return the structures after some actions, and which of these are possible; the others are told."""
        actions = self.actions
        up, down = actions.crest_up[rows].copy(), actions.crest_down[rows].copy()
        up[undated], down[undated] = _OPEN_ENDED
        what = Changes(
            self.row[rows], actions.change[rows], actions.change_m[rows], actions.change_width_m[rows], up, down
        )
        after, impossible = changed(structures, what)
        possible = np.ones(rows.size, dtype=bool)
        for fault in impossible:
            possible[fault.change] = False
            self.error("impossible_change", int(rows[fault.change]), fault.words, fault.remedy)
        return after, possible

    def error(self, kind: str, i: int, words: str, remedy: str) -> None:
        """Complain of one action."""
        self.report.error(kind, f"{self.named(i)}: {words}", remedy=remedy, ids=[int(self.actions.row[i])])

    def named(self, i: int) -> str:
        """Return what one action is called by."""
        site = self.sites.site[self.actions.site_index[i]]
        return f'row {int(self.actions.row[i])} (site "{site}", {self.actions.action[i]})'

    def tell_unmeasured(self, i: int, fixed: BoolArray) -> None:
        """Complain of a change at a site that is not measured."""
        species = self.project.species
        able = [s.swimming is not None and s.run is not None for s in species]
        k = max(np.flatnonzero(~fixed[i]).tolist(), key=lambda k: (able[k], -k))
        why = why_not(self.project, self.measured, k, -1)
        self.error(
            "change_unmeasured", i, f'change "{self.actions.change[i]}" is to be worked out, but {why}',
            "measure the site and its channel, or give passability_<species> for every species",
        )  # fmt: skip

    def tell_unknown(self, rows: IntArray, lost: BoolArray, unknown: IntArray) -> None:
        """Complain of what cannot be worked out after a change; what stands today says nothing of it."""
        because: dict[tuple[int, str], list[int]] = {}
        for j, k in np.argwhere(lost).tolist():
            i = int(rows[j])
            why = why_not(self.project, self.measured, k, int(self.row[i]), unknown=int(unknown[j]))
            because.setdefault((k, why), []).append(int(self.actions.row[i]))
        for (k, why), at in because.items():
            species = self.project.species[k]
            self.report.error(
                "change_unknown",
                f"{in_rows(at)}: how much of the run of {species.label} gets past afterwards cannot be worked out: "
                f"{why}",
                remedy=f"give passability_{species.key}, or what is needed to work it out", ids=at,
            )  # fmt: skip

    def from_today(self, rows: IntArray, open_: BoolArray, made: FloatArray, today: SitePassability) -> FloatArray:
        """Return passabilities after changes, as today's plus what the change makes of it, (k, S); NaN as in `made`.

        Where today's is worked out this is what is worked out for afterwards. Where it is given or tried, it may differ
        from what structure and flow say of today (a leak, a trial of few fish): that difference is not the change's.
        Nothing is left to differ once a structure is removed.
        """
        assert self.measured is not None
        site = self.actions.site_index[rows]
        now, was = today.p[site], self.measured.means(self.measured.passage, made.shape[1])[self.row[rows]]
        reckoned = np.clip(now + (made - was), 0.0, 1.0)
        reckoned = np.where(np.isnan(reckoned) | (now == was), made, reckoned)
        gone = self.actions.change[rows] == "remove"
        reckoned[gone] = made[gone]
        for j, k in np.argwhere(open_ & (np.abs(reckoned - made) > _TELLING)).tolist():
            self.report.add(
                "note", "two_origins",
                f"{self.named(int(rows[j]))}: {self.project.species[k].label}: today's {now[j, k]:.2f} is "
                f"{_ORIGIN[today.source[site[j], k]]}, while structure and flow make it {was[j, k]:.2f} today and "
                f"{made[j, k]:.2f} afterwards; that difference is added to today's: {reckoned[j, k]:.2f}",
                remedy=f"give passability_{self.project.species[k].key}, or leave that of the site to be worked out",
                ids=[int(self.actions.row[rows[j]])],
            )  # fmt: skip
        return reckoned


def _tell_without_efficiency(
    project: Project, actions: ActionTable, missing: BoolArray, problems: Problems
) -> None:
    """Complain of devices of which it is not known what they let past."""
    for k, species in enumerate(project.species):
        rows = actions.row[missing[:, k]].tolist()
        if rows:
            Report(problems, actions.label, "[actions]").error(
                "no_efficiency",
                f"{in_rows(rows)}: a device is put in, but it is not said what it lets past of {species.label}",
                remedy=f"give efficiency_{species.key} (0 = none gets past), a trial of the action, or "
                f"passability_{species.key}",
                ids=rows,
            )  # fmt: skip
