"""Kernels of the search: the relaxation solved again only where something was decided, from there to the outlets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan import kernels_relax

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def way_down(parent: Ints, site: int) -> Ints:
    """Return a site and all below it, uppermost first."""
    count, b = 0, site
    while b >= 0:
        count += 1
        b = parent[b]
    out = np.empty(count, dtype=np.int64)
    b = site
    for i in range(count):
        out[i] = b
        b = parent[b]
    return out


@kernel
def best_of(
    b: int, tree: tuple[Ints, Floats, Ints, Floats], base: Floats, allowed: Bools, leaf: bool, grids: Floats,
    table: Floats, out: Floats,
) -> None:  # fmt: skip
    """Write the best over the actions of one site at every node of the grid below it."""
    parent, weight, first, passability = tree
    out[:] = 0.0
    here = np.flatnonzero(allowed[first[b] : first[b + 1]]) + first[b]
    kernels_relax.add_best(
        out, table, leaf, weight[b], passability[here], base[here], grids[parent[b]], grids[b]
    )


@kernel
def decided(
    tree: tuple[Ints, Floats, Ints, Floats], base: Floats, allowed: Bools, slot: Ints, grids: Floats, tables: Floats,
    site: int, variants: Bools,
) -> Floats:  # fmt: skip
    """Return by how much the bound changes with decisions at one site, solved again from there to the outlet.

    Parameters
    ----------
    tree, base, allowed, slot, grids, tables
        As for :func:`barrierrank.plan.kernels_relax.relax`, solved before without the decision.
    site : int
    variants : (v, actions of the site) bool
        What each decision allows.

    Returns
    -------
    (v,) float64, 0 or less; -inf where nothing is allowed.
    """
    parent, weight, first, passability = tree
    path = way_down(parent, site)
    nodes = tables.shape[1]
    before = np.empty((path.size, nodes))
    for i in range(path.size - 1):
        b = path[i]
        best_of(b, tree, base, allowed, slot[b] < 0, grids, tables[max(slot[b], 0)], before[i])
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    foot = path[-1]
    old, _ = kernels_relax.best_here(
        foot, start, weight, first, passability, base, allowed, slot[foot] < 0, tables[max(slot[foot], 0)],
        grids[foot], x,
    )  # fmt: skip
    out = np.full(variants.shape[0], -np.inf)
    now = allowed.copy()
    best, fresh = np.empty(nodes), np.empty(nodes)
    for v in range(variants.shape[0]):
        if not variants[v].any():
            continue
        now[first[site] : first[site + 1]] = variants[v]
        fresh[:] = tables[max(slot[site], 0)]
        for i in range(path.size - 1):
            b = path[i]
            best_of(b, tree, base, now, slot[b] < 0, grids, fresh, best)
            fresh[:] = tables[slot[path[i + 1]]] + best - before[i]
        value, _ = kernels_relax.best_here(
            foot, start, weight, first, passability, base, now, slot[foot] < 0, fresh, grids[foot], x
        )
        out[v] = min(value - old, 0.0)
    return out


@kernel
def follow(
    tree: tuple[Ints, Floats, Ints, Floats], base: Floats, allowed: Bools, slot: Ints, grids: Floats, tables: Floats
) -> Ints:
    """Choose from the outlets up what the tables say is best, (n,)."""
    parent, weight, first, passability = tree
    n, n_species = weight.shape
    choice = np.empty(n, dtype=np.int64)
    access = np.empty((n, n_species))
    x, start = np.empty(n_species), np.ones(n_species)
    for b in range(n):
        below = access[parent[b]] if parent[b] >= 0 else start
        _, choice[b] = kernels_relax.best_here(
            b, below, weight, first, passability, base, allowed, slot[b] < 0, tables[max(slot[b], 0)], grids[b], x
        )
        for s in range(n_species):
            access[b, s] = passability[choice[b], s] * below[s]
    return choice
