"""What every writer of outputs takes: finished tables and a few words about the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd


@dataclass(frozen=True)
class SpeciesLook:
    """How a species is named and measured in outputs.

    Parameters
    ----------
    key : str
        The user's own key, ``[a-z0-9_]+``; suffix of its columns.
    label : str
        Name to show (user text: escape it).
    role : {"invasive", "native"}
    habitat_unit : {"m", "m2", "units"}
        Unit of `habitat_<key>` and `gain_<key>`.
    """

    key: str
    label: str
    role: Literal["invasive", "native"]
    habitat_unit: Literal["m", "m2", "units"]


@dataclass(frozen=True)
class StemSite:
    """A site on a main stem.

    Parameters
    ----------
    site : str
        Id.
    name, kind : str
        User text.
    distance_m : float
        From the outlet upwards, along the stem.
    elevation_m : float
        Of the stream at the site; NaN where it is not known.
    rank : int or None
        Of its best action; None where nothing can be done there.
    """

    site: str
    name: str
    kind: str
    distance_m: float
    elevation_m: float
    rank: int | None


@dataclass(frozen=True)
class StemProfile:
    """What a fish meets on the way from an outlet up a main stem to its headwater.

    Parameters
    ----------
    name : str
        Name of the stream or, without one, words that tell where it ends (user text).
    outlet : int
        Number of the outlet.
    distance_m : (k,) float64
        From the outlet upwards, never falling; two points at one place are a step.
    elevation_m : (k,) float64
        NaN where it is not known.
    quality : Mapping of str to (k,) float64
        Per species key, 0 to 1, NaN where it is not known: the value at a point holds up to the next point, the
        last one is not drawn.
    sites : tuple of StemSite
    """

    name: str
    outlet: int
    distance_m: npt.NDArray[np.float64]
    elevation_m: npt.NDArray[np.float64]
    quality: Mapping[str, npt.NDArray[np.float64]]
    sites: tuple[StemSite, ...] = ()


@dataclass(frozen=True)
class SurveyFit:
    """Measured quality of reaches beside the model's.

    Parameters
    ----------
    species : str
        Key.
    stage : {"spawning", "rearing"}
    modelled, measured : (k,) float64
        0 to 1.
    bias, rmse, correlation : float
        Of modelled less measured; the correlation may be NaN.
    """

    species: str
    stage: str
    modelled: npt.NDArray[np.float64]
    measured: npt.NDArray[np.float64]
    bias: float
    rmse: float
    correlation: float


@dataclass(frozen=True, eq=False)
class SitePassage:
    """When and why fish can get past one structure: flow, days and drop, of one year that is shown.

    Parameters
    ----------
    site : str
        Id.
    name, kind : str
        User text.
    rank : int or None
        Of its best action; None where nothing can be done there.
    day : (d,) datetime64[D]
        Days one after the other, of the year shown: the middle one by the flow of the run.
    discharge : (d,) float64
        Flow at the site [m3/s]; NaN where it is not known.
    open : Mapping of str to (d,) bool
        Per species key: the days on which it can get past.
    run : Mapping of str to (d,) float64
        Per species key: how much of its run comes on each day, not negative.
    curve_q : (k,) float64
        Flows [m3/s], rising, of the curve of drop against flow.
    curve_drop : (k,) float64
        Drop [m] at these flows; not positive where the structure is drowned, NaN where it is not known.
    crest_m : float
        Elevation of the crest, sill or outlet [m]; NaN where there is none.
    required : Mapping of str to float
        Per species key: the drop that stops it [m]; NaN for one that no drop stops.
    design_q : float
        Design flood [m3/s]; NaN where it is not known.
    design_years : float
        Its return interval [years].
    curve_low, curve_high : (k,) float64
        Drop [m] under the lower and the higher estimate of the tailwater.
    drop_word : str
        What the drop is measured between: ``"drop from crest to tailwater"`` or ``"perch of the outlet"``.
    year : int
        The year shown.
    cautions : tuple of str
        To print on the picture.
    design_season : str
        Whose greatest flows the design flood is reckoned from: ``"run"``, ``"year"``; empty where not known.
    design_record_years : int
        Years of record it rests on; 0 where not known.
    peak_factor : float
        What the greatest flows, means of days, were multiplied by.
    """

    site: str
    name: str
    kind: str
    rank: int | None
    day: npt.NDArray[np.datetime64]
    discharge: npt.NDArray[np.float64]
    open: Mapping[str, npt.NDArray[np.bool_]]
    run: Mapping[str, npt.NDArray[np.float64]]
    curve_q: npt.NDArray[np.float64]
    curve_drop: npt.NDArray[np.float64]
    crest_m: float
    required: Mapping[str, float]
    design_q: float
    design_years: float
    curve_low: npt.NDArray[np.float64]
    curve_high: npt.NDArray[np.float64]
    drop_word: str
    year: int
    cautions: tuple[str, ...] = ()
    design_season: str = ""
    design_record_years: int = 0
    peak_factor: float = 1.0


@dataclass(frozen=True, eq=False)
class SeasonTrade:
    """What the dates of a seasonal crest mean: passability of an invader against that of a native.

    Parameters
    ----------
    site : str
        Id.
    name, action : str
        User text.
    invader, native : str
        Species keys.
    p_invader, p_native : (k,) float64
        Passability with each pair of dates, 0 to 1.
    up, down : (k,) int64
        Days of a leap year, 1 to 366: the crest is up from the first to the second, both included, maybe over the
        new year. Both 0: never up; both -1: always up.
    front : (k,) bool
        True for dates that no other dates beat for both species.
    best : int
        Place of the chosen dates; -1 where none are chosen.
    words : str
        One sentence about them.
    """

    site: str
    name: str
    action: str
    invader: str
    native: str
    p_invader: npt.NDArray[np.float64]
    p_native: npt.NDArray[np.float64]
    up: npt.NDArray[np.int64]
    down: npt.NDArray[np.int64]
    front: npt.NDArray[np.bool_]
    best: int
    words: str = ""


@dataclass(frozen=True)
class UncertaintyLook:
    """How far the order of the list is settled, when what it rests on is drawn again and again.

    Parameters
    ----------
    draws : int
        Number of draws; at least 2.
    level : float
        Of the interval of ranks, between 0 and 1: 0.9 for an interval that holds the rank in 90 % of the draws. The
        order of two neighbours is settled where one of them comes first in at least as many.
    top : int
        The k of `chance_top`; at least 1.
    settled : float
        Share of the pairs of neighbours among the first k + 10 of the list whose order is settled, 0 to 1; NaN
        where there are none.
    enough : str
        Sentence of the check whether the draws suffice; empty where there is none.
    unsettled : tuple of (str, str, str, str, float)
        Neighbours in the list whose order is not settled: site and action of the upper one, site and action of the
        lower one (user text), and the share of the draws in which the upper one comes first.
    """

    draws: int
    level: float
    top: int
    settled: float
    enough: str = ""
    unsettled: tuple[tuple[str, str, str, str, float], ...] = ()


@dataclass(frozen=True)
class LearningLook:
    """What it is worth to know better, and the decision that this is reckoned for.

    Parameters
    ----------
    decision : str
        One sentence of plain words: what is taken to be decided, and at which price of a unit of cost.
    price : float
        What the last action that is done brings for each unit of cost [money or points a unit of money].
    everything : float
        Worth of knowing all inputs for sure [money or points, present worth].
    together : float
        Worth of surveying the first few sites all together [likewise].
    sites : tuple of str
        These sites, the first first; empty where no survey is worth anything that can be told from chance.
    survey : str
        One sentence of plain words: what a survey is taken to be.
    """

    decision: str
    price: float
    everything: float
    together: float
    sites: tuple[str, ...]
    survey: str


@dataclass(frozen=True)
class OutputModel:
    """Finished results of one ranking.

    Parameters
    ----------
    basin : str
        Name of the basin (user text).
    species : tuple of SpeciesLook
        In the order of the project file.
    reaches : GeoDataFrame
        LineStrings drawn downstream, basin CRS (projected, metres). Columns `reach` (int64), `source_id` (str),
        `downstream` (Int64, null at an outlet), `outlet` (int64, number of the outlet it drains to), `length_m`,
        `strahler`, `upstream_km`, and per species `habitat_<sp>`, `access_<sp>` (0 to 1), `state_<sp>`
        (open | partial | blocked | none). Where habitat is built from rasters, curves and surveys also `gradient`,
        `width_m`, `quality_<sp>`, `limited_by_<sp>` and what else ``columns.py`` lists.
    sites : GeoDataFrame
        Points. Columns `site` (str), `name` (str), `kind` (str), `snap_m`, `reach` (Int64, null off the network),
        `upstream_km`, and per species `passability_<sp>`, `habitat_above_<sp>`, `habitat_to_next_<sp>`,
        `blocked_<sp>`; `best_rank` (Int64, null where nothing is worth doing), `best_action` (str, empty likewise).
    priority : DataFrame
        A row per site and action, in the order of `rank`. Columns `rank`, `site`, `name`, `action`, `purpose`
        (keep out | let through | both | neither), `cost`, `present_worth_cost`, per species `gain_<sp>` and
        `worth_<sp>`, `treatment_saved`, `benefit`, `net_benefit` (NaN when values are points), `benefit_per_cost`,
        `best` (bool), `why`; per species maybe `passability_<sp>` after the action. Where uncertainty is worked out
        also `rank_low`, `rank_high` (Int64: bounds of the interval of ranks), `chance_top` (share of draws in which it
        is among the first k), `expected_benefit` (present worth, mean of draws), `chance_of_harm` (share of draws in
        which it does more harm than good).
    problems : GeoDataFrame
        Columns `severity`, `kind`, `where`, `ids`, `message`, `remedy`; point geometry, empty where there is no place.
    currency : str or None
        ISO code of the money, None when values are points.
    ranked_by : str
        One sentence of plain words: by what the list is ordered.
    units : {"metric", "us"}
        How to show lengths and areas to people (tables stay SI).
    horizon_years : int
    discount_rate : float
    receiving : GeoDataFrame or None
        Polygons of the receiving water in the basin CRS, for a backdrop; None where not given.
    cautions : tuple of str
        Safety and planning-level cautions to print.
    run : Mapping
        Contents of ``run.json``.
    profiles : tuple of StemProfile
        The way up each main stem; empty where no elevations are given.
    fits : tuple of SurveyFit
        One for every life stage that was measured somewhere.
    passage : DataFrame or None
        A row per site and species, None where passability is given for every site and species. Columns `site`, `name`,
        `species` (key), `passability`, `source` (given | computed | trial | assumed), `p_worst`, `worst_year` (Int64),
        `p_best`, `p_low`, `p_high` (by the estimate of the tailwater), `years`, `days_passable` (mean days of a run),
        `run_days`, `stopped_by` (drop | leap | pool | depth | velocity | empty), `stopped_share`, `required_drop_m`,
        `low_flow_drop_m`, `design_flow_m3s`, `design_drop_m`, `holds_return_years`, `drowns_return_years`,
        `raise_needed_m`, `raise_low_m`, `raise_high_m`, `trial_offered`,
        `trial_passed`, `trial_upper`, `words`. Where it is given, `sites` may have `source_<sp>`, `p_worst_<sp>` and
        `stopped_by_<sp>`, and for invaders `design_drop_m_<sp>` and `raise_needed_m_<sp>`.
    site_passages : tuple of SitePassage
        One for each structure that is drawn.
    seasons : tuple of SeasonTrade
        One for each seasonal crest, invader and native.
    uncertainty : UncertaintyLook or None
        None where uncertainty is not worked out.
    acceptability : DataFrame or None
        A row for each of the first 30 of the list, in its order; None likewise. Columns `site`, `name`, `action`,
        `rank` and, named ``1`` to ``20`` and ``later``, the share of the draws in which it has that rank.
    learning : LearningLook or None
        None where nothing was drawn, or values tell no worth.
    survey_next : DataFrame or None
        A row for each uncertain input looked at, the one worth most first; None likewise. Columns `place` (from 1),
        `what` (plain words), `kind` (passability | habitat | value | treatment | cost | failure), `site`, `name` (empty
        where it is of no site), `species` (key; empty likewise), `worth_survey` (of a survey of the site; NaN where
        there is none), `worth_perfect` (of knowing it for sure), `error` (standard error of `worth_perfect` from the
        number of draws), `chance_changed` (chance that knowing it for sure changes what is done somewhere).
    weights : DataFrame or None
        Ranking by criteria only: a row for each of the first 30 of the list and every further action that some weights
        put first, in the order of the list. Columns `site`, `name`, `action`, `rank`, `share_first`, `share_top`
        (shares of all possible weights that put it first, and among the first k), `rank_low`, `rank_high` (interval
        of ranks over all weights) and, for each criterion, `weight_<criterion>`: mean of the weights that put it first
        (NaN where none do).
    """

    basin: str
    species: tuple[SpeciesLook, ...]
    reaches: gpd.GeoDataFrame
    sites: gpd.GeoDataFrame
    priority: pd.DataFrame
    problems: gpd.GeoDataFrame
    currency: str | None
    ranked_by: str
    units: Literal["metric", "us"]
    horizon_years: int
    discount_rate: float
    receiving: gpd.GeoDataFrame | None = None
    cautions: tuple[str, ...] = ()
    run: Mapping[str, Any] = field(default_factory=dict)
    profiles: tuple[StemProfile, ...] = ()
    fits: tuple[SurveyFit, ...] = ()
    passage: pd.DataFrame | None = None
    site_passages: tuple[SitePassage, ...] = ()
    seasons: tuple[SeasonTrade, ...] = ()
    uncertainty: UncertaintyLook | None = None
    acceptability: pd.DataFrame | None = None
    learning: LearningLook | None = None
    survey_next: pd.DataFrame | None = None
    weights: pd.DataFrame | None = None
