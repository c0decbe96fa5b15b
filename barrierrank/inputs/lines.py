"""The stream lines: read, checked and brought to plain arrays in the basin's CRS and in SI units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from barrierrank.inputs.arrow import Ids, read_ids, read_nodes, read_values, text_column
from barrierrank.inputs.cells import check_range
from barrierrank.inputs.crs import warn_outside
from barrierrank.inputs.query import QueryError, evaluate_query, query_columns
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.vector import Layer, LayerInfo, check_column, column_remedy, find_layer, read_layer
from barrierrank.problems import Problems, some
from barrierrank.project import HydrographySpec, Project
from barrierrank.project_check import nearest
from barrierrank.project_habitat import STAGES

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

#: Metres in one unit of length: kilometre, international foot and mile.
METRES: Mapping[str, float] = MappingProxyType({"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344})
AT = "[hydrography]"
#: Habitat that is no column of the lines.
BUILT = ("length", "area", *STAGES)
_MOST_UNKNOWN = 10


@dataclass(frozen=True, eq=False)
class LineTable:
    """Stream lines as read; n rows in the order of the layer.

    Parameters
    ----------
    label : str
        File and layer, for messages.
    geometry : (n,) object array
        LineString or MultiLineString in the basin's CRS [m], Z kept; None where the row has none.
    row : (n,) int64
        Row numbers from 1.
    source_id : (n,) object array of str
        Ids of the user, unique; the row number where there is no id column.
    from_node, to_node : (n,) int64 or None
        Codes of the nodes at both ends, -1 where there is none; None where no columns name them.
    minor : (n,) bool
        The minor branch of a split.
    leave_out, turned : (n,) bool
        Lines the project file names in `leave_out` and `turn`.
    length_m : (n,) float64 or None
        Surveyed or published length [m]; NaN where the row has none.
    name : (n,) object array of str or None
        Name of the stream, ``""`` where it has none.
    drainage_area_km2, discharge_m3s, width_m : (n,) float64 or None
        [km2], [m3/s], [m]; NaN where missing.
    elevation_start, elevation_end : (n,) float64 or None
        At the first and the last vertex, in the unit of the layer; NaN where missing.
    amounts : Mapping of str to (n,) float64
        Habitat given as a column, by species key; never NaN or negative.
    columns : Mapping of str to (n,) float64
        Columns of numbers that suitability curves ask for; NaN where missing.
    """

    label: str
    geometry: ObjectArray
    row: IntArray
    source_id: ObjectArray
    from_node: IntArray | None
    to_node: IntArray | None
    minor: BoolArray
    leave_out: BoolArray
    turned: BoolArray
    length_m: FloatArray | None
    name: ObjectArray | None
    drainage_area_km2: FloatArray | None
    discharge_m3s: FloatArray | None
    width_m: FloatArray | None
    elevation_start: FloatArray | None
    elevation_end: FloatArray | None
    amounts: Mapping[str, FloatArray]
    columns: Mapping[str, FloatArray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.row)


def read_lines(project: Project, problems: Problems) -> LineTable:
    """Read the stream lines the project file names.

    Parameters
    ----------
    project : Project
    problems : Problems
        Gets everything that is wrong or was mended.

    Returns
    -------
    LineTable

    Raises
    ------
    InputError
        With everything wrong with the layer: unreadable, no CRS, columns that are not there, ids that are
        twice, a question about minor channels that cannot be answered, negative habitat.
    """
    spec = project.hydrography
    with own_errors(problems):
        info = find_layer(spec.path, spec.layer, wanted="lines", at=AT, problems=problems)
        report = Report(problems, info.label, AT)
        habitat = {s.key: s.habitat for s in project.species if s.habitat not in BUILT}
        asked = project.curve_columns()
        columns = _columns(spec, habitat, asked, info, report)
        if columns is None:  # nothing more can be said without them
            return _nothing(info)
        layer = read_layer(info, columns, target=project.basin.projection, wanted="lines", report=report)
        basin = Report(problems, project.path.name, "[basin] crs")
        warn_outside(shapely.total_bounds(layer.geometry), project.basin.projection, basin)
        reader = _Reader(layer, spec, report)
        ids = reader.ids()
        table = reader.table(ids, habitat, asked)
        if project.outlets is not None:
            named = Report(problems, project.path.name, "[outlets] lines")
            reader.known(project.outlets.lines, ids.text, named)
    return table


def _nothing(info: LayerInfo) -> LineTable:
    """Return a table without rows; never seen by callers, for the errors found are raised instead of it."""
    none, no = np.empty(0, dtype=object), np.empty(0, dtype=bool)
    return LineTable(
        info.label, none, np.empty(0, dtype=np.int64), none, None, None, no, no, no,
        None, None, None, None, None, None, None, MappingProxyType({}),
    )  # fmt: skip


def _columns(
    spec: HydrographySpec,
    habitat: Mapping[str, str],
    curves: Mapping[str, str],
    info: LayerInfo,
    report: Report,
) -> list[str] | None:
    """Return the columns to read, or None after complaining of those the layer has not."""
    named = {
        key: getattr(spec, key)
        for key in ("id", "from_node", "to_node", "length", "start_elevation", "end_elevation", "name",
                    "drainage_area", "discharge", "width")
    }  # fmt: skip
    asked = {key: column for key, column in named.items() if isinstance(column, str)}
    sound = [check_column(info, column, report.key(key)) for key, column in asked.items()]
    for species, column in habitat.items():
        place = Report(report.problems, info.label, f"[species.{species}] habitat")
        sound.append(check_column(info, column, place))
    for column, at in curves.items():
        sound.append(check_column(info, column, Report(report.problems, info.label, at)))
    question: tuple[str, ...] = ()
    if spec.minor_channel is not None:
        place = report.key("minor_channel")
        try:
            question = query_columns(spec.minor_channel)
        except QueryError as error:
            place.error(
                "query", f'"{spec.minor_channel}" {error}', remedy="write a comparison, as Divergence == 2"
            )
            sound.append(False)
        for column in question:
            if column not in info.fields:
                message = f'"{spec.minor_channel}" asks about "{column}", which is no column'
                place.error("query", message, remedy=column_remedy(column, info.fields))
                sound.append(False)
    return [*asked.values(), *habitat.values(), *curves, *question] if all(sound) else None


class _Reader:
    """Turns the columns of one layer into the arrays of a :class:`LineTable`."""

    def __init__(self, layer: Layer, spec: HydrographySpec, report: Report) -> None:
        self.layer = layer
        self.spec = spec
        self.report = report
        self.n = len(layer.geometry)
        self.row = np.arange(1, self.n + 1, dtype=np.int64)

    def table(self, ids: Ids, habitat: Mapping[str, str], curves: Mapping[str, str]) -> LineTable:
        """Return the whole table."""
        spec = self.spec
        start, end = self.nodes()
        area = self.positive("drainage_area", zero=True)
        return LineTable(
            label=self.layer.label,
            geometry=self.layer.geometry,
            row=self.row,
            source_id=ids.text,
            from_node=start,
            to_node=end,
            minor=self.minor(),
            leave_out=self.known(spec.leave_out, ids.text, self.report.key("leave_out")),
            turned=self.known(spec.turn, ids.text, self.report.key("turn")),
            length_m=self.lengths(),
            name=None
            if spec.name is None
            else text_column(self.layer.columns.column(spec.name), self.report),
            drainage_area_km2=area,
            discharge_m3s=self.positive("discharge", zero=True),
            width_m=self.width(area),
            elevation_start=self.values(spec.start_elevation),
            elevation_end=self.values(spec.end_elevation),
            amounts=MappingProxyType({s: self.amount(s, column) for s, column in habitat.items()}),
            columns=MappingProxyType({c: self.numbers(c) for c in curves}),
        )

    def numbers(self, column: str) -> FloatArray:
        """Return a column of numbers that curves ask for, NaN where missing."""
        return read_values(self.layer.columns.column(column), column, self.spec.missing, self.report)

    def values(self, column: str | None) -> FloatArray | None:
        """Return a column of numbers, NaN where missing."""
        if column is None:
            return None
        return read_values(self.layer.columns.column(column), column, self.spec.missing, self.report)

    def ids(self) -> Ids:
        """Return the ids of the lines; complain of ids that are there twice."""
        column = self.spec.id
        if column is None:
            return Ids(self.row.astype(str).astype(object), np.zeros(self.n, dtype=bool), self.row)
        report = self.report.key("id")
        ids = read_ids(self.layer.columns.column(column), report)
        twice = pd.Series(ids.code).duplicated(keep=False).to_numpy() & ~ids.null
        if twice.any():
            names = list(dict.fromkeys(ids.text[twice].tolist()))
            rows = true_rows(twice)
            message = f'column "{column}": {some(names)} stand in more than one row ({in_rows(rows)})'
            report.error(
                "duplicate_id", message, ids=names, remedy="give each line an id of its own, or leave id out"
            )
        if not ids.null.any():
            return ids
        rows = true_rows(ids.null)
        message = (
            f'column "{column}": {in_rows(rows)} without id are called "row 1" and so on after their number'
        )
        report.add("mended", "missing_id", message.replace("row 1", f"row {rows[0]}"), ids=rows)
        text = ids.text.copy()
        text[ids.null] = [f"row {r}" for r in rows]
        return Ids(text, ids.null, ids.code)

    def nodes(self) -> tuple[IntArray | None, IntArray | None]:
        """Return the codes of the nodes at both ends."""
        spec = self.spec
        if spec.from_node is None or spec.to_node is None:
            return None, None
        columns = self.layer.columns
        start, end = read_nodes(
            columns.column(spec.from_node), columns.column(spec.to_node), spec.missing, self.report
        )
        if (start < 0).all() and (end < 0).all():
            message = f'the columns "{spec.from_node}" and "{spec.to_node}" hold no node at all'
            remedy = "name the columns of the nodes, or give another direction"
            self.report.key("from_node").error("no_nodes", message, remedy=remedy)
        return start, end

    def minor(self) -> BoolArray:
        """Return which lines are the minor branch of a split."""
        question = self.spec.minor_channel
        if question is None:
            return np.zeros(self.n, dtype=bool)
        frame = self.layer.columns.select(list(query_columns(question))).to_pandas()
        report = self.report.key("minor_channel")
        try:
            answer = evaluate_query(question, frame)
        except QueryError as error:
            kinds = ", ".join(f"{name} ({kind})" for name, kind in frame.dtypes.items())
            report.error("query", f'"{question}" {error}', remedy=f"its columns are {kinds}")
            return np.zeros(self.n, dtype=bool)
        if not answer.any():
            report.add("note", "query", f'"{question}" is true for no line')
        return answer

    def known(self, ids: Sequence[str], source_id: ObjectArray, report: Report) -> BoolArray:
        """Return which lines are named in `ids`; complain of ids that are no line's."""
        if not ids:
            return np.zeros(self.n, dtype=bool)
        hit = np.asarray(pd.Series(source_id, dtype=object).isin(list(ids)), dtype=bool)
        have = set(source_id[hit].tolist())
        unknown = [i for i in dict.fromkeys(ids) if i not in have]
        for name in unknown[:_MOST_UNKNOWN]:
            remedy = nearest(name, source_id.tolist()) or "give ids as they stand in the id column"
            report.error("unknown_id", f'no line has the id "{name}"', ids=(name,), remedy=remedy)
        if len(unknown) > _MOST_UNKNOWN:
            rest = unknown[_MOST_UNKNOWN:]
            message = f"more ids that no line has: {some(rest)}"
            report.error("unknown_id", message, ids=rest, remedy="give ids as they stand in the id column")
        return hit

    def positive(self, key: str, *, zero: bool) -> FloatArray | None:
        """Return a column that cannot be negative; negative values count as missing, which is said."""
        column = getattr(self.spec, key)
        value = self.values(column)
        if value is None:
            return None
        bad = value < 0 if zero else value <= 0
        if bad.any():
            rows = true_rows(bad)
            what = "negative" if zero else "0 or negative"
            message = f'column "{column}": {in_rows(rows)} {what}; counted as missing'
            self.report.key(key).add("mended", "no_value", message, ids=rows)
            value[bad] = np.nan
        return value

    def lengths(self) -> FloatArray | None:
        """Return the length column in metres."""
        spec = self.spec
        value = self.values(spec.length)
        if value is None or spec.length_unit is None:
            return None
        report = self.report.key("length")
        value[value <= 0] = np.nan
        none = np.isnan(value)
        if none.any():
            rows = true_rows(none)
            message = (
                f'column "{spec.length}": {in_rows(rows)} without a length; that of the geometry is used'
            )
            report.add("mended", "no_length", message, ids=rows)
        self._check_unit(value, spec.length_unit, report)
        return value * METRES[spec.length_unit]

    def _check_unit(self, value: FloatArray, unit: str, report: Report) -> None:
        """Complain when lengths fit the geometry in another unit than the one named."""
        drawn = shapely.length(self.layer.geometry)
        both = (value > 0) & (drawn > 0)
        if not both.any():
            return
        self._check_lengths(value * METRES[unit], drawn, report)
        metres_per_unit = float(np.median(drawn[both] / value[both]))
        ratio = METRES[unit] / metres_per_unit  # 1.0 = as drawn
        if 0.7 < ratio < 1.5:
            return
        fit = [u for u, metres in METRES.items() if u != unit and 0.8 < metres / metres_per_unit < 1.25]
        message = (
            f'column "{self.spec.length}" in {unit} is {ratio:.3g} times the length of the lines as drawn'
        )
        if fit:
            unit_key = self.report.key("length_unit")
            unit_key.error("length_unit", message, remedy=f'the numbers fit length_unit = "{fit[0]}"')
        else:
            report.add("warning", "length_unit", message, remedy="check the column and its unit")

    def _check_lengths(self, length: FloatArray, drawn: FloatArray, report: Report) -> None:
        """Warn of lines whose length is far from the drawn one, as where a layer was clipped afterwards."""
        off = (np.abs(length - drawn) > 50.0) & ((length > 2 * drawn) | (drawn > 2 * length))
        share = off.sum() / self.n
        if not off.any() or share > 0.25:  # then it is the unit, which is checked by itself
            return
        rows = true_rows(off)
        first = np.flatnonzero(off)[0]
        message = (
            f'column "{self.spec.length}": {in_rows(rows)}: {length[first]:.0f} m for a line drawn '
            f"{drawn[first]:.0f} m long; the column is used"
        )
        remedy = (
            "lines cut at the edge of the map keep their whole length: empty those cells to use the drawn one"
        )
        report.add("warning", "length_differs", message, ids=rows, remedy=remedy)

    def width(self, area: FloatArray | None) -> FloatArray | None:
        """Return the width [m]: a number, a column, or a * A^b of the drainage area A [km2]."""
        spec = self.spec
        if isinstance(spec.width, str):
            return self.positive("width", zero=False)
        if spec.width is not None:
            return np.full(self.n, float(spec.width))
        if spec.width_a is None or spec.width_b is None or area is None:
            return None
        return np.asarray(spec.width_a * np.where(area > 0, area, np.nan) ** spec.width_b, dtype=np.float64)

    def amount(self, species: str, column: str) -> FloatArray:
        """Return habitat given as a column; 0 where missing, with a warning."""
        report = Report(self.report.problems, self.layer.label, f"[species.{species}] habitat")
        value = read_values(self.layer.columns.column(column), column, self.spec.missing, report)
        check_range(value, self.row, column, report, low=0.0)
        none = np.isnan(value)
        if none.any():
            rows = true_rows(none)
            message = f'column "{column}": {in_rows(rows)} without a value; counted as 0'
            report.add(
                "warning", "no_habitat_value", message, ids=rows, remedy="fill them in if there is habitat"
            )
            value[none] = 0.0
        return value
