"""Kernels that prove what is not worth doing at a price: neither is it at any greater one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_relax import add_site, best_here

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Problem = tuple[Ints, Floats, Ints, Floats, Floats, Bools, Ints]

ROUNDING = 1e-12
"""Share of what is compared that is rounding."""


@kernel
def _no_better(values: Floats, below: Floats, flat: float, slope: Floats) -> bool:
    """Whether values at the nodes of a grid (s, width) are nowhere above a line: flat + slope . access."""
    n_species, width = below.shape
    rounding = abs(flat)
    for s in range(n_species):
        rounding += abs(slope[s])
    for g in range(values.size):
        line, at = flat + ROUNDING * rounding, g
        for s in range(n_species - 1, -1, -1):
            line += slope[s] * below[s, at % width]
            at //= width
        if values[g] > line:
            return False
    return True


@kernel
def idle_actions(problem: Problem, nodes: Floats, tables: Floats, cheapest: Ints) -> Bools:
    """Tell which actions bring no more, with the best above, than the cheapest policy does there, whatever the access.

    What an action brings with the best above it is convex in access: it is below a line where it is so at the corners.
    What is dearer than the cheapest loses as the price rises, so that it holds for greater prices as well.

    Parameters
    ----------
    problem, nodes, tables
        As for :func:`barrierrank.plan.kernels_relax.relax`, solved.
    cheapest : (n,) int64
        The cheapest action of each site; flagged where nothing above it is worth doing.

    Returns
    -------
    (m,) bool
    """
    parent, weight, first, passability, base, allowed, slot = problem
    n, n_species = weight.shape
    idle = np.zeros(base.size, dtype=np.bool_)
    flat, slope = np.zeros(n), np.zeros((n, n_species))
    one = np.zeros(base.size, dtype=np.bool_)
    alone = (parent, weight, first, passability, base, one, slot)
    out, x, ones = np.empty(tables.shape[1]), np.empty(n_species), np.ones(n_species)
    line = np.empty(n_species)
    for b in range(n - 1, -1, -1):
        start = flat[b] + base[cheapest[b]]
        for s in range(n_species):
            line[s] = passability[cheapest[b], s] * (weight[b, s] + slope[b, s])
        table = tables[max(slot[b], 0)]
        for a in range(first[b], first[b + 1]):
            if not allowed[a]:
                continue
            one[a] = True
            if parent[b] < 0:
                value, _ = best_here(b, ones, alone, nodes, table, x)
                rounding = ROUNDING * (abs(start) + np.abs(line).sum())
                idle[a] = value <= start + line.sum() + rounding
            else:
                out[:] = 0.0
                add_site(b, alone, nodes, table, out)
                idle[a] = _no_better(out, nodes[parent[b]], start, line)
            one[a] = False
        if parent[b] >= 0:
            flat[parent[b]] += start
            slope[parent[b]] += line
    return idle


@kernel
def idle_sites(parent: Ints, first: Ints, allowed: Bools, idle: Bools, tied: Bools) -> Bools:
    """Tell the sites where, and above which, the cheapest policy is as good as any, (n,); none has a tied one above it.

    A tied site stays. With a decision there to do the cheapest may not be left, on which the proof for what is below it
    rests: so that stays as well.
    """
    stays = tied.copy()
    for b in range(parent.size - 1, -1, -1):
        if parent[b] >= 0 and stays[b]:
            stays[parent[b]] = True
    out = ~stays
    for b in range(parent.size):
        if parent[b] >= 0 and out[parent[b]]:
            continue
        for a in range(first[b], first[b + 1]):
            out[b] &= idle[a] or not allowed[a]
    return out
