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
    return low, max((x - nodes[low]) / (nodes[high] - nodes[low]), 0.0)


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
def corners_of(table: Floats, cell: Ints, width: int, corners: Floats) -> None:
    """Write what a table has at the corners of a cell (2 ** s,); the last species changes first."""
    s = cell.size
    for corner in range(corners.size):
        at = 0
        for k in range(s):
            at = at * width + cell[k] + ((corner >> (s - 1 - k)) & 1)
        corners[corner] = table[at]


@kernel
def by_shares(corners: Floats, share: Floats, hulls: bool) -> float:
    """Upper bound in a cell of any number of species, by its corners; they are written over.

    Parameters
    ----------
    corners : (2 ** s,)
        Of :func:`corners_of`.
    share : (s,)
        Of the way through the cell.
    hulls : bool
        Two species at a time by the least bound there is, else all by the product of their shares.
    """
    count, k = corners.size, share.size
    while k > 0:
        if hulls and k > 1:
            count //= 4
            for c in range(count):
                at = 4 * c
                corners[c] = hull_of(
                    corners[at], corners[at + 1], corners[at + 2], corners[at + 3], share[k - 2], share[k - 1]
                )
            k -= 2
        else:
            count //= 2
            for c in range(count):
                corners[c] = corners[2 * c] + share[k - 1] * (corners[2 * c + 1] - corners[2 * c])
            k -= 1
    return float(corners[0])


@kernel
def read(table: Floats, x: Floats, nodes: Floats) -> float:
    """Upper bound at an access vector x (s,), by the nodes of the site (s, width)."""
    width = nodes.shape[1]
    if x.size == 2:
        i, u = place(x[0], nodes[0])
        j, v = place(x[1], nodes[1])
        return hull_2(table, i * width + j, width, u, v)
    cell = np.empty(x.size, dtype=np.int64)
    share = np.empty(x.size)
    for k in range(x.size):
        cell[k], share[k] = place(x[k], nodes[k])
    corners = np.empty(1 << x.size)
    corners_of(table, cell, width, corners)
    return by_shares(corners, share, True)


@kernel
def along(
    weight: Floats, passability: Floats, below: Floats, nodes: Floats, cells: Ints, shares: Floats, lines: Floats
) -> None:  # fmt: skip
    """Find where the nodes below a site, times its passability, lie among its own, and what they weigh."""
    for s in range(weight.size):
        for i in range(nodes.shape[1]):
            x = passability[s] * below[s, i]
            cells[s, i], shares[s, i] = place(x, nodes[s])
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
def _moves(cells: Ints, shares: Floats) -> bool:
    """Whether any node of a species is read anywhere but at itself."""
    last, moves = cells.size - 1, False
    for i in range(last + 1):
        moves |= cells[i] != min(i, last - 1) or shares[i] != (1.0 if i == last else 0.0)
    return moves


