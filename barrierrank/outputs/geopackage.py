"""Results as layers of one GeoPackage, with their styles and the meaning of their columns stored in the
file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio

from barrierrank.outputs.about import parse_date
from barrierrank.outputs.columns import ColumnDoc, Table, describe
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.styles import ACTION_STYLE, PROBLEM_STYLE, Style, qml, reach_style, site_styles, sld

LAYERS = ("reaches", "sites", "actions", "problems")
_DOCS: dict[str, Table] = {
    "reaches": "reaches",
    "sites": "sites",
    "actions": "priority_list",
    "problems": "problems",
}
_SHAPE = {"reaches": "LineString", "sites": "Point", "actions": "Point", "problems": "Point"}
_MEANING = {
    "reaches": "Reaches of the stream network with habitat, access and state of each species, as things are.",
    "sites": "Sites: structures, falls and candidates, with what each holds back.",
    "actions": "The priority list: a row for each site and action, at the place of the site.",
    "problems": "What was wrong with the inputs or was mended; without a place where there is none.",
}


@dataclass(frozen=True, eq=False)
class Layer:
    """One layer of a GeoPackage.

    Parameters
    ----------
    name : str
    frame : GeoDataFrame
        SI units, full precision.
    shape : str
        Type of its geometries, e.g. ``Point``.
    meaning : str
        What its rows are.
    docs : tuple of ColumnDoc
        One for each column but the geometry.
    """

    name: str
    frame: gpd.GeoDataFrame
    shape: str
    meaning: str
    docs: tuple[ColumnDoc, ...]


def write_geopackage(path: Path, model: OutputModel) -> None:
    """Write the layers `reaches`, `sites`, `actions` and `problems` into a new GeoPackage.

    Values are written as they are: SI units, full precision, texts unchanged. The file also holds

    * `layer_styles`, where QGIS and others look for styles: one for each species on `reaches` (the first
      invasive one is the default), best rank and kind on `sites`, purpose on `actions`, severity on
      `problems`;
    * `gpkg_data_columns` with title, meaning and allowed words of every column (OGC GeoPackage, schema
      extension).

    Parameters
    ----------
    path : Path
        Replaced where it exists.
    model : OutputModel

    Raises
    ------
    OSError, sqlite3.Error, pyogrio.errors.DataSourceError
        Where the file cannot be written.
    """
    found = [
        Layer(
            name,
            frame,
            _SHAPE[name],
            _MEANING[name],
            describe(columns_of(frame), model.species, table=_DOCS[name], currency=model.currency),
        )
        for name, frame in layers(model).items()
    ]
    write_layers(path, found, styles_of(model), basin=model.basin, run=model.run)


def columns_of(frame: gpd.GeoDataFrame) -> list[str]:
    """Return the names of the columns but the geometry.

    Parameters
    ----------
    frame : GeoDataFrame
    """
    return [c for c in frame.columns if c != frame.geometry.name]


def write_layers(
    path: Path, found: Sequence[Layer], styles: Sequence[tuple[Style, bool]], *, basin: str, run: Mapping[str, Any]
) -> None:
    """Write layers into a new GeoPackage, with styles and the meaning of their columns.

    Parameters
    ----------
    path : Path
        Replaced where it exists.
    found : sequence of Layer
    styles : sequence of (Style, bool)
        Each with whether it is its layer's default.
    basin : str
        Comes before the name of each layer.
    run : Mapping
        Record of the run; tells its date.

    Raises
    ------
    OSError, sqlite3.Error, pyogrio.errors.DataSourceError
        Where the file cannot be written.
    """
    path.unlink(missing_ok=True)
    for layer in found:
        first = not path.exists()
        pyogrio.write_dataframe(
            layer.frame,
            path,
            layer=layer.name,
            driver="GPKG",
            geometry_type=layer.shape,
            append=not first,
            use_arrow=True,
            dataset_options={"VERSION": "1.2"} if first else {},  # read by old programs without complaint
            layer_options={
                "GEOMETRY_NAME": "geom",
                "IDENTIFIER": f"{basin}: {layer.name}",
                "DESCRIPTION": layer.meaning,
            },
        )
    with _open_database(path) as db:
        for layer in found:
            _check_count(db, layer.name, len(layer.frame))
        _write_columns(db, found)
        _write_styles(db, styles, f"{parse_date(run):%Y-%m-%dT%H:%M:%S.000Z}")


def layers(model: OutputModel) -> dict[str, gpd.GeoDataFrame]:
    """Return the tables of the layers by name.

    Parameters
    ----------
    model : OutputModel
    """
    points = model.sites.set_index("site").geometry
    place = points.reindex(model.priority["site"]).to_numpy()
    actions = gpd.GeoDataFrame(model.priority, geometry=place, crs=model.sites.crs)
    problems = model.problems
    if problems.crs is None:
        problems = problems.set_crs(model.sites.crs)
    return {"reaches": model.reaches, "sites": _nulls(model.sites), "actions": actions, "problems": problems}


def _nulls(sites: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the sites with null, not an empty text, where nothing stops a species: no word of the list."""
    empty = {c: sites[c].replace("", None) for c in sites if str(c).startswith("stopped_by_")}
    return sites.assign(**empty) if empty else sites


