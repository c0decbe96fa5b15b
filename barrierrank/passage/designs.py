"""Design checks of measured structures against the invaders of a project, and drops that cannot be at low flow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.sites import SiteTable
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.design import DesignCheck, DesignSettings, design_checks, drops_over_flows
from barrierrank.passage.frequency import FEW_YEARS, FloodFit, annual_maxima, flow_at_exceedance, log_pearson3
from barrierrank.passage.passability import run_passability
from barrierrank.passage.structures import FloatArray
from barrierrank.passage.today import Measured
from barrierrank.problems import Problems
from barrierrank.project import Project

LOW_FLOW = 0.95
"""Share of the days of the run on which low flow is exceeded; usual in passage work (common practice, no source)."""
_OCTOBER = 10
_LEAST_YEARS = 3
"""Three moments need as many floods."""
_HALF = 0.5


@dataclass(frozen=True, eq=False)
class SpeciesDesign:
    """The design check of one invader.

    Parameters
    ----------
    species : int
        Position in the project file.
    check : DesignCheck
        A row per structure.
    floods : tuple of FloodFit or None
        One per gauge.
    logs_in : (n,) bool
        Whether stop-logs are in while most of the run comes by.
    """

    species: int
    check: DesignCheck
    floods: tuple[FloodFit | None, ...]
    logs_in: NDArray[np.bool_]


def design_of(project: Project, measured: Measured, problems: Problems) -> list[SpeciesDesign]:
    """Check the structures against every invader that a drop stops, with abilities and a run in the project file."""
    out = []
    settings = DesignSettings(
        project.passage.design_return_years, project.passage.tailwater_error_m, project.passage.roughness_error
    )
    structures = measured.structures
    lip = structures.numbers[:, f.LIP] > 0.0
    for c, k in enumerate(measured.species.tolist()):
        if project.species[k].role != "invasive" or np.isnan(measured.fish[c, f.REQUIRED_DROP]):
            continue
        required = np.where(lip, measured.fish[c, f.REQUIRED_DROP_LIP], measured.fish[c, f.REQUIRED_DROP])
        used = set(structures.gauge.tolist())
        floods = tuple(
            _flood(project, measured, c, g, problems) if g in used else None for g in range(len(measured.flows))
        )
        logs = logs_in_run(measured, c)
        check = design_checks(
            structures, required, floods, low_flow=low_flows(measured, c), logs_in=logs, settings=settings
        )  # fmt: skip
        out.append(SpeciesDesign(k, check, floods, logs))
    return out


def low_flows(measured: Measured, c: int) -> FloatArray:
    """Return the discharge at each structure that is exceeded on 95 % of the days of a run [m3/s]; NaN = not known.

    Parameters
    ----------
    measured : Measured
    c : int
        Which of the species that are worked out.
    """
    days, structures = measured.days, measured.structures
    of_gauge = [
        float(flow_at_exceedance(np.exp(days.log_flow[g][days.weight[c, g] > 0.0]), LOW_FLOW))
        for g in range(len(measured.flows))
    ]
    low = np.array([*of_gauge, np.nan])[structures.gauge]
    return np.asarray(structures.flow_factor * low**structures.flow_exponent)


def _flood(project: Project, measured: Measured, c: int, g: int, problems: Problems) -> FloodFit | None:
    """Fit the greatest flows of the run, or of the year, at one gauge."""
    days, flows = measured.days, measured.flows
    if project.passage.design_season == "run":
        here = (days.weight[c, g] > 0.0) & (days.year[c] >= 0)
        year = np.where(here, days.year[c], -1)
        maxima = annual_maxima(np.exp(days.log_flow[g]), year, least_complete=0.0)
    else:
        month = flows.day.astype("datetime64[M]").astype(np.int64)
        water_year = 1970 + (month + 12 - _OCTOBER + 1) // 12  # from October on; above 0 before 1970 too
        maxima = annual_maxima(flows.discharge[g], water_year, least_complete=project.passage.least_complete, days=365)
    known = int((maxima > 0.0).sum())
    remedy = "take the design flood as a rough guess, or use a longer record"
    if known < _LEAST_YEARS:
        remedy = "use a longer record: without a design flood the drop that is left and the raise needed are not known"
    if known < FEW_YEARS:
        _tell_few(project, measured, g, known, remedy, problems)
    return None if known < _LEAST_YEARS else log_pearson3(maxima, peak_factor=project.passage.peak_factor)


def _tell_few(
    project: Project, measured: Measured, g: int, years: int, remedy: str, problems: Problems
) -> None:
    """Tell, once, that a gauge has few years for the design flood; warn where there are too few to work one out."""
    wanted = f"{project.passage.design_return_years:g} years"
    held = f"{years} year{'' if years == 1 else 's'}"
    message = f"[flows]: gauge {measured.flows.gauge[g]} has {held} with flow for the design flood of {wanted}"
    if not any(p.kind == "few_years" and p.message == message for p in problems):
        tell = problems.note if years >= _LEAST_YEARS else problems.warning
        tell("few_years", message, where=measured.flows.label, remedy=remedy)


def logs_in_run(measured: Measured, c: int) -> NDArray[np.bool_]:
    """Tell at which structures logs are in while at least half of a run comes by, (n,).

    Parameters
    ----------
    measured : Measured
    c : int
        Which of the species that are worked out.
    """
    structures, day = measured.structures, measured.days.day_of_year
    out = np.ones(len(structures), dtype=bool)
    for i in np.flatnonzero(structures.up_from >= 0):
        weight = measured.days.weight[c, max(int(structures.gauge[i]), 0)]
        first, last = structures.up_from[i], structures.up_to[i]
        up = (day >= first) & (day <= last) if first <= last else (day >= first) | (day <= last)
        out[i] = weight[up].sum() >= _HALF * weight.sum()
    return out


def tailwater_range(project: Project, measured: Measured) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and the highest passability of the structures that the estimate of the tailwater allows.

    Parameters
    ----------
    project : Project
        With `tailwater_error_m` [m] and `roughness_error` of [passage].
    measured : Measured

    Returns
    -------
    low, high : (n, C) float64
        Means of the years, of three cases: as worked out, and with the water below lower in a smoother channel and
        higher in a rougher one. NaN where one of them could not be worked out.
    """
    error, rough = project.passage.tailwater_error_m, project.passage.roughness_error
    found = [measured.passage.mean]
    for sign in (-1.0, 1.0) if error or rough else ():
        case = measured.structures.shifted(sign * error, 1.0 + sign * rough)
        passage, _ = run_passability(case, measured.fish, measured.days, crest_reach_m=measured.crest_reach_m)
        found.append(passage.mean)
    stacked = np.stack(found)
    return np.asarray(stacked.min(axis=0)), np.asarray(stacked.max(axis=0))