@kernel
def _stretch_one(source: Floats, target: Floats, cells: Ints, shares: Floats, stride: int) -> None:
    """Read a table at other nodes of one species, whose neighbours lie `stride` apart."""
    width = cells.size
    for block in range(source.size // (width * stride)):
        for i in range(width):
            low, at, u = (block * width + cells[i]) * stride, (block * width + i) * stride, shares[i]
            for r in range(stride):
                target[at + r] = source[low + r] + u * (source[low + stride + r] - source[low + r])


@kernel
def _stretch_two(source: Floats, target: Floats, cells: Ints, shares: Floats, stride: int) -> None:
    """Read a table at other nodes of two species (2, width) by the least bound there is."""
    width = cells.shape[1]
    step = width * stride
    for block in range(source.size // (width * step)):
        for i in range(width):
            u = shares[0, i]
            for j in range(width):
                v = shares[1, j]
                low = (block * width + cells[0, i]) * step + cells[1, j] * stride
                at = (block * width + i) * step + j * stride
                # by each of the two ways to cut the cell in triangles: the greatest share is that of three corners
                a00, a11 = max(1.0 - u - v, 0.0), max(u + v - 1.0, 0.0)
                a10, a01 = min(u, 1.0 - v), min(v, 1.0 - u)
                b00, b11, b10, b01 = 1.0 - max(u, v), min(u, v), max(u - v, 0.0), max(v - u, 0.0)
                for r in range(stride):
                    f00, f01 = source[low + r], source[low + stride + r]
                    f10, f11 = source[low + step + r], source[low + step + stride + r]
                    one = a00 * f00 + a01 * f01 + a10 * f10 + a11 * f11
                    target[at + r] = min(one, b00 * f00 + b01 * f01 + b10 * f10 + b11 * f11)


@kernel
def _stretched(table: Floats, cells: Ints, shares: Floats, rooms: Floats) -> Floats:
    """Read a table at every node of another grid, two species at a time; `rooms` (2, nodes) is written over.

    Where both grids are such that nothing moves, a species is passed over.
    """
    n_species, width = cells.shape
    source, used = table, 0
    stride = table.size
    for s in range(0, n_species, 2):
        both = s + 1 < n_species
        first = _moves(cells[s], shares[s])
        second = both and _moves(cells[s + 1], shares[s + 1])
        stride //= width * width if both else width
        if first and second:
            _stretch_two(source, rooms[used], cells[s : s + 2], shares[s : s + 2], stride)
        elif first:
            _stretch_one(source, rooms[used], cells[s], shares[s], stride * width if both else stride)
        elif second:
            _stretch_one(source, rooms[used], cells[s + 1], shares[s + 1], stride)
        if first or second:
            source = rooms[used]
            used = 1 - used
    return source


@kernel
def spread_sum(lines: Floats, start: float, out: Floats) -> None:
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
    out: Floats, table: Floats, leaf: bool, weight: Floats, actions: tuple[Floats, Floats],
    grids: tuple[Floats, Floats],
) -> None:  # fmt: skip
    """Add to `out`, at every node of the grid below a site, the best over its actions.

    Parameters
    ----------
    out, table : (nodes,)
        Of the site below, and of the site itself; `table` is not looked at for a leaf.
    weight, actions : (s,), passability (a, s) and base (a,)
    grids : (s, width)
        Nodes of the site below, and of the site itself.
    """
    below, nodes = grids
    n_species, width = nodes.shape
    passability, base = actions
    best = np.full(out.size, -np.inf)
    cells = np.empty((n_species, width), dtype=np.int64)
    shares, lines = np.empty((n_species, width)), np.empty((n_species, width))
    several = n_species != 2
    own, rooms = np.empty(out.size if several else 0), np.empty((2, out.size if several else 0))
    if several and not leaf:  # a linear part is read exactly between nodes: it may as well be in the table
        for s in range(n_species):
            for i in range(width):
                lines[s, i] = weight[s] * nodes[s, i]
        spread_sum(lines, 0.0, own)
        own += table
    for a in range(base.size):
        along(weight, passability[a], below, nodes, cells, shares, lines)
        if n_species == 2:
            _best_2(best, table, leaf, base[a], cells, shares, lines)
            continue
        if leaf:
            spread_sum(lines, 0.0, own)
        here = own if leaf else _stretched(own, cells, shares, rooms)
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
    nodes, table : (n, s, width), (width ** s,)
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
            value += read(table, x, nodes[b])
        if chosen < 0 or value > best:
            best, chosen = value, a
    return best, chosen


@kernel
def add_site(b: int, problem: Problem, nodes: Floats, table: Floats, out: Floats) -> None:
    """Add to `out`, at every node of the grid below site b, the best over its actions."""
    _, weight, first, passability, base, allowed, slot = problem
    here = np.flatnonzero(allowed[first[b] : first[b + 1]]) + first[b]
    grids = (nodes[problem[0][b]], nodes[b])
    add_best(out, table, slot[b] < 0, weight[b], (passability[here], base[here]), grids)


@kernel
def relax(problem: Problem, nodes: Floats, tables: Floats) -> float:
    """Fill the tables from the headwaters down; return the bound on the worth less the price of what is spent.

    Parameters
    ----------
    problem : Problem
    nodes : (n, s, width)
        Of the grid just above each site, from the least access there up; they may repeat themselves.
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
