"""Design checks of measured structures against the invaders of a project, and drops that cannot be at low flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.sites import SiteTable
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.design import DesignCheck, DesignSettings, design_checks
from barrierrank.passage.frequency import FloodFit, annual_maxima, flow_at_exceedance, log_pearson3
from barrierrank.passage.kernels_days import is_up
from barrierrank.passage.structures import FloatArray
from barrierrank.passage.today import Measured
from barrierrank.problems import Problems
from barrierrank.project import Project

LOW_FLOW = 0.95
"""Share of the days of the run on which low flow is exceeded; usual in passage work (common practice, no source)."""
_OCTOBER = 10
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
        floods = tuple(_flood(project, measured, c, g, problems) for g in range(len(measured.flows)))
        logs = _logs_in(measured, c)
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
        water_year = (month + 12 - _OCTOBER + 1) // 12  # from October on
        maxima = annual_maxima(flows.discharge[g], water_year, least_complete=project.passage.least_complete, days=365)
    if np.isfinite(maxima).sum() < 3:  # noqa: PLR2004 - three moments
        return None
    fit = log_pearson3(maxima, peak_factor=project.passage.peak_factor)
    if fit.few:
        problems.note(
            "few_years",
            f"[flows]: gauge {flows.gauge[g]} has {fit.years} years for the design flood of "
            f"{project.passage.design_return_years:g} years",
            where=flows.label,
            remedy="take the design flood as a rough guess, or use a longer record",
        )
    return fit


def _logs_in(measured: Measured, c: int) -> NDArray[np.bool_]:
    """Tell at which structures logs are in while at least half of a run comes by."""
    structures, days = measured.structures, measured.days
    out = np.ones(len(structures), dtype=bool)
    for i in np.flatnonzero(structures.up_from >= 0):
        weight = days.weight[c, max(int(structures.gauge[i]), 0)]
        first, last = int(structures.up_from[i]), int(structures.up_to[i])
        up = np.array([is_up(int(d), first, last) for d in days.day_of_year])
        out[i] = weight[up].sum() >= _HALF * weight.sum()
    return out


def tell_drops(measured: Measured, designs: list[SpeciesDesign], sites: SiteTable, problems: Problems) -> None:
    """Warn of crests that stand below the water at low flow: measured wrongly, or backed up from further down."""
    if not designs:
        return
    check, structures = designs[0].check, measured.structures
    crest = np.isin(structures.numbers[:, f.KIND], (f.WEIR, f.FALL))
    for i in np.flatnonzero(crest & (check.drop_at_low_flow < 0.0)):
        s = int(structures.site[i])
        problems.warning(
            "negative_drop",
            f'[structures]: site "{sites.site[s]}": at low flow ({check.low_flow[i]:.3g} m3/s) the water below stands '
            f"{-check.drop_at_low_flow[i]:.2f} m above the crest",
            where=sites.label,
            ids=(str(sites.site[s]),),
            place=(float(sites.x[s]), float(sites.y[s])),
            remedy="check crest_m and the bed, rating or section of the channel below: they must have one datum",
        )
