"""Habitat of every species on every reach: plain sizes, or life stages judged by curves, limits and surveys."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.habitat.amounts import habitat_on_reaches, tell_amount
from barrierrank.habitat.attributes import Known, known_of_reaches
from barrierrank.habitat.curves import curve_of
from barrierrank.habitat.kernels_drift import rearing_by_source
from barrierrank.habitat.stages import (
    Limits,
    StageHabitat,
    StageSpec,
    above_falls,
    attribute_faults,
    spawning_sources,
    stage_habitat,
    tell_stage,
)
from barrierrank.habitat.survey import Model, agreement, apply_survey
from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.report import Report
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.survey import SurveySource, SurveyTable, read_survey
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems
from barrierrank.project import Project, SpeciesSpec
from barrierrank.project_habitat import STAGES, StageTable

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Stage = tuple[str, str]

FALL_KINDS = ("fall", "falls", "waterfall", "natural fall")
"""Kinds of site that are natural falls, whatever their letters' case."""


@dataclass(frozen=True, eq=False)
class ReachHabitat:
    """Habitat on n reaches for S species.

    Parameters
    ----------
    amount : (n, S) float64
        Where it lies [m, m2 or the user's units].
    counted : (n, S) float64
        The same at the reach whose access decides on it: rearing that depends on spawning within a drift distance
        stands at that spawning. Elsewhere equal to `amount`.
    known : Known
        What the reaches are like.
    stages : Mapping of (species, stage) to StageHabitat
    surveyed : Mapping of (species, stage) to (n,) bool
    modelled : Mapping of (species, stage) to (n,) float64
        Quality by the model alone, for stages with a survey.
    source : Mapping of species to (n,) int64
        For rearing that depends on spawning: the reach whose access decides, -1 for none.
    """

    amount: Floats
    counted: Floats
    known: Known
    stages: Mapping[Stage, StageHabitat]
    surveyed: Mapping[Stage, Bools]
    modelled: Mapping[Stage, Floats]
    source: Mapping[str, Ints]

    def shares(self, species: str, stage: str) -> dict[str, float]:
        """Return how much of a stage's size (area or length) was surveyed, and how much of what it asks is not known.

        Parameters
        ----------
        species, stage : str

        Returns
        -------
        dict
            `surveyed_share` and `missing_share`, 0 to 1, weighed by size; NaN where no size is known.
        """
        made = self.stages[species, stage]
        size = np.nan_to_num(made.size)
        total = float(size.sum())
        surveyed = float(size[self.surveyed[species, stage]].sum())
        missing = float(size @ made.missing)
        if total <= 0.0:
            return {"surveyed_share": float("nan"), "missing_share": float("nan")}
        return {"surveyed_share": surveyed / total, "missing_share": missing / total}

    def at_source(self, species: str, values: Floats, k: int) -> Floats:
        """Return the greatest of `values` (n,) over the reaches with habitat that each reach's access decides on.

        Parameters
        ----------
        species : str
        values : (n,) float64
        k : int
            Place of the species.
        """
        if species not in self.source:
            return values
        out = np.zeros(values.size)
        here = np.flatnonzero((self.amount[:, k] > 0.0) & (self.source[species] >= 0))
        np.maximum.at(out, self.source[species][here], np.nan_to_num(values[here]))
        return out


