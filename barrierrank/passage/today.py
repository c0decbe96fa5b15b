"""Passability of every site as it is: given, found by a trial, or worked out from structure, flow and fish."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.flows import FlowRecords
from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.structures import StructureTable
from barrierrank.passage.assemble import structures_of
from barrierrank.passage.fish import traits_of
from barrierrank.passage.kernels_fields import WAIT_DAYS
from barrierrank.passage.passability import RunDays, run_days, run_passability
from barrierrank.passage.results import Passage
from barrierrank.passage.structures import FloatArray, IntArray, Structures
from barrierrank.passage.timing import run_weights
from barrierrank.passage.trials import TrialPassability, Trials, trial_passability
from barrierrank.problems import Problems, some
from barrierrank.project import Project

ObjectArray = NDArray[np.object_]

GIVEN, TRIED, COMPUTED = "given", "trial", "computed"


@dataclass(frozen=True, eq=False)
class Measured:
    """Structures, flows and fish put together; n structures, C species.

    Parameters
    ----------
    structures : Structures
    species : (C,) int64
        Positions in the project file of the species with a run and abilities.
    fish : (C, TRAITS) float64
    days : RunDays
    flows : FlowRecords
    passage : Passage
        Of the structures as they are.
    unknown : (n,) int64
        Days of the runs with a known flow whose state could not be worked out.
    crest_reach_m : float
    """

    structures: Structures
    species: IntArray
    fish: FloatArray
    days: RunDays
    flows: FlowRecords
    passage: Passage
    unknown: IntArray
    crest_reach_m: float

    def row_of_site(self, sites: int) -> IntArray:
        """Return the row of each site's structure, -1 = none, (sites,)."""
        row = np.full(sites, -1, dtype=np.int64)
        row[self.structures.site] = np.arange(len(self.structures))
        return row

    def means(self, passage: Passage, species: int) -> FloatArray:
        """Return mean passabilities with a column for each species of the project, NaN for those not worked out."""
        out = np.full((passage.p.shape[0], species), np.nan)
        out[:, self.species] = passage.mean
        return out


@dataclass(frozen=True, eq=False)
class SitePassability:
    """Passability of the sites as they are; n sites, S species.

    Parameters
    ----------
    p : (n, S) float64
    source : (n, S) object array of str
        given, trial or computed.
    trial : (n, S) int64
        Which of the trials speaks of it, -1 = none.
    """

    p: FloatArray
    source: ObjectArray
    trial: IntArray


@dataclass(frozen=True, eq=False)
class Tried:
    """Trials added up, and what they say.

    Parameters
    ----------
    trials : Trials
    says : TrialPassability
    stands_for : (t,) float64
        Passability to reckon with: for an invader the upper bound, if the project says so.
    """

    trials: Trials
    says: TrialPassability
    stands_for: FloatArray


def try_out(project: Project, trials: Trials, problems: Problems) -> Tried:
    """Turn counts into passabilities; trials of one thing that differ more than chance would have it are told."""
    spec = project.trials
    prior, confidence = ((1.0, 1.0), 0.95) if spec is None else (spec.prior, spec.confidence)
    how = "upper" if spec is None else spec.invasive
    says = trial_passability(trials.passed, trials.offered, prior=prior, confidence=confidence)
    invasive = np.array([s.role == "invasive" for s in project.species])
    stands_for = says.stands_for(invasive[trials.species], how="upper" if how == "upper" else "mean")
    for t in np.flatnonzero(trials.alike < 0.01):
        problems.warning(
            "trials_differ",
            f"[trials]: {trials.count[t]} trials of {project.species[trials.species[t]].label}"
            f"{f' at {trials.action[t]}' if trials.action[t] else ''} differ more than chance would have it",
            where=project.path.name,
            remedy="look at what differed (flow, season, size of fish); bounds are too narrow where trials are unlike",
        )
    return Tried(trials, says, stands_for)


def measure(
    project: Project, table: StructureTable, flows: FlowRecords, site_area_km2: FloatArray, problems: Problems
) -> Measured | None:
    """Work out the passability of the measured structures as they are; None where nothing asks for it.

    Parameters
    ----------
    site_area_km2 : (sites,) float64
        Drainage area of each site [km2]; NaN where not known.
    """
    species = np.array(
        [k for k, s in enumerate(project.species) if s.swimming is not None and s.run is not None], dtype=np.int64
    )
    if project.flows is None or not len(table) or not species.size:
        return None
    structures = structures_of(table, site_area_km2, flows, project.flows, problems)
    chosen = [project.species[k] for k in species.tolist()]
    fish = traits_of(chosen)
    runs = [
        run_weights(s.run, flows, project.passage.least_complete, problems, at=f"species.{s.key}.run")
        for s in chosen
        if s.run is not None
    ]
    days = run_days(flows.day, flows.discharge, flows.temperature, runs, fish[:, WAIT_DAYS].tolist())
    reach = project.passage.crest_reach_m
    passage, unknown = run_passability(structures, fish, days, crest_reach_m=reach)
    if unknown.any():
        rows = true_rows(unknown > 0, table.row)
        Report(problems, table.label, "[structures]").add(
            "warning", "no_state",
            f"{in_rows(rows)}: what the water does cannot be worked out on {int(unknown.max()):,} days of the runs",
            remedy="check the measures of these structures and of the channel below them", ids=rows,
        )  # fmt: skip
    return Measured(structures, species, fish, days, flows, passage, unknown, reach)


