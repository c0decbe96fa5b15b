"""The stages in a row: from a project file to finished tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from barrierrank.access.connectivity import diadromous_index, potamodromous_index
from barrierrank.basin import Basin, Clock, Progress, make_basin, silent
from barrierrank.habitat.above import quality_above
from barrierrank.habitat.amounts import habitat_unit_of
from barrierrank.habitat.survey import agreement
from barrierrank.learning import Learnt, what_to_learn
from barrierrank.outputs.frames import (
    priority_frame,
    problems_frame,
    reaches_frame,
    receiving_frame,
    sites_frame,
)
from barrierrank.outputs.model import (
    OutputModel,
    SeasonTrade,
    SitePassage,
    SpeciesLook,
    StemProfile,
    SurveyFit,
    UncertaintyLook,
)
from barrierrank.outputs.passage_frames import passage_frame, season_trades, site_passages
from barrierrank.outputs.passage_table import sites_with_passage, with_words
from barrierrank.outputs.record import run_record
from barrierrank.outputs.stems import stem_profiles
from barrierrank.passage.designs import design_of, tell_drops
from barrierrank.problems import Problems
from barrierrank.project import Project, SpeciesSpec
from barrierrank.ranking.cautions import cautions_for
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.reasons import reasons_of_no_effect
from barrierrank.ranking.rules import RankingRule, allowed_criteria, rule_problems
from barrierrank.ranking.seasons import SeasonChoice
from barrierrank.ranking.species import RankedSpecies
from barrierrank.ranking.weight_space import weight_space
from barrierrank.ranking.why import sentences
from barrierrank.spreading import Spread, spread_of, uncertainty_look, with_intervals
from barrierrank.weighing import Today, as_it_is, terms_of, with_best_dates
from barrierrank.worth.treatment import treatment_a_year


def check_rule(project: Project, problems: Problems) -> None:
    """Add an error for everything that is wrong with the way to rank, or with treatment counted in points."""
    points = project.economy.currency is None
    allowed = allowed_criteria([s.key for s in project.species], points=points)
    rule = project.ranking
    for problem in rule_problems(
        rule.by, rule.weights, points=points, allowed=allowed, where=project.path.name
    ):
        if problem.severity == "error":  # weights that are not used were told when the file was read
            problems.found.append(problem)
    for spec in project.species:
        if points and spec.treatment is not None:
            problems.error(
                "treatment_in_points",
                f"[species.{spec.key}.treatment] costs money, but without [money] values are points",
                where=project.path.name,
                remedy="give [money] instead of [points], or put the burden of treatment into value as points",
            )


def rule_of(project: Project) -> RankingRule:
    """Return the rule the project ranks by."""
    return RankingRule(
        by=project.ranking.by, weights=project.ranking.weights, points=project.economy.currency is None
    )


def ranked_species(species: Sequence[SpeciesSpec]) -> list[RankedSpecies]:
    """Return the species as the ranking knows them."""
    return [
        RankedSpecies(
            s.key,
            s.label,
            s.role,
            habitat_unit_of(s),
            value_known=s.value != 0.0 or s.treatment is not None,
            noun=f"{s.habitat} habitat" if s.habitat in s.stages else "habitat",
        )
        for s in species
    ]


GOOD = 0.8
"""Quality from which habitat is called excellent (Twomey et al. 1984): what keeps it lower is not told then."""


def above_each(project: Project, basin: Basin, terms: pd.DataFrame) -> list[str]:
    """Return for each action a clause on the habitat above its site, for the species that weighs most there.

    Empty where that species' habitat is a plain size.
    """
    judged = [s for s in project.species if s.habitat in s.stages]
    network, count = basin.built.network, len(basin.inputs.sites)
    made = {s.key: quality_above(network, basin.habitat.stages[s.key, s.habitat], count) for s in judged}
    weight = terms[[f"worth_{s.key}" for s in project.species]].abs().to_numpy()
    heaviest = np.argmax(np.nan_to_num(weight), axis=1)
    out = []
    for site, k in zip(basin.inputs.actions.site_index.tolist(), heaviest.tolist(), strict=True):
        spec = project.species[k]
        quality, reason = made.get(spec.key, (None, None))
        if quality is None or reason is None or np.isnan(quality[site]):
            out.append("")
            continue
        low = f", kept low most because {reason[site]}" if reason[site] and quality[site] < GOOD else ""
        out.append(
            f"above it {spec.label} finds {spec.habitat} habitat of quality {quality[site]:.2f} (of 1){low}"
        )
    return out


@dataclass(frozen=True, eq=False)
class Listed:
    """The priority list, and what draws say of it; the latter None where nothing was drawn."""

    priority: pd.DataFrame
    look: UncertaintyLook | None
    acceptability: pd.DataFrame | None
    learnt: Learnt | None
    weights: pd.DataFrame | None


def priority_list(
    project: Project, basin: Basin, today: Today, spread: Spread | None, problems: Problems, *, learn: bool = True
) -> Listed:
    """Return the priority list with its sentences and, where inputs were drawn, its intervals."""
    rule = rule_of(project)
    terms = terms_of(project, basin, today)
    terms["reason"] = reasons_of_no_effect(
        terms, basin.graph, (basin.inputs.sites, basin.inputs.actions), project.species, today.sweeps
    )
    terms["above"] = above_each(project, basin, terms)
    ranked = rank_actions(terms, rule, problems=problems)
    ranked["why"] = sentences(
        ranked,
        ranked_species(project.species),
        rule=rule,
        currency=project.economy.currency,
        units=project.display.units,
        horizon_years=project.economy.horizon_years,
    )
    look = table = learnt = weights = None
    if spread is not None:
        ranked = with_intervals(ranked, spread)
        look, table = uncertainty_look(project, ranked, spread)
        learnt = what_to_learn(project, basin, spread, ranked) if learn else None
    if learnt is not None:
        ranked["hinges_on"] = learnt.hinges
    if rule.by == "criteria" and len(ranked):
        spec = project.uncertainty
        weights = weight_space(ranked, rule, top=spec.top, level=spec.level, seed=spec.seed)
    told = ["reason", "above", *(f"failing_{s.key}" for s in project.species)]
    return Listed(priority_frame(ranked.drop(columns=told), project.species), look, table, learnt, weights)


def summary_of(project: Project, basin: Basin, today: Today) -> dict[str, dict[str, float | None]]:
    """Return, per species, habitat and how much of it can be reached, connectivity indices and treatment a year."""
    graph, network, out = basin.graph, basin.built.network, {}
    both_ways = basin.inputs.sites.passability * basin.inputs.sites.passability_down
    for k, spec in enumerate(project.species):
        habitat, sweep = basin.habitat.counted[:, k], today.sweeps[k]
        row: dict[str, float | None] = {
            "habitat": float(habitat.sum()),
            "accessible": float(today.gated[k][0, 0]),
            "dci_diadromous_habitat": float(diadromous_index(graph, habitat, sweep)[0]),
            "dci_diadromous_length": float(diadromous_index(graph, network.length_m, sweep)[0]),
            "dci_potamodromous_habitat": potamodromous_index(network, habitat, both_ways[:, k]),
            "dci_potamodromous_length": potamodromous_index(network, network.length_m, both_ways[:, k]),
        }
        ground = today.grounds[k]
        if spec.treatment is not None and ground is not None:
            row["treatment_a_year"] = float(treatment_a_year(sweep, ground, spec.treatment)[0])
        if spec.habitat in spec.stages:
            row |= basin.habitat.shares(spec.key, spec.habitat)
        out[spec.key] = row
    return out


@dataclass(frozen=True, eq=False)
class RankedRun:
    """A ranking with all that it was made of."""

    model: OutputModel
    basin: Basin
    today: Today
    spread: Spread | None


def rank_project(
    project: Project, problems: Problems, *, progress: Progress = silent, command: Sequence[str] = ()
) -> OutputModel:
    """Do the main job: from a checked project file to finished tables.

    Parameters
    ----------
    project : Project
    problems : Problems
        Grows by everything that was mended or looks doubtful.
    progress : callable
        Told what each stage does.
    command : sequence of str
        The command line, for the record.

    Raises
    ------
    InputError
    """
    return ranked_run(project, problems, Clock(progress), command=command).model


def ranked_run(
    project: Project, problems: Problems, clock: Clock, *, command: Sequence[str] = (), learn: bool = True
) -> RankedRun:
    """Do the main job and keep what it was made of.

    Parameters
    ----------
    project, problems, command
        As for :func:`rank_project`.
    clock : Clock
    learn : bool
        Whether to work out what to learn next.
    """
    check_rule(project, problems)
    problems.stop_on_errors()
    basin = make_basin(project, problems, clock)
    with clock.stage("access", "finding out what each site holds back"):
        today = as_it_is(project, basin)
    with clock.stage("dates", "finding the best dates of seasonal crests"):
        basin, choices = with_best_dates(project, basin, today)
    with clock.stage("draws", f"ranking in {project.uncertainty.draws:,} draws of the inputs"):
        spread = spread_of(project, basin, today, rule_of(project))
    with clock.stage("ranking", f"ranking {len(basin.inputs.actions):,} actions"):
        listed = priority_list(project, basin, today, spread, problems, learn=learn)
    with clock.stage("tables", "putting the tables together"):
        tables = tables_of(project, basin, today, listed.priority)
        shown = shown_passage(project, basin, tables.sites, choices, problems)
        summary = summary_of(project, basin, today)
    record = run_record(
        inputs=[project.path, *input_files(project)],
        parameters=project.parameters(),
        timings=clock.seconds,
        problems=problems,
        command=command,
    )
    model = finished(project, basin, (tables, shown, listed), problems, {**record, "summary": summary})
    return RankedRun(model, basin, today, spread)


@dataclass(frozen=True, eq=False)
class ShownPassage:
    """What the outputs show of how passabilities came about."""

    table: pd.DataFrame | None
    sites: tuple[SitePassage, ...]
    seasons: tuple[SeasonTrade, ...]


def shown_passage(
    project: Project, basin: Basin, sites: gpd.GeoDataFrame, choices: Sequence[SeasonChoice], problems: Problems
) -> ShownPassage:
    """Put the table and the pictures of passage together."""
    work, actions = basin.passage, basin.inputs.actions
    designs = [] if work.measured is None else design_of(project, work.measured, problems)
    frame = passage_frame(project, basin.inputs.sites, work.today, work.measured, work.tried, designs)
    looks = species_looks(project)
    table = None if frame is None else with_words(frame, looks, project.display.units)
    pictures: tuple[SitePassage, ...] = ()
    if work.measured is not None:
        tell_drops(work.measured, designs, basin.inputs.sites, problems)
        pictures = site_passages(project, basin.inputs.sites, work.measured, designs, sites["best_rank"])
    trades = season_trades(project, basin.inputs.sites, (actions.site_index, actions.action), choices)
    return ShownPassage(table, pictures, trades)


def species_looks(project: Project) -> tuple[SpeciesLook, ...]:
    """Return how the species are named and measured in outputs."""
    return tuple(SpeciesLook(s.key, s.label, s.role, habitat_unit_of(s)) for s in project.species)


@dataclass(frozen=True, eq=False)
class Tables:
    """The tables of a ranking, as written."""

    reaches: gpd.GeoDataFrame
    sites: gpd.GeoDataFrame
    priority: pd.DataFrame
    profiles: tuple[StemProfile, ...]
    fits: tuple[SurveyFit, ...]


def tables_of(project: Project, basin: Basin, today: Today, priority: pd.DataFrame) -> Tables:
    """Put the tables together."""
    network, graph, inputs = basin.built.network, basin.graph, basin.inputs
    reaches = reaches_frame(project, network, inputs.lines, graph, basin.habitat, today.sweeps)
    now = (today.sweeps, today.gated)
    sites = sites_frame(project, basin.built, inputs.sites, graph, basin.habitat, now, priority)
    return Tables(
        reaches,
        sites,
        priority,
        stem_profiles(project, network, (inputs.lines, inputs.sites), basin.habitat, sites),
        survey_fits(basin),
    )


def survey_fits(basin: Basin) -> tuple[SurveyFit, ...]:
    """Return measured quality beside the model's, for every life stage that was measured somewhere."""
    fits = []
    for (species, stage), surveyed in basin.habitat.surveyed.items():
        modelled = basin.habitat.modelled[species, stage][surveyed]
        measured = basin.habitat.stages[species, stage].quality[surveyed]
        both = np.isfinite(modelled) & np.isfinite(measured)
        if both.any():
            fit = agreement(modelled[both], measured[both])
            fits.append(
                SurveyFit(species, stage, modelled[both], measured[both], fit.bias, fit.rmse, fit.correlation)
            )
    return tuple(fits)