def build_habitat(
    project: Project, network: RiverNetwork, lines: LineTable, sites: SiteTable, problems: Problems
) -> ReachHabitat:
    """Work out the habitat of every species on every reach.

    Parameters
    ----------
    project : Project
    network : RiverNetwork
    lines : LineTable
    sites : SiteTable
        For natural falls.
    problems : Problems

    Raises
    ------
    InputError
        When rasters or a survey cannot be read, or a stage asks for what is not known.
    """
    known = known_of_reaches(project, network, lines, problems)
    falls = np.isin([str(k).strip().casefold() for k in sites.kind], FALL_KINDS)
    barred = np.zeros(len(network), dtype=np.bool_)
    at_foot = np.flatnonzero(network.site >= 0)
    barred[at_foot] = falls[network.site[at_foot]]
    stages: dict[Stage, StageHabitat] = {}
    surveyed: dict[Stage, Bools] = {}
    modelled: dict[Stage, Floats] = {}
    survey = _survey(project, lines, problems)
    for species in project.species:
        for table in species.stages.values():
            model = Model(_stage_spec(table), known.attributes, above_falls(network, barred))
            key = (species.key, table.stage)
            report = Report(problems, project.path.name, f"[species.{species.key}.{table.stage}]")
            faults = attribute_faults(model.spec, model.attributes)
            for fault in faults:
                report.error("habitat_attribute", fault.message, remedy=fault.remedy)
            if faults:
                continue
            made = stage_habitat(network, model.spec, model.attributes, above_fall=model.above_fall)
            modelled[key] = made.quality
            stages[key], surveyed[key] = _with_survey(project, network, made, survey, key, model, problems)
            tell_stage(stages[key], model.spec, model.attributes, lines.source_id[network.row], report)
    problems.stop_on_errors()
    amounts = [_amount(s, network, lines, known, stages, problems) for s in project.species]
    for species, amount in zip(project.species, amounts, strict=True):
        tell_amount(network, lines, species.key, amount, problems)
    source = {s.key: found for s in project.species if (found := _source(s, network, stages)) is not None}
    counted = [
        np.asarray(rearing_by_source(a, source[s.key])) if s.key in source else a
        for s, a in zip(project.species, amounts, strict=True)
    ]
    return ReachHabitat(np.column_stack(amounts), np.column_stack(counted), known, stages, surveyed, modelled, source)


def _stage_spec(table: StageTable) -> StageSpec:
    curves = {name: curve_of(curve) for name, curve in table.curves.items()}
    limits = Limits(table.gradient_above, table.drainage_area_below_km2, table.below_falls_only)
    return StageSpec(table.stage, table.measure, table.combine, curves, limits, table.drift_km)


def _amount(
    species: SpeciesSpec, network: RiverNetwork, lines: LineTable, known: Known,
    stages: Mapping[Stage, StageHabitat], problems: Problems,
) -> Floats:  # fmt: skip
    if species.habitat in STAGES:
        return stages[species.key, species.habitat].amount
    return habitat_on_reaches(
        network, lines, species=species.key, habitat=species.habitat, width_m=known.width_m, problems=problems
    )


def _source(species: SpeciesSpec, network: RiverNetwork, stages: Mapping[Stage, StageHabitat]) -> Ints | None:
    """Return the reach whose access decides on each reach's rearing, None where it is the reach itself."""
    table = species.stages.get(species.habitat)
    if table is None or table.drift_km is None:
        return None
    return spawning_sources(network, stages[species.key, "spawning"].amount, table.drift_km)[0]


def _survey(project: Project, lines: LineTable, problems: Problems) -> SurveyTable | None:
    if project.survey is None:
        return None
    spec = project.survey
    labels = {
        s.key: {
            stage: {label for curve in table.curves.values() if isinstance(curve, Mapping) for label in curve}
            for stage, table in s.stages.items()
        }
        for s in project.species
    }
    source = SurveySource(spec.path, spec.layer, spec.crs, project.basin.projection)
    return read_survey(source, lines.source_id, labels, problems)


def _with_survey(
    project: Project, network: RiverNetwork, made: StageHabitat, survey: SurveyTable | None, key: Stage,
    model: Model, problems: Problems,
) -> tuple[StageHabitat, Bools]:  # fmt: skip
    """Put what was measured in the place of what was modelled, and tell how the two agree."""
    records = None if survey is None else survey.of(*key)
    if records is None or len(records) == 0:
        return made, np.zeros(len(network), dtype=np.bool_)
    after, surveyed = apply_survey(
        network, made, records, model, tolerance_m=project.sites.snap_tolerance_m, problems=problems
    )
    fit = agreement(made.quality[surveyed], after.quality[surveyed])
    if fit.n:
        problems.note(
            "survey_agreement",
            f"[species.{key[0]}.{key[1]}]: over {fit.n} surveyed reaches the model's quality is off by "
            f"{fit.bias:+.2f} on the average (RMSE {fit.rmse:.2f}"
            + (f", correlation {fit.correlation:.2f})" if np.isfinite(fit.correlation) else ")"),
            where=records.label,
        )
    return after, surveyed
