"""What the habitat above each site is like, in a number and a reason."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.habitat.stages import NOTHING, SURVEYED, StageHabitat
from barrierrank.network.model import RiverNetwork

Floats = NDArray[np.float64]


def quality_above(network: RiverNetwork, made: StageHabitat, sites: int) -> tuple[Floats, list[str]]:
    """Return the mean quality above every site, weighed by size, and what keeps it low.

    Parameters
    ----------
    network : RiverNetwork
    made : StageHabitat
        Of the n reaches of the network.
    sites : int
        Rows of the sites table.

    Returns
    -------
    quality : (sites,) float64
        0 to 1; NaN for a site off the network or with nothing known above it.
    reason : list of str
        Words that follow "because": the reason that takes most size times lost quality away; ``""`` where nothing
        does.
    """
    known = ~np.isnan(made.quality)
    size = np.where(known, np.nan_to_num(made.size), 0.0)
    lost = size * (1.0 - np.nan_to_num(made.quality))
    codes = [c for c in np.unique(made.limited_by) if c not in (NOTHING, SURVEYED)]
    parts = [np.where(made.limited_by == c, lost, 0.0) for c in codes]
    sums = network.upstream_sum(np.column_stack([size, size - lost, *parts]))
    reach = network.site_reach(sites)
    at = np.where((reach >= 0)[:, None], sums[np.maximum(reach, 0)], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        quality = np.where(at[:, 0] > 0.0, at[:, 1] / at[:, 0], np.nan)
    reason = ["" for _ in range(sites)]
    if codes:
        most = np.argmax(at[:, 2:], axis=1)
        for i in np.flatnonzero(at[:, 2:].max(axis=1) > 0.0):
            reason[i] = made.reasons[int(codes[most[i]])]
    return quality, reason