def finished(
    project: Project, basin: Basin, made: tuple[Tables, ShownPassage, Listed], problems: Problems,
    record: Mapping[str, Any],
) -> OutputModel:  # fmt: skip
    """Return what the writers of outputs take."""
    tables, shown, listed = made
    looks = species_looks(project)
    return OutputModel(
        basin=project.basin.name,
        species=looks,
        reaches=tables.reaches,
        sites=sites_with_passage(tables.sites, shown.table, looks),
        priority=tables.priority,
        problems=problems_frame(problems, project.basin.crs),
        currency=project.economy.currency,
        ranked_by=rule_of(project).described(project.economy.currency),
        units=project.display.units,
        horizon_years=project.economy.horizon_years,
        discount_rate=project.economy.discount_rate,
        receiving=receiving_frame(basin.inputs.outlets, project.basin.crs),
        cautions=cautions_for(
            basin.inputs.actions.action.tolist(),
            [s.role for s in project.species],
            changes=basin.inputs.actions.change.tolist(),
            structures=shown.table is not None,
        ),
        run=record,
        profiles=tables.profiles,
        fits=tables.fits,
        passage=shown.table,
        site_passages=shown.sites,
        seasons=shown.seasons,
        uncertainty=listed.look,
        acceptability=listed.acceptability,
        learning=None if listed.learnt is None else listed.learnt.look,
        survey_next=None if listed.learnt is None else listed.learnt.table,
        weights=listed.weights,
    )


def input_files(project: Project) -> list[Path]:
    """Return every file the project names, each once."""
    named = [project.hydrography.path, project.sites.path, *(r.path for r in project.rasters.values())]
    others = (
        project.actions, project.outlets, project.catchments, project.survey, project.structures, project.flows,
        project.trials,
    )  # fmt: skip
    named += [spec.path for spec in others if spec is not None and spec.path]
    if project.structures is not None:
        named += [p for p in (project.structures.ratings, project.structures.sections) if p is not None]
    if project.flows is not None and project.flows.gauges is not None:
        named.append(project.flows.gauges)
    return list(dict.fromkeys(named))
