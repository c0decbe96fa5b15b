"""Layers of geometry: found and read by pyogrio through Arrow, checked, and brought into the basin's CRS."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError
from pyproj import CRS

from barrierrank.inputs.crs import ObjectArray, source_crs, to_crs
from barrierrank.inputs.report import Report, in_rows
from barrierrank.inputs.shapefile import cut_part
from barrierrank.problems import InputError, Problems, some
from barrierrank.project_check import nearest

Wanted = Literal["lines", "points", "polygons", "points or polygons", "anything"]

_TYPE_IDS: dict[str, tuple[int, ...]] = {
    "lines": (1, 2, 5),
    "points": (0, 4),
    "polygons": (3, 6),
    "points or polygons": (0, 3, 4, 6),
    "anything": tuple(range(8)),
}
_TYPE_NAMES = (
    "Point", "LineString", "LinearRing", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon",
    "GeometryCollection",
)  # fmt: skip
_GDAL_FAULTS = (
    DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError, pa.ArrowException, RuntimeError,
    OSError, ValueError,
)  # fmt: skip


@dataclass(frozen=True)
class LayerInfo:
    """A layer that was found but not read yet.

    Parameters
    ----------
    path : Path
    layer : str
        Its name in the file.
    label : str
        File and layer, for messages.
    fields : tuple of str
        Its columns, the one of feature ids included where it has a name.
    fid : str
        Name of the column of feature ids, ``""`` where there is none.
    features : int
        Number of features announced, -1 where unknown.
    crs : str or None
        As written in the file.
    geometry_type : str or None
        None = a table without geometry.
    """

    path: Path
    layer: str
    label: str
    fields: tuple[str, ...]
    fid: str
    features: int
    crs: str | None
    geometry_type: str | None


@dataclass(frozen=True)
class Layer:
    """Rows of a layer.

    Parameters
    ----------
    label : str
        File and layer, for messages.
    columns : pyarrow.Table
        The columns asked for, n rows.
    geometry : (n,) object array
        Shapely geometries in the CRS asked for, Z kept, M dropped; None where empty or unreadable.
    """

    label: str
    columns: pa.Table
    geometry: ObjectArray


def find_layer(path: Path, layer: str | None, *, wanted: Wanted, at: str, problems: Problems) -> LayerInfo:
    """Find one layer of a file.

    Parameters
    ----------
    path : Path
    layer : str or None
        None: the only layer, or the only one whose geometry is `wanted`.
    wanted : str
        Kind of geometry needed.
    at : str
        Table of the project file that names it, e.g. ``"[hydrography]"``.
    problems : Problems

    Raises
    ------
    InputError
        No such file, an unreadable file, no such layer, several to choose from.
    """
    report = Report(problems, path.name, at)
    if not path.exists():
        raise report.key("path").fatal("missing_file", "there is no such file", remedy="mend the path")
    cut = cut_part(path)
    if cut is not None:
        message = f"{cut} is shorter than its header says, so the file cannot be read whole"
        raise report.key("path").fatal("unreadable", message, remedy="export or copy it again")
    try:
        with quiet():
            layers = [(str(n), None if t is None else str(t)) for n, t in pyogrio.list_layers(path)]
    except _GDAL_FAULTS as error:
        raise _unreadable(report, error, path) from None
    name = _choose(layers, layer, wanted, report.key("layer"))
    label = path.name if len(layers) == 1 else f"{path.name}, layer {name}"
    try:
        with quiet():
            info = pyogrio.read_info(path, layer=name)
    except _GDAL_FAULTS as error:
        raise _unreadable(Report(problems, label, at), error, path) from None
    fid = str(info.get("fid_column") or "")
    return LayerInfo(
        path=path,
        layer=name,
        label=label,
        fields=(*map(str, info["fields"]), *([fid] if fid else [])),
        fid=fid,
        features=int(info["features"]),
        crs=info["crs"] or None,
        geometry_type=info["geometry_type"],
    )


@contextmanager
def quiet() -> Iterator[None]:
    """Keep remarks on measures (M), which are dropped on purpose, off the screen."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _unreadable(report: Report, error: Exception, path: Path) -> InputError:
    """Say that a file cannot be read, and the reason as far as GDAL tells it."""
    if path.is_file() and path.stat().st_size == 0:
        return report.key("path").fatal("unreadable", "the file is empty (0 bytes)", remedy="export or copy it again")
    reason = str(error).split(";")[0].strip().rstrip(".") or type(error).__name__
    reason = reason.rsplit(" failed: ", 1)[-1]  # what follows is the cause, what stands before a query
    # folders of this machine are of no use to a reader
    reason = reason.replace(f"'{path}'", path.name).replace(str(path), path.name)
    reason = " ".join(
        w.rsplit("/", 1)[-1] if w.lstrip("'\"").startswith("/") else w for w in reason.split(" ")
    )
    return report.key("path").fatal(
        "unreadable",
        f"the file cannot be read ({reason})",
        remedy="it may be cut short, open elsewhere, or of a format GDAL does not know; export it again",
    )


