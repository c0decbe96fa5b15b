"""What every output column means and in which unit: one table for the workbook, the layers, docs and
tests."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from barrierrank.outputs.column_doc import (
    HABITAT_UNITS,
    PURPOSES,
    STANDINGS,
    STATES,
    TABLES,
    ColumnDoc,
    Kind,
    Table,
)
from barrierrank.outputs.columns_intervals import ACCEPTABILITY_DOCS
from barrierrank.outputs.columns_learning import SURVEY_DOCS, WEIGHT_DOCS, weight_doc
from barrierrank.outputs.columns_list import PRIORITY_DOCS, PROBLEM_DOCS
from barrierrank.outputs.columns_passage import PASSAGE_DOCS, SITE_PASSAGE_DOCS
from barrierrank.outputs.model import SpeciesLook

__all__ = [
    "COLUMN_DOCS",
    "HABITAT_UNITS",
    "PURPOSES",
    "STANDINGS",
    "STATES",
    "TABLES",
    "ColumnDoc",
    "Kind",
    "Table",
    "describe",
]

_LAYER_ONLY = (
    ColumnDoc(
        "reaches",
        "reach",
        "id",
        "Reach",
        "Number of the reach: a piece of stream between junctions, ends or sites.",
    ),
    ColumnDoc("reaches", "source_id", "text", "Line", "Id of the line in the stream layer that was read."),
    ColumnDoc(
        "reaches", "downstream", "id", "Reach below", "Number of the reach it flows into; empty at an outlet."
    ),
    ColumnDoc("reaches", "stream", "text", "Stream", "Name of the stream; empty where the lines give none."),
    ColumnDoc("reaches", "outlet", "id", "Outlet", "Number of the outlet that it drains to."),
    ColumnDoc("reaches", "length_m", "length", "Length", "Length of the reach.", "m"),
    ColumnDoc(
        "reaches", "strahler", "count", "Stream order", "Strahler order of the reach: 1 for a headwater."
    ),
    ColumnDoc(
        "reaches",
        "upstream_km",
        "length",
        "Upstream length",
        "Length of all reaches above, each counted once, this one included.",
        "km",
    ),
    ColumnDoc(
        "reaches",
        "habitat_{sp}",
        "habitat",
        "Habitat, {label}",
        "Usable habitat of {label} on the reach, quality counted, whether or not it can be reached.",
        "{habitat}",
    ),
    ColumnDoc(
        "reaches",
        "access_{sp}",
        "share",
        "Access, {label}",
        "Chance that a {label} that enters from the receiving water can reach this place, 0 to 1.",
    ),
    ColumnDoc(
        "reaches",
        "state_{sp}",
        "word",
        "State, {label}",
        "How far {label} can come here: open, partial, blocked, or none where there is no habitat.",
        words=STATES,
    ),
)

# Only where habitat is built from rasters, curves and surveys.
_HABITAT = (
    ColumnDoc(
        "reaches", "gradient", "ratio", "Gradient", "Fall of the channel along the reach per length of it.", "m/m"
    ),
    ColumnDoc("reaches", "width_m", "length", "Width", "Width of the channel.", "m"),
    ColumnDoc(
        "reaches",
        "quality_{sp}",
        "share",
        "Habitat quality, {label}",
        "How good the reach is for {label}, of the life stage that counts, 0 to 1; empty where it is not known.",
    ),
    ColumnDoc(
        "reaches",
        "limited_by_{sp}",
        "text",
        "Why not better, {label}",
        "What keeps the quality for {label} low, in words; empty where nothing does.",
    ),
    ColumnDoc(
        "reaches",
        "surveyed_{sp}",
        "flag",
        "Surveyed, {label}",
        "True where the habitat of {label} was measured on the spot and replaces what was modelled.",
    ),
    *(
        ColumnDoc(
            "reaches",
            f"habitat_{{sp}}_{stage}",
            "habitat",
            f"{stage.capitalize()} habitat, {{label}}",
            f"Usable {stage} habitat of {{label}} on the reach, quality counted, whether or not it can be reached.",
            "m or m²",
        )
        for stage in ("spawning", "rearing")
    ),
    ColumnDoc(
        "reaches",
        "missing_{raster}",
        "share",
        "Without data, {raster}",
        "Share of the reach for which the raster {raster} has no data, 0 to 1.",
    ),
)

_SITES = (
    ColumnDoc("sites", "site", "text", "Site", "Id of the site."),
    ColumnDoc("sites", "name", "text", "Name", "Name of the site."),
    ColumnDoc("sites", "kind", "text", "Kind", "Kind of structure or place, as the table of sites gives it."),
    ColumnDoc(
        "sites",
        "snap_m",
        "length",
        "Moved by",
        "Distance from the place given to the stream it was put on.",
        "m",
    ),
    ColumnDoc(
        "sites",
        "reach",
        "id",
        "Reach above",
        "Number of the reach that begins at the site and lies above it.",
    ),
    ColumnDoc(
        "sites",
        "upstream_km",
        "length",
        "Upstream length",
        "Length of all reaches above the site, each counted once.",
        "km",
    ),
    ColumnDoc(
        "sites",
        "passability_{sp}",
        "share",
        "Passability, {label}",
        "Chance that a {label} that reaches the site during its run gets past it upstream, 0 to 1, today.",
    ),
    ColumnDoc(
        "sites",
        "habitat_above_{sp}",
        "habitat",
        "Habitat above, {label}",
        "All habitat of {label} above the site, whatever stands further up and whether or not it can be reached.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "habitat_to_next_{sp}",
        "habitat",
        "Habitat to the next site, {label}",
        "Habitat of {label} between the site and the next sites above it.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "blocked_{sp}",
        "habitat",
        "Blocked habitat, {label}",
        "Habitat that {label} would gain were this site fully passable, all else as it is.",
        "{habitat}",
    ),
    ColumnDoc(
        "sites",
        "best_rank",
        "count",
        "Best rank",
        "Rank of the best action at the site; empty where nothing can be done there.",
    ),
    ColumnDoc("sites", "best_action", "text", "Best action", "The action of that rank; empty likewise."),
)

_MISSING = re.compile("missing_([a-zA-Z0-9_]+)")

COLUMN_DOCS: tuple[ColumnDoc, ...] = (
    *_LAYER_ONLY, *_HABITAT, *_SITES, *SITE_PASSAGE_DOCS, *PRIORITY_DOCS, *PROBLEM_DOCS, *PASSAGE_DOCS,
    *ACCEPTABILITY_DOCS, *SURVEY_DOCS, *WEIGHT_DOCS,
)  # fmt: skip


def _unlisted(table: Table, name: str) -> ColumnDoc:
    """Return what there is to say of a column that :data:`COLUMN_DOCS` does not hold."""
    if table == "priority_list" and name.startswith("term_"):
        criterion = name.removeprefix("term_")
        meaning = f"What the criterion {criterion} adds to the score."
        return ColumnDoc(table, name, "share", f"Term, {criterion}", meaning)
    if table == "weights" and name.startswith("weight_"):
        return weight_doc(name.removeprefix("weight_"))
    return ColumnDoc(table, name, "other", name, "Further column, passed on as it came.")


def describe(
    columns: Iterable[str], species: Sequence[SpeciesLook], *, table: Table, currency: str | None = None
) -> tuple[ColumnDoc, ...]:
    """Return what each of `columns` means, with species, units and currency filled in.

    Parameters
    ----------
    columns : iterable of str
        Names of the columns of one table; a geometry column is left out by the caller.
    species : sequence of SpeciesLook
    table : str
        One of :data:`TABLES`.
    currency : str or None
        ISO code of the money; None where values are points.

    Returns
    -------
    tuple of ColumnDoc
        One for each column, in the order given. A column that this table does not know gets kind ``other``.
    """
    plain = {d.name: d for d in COLUMN_DOCS if d.table == table and not d.per_species}
    # shorter patterns last, so that they win: `habitat_x_spawning` may be that of a species `x_spawning`
    patterns = sorted((d for d in COLUMN_DOCS if d.table == table and d.per_species), key=lambda d: -len(d.name))
    filled = {d.name.replace("{sp}", s.key): (d, s) for d in patterns for s in species}
    money = currency or "money"
    worth = currency or "points"
    docs = []
    for name in columns:
        doc, look = filled.get(name, (plain.get(name), None))
        if doc is None and _MISSING.fullmatch(name):
            doc = plain.get("missing_{raster}")
        if doc is None:
            docs.append(_unlisted(table, name))
            continue
        # replace, not format: labels are the user's text and may hold braces
        label, raster = look.label if look else "", name.removeprefix("missing_")
        unit = HABITAT_UNITS[look.habitat_unit] if look else ""
        docs.append(
            replace(
                doc,
                name=name,
                title=doc.title.replace("{raster}", raster).replace("{label}", label),
                meaning=doc.meaning.replace("{raster}", raster).replace("{label}", label),
                unit=doc.unit.replace("{habitat}", unit).replace("{money}", money).replace("{worth}", worth),
            )
        )
    return tuple(docs)
