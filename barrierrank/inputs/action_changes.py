"""What actions do to structures: what each change needs, and columns that a change does not use."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.schema_passage import DEVICES
from barrierrank.problems import some

if TYPE_CHECKING:
    from barrierrank.inputs.actions import ActionTable

ObjectArray = npt.NDArray[np.object_]
BoolArray = npt.NDArray[np.bool_]

COLUMNS = ("change", "change_m", "change_width_m", "crest_up", "crest_down")
#: Changes that need a number, and what it is.
_AMOUNT = {
    "raise": "how much higher the crest comes", "lower": "how much lower the crest comes",
    "notch": "the depth of the notch below the crest", "lip": "how far the lip overhangs",
    "seasonal": "the height of the movable part", "build": "the height of the crest above the bed below",
}  # fmt: skip


def check_changes(
    table: ActionTable, filled: Mapping[str, BoolArray], who: ObjectArray, report: Report
) -> None:
    """Complain of changes that lack what they need; warn of columns that are filled and not used.

    Where the passability of every species is given, nothing is worked out and nothing more is needed. A seasonal crest
    may leave both days open, to be found; what a device lets past may be known from a trial.

    Parameters
    ----------
    table : ActionTable
    filled : Mapping of str to (n,) bool
        For each column of :data:`COLUMNS`: where its cell is not empty, readable or not.
    who : (n,) object array of str
        Ids of the sites, for messages.
    report : Report
    """
    teller = _Teller(table, who, report)
    asked = ~table.given.all(axis=1)
    blank = ~filled["change_m"]
    for change, what in _AMOUNT.items():
        lacking = (table.change == change) & blank & asked
        teller.lacks(lacking, f'"{change}" needs change_m, {what}', "give it in metres")
    notch = (table.change == "notch") & ~filled["change_width_m"] & asked
    teller.lacks(notch, '"notch" needs change_width_m, the width of the notch', "give it in metres")
    half = (table.change == "seasonal") & (filled["crest_up"] != filled["crest_down"])
    teller.lacks(half, "one of crest_up and crest_down is given",
                 "give both as month-day, or neither: the best days are found then")  # fmt: skip
    teller.over_new_year((table.change == "seasonal") & (table.crest_up > table.crest_down) & (table.crest_down > 0))
    _tell_unused(teller, table, filled)


def _tell_unused(teller: _Teller, table: ActionTable, filled: Mapping[str, BoolArray]) -> None:
    """Warn of cells that are filled and mean nothing for the change of their row."""
    device = np.isin(table.change, DEVICES)
    sized, wide = np.isin(table.change, list(_AMOUNT)), np.isin(table.change, ["notch", "build"])
    known = table.change != ""
    seasonal = table.change == "seasonal"
    for name, used in (
        ("change_m", sized), ("change_width_m", wide), ("crest_up", seasonal), ("crest_down", seasonal),
    ):  # fmt: skip
        teller.unused(filled[name] & known & ~used, name)
    teller.unused((~np.isnan(table.efficiency)).any(axis=1) & known & ~device, "efficiency")
    lost = filled["change_m"] & ~filled["change"]
    teller.lacks(lost, "change_m is given, but no change", "name the change, or empty the cell")


class _Teller:
    """Complains of rows of the table of actions."""

    def __init__(self, table: ActionTable, who: ObjectArray, report: Report) -> None:
        self.table = table
        self.who = who
        self.report = report

    def lacks(self, wrong: BoolArray, words: str, remedy: str) -> None:
        """Complain of the rows where `wrong` is true, if there are any."""
        if not wrong.any():
            return
        rows = true_rows(wrong, self.table.row)
        sites = some([f'"{s}"' for s in self.who[wrong]], 3)
        message = f"{in_rows(rows)} (site {sites}): {words}"
        self.report.error("missing_value", message, ids=rows, remedy=remedy)

    def over_new_year(self, wrong: BoolArray) -> None:
        """Warn of crests that are up over the new year, more often a slip than meant."""
        if wrong.any():
            rows = true_rows(wrong, self.table.row)
            message = f"{in_rows(rows)}: crest_up is later in the year than crest_down: up over the new year"
            self.report.add("warning", "doubtful", message, ids=rows, remedy="if that is not meant, exchange the two")

    def unused(self, filled: BoolArray, name: str) -> None:
        """Warn of the rows where a cell is filled and not used."""
        if filled.any():
            rows = true_rows(filled, self.table.row)
            first = self.table.change[np.flatnonzero(filled)[0]]
            message = f'{in_rows(rows)}: {name} is not used with "{first}"'
            self.report.add("warning", "unused", message, ids=rows, remedy="empty the cell, or mend the change")
