"""The sites: ids, places in the basin's CRS and passabilities, from a table or a layer of points."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers, read_shares
from barrierrank.inputs.crs import FARTHEST_M, check_units, inside_area, transformer
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.schema import column
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.inputs.words import EVIDENCE_COLUMN, is_rating, read_evidence
from barrierrank.problems import Problems, some
from barrierrank.project import Project, SpeciesSpec
from barrierrank.project_check import parse_crs
from barrierrank.project_passage import COMPUTED

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

AT = "[sites]"
_LIKE_X = ("lon", "longitude", "long", "x", "easting", "east", "point_x", "lng")


@dataclass(frozen=True, eq=False)
class SiteTable:
    """Sites as read; n rows in the order of the table, S species in the order of the project file.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages.
    row : (n,) int64
        Row numbers: as a spreadsheet shows them (headings are row 1), or features from 1.
    site : (n,) object array of str
        Ids, unique and not empty.
    name, kind : (n,) object array of str
        ``""`` where not given.
    x, y : (n,) float64
        In the CRS of the basin [m].
    stream : (n,) object array of str or None
        Name of the stream, ``""`` where not given; None where no column names it.
    drainage_area_km2 : (n,) float64 or None
        [km2]; NaN where missing.
    failure_probability : (n,) float64
        Annual chance of failing of what is there today.
    passability, passability_down : (n, S) float64
        Chance to get past upstream and downstream. Upstream NaN where it is not given and may be worked out from
        structure, flow and fish, or from a trial.
    table : DataFrame
        Every other column as read, index 0 to n - 1.
    evidence : (n,) object array of str
        What `passability` and `failure_probability` rest on, one of `project_uncertainty.EVIDENCE`; ``""`` where not
        given.
    rated : (n, S) bool
        Whether the upstream passability was given as a word of [ratings].

    The columns from `evidence` on may be left out on construction: ``""`` and False then.
    """

    label: str
    row: IntArray
    site: ObjectArray
    name: ObjectArray
    kind: ObjectArray
    x: FloatArray
    y: FloatArray
    stream: ObjectArray | None
    drainage_area_km2: FloatArray | None
    failure_probability: FloatArray
    passability: FloatArray
    passability_down: FloatArray
    table: pd.DataFrame
    evidence: ObjectArray = field(default_factory=lambda: np.empty(0, dtype=np.object_))
    rated: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        """Fill in the columns that are left out."""
        if self.evidence.size == 0:
            object.__setattr__(self, "evidence", np.full(len(self.row), "", dtype=object))
        if self.rated.size == 0:
            object.__setattr__(self, "rated", np.zeros(self.passability.shape, dtype=bool))

    def __len__(self) -> int:
        return len(self.row)


def read_sites(project: Project, problems: Problems) -> SiteTable:
    """Read the sites the project file names.

    Parameters
    ----------
    project : Project
    problems : Problems
        Gets everything that is wrong or worth knowing.

    Returns
    -------
    SiteTable

    Raises
    ------
    InputError
        With everything wrong with the table: unreadable, columns that are not there, ids that are empty or
        twice, places that are missing or impossible, passabilities that are none.
    """
    with own_errors(problems):
        return look_over_sites(project, problems)


def look_over_sites(project: Project, problems: Problems) -> SiteTable:
    """Read the sites as far as they can be read, so that what refers to them can be looked at as well.

    Parameters
    ----------
    project : Project
    problems : Problems
        Where it gets errors, the table is not sound: ids may be empty or there twice, numbers NaN.

    Raises
    ------
    InputError
        When there is nothing to go on with: unreadable, without rows, with coordinates that cannot be.
    """
    spec = project.sites
    raw = read_table(
        spec.path,
        spec.layer,
        at=AT,
        problems=problems,
        wanted="anything" if spec.x is not None else "points",
        target=project.basin.projection,
        assume_crs=spec.crs,
    )
    return _Reader(raw, project, Report(problems, raw.label, AT)).table()


class _Reader:
    """Turns the columns of one table into the arrays of a :class:`SiteTable`."""

    def __init__(self, raw: RawTable, project: Project, report: Report) -> None:
        self.raw = raw
        self.project = project
        self.spec = project.sites
        self.report = report
        self.n = len(raw.frame)
        self.used: set[str] = set()
        self.site = np.full(self.n, "", dtype=object)

    def table(self) -> SiteTable:
        """Return the whole table."""
        self.site = self.ids()
        x, y = self.places()
        species = self.project.species
        up = [self.upstream(s) for s in species]
        down = [self.shares(s.passability_down, self.of_species(s.key, "passability_down")) for s in species]
        name, kind = self.words("name"), self.words("kind")
        self.used.add(EVIDENCE_COLUMN)
        none = np.full(self.n, "", dtype=object)
        return SiteTable(
            label=self.raw.label,
            row=self.raw.row,
            site=self.site,
            name=none if name is None else name,
            kind=none if kind is None else kind,
            x=x,
            y=y,
            stream=self.words("stream"),
            drainage_area_km2=self.drainage_area(),
            failure_probability=self.failure(),
            passability=np.column_stack(up),
            passability_down=np.column_stack(down),
            evidence=read_evidence(self.raw, self.report),
            rated=np.column_stack([self.rated(s) for s in species]),
            table=self.raw.frame.drop(columns=[c for c in self.raw.frame.columns if c in self.used]),
        )

    def of_species(self, species: str, key: str) -> Report:
        """Return the report of a key of a species."""
        return Report(self.report.problems, self.raw.label, f"[species.{species}] {key}")

    def cells(self, name: str, report: Report) -> ObjectArray | None:
        """Return a column as texts, or None after complaining that there is none."""
        if not self.raw.has(name, report):
            return None
        self.used.add(name)
        return self.raw.text(name)

    def words(self, key: str) -> ObjectArray | None:
        """Return the column a key of [sites] names, as texts."""
        name = getattr(self.spec, key)
        return None if name is None else self.cells(name, self.report.key(key))

    def ids(self) -> ObjectArray:
        """Return the ids; complain of empty ones and of those that are there twice."""
        report = self.report.key("id")
        cells = self.cells(self.spec.id, report)
        if cells is None:
            return self.site
        cells = ids_of(cells)
        empty = cells == ""
        if empty.any():
            rows = true_rows(empty, self.raw.row)
            message = f'column "{self.spec.id}": {in_rows(rows)} without id'
            report.error("missing_id", message, ids=rows, remedy="give every site an id")
        twice = pd.Series(cells, dtype=object).duplicated(keep=False).to_numpy() & ~empty
        if twice.any():
            rows = true_rows(twice, self.raw.row)
            names = list(dict.fromkeys(cells[twice].tolist()))
            message = f'column "{self.spec.id}": {some(names)} stand in more than one row ({in_rows(rows)})'
            report.error("duplicate_id", message, ids=names, remedy="give each site an id of its own")
        return cells

    def places(self) -> tuple[FloatArray, FloatArray]:
        """Return x and y in the CRS of the basin [m]; NaN after a complaint."""
        none = np.full(self.n, np.nan)
        if self.spec.x is not None and self.spec.y is not None and self.spec.crs is not None:
            return self.from_columns(self.spec.x, self.spec.y, parse_crs(self.spec.crs))
        if self.raw.geometry is None:
            like = next((c for c in self.raw.frame.columns if str(c).casefold() in _LIKE_X), None)
            hint = f', for example x = "{like}"' if like is not None else ""
            remedy = f"name the columns of the coordinates by x, y and crs in [sites]{hint}"
            self.report.error("missing_coordinates", "the table has no geometry", remedy=remedy)
            return none, none
        return self.from_geometry(self.raw.geometry)

    def from_geometry(self, geometry: ObjectArray) -> tuple[FloatArray, FloatArray]:
        """Return the places of points; complain of rows that have none or more than one."""
        count = shapely.get_num_coordinates(geometry)
        for wrong, what, remedy in (
            (count == 0, "no place", "set their points, or remove the rows"),
            (count > 1, "more than one point", "split them into single points"),
        ):
            if wrong.any():
                rows = true_rows(wrong, self.raw.row)
                self.report.error("missing_coordinates", f"{in_rows(rows)}: {what}", ids=rows, remedy=remedy)
        x, y = np.full(self.n, np.nan), np.full(self.n, np.nan)
        single = count == 1
        x[single], y[single] = shapely.get_coordinates(geometry[single]).T
        return x, y

    def from_columns(self, x_name: str, y_name: str, source: CRS) -> tuple[FloatArray, FloatArray]:
        """Return the places named by two columns, brought into the CRS of the basin."""
        none = np.full(self.n, np.nan)
        texts = [self.cells(n, self.report.key(k)) for k, n in (("x", x_name), ("y", y_name))]
        if texts[0] is None or texts[1] is None:
            return none, none
        before = len(self.report.problems.of("error"))
        x, y = (
            read_numbers(t, self.raw.row, n, self.report, amounts=False)
            for t, n in zip((texts[0], texts[1]), (x_name, y_name), strict=True)
        )
        blank = is_blank(texts[0]) | is_blank(texts[1])
        if blank.any():
            rows = true_rows(blank, self.raw.row)
            message = (
                f'{in_rows(rows)} (site "{self.site[np.flatnonzero(blank)[0]]}"): coordinates are missing'
            )
            self.report.error(
                "missing_coordinates", message, ids=rows, remedy="fill them in, or remove the rows"
            )
        given = ~np.isnan(x) & ~np.isnan(y)
        if len(self.report.problems.of("error")) > before or not given.any():
            return none, none
        return self.transformed(x, y, source)

    def transformed(self, x: FloatArray, y: FloatArray, source: CRS) -> tuple[FloatArray, FloatArray]:
        """Return coordinates in the CRS of the basin; complain of swapped and of impossible ones."""
        report = self.report.key("crs")
        self._check_swapped(x, y, source, report)
        check_units(np.array([x.min(), y.min(), x.max(), y.max()]), source, report)
        way = transformer(source, self.project.basin.projection, report)
        east, north = (np.asarray(v, dtype=np.float64) for v in way.transform(x, y))
        lost = ~((np.abs(east) <= FARTHEST_M) & (np.abs(north) <= FARTHEST_M))
        if lost.any():
            rows = true_rows(lost, self.raw.row)
            first = np.flatnonzero(lost)[0]
            message = (
                f'{in_rows(rows)} (site "{self.site[first]}"): ({x[first]:g}, {y[first]:g}) has no place'
            )
            remedy = f"check the coordinates and [sites] crs ({source.name})"
            self.report.error("coordinates", message + " in the CRS of [basin]", ids=rows, remedy=remedy)
        return east, north

    def _check_swapped(self, x: FloatArray, y: FloatArray, source: CRS, report: Report) -> None:
        """Complain where the places make sense only with x and y exchanged."""
        basin = self.project.basin.projection
        if source.is_geographic:
            here, there = inside_area(x, y, basin), inside_area(y, x, basin)
            impossible = bool((np.abs(y) > 90).any() and (np.abs(x) <= 90).all())
        else:
            way = transformer(source, CRS.from_epsg(4326), report)
            here = inside_area(*_lon_lat(way.transform(x, y)), basin)
            there = inside_area(*_lon_lat(way.transform(y, x)), basin)
            impossible = False
        if impossible or (here.mean() < 0.5 and there.mean() > 0.9):
            message = (
                f'x and y are swapped: x = "{self.spec.x}" gives {x[0]:g}, y = "{self.spec.y}" gives {y[0]:g}'
            )
            remedy = f'write x = "{self.spec.y}" and y = "{self.spec.x}" in [sites]'
            raise self.report.fatal("swapped_coordinates", message, remedy=remedy)

    def upstream(self, species: SpeciesSpec) -> FloatArray:
        """Return the passability of one species upstream; NaN where it is left to be worked out."""
        if species.passability == COMPUTED:
            return np.full(self.n, np.nan)
        measured = self.project.structures is not None and species.swimming is not None
        report = self.of_species(species.key, "passability")
        left = measured or self.project.trials is not None
        return self.shares(species.passability, report, blank_allowed=left)

    def shares(self, given: float | str, report: Report, *, blank_allowed: bool = False) -> FloatArray:
        """Return a passability, given as one number or as a column of numbers and ratings."""
        if not isinstance(given, str):
            return np.full(self.n, float(given))
        cells = self.cells(given, report)
        if cells is None:
            return np.full(self.n, np.nan)
        words = self.project.ratings
        value = read_shares(cells, self.raw.row, given, report, words=words, who=self.site)
        blank = is_blank(cells) & np.isnan(value)
        if blank.any() and not blank_allowed:
            rows = true_rows(blank, self.raw.row)
            named = some([f'"{s}"' for s in self.site[blank]], 3)
            message = f'{in_rows(rows)} (site {named}), column "{given}": no passability'
            remedy = "give a number from 0 to 1, or a word of [ratings]"
            report.error("missing_passability", message, ids=rows, remedy=remedy)
        return value

    def rated(self, species: SpeciesSpec) -> BoolArray:
        """Tell where the passability of a species upstream is a word of [ratings]."""
        name = species.passability
        if not isinstance(name, str) or name not in self.used:
            return np.zeros(self.n, dtype=bool)
        return is_rating(self.raw.text(name), self.project.ratings)

    def failure(self) -> FloatArray:
        """Return the annual chance of failing; 0 where not given."""
        given = self.spec.failure_probability
        if not isinstance(given, str):
            return np.full(self.n, float(given))
        report = self.report.key("failure_probability")
        cells = self.cells(given, report)
        if cells is None:
            return np.zeros(self.n)
        value = read_shares(cells, self.raw.row, given, report, who=self.site)
        blank = is_blank(cells)
        if blank.any():
            message = f'column "{given}": {int(blank.sum())} empty cells count as 0'
            report.add("note", "no_value", message, ids=true_rows(blank, self.raw.row))
        return np.nan_to_num(value, nan=0.0)

    def drainage_area(self) -> FloatArray | None:
        """Return the drainage area of the sites [km2]."""
        cells = self.words("drainage_area")
        name = self.spec.drainage_area
        if cells is None or name is None:
            return None
        report = self.report.key("drainage_area")
        value = read_numbers(cells, self.raw.row, name, report)
        allowed = column("sites", "drainage_area")
        check_range(value, self.raw.row, name, report, low=allowed.low, above=allowed.above, who=self.site)
        return value


def _lon_lat(pair: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    lon, lat = (np.asarray(v, dtype=np.float64) for v in pair)
    return np.where(np.isfinite(lon), lon, 999.0), np.where(np.isfinite(lat), lat, 999.0)