def _choose(
    layers: Sequence[tuple[str, str | None]], layer: str | None, wanted: Wanted, report: Report
) -> str:
    """Return the name of the layer meant, or raise naming those there are."""
    names = [n for n, _ in layers]
    if layer is not None and layer in names:
        return layer
    if not names or layer is not None:
        message = f'there is no layer "{layer}"' if layer is not None else "the file has no layer"
        remedy = (
            f"{nearest(layer or '', names)} layers are {', '.join(names)}" if names else "give another file"
        )
        raise report.fatal("missing_layer", message, remedy=remedy.strip())
    fit = [n for n, kind in layers if _fits(kind, wanted)] if len(names) > 1 else names
    if len(fit) != 1:
        message = f"the file has {len(names)} layers, {len(fit)} of them of {wanted}"
        remedy = f"name one of: {', '.join(fit or names)} (layer in the project file; --layer of `new`)"
        raise report.fatal("missing_layer", message, remedy=remedy)
    if len(names) > 1:
        report.add("note", "layer", f'"{fit[0]}" is read, the only layer of {wanted}')
    return fit[0]


def _fits(geometry_type: str | None, wanted: Wanted) -> bool:
    if geometry_type is None:
        return wanted == "anything"
    flat = geometry_type.split(" ")[0]
    return flat == "Unknown" or any(flat == _TYPE_NAMES[i] for i in _TYPE_IDS[wanted])


def check_column(info: LayerInfo, column: str, report: Report) -> bool:
    """Return whether a layer has a column; complain with the nearest name where it has not."""
    if column in info.fields:
        return True
    report.error(
        "missing_column", f'there is no column "{column}"', remedy=column_remedy(column, info.fields)
    )
    return False


def column_remedy(column: str, columns: Sequence[str]) -> str:
    """Return what columns there are, and the nearest."""
    if not columns:
        return "the layer has no columns at all (a shapefile without its .dbf?)"
    return f"{nearest(column, columns)} columns are {some(list(columns), 30)}".strip()


def read_layer(
    info: LayerInfo,
    columns: Sequence[str],
    *,
    target: CRS,
    wanted: Wanted,
    report: Report,
    assume_crs: str | None = None,
) -> Layer:
    """Read columns and geometry of a layer.

    Parameters
    ----------
    info : LayerInfo
    columns : sequence of str
        Columns to read; others are not touched.
    target : CRS
        Coordinate system to return geometry in.
    wanted : str
        Kind of geometry allowed; ``"anything"``: none is read.
    report : Report
    assume_crs : str, optional
        Coordinate system of a layer that does not say.

    Raises
    ------
    InputError
        No rows, fewer than announced, wrong or no geometry, no CRS, coordinates that are not of that CRS.
    """
    if info.geometry_type is None and wanted != "anything":
        message = f"the layer has no geometry, but {wanted} are needed"
        raise report.fatal("geometry_type", message, remedy=f"give a layer of {wanted}")
    table, wkb = _read_arrow(info, columns, report, with_geometry=wanted != "anything")
    try:
        geometry, unreadable = _decode(wkb, table.num_rows)
    except NotImplementedError:  # arcs: shapely knows straight lines alone
        geometry, unreadable = _straightened(info, report)
    geometry = drop_measures(geometry)
    _check_types(geometry, unreadable, wanted, report)
    if wkb is not None:
        geometry = to_crs(geometry, source_crs(info.crs or assume_crs, report), target, report)
    return Layer(info.label, table, geometry)


def _read_arrow(
    info: LayerInfo, columns: Sequence[str], report: Report, *, with_geometry: bool
) -> tuple[pa.Table, pa.ChunkedArray | None]:
    wanted = list(dict.fromkeys(columns))
    fields = [c for c in wanted if c != info.fid]
    try:
        with quiet():
            meta, table = pyogrio.read_arrow(
                info.path,
                layer=info.layer,
                columns=fields,
                return_fids=len(fields) < len(wanted),
                read_geometry=with_geometry,
            )
    except _GDAL_FAULTS as error:
        raise _unreadable(report, error, info.path) from None
    if table.num_rows < info.features:
        message = f"only {table.num_rows} of {info.features} rows can be read"
        raise report.fatal("unreadable", message, remedy="the file is cut short; export or copy it again")
    if table.num_rows == 0:
        raise report.fatal("empty_layer", "the layer has no rows", remedy="give a layer with rows")
    name = meta["geometry_name"] or "wkb_geometry"
    if name not in table.column_names:
        return table, None
    place = table.column_names.index(name)
    return table.remove_column(place), table.column(place)


