"""Habitat on each reach: its length, its area, or an amount given as a column of the lines."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.lines import LineTable
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems, some
from barrierrank.project import SpeciesSpec

Floats = NDArray[np.float64]
MOST_HABITAT = 1e18
"""No basin has more habitat [m, m2 or units]: the whole earth has 5e14 m2."""


def habitat_unit_of(species: SpeciesSpec) -> Literal["m", "m2", "units"]:
    """Return the unit of a species' habitat: that of its life stage, or of its rule."""
    stage = species.stages.get(species.habitat)
    return habitat_unit(stage.measure if stage is not None else species.habitat)


def habitat_unit(habitat: str) -> Literal["m", "m2", "units"]:
    """Return the unit of a habitat rule: ``"m"`` for length, ``"m2"`` for area, ``"units"`` for a column."""
    if habitat == "length":
        return "m"
    return "m2" if habitat == "area" else "units"


def habitat_on_reaches(
    network: RiverNetwork,
    lines: LineTable,
    *,
    species: str,
    habitat: str,
    width_m: Floats | None,
    problems: Problems,
) -> Floats:
    """Return the habitat of one species on each reach, (n,).

    Parameters
    ----------
    network : RiverNetwork
    lines : LineTable
    species : str
        Key of the species.
    habitat : str
        ``"length"`` [m], ``"area"`` [m2], or the column whose amounts `lines` holds for the species; an amount is
        shared out along its line.
    width_m : (n,) float64 or None
        Width of each reach [m], NaN where not known; None where nothing gives a width.
    problems : Problems
        Lines without a width have no area: they are told.
    """
    with np.errstate(over="ignore"):  # told below
        if habitat == "length":
            amount = network.length_m.copy()
        elif habitat == "area":
            amount = _areas(network, lines, width_m, problems)
        else:
            amount = lines.amounts[species][network.row] * share_of_line(network)
    return amount


def tell_amount(
    network: RiverNetwork, lines: LineTable, species: str, amount: Floats, problems: Problems
) -> None:
    """Tell a species without any habitat, or with more than there can be.

    Parameters
    ----------
    network : RiverNetwork
    lines : LineTable
    species : str
        Key of the species.
    amount : (n,) float64
    problems : Problems
    """
    with np.errstate(over="ignore"):  # told below
        total = amount.sum()
    if not total <= MOST_HABITAT:
        largest = int(lines.row[network.row[int(np.argmax(np.nan_to_num(amount, nan=np.inf)))]])
        problems.error(
            "habitat_too_great",
            f"row {largest}: the habitat of species {species} is more than there can be",
            where=lines.label,
            ids=[largest],
            remedy=f"check lengths, widths and habitat in [species.{species}] and their units",
        )
    elif total <= 0.0:
        problems.warning(
            "no_habitat",
            f"species {species} has no habitat on the network, so nothing can be gained or lost for it",
            where=lines.label,
            ids=[species],
            remedy=f"check habitat in [species.{species}]",
        )


def tell_no_discharge(network: RiverNetwork, lines: LineTable, problems: Problems) -> None:
    """Warn of lines of the network without discharge, for treatment that is reckoned by it."""
    flow = np.full(len(lines), np.nan) if lines.discharge_m3s is None else lines.discharge_m3s
    rows = np.unique(network.row)
    ids = lines.source_id[rows[np.isnan(flow[rows])]]
    if ids.size:
        problems.warning(
            "no_discharge",
            f"{ids.size} line(s) have no discharge, so that treatment there is reckoned as less than it costs: "
            f"{some(ids)}",
            where=lines.label,
            ids=ids,
            remedy="fill in the discharge column",
        )


def _areas(network: RiverNetwork, lines: LineTable, width_m: Floats | None, problems: Problems) -> Floats:
    width = np.full(len(network), np.nan) if width_m is None else width_m
    missing = np.isnan(width)
    if missing.any() and not any(p.kind == "no_width" for p in problems):
        ids = np.array(list(dict.fromkeys(lines.source_id[network.row[missing]])), dtype=object)
        problems.warning(
            "no_width",
            f"{ids.size} line(s) have no width and count with no area: {some(ids)}",
            where=lines.label,
            ids=ids,
            remedy="fill in the width column, or use width_a and width_b in [hydrography]",
        )
    return network.length_m * np.nan_to_num(width)


def share_of_line(network: RiverNetwork) -> Floats:
    """Return the share of its source line that each reach makes up, by drawn length; equal shares of no length."""
    drawn = network.end_m - network.start_m
    whole = np.bincount(network.row, drawn)[network.row]
    count = np.bincount(network.row)[network.row]
    return np.where(whole > 0.0, drawn / np.where(whole > 0.0, whole, 1.0), 1.0 / count)
