"""What a raster says of each reach: a statistic of numbers or shares of classes, exact to the part of a cell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from barrierrank.habitat import kernels_cells
from barrierrank.habitat.raster_buffers import zonal_statistics
from barrierrank.habitat.raster_lines import cells_under_lines
from barrierrank.habitat.raster_place import Grid, outside_share
from barrierrank.inputs.rasters import Raster, RasterReader, RasterSpec, reading
from barrierrank.inputs.report import Report
from barrierrank.problems import Problems, some

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Objects = NDArray[np.object_]

OTHER = "other"
"""Label of the codes that no label names."""
REACHES_AT_A_TIME = 25_000
_ROUNDING = 1e-6
"""exactextract counts parts of cells in single precision; a smaller share missing is none."""
_STATISTICS = {
    "mean": kernels_cells.MEAN,
    "median": kernels_cells.MEDIAN,
    "min": kernels_cells.MIN,
    "max": kernels_cells.MAX,
}


@dataclass(frozen=True, eq=False)
class RasterSummary:
    """One raster summarised over n reaches.

    Parameters
    ----------
    name : str
        The user's name of the raster.
    value : (n,) float64
        The statistic asked for, in the raster's unit; NaN where there are no data, and for classes.
    shares : mapping of str to (n,) float64
        For classes: share of each label in the cells with data, labels in the order given, then `OTHER`; NaN where
        there are no data. Empty for numbers.
    missing : (n,) float64
        Share of the reach, 0 to 1, without data or outside the raster.
    """

    name: str
    value: Floats
    shares: Mapping[str, Floats]
    missing: Floats


@dataclass(eq=False)
class _Tally:
    """What is found while reaches are gone through.

    `codes` in ascending order, `owner` the label (column of `shares`) of each, `unknown` that of all other codes;
    `outside` the share of each reach beyond the raster, `seen` the codes met.
    """

    value: Floats
    shares: Floats
    missing: Floats
    outside: Floats
    codes: Ints
    owner: Ints
    unknown: int
    seen: set[int] = field(default_factory=set)


def summarise(
    raster: Raster,
    spec: RasterSpec,
    reaches: Objects,
    *,
    basin_crs: CRS | str,
    width_m: Floats | None,
    problems: Problems,
) -> RasterSummary:
    """Summarise a raster along reaches.

    Cells count by the length of the reach in them (`along` = ``"line"``; a stretch along the edge of two cells goes
    half to each) or by the part of them that lies within a distance of the reach, its ends cut flat (``"buffer"``).
    A reach without length takes the cell at its place, and one without width the cells under its line. The median
    is interpolated between the two weighted values around it. The raster is not resampled: reaches, and buffers
    made in the basin's CRS, are brought to its grid. Time grows with the cells touched, memory not with the raster.

    Parameters
    ----------
    raster : Raster
    spec : RasterSpec
    reaches : (n,) object
        Shapely LineStrings in the basin's CRS [m], neighbours near each other in the array so that each part of the
        raster is read about once.
    basin_crs : CRS or str
        Projected, in metres.
    width_m : (n,) float64 or None
        Channel width [m]; needed where the buffer is a share of it, NaN where not known.
    problems : Problems
        Told are codes without a label, labels without a cell, reaches without data, outside the raster or without
        a width.

    Raises
    ------
    InputError
        When no reach touches the raster, it cannot be read, or widths are needed and there are none.
    """
    report = Report(problems, raster.label, raster.at)
    crs = basin_crs if isinstance(basin_crs, CRS) else CRS.from_user_input(basin_crs)
    grid = Grid.of(raster, crs, report)
    reaches = np.asarray(shapely.force_2d(reaches), dtype=object)
    distance = _distances(spec, reaches.size, width_m, report)
    tally = _start(spec, reaches.size)
    with reading(raster, problems) as reader:
        for a in range(0, reaches.size, REACHES_AT_A_TIME):
            part = slice(a, min(a + REACHES_AT_A_TIME, reaches.size))
            _go_through(part, reaches[part], distance[part], grid, reader, spec, tally)
    _check_overlap(raster, reaches, grid, tally, report)
    _tell(spec, tally, report)
    labels = dict.fromkeys((*spec.classes, OTHER)) if spec.kind == "classes" else {}
    shares = {label: tally.shares[:, i].copy() for i, label in enumerate(labels)}
    return RasterSummary(spec.name, tally.value, shares, tally.missing)


def _start(spec: RasterSpec, n: int) -> _Tally:
    labels = list(dict.fromkeys((*spec.classes, OTHER))) if spec.kind == "classes" else []
    pairs = sorted((code, labels.index(label)) for label, codes in spec.classes.items() for code in codes)
    return _Tally(
        value=np.full(n, np.nan),
        shares=np.full((n, len(labels)), np.nan),
        missing=np.ones(n),
        outside=np.zeros(n),
        codes=np.array([code for code, _ in pairs], dtype=np.int64),
        owner=np.array([label for _, label in pairs], dtype=np.int64),
        unknown=labels.index(OTHER) if labels else -1,
    )


def _distances(spec: RasterSpec, n: int, width_m: Floats | None, report: Report) -> Floats:
    """Return how far each side of each reach cells count [m], 0 for the line alone."""
    if spec.along == "line":
        return np.zeros(n)
    if spec.buffer_widths is None:
        return np.full(n, spec.buffer_m or 0.0)
    if width_m is None:
        raise report.key("buffer_widths").fatal(
            "no_width",
            "the buffer is a share of the channel width, but the lines have no width",
            remedy="give width in [hydrography], or buffer_m here",
        )
    unknown = ~(width_m >= 0.0)
    if unknown.any():
        message = (
            f"{int(unknown.sum())} of {n} reaches have no width; cells under their line alone are counted"
        )
        remedy = "fill in the width, or use buffer_m"
        report.key("buffer_widths").add("warning", "no_width", message, remedy=remedy)
    return np.where(unknown, 0.0, width_m) * spec.buffer_widths


def _go_through(
    part: slice,
    lines: Objects,
    distance: Floats,
    grid: Grid,
    reader: RasterReader,
    spec: RasterSpec,
    tally: _Tally,
) -> None:
    """Summarise one run of reaches."""
    tally.outside[part] = outside_share(grid.place(lines), grid.raster.shape)
    areas = np.full(lines.size, None, dtype=object)
    wide = distance > 0.0
    areas[wide] = shapely.buffer(lines[wide], distance[wide], cap_style="flat")
    wide &= ~(shapely.is_missing(areas) | shapely.is_empty(areas))
    first = part.start
    _along_lines(np.flatnonzero(~wide) + first, lines[~wide], grid, reader, spec, tally)
    if wide.any():
        _over_areas(np.flatnonzero(wide) + first, grid.place(areas[wide]), reader, spec, tally)


def _along_lines(
    reach: Ints, lines: Objects, grid: Grid, reader: RasterReader, spec: RasterSpec, tally: _Tally
) -> None:
    for found in cells_under_lines(lines, grid, reader):
        mine = reach[found.lines]
        of = np.repeat(np.arange(mine.size), np.diff(found.starts))
        total: Floats = np.bincount(of, found.weight, minlength=mine.size).astype(np.float64)
        if spec.kind == "classes":
            has = ~np.isnan(found.value)
            counted = _share_out(mine, of[has], found.value[has], found.weight[has], tally)
        else:
            tally.value[mine], counted = kernels_cells.weighted_statistic(
                found.starts, found.value, found.weight, _STATISTICS[spec.statistic]
            )
        _set_missing(mine, counted, total, tally)


def _over_areas(reach: Ints, areas: Objects, reader: RasterReader, spec: RasterSpec, tally: _Tally) -> None:
    total = shapely.area(areas)
    classes = spec.kind == "classes"
    operations = ("unique", "frac", "count") if classes else (spec.statistic, "count")
    for which, rows in zonal_statistics(areas, operations, reader):
        mine = reach[which]
        counted = np.array([row["count"] for row in rows])
        if classes:
            of = np.repeat(np.arange(mine.size), [len(row["unique"]) for row in rows])
            code = np.concatenate([row["unique"] for row in rows])
            weight = np.concatenate([row["frac"] for row in rows]) * counted[of]
            _share_out(mine, of, code, weight, tally)
        else:
            tally.value[mine] = [row.get(spec.statistic, np.nan) for row in rows]
        _set_missing(mine, counted, total[which], tally)


def _share_out(reach: Ints, of: Ints, code: Floats, weight: Floats, tally: _Tally) -> Floats:
    """Set the shares of labels on reaches from weights of codes; return the weight with data.

    Parameters
    ----------
    reach : (m,) int64
    of : (p,) int64
        Place in `reach` of each entry.
    code, weight : (p,) float64
    tally : _Tally
    """
    labels = tally.shares.shape[1]
    codes = code.astype(np.int64)
    tally.seen.update(np.unique(codes[weight > 0.0]).tolist())
    at = np.clip(np.searchsorted(tally.codes, codes), 0, max(tally.codes.size - 1, 0))
    known = tally.codes[at] == codes
    label = np.where(known, tally.owner[at], tally.unknown)
    amount = np.bincount(of * labels + label, weight, minlength=reach.size * labels).reshape(-1, labels)
    counted: Floats = amount.sum(axis=1)
    has = counted > 0.0
    tally.shares[reach[has]] = amount[has] / counted[has, None]
    return counted


def _set_missing(reach: Ints, counted: Floats, total: Floats, tally: _Tally) -> None:
    share = 1.0 - counted / np.where(total > 0.0, total, np.inf)
    tally.missing[reach] = np.where(share < _ROUNDING, 0.0, share)


def _check_overlap(raster: Raster, reaches: Objects, grid: Grid, tally: _Tally, report: Report) -> None:
    """Raise where no reach touches the raster; warn of the share of the streams outside it.

    Raises
    ------
    InputError
    """
    if reaches.size == 0 or not (tally.outside > 0.0).any():
        return
    if (tally.outside >= 1.0).all() and (tally.missing >= 1.0).all():
        xy = grid.to_raster(shapely.get_coordinates(reaches))
        xy = xy[np.isfinite(xy).all(axis=1)]
        here = _extent_words((*xy.min(axis=0), *xy.max(axis=0))) if len(xy) else "where that CRS has no place"
        raise report.fatal(
            "no_overlap",
            f"no stream lies on the raster: in {raster.crs.name} the raster runs {_extent_words(raster.bounds)}, the "
            f"streams {here}",
            remedy="check the CRS of the raster and of the lines, or give a raster that covers the basin",
        )
    length = shapely.length(reaches)
    weight = length if length.sum() > 0.0 else np.ones(reaches.size)
    share = float((tally.outside * weight).sum() / weight.sum())
    message = (
        f"{share:.1%} of the length of the streams lies outside the raster "
        f"({int((tally.outside >= 1.0).sum())} reaches wholly)"
    )
    remedy = "give a raster that covers the basin where that matters"
    report.add("warning", "part_outside", message, remedy=remedy)


def _extent_words(bounds: tuple[float, ...]) -> str:
    x0, y0, x1, y1 = bounds
    return f"from ({x0:.9g}, {y0:.9g}) to ({x1:.9g}, {y1:.9g})"


def _tell(spec: RasterSpec, tally: _Tally, report: Report) -> None:
    """Tell once what was found over all reaches."""
    empty = int(((tally.missing >= 1.0) & (tally.outside < 1.0)).sum())
    if empty:
        message = f"{empty} of {tally.missing.size} reaches lie on the raster where it has no data"
        remedy = "they are left empty; fill the raster or survey them where that matters"
        report.add("warning", "no_data", message, remedy=remedy)
    if spec.kind != "classes":
        return
    known = set(tally.codes.tolist())
    unknown = sorted(tally.seen - known)
    if unknown:
        message = f'code(s) {some(unknown)} along the streams have no label and count as "{OTHER}"'
        report.key("classes").add("warning", "class_codes", message, remedy="name them in classes")
    unused = [label for label, codes in spec.classes.items() if not tally.seen & set(codes)]
    if unused:
        message = f"no cell along the streams is of class {some(unused)}"
        report.key("classes").add("note", "class_codes", message)
