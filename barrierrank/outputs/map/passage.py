"""What the page says of passability at each site: where it comes from, days, what stops fish, the design flood.

One part per species with a column per number, for the sites where it is more than a given number; ``passage.js`` reads
it. Shares are in thousandths, drops in millimetres, passable days in tenths, so that a row takes a few bytes.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.column_doc import SOURCES, STOPPERS
from barrierrank.outputs.map.encode import plain, share, squeezed
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.passage_table import PASSAGE_COLUMNS
from barrierrank.outputs.passages_words import MATTERS
from barrierrank.ranking.cautions import short_cautions, shortened

Column = list[float | int | None]

SHARES = {"worst": "p_worst", "upper": "trial_upper"}
RANGE = {"least": "p_low", "most": "p_high"}
"""Of invaders, where it matters."""
WHOLE = {
    "year": "worst_year", "years": "years", "run": "run_days", "offered": "trial_offered", "passed": "trial_passed",
}  # fmt: skip
HEIGHTS = {
    "required": "required_drop_m", "low": "low_flow_drop_m", "left": "design_drop_m", "raise": "raise_needed_m",
    "raise_low": "raise_low_m", "raise_high": "raise_high_m",
}  # fmt: skip
FIGURES = {"days": "days_passable", "flow": "design_flow_m3s", "holds": "holds_return_years",
           "drowns": "drowns_return_years"}  # fmt: skip


def passage_columns(model: OutputModel) -> list[dict[str, Any]] | None:
    """Return a dict per species, None where passability is given everywhere.

    ``at`` are places in the table of sites, rising, each less the one before; ``source`` and ``by`` are digits, the
    places in `SOURCES` and, 0 for none, in `STOPPERS` from 1. A column of numbers that are all missing is left out.

    Parameters
    ----------
    model : OutputModel

    Raises
    ------
    ValueError
        For a site, source or reason that is not known.
    """
    if model.passage is None:
        return None
    table = model.passage.reindex(columns=list(PASSAGE_COLUMNS))
    site = pd.Index(model.sites["site"].astype(str)).get_indexer(pd.Index(table["site"].astype(str)))
    if (site < 0).any():
        names = ", ".join(table["site"][site < 0].astype(str).unique()[:5])
        raise ValueError(f"the table of passability names sites that are not in the table of sites: {names}.")
    _codes(table["source"], SOURCES, "sources")
    out = []
    for look in model.species:
        more = (table["source"] != "given") | table["design_drop_m"].notna()
        mine = ((table["species"] == look.key) & more).to_numpy()
        rows, at = table[mine], site[mine]
        order = np.argsort(at, kind="stable")
        out.append(_species_columns(rows.iloc[order], at[order], invader=look.role == "invasive"))
    return out


def passage_bytes(model: OutputModel) -> int:
    """Return about how many bytes it takes, deflated; 0 where passability is given everywhere."""
    columns = passage_columns(model)
    return 0 if columns is None else len(squeezed(json.dumps(columns, separators=(",", ":")).encode("ascii")))


def page_cautions(model: OutputModel) -> list[str]:
    """Return the cautions to print beside the actions and the crest of a site."""
    told = shortened(model.cautions)
    return list(dict.fromkeys([*told, *(short_cautions() if model.passage is not None else ())]))


def _species_columns(rows: pd.DataFrame, at: npt.NDArray[np.intp], *, invader: bool) -> dict[str, Any]:
    found: dict[str, Column] = {name: _shares(rows[column]) for name, column in SHARES.items()}
    found |= {name: _whole(rows[column], 1.0) for name, column in WHOLE.items()}
    found |= {name: [plain(v, 2) for v in _floats(rows[column])] for name, column in FIGURES.items()}
    found["days"] = [None if v is None else round(v, 1) for v in (plain(v, 4) for v in _floats(rows["days_passable"]))]
    if invader:
        found["flow"] = [plain(v, 3) for v in _floats(rows["design_flow_m3s"])]
        found |= {name: _whole(rows[column], 1000.0) for name, column in HEIGHTS.items()}
        told = _floats(rows["p_high"]) - _floats(rows["p_low"]) > MATTERS
        found |= {name: _shares(rows[column].where(told)) for name, column in RANGE.items()}
    else:
        found = {name: column for name, column in found.items() if name not in ("flow", "holds", "drowns")}
    known = {name: column for name, column in found.items() if any(v is not None for v in column)}
    stopped = rows["stopped_by"].fillna("")
    return {
        "at": np.diff(at, prepend=0).tolist(),
        "source": _digits(_codes(rows["source"], SOURCES, "sources")),
        "by": _digits(_codes(stopped, ("", *STOPPERS), "reasons")),
        **known,
    }


def _codes(column: pd.Series[Any], words: tuple[str, ...], what: str) -> npt.NDArray[np.intp]:
    codes = pd.Index(words).get_indexer(pd.Index(column.astype(str)))
    if (codes < 0).any():
        given = column[codes < 0].iloc[0]
        raise ValueError(f"{what} of passability are {', '.join(w for w in words if w)}; given: {given!r}.")
    return codes


def _digits(codes: npt.NDArray[np.intp]) -> str:
    return "".join(map(str, codes.tolist()))


def _shares(column: pd.Series[Any]) -> Column:
    """Thousandths; what is neither none nor all is rounded to neither."""
    return [None if code == 0 else code - 1 for code in share(_floats(column)).tolist()]


def _whole(column: pd.Series[Any], scale: float) -> Column:
    return [None if not np.isfinite(v) else round(v * scale) for v in _floats(column)]


def _floats(column: pd.Series[Any]) -> npt.NDArray[np.float64]:
    return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)
