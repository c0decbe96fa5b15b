"""A plan as layers of one GeoPackage, with their styles and the meaning of their columns stored in the file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import geopandas as gpd

from barrierrank.outputs.geopackage import Layer, columns_of, write_layers
from barrierrank.outputs.plan_columns import PlanTable, describe_plan
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_reaches import plan_reaches, plan_sites
from barrierrank.outputs.styles import (
    ACTION_STYLE,
    BLUE,
    GREY,
    VERMILION,
    Style,
    StyleClass,
    Symbol,
    reach_style,
)

PLAN_LAYERS = ("plan_sites", "reaches")
_DOCS: Mapping[str, PlanTable] = {"plan_sites": "plan", "reaches": "plan_reaches"}
_SHAPE = {"plan_sites": "Point", "reaches": "LineString"}
_MEANING = {
    "plan_sites": "Actions of the plan, in the order in which to do them, at the places of their sites.",
    "reaches": "Reaches of the stream network with access of each species before and after the plan.",
}
_STEADY = Style(
    "plan_sites",
    "Steadiness",
    "Actions by how often they are in the best plans of the draws.",
    "steadiness",
    (
        StyleClass("core", Symbol(BLUE, 3.6, shape="circle"), "core"),
        StyleClass("sometimes", Symbol(VERMILION, 3.2, shape="triangle"), "sometimes"),
        StyleClass("never", Symbol(GREY, 2.6, shape="x"), "never"),
    ),
)


def write_plan_geopackage(path: Path, look: PlanLook) -> None:
    """Write the layers `plan_sites` and `reaches` into a new GeoPackage.

    Values are written as they are: SI units, full precision, texts unchanged. The file also holds `layer_styles`
    (state of each species after and before the plan; actions by purpose and, where inputs were drawn, by steadiness)
    and `gpkg_data_columns` with title, meaning and allowed words of every column.

    Parameters
    ----------
    path : Path
        Replaced where it exists.
    look : PlanLook

    Raises
    ------
    OSError, sqlite3.Error, pyogrio.errors.DataSourceError
        Where the file cannot be written.
    ValueError
        Where the tables of the plan do not agree with those of the ranking.
    """
    found = [
        Layer(
            name,
            frame,
            _SHAPE[name],
            _MEANING[name],
            describe_plan(columns_of(frame), look, table=_DOCS[name]),
        )
        for name, frame in plan_layers(look).items()
    ]
    write_layers(path, found, plan_styles(look), basin=look.base.basin, run=look.run)


def plan_layers(look: PlanLook) -> dict[str, gpd.GeoDataFrame]:
    """Return the tables of the layers by name.

    Parameters
    ----------
    look : PlanLook
    """
    sites = plan_sites(look)
    sites["steadiness"] = sites["steadiness"].replace("", None)  # no word of the list
    return {"plan_sites": sites, "reaches": plan_reaches(look)}


def plan_styles(look: PlanLook) -> list[tuple[Style, bool]]:
    """Return the styles to store, each with whether it is its layer's default.

    Parameters
    ----------
    look : PlanLook
    """
    species = look.base.species
    first = next((s for s in species if s.role == "invasive"), species[0] if species else None)
    styles: list[tuple[Style, bool]] = []
    for s in species:
        for when, words in (("after", "once the plan is done"), ("before", "as things are")):
            plain = reach_style(s.key, s.label, f"{when.capitalize()}: {s.key}")
            meant = f"Where {s.label} can go {words}: state of each reach."
            style = replace(plain, column=f"state_{when}_{s.key}", description=meant)
            styles.append((style, s is first and when == "after"))
    styles.append((replace(ACTION_STYLE, layer="plan_sites", description="Actions of the plan by purpose."), True))
    return [*styles, (_STEADY, False)] if look.draws else styles
