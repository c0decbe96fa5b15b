"""Measurements of structures that cannot be, or are doubtful, told with row, site and remedy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.schema_passage import KINDS, SHAPES, TAILS

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

_CRESTS = ("weir", "dam", "fall", "gate", "sluice")
_GATES = ("gate", "sluice")
_LEVEL_M = 1e-9
"""Elevations closer than this are one: amounts in decimals do not add up exactly."""
HIGH_M = 30.0
"""A crest this far above the bed below is more often a slip than a dam on a stream that fish run up."""
_THICK_M = 50.0
_WIDE_M = 500.0
_WIDER = 20.0
"""A crest so many times as wide as the bottom of the channel below is more often in another unit."""
_STEEP = 0.1
"""Channels below structures are seldom steeper, and slopes often given in per cent."""
_COEFFICIENTS = (1.0, 2.6)
"""C of Q = C b H^1.5 in metres: broad crests 1.4 to 1.7, thin plates about 1.84, the best spillways 2.2."""
_NOUNS = {"circular": "pipe", "box": "box", "arch": "arch"}
"""How words of entrances call a barrel of each shape."""
DATUM = "check that all elevations of the row are in one datum, and in metres"


@dataclass(frozen=True, eq=False)
class Measured:
    """What is checked; n structures.

    Parameters
    ----------
    values : Mapping of str to (n,) float64
        As in `StructureTable.values`.
    row : (n,) int64
    who : (n,) object array of str
        Ids of the sites.
    kind : (n,) object array of str
        ``""`` where it is not given or unknown.
    site_kind : (n,) object array of str
        Kind in the table of sites.
    entrance : (n,) object array of str
        Words of `entrances.ENTRANCES`.
    flow_a, flow_b : (n,) float64
    given : Mapping of str to (n,) bool
        By heading: where the cell is not empty, readable or not.
    """

    values: Mapping[str, FloatArray]
    row: IntArray
    who: ObjectArray
    kind: ObjectArray
    site_kind: ObjectArray
    entrance: ObjectArray
    flow_a: FloatArray
    flow_b: FloatArray
    given: Mapping[str, BoolArray]

    def of(self, *kinds: str) -> BoolArray:
        """Tell which structures are of these kinds."""
        return np.isin(self.kind, kinds)


def check_structures(measured: Measured, report: Report) -> None:
    """Complain of everything that is impossible, and warn of what is doubtful.

    Parameters
    ----------
    measured : Measured
    report : Report
        Gets one problem for each sort of fault, with all its rows.
    """
    teller = _Teller(measured, report)
    _needed(teller)
    _needed_below(teller)
    _pairs(teller)
    _crests(teller)
    _gates(teller)
    _barrels(teller)
    _entrances(teller)
    _doubtful(teller)


class _Teller:
    """Complains of rows; words may name any value."""

    def __init__(self, measured: Measured, report: Report) -> None:
        self.m = measured
        self.v = measured.values
        self.report = report

    def tell(self, wrong: BoolArray, words: str, remedy: str, *, kind: str = "impossible", doubt: bool = False) -> None:
        """Add one problem for the rows where `wrong` is true; the words are those of the first."""
        if not wrong.any():
            return
        at = int(np.flatnonzero(wrong)[0])
        rows = true_rows(wrong, self.m.row)
        facts: dict[str, object] = {name: f"{value[at]:g}" for name, value in self.v.items()}
        facts |= {"what": self.m.kind[at], "site_kind": self.m.site_kind[at], "entrance": self.m.entrance[at]}
        message = f'{in_rows(rows)} (site "{self.m.who[at]}"): {words.format(**facts)}'
        if doubt:
            told = "doubtful" if kind == "impossible" else kind
            self.report.add("warning", told, message, remedy=remedy, ids=rows)
        else:
            self.report.error(kind, message, remedy=remedy, ids=rows)


def _needed(t: _Teller) -> None:
    """Complain of cells that must be filled for a kind."""
    barrel = t.m.of("culvert")
    crest, gate = t.m.of(*_CRESTS), t.m.of(*_GATES)
    t.tell(~t.m.given["kind"], "no kind is given", f"give one of {', '.join(KINDS)}", kind="missing_value")
    measure, wide = "measure it and fill it in", barrel & (t.v["shape"] > SHAPES["circular"])
    for heading, rows, remedy in (
        ("crest_m", crest, measure), ("crest_width_m", crest, measure), ("gate_opening_m", gate, measure),
        ("shape", barrel, f"give one of {', '.join(SHAPES)}"), ("rise_m", barrel, measure), ("span_m", wide, measure),
        ("length_m", barrel, measure), ("inlet_m", barrel, measure), ("outlet_m", barrel, measure),
        ("barrel_n", barrel, "give Manning's n of its walls"), ("entrance", barrel, "give the kind of its entrance"),
    ):  # fmt: skip
        t.tell(rows & ~t.m.given[heading], f"a {{what}} needs {heading}", remedy, kind="missing_value")


def _needed_below(t: _Teller) -> None:
    """Complain where it is not known what the water below does."""
    stands = t.m.of(*_CRESTS, "culvert")
    tail, given = t.v["tail"], t.m.given
    surveyed = tail == TAILS["section"]
    no_slope = ~given["channel_slope"] | ~given["channel_n"]
    remedy = "fill in channel_slope and channel_n, or give a rating"
    t.tell(surveyed & no_slope, "a section needs channel_slope and channel_n", remedy, kind="missing_value")
    headings = ("channel_bed_m", "channel_width_m", "channel_slope", "channel_n")
    parts = [(h, ~given[h]) for h in headings]
    plain = stands & (tail == TAILS["channel"])
    nothing = plain & np.all([lack for _, lack in parts], axis=0)
    ways = "give a rating, a section with channel_slope and channel_n, or channel_bed_m, channel_width_m, "
    message = "it is not known what the water below does"
    t.tell(nothing, message, f"{ways}channel_slope and channel_n", kind="missing_value")
    for heading, lack in parts:
        message = f"the channel below needs {heading} too"
        t.tell(plain & ~nothing & lack, message, "fill it in, or give a rating", kind="missing_value")
    pointed = plain & (t.v["channel_width"] <= 0.0) & (t.v["channel_side"] <= 0.0)
    t.tell(pointed, "the channel below has no width: channel_width_m and channel_side are 0", "give one of them")


def _pairs(t: _Teller) -> None:
    """Complain of values that are given one without the other."""
    v, dates = t.v, (t.m.given["logs_in"], t.m.given["logs_out"])
    message = "one of logs_in and logs_out is given"
    t.tell(dates[0] != dates[1], message, "give both, or neither: in all the year", kind="missing_value")
    message = "logs_in and logs_out are given, but logs_m is not"
    t.tell(dates[0] & dates[1] & (v["logs"] <= 0.0), message, "give the height of the logs", kind="missing_value")
    wide, deep = v["notch_width"] > 0.0, v["notch_depth"] > 0.0
    message = "one of notch_width_m and notch_depth_m is given"
    t.tell(wide != deep, message, "give both, or neither where there is no notch", kind="missing_value")
    a, b = ~np.isnan(t.m.flow_a), ~np.isnan(t.m.flow_b)
    t.tell(a != b, "one of flow_a and flow_b is given", "give both, or neither", kind="missing_value")


def _crests(t: _Teller) -> None:
    """Complain of crests that cannot be."""
    v, crest = t.v, t.m.of(*_CRESTS)
    top, bed, below = v["crest"], v["bed"], v["channel_bed"]
    t.tell(crest & (top < bed - _LEVEL_M), "the crest (crest_m = {crest}) lies below the bed above (bed_m = {bed})",
           DATUM)  # fmt: skip
    t.tell(crest & (top < below - _LEVEL_M),
           "the crest (crest_m = {crest}) lies below the bed of the channel below ({channel_bed})", DATUM)  # fmt: skip
    deep = crest & (v["notch_depth"] > 0.0) & (top >= bed - _LEVEL_M) & (top - v["notch_depth"] < bed - _LEVEL_M)
    t.tell(deep, "a notch {notch_depth} m deep reaches below the bed above (crest_m = {crest}, bed_m = {bed})",
           "give its depth below the crest")  # fmt: skip
    wide = crest & (v["notch_width"] > v["width"] + _LEVEL_M)
    t.tell(wide, "the notch ({notch_width} m) is wider than the crest ({width} m)", "mend one of the two")
    foot = np.where(t.m.of("culvert"), v["outlet"], top)
    t.tell(v["pool_bed"] > foot + _LEVEL_M,
           "the bed of the pool below (pool_bed_m = {pool_bed}) lies above the crest or outlet", DATUM)  # fmt: skip


def _gates(t: _Teller) -> None:
    """Complain of gates whose top is lower than their opening."""
    v = t.v
    low = t.m.of(*_GATES) & (v["gate_top"] < v["crest"] + v["opening"] - _LEVEL_M)
    message = "gate_top_m = {gate_top} lies below the opening ({opening} m above the sill at {crest})"
    t.tell(low, message, "give the elevation from which water flows over the gate, as it stands with that opening")
    shut = t.m.of(*_GATES) & (v["opening"] <= _LEVEL_M) & np.isnan(v["gate_top"])
    message = "the gate is shut (gate_opening_m = {opening}) and never overflowed: no water gets past it at any flow"
    t.tell(shut, message, "give gate_top_m, or the opening it has while fish run", doubt=True)


def _barrels(t: _Teller) -> None:
    """Complain of barrels that cannot be, and warn of those that lead up."""
    v, barrel = t.v, t.m.of("culvert")
    up = v["outlet"] - v["inlet"]
    message = "the outlet (outlet_m = {outlet}) lies above the inlet (inlet_m = {inlet}) by more than the rise ({rise})"
    t.tell(barrel & (up > v["rise"]), message, DATUM)
    message = "the outlet (outlet_m = {outlet}) lies above the inlet (inlet_m = {inlet}): the barrel leads up"
    adverse = barrel & (up > 0.0) & ~(up > v["rise"])
    t.tell(adverse, message, "check that inlet is upstream; else exchange the two", doubt=True)
    message = "the barrel falls from {inlet} to {outlet} over a length of {length} m"
    t.tell(barrel & (-up > v["length"]), message, DATUM)
    message = "bed material {embedded} m deep fills the barrel, whose rise is {rise} m"
    t.tell(barrel & (v["embedded"] >= v["rise"]), message, "give its depth above the invert")
    round_one = barrel & (v["shape"] == SHAPES["circular"]) & (np.abs(v["span"] - v["rise"]) > 0.001 * v["rise"])
    t.tell(round_one, "a circular barrel has a rise of {rise} m and a span of {span} m",
           'leave span_m out, or give shape = "arch"')  # fmt: skip
    buried = barrel & (v["outlet"] + v["embedded"] < v["channel_bed"] - _LEVEL_M)
    message = "the outlet (outlet_m = {outlet}) lies below the bed of the channel below ({channel_bed})"
    t.tell(buried, message, "give embedded_m where the barrel is filled that deep; else check the datum", doubt=True)


def _entrances(t: _Teller) -> None:
    """Warn of entrances that are those of another shape of barrel."""
    nouns = [set(str(word).replace(",", " ").split()) & set(_NOUNS.values()) for word in t.m.entrance]
    for shape, noun in _NOUNS.items():
        fits = np.array([not found or noun in found for found in nouns], dtype=bool)
        odd = t.m.of("culvert") & (t.v["shape"] == SHAPES[shape]) & ~fits
        message = f'the shape is {shape}, but the entrance "{{entrance}}" is not that of a {noun}'
        t.tell(odd, message, "mend one of the two, or take the entrance that comes nearest", doubt=True)


def _doubtful(t: _Teller) -> None:
    """Warn of what is more likely a slip than true."""
    v, crest = t.v, t.m.of(*_CRESTS)
    high = crest & (v["crest"] - v["channel_bed"] > HIGH_M)
    message = "the crest (crest_m = {crest}) is more than " + f"{HIGH_M:g} m above the bed below ({{channel_bed}})"
    t.tell(high, message, DATUM, doubt=True)
    message = f"crest_thickness_m = {{thickness}} is more than {_THICK_M:g} m"
    t.tell(crest & (v["thickness"] > _THICK_M), message, "it is measured along the flow", doubt=True)
    wide = crest & ((v["width"] > _WIDE_M) | ((v["channel_width"] > 0.0) & (v["width"] > _WIDER * v["channel_width"])))
    message = "crest_width_m = {width} is very wide for its stream"
    t.tell(wide, message, "it is measured across the flow, in metres", doubt=True)
    message = "channel_slope = {channel_slope} is a fall of more than " + f"{_STEEP:g} m in each metre"
    t.tell(v["channel_slope"] > _STEEP, message, "0.3 % is 0.003; a fall at the structure itself is no part of it",
           doubt=True)  # fmt: skip
    low, most = _COEFFICIENTS
    odd = crest & ((v["coefficient"] < low) | (v["coefficient"] > most))
    message = f"crest_coefficient = {{coefficient}} is outside {low:g} to {most:g} m^0.5/s"
    t.tell(odd, message, "one given in feet is divided by 1.811", doubt=True)
    known = np.array([KINDS.get(str(k).strip().casefold(), -1) for k in t.m.site_kind], dtype=np.int64)
    mine = np.nan_to_num(v["kind"], nan=-1.0)
    other = (known >= 0) & (mine >= 0) & (known != mine)
    message = "kind is {what} here, but {site_kind} in the table of sites"
    t.tell(other, message, "mend one of the two", kind="kind_differs", doubt=True)
