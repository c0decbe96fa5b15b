"""Coordinate systems of layers: what they say they are in, can it be true, the way into the basin's."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from barrierrank.inputs.report import Report, in_rows
from barrierrank.project_check import parse_crs

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
FARTHEST_M = 1e8
"""No place on earth has a projected coordinate beyond this [m]; the earth is 4e7 m around."""
SET_CRS = "set the CRS of the layer in your GIS and save it again"


def source_crs(text: str | None, report: Report) -> CRS:
    """Return the coordinate system a layer says it is in.

    Raises
    ------
    InputError
        When it says none or one that is not understood.
    """
    if text is None:
        message = "the layer does not say its coordinate system (CRS)"
        raise report.fatal("missing_crs", message, remedy=f"{SET_CRS}; a shapefile keeps it in its .prj file")
    try:
        return parse_crs(text)
    except CRSError:
        message = "the coordinate system (CRS) of the layer is not understood"
        raise report.fatal("unknown_crs", message, remedy=SET_CRS) from None


def transformer(source: CRS, target: CRS, report: Report) -> Transformer:
    """Return the way from one coordinate system to another, x before y on both sides.

    Raises
    ------
    InputError
        When there is none.
    """
    try:
        return Transformer.from_crs(source, target, always_xy=True)
    except ProjError:
        message = f"there is no way from the coordinate system {source.name} to {target.name}"
        raise report.fatal("unknown_crs", message, remedy="save the layer in the CRS of [basin]") from None


def to_crs(geometry: ObjectArray, source: CRS, target: CRS, report: Report) -> ObjectArray:
    """Return geometries in another coordinate system; heights are kept as they are.

    Parameters
    ----------
    geometry : (n,) object array of shapely geometries or None
    source, target : CRS
    report : Report

    Raises
    ------
    InputError
        When coordinates are not of `source`, or have no place in `target`.
    """
    check_units(shapely.total_bounds(geometry), source, report)
    if source.equals(target, ignore_axis_order=True):
        out = geometry
    else:
        out = _transform(geometry, transformer(source, target, report))
    size = np.abs(shapely.get_coordinates(out))
    if not size.max(initial=0.0) <= FARTHEST_M:  # nor where one of them is no number
        index = shapely.get_coordinates(out, return_index=True)[1]
        rows = (np.unique(index[~(size <= FARTHEST_M).all(axis=1)]) + 1).tolist()
        raise report.fatal(
            "coordinates",
            f"{in_rows(rows)}: the coordinates have no place in {target.name}",
            remedy=f"check them and the CRS of the layer ({source.name}); mend or remove the rows",
            ids=rows,
        )
    return out


def _transform(geometry: ObjectArray, way: Transformer) -> ObjectArray:
    out = geometry.copy()
    has_z = shapely.has_z(geometry)
    for with_z in (False, True):
        which = has_z == with_z
        if which.any():
            part = out[which]
            xyz = shapely.get_coordinates(part, include_z=with_z)
            xyz[:, 0], xyz[:, 1] = way.transform(xyz[:, 0], xyz[:, 1])
            out[which] = shapely.set_coordinates(part, xyz)
    return out


def check_units(bounds: FloatArray, crs: CRS, report: Report) -> None:
    """Complain of degrees in a system of metres, and of metres in a system of degrees.

    Parameters
    ----------
    bounds : (4,) float64
        West, south, east, north; NaN where there are no coordinates.

    Raises
    ------
    InputError
    """
    x0, y0, x1, y1 = (float(b) for b in bounds)
    if not np.isfinite([x0, y0, x1, y1]).all():
        return
    seen = f"coordinates run from ({x0:.6g}, {y0:.6g}) to ({x1:.6g}, {y1:.6g})"
    if crs.is_geographic and (max(abs(x0), abs(x1)) > 360 or max(abs(y0), abs(y1)) > 90):
        message = f"{seen}, which are not degrees, but the CRS {crs.name} is in degrees"
    elif crs.is_projected and _look_like_degrees(bounds, crs):
        message = f"{seen}, which look like degrees, but the CRS {crs.name} is not in degrees"
    else:
        return
    raise report.fatal(
        "crs_units", message, remedy="set the CRS the coordinates are truly in; do not reproject"
    )


def _look_like_degrees(bounds: FloatArray, crs: CRS) -> bool:
    """Tell whether bounds, taken as degrees, lie where a projected system is meant to be used."""
    x0, y0, x1, y1 = (float(b) for b in bounds)
    small = x1 - x0 < 30 and y1 - y0 < 30
    return small and bool(inside_area(np.array([x0, x1]), np.array([y0, y1]), crs).all())


def warn_outside(bounds: FloatArray, crs: CRS, report: Report) -> None:
    """Warn where the middle of a layer lies outside the area a projected system is meant for.

    Parameters
    ----------
    bounds : (4,) float64
        In `crs` [m]; NaN where there are no coordinates.
    """
    area: Any = crs.area_of_use
    if area is None or not np.isfinite(bounds).all():
        return
    way = transformer(crs, CRS.from_epsg(4326), report)
    lon, lat = way.transform((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    if np.isfinite([lon, lat]).all() and not inside_area(np.array([lon]), np.array([lat]), crs).all():
        message = (
            f"{crs.name} is meant for {str(area.name).rstrip('.')}; the streams lie at longitude {lon:.1f}, "
            f"latitude {lat:.1f}"
        )
        remedy = "choose a system for that place: lengths are wrong far from the area one is made for"
        report.add("warning", "crs_area", message, remedy=remedy)


def inside_area(lon: FloatArray, lat: FloatArray, crs: CRS) -> npt.NDArray[np.bool_]:
    """Tell which places lie where a coordinate system is meant to be used, three degrees around it included.

    Parameters
    ----------
    lon, lat : (n,) float64 [degrees]
    crs : CRS

    Returns
    -------
    (n,) bool
        All false where the system does not say where it is meant to be used.
    """
    area: Any = crs.area_of_use
    if area is None:
        return np.zeros(len(lon), dtype=bool)
    slack = 3.0
    lon_ok = (lon >= area.west - slack) & (lon <= area.east + slack)
    if area.west > area.east:  # across the antimeridian
        lon_ok = (lon >= area.west - slack) | (lon <= area.east + slack)
    return np.asarray(lon_ok & (lat >= area.south - slack) & (lat <= area.north + slack), dtype=bool)
