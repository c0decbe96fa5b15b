"""Kernels of the search: tables solved again only where something is decided, from there to the outlet."""

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
def row(values: Floats, extra: Floats, slot: int) -> Floats:
    """Return the table of a slot: those beyond the tables that all share are the extra ones."""
    out: Floats = values[max(slot, 0)] if slot < values.shape[0] else extra[slot - values.shape[0]]
    return out


@kernel
def decided_sites(first: Ints, parent: Ints, may: Bools, allowed: Bools) -> Ints:
    """Return the sites where less is allowed than may be chosen, and all below them, uppermost first."""
    touched = np.zeros(parent.size, dtype=np.bool_)
    for b in range(parent.size - 1, -1, -1):
        for a in range(first[b], first[b + 1]):
            touched[b] |= may[a] != allowed[a]
        if touched[b] and parent[b] >= 0:
            touched[parent[b]] = True
    return np.flatnonzero(touched)[::-1].copy()


@kernel
def solve_again(
    problem: Problem, allowed: Bools, nodes: Floats, values: Floats, sites: Ints, slot: Ints
) -> tuple[Floats, float]:
    """Solve the tables again for what is decided.

    Parameters
    ----------
    problem, nodes, values
        As for :func:`barrierrank.plan.kernels_relax.relax`, solved before without any decision.
    allowed : (m,) bool
        With all decisions.
    sites : (k,) int64
        Of :func:`decided_sites`.
    slot : (n,) int64
        Row of each site with decisions minded: from the number of `values` on for `sites`, in their order.

    Returns
    -------
    extra : (k, width ** s)
        Tables of `sites`; those of headwaters mean nothing.
    bound : float
        By how much the bound changes.
    """
    parent, weight, first, passability, base, _, old = problem
    size = values.shape[1]
    extra = np.empty((sites.size, size))
    for i in range(sites.size):
        extra[i] = values[max(old[sites[i]], 0)]
    then = (parent, weight, first, passability, base, allowed, old)
    before, after = np.empty(size), np.empty(size)
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    bound = 0.0
    for i in range(sites.size):
        b = sites[i]
        table = values[max(old[b], 0)]
        if parent[b] < 0:
            bound += best_here(b, start, then, nodes, extra[i], x)[0]
            bound -= best_here(b, start, problem, nodes, table, x)[0]
            continue
        before[:], after[:] = 0.0, 0.0
        add_site(b, problem, nodes, table, before)
        add_site(b, then, nodes, extra[i], after)
        target = extra[slot[parent[b]] - values.shape[0]]
        for g in range(size):
            target[g] += min(after[g] - before[g], 0.0)
    return extra, min(bound, 0.0)


@kernel
def decided(
    problem: Problem, nodes: Floats, values: Floats, extra: Floats, site: int, variants: Bools
) -> Floats:
    """Return by how much the bound changes with decisions at one site, solved again from there to the outlet.

    Parameters
    ----------
    problem, nodes, values, extra
        Solved before, decisions that are there minded.
    site : int
    variants : (v, actions of the site) bool
        What each decision allows.

    Returns
    -------
    (v,) float64, 0 or less; -inf where nothing is allowed.
    """
    parent, weight, first, passability, base, allowed, slot = problem
    path = way_down(parent, site)
    size = values.shape[1]
    before = np.zeros((path.size, size))
    for i in range(path.size - 1):
        add_site(path[i], problem, nodes, row(values, extra, slot[path[i]]), before[i])
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    foot = path[-1]
    old, _ = best_here(foot, start, problem, nodes, row(values, extra, slot[foot]), x)
    out = np.full(variants.shape[0], -np.inf)
    now = allowed.copy()
    then = (parent, weight, first, passability, base, now, slot)
    best, fresh = np.empty(size), np.empty(size)
    for v in range(variants.shape[0]):
        if not variants[v].any():
            continue
        now[first[site] : first[site + 1]] = variants[v]
        fresh[:] = row(values, extra, slot[site])
        for i in range(path.size - 1):
            best[:] = 0.0
            add_site(path[i], then, nodes, fresh, best)
            fresh[:] = row(values, extra, slot[path[i + 1]]) + best - before[i]
        value, _ = best_here(foot, start, then, nodes, fresh, x)
        out[v] = min(value - old, 0.0)
    return out
