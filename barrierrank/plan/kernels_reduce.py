"""Kernels that make a tree smaller without changing what can be had on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Signs = NDArray[np.int8]


@kernel
def anchors(parent: Ints, passability: Floats, kept: Bools, only: Ints) -> tuple[Ints, Floats]:
    """Find the next kept site below each site, and what is let past on the way from there.

    Parameters
    ----------
    parent, passability
        Of the tree.
    kept : (n,) bool
    only : (n,) int64
        The one action of each site that is not kept.

    Returns
    -------
    anchor : (n,) int64
        -1 where there is none.
    factor : (n, s) float64
        From just above the anchor to just below the site; of a site that is not kept, to just above it.
    """
    n, n_species = parent.size, passability.shape[1]
    anchor = np.full(n, -1, dtype=np.int64)
    factor = np.ones((n, n_species))
    for b in range(n):
        below = parent[b]
        if below >= 0:
            anchor[b] = below if kept[below] else anchor[below]
            if not kept[below]:
                factor[b] = factor[below]
        if not kept[b]:
            for s in range(n_species):
                factor[b, s] *= passability[only[b], s]
    return anchor, factor


@kernel
def signs_above(parent: Ints, weight: Floats, exposure: Floats) -> tuple[Signs, Signs]:
    """Tell whether more access above each site can be worth something, and whether less can, (n, s) each."""
    n, n_species = weight.shape
    more, less = np.zeros((n, n_species), dtype=np.int8), np.zeros((n, n_species), dtype=np.int8)
    for b in range(n - 1, -1, -1):
        for s in range(n_species):
            if weight[b, s] > 0.0:
                more[b, s] = 1
            if weight[b, s] < 0.0 or exposure[b, s] > 0.0:
                less[b, s] = 1
            if parent[b] >= 0:
                more[parent[b], s] |= more[b, s]
                less[parent[b], s] |= less[b, s]
    return more, less


@kernel
def _as_good(
    a: int, other: int, passability: Floats, cost: Floats, worth: Floats, more: Signs, less: Signs
) -> bool:
    """Whether action `other` of a site is at least as good as `a` in everything that can matter."""
    if cost[other] > cost[a] or worth[other] < worth[a]:
        return False
    for s in range(more.size):
        if more[s] and passability[other, s] < passability[a, s]:
            return False
        if less[s] and passability[other, s] > passability[a, s]:
            return False
    return True


@kernel
def undominated(
    first: Ints, passability: Floats, cost: Floats, worth: Floats, allowed: Bools, tied: Bools, more: Signs, less: Signs
) -> Bools:  # fmt: skip
    """Leave out actions that another one of the same site is at least as good as; `tied` ones are not looked at."""
    out = allowed.copy()
    for b in range(first.size - 1):
        for a in range(first[b], first[b + 1]):
            if not out[a] or tied[a]:
                continue
            for other in range(first[b], first[b + 1]):
                if other == a or not out[other] or tied[other]:
                    continue
                if _as_good(a, other, passability, cost, worth, more[b], less[b]):
                    out[a] = False
                    break
    return out
