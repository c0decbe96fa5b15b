"""Kernels of the relaxation: for a price of the budget, the best that can be had above every site, on a grid of access.

A problem is a tuple of arrays, the same for all kernels of this folder:

parent (n,) int64 : site below, which comes earlier; -1 at an outlet
weight (n, s) : worth per unit of access just above each site
first (n + 1,) int64 : actions of each site
passability (m, s) : after each action
base (m,) : worth of each action less price x cost
allowed (m,) bool : whether it may be chosen
slot (n,) int64 : row in the tables of each site that has others above it, -1 for the rest
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Problem = tuple[Ints, Floats, Ints, Floats, Floats, Bools, Ints]


@kernel
def place(x: float, nodes: Floats) -> tuple[int, float]:
    """Return cell of a grid and share of the way through it."""
    low, high = 0, nodes.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if nodes[middle] <= x:
            low = middle
        else:
            high = middle
    if x >= nodes[high]:
        return low, 1.0
    return low, (x - nodes[low]) / (nodes[high] - nodes[low])


@kernel
def hull_of(f00: float, f01: float, f10: float, f11: float, u: float, v: float) -> float:
    """Least upper bound in a cell of two species, of a convex function bounded at its corners."""
    if f00 + f11 > f10 + f01:  # the lower of the two ways to cut the cell in triangles
        if u + v <= 1.0:
            return f00 + u * (f10 - f00) + v * (f01 - f00)
        return f11 + (1.0 - u) * (f01 - f11) + (1.0 - v) * (f10 - f11)
    if u >= v:
        return f00 + u * (f10 - f00) + v * (f11 - f10)
    return f00 + v * (f01 - f00) + u * (f11 - f01)


@kernel
def hull_2(table: Floats, at: int, width: int, u: float, v: float) -> float:
    """Bound in the cell of a table whose lowest corner is at `at`, two species."""
    return hull_of(table[at], table[at + 1], table[at + width], table[at + width + 1], u, v)


@kernel
def product_rule(table: Floats, cell: Ints, share: Floats, width: int) -> float:
    """Upper bound in a cell of any number of species: all its corners, each by the product of its shares."""
    s = cell.size
    value = 0.0
    for corner in range(1 << s):
        at, part = 0, 1.0
        for k in range(s):
            upper = (corner >> k) & 1
            at = at * width + cell[k] + upper
            part *= share[k] if upper else 1.0 - share[k]
        if part != 0.0:
            value += part * table[at]
    return value


@kernel
def read(table: Floats, x: Floats, nodes: Floats) -> float:
    """Upper bound at an access vector x (s,)."""
    width = nodes.size
    if x.size == 2:
        i, u = place(x[0], nodes)
        j, v = place(x[1], nodes)
        return hull_2(table, i * width + j, width, u, v)
    cell = np.empty(x.size, dtype=np.int64)
    share = np.empty(x.size)
    for k in range(x.size):
        cell[k], share[k] = place(x[k], nodes)
    return product_rule(table, cell, share, width)


@kernel
def _along(
    weight: Floats, passability: Floats, nodes: Floats, cells: Ints, shares: Floats, lines: Floats
) -> None:
    """Find where the nodes below a site, times its passability, lie on the grid, and what they weigh."""
    for s in range(weight.size):
        for i in range(nodes.size):
            x = passability[s] * nodes[i]
            cells[s, i], shares[s, i] = place(x, nodes)
            lines[s, i] = weight[s] * x


@kernel
def _best_2(
    best: Floats, table: Floats, leaf: bool, start: float, cells: Ints, shares: Floats, lines: Floats
) -> None:
    """Raise `best` to what one action brings at every node, two species."""
    width = cells.shape[1]
    for i in range(width):
        row, u, here = cells[0, i] * width, shares[0, i], start + lines[0, i]
        for j in range(width):
            value = here + lines[1, j]
            if not leaf:
                value += hull_2(table, row + cells[1, j], width, u, shares[1, j])
            best[i * width + j] = max(best[i * width + j], value)


@kernel
def _stretched(table: Floats, passability: Floats, cells: Ints, shares: Floats, rooms: Floats) -> Floats:
    """Read a table at every node of another grid, species after species; `rooms` (2, nodes) is written over.

    Where both grids and the passability are such that nothing moves, a species is passed over.
    """
    n_species, width = cells.shape
    source, used = table, 0
    blocks, stride = 1, table.size // width
    for s in range(n_species):
        moves = passability[s] != 1.0
        for i in range(width):
            moves |= cells[s, i] != min(i, width - 2) or shares[s, i] != (1.0 if i == width - 1 else 0.0)
        if moves:
            target = rooms[used]
            used = 1 - used
            for block in range(blocks):
                for i in range(width):
                    low = (block * width + cells[s, i]) * stride
                    at = (block * width + i) * stride
                    u = shares[s, i]
                    if stride == 1:
                        target[at] = source[low] + u * (source[low + 1] - source[low])
                        continue
                    for r in range(stride):
                        target[at + r] = source[low + r] + u * (source[low + stride + r] - source[low + r])
            source = target
        blocks *= width
        stride //= width
    return source


@kernel
def _spread_sum(lines: Floats, start: float, out: Floats) -> None:
    """Write the sum of one number of each species (s, width) at every node, from `start`."""
    n_species, width = lines.shape
    size = 1
    out[0] = start
    for s in range(n_species):
        for at in range(size - 1, -1, -1):  # from the end, so that nothing is overwritten before it is read
            here = out[at]
            for i in range(width):
                out[at * width + i] = here + lines[s, i]
        size *= width


@kernel
def add_best(
    out: Floats, table: Floats, leaf: bool, weight: Floats, actions: tuple[Floats, Floats], nodes: Floats
) -> None:  # fmt: skip
    """Add to `out`, at every node of the grid below a site, the best over its actions.

    Parameters
    ----------
    out, table : (nodes,)
        Of the site below, and of the site itself; `table` is not looked at for a leaf.
    weight, actions : (s,), passability (a, s) and base (a,)
    nodes : (width,)
    """
    n_species, width = weight.size, nodes.size
    passability, base = actions
    best = np.full(out.size, -np.inf)
    cells = np.empty((n_species, width), dtype=np.int64)
    shares, lines = np.empty((n_species, width)), np.empty((n_species, width))
    several = n_species != 2
    own, rooms = np.empty(out.size if several else 0), np.empty((2, out.size if several else 0))
    if several and not leaf:  # a linear part is read exactly between nodes: it may as well be in the table
        for s in range(n_species):
            for i in range(width):
                lines[s, i] = weight[s] * nodes[i]
        _spread_sum(lines, 0.0, own)
        own += table
    for a in range(base.size):
        _along(weight, passability[a], nodes, cells, shares, lines)
        if n_species == 2:
            _best_2(best, table, leaf, base[a], cells, shares, lines)
            continue
        if leaf:
            _spread_sum(lines, 0.0, own)
        here = own if leaf else _stretched(own, passability[a], cells, shares, rooms)
        for g in range(best.size):
            best[g] = max(best[g], base[a] + here[g])
    for g in range(out.size):
        out[g] += best[g]


@kernel
def best_here(
    b: int, below: Floats, problem: Problem, nodes: Floats, table: Floats, x: Floats
) -> tuple[float, int]:
    """Return the best over the actions of site b at an access below it, and which.

    Parameters
    ----------
    b : int
    below, x : (s,)
        `x` is written over.
    problem : Problem
    nodes, table : (width,), (width ** s,)
        The table of the site is not looked at where nothing lies above it.
    """
    _, weight, first, passability, base, allowed, slot = problem
    best, chosen = -np.inf, -1
    for a in range(first[b], first[b + 1]):
        if not allowed[a]:
            continue
        value = base[a]
        for s in range(x.size):
            x[s] = passability[a, s] * below[s]
            value += weight[b, s] * x[s]
        if slot[b] >= 0:
            value += read(table, x, nodes)
        if chosen < 0 or value > best:
            best, chosen = value, a
    return best, chosen


@kernel
def add_site(b: int, problem: Problem, nodes: Floats, table: Floats, out: Floats) -> None:
    """Add to `out`, at every node of the grid below site b, the best over its actions."""
    _, weight, first, passability, base, allowed, slot = problem
    here = np.flatnonzero(allowed[first[b] : first[b + 1]]) + first[b]
    add_best(out, table, slot[b] < 0, weight[b], (passability[here], base[here]), nodes)


@kernel
def relax(problem: Problem, nodes: Floats, tables: Floats) -> float:
    """Fill the tables from the headwaters down; return the bound on the worth less the price of what is spent.

    Parameters
    ----------
    problem : Problem
    nodes : (width,)
        Of the grid, the same for every species.
    tables : (inner, width ** s)
        Written: what the sites above each site bring, by access just above it.
    """
    parent, weight, slot = problem[0], problem[1], problem[6]
    tables[:] = 0.0
    total = 0.0
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    for b in range(parent.size - 1, -1, -1):
        table = tables[max(slot[b], 0)]
        if parent[b] < 0:
            total += best_here(b, start, problem, nodes, table, x)[0]
        else:
            add_site(b, problem, nodes, table, tables[slot[parent[b]]])
    return total
