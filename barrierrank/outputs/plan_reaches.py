"""Reaches and sites of a plan: where species can go before and after it, and where it does something."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.outputs.frames import state_of
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.project import DisplaySpec

WHEN = ("before", "after")
CHANGED = 0.005
"""Difference of access from which a reach is shown as changed."""
_LIMITS = {"open_from": 0.9, "blocked_below": 0.1}  # what the project file takes where it says nothing


def display_of(look: PlanLook) -> DisplaySpec:
    """Return from which access a reach is shown as open or blocked, as the record of the ranking tells.

    Parameters
    ----------
    look : PlanLook
    """
    found: Any = look.base.run
    for part in ("parameters", "display"):
        found = found.get(part) if isinstance(found, Mapping) else None
    given = found if isinstance(found, Mapping) else {}
    limits = {name: float(given.get(name, usual)) for name, usual in _LIMITS.items()}
    return DisplaySpec(look.base.units, **limits)


def states(look: PlanLook, key: str, when: str) -> NDArray[np.object_]:
    """Return the words for access of one species to each reach: open, partial, blocked or none.

    Parameters
    ----------
    look : PlanLook
    key : str
        Of the species.
    when : {"before", "after"}
    """
    access = look.reach_access[f"{when}_{key}"].to_numpy(dtype=np.float64)
    habitat = look.base.reaches[f"habitat_{key}"].to_numpy(dtype=np.float64)
    return state_of(access, habitat, display_of(look))


def changed(look: PlanLook, key: str) -> NDArray[np.bool_]:
    """Tell for each reach with habitat whether the plan changes access of one species to it.

    Parameters
    ----------
    look : PlanLook
    key : str
        Of the species.
    """
    before, after = (look.reach_access[f"{when}_{key}"].to_numpy(dtype=np.float64) for when in WHEN)
    has = look.base.reaches[f"habitat_{key}"].to_numpy(dtype=np.float64) > 0.0
    return np.asarray(has & (np.abs(after - before) > CHANGED), dtype=bool)


def plan_reaches(look: PlanLook) -> gpd.GeoDataFrame:
    """Return the reaches with access and state of each species before and after the plan.

    Parameters
    ----------
    look : PlanLook

    Raises
    ------
    ValueError
        Where the rows of `reach_access` are not those of the reaches.
    """
    reaches = look.base.reaches
    if look.reach_access["reach"].tolist() != reaches["reach"].tolist():
        raise ValueError("reach_access: its rows must be the reaches of the ranking, in their order")
    columns: dict[str, object] = {
        name: reaches[name] for name in ("reach", "source_id", "stream", "length_m", "strahler") if name in reaches
    }
    for species in look.base.species:
        key = species.key
        columns[f"habitat_{key}"] = reaches[f"habitat_{key}"]
        columns |= {f"{when}_{key}": look.reach_access[f"{when}_{key}"].to_numpy(dtype=np.float64) for when in WHEN}
        columns |= {f"state_{when}_{key}": states(look, key, when) for when in WHEN}
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=reaches.geometry.to_numpy(), crs=reaches.crs)


def plan_sites(look: PlanLook) -> gpd.GeoDataFrame:
    """Return the rows of the plan at the places of their sites; without a place where the site has none.

    Parameters
    ----------
    look : PlanLook

    Raises
    ------
    ValueError
        Where the plan names a site that the ranking does not know.
    """
    points = look.base.sites.drop_duplicates("site").set_index("site").geometry
    unknown = look.plan.loc[~look.plan["site"].isin(points.index), "site"]
    if len(unknown):
        raise ValueError(f"plan: site {unknown.iloc[0]!r} is none of the sites of the ranking")
    place = points.reindex(look.plan["site"]).to_numpy()
    return gpd.GeoDataFrame(look.plan.reset_index(drop=True), geometry=place, crs=look.base.sites.crs)
