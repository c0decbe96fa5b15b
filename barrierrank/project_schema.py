"""Every key of the project file as data: what it may hold, its default and why that default.

The one place where defaults live. `project.py` checks files against it, the writer of new project files puts
every default with its reason into them, and the documentation lists it.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from barrierrank.project_key import Key
from barrierrank.project_schema_habitat import CATCHMENTS, LIMITS, RASTER, STAGE, SURVEY, TERRAIN
from barrierrank.project_schema_passage import PASSAGE_SCHEMA
from barrierrank.project_schema_plan import PLAN_SCHEMA
from barrierrank.project_schema_uncertainty import UNCERTAINTY_SCHEMA

BASIN = (
    Key("name", "text", "name of the basin, for titles", required=True, example='"Example basin"'),
    Key(
        "crs",
        "crs",
        "projected coordinate system in metres; lengths are measured in it",
        required=True,
        example='"EPSG:32616"',
    ),
)

HYDROGRAPHY = (
    Key("path", "path", "file of the stream lines", required=True, example='"streams.gpkg"'),
    Key("layer", "text", "layer of that file", reason="a file with one layer of lines needs none"),
    Key(
        "id",
        "column",
        "column that identifies a line",
        of="lines",
        reason="without it the row number is used",
    ),
    Key(
        "direction",
        "choice",
        "where the direction of flow comes from",
        required=True,
        choices=("nodes", "digitised", "elevation", "outlets"),
        example='"digitised"',
    ),
    Key("from_node", "column", "node at the upstream end", of="lines"),
    Key("to_node", "column", "node at the downstream end", of="lines"),
    Key("minor_channel", "text", "which lines are the minor branch of a split, e.g. Divergence == 2"),
    Key(
        "length",
        "column",
        "surveyed or published length",
        of="lines",
        reason="without it geometry is measured",
    ),
    Key("length_unit", "choice", "unit of that length", choices=("m", "km", "ft", "mi")),
    Key(
        "join_tolerance_m",
        "number",
        "ends of lines this near to each other are joined",
        default=0.5,
        reason="assumed: wider than rounding of coordinates, narrower than any stream",
        low=0.0,
        high=1000.0,
        unit="m",
    ),
    Key(
        "missing",
        "values",
        "numbers or words that stand for no value in the columns of the lines",
        default=(-9, -9998, -9999),
        reason="usual stand-ins for no value in hydrography; none of them is a real node, length or area",
    ),
    Key(
        "drawn",
        "choice",
        'which way lines are drawn (direction = "digitised")',
        default="auto",
        choices=("auto", "downstream", "upstream"),
        reason="assumed: the lines tell by how they meet; what was found is reported",
    ),
    Key("leave_out", "ids", "ids of lines to leave out", default=(), reason="nothing is left out unasked"),
    Key(
        "turn",
        "ids",
        "ids of lines whose direction is reversed",
        default=(),
        reason="nothing is turned unasked",
    ),
    Key("start_elevation", "column", "elevation at the first vertex (direction = elevation)", of="lines"),
    Key("end_elevation", "column", "elevation at the last vertex (direction = elevation)", of="lines"),
    Key("name", "column", "name of the stream", of="lines"),
    Key("drainage_area", "column", "drainage area at the foot of the line", of="lines", unit="km2"),
    Key("discharge", "column", "mean annual discharge", of="lines", unit="m3/s"),
    Key("width", "number_or_column", "width of the stream", of="lines", low=0.0, above=True, unit="m"),
    Key(
        "width_a",
        "number",
        "width = width_a * A ^ width_b, A the drainage area in km2",
        low=0.0,
        above=True,
        unit="m",
    ),
    Key("width_b", "number", "exponent of that rule", low=0.0, high=2.0),
    Key("width_set", "text", "a published rule for the width by drainage area, by its name"),
    Key("width_raster", "text", "name of a raster of widths [m]"),
)

OUTLETS = (
    Key("path", "path", "file of river mouths (points) or of the receiving water (polygons)"),
    Key("layer", "text", "layer of that file"),
    Key("points", "points", "river mouths as [[x, y], ...] in the CRS of the basin", default=(), unit="m"),
    Key("lines", "ids", "ids of the lines that end in the receiving water", default=()),
    Key(
        "tolerance_m",
        "number",
        "how far from a mouth or a shore a line may end",
        default=100.0,
        reason="assumed: shores and mouths are often mapped apart from the streams",
        low=0.0,
        high=100_000.0,
        unit="m",
    ),
)

SITES = (
    Key("path", "path", "table or point layer of the sites", required=True, example='"sites.csv"'),
    Key("layer", "text", "layer or sheet of that file"),
    Key("id", "column", "column that identifies a site", required=True, of="sites", example='"site"'),
    Key("name", "column", "name of the site", of="sites"),
    Key("x", "column", "longitude or easting, for tables without geometry", of="sites"),
    Key("y", "column", "latitude or northing, for tables without geometry", of="sites"),
    Key("crs", "crs", "coordinate system of x and y"),
    Key(
        "snap_tolerance_m",
        "number",
        "a site farther than this from every line is left off the network, and told",
        default=100.0,
        reason="assumed: accuracy of hand-placed sites on mapped streams",
        low=0.0,
        high=100_000.0,
        above=True,
        unit="m",
    ),
    Key(
        "ambiguous_m",
        "number",
        "told when a second stream is no more than this farther from a site than the nearest one",
        default=10.0,
        reason="assumed: what a hand-placed site may be off",
        low=0.0,
        high=100_000.0,
        unit="m",
    ),
    Key(
        "area_ratio",
        "number",
        "told when drainage areas of a site and its line differ by more than this factor",
        default=1.5,
        reason="assumed: areas worked out in two ways seldom differ by more",
        low=1.0,
        high=1000.0,
    ),
    Key("kind", "column", "kind of structure (dam, weir, culvert, ...)", of="sites"),
    Key("stream", "column", "name of the stream the site is on; checked against the line", of="sites"),
    Key(
        "drainage_area",
        "column",
        "drainage area of the site; checked against the line",
        of="sites",
        unit="km2",
    ),
    Key(
        "failure_probability",
        "number_or_column",
        "annual chance that the structure as it is today fails",
        default=0.0,
        reason="assumed: without a figure, today's structures are taken to hold",
        of="sites",
        low=0.0,
        high=1.0,
    ),
)

SPECIES = (
    Key("role", "choice", "keep out or let through", required=True, choices=("invasive", "native")),
    Key("label", "text", "name to show", reason="the key of the species"),
    Key(
        "value",
        "number",
        "worth of one unit of accessible habitat in a year; negative for an invader",
        required=True,
        low=-1e12,
        high=1e12,
        unit="money or points",
        example="-1.0",
    ),
    Key(
        "passability",
        "number_or_column",
        'chance to get past a site upstream; "computed": from structure, flows and fish',
        required=True,
        of="sites",
        low=0.0,
        high=1.0,
        example='"p_lamprey"',
    ),
    Key(
        "passability_down",
        "number_or_column",
        "chance to get past a site downstream",
        default=1.0,
        reason="assumed: fish get past a structure downstream",
        of="sites",
        low=0.0,
        high=1.0,
    ),
    Key(
        "habitat",
        "column",
        "length, area (needs a width), or a column of the lines holding the amount",
        default="length",
        reason="assumed: every metre of stream counts the same",
        of="lines",
    ),
)

TREATMENT = (
    Key(
        "cost_per_unit",
        "number",
        "cost of treating one unit",
        required=True,
        low=0.0,
        high=1e12,
        unit="money",
        example="1.5",
    ),
    Key(
        "per",
        "choice",
        "the unit: of infested habitat, or of discharge at the foot of the infested part",
        default="habitat",
        choices=("habitat", "discharge"),
        reason="assumed: cost grows with the habitat treated",
    ),
    Key(
        "interval_years",
        "number",
        "years from one treatment to the next",
        required=True,
        low=0.0,
        high=1000.0,
        above=True,
        unit="years",
        example="4",
    ),
    Key(
        "fixed_cost_per_stream",
        "number",
        "cost of treating a stream at all",
        default=0.0,
        reason="assumed: no cost but that of the units treated",
        low=0.0,
        high=1e12,
        unit="money",
    ),
    Key(
        "infested_from",
        "number",
        "access from which a reach counts as infested",
        default=0.1,
        reason="assumed: below it few adults get there",
        low=0.0,
        high=1.0,
        above=True,
    ),
)

ACTIONS = (
    Key("path", "path", "table of what can be done at the sites", required=True, example='"actions.csv"'),
    Key("layer", "text", "layer or sheet of that file"),
)

_RATES = (
    Key(
        "discount_rate",
        "number",
        "discount rate a year, 0.03 = 3 per cent",
        default=0.03,
        reason="assumed: use the rate your funder prescribes",
        low=0.0,
        high=1.0,
    ),
    Key(
        "horizon_years",
        "integer",
        "years over which costs and gains are counted",
        default=30,
        reason="assumed: about the life of small structures",
        low=1,
        high=500,
        unit="years",
    ),
)
MONEY = (
    Key("currency", "text", "three-letter code of the money", required=True, example='"USD"'),
    *_RATES,
)
POINTS = _RATES

RANKING = (
    Key(
        "by",
        "choice",
        "what the list is ordered by",
        default="benefit_per_cost",
        choices=("benefit_per_cost", "net_benefit", "criteria"),
        reason="the most for each unit of money spent, usual where a budget is short",
    ),
)

DISPLAY = (
    Key(
        "units",
        "choice",
        "units shown to people; tables stay in metres",
        default="metric",
        choices=("metric", "us"),
        reason="assumed",
    ),
    Key(
        "open_from",
        "number",
        "access from which a reach is shown as open",
        default=0.9,
        reason="assumed",
        low=0.0,
        high=1.0,
    ),
    Key(
        "blocked_below",
        "number",
        "access below which a reach is shown as blocked",
        default=0.1,
        reason="assumed",
        low=0.0,
        high=1.0,
    ),
)

#: Tables of the project file; `species` stands for each ``[species.<key>]``, `treatment`, `stage`, `limits`,
#: `swimming` and `run` for its sub-tables, `raster` for each ``[rasters.<name>]``.
SCHEMA: Mapping[str, tuple[Key, ...]] = MappingProxyType(
    {
        "basin": BASIN,
        "hydrography": HYDROGRAPHY,
        "outlets": OUTLETS,
        "sites": SITES,
        "species": SPECIES,
        "treatment": TREATMENT,
        "actions": ACTIONS,
        "money": MONEY,
        "points": POINTS,
        "ranking": RANKING,
        "display": DISPLAY,
        "raster": RASTER,
        "terrain": TERRAIN,
        "catchments": CATCHMENTS,
        "stage": STAGE,
        "limits": LIMITS,
        "survey": SURVEY,
        **PASSAGE_SCHEMA,
        **UNCERTAINTY_SCHEMA,
        **PLAN_SCHEMA,
    }
)

#: Top-level tables in the order in which `new` writes them.
TABLES = (
    "basin", "hydrography", "outlets", "rasters", "terrain", "catchments", "sites", "ratings", "structures",
    "flows", "species", "trials", "passage", "survey", "actions", "money", "points", "ranking", "display",
    "uncertainty", "plan",
)  # fmt: skip
REQUIRED_TABLES = ("basin", "hydrography", "sites", "species")


def default_of(table: str, name: str) -> Any:
    """Return the default of one key.

    Raises
    ------
    KeyError
        When there is no such key.
    """
    return {k.name: k.default for k in SCHEMA[table]}[name]
