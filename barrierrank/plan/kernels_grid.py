"""Kernels that lay the grid of access: its nodes just above each site, where policies are likely to go."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SAME = 1e-12
"""Share by which states may differ that are taken for one."""


@kernel
def _pruned(x: Floats, mass: Floats, width: int, floor: float, nodes: Floats, masses: Floats) -> None:
    """Choose `width` of some states (k,) in rising order, with the mass of each policy there (p, k).

    The least and the greatest stay. Left out is what costs least: the error between the two beside it, by the mass that
    is there and is parted among them, and by a little more wherever nothing is.
    """
    count, ways = x.size, mass.shape[0]
    lower, upper = np.arange(count) - 1, np.arange(count) + 1
    alive, here = np.ones(count, dtype=np.bool_), mass.copy()
    total = np.zeros(count)
    for p in range(ways):
        total += mass[p]
    whole = x[count - 1] - x[0]
    for _ in range(count - width):
        least, out = np.inf, -1
        for j in range(1, count - 1):
            if alive[j]:
                low, high = x[lower[j]], x[upper[j]]
                loss = (total[j] + floor * (high - low) / whole) * (x[j] - low) * (high - x[j])
                if loss < least:
                    least, out = loss, j
        low, high = lower[out], upper[out]
        part = (x[out] - x[low]) / (x[high] - x[low])
        total[low] += (1.0 - part) * total[out]
        total[high] += part * total[out]
        for p in range(ways):
            here[p, low] += (1.0 - part) * here[p, out]
            here[p, high] += part * here[p, out]
        upper[low], lower[high], alive[out] = high, low, False
    kept = np.flatnonzero(alive)
    for i in range(width):
        nodes[i] = x[kept[min(i, kept.size - 1)]]
        for p in range(ways):
            masses[p, i] = here[p, kept[i]] if i < kept.size else 0.0


@kernel
def _together(x: Floats, mass: Floats) -> tuple[Floats, Floats]:
    """Put states (k,) in rising order, those that are the same but for rounding together, and their mass (p, k)."""
    order = np.argsort(x)
    states, masses, kept = np.empty(x.size), np.zeros(mass.shape), 0
    for j in order:
        if kept == 0 or x[j] > states[kept - 1] * (1.0 + SAME):
            states[kept] = x[j]
            kept += 1
        for p in range(mass.shape[0]):
            masses[p, kept - 1] += mass[p, j]
    states[kept - 1] = x[order[-1]]  # nothing may lie beyond the last
    return states[:kept], masses[:, :kept]


@kernel
def lay_nodes(
    parent: Ints, first: Ints, passability: Floats, may: Bools, policies: Ints,
    shares: tuple[float, float, float], nodes: Floats,
) -> None:  # fmt: skip
    """Lay the nodes of all sites from the outlets up: what comes of those of the site below, by each action.

    Parameters
    ----------
    parent : (n,) int64
    first : (n + 1,) int64
    passability : (m, s) float64
    may : (m,) bool
        Actions that may be chosen at all.
    policies : (p, n) int64
        Where nodes should be.
    shares : tuple
        How likely another action is taken than that of the policy; how likely it goes on with another policy;
        how much a node counts that no policy comes near.
    nodes : (n, s, width) float64
        Written: in rising order, the last one again where there are fewer states than that.
    """
    n, n_species, width = nodes.shape
    ways, (other, switch, floor) = policies.shape[0], shares
    masses = np.zeros((n, n_species, ways, width))
    for b in range(n):
        count = 0
        for a in range(first[b], first[b + 1]):
            count += may[a]
        for s in range(n_species):
            below, before = np.ones(1), np.full((ways, 1), 1.0 / ways)
            if parent[b] >= 0:
                below, before = nodes[parent[b], s], masses[parent[b], s]
            x, mass, used = np.empty(below.size * count), np.zeros((ways, below.size * count)), 0
            for i in range(below.size):
                if i > 0 and below[i] <= below[i - 1]:
                    continue
                mean = 0.0
                for p in range(ways):
                    mean += before[p, i] / ways
                for a in range(first[b], first[b + 1]):
                    if not may[a]:
                        continue
                    x[used] = passability[a, s] * below[i]
                    for p in range(ways):
                        here = (1.0 - switch) * before[p, i] + switch * mean
                        likely = 1.0 - other if policies[p, b] == a else other / max(count - 1, 1)
                        mass[p, used] = likely * here
                    used += 1
            x, mass = _together(x[:used], mass[:, :used])
            _pruned(x, mass, width, floor, nodes[b, s], masses[b, s])
