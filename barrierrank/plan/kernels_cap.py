"""Kernels that tell what a cap leaves possible."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def _least_through(
    parent: Ints, first: Ints, passability: Floats, exposure: Floats, allowed: Bools
) -> tuple[Floats, Floats]:
    """Return the least that each site can let past, and what it is let past to where all others do so, (n, s) each."""
    n, n_species = exposure.shape
    through, amount = np.ones((n, n_species)), np.ones((n, n_species))
    for b in range(n):
        for a in range(first[b], first[b + 1]):
            if allowed[a]:
                for s in range(n_species):
                    through[b, s] = min(through[b, s], passability[a, s])
    above = exposure.copy()
    for b in range(n - 1, -1, -1):
        if parent[b] >= 0:
            for s in range(n_species):
                above[parent[b], s] += through[b, s] * above[b, s]
    for b in range(n):
        for s in range(n_species):
            if parent[b] >= 0:  # access just below, until it is multiplied by what is above
                amount[b, s] = amount[parent[b], s] * through[parent[b], s]
    return through, amount * above


@kernel
def within_cap(
    parent: Ints, first: Ints, passability: Floats, exposure: Floats, allowed: Bools, cap: float
) -> tuple[float, Bools, Ints]:
    """Find the least exposure there can be, and which actions can be within a cap beside the least everywhere else.

    Each species by itself is let past by the least passable action of every site: with one exposed species, or with
    species that the same actions hold back, a plan comes as low as that; otherwise it is a bound.

    Parameters
    ----------
    parent, first, passability
        Of the tree.
    exposure : (n, s) float64
        Per unit of access just above each site, 0 or more.
    allowed : (m,) bool
        At least one action of each site.
    cap : float

    Returns
    -------
    least : float
        No plan of allowed actions is exposed to less.
    within : (m,) bool
        Allowed actions that can be within the cap.
    policy : (n,) int64
        The allowed action of each site that lets least past to what would be reached, of equals what lets least past:
        two sites of which each leaves nothing to the other would both be open otherwise.
    """
    n, n_species = exposure.shape
    through, amount = _least_through(parent, first, passability, exposure, allowed)
    least = 0.0
    for b in range(n):
        if parent[b] < 0:
            for s in range(n_species):
                least += through[b, s] * amount[b, s]
    within, policy = allowed.copy(), np.zeros(n, dtype=np.int64)
    for b in range(n):
        lowest, passed = np.inf, np.inf
        for a in range(first[b], first[b + 1]):
            if not allowed[a]:
                continue
            more, here, past = 0.0, 0.0, 0.0
            for s in range(n_species):
                more += (passability[a, s] - through[b, s]) * amount[b, s]
                here += passability[a, s] * amount[b, s]
                past += passability[a, s]
            within[a] = least + more <= cap
            if here < lowest or (here == lowest and past < passed):
                lowest, passed, policy[b] = here, past, a
    return least, within, policy