def read_frame(info: LayerInfo, most_rows: int, report: Report) -> gpd.GeoDataFrame:
    """Return the first rows of a layer with every column, in its own CRS.

    Raises
    ------
    InputError
        When they cannot be read, or none of them has a geometry.
    """
    try:
        with quiet():
            try:
                frame = pyogrio.read_dataframe(
                    info.path, layer=info.layer, max_features=most_rows, use_arrow=True, on_invalid="ignore"
                )
            except NotImplementedError:  # arcs: see _straightened
                frame = pyogrio.read_dataframe(
                    info.path, layer=info.layer, max_features=most_rows, on_invalid="ignore"
                )
    except _GDAL_FAULTS as error:
        raise _unreadable(report, error, info.path) from None
    if not isinstance(frame, gpd.GeoDataFrame) or not np.isfinite(shapely.total_bounds(frame.geometry)).all():
        raise report.fatal("empty_layer", "no row has a geometry", remedy="give a layer of streams")
    return frame


def _decode(wkb: pa.ChunkedArray | None, rows: int) -> tuple[ObjectArray, npt.NDArray[np.int64]]:
    """Return geometries and the rows (from 0) whose bytes are no geometry; chunk by chunk to spare memory."""
    if wkb is None:
        return np.full(rows, None, dtype=object), np.empty(0, dtype=np.int64)
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers are told by to_crs
        parts = [shapely.from_wkb(c.to_numpy(zero_copy_only=False), on_invalid="ignore") for c in wkb.chunks]
    geometry: ObjectArray = np.concatenate(parts) if parts else np.empty(0, dtype=object)
    none = shapely.is_missing(geometry)
    if not none.any():
        return geometry, np.empty(0, dtype=np.int64)
    given = ~np.asarray(wkb.is_null().to_numpy(zero_copy_only=False), dtype=bool)
    return geometry, np.flatnonzero(none & given)


def _straightened(info: LayerInfo, report: Report) -> tuple[ObjectArray, npt.NDArray[np.int64]]:
    """Return the geometries of a layer with its curves drawn in short straight pieces, as GDAL does it."""
    try:
        with quiet():
            wkb = pyogrio.raw.read(info.path, layer=info.layer, columns=[])[2]
    except _GDAL_FAULTS as error:
        raise _unreadable(report, error, info.path) from None
    report.add("mended", "curves", "curves are read as short straight pieces")
    return _decode(pa.chunked_array([pa.array(wkb, pa.binary())]), len(wkb))


def drop_measures(geometry: ObjectArray) -> ObjectArray:
    """Return geometries without measures, Z kept; GEOS before 3.12 drops them by itself."""
    if not hasattr(shapely, "has_m"):
        return geometry
    with_m = shapely.has_m(geometry)
    if not with_m.any():
        return geometry
    out = geometry.copy()
    for with_z, dimension in ((True, 3), (False, 2)):
        which = with_m & (shapely.has_z(geometry) == with_z)
        out[which] = shapely.from_wkb(shapely.to_wkb(geometry[which], output_dimension=dimension))
    return out


def _check_types(
    geometry: ObjectArray, unreadable: npt.NDArray[np.int64], wanted: Wanted, report: Report
) -> None:
    if unreadable.size:
        rows = (unreadable + 1).tolist()
        message = f"{in_rows(rows)}: no valid geometry, counted as empty"
        report.add("warning", "geometry_unreadable", message, ids=rows, remedy="mend or remove them")
    kinds = shapely.get_type_id(geometry)
    wrong = ~np.isin(kinds, (-1, *_TYPE_IDS[wanted]))
    if wrong.any():
        names = sorted({_TYPE_NAMES[k] if k < len(_TYPE_NAMES) else "curve" for k in kinds[wrong].tolist()})
        rows = (np.flatnonzero(wrong) + 1).tolist()
        message = f"{in_rows(rows)}: {', '.join(names)}, but {wanted} are needed"
        raise report.fatal("geometry_type", message, ids=rows, remedy=f"give a layer of {wanted}")