def styles_of(model: OutputModel) -> list[tuple[Style, bool]]:
    """Return the styles to store, each with whether it is its layer's default.

    Parameters
    ----------
    model : OutputModel
    """
    first = next(
        (s for s in model.species if s.role == "invasive"), model.species[0] if model.species else None
    )
    styles: list[tuple[Style, bool]] = []
    if first is not None:
        styles = [(reach_style(s.key, s.label, f"State: {s.key}"), s is first) for s in model.species]
    by_rank, by_kind = site_styles(sorted({str(k) for k in model.sites["kind"].dropna()}))
    styles.append((by_rank, True))
    if by_kind.classes:
        styles.append((by_kind, False))
    return [*styles, (ACTION_STYLE, True), (PROBLEM_STYLE, True)]


@contextmanager
def _open_database(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the file as a database; everything is written at the end, or nothing."""
    with closing(sqlite3.connect(path)) as db, db:
        yield db


def _check_count(db: sqlite3.Connection, layer: str, expected: int) -> None:
    """Raise where a layer is short: a full disk is not always told by the driver."""
    (found,) = db.execute(f'SELECT count(*) FROM "{layer}"').fetchone()  # noqa: S608 - name of ours
    if found != expected:
        raise OSError(f"layer {layer} holds {found:,} of {expected:,} rows after writing: is the disk full?")


_COLUMN_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type
  TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive
  BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT
  NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""
_SCHEMA_PAGE = "http://www.geopackage.org/spec121/#extension_schema"


def _write_columns(db: sqlite3.Connection, found: Sequence[Layer]) -> None:
    """Fill the schema extension: what each column means, and the words or shares it is limited to."""
    for statement in _COLUMN_TABLES.split(";"):
        db.execute(statement)
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        db.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
            (table, _SCHEMA_PAGE),
        )
    rules: dict[str, ColumnDoc] = {}
    for layer in found:
        for doc in layer.docs:
            rule = _rule_name(doc)
            if rule:
                rules.setdefault(rule, doc)
            unit = f" [{doc.unit}]" if doc.unit else ""
            db.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, NULL, ?, ?, NULL, ?)",
                (layer.name, doc.name, doc.title + unit, doc.meaning + unit, rule),
            )
    for rule, doc in sorted(rules.items()):
        _write_rule(db, rule, doc)


def _rule_name(doc: ColumnDoc) -> str | None:
    """Name of the constraint of a column: names are lower case and shared by columns of a kind."""
    if doc.kind == "share":
        return "share"
    return f"words_{doc.name.split('_')[0]}" if doc.words else None


def _write_rule(db: sqlite3.Connection, rule: str, doc: ColumnDoc) -> None:
    """Write a constraint of columns."""
    insert = "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    if doc.kind == "share":
        db.execute(insert, (rule, "range", None, 0, True, 1, True, "a chance or a share"))
    for word in doc.words:
        db.execute(insert, (rule, "enum", word, None, None, None, None, word))


_STYLE_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""


def _write_styles(db: sqlite3.Connection, styles: Sequence[tuple[Style, bool]], when: str) -> None:
    """Store styles in the file."""
    db.execute(_STYLE_TABLE)
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers', ?, 0)",
        (when,),
    )
    rows: list[tuple[Any, ...]] = [
        ("", "", s.layer, "geom", s.name[:30], qml(s), sld(s), default, s.description, "", None, when)
        for s, default in styles
    ]
    db.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
        "styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
        "VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
        rows,
    )
    # the date of the run, not of the writing: the same results give the same file
    db.execute("UPDATE gpkg_contents SET last_change = ?", (when,))
