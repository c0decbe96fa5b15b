"""Passability of sites after what is done there: given, tried, worked out anew, or as today."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.report import Report
from barrierrank.inputs.sites import SiteTable
from barrierrank.passage.changes import DEVICES, Changes, changed, with_device
from barrierrank.passage.passability import run_passability
from barrierrank.passage.structures import FloatArray, IntArray, Structures
from barrierrank.passage.today import Measured, SitePassability, Tried
from barrierrank.problems import Problems
from barrierrank.project import Project

BoolArray = NDArray[np.bool_]

_OPEN_ENDED = (1, 366)
"""Dates a seasonal crest without dates stands for until the best ones are found: up all the year."""


@dataclass(frozen=True, eq=False)
class ActionPassability:
    """Passability after each action; m actions, S species.

    Parameters
    ----------
    p : (m, S) float64
    undated : (j,) int64
        Seasonal crests whose dates are not given: the best ones are to be found.
    crests : Structures
        Their structures, j rows, with the movable crest and no dates yet.
    """

    p: FloatArray
    undated: IntArray
    crests: Structures | None


def actions_after(
    project: Project, tables: tuple[SiteTable, ActionTable], today: SitePassability, measured: Measured | None,
    tried: Tried, problems: Problems,
) -> ActionPassability:  # fmt: skip
    """Work out the passability after every action.

    What the table gives comes first. Else a trial of the action; where the action puts in a device, the trial is one of
    the device, which works beside the structure. Else the structure as the action changes it, or the device's efficiency
    from the table. Else the site as it is today.

    Parameters
    ----------
    tables : SiteTable, ActionTable
    problems : Problems
        Errors for changes that cannot be made or lack measures.
    """
    sites, actions = tables
    m, count = len(actions), len(project.species)
    now = today.p[actions.site_index]
    p = np.where(actions.given, actions.passability, now)
    trial = tried.trials.of_actions(actions.site_index, actions.action, count)
    tried_p = np.where(trial >= 0, np.append(tried.stands_for, np.nan)[trial], np.nan)
    device = np.isin(actions.change, DEVICES)
    changes = (actions.change != "") & ~device
    rows, crests, worked_out = _worked_out(project, tables, now, changes, measured, problems)
    p = np.where(~actions.given & changes[:, None], worked_out, p)
    efficiency = np.where(np.isnan(tried_p), actions.efficiency, tried_p)
    beside = device[:, None] & ~actions.given
    _tell_without_efficiency(project, tables, beside & np.isnan(efficiency), problems)
    p = np.where(beside, with_device(now, np.where(np.isnan(efficiency), 0.0, efficiency)), p)
    p = np.where(~actions.given & ~device[:, None] & ~np.isnan(tried_p), tried_p, p)
    assert p.shape == (m, count)
    return ActionPassability(p, rows, crests)


def _worked_out(
    project: Project, tables: tuple[SiteTable, ActionTable], now: FloatArray, changes: BoolArray,
    measured: Measured | None, problems: Problems,
) -> tuple[IntArray, Structures | None, FloatArray]:  # fmt: skip
    """Return undated seasonal crests, their structures and the passability after changes of structures."""
    sites, actions = tables
    count = len(project.species)
    out = now.copy()
    out[actions.change == "remove"] = 1.0
    wanted = np.flatnonzero(changes & ~actions.given.all(axis=1))
    row = np.full(len(sites), -1) if measured is None else measured.row_of_site(len(sites))
    here = row[actions.site_index[wanted]] if wanted.size else np.empty(0, dtype=np.int64)
    _tell_unmeasured(tables, wanted[(here < 0) & (actions.change[wanted] != "remove")], problems)
    wanted, here = wanted[here >= 0], here[here >= 0]
    none = np.empty(0, dtype=np.int64)
    if measured is None or not wanted.size:
        return none, None, out
    up, down = actions.crest_up[wanted].copy(), actions.crest_down[wanted].copy()
    undated = (actions.change[wanted] == "seasonal") & (up < 0) & (down < 0)
    up[undated], down[undated] = _OPEN_ENDED
    asked = Changes(here, actions.change[wanted], actions.change_m[wanted], actions.change_width_m[wanted], up, down)
    after, impossible = changed(measured.structures, asked)
    report = Report(problems, actions.label, "[actions]")
    for fault in impossible:
        i = int(wanted[fault.change])
        report.error(
            "impossible_change",
            f'row {int(actions.row[i])} (site "{sites.site[actions.site_index[i]]}", {actions.action[i]}): {fault.words}',
            remedy=fault.remedy, ids=[int(actions.row[i])],
        )  # fmt: skip
    passage, _ = run_passability(after, measured.fish, measured.days, crest_reach_m=measured.crest_reach_m)
    made = measured.means(passage, count)
    out[wanted] = np.where(np.isnan(made), out[wanted], made)
    at = np.flatnonzero(undated)
    return wanted[at], after.take(at) if at.size else None, out


def _tell_unmeasured(tables: tuple[SiteTable, ActionTable], at: IntArray, problems: Problems) -> None:
    """Complain of changes at sites that are not measured."""
    sites, actions = tables
    for i in at.tolist():
        what = "its channel is" if actions.change[i] == "build" else "the site is"
        Report(problems, actions.label, "[actions]").error(
            "change_unmeasured",
            f'row {int(actions.row[i])} (site "{sites.site[actions.site_index[i]]}"): change "{actions.change[i]}" is to be '
            f"worked out, but {what} not measured in [structures]",
            remedy="measure it, or give passability_<species> for every species", ids=[int(actions.row[i])],
        )  # fmt: skip


def _tell_without_efficiency(
    project: Project, tables: tuple[SiteTable, ActionTable], missing: BoolArray, problems: Problems
) -> None:
    """Complain of devices of which it is not known what they let past."""
    sites, actions = tables
    for k, species in enumerate(project.species):
        rows = actions.row[missing[:, k]].tolist()
        if rows:
            Report(problems, actions.label, "[actions]").error(
                "no_efficiency",
                f"row{'s' if len(rows) > 1 else ''} {', '.join(map(str, rows[:5]))}: a device is put in, but not what it "
                f"lets past of {species.label}",
                remedy=f"give efficiency_{species.key} (0 = none gets past), a trial of the action, or "
                f"passability_{species.key}",
                ids=rows,
            )  # fmt: skip
