"""How wide and tall cells of the workbook are, and how their numbers are written."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from barrierrank.outputs.columns import ColumnDoc, Kind

# Widest that a column of text gets before it wraps [characters].
WRAPPED = {
    "why": 70, "words": 70, "message": 64, "remedy": 48, "note": 20, "remark": 18, "action": 18, "name": 22,
    "hinges_on": 40, "what": 52,
}  # fmt: skip

def line_count(text: Any, width: float) -> int:
    """Count the lines of a wrapped text; an average letter is a little narrower than the unit of width."""
    if not isinstance(text, str) or len(text) <= 1.1 * width:
        return 1 if not isinstance(text, str) or "\n" not in text else text.count("\n") + 1
    room = max(int(1.1 * width), 1)
    return sum(max(len(textwrap.wrap(part, room)), 1) for part in text.splitlines())


def row_heights(table: pd.DataFrame, widths: Sequence[float]) -> list[float]:
    """Return how tall each row is [points] once its texts are wrapped."""
    most = np.ones(len(table), dtype=np.int64)
    for i, name in enumerate(table.columns):
        if name in WRAPPED:
            known: dict[Any, int] = {}
            for row, text in enumerate(table.iloc[:, i]):
                if text not in known:
                    known[text] = line_count(text, widths[i])
                most[row] = max(most[row], known[text])
    return [float(min(13.5 * n + 2, 400)) for n in most]


def number_format(doc: ColumnDoc, values: pd.Series[Any], currency: str | None) -> str:
    """Choose decimals by the size of the column's usual value, and put the unit behind or before."""
    integers: tuple[Kind, ...] = ("id", "count")
    if doc.kind in integers:
        return "0"
    if pd.api.types.is_bool_dtype(values.dtype):
        return '"TRUE";"TRUE";"FALSE"'  # some programs print 1 and 0 otherwise
    if not pd.api.types.is_numeric_dtype(values.dtype):
        return "General"
    size = np.abs(values.to_numpy(dtype=float, na_value=np.nan))
    size = size[np.isfinite(size) & (size > 0)]
    usual = float(np.median(size)) if len(size) else 1.0
    places = min(max(2 - math.floor(math.log10(usual)), 0), 8)
    if doc.kind in ("money", "worth") and usual >= 0.01:
        places = 0 if usual >= 100 else 2
    number = "#,##0" + ("." + "0" * places if places else "")
    if doc.unit == currency and currency and re.fullmatch("[A-Z]{3}", currency):
        number = f"[${currency}] {number}"
    elif doc.kind in ("habitat", "length", "measure") and doc.unit:
        number = f'{number} "{doc.unit}"'
    none = "0" if doc.kind in ("share", "length") else '"–"'  # that none gets past, or no raise is needed, is a result
    return f"{number};-{number};{none}"


def column_width(doc: ColumnDoc, values: pd.Series[Any], form: str) -> float:
    """Width [characters] that shows the header with its filter button and nearly all values."""
    head = 0.8 * len(doc.name) + 3.0
    if doc.name in WRAPPED:
        longest = max((len(v) for v in values if isinstance(v, str)), default=0)
        return max(head, min(WRAPPED[doc.name], longest + 2.0))
    if form != "General" and pd.api.types.is_numeric_dtype(values.dtype):
        size = np.abs(values.to_numpy(dtype=float, na_value=np.nan))
        most = float(np.max(size[np.isfinite(size)], initial=1.0))
        shown = re.sub(r"[\[\]$\"]", "", form.split(";", maxsplit=1)[0])
        return max(head, min(len(f"{most:,.0f}") + len(shown.replace("#,##0", "")) + 3.0, 32))
    return max(head, min(max((len(str(v)) for v in values.head(2000)), default=0) + 2.0, 30))