def sites_today(
    project: Project, sites: SiteTable, measured: Measured | None, tried: Tried, problems: Problems
) -> SitePassability:
    """Return the passability of every site as it is: what is given comes first, then trials, then what is worked out.

    Parameters
    ----------
    problems : Problems
        An error for every species with sites of which nothing is known.
    """
    n, count = len(sites), len(project.species)
    trial = tried.trials.of_sites(n, count)
    from_trial = np.where(trial >= 0, np.append(tried.stands_for, np.nan)[trial], np.nan)
    worked_out = np.full((n, count), np.nan)
    if measured is not None:
        worked_out[measured.structures.site] = measured.means(measured.passage, count)
    p, source = sites.passability.copy(), np.full((n, count), "", dtype=object)
    source[~np.isnan(p)] = GIVEN
    for values, word in ((from_trial, TRIED), (worked_out, COMPUTED)):
        fill = np.isnan(p) & ~np.isnan(values)
        p[fill], source[fill] = values[fill], word
    _tell_overridden(project, sites, source, worked_out, problems)
    _tell_missing(project, sites, p, measured, problems)
    return SitePassability(p, source, trial)


def _tell_overridden(
    project: Project, sites: SiteTable, source: ObjectArray, worked_out: FloatArray, problems: Problems
) -> None:
    """Note where a given number stands against what structure and flow say."""
    for k, species in enumerate(project.species):
        off = (source[:, k] == GIVEN) & (np.abs(sites.passability[:, k] - worked_out[:, k]) > 0.2)
        for i in np.flatnonzero(off):
            problems.note(
                "given_unlike_computed",
                f'site "{sites.site[i]}": the passability given for {species.label}, {sites.passability[i, k]:.2f}, is '
                f"used; structure and flow would make it {worked_out[i, k]:.2f}",
                where=sites.label,
                ids=(str(sites.site[i]),),
                place=(float(sites.x[i]), float(sites.y[i])),
                remedy="leave the cell empty to use what is worked out",
            )


def _tell_missing(
    project: Project, sites: SiteTable, p: FloatArray, measured: Measured | None, problems: Problems
) -> None:
    """Complain of sites of which nothing is known, those with one reason together, and species that share them."""
    row = np.full(len(sites), -1) if measured is None else measured.row_of_site(len(sites))
    alike: dict[tuple[str, tuple[int, ...]], list[str]] = {}
    for k, species in enumerate(project.species):
        because: dict[str, list[int]] = {}
        for i in np.flatnonzero(np.isnan(p[:, k])).tolist():
            because.setdefault(why_not(project, measured, k, int(row[i])), []).append(i)
        for why, at in because.items():
            alike.setdefault((why, tuple(at)), []).append(f"[species.{species.key}]")
    for (why, places), keys in alike.items():
        at = list(places)
        names = some([f'"{s}"' for s in sites.site[at]])
        problems.error(
            "missing_passability",
            f"{', '.join(keys)} passability: site{'s' if len(at) > 1 else ''} {names}: not given, and it cannot be "
            f"worked out: {why}",
            where=sites.label,
            ids=tuple(str(s) for s in sites.site[at]),
            remedy="give a number from 0 to 1 or a word of [ratings], or what is needed to work it out",
        )


def why_not(project: Project, measured: Measured | None, k: int, row: int, *, unknown: int | None = None) -> str:
    """Say why the passability of a site is not worked out.

    Parameters
    ----------
    project : Project
    measured : Measured or None
    k : int
        Position of the species in the project file.
    row : int
        Of the site's structure, -1 = none.
    unknown : int, optional
        Days whose state could not be worked out; without it those of the structure as it is.
    """
    species = project.species[k]
    if project.structures is None:
        return "there are no [structures] to work it out from"
    lacking = [name for name in ("swimming", "run") if getattr(species, name) is None]
    if lacking:
        tables = " and ".join(f"[species.{species.key}.{name}]" for name in lacking)
        return f"{tables} {'are' if len(lacking) > 1 else 'is'} not given"
    if measured is None or row < 0:
        tried = "" if project.trials is None else ", nor tried in [trials]"
        return f"the site is not measured in [structures]{tried}"
    if measured.structures.gauge[row] < 0:
        return "the flow at the site is not known (its drainage area or gauge)"
    if (measured.unknown[row] if unknown is None else unknown) > 0:
        return "what the water does there could not be worked out"
    return "no year of the record has a run that can be timed and has flows on enough of its days"
