"""Kernels that count money along one way up from an outlet, and leave it to a price everywhere else."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_path import row
from barrierrank.plan.kernels_relax import Problem, add_site, along, best_here, place, spread_sum

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Actions = NDArray[np.int16]
Tables = tuple[Floats, Floats, Floats]
"""Nodes of the grid, tables of all sites, and those solved again for what is decided."""
Family = tuple[Ints, Ints, Ints]
"""As in :mod:`barrierrank.plan.kernels_stops`: sites above each."""

NEVER = -1e300
"""What is brought where the money does not even pay for the least that is decided; a share of it is a number still."""


@kernel
def _hulls(f00: Floats, f01: Floats, f10: Floats, f11: Floats, u: float, v: float, out: Floats) -> None:
    """Write the least upper bound in a cell of two species for every amount of money."""
    a00, a11 = max(1.0 - u - v, 0.0), max(u + v - 1.0, 0.0)
    a10, a01 = min(u, 1.0 - v), min(v, 1.0 - u)
    b00, b11, b10, b01 = 1.0 - max(u, v), min(u, v), max(u - v, 0.0), max(v - u, 0.0)
    for j in range(out.size):
        one = a00 * f00[j] + a01 * f01[j] + a10 * f10[j] + a11 * f11[j]
        two = b00 * f00[j] + b01 * f01[j] + b10 * f10[j] + b11 * f11[j]
        out[j] = one if one < two else two


@kernel
def _row(source: Floats, g: int, cells: Ints, shares: Floats, rest: int, out: Floats) -> None:
    """Read one row of a table (nodes, count) at another node of one species or two; later ones have `rest` nodes."""
    width, n = cells.shape[1], out.size
    other, j = g % rest, g // rest % width
    if cells.shape[0] == 1:
        at = (g // (rest * width) * width + cells[0, j]) * rest + other
        u, low, high = shares[0, j], source[at, :n], source[at + rest, :n]
        for m in range(n):
            out[m] = low[m] + u * (high[m] - low[m])
        return
    i, block, step = g // (rest * width) % width, g // (rest * width * width), width * rest
    at = ((block * width + cells[0, i]) * width + cells[1, j]) * rest + other
    _hulls(
        source[at, :n], source[at + rest, :n], source[at + step, :n], source[at + step + rest, :n],
        shares[0, i], shares[1, j], out,
    )  # fmt: skip


@kernel
def _raise(values: Floats, here: float, action: int, best: Floats, chosen: Actions) -> None:
    """Note where an action is better."""
    number = np.int16(action)
    for j in range(values.size):
        value = here + values[j]
        better = value > best[j]
        best[j] = value if better else best[j]
        chosen[j] = number if better else chosen[j]


@kernel
def _best_by_money(
    b: int, below: Floats, problem: Problem, grid: tuple[Floats, Floats], money: tuple[Ints, Floats],
    rooms: tuple[Floats, Floats, Floats, Floats], out: tuple[Floats, Actions],
) -> None:  # fmt: skip
    """Write the best over the actions of site b at the nodes below it, and which, for every amount of money.

    Parameters
    ----------
    b : int
    below : (s, width)
        Nodes of the site below.
    problem : Problem
    grid : tuple
        Nodes of the site itself, and its table (nodes, count).
    money : tuple
        `units` and `rest` of :func:`solve_stem`.
    rooms : tuple
        Written over: two like the table, one of its rows, one of its columns.
    out : tuple
        Written: what is brought and the action, (nodes, count) each.
    """
    nodes, table = grid
    units, rest = money
    best, chosen = out
    _, weight, first, passability, _, allowed, _ = problem
    n_species, width = nodes.shape
    lines, shares = np.empty((n_species, width)), np.empty((n_species, width))
    cells = np.empty((n_species, width), dtype=np.int64)
    one, other, row_of, start = rooms
    left = 2 - n_species % 2
    others = width ** (n_species - left)
    best[:] = NEVER
    chosen[:] = 0
    for a in range(first[b], first[b + 1]):
        size = best.shape[1] - units[a]
        if not allowed[a] or size <= 0:
            continue
        along(weight[b], passability[a], below, nodes, cells, shares, lines)
        spread_sum(lines, rest[a], start)
        source = table
        for s in range(n_species - 2, left - 1, -2):
            target = one if (n_species - s) % 4 == 2 else other
            for g in range(best.shape[0]):
                _row(
                    source, g, cells[s : s + 2], shares[s : s + 2], width ** (n_species - 2 - s), target[g, :size]
                )  # fmt: skip
            source = target
        for g in range(best.shape[0]):
            _row(source, g, cells[:left], shares[:left], others, row_of[:size])
            _raise(row_of[:size], start[g], a - first[b], best[g, units[a] :], chosen[g, units[a] :])


@kernel
def solve_stem(
    problem: Problem, tables: Tables, family: Family, stem: Ints, units: Ints, rest: Floats, choice: Actions
) -> Floats:
    """Return what the tree of a stem brings, by money that may be spent along the stem.

    Parameters
    ----------
    problem : Problem
        At a price that all pays that is not counted as money along the stem.
    tables : Tables
        Solved at that price.
    family : Family
    stem : (l,) int64
        A site and all below it, uppermost first.
    units : (m,) int64
        Units of money that each action takes.
    rest : (m,) float64
        Worth of each action less the price of what its units do not pay.
    choice : (l, width ** s, count) int16
        Written: the best action of each site of the stem, counted from its first, by node below it and money left.

    Returns
    -------
    (count,) float64
        Nowhere below what a policy brings whose units of money are so many or fewer.
    """
    parent, weight, slot = problem[0], problem[1], problem[6]
    nodes, values, extra = tables
    first, above, _ = family
    size, count = choice.shape[1], choice.shape[2]
    n_species = weight.shape[1]
    table, then = np.zeros((size, count)), np.empty((size, count))
    pairs = size if n_species > 2 else 0
    rooms = (np.empty((pairs, count)), np.empty((pairs, count)), np.empty(count), np.empty(size))
    side, full = np.empty(size), np.ones(nodes.shape[1:])
    if slot[stem[0]] >= 0:
        own = row(values, extra, slot[stem[0]])
        for g in range(size):
            table[g] = own[g]
    for i in range(stem.size):
        b = stem[i]
        q = parent[b]
        below = full if q < 0 else nodes[q]  # at an outlet all is reached
        _best_by_money(b, below, problem, (nodes[b], table), (units, rest), rooms, (then, choice[i]))
        if q < 0:
            break
        side[:] = 0.0
        for k in range(first[q], first[q + 1]):
            if above[k] != b:
                add_site(above[k], problem, nodes, row(values, extra, slot[above[k]]), side)
        for g in range(size):
            table[g] = then[g] + side[g]
    brought: Floats = then[0].copy()
    return brought


@kernel
def _nearest(x: Floats, nodes: Floats) -> int:
    """Return the node of a grid (s, width) that is nearest to an access."""
    g = 0
    for s in range(x.size):
        cell, share = place(x[s], nodes[s])
        g = g * nodes.shape[1] + cell + (1 if share > 0.5 else 0)
    return g


@kernel
def policy_of_stem(
    problem: Problem, tables: Tables, stem: Ints, units: Ints, choice: Actions, money: int, out: Ints
) -> None:
    """Write a policy that is likely best where so many units of money are there for the stem, (n,)."""
    parent, weight, first, passability, _, _, slot = problem
    nodes, values, extra = tables
    access = np.ones(weight.shape)
    ones, x = np.ones(weight.shape[1]), np.empty(weight.shape[1])
    place_on = np.full(parent.size, -1)
    for i in range(stem.size):
        place_on[stem[i]] = i
    for b in range(parent.size):
        below = ones if parent[b] < 0 else access[parent[b]]
        i = place_on[b]
        if i >= 0:
            g = 0 if parent[b] < 0 else _nearest(below, nodes[parent[b]])
            a = first[b] + choice[i, g, money]
            money -= units[a]
        else:
            a = best_here(b, below, problem, nodes, row(values, extra, slot[b]), x)[1]
        out[b] = a
        for s in range(x.size):
            access[b, s] = passability[a, s] * below[s]


@kernel
def outlet_brings(problem: Problem, tables: Tables, site: int) -> float:
    """Return what the tree of an outlet brings at the price."""
    nodes, values, extra = tables
    ones, x = np.ones(problem[1].shape[1]), np.empty(problem[1].shape[1])
    return best_here(site, ones, problem, nodes, row(values, extra, problem[6][site]), x)[0]


@kernel
def top_of(parent: Ints, amount: Floats) -> int:
    """Return the lowest site to which the way up from an outlet has the greatest sum of an amount (n,), 0 or more."""
    total = amount.copy()
    top = 0
    for b in range(parent.size):
        if parent[b] >= 0:
            total[b] += total[parent[b]]
        if total[b] > total[top]:
            top = b
    return top
