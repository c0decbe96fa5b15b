"""The table of passability by site and species: its sentences, and what the table of sites takes from it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from barrierrank.outputs.columns_passage import PASSAGE_DOCS
from barrierrank.outputs.model import SpeciesLook
from barrierrank.outputs.passages_words import LONGEST, passage_words
from barrierrank.ranking.words import Units

PASSAGE_COLUMNS = tuple(doc.name for doc in PASSAGE_DOCS)
"""Columns of the table, in their order."""


def with_words(passage: pd.DataFrame, species: Sequence[SpeciesLook], units: Units) -> pd.DataFrame:
    """Return the table with a sentence in `words` for each row and its columns in their order.

    Numbers come out finite: return intervals no longer than `LONGEST`, drops of a shut gate as not known.

    Parameters
    ----------
    passage : DataFrame
        Columns of `PASSAGE_COLUMNS`, `words` not needed; further ones come after them.
    species : sequence of SpeciesLook
    units : {"metric", "us"}

    Raises
    ------
    KeyError
        For the key of a species that is not among `species`.
    """
    looks = {look.key: look for look in species}
    passage = _finite(passage)
    told = [
        passage_words(row, looks[row["species"]].label, looks[row["species"]].role, units)
        for _, row in passage.iterrows()
    ]
    full = passage.assign(words=pd.Series(told, index=passage.index, dtype=object))
    first = [name for name in PASSAGE_COLUMNS if name in full]
    return full[[*first, *(name for name in full if name not in first)]]


def _finite(passage: pd.DataFrame) -> pd.DataFrame:
    """Return a copy without endless numbers, which files and readers of them cannot hold."""
    out = passage.copy()
    for name in ("holds_return_years", "drowns_return_years"):
        if name in out:  # fits to some decades say nothing of thousands of years
            out[name] = out[name].clip(upper=float(LONGEST))
    for name in (column for column in PASSAGE_COLUMNS if column.endswith("_m") and column in out):
        out[name] = out[name].mask(np.isinf(out[name].to_numpy(dtype=np.float64, na_value=np.nan)))
    return out


def sites_with_passage(
    sites: gpd.GeoDataFrame, passage: pd.DataFrame | None, species: Sequence[SpeciesLook]
) -> gpd.GeoDataFrame:
    """Return the `sites` table with what the table of passability tells of each species behind its other columns.

    That is `source_<sp>`, `p_worst_<sp>` and `stopped_by_<sp>`, and for invaders `design_drop_m_<sp>` and
    `raise_needed_m_<sp>`.

    Parameters
    ----------
    sites : GeoDataFrame
    passage : DataFrame or None
        None: nothing is added.
    species : sequence of SpeciesLook
    """
    if passage is None:
        return sites
    added: dict[str, Any] = {}
    numbers = ("p_worst", "design_drop_m", "raise_needed_m")
    table = passage.reindex(columns=["site", "species", "source", "stopped_by", *numbers])
    for look in species:
        rows = table[table["species"] == look.key].set_index("site").reindex(sites["site"])
        added[f"source_{look.key}"] = rows["source"].fillna("given").to_numpy(dtype=object)
        told = {name: rows[name].to_numpy(dtype=float, na_value=float("nan")) for name in numbers}
        added[f"p_worst_{look.key}"] = told["p_worst"]
        added[f"stopped_by_{look.key}"] = rows["stopped_by"].fillna("").to_numpy(dtype=object)
        if look.role == "invasive":
            added |= {f"{name}_{look.key}": told[name] for name in numbers[1:]}
    return sites.assign(**added)
