"""Columns of an Arrow table as plain arrays: ids, node codes, numbers, names; whole columns at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from barrierrank.inputs.cells import numbers_of, report_wrong
from barrierrank.inputs.report import Report

ObjectArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Ids:
    """A column of ids.

    Parameters
    ----------
    text : (n,) object array of str
        Integers without ``.0``, texts trimmed, ``""`` where null.
    null : (n,) bool
    code : (n,) int64
        The same number for the same id.
    """

    text: ObjectArray
    null: BoolArray
    code: IntArray


def null_mask(column: pa.ChunkedArray) -> BoolArray:
    """Return where a column is null."""
    return np.asarray(pc.is_null(column, nan_is_null=True).to_numpy(), dtype=bool)


def whole_numbers(column: pa.ChunkedArray) -> IntArray | None:
    """Return a column as integers, 0 where null; None where it is not of whole numbers alone."""
    kind = column.type
    if pa.types.is_integer(kind):
        if pa.types.is_uint64(kind) and (pc.max(column).as_py() or 0) >= 2**63:
            return None
        filled = pc.fill_null(column, 0) if column.null_count else column
        return np.asarray(filled.to_numpy(), dtype=np.int64)
    if not pa.types.is_floating(kind):
        return None
    value = np.nan_to_num(np.asarray(column.to_numpy(), dtype=np.float64), nan=0.0, posinf=0.5, neginf=0.5)
    if not (np.floor(value) == value).all() or (np.abs(value) >= 2.0**63).any():
        return None
    return value.astype(np.int64)


def text_column(column: pa.ChunkedArray, report: Report) -> ObjectArray:
    """Return a column as trimmed texts, ``""`` where null.

    Texts that are not UTF-8, as older exports have, are read as Windows-1252; a note says so.

    Returns
    -------
    (n,) object array of str
    """
    kind = column.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        try:
            texts = pc.utf8_trim_whitespace(column)
            return _objects(pc.fill_null(texts, ""))
        except (pa.ArrowException, UnicodeDecodeError):
            raw = [b"" if v is None else v for v in column.cast(pa.large_binary()).to_pylist()]
            report.add("note", "encoding", "texts are not UTF-8 and were read as Windows-1252")
            return _objects(pa.chunked_array([[v.decode("cp1252", "replace").strip() for v in raw]]))
    try:
        return _objects(pc.fill_null(column.cast(pa.string()), ""))
    except pa.ArrowException:
        return _objects(pa.chunked_array([["" if v is None else str(v) for v in column.to_pylist()]]))


def _objects(texts: pa.ChunkedArray) -> ObjectArray:
    return np.asarray(texts.to_numpy(), dtype=object)


def read_ids(column: pa.ChunkedArray, report: Report) -> Ids:
    """Return a column of ids, whatever its type.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        n values.
    report : Report
    """
    null = null_mask(column)
    whole = whole_numbers(column)
    if whole is not None:
        text = _objects(pa.chunked_array([pa.array(whole)]).cast(pa.string()))
        code = whole
    else:
        text = text_column(column, report)
        null = null | (text == "")
        code = pd.factorize(text)[0].astype(np.int64)
    if null.any():
        text = text.copy()
        text[null] = ""
    return Ids(text, null, code)


def read_nodes(
    start: pa.ChunkedArray, end: pa.ChunkedArray, missing: Sequence[float | int | str], report: Report
) -> tuple[IntArray, IntArray]:
    """Return codes of the nodes at both ends of each line: one number for one node, in either column.

    Parameters
    ----------
    start, end : pyarrow.ChunkedArray
        n values each: integers, floats or texts.
    missing : sequence
        Values that stand for no node.
    report : Report

    Returns
    -------
    tuple of (n,) int64
        Codes from 0 in the order of the nodes' own values; -1 where there is none.
    """
    sides = (whole_numbers(start), whole_numbers(end))
    null = np.concatenate((null_mask(start), null_mask(end)))
    if sides[0] is not None and sides[1] is not None:
        values: Any = np.concatenate((sides[0], sides[1]))
        numbers = [int(m) for m in missing if _is_whole(m)]
        null |= np.isin(values, np.array(numbers, dtype=np.int64))
    else:
        values = np.concatenate((read_ids(start, report).text, read_ids(end, report).text))
        words = {str(int(m)) if _is_whole(m) else str(m) for m in missing} | {""}
        null |= pd.Series(values, dtype=object).isin(words).to_numpy()
    codes = np.full(len(values), -1, dtype=np.int64)
    codes[~null] = pd.factorize(values[~null], sort=True)[0]
    return codes[: len(start)], codes[len(start) :]


def _is_whole(value: float | int | str) -> bool:
    if isinstance(value, str):
        return False
    return float(value).is_integer() and abs(value) < 2**63


def read_values(
    column: pa.ChunkedArray, name: str, missing: Sequence[float | int | str], report: Report
) -> FloatArray:
    """Return a column as numbers, NaN where null, blank or one of `missing`; other texts are reported.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        n values.
    name : str
        Name of the column, for messages.
    missing : sequence
    report : Report
    """
    kind = column.type
    if pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind):
        value = np.array(column.cast(pa.float64()).to_numpy(), dtype=np.float64)
    else:
        text = text_column(column, report)
        words = {str(m) for m in missing}
        text = np.where(pd.Series(text, dtype=object).isin(words).to_numpy(), "", text).astype(object)
        read = numbers_of(text, amounts=True)
        report_wrong(read, text, np.arange(1, len(text) + 1, dtype=np.int64), name, report)
        value = read.value
    numbers = [float(m) for m in missing if not isinstance(m, str)]
    value[np.isin(value, numbers) | np.isinf(value)] = np.nan
    return value
