"""Keys of the project file that habitat is worked out from: rasters, terrain, life stages, surveys."""

from __future__ import annotations

from barrierrank.project_key import Key

RASTER = (
    Key("path", "path", "raster file, in any format GDAL reads", required=True, example='"substrate.tif"'),
    Key("band", "integer", "band of the file", default=1, reason="the first one", low=1, high=100_000),
    Key(
        "kind",
        "choice",
        "numbers, or codes of classes",
        default="number",
        choices=("number", "classes"),
        reason="most rasters hold numbers",
    ),
    Key(
        "statistic",
        "choice",
        "what a reach takes of the cells it meets (numbers)",
        default="mean",
        choices=("mean", "median", "min", "max"),
        reason="assumed: what fish meet on the average",
    ),
    Key(
        "along",
        "choice",
        "cells under the line of a reach, or within a distance of it",
        default="line",
        choices=("line", "buffer"),
        reason="assumed: the line is drawn in the channel",
    ),
    Key("buffer_m", "number", "distance to each side of the line", low=0.0, high=1e6, above=True, unit="m"),
    Key(
        "buffer_widths",
        "number",
        "the same as a share of the channel's width",
        low=0.0,
        high=1000.0,
        above=True,
    ),
)

TERRAIN = (
    Key("elevation", "text", "name of the raster of elevations [m]", required=True, example='"dem"'),
    Key(
        "step_m",
        "number",
        "distance between places where elevation is read; by default the size of a cell",
        low=0.0,
        high=1e5,
        above=True,
        unit="m",
    ),
    Key(
        "spike_m",
        "number",
        "an elevation this far off its neighbours along the channel is put right",
        default=3.0,
        reason="assumed: more than a channel falls from one cell to the next, less than a bridge or a bank",
        low=0.0,
        high=1e4,
        above=True,
        unit="m",
    ),
    Key(
        "gradient_over_m",
        "number",
        "shortest stretch that a gradient is taken over",
        default=200.0,
        reason="assumed: a few cells of a 30 m terrain model",
        low=0.0,
        high=1e6,
        unit="m",
    ),
)

CATCHMENTS = (
    Key(
        "path",
        "path",
        "layer of the land that drains to each line",
        required=True,
        example='"catchments.gpkg"',
    ),
    Key("layer", "text", "layer of that file"),
    Key(
        "id",
        "column",
        "column that holds the id of the line",
        required=True,
        of="catchments",
        example='"line_id"',
    ),
)

STAGE = (
    Key(
        "measure",
        "choice",
        "size that quality is multiplied with",
        default="area",
        choices=("area", "length"),
        reason="usual: habitat units are quality times area",
    ),
    Key(
        "combine",
        "choice",
        "how suitabilities become one quality",
        default="geometric_mean",
        choices=("geometric_mean", "product", "minimum"),
        reason="usual for suitability indices: one unsuitable factor makes the whole unsuitable",
    ),
    Key(
        "drift_km",
        "number",
        "rearing counts within this distance below spawning that can be reached; left out: everywhere",
        low=0.0,
        high=10_000.0,
        above=True,
        unit="km",
    ),
)

LIMITS = (
    Key("gradient_above", "number", "none where the channel is steeper", low=0.0, high=10.0, unit="m/m"),
    Key("drainage_area_below_km2", "number", "none where less land drains", low=0.0, high=1e9, unit="km2"),
    Key(
        "below_falls_only",
        "flag",
        "none above a natural fall (a site of kind fall)",
        default=False,
        reason="a site's passability already tells what gets past it",
    ),
)

SURVEY = (
    Key("path", "path", "table of measured habitat", required=True, example='"survey.csv"'),
    Key("layer", "text", "layer or sheet of that file"),
    Key("crs", "crs", "coordinate system of x and y, where places are given so"),
)
