"""Kernels of the search: the relaxation solved again only where something is decided, from there to the outlet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_relax import add_site, best_here

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Problem = tuple[Ints, Floats, Ints, Floats, Floats, Bools, Ints]


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
def decided(problem: Problem, grids: Floats, tables: Floats, site: int, variants: Bools) -> Floats:
    """Return by how much the bound changes with decisions at one site, solved again from there to the outlet.

    Parameters
    ----------
    problem, grids, tables
        As for :func:`barrierrank.plan.kernels_relax.relax`, solved before without the decision.
    site : int
    variants : (v, actions of the site) bool
        What each decision allows.

    Returns
    -------
    (v,) float64, 0 or less; -inf where nothing is allowed.
    """
    parent, weight, first, passability, base, allowed, slot = problem
    path = way_down(parent, site)
    nodes = tables.shape[1]
    before = np.zeros((path.size, nodes))
    for i in range(path.size - 1):
        b = path[i]
        add_site(b, problem, grids, tables[max(slot[b], 0)], before[i])
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    foot = path[-1]
    old, _ = best_here(foot, start, problem, grids[foot], tables[max(slot[foot], 0)], x)
    out = np.full(variants.shape[0], -np.inf)
    now = allowed.copy()
    then = (parent, weight, first, passability, base, now, slot)
    best, fresh = np.empty(nodes), np.empty(nodes)
    for v in range(variants.shape[0]):
        if not variants[v].any():
            continue
        now[first[site] : first[site + 1]] = variants[v]
        fresh[:] = tables[max(slot[site], 0)]
        for i in range(path.size - 1):
            best[:] = 0.0
            add_site(path[i], then, grids, fresh, best)
            fresh[:] = tables[slot[path[i + 1]]] + best - before[i]
        value, _ = best_here(foot, start, then, grids[foot], fresh, x)
        out[v] = min(value - old, 0.0)
    return out
