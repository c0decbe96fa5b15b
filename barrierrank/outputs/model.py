"""What every writer of outputs takes: finished tables and a few words about the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
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
        (open | partial | blocked | none).
    sites : GeoDataFrame
        Points. Columns `site` (str), `name` (str), `kind` (str), `snap_m`, `reach` (Int64, null off the network),
        `upstream_km`, and per species `passability_<sp>`, `habitat_above_<sp>`, `habitat_to_next_<sp>`,
        `blocked_<sp>`; `best_rank` (Int64, null where nothing is worth doing), `best_action` (str, empty likewise).
    priority : DataFrame
        A row per site and action, in the order of `rank`. Columns `rank`, `site`, `name`, `action`, `purpose`
        (keep out | let through | both | neither), `cost`, `present_worth_cost`, per species `gain_<sp>` and
        `worth_<sp>`, `treatment_saved`, `benefit`, `net_benefit` (NaN when values are points), `benefit_per_cost`,
        `best` (bool), `why`.
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
