"""Cells of tables as text, ids, numbers and passabilities; what cannot be read comes back with its remedy."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.inputs.report import Report, in_rows
from barrierrank.problems import some

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

#: Texts that stand for an empty cell (capitals do not count), unless a rating has that name.
BLANKS = frozenset({"", "na", "n/a", "nan", "null", "#n/a", "<na>", "-"})
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([,\u00a0\u202f' ]\d{3})+(\.\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")
_MONEY = re.compile(r"[$€£¥₹]|\b[A-Z]{3}\b")


def cell_text(value: Any) -> str:
    """Return one cell as trimmed text: integers without ``.0``, nothing as ``""``."""
    if isinstance(value, str):
        return value.strip()
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, float | np.floating):
        if np.isnan(value):
            return ""
        number = float(value)
        return str(int(number)) if number.is_integer() and abs(number) < 2**63 else repr(number)
    return str(value).strip()


def column_text(column: pd.Series[Any]) -> ObjectArray:
    """Return a column as trimmed texts, ``""`` where empty.

    Returns
    -------
    (n,) object array of str
    """
    out = np.empty(len(column), dtype=object)
    out[:] = [cell_text(v) for v in column.array]
    return out


def is_blank(cells: ObjectArray) -> BoolArray:
    """Tell which cells are empty or say so in words.

    Parameters
    ----------
    cells : (n,) object array of str
    """
    return np.fromiter((c.casefold() in BLANKS for c in cells), dtype=bool, count=len(cells))


def ids_of(cells: ObjectArray) -> ObjectArray:
    """Return ids: where every one of them is a whole number written with ``.0``, without it.

    Parameters
    ----------
    cells : (n,) object array of str
    """
    given = [c for c in cells if c]
    if given and all(re.fullmatch(r"-?\d+\.0+", c) for c in given):
        out = np.empty(len(cells), dtype=object)
        out[:] = [c.split(".")[0] for c in cells]
        return out
    return cells


@dataclass(frozen=True)
class Numbers:
    """Numbers read from texts.

    Parameters
    ----------
    value : (n,) float64
        NaN where blank or wrong.
    wrong : dict of int to str
        Position of each cell that is no number: what to do about it.
    comma : (n,) bool
        Read with a decimal comma.
    """

    value: FloatArray
    wrong: Mapping[int, str]
    comma: BoolArray


def numbers_of(cells: ObjectArray, *, amounts: bool) -> Numbers:
    """Read texts as numbers.

    Parameters
    ----------
    cells : (n,) object array of str
    amounts : bool
        True where thousands can occur (costs, areas): ``"1,200"`` is then refused, for it may be 1200 or 1.2.
        False for shares and coordinates, where a comma can only be a decimal one.
    """
    blank = is_blank(cells)
    value = pd.to_numeric(pd.Series(np.where(blank, "nan", cells), dtype=object), errors="coerce").to_numpy(
        dtype=np.float64, copy=True
    )
    value[np.isinf(value)] = np.nan
    odd = np.flatnonzero(np.isnan(value) & ~blank)
    comma = np.zeros(len(cells), dtype=bool)
    # a column where some comma is followed by other than three digits has decimal commas
    decimal = not amounts or any(
        _DECIMAL_COMMA.fullmatch(cells[i]) and not _THOUSANDS.fullmatch(cells[i]) for i in odd
    )
    wrong: dict[int, str] = {}
    for i in odd.tolist():
        if decimal and _DECIMAL_COMMA.fullmatch(cells[i]):
            value[i] = float(cells[i].replace(",", "."))
            comma[i] = True
        else:
            wrong[i] = _remedy(cells[i])
    return Numbers(value, wrong, comma)


def _remedy(text: str) -> str:
    """Return what to do about a text that is no number."""
    bare = re.sub(r"[$€£¥₹]|\b[A-Za-z]{3}\b", "", text).strip()
    if _THOUSANDS.fullmatch(bare):
        plain = re.sub(r"[,\u00a0\u202f' ]", "", bare)
        return f"write {plain} without thousands separators" + (" and currency" if bare != text else "")
    if _MONEY.search(text):
        return f"write the number alone, the currency belongs into [money]: {bare}"
    if text.endswith("%"):
        try:
            return f"write {float(text[:-1].replace(',', '.')) / 100:g}"
        except ValueError:
            return "write a share from 0 to 1"
    return "write a number, or leave the cell empty"


def read_numbers(
    cells: ObjectArray, row: IntArray, column: str, report: Report, *, amounts: bool = True
) -> FloatArray:
    """Read a column of numbers and report the cells that are none.

    Parameters
    ----------
    cells : (n,) object array of str
    row : (n,) int64
        Row numbers for messages.
    column : str
    report : Report
    amounts : bool
        See :func:`numbers_of`.

    Returns
    -------
    (n,) float64
        NaN where blank or wrong.
    """
    read = numbers_of(cells, amounts=amounts)
    report_wrong(read, cells, row, column, report)
    if read.comma.any():
        at = int(np.flatnonzero(read.comma)[0])
        example = f'"{cells[at]}" as {read.value[at]:g}'
        message = f'column "{column}": {int(read.comma.sum())} cells have a decimal comma; read {example}'
        report.add("note", "decimal_comma", message)
    return read.value


def report_wrong(read: Numbers, cells: ObjectArray, row: IntArray, column: str, report: Report) -> None:
    """Report cells that are no numbers, those with the same remedy together."""
    by_remedy: dict[str, list[int]] = {}
    for i, remedy in read.wrong.items():
        by_remedy.setdefault(remedy, []).append(i)
    for remedy, places in list(by_remedy.items())[:5]:
        rows = [int(row[i]) for i in places]
        given = some(list(dict.fromkeys(f'"{cells[i]}"' for i in places)), 3)
        message = f'{in_rows(rows)}, column "{column}": {given} is not a number'
        report.error("not_a_number", message, remedy=remedy, ids=rows)
    if len(by_remedy) > 5:
        rows = [int(row[i]) for places in list(by_remedy.values())[5:] for i in places]
        message = f'{in_rows(rows)}, column "{column}": more cells that are not numbers'
        report.error("not_a_number", message, remedy="write numbers", ids=rows)


def check_range(
    value: FloatArray, row: IntArray, column: str, report: Report, *,
    low: float = -np.inf, high: float = np.inf, above: bool = False, who: ObjectArray | None = None,
) -> None:  # fmt: skip
    """Report numbers outside the allowed range; NaN is left alone.

    Parameters
    ----------
    value : (n,) float64
    row : (n,) int64
    column : str
    report : Report
    low, high : float
        Ends are allowed, unless `above` is true: then `low` itself is not.
    who : (n,) object array of str, optional
        Ids to name beside the rows.
    """
    outside = (value <= low if above else value < low) | (value > high)
    if not outside.any():
        return
    places = np.flatnonzero(outside)
    rows = [int(row[i]) for i in places]
    first = places[0]
    named = f' ("{who[first]}")' if who is not None else ""
    allowed = f"from {low:g} to {high:g}"
    if np.isinf(low):
        allowed = f"at most {high:g}"
    elif np.isinf(high):
        allowed = f"above {low:g}" if above else f"{low:g} or more"
    message = f'{in_rows(rows)}{named}, column "{column}": given {value[first]:g}, allowed: {allowed}'
    percent = (low, high) == (0.0, 1.0) and bool(np.nanmin(value) >= 0.0 and 1.0 < np.nanmax(value) <= 100.0)
    remedy = "if these are per cent, divide the column by 100" if percent else "mend the values"
    report.error("out_of_range", message, remedy=remedy, ids=rows)


def read_shares(
    cells: ObjectArray, row: IntArray, column: str, report: Report, *,
    words: Mapping[str, float] | None = None, who: ObjectArray | None = None,
) -> FloatArray:  # fmt: skip
    """Read chances from 0 to 1, given as numbers or as words of [ratings].

    Parameters
    ----------
    cells : (n,) object array of str
    row : (n,) int64
    column : str
    report : Report
    words : Mapping of str to float, optional
        Ratings, lower case; None where words are not allowed.
    who : (n,) object array of str, optional
        Ids to name beside the rows.

    Returns
    -------
    (n,) float64
        NaN where blank; where at fault too, which is reported.
    """
    words = words or {}
    rated = np.fromiter((words.get(c.casefold(), np.nan) for c in cells), dtype=np.float64, count=len(cells))
    is_word = ~np.isnan(rated)
    rest = np.where(is_word, "", cells).astype(object)
    read = numbers_of(rest, amounts=False)
    odd = [i for i in read.wrong if re.match(r"[^\W\d_]", rest[i])]
    if odd:
        rows = [int(row[i]) for i in odd]
        given = some(list(dict.fromkeys(f'"{cells[i]}"' for i in odd)), 3)
        named = f' (site "{who[odd[0]]}")' if who is not None else ""
        known = f"[ratings] has {', '.join(words)}" if words else "there are no [ratings]"
        message = f'{in_rows(rows)}{named}, column "{column}": {given} is neither a number nor a rating'
        report.error(
            "unknown_rating", message, remedy=f"add the word to [ratings], or mend it ({known})", ids=rows
        )
    others = {i: remedy for i, remedy in read.wrong.items() if i not in set(odd)}
    report_wrong(Numbers(read.value, others, read.comma), rest, row, column, report)
    value = np.where(is_word, rated, read.value)
    check_range(value, row, column, report, low=0.0, high=1.0, who=who)
    return value
