"""Cells that cannot hurt and cannot mislead: text that is no formula, numbers rounded without losing meaning.

A spreadsheet takes a text for a formula where it begins with ``=``, ``+``, ``-`` or ``@``, after blanks too,
or with a tab or line break; so does a program that splits a file at semicolons or tabs for every piece of
the text. Such places get an apostrophe in front, the spreadsheet's own sign for "text". :func:`restore` takes
it off again, and a text that looks marked already is marked once more, so that nothing is lost.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.columns import ColumnDoc, Kind

# Wide forms (U+FF0B and so on) are what some East Asian versions read as their ASCII twins.
_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
# Blanks, control characters and invisible ones, but not those that part cells.
_BLANK = (
    "[^\\S\t\r\n]|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]|[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]"
)
_DANGER = re.compile(f"'*(?:{_BLANK})*[{_SIGNS}]")
_EMPTY_HEAD = re.compile(f"'*(?:{_BLANK})*\\Z")
_PARTS = re.compile("([;\t\r\n])")

# Decimal places that are always kept; every number also keeps six significant figures.
_PLACES: dict[Kind, int] = {"money": 2, "worth": 2, "length": 3, "habitat": 2, "share": 6, "ratio": 6}
_FIGURES = 6


def neutralise(text: str) -> str:
    """Return `text` so that no spreadsheet takes it, or a piece of it, for a formula.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> neutralise("=1+1"), neutralise(" @x"), neutralise("Mill dam - old")
    ("'=1+1", "' @x", 'Mill dam - old')
    """
    return _each_part(text, lambda part, dangerous: f"'{part}" if dangerous else part)


def restore(text: str) -> str:
    """Undo :func:`neutralise`.

    Parameters
    ----------
    text : str
        What :func:`neutralise` returned.
    """
    return _each_part(text, lambda part, dangerous: part[1:] if dangerous and part[:1] == "'" else part)


def _each_part(text: str, change: Any) -> str:
    parts = _PARTS.split(text)  # pieces at even places, what parts them at odd ones
    for i in range(0, len(parts), 2):
        # a text that begins with a tab or line break is dangerous as it stands
        leads = i == 0 and len(parts) > 1 and parts[1] != ";" and _EMPTY_HEAD.match(parts[0])
        parts[i] = change(parts[i], bool(leads or _DANGER.match(parts[i])))
    return "".join(parts)


def rounded(values: npt.ArrayLike, kind: Kind) -> npt.NDArray[np.float64]:
    """Round to the places that suit a kind of value, never to fewer than six significant figures.

    Rounding keeps the order of the values, so that a sorted column stays sorted.

    Parameters
    ----------
    values : array-like of float
        NaN and infinities stay.
    kind : str
        Of :class:`~barrierrank.outputs.columns.ColumnDoc`.

    Returns
    -------
    numpy.ndarray
        Fresh array, no negative zeros.
    """
    out = np.array(values, dtype=np.float64)
    size = np.abs(out)
    fit = np.isfinite(out) & (size > 1e-290) & (size < 1e15)  # outside, scaling would overflow
    places = np.zeros(out.shape, dtype=np.int64)
    needed = _FIGURES - 1 - np.floor(np.log10(size[fit])).astype(np.int64)
    places[fit] = np.maximum(_PLACES.get(kind, 0), needed)
    for count in np.unique(places[fit]):
        now = fit & (places == count)
        out[now] = np.round(out[now], int(count))
    return out + 0.0


def clean_table(table: pd.DataFrame, docs: tuple[ColumnDoc, ...]) -> pd.DataFrame:
    """Return a copy with texts neutralised and numbers rounded, column by column.

    Parameters
    ----------
    table : DataFrame
    docs : tuple of ColumnDoc
        One for each column, in their order.
    """
    columns: dict[str, Any] = {}
    for position, doc in enumerate(docs):
        column = table.iloc[:, position]
        columns[neutralise(str(table.columns[position]))] = _clean_column(column, doc.kind)
    return pd.DataFrame(columns, index=table.index)


def _clean_column(column: pd.Series[Any], kind: Kind) -> Any:
    if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_integer_dtype(column.dtype):
        return column
    if pd.api.types.is_float_dtype(column.dtype):
        return rounded(column.to_numpy(dtype=np.float64, na_value=np.nan), kind)
    known: dict[str, str] = {}  # the same few words come again and again
    cells = [known.setdefault(v, neutralise(v)) if isinstance(v, str) else v for v in column]
    return pd.Series(cells, index=column.index, dtype=object)
