"""Rasters: found and checked when opened, read a window at a time and never whole."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import MaskFlags
from rasterio.errors import RasterioError
from rasterio.windows import Window

from barrierrank.inputs.report import Report, own_errors
from barrierrank.problems import Problems, some
from barrierrank.project_check import parse_crs
from barrierrank.project_habitat import Kind, RasterSpec

__all__ = ["Raster", "RasterReader", "RasterSpec", "open_raster", "reading"]

Floats = npt.NDArray[np.float64]

CACHE_MB = 128
"""Blocks that GDAL may keep decoded [MB]; by itself it would take a share of the machine's memory."""
TILE = (1024, 1024)
"""Rows and columns read at a time from a raster in tiles."""
STRIP_TILE = (256, 4096)
"""The same for a raster stored in strips as wide as itself."""
_LOOKS_MISSING = (-9999.0, -32768.0, -99999.0, float(np.finfo(np.float32).min), -1e38)


@dataclass(frozen=True)
class Raster:
    """A raster that was found and checked; its cells are not read yet.

    Parameters
    ----------
    label : str
        File, for messages.
    at : str
        Table of the project file that names it.
    path : Path
    band : int
        From 1.
    kind : {"number", "classes"}
    crs : CRS
        Horizontal coordinate system.
    transform : affine.Affine
        From column and row to x and y; rows may run north, and the grid may be turned.
    shape : tuple of (int, int)
        Rows, columns.
    nodata : float or None
    cell : tuple of (float, float)
        Width and height of a cell in the units of `crs`.
    cell_m : tuple of (float, float)
        The same [m], in the middle of the raster.
    tile : tuple of (int, int)
        Rows and columns to read at a time.
    """

    label: str
    at: str
    path: Path
    band: int
    kind: Kind
    crs: CRS
    transform: Any
    shape: tuple[int, int]
    nodata: float | None
    cell: tuple[float, float]
    cell_m: tuple[float, float]
    tile: tuple[int, int]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north in the units of `crs`."""
        rows, columns = self.shape
        corners = np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]])
        x, y = _places(self.transform, corners)
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def open_raster(spec: RasterSpec, problems: Problems, *, where: str) -> Raster:
    """Find a raster and check it, without reading its cells.

    Parameters
    ----------
    spec : RasterSpec
    problems : Problems
    where : str
        Table of the project file that names it, e.g. ``"[rasters.substrate]"``.

    Raises
    ------
    InputError
        No such file, an unreadable one, no such band, no or no known CRS, no place on the map, class codes that
        stand for two labels or for "no data".
    """
    report = Report(problems, spec.path.name, where)
    if not spec.path.exists():
        raise report.key("path").fatal("missing_file", "there is no such file", remedy="mend the path")
    with own_errors(problems), _opened(spec.path, report) as source:
        _check_band(source, spec, report)
        crs = _crs(source.crs, report)
        _check_place(source, report)
        _check_codes(spec, report)
        shape = (int(source.height), int(source.width))
        transform = source.transform
        there = 1 <= spec.band <= source.count
        nodata = _nodata(source, spec, report) if there else None
        tile = _tile(source, spec.band) if there else TILE
    assert crs is not None  # otherwise an error was raised
    cell = math.hypot(transform.a, transform.d), math.hypot(transform.b, transform.e)
    return Raster(
        label=spec.path.name,
        at=where,
        path=spec.path,
        band=spec.band,
        kind=spec.kind,
        crs=crs,
        transform=transform,
        shape=shape,
        nodata=nodata,
        cell=cell,
        cell_m=_cell_m(crs, transform, shape, cell),
        tile=tile,
    )


@contextmanager
def _opened(path: Path, report: Report) -> Iterator[Any]:
    """Open a raster with a cache of fixed size; what GDAL complains of becomes one message."""
    with rasterio.Env(GDAL_CACHEMAX=CACHE_MB):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a raster without a place is told by `_check_place`
                source = rasterio.open(path)
        except (RasterioError, OSError, ValueError) as error:
            reason = " ".join(str(error).replace(str(path), path.name).split()).rstrip(".")
            raise report.key("path").fatal(
                "unreadable",
                f"the file cannot be read as a raster ({reason})",
                remedy="it may be cut short or of a format GDAL does not know; export it again as GeoTIFF",
            ) from None
        with source:
            yield source


def _check_band(source: Any, spec: RasterSpec, report: Report) -> None:
    if source.count == 0:
        names = [str(s).rsplit("/", 1)[-1] for s in source.subdatasets]
        message = f"the file holds no band of its own, but the rasters {some(names)}"
        raise report.key("path").fatal(
            "missing_band", message, remedy="export the one you mean as GeoTIFF and name that file"
        )
    if not 1 <= spec.band <= source.count:
        message = f"there is no band {spec.band}; the file has {source.count}"
        report.key("band").error("missing_band", message, remedy=f"give a number from 1 to {source.count}")
    elif "complex" in source.dtypes[spec.band - 1]:
        message = f"band {spec.band} holds complex numbers"
        report.key("band").error("cell_type", message, remedy="give a raster of real numbers")


def _crs(found: Any, report: Report) -> CRS | None:
    """Return the horizontal coordinate system, or None after telling what is wrong with it."""
    remedy = "set the CRS the raster is truly in with your GIS and save it again; do not reproject"
    if not found:
        report.error("missing_crs", "the raster does not say its coordinate system (CRS)", remedy=remedy)
        return None
    try:
        crs = parse_crs(found.to_wkt())
    except (CRSError, RasterioError):
        crs = None
    if crs is not None and crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs is None or not (crs.is_projected or crs.is_geographic):
        message = "the coordinate system (CRS) of the raster is not understood, or is a local one"
        report.error("unknown_crs", message, remedy=remedy)
        return None
    return crs


def _check_place(source: Any, report: Report) -> None:
    transform = source.transform
    size = np.abs([transform.a * transform.e - transform.b * transform.d, transform.c, transform.f])
    if transform.is_identity or not np.isfinite(size).all() or size[0] == 0.0:
        report.error(
            "no_geotransform",
            "the raster does not say where its cells lie (no geotransform)",
            remedy="georeference it with your GIS, or put its world file (.tfw) back beside it",
        )


def _check_codes(spec: RasterSpec, report: Report) -> None:
    if spec.kind != "classes":
        return
    if not spec.classes:
        report.key("classes").error("class_codes", "no class is named", remedy="name them: gravel = 3")
    owner: dict[int, str] = {}
    for label, codes in spec.classes.items():
        for code in codes:
            if owner.setdefault(code, label) != label:
                message = f'code {code} stands for "{owner[code]}" and for "{label}"'
                report.key("classes").error("class_codes", message, remedy="give each code to one label")


def _nodata(source: Any, spec: RasterSpec, report: Report) -> float | None:
    """Return the value that stands for "no data"; note where there is none, complain where a label has it."""
    value = source.nodatavals[spec.band - 1]
    if value is None:
        if MaskFlags.all_valid in source.mask_flag_enums[spec.band - 1]:
            message = "the raster names no value for cells without data, so every cell but NaN counts as data"
            report.add("note", "no_nodata", message)
        return None
    for label, codes in spec.classes.items():
        if spec.kind == "classes" and value in codes:
            message = f'"{label}" has the code {value:g}, which the raster keeps for cells without data'
            report.key("classes").error(
                "class_codes", message, remedy="remove the code, or unset the raster's nodata value"
            )
    return float(value)


def _cell_m(
    crs: CRS, transform: Any, shape: tuple[int, int], cell: tuple[float, float]
) -> tuple[float, float]:
    """Return width and height of the middle cell [m]."""
    factor = float(crs.axis_info[0].unit_conversion_factor)
    if not crs.is_geographic:
        return cell[0] * factor, cell[1] * factor
    middle = np.array([[0, 0], [1, 0], [0, 1]]) + np.array([shape[1], shape[0]]) / 2
    x, y = np.degrees(_places(transform, middle)) * factor
    if not np.abs(y).max() <= 90.0:  # told when streams are looked for in it
        return math.nan, math.nan
    geod = crs.get_geod()
    assert geod is not None
    metres = geod.inv(x[[0, 0]], y[[0, 0]], x[1:], y[1:])[2]
    return float(metres[0]), float(metres[1])


def _places(transform: Any, cells: npt.NDArray[Any]) -> Floats:
    """Return x and y, (2, k), of columns and rows, (k, 2)."""
    column, row = cells.T
    return np.stack([
        transform.a * column + transform.b * row + transform.c,
        transform.d * column + transform.e * row + transform.f,
    ])  # fmt: skip


def _tile(source: Any, band: int) -> tuple[int, int]:
    """Return rows and columns to read at a time: whole blocks, about a million cells."""
    height, width = source.block_shapes[band - 1]
    wanted = STRIP_TILE if width >= source.width and source.width > TILE[1] else TILE
    rows = wanted[0] if height > wanted[0] else wanted[0] // height * height
    columns = wanted[1] if width > wanted[1] else wanted[1] // width * width
    return max(1, rows), max(1, columns)


class RasterReader:
    """Reads windows of an open raster; see :func:`reading`.

    Parameters
    ----------
    raster : Raster
    source : rasterio.DatasetReader
    report : Report
    """

    def __init__(self, raster: Raster, source: Any, report: Report) -> None:
        self.raster = raster
        self.looks_missing: set[float] = set()
        self._source = source
        self._report = report
        band = raster.band - 1
        flags = set(source.mask_flag_enums[band])
        self._mask = not flags & {MaskFlags.all_valid, MaskFlags.nodata}
        self._scale = (float(source.scales[band]), float(source.offsets[band]))
        dtype = np.dtype(source.dtypes[band])
        self._integer = dtype.kind in "iub"
        self._nodata = _as_stored(raster.nodata, dtype)

    def read(self, rows: tuple[int, int], columns: tuple[int, int]) -> Floats:
        """Return cells, NaN where there are no data.

        Parameters
        ----------
        rows, columns : tuple of (int, int)
            First and one past the last, within the raster.

        Raises
        ------
        InputError
            When the file cannot be read there, or a raster of classes holds a number that is not whole.
        """
        window = Window(columns[0], rows[0], columns[1] - columns[0], rows[1] - rows[0])
        try:
            values = self._source.read(self.raster.band, window=window)
            covered = self._source.read_masks(self.raster.band, window=window) if self._mask else None
        except (RasterioError, OSError) as error:
            reason = " ".join(str(error).replace(str(self.raster.path), self.raster.label).split())
            message = f"rows {rows[0] + 1} to {rows[1]} of the raster cannot be read ({reason.rstrip('.')})"
            remedy = "copy the file again, or write it anew: it may be cut short"
            raise self._report.key("path").fatal("unreadable", message, remedy=remedy) from None
        missing = np.zeros(values.shape, dtype=bool) if covered is None else covered == 0
        if self._nodata is not None:
            missing |= values == self._nodata
        out = np.array(values, dtype=np.float64)
        out[missing] = np.nan
        if not self._integer:
            out[~np.isfinite(out)] = np.nan
        self._look_over(out)
        if self.raster.kind == "number" and self._scale != (1.0, 0.0):
            out = out * self._scale[0] + self._scale[1]
        return out

    def _look_over(self, values: Floats) -> None:
        if self.raster.kind == "classes":
            bad = values[:0] if self._integer else values[np.isfinite(values) & (values != np.round(values))]
            if bad.size:
                raise self._report.key("kind").fatal(
                    "class_codes",
                    f"the raster is said to hold classes, but a cell holds {bad[0]:g}, which is no whole number",
                    remedy='use kind = "number", or a raster of class codes',
                )
        elif self.raster.nodata is None and not self._mask and (low := values[values <= -9999.0]).size:
            self.looks_missing |= {v for v in _LOOKS_MISSING if (low == v).any()}


def _as_stored(nodata: float | None, dtype: np.dtype[Any]) -> Any:
    """Return the value for "no data" as cells hold it, None where no cell can."""
    if nodata is None or math.isnan(nodata):
        return None
    if dtype.kind not in "iu":
        return dtype.type(nodata)
    held = nodata.is_integer() and np.iinfo(dtype).min <= nodata <= np.iinfo(dtype).max
    return dtype.type(int(nodata)) if held else None


@contextmanager
def reading(raster: Raster, problems: Problems) -> Iterator[RasterReader]:
    """Open a checked raster for reading windows.

    Raises
    ------
    InputError
        When it can no longer be opened.
    """
    report = Report(problems, raster.label, raster.at)
    with _opened(raster.path, report) as source:
        yield (reader := RasterReader(raster, source, report))
    if reader.looks_missing:
        report.add(
            "warning",
            "looks_missing",
            f"cells near the streams hold {some([f'{v:g}' for v in sorted(reader.looks_missing)])}, which looks like "
            "a code for missing data, but the raster does not say so",
            remedy="set that value as nodata in your GIS and save the raster again",
        )