def tell_drops(measured: Measured, designs: Sequence[SpeciesDesign], sites: SiteTable, problems: Problems) -> None:
    """Warn of crests that stand below the water at low flow: measured wrongly, or backed up from further down.

    Parameters
    ----------
    measured : Measured
    designs : sequence of SpeciesDesign
        Of :func:`design_of`; without any low flow is that of the first species' run.
    sites : SiteTable
    problems : Problems
    """
    structures = measured.structures
    if designs:
        low, drop = designs[0].check.low_flow, designs[0].check.drop_at_low_flow
    else:
        low = low_flows(measured, 0)
        drop = drops_over_flows(structures, low[:, None], logs_in=logs_in_run(measured, 0))[:, 0]
    crest = np.isin(structures.numbers[:, f.KIND], (f.WEIR, f.FALL))
    for i in np.flatnonzero(crest & (drop < 0.0)):
        s = int(structures.site[i])
        problems.warning(
            "negative_drop",
            f'[structures]: site "{sites.site[s]}": at low flow ({low[i]:.3g} m3/s) the water below stands '
            f"{-drop[i]:.2f} m above the crest",
            where=sites.label,
            ids=(str(sites.site[s]),),
            place=(float(sites.x[s]), float(sites.y[s])),
            remedy="check crest_m and the bed, rating or section of the channel below: they must have one datum",
        )
