"""What actions do to structures: crests raised, lowered, notched, lipped or moved by season, devices, removals.

What each change means (`amount` and `width` are the columns change_m and change_width_m of the actions):

raise
    The crest, or the sill under a gate, comes to stand `amount` higher. A notch keeps its depth below the crest and
    stop-logs keep their height above it, so both go up with it; a gate keeps its opening above the sill and its top.
lower
    The same downwards, to the bed at most.
notch
    A notch of the given depth and width. One notch can be described: where there is one it is made deeper or wider.
lip
    An overhang on the crest's downstream face, or on the outlet of a culvert.
seasonal
    The upper `amount` of the crest becomes movable. Up, it stands where the crest stands today, its stop-logs in, and
    shuts any notch; down, the fixed crest is `amount` lower. It is up from `up` to `down`, both included. A crest that
    comes up higher than it stands today is not covered.
trap_and_sort, fishway, ramp
    The structure stays as it is; a device works beside it, see :func:`with_device`.
remove
    Nothing stands there any more.
build
    A thin crest `amount` above the bed of the channel below, from bank to bank where no width is given: as wide as the
    channel at that height, with the channel's side slopes. Given a width, its ends are upright.

Planning-level: work on a dam needs a licensed engineer and permits, and a crest can drown people.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.structures import FloatArray, IntArray, Structures

BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]

#: Changes that leave the structure and put a device beside it.
DEVICES = ("trap_and_sort", "fishway", "ramp")
CHANGES = ("raise", "lower", "notch", "lip", "seasonal", *DEVICES, "remove", "build")

_STANDS = {
    f.NONE: "no structure",
    f.WEIR: "a weir",
    f.CULVERT: "a culvert",
    f.GATE: "a gate",
    f.FALL: "a natural fall",
}
_LEVEL = 1e-9
"""Elevations closer than this [m] are one: amounts in decimals do not add up exactly."""


@dataclass(frozen=True, eq=False)
class Changes:
    """Changes of the physics; k of them.

    Parameters
    ----------
    row : (k,) int64
        Row of :class:`Structures` each changes; one row may have many.
    code : (k,) object array of str
        One of :data:`CHANGES`.
    amount : (k,) float64
        [m]; NaN = not given.
    width : (k,) float64
        Of a notch or of a crest to build [m]; NaN = not given.
    up, down : (k,) int64
        Days of the year (1 to 366, of a leap year) from which and to which a seasonal crest is up; -1 = not given.
    """

    row: IntArray
    code: ObjectArray
    amount: FloatArray
    width: FloatArray
    up: IntArray
    down: IntArray

    def __len__(self) -> int:
        return len(self.row)


class Impossible(NamedTuple):
    """A change that cannot be made: its position in :class:`Changes`, what is wrong with it, and what to do."""

    change: int
    words: str
    remedy: str


def changed(structures: Structures, changes: Changes) -> tuple[Structures, list[Impossible]]:
    """Return the structures after the changes.

    Parameters
    ----------
    structures : Structures
        As they are today.
    changes : Changes
        k of them, each made to today's structure alone.

    Returns
    -------
    after : Structures
        k rows in the order of the changes. Those of impossible changes are as today: not to be used.
    impossible : list of Impossible
        In the order of the changes; one each, the first thing wrong with it. Nothing is cut to what is possible.
    """
    after = structures.take(changes.row)
    impossible: list[Impossible] = []
    known = np.zeros(len(changes), dtype=bool)
    for code in CHANGES:
        at = np.flatnonzero(changes.code == code)
        known[at] = True
        if at.size == 0:
            continue
        group = _Group(code, at, after, changes)
        _RULES[code](group)
        impossible += group.impossible
        done = at[group.good]
        after.numbers[done] = group.new[group.good]
        after.up_from[done], after.up_to[done] = group.up_from[group.good], group.up_to[group.good]
    for i in np.flatnonzero(~known):
        words = f'"{changes.code[i]}" is no change that can be worked out'
        impossible.append(Impossible(int(i), words, f"changes are {', '.join(CHANGES)}"))
    return after, sorted(impossible)


def with_device(p: FloatArray, efficiency: FloatArray) -> FloatArray:
    """Return the passability of a structure with a device beside it.

    A fish gets past over the structure, or else by the device: 1 - (1 - p)(1 - efficiency). `efficiency` is the share
    of those that come to the device that it lets past: of a native what it passes, of an invader what slips through.

    Parameters
    ----------
    p, efficiency : float64 arrays that broadcast
        0 to 1; NaN in either gives NaN.
    """
    return np.asarray(p + efficiency * (1.0 - p), dtype=np.float64)


class _Group:
    """Changes of one sort: what stands today and what it becomes, row by row; faults are collected."""

    def __init__(self, code: str, at: IntArray, structures: Structures, changes: Changes) -> None:
        self.code = code
        self.at = at
        self.today = structures.numbers[at]
        self.new = self.today.copy()
        self.kind = self.today[:, f.KIND].astype(np.int64)
        self.amount, self.width = changes.amount[at], changes.width[at]
        self.up, self.down = changes.up[at], changes.down[at]
        self.up_from, self.up_to = structures.up_from[at], structures.up_to[at]
        self.tails = [structures.tail_y[structures.tail_start[i] : structures.tail_start[i + 1]] for i in at]
        bed = self.today[:, f.BED]
        self.bed = np.where(np.isnan(bed), self.today[:, f.CHANNEL_BED], bed)
        self.good = np.ones(at.size, dtype=bool)
        self.impossible: list[Impossible] = []

    def number(self, column: int) -> FloatArray:
        """Return a measure of today that is 0 where not given."""
        return np.nan_to_num(self.today[:, column], nan=0.0)

    def refuse(self, wrong: BoolArray, words: str, remedy: str) -> None:
        """Complain of rows; `words` may name amount, width, crest, bed, notch, notch_width, top and stands."""
        for i in np.flatnonzero(wrong & self.good):
            facts = {
                "amount": self.amount[i], "width": self.width[i], "crest": self.today[i, f.CREST], "bed": self.bed[i],
                "crest_width": self.today[i, f.WIDTH], "notch": self.number(f.NOTCH_DEPTH)[i],
                "notch_width": self.number(f.NOTCH_WIDTH)[i], "top": self.today[i, f.GATE_TOP],
                "opening": self.today[i, f.OPENING], "stands": _STANDS.get(int(self.kind[i]), "a structure"),
            }  # fmt: skip
            told = f"{self.code}: {words.format(**facts)}"
            self.impossible.append(Impossible(int(self.at[i]), told, remedy))
        self.good &= ~wrong

    def need_kind(self, kinds: tuple[int, ...], words: str, remedy: str) -> None:
        self.refuse(~np.isin(self.kind, kinds), f"{{stands}} stands there, {words}", remedy)

    def need_amount(self, what: str) -> None:
        self.refuse(np.isnan(self.amount), f"change_m, {what}, is not given", "give it in metres")
        self.refuse(
            ~(self.amount > 0.0) | np.isinf(self.amount),
            f"change_m, {what}, is {{amount:g}} m",
            "give more than 0, in metres; the change itself says whether it goes up or down",
        )

    def need_crest(self) -> None:
        self.refuse(
            np.isnan(self.today[:, f.CREST]), "crest_m is not known", "give crest_m in the structures"
        )


def _raise(group: _Group) -> None:
    remedy = 'where nothing stands, or at a site of its own above or below a culvert, a crest is built: change "build"'
    group.need_kind(
        (f.WEIR, f.GATE, f.FALL), "without a crest to raise", remedy
    )
    group.need_amount("how much higher the crest comes")
    group.need_crest()
    group.new[:, f.CREST] += group.amount
    edge = group.new[:, f.CREST] + group.new[:, f.OPENING]
    group.refuse(
        (group.kind == f.GATE) & (edge > group.today[:, f.GATE_TOP] + _LEVEL),
        "{amount:g} m more bring the lower edge of the gate ({opening:g} m above its sill at {crest:g} m) above its "
        "top at {top:g} m",
        "raise it less, or give gate_opening_m and gate_top_m as they will be, as a structure",
    )


def _lower(group: _Group) -> None:
    remedy = "change the structure itself in the structures"
    group.need_kind((f.WEIR, f.GATE, f.FALL), "without a crest to lower", remedy)
    group.need_amount("how much lower the crest comes")
    group.need_crest()
    group.new[:, f.CREST] -= group.amount
    group.refuse(
        group.new[:, f.CREST] - group.number(f.NOTCH_DEPTH) < group.bed - _LEVEL,
        "{amount:g} m lower, the crest at {crest:g} m (notch {notch:g} m deep) would lie below the bed at {bed:g} m",
        "lower it less, or remove the structure",
    )


def _notch(group: _Group) -> None:
    group.need_kind(
        (f.WEIR, f.FALL), "without a crest to cut a notch into", "notch weirs, dams and falls only"
    )
    group.need_amount("how deep the notch is cut")
    group.need_crest()
    group.refuse(
        ~(group.width > 0.0), "change_width_m, the width of the notch, is not given", "give it in metres"
    )
    group.refuse(
        group.width > group.today[:, f.WIDTH] + _LEVEL,
        "a notch {width:g} m wide is wider than the crest, {crest_width:g} m",
        "give a narrower notch, or lower the crest",
    )
    group.refuse(
        group.today[:, f.CREST] - group.amount < group.bed - _LEVEL,
        "a notch {amount:g} m deep in the crest at {crest:g} m reaches below the bed at {bed:g} m",
        "give a shallower notch, or remove the structure",
    )
    smaller = (group.amount < group.number(f.NOTCH_DEPTH)) | (group.width < group.number(f.NOTCH_WIDTH))
    group.refuse(
        smaller & (group.number(f.NOTCH_DEPTH) > 0.0) & (group.number(f.NOTCH_WIDTH) > 0.0),
        "{width:g} m wide and {amount:g} m deep is less than the notch there is, {notch_width:g} m wide and "
        "{notch:g} m deep; a second one cannot be described",
        "give the width and depth that the one notch will have, measured from the crest",
    )
    group.new[:, f.NOTCH_DEPTH], group.new[:, f.NOTCH_WIDTH] = group.amount, group.width


def _lip(group: _Group) -> None:
    group.need_kind(
        (f.WEIR, f.GATE, f.CULVERT), "and no lip can be put on it", "lips go on weirs, gates and culverts"
    )
    group.need_amount("how far the lip overhangs")
    group.new[:, f.LIP] = group.amount


def _seasonal(group: _Group) -> None:
    group.need_kind(
        (f.WEIR,), "whose crest cannot be made movable", "weirs and dams only; a gate has its opening"
    )
    group.need_amount("the height of the movable part")
    group.need_crest()
    group.refuse(
        ~((group.up >= 1) & (group.up <= 366) & (group.down >= 1) & (group.down <= 366)),
        "the days on which the crest comes up and goes down are not given",
        "give crest_up and crest_down as month-day, such as 04-01",
    )
    today = group.today[:, f.CREST]
    top = today + group.number(f.LOGS)
    fixed = top - group.amount
    group.refuse(
        fixed < group.bed - _LEVEL,
        "a movable part of {amount:g} m reaches below the bed at {bed:g} m, the crest being at {crest:g} m",
        "give at most the height of the crest above the bed",
    )
    # what is left of a notch is what reaches deeper than the crest that stays; where that crest is today's stop-logs
    # in part, they shut the notch for good
    left = np.maximum(group.number(f.NOTCH_DEPTH) - (today - fixed), 0.0)
    left = np.where((left > _LEVEL) & (fixed <= today + _LEVEL), left, 0.0)
    group.new[:, f.CREST], group.new[:, f.LOGS] = fixed, group.amount
    group.new[:, f.NOTCH_DEPTH] = left
    group.new[:, f.NOTCH_WIDTH] = np.where(left > 0.0, group.number(f.NOTCH_WIDTH), 0.0)
    group.up_from, group.up_to = group.up, group.down


def _device(group: _Group) -> None:
    group.refuse(
        group.kind == f.NONE,
        "no structure stands there, fish go past without it",
        "leave the row out, or build a crest first",
    )


def _remove(group: _Group) -> None:
    group.refuse(group.kind == f.NONE, "no structure stands there", "leave the row out")
    group.new[:, f.KIND] = f.NONE


def _build(group: _Group) -> None:
    group.refuse(
        group.kind != f.NONE,
        "{stands} stands there; two structures one behind the other cannot be described",
        "raise what stands there, or give the new one as a site of its own",
    )
    group.need_amount("the height of the crest above the bed of the channel")
    section = group.today[:, f.TAIL] == f.TAIL_SECTION
    lowest = np.array(
        [t.min() if t.size and s else np.nan for t, s in zip(group.tails, section, strict=True)]
    )
    bed = np.where(np.isnan(group.today[:, f.CHANNEL_BED]), lowest, group.today[:, f.CHANNEL_BED])
    group.refuse(np.isnan(bed), "the bed of the channel is not known", "give channel_bed_m in the structures")
    side = group.number(f.CHANNEL_SIDE)
    full = group.today[:, f.CHANNEL_WIDTH] + 2.0 * side * group.amount
    given = ~np.isnan(group.width)
    width = np.where(given, group.width, full)
    group.refuse(
        np.isnan(width), "no width is known", "give change_width_m, or channel_width_m in the structures"
    )
    group.refuse(~(width > 0.0), "change_width_m is {width:g} m", "give more than 0, in metres")
    group.new[:, f.KIND] = f.WEIR
    group.new[:, f.CREST], group.new[:, f.WIDTH], group.new[:, f.BED] = bed + group.amount, width, bed
    group.new[:, f.SIDE] = np.where(given, 0.0, side)
    for column in (f.THICKNESS, f.LIP, f.CONTRACTIONS, f.NOTCH_WIDTH, f.NOTCH_DEPTH, f.LOGS):
        group.new[:, column] = 0.0
    group.new[:, f.COEFFICIENT] = np.nan
    group.up_from = np.full(group.at.size, -1, dtype=np.int64)
    group.up_to = group.up_from


_RULES: dict[str, Callable[[_Group], None]] = {
    "raise": _raise, "lower": _lower, "notch": _notch, "lip": _lip, "seasonal": _seasonal,
    **dict.fromkeys(DEVICES, _device), "remove": _remove, "build": _build,
}  # fmt: skip
