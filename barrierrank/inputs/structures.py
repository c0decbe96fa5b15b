"""Measured structures: crests, gates and barrels, and what the water below them does, read and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.cells import check_range, ids_of, is_blank, read_numbers
from barrierrank.inputs.entrances import ENTRANCES
from barrierrank.inputs.report import Report, in_rows, own_errors, true_rows
from barrierrank.inputs.schema_passage import KINDS, SHAPES, STRUCTURES, TAILS
from barrierrank.inputs.site_refs import read_days, site_positions
from barrierrank.inputs.sites import SiteTable
from barrierrank.inputs.structure_checks import DATUM, HIGH_M, Measured, check_structures
from barrierrank.inputs.tables import RawTable, read_table
from barrierrank.inputs.tailwater import NO_POINTS, TailPoints, read_ratings, read_sections
from barrierrank.inputs.words import read_words
from barrierrank.problems import Problems, some
from barrierrank.project import Project
from barrierrank.project_check import nearest

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

AT = "[structures]"
#: Heading of each column of numbers, and the name of what it holds in :attr:`StructureTable.values`.
NUMBERS: Mapping[str, str] = {
    "crest_m": "crest", "crest_width_m": "width", "crest_side": "side", "crest_thickness_m": "thickness",
    "crest_coefficient": "coefficient", "bed_m": "bed", "lip_m": "lip", "contractions": "contractions",
    "notch_width_m": "notch_width", "notch_depth_m": "notch_depth", "logs_m": "logs", "pool_bed_m": "pool_bed",
    "gate_opening_m": "opening", "gate_top_m": "gate_top", "channel_bed_m": "channel_bed",
    "channel_width_m": "channel_width", "channel_side": "channel_side", "channel_slope": "channel_slope",
    "channel_n": "channel_n", "rise_m": "rise", "span_m": "span", "length_m": "length", "inlet_m": "inlet",
    "outlet_m": "outlet", "barrel_n": "barrel_n", "barrels": "barrels", "embedded_m": "embedded",
}  # fmt: skip
#: What the kind of entrance stands for: name in the values, and field of an entrance.
_ENTRANCE = {"entrance_loss": "loss", "inlet_k": "k", "inlet_m": "m", "inlet_c": "c", "inlet_y": "y"}


@dataclass(frozen=True, eq=False)
class StructureTable:
    """Structures as measured; n rows in the order of the table, one a site at most.

    Parameters
    ----------
    label : str
        File and layer or sheet, for messages; ``""`` where the project file names no structures.
    row : (n,) int64
        Row numbers: as a spreadsheet shows them (headings are row 1), or features from 1.
    site : (n,) int64
        Position of the site in the table of sites.
    values : Mapping of str to (n,) float64
        By the lower-case names of the columns of `passage/kernels_fields.py`, tail_shift left out; NaN = not given.
        `kind`, `shape` and `tail` hold codes.
    tail_start : (n + 1,) int64
        Where the points of each rating or section begin and end in `tail_x`, `tail_y`.
    tail_x, tail_y : (k,) float64
        Rating: discharge [m3/s], ascending, and elevation [m], not falling. Section: station [m], ascending, and
        elevation [m].
    up_from, up_to : (n,) int64
        Days of a leap year, 1 to 366, from which and to which, both included, logs are in; -1 = in all the year.
    gauge : (n,) object array of str
        ``""`` where none is named.
    flow_a, flow_b : (n,) float64
        discharge = a x (discharge of the gauge) ^ b [m3/s]; NaN where not given.
    area_km2 : (n,) float64
        Drainage area given in this table [km2]; NaN where not.
    note : (n,) object array of str
    """

    label: str
    row: IntArray
    site: IntArray
    values: Mapping[str, FloatArray]
    tail_start: IntArray
    tail_x: FloatArray
    tail_y: FloatArray
    up_from: IntArray
    up_to: IntArray
    gauge: ObjectArray
    flow_a: FloatArray
    flow_b: FloatArray
    area_km2: FloatArray
    note: ObjectArray

    def __len__(self) -> int:
        return len(self.row)


def read_structures(project: Project, sites: SiteTable, problems: Problems) -> StructureTable:
    """Read the structures the project file names, and the ratings or cross-sections below them.

    Parameters
    ----------
    project : Project
    sites : SiteTable
    problems : Problems
        Gets everything that is wrong or worth knowing.

    Returns
    -------
    StructureTable
        Without rows where the project file names none.

    Raises
    ------
    InputError
        With everything wrong with the tables: unreadable, columns, sites, kinds, shapes or entrances that are not,
        a site twice, what a kind needs and is not given, measures that are impossible by themselves or together.
    """
    spec = project.structures
    if spec is None:
        return _no_structures()
    target = project.basin.projection
    with own_errors(problems):
        raw = read_table(spec.path, spec.layer, at=AT, problems=problems, target=target)
        ratings = sections = NO_POINTS
        if spec.ratings is not None:
            ratings = read_ratings(spec.ratings, target, sites, problems)
        if spec.sections is not None:
            sections = read_sections(spec.sections, target, sites, problems)
        return _Reader(raw, sites, ratings, sections, Report(problems, raw.label, AT)).table()


def _no_structures() -> StructureTable:
    number, whole, text = np.empty(0), np.empty(0, dtype=np.int64), np.empty(0, dtype=object)
    names = ("kind", "shape", "tail", *NUMBERS.values(), *_ENTRANCE)
    return StructureTable(
        "", whole, whole, dict.fromkeys(names, number), np.zeros(1, dtype=np.int64), number, number, whole,
        whole, text, number, number, number, text,
    )  # fmt: skip


class _Reader:
    """Turns the columns of one table into the arrays of a :class:`StructureTable`."""

    def __init__(
        self, raw: RawTable, sites: SiteTable, ratings: TailPoints, sections: TailPoints, report: Report
    ) -> None:
        self.raw = raw
        self.sites = sites
        self.ratings = ratings
        self.sections = sections
        self.report = report
        self.n = len(raw.frame)
        self.columns = [str(c) for c in raw.frame.columns]
        self.who = np.full(self.n, "", dtype=object)

    def table(self) -> StructureTable:
        """Return the whole table."""
        self.check_columns()
        self.who = ids_of(self.text("site"))
        site = site_positions(self.who, self.raw.row, self.sites, self.report)
        self.check_once()
        values = {name: self.numbers(heading) for heading, name in NUMBERS.items()}
        kind = self.word("kind", tuple(KINDS))
        shape = self.word("shape", tuple(SHAPES))
        values["kind"] = _codes(kind, KINDS)
        values["shape"] = _codes(shape, SHAPES)
        values["span"] = np.where((shape == "circular") & np.isnan(values["span"]), values["rise"], values["span"])
        entrance = self.word("entrance", tuple(ENTRANCES))
        values |= _entrance_values(entrance)
        values["tail"], start, x, y = self.tails(values)
        up_from, up_to = self.days("logs_in"), self.days("logs_out")
        flow_a, flow_b = self.numbers("flow_a"), self.numbers("flow_b")
        today = np.where(site >= 0, self.sites.kind[np.maximum(site, 0)], "") if len(self.sites) else kind
        given = {name: ~is_blank(self.text(name)) for name in _RULES}
        check_structures(
            Measured(values, self.raw.row, self.who, kind, today, entrance, flow_a, flow_b, given), self.report
        )
        return StructureTable(
            self.raw.label, self.raw.row, site, values, start, x, y, up_from, up_to, self.text("gauge"), flow_a,
            flow_b, self.numbers("drainage_area_km2"), self.text("note"),
        )  # fmt: skip

    def text(self, name: str) -> ObjectArray:
        """Return a column as texts, all empty where it is not there."""
        return self.raw.text(name) if name in self.columns else np.full(self.n, "", dtype=object)

    def word(self, name: str, words: tuple[str, ...]) -> ObjectArray:
        """Return a column of words."""
        return read_words(self.text(name), self.raw.row, name, words, self.report)

    def days(self, name: str) -> IntArray:
        """Return a column of days of the year."""
        return read_days(self.text(name), self.raw.row, name, self.report)

    def numbers(self, heading: str) -> FloatArray:
        """Return a column of numbers checked against the schema, its default where empty."""
        rule = _RULES[heading]
        value = read_numbers(self.text(heading), self.raw.row, heading, self.report, amounts=False)
        check_range(value, self.raw.row, heading, self.report, low=rule.low, above=rule.above, who=self.who)
        check_range(value, self.raw.row, heading, self.report, high=rule.high, who=self.who)
        if rule.dtype == "whole":
            broken = ~np.isnan(value) & (value != np.floor(value))
            if broken.any():
                rows = true_rows(broken, self.raw.row)
                message = f'{in_rows(rows)}, column "{heading}": given {value[broken][0]:g}, allowed: whole numbers'
                self.report.error("out_of_range", message, ids=rows, remedy="mend the value")
        low = value <= rule.low if rule.above else value < rule.low
        value[low | (value > rule.high)] = np.nan  # told: nothing more is to be said of them
        return np.where(is_blank(self.text(heading)), rule.default, value)

    def check_columns(self) -> None:
        """Complain of columns that are needed and not there; name those not used."""
        for need in (c.name for c in STRUCTURES if c.required):
            self.raw.has(need, self.report)
        unused: list[str] = []
        for name in (c for c in self.columns if c not in _RULES):
            if nearest(name, _RULES):
                message = f'column "{name}" is not used'
                self.report.add("warning", "unused_column", message, remedy=nearest(name, _RULES))
            else:
                unused.append(name)
        if unused:
            self.report.add("note", "unused_column", f"columns not used: {some(unused, 10)}")

    def check_once(self) -> None:
        """Complain of sites that have more than one structure."""
        twice = pd.Series(self.who, dtype=object).duplicated(keep=False).to_numpy() & (self.who != "")
        if twice.any():
            rows = true_rows(twice, self.raw.row)
            names = list(dict.fromkeys(self.who[twice].tolist()))
            message = f'column "site": {some(names)} stand in more than one row ({in_rows(rows)})'
            remedy = "keep the structure that fish must get past at a site; give others sites of their own"
            self.report.error("duplicate_site", message, ids=names, remedy=remedy)

    def tails(self, values: dict[str, FloatArray]) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
        """Return where the water level below comes from, and the points of ratings and sections in a row.

        A rating comes before a section, a section before the channel. The bed below a section is its lowest point
        where no other is given.
        """
        tail = np.full(self.n, float(TAILS["channel"]))
        start, x, y = np.zeros(self.n + 1, dtype=np.int64), [np.empty(0)], [np.empty(0)]
        both: list[int] = []
        faulty = self.ratings.faulty | self.sections.faulty
        for i, name in enumerate(self.who.tolist()):
            rating, section = self.ratings.at.get(name), self.sections.at.get(name)
            points = section if rating is None else rating
            start[i + 1] = start[i]
            if name in faulty:
                tail[i] = TAILS["rating"]  # told already: that there is none is not told as well
                continue
            if points is None:
                continue
            tail[i] = TAILS["section" if rating is None else "rating"]
            start[i + 1] += len(points[0])
            x.append(points[0])
            y.append(points[1])
            if rating is None and np.isnan(values["channel_bed"][i]):
                values["channel_bed"][i] = points[1].min()
            if rating is not None and section is not None:
                both.append(i)
            if rating is not None:
                self.tell_far(i, values, float(points[1].min()))
        if both:
            rows = [int(r) for r in self.raw.row[both]]
            message = f"{in_rows(rows)}: a rating and a section are given; the rating is used"
            self.report.add("note", "unused", message, ids=rows)
        for points_of in (self.ratings, self.sections):
            points_of.tell_unused(set(self.who.tolist()), self.report.problems)
        return tail, start, np.concatenate(x), np.concatenate(y)


    def tell_far(self, i: int, values: dict[str, FloatArray], lowest: float) -> None:
        """Warn of a rating whose lowest level is far from the crest or outlet: another datum."""
        foot = values["outlet" if values["kind"][i] == KINDS["culvert"] else "crest"][i]
        if abs(foot - lowest) > HIGH_M:
            message = (
                f'row {int(self.raw.row[i])} (site "{self.who[i]}"): the crest or outlet ({foot:g}) is more than '
                f"{HIGH_M:g} m from the lowest water below in its rating ({lowest:g})"
            )
            self.report.add("warning", "doubtful", message, ids=[int(self.raw.row[i])], remedy=DATUM)


_RULES = {c.name: c for c in STRUCTURES}


def _codes(words: ObjectArray, codes: Mapping[str, int]) -> FloatArray:
    return np.array([codes.get(w, np.nan) for w in words], dtype=np.float64)


def _entrance_values(entrance: ObjectArray) -> dict[str, FloatArray]:
    """Return the coefficients each kind of entrance stands for; NaN without one."""
    out: dict[str, FloatArray] = {}
    for name, field in _ENTRANCE.items():
        by_word = {word: float(getattr(e, field)) for word, e in ENTRANCES.items()}
        out[name] = np.array([by_word.get(w, np.nan) for w in entrance], dtype=np.float64)
    return out
