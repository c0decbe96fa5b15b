"""What the page says of draws: intervals of ranks, chances, and neighbours whose order is not settled.

``intervals.js`` reads it. Ranks are whole numbers, shares in thousandths, so that a row takes a few bytes.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd

from barrierrank.outputs.columns_intervals import INTERVAL_COLUMNS
from barrierrank.outputs.columns_learning import HINGES_ON
from barrierrank.outputs.intervals import level_words, settled_words, unsettled_rows
from barrierrank.outputs.map.encode import plain, share, squeezed
from barrierrank.outputs.model import OutputModel

DIGITS = 3


def interval_columns(model: OutputModel) -> dict[str, Any] | None:
    """Return columns of the priority list in its order, and pairs of its rows; None where there are no draws.

    ``low`` and ``high`` are ranks; ``top`` and ``harm`` thousandths, neither none nor all by rounding; ``mean`` is the
    expected benefit. ``open`` holds, for two neighbours whose order is not settled, the upper row, the lower row and
    the thousandths of draws in which the upper one comes first; ``first`` is the k of ``top``. ``hinges`` says by row
    what its worth hinges on, ``survey`` what a survey of its site is worth; both tell of few rows only.

    Parameters
    ----------
    model : OutputModel

    Raises
    ------
    ValueError
        Where a pair names an action that is not in the list.
    """
    rows, look = model.priority, model.uncertainty
    if look is None or not set(INTERVAL_COLUMNS) <= set(rows):
        return None
    pairs = unsettled_rows(model)
    chance = share(np.array([c for _, _, c in pairs], dtype=np.float64)) - 1
    return {
        "low": _ranks(rows["rank_low"]),
        "high": _ranks(rows["rank_high"]),
        "top": _shares(rows["chance_top"]),
        "mean": [plain(v, DIGITS) for v in _floats(rows["expected_benefit"])],
        "harm": _shares(rows["chance_of_harm"]),
        "open": [[upper, lower, int(c)] for (upper, lower, _), c in zip(pairs, chance, strict=True)],
        "first": look.top,
        "hinges": _hinges(model),
        "survey": _surveys(model),
    }


def interval_bytes(model: OutputModel) -> int:
    """Return about how many bytes it takes, deflated; 0 where there are no draws."""
    columns = interval_columns(model)
    return 0 if columns is None else len(squeezed(json.dumps(columns, separators=(",", ":")).encode("ascii")))


def list_words(model: OutputModel) -> str:
    """Return a sentence for the head of the list: what the intervals are; empty where there are no draws.

    Parameters
    ----------
    model : OutputModel
    """
    look = model.uncertainty
    if look is None:
        return ""
    return f"In brackets: its ranks in {level_words(look)} of {look.draws:,} draws of what is not known for sure."


def note_words(model: OutputModel) -> list[str]:
    """Return sentences for the notes: how settled the order is, and whether the draws suffice.

    Parameters
    ----------
    model : OutputModel
    """
    look = model.uncertainty
    return [] if look is None else [t for t in (settled_words(look, len(model.priority)), look.enough) if t]


def _hinges(model: OutputModel) -> dict[str, str]:
    if HINGES_ON not in model.priority:
        return {}
    return {str(row): str(text) for row, text in enumerate(model.priority[HINGES_ON]) if text}


def _surveys(model: OutputModel) -> dict[str, float | None]:
    """Return the worth of a survey by row of the list, where there is one."""
    table = model.survey_next
    if table is None:
        return {}
    table = table[table["worth_survey"] > 0.0]
    worth = dict(zip(table["site"].astype(str), table["worth_survey"].tolist(), strict=True))
    sites = model.priority["site"].astype(str).tolist()
    return {str(row): plain(worth[site], DIGITS) for row, site in enumerate(sites) if site in worth}


def _ranks(column: pd.Series[Any]) -> list[int | None]:
    return [None if pd.isna(v) else int(v) for v in column]


def _shares(column: pd.Series[Any]) -> list[int | None]:
    return [None if code == 0 else code - 1 for code in share(_floats(column)).tolist()]


def _floats(column: pd.Series[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)
