"""Kernels that take the error of the grid off: states that policies really stop at are solved exactly, one by one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_relax import read

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Problem = tuple[Ints, Floats, Ints, Floats, Floats, Bools, Ints]
Grid = tuple[Floats, Floats]
Stops = tuple[Ints, Floats, Floats]

LEAST_HEADWAY = 0.1
"""Share of what is open that a round must take off for another to be worth its time."""


@kernel
def _find(b: int, x: Floats, stops: Stops) -> int:
    """Return which stop of site b is at access x, -1 for none."""
    count, points, _ = stops
    for k in range(count[b] - 1, -1, -1):
        same = True
        for s in range(x.size):
            if points[b, k, s] != x[s]:
                same = False
                break
        if same:
            return k
    return -1


@kernel
def _look(b: int, x: Floats, grid: Grid, slot: int, stops: Stops) -> float:
    """Bound on what the sites above b bring at access x: of a stop where there is one, else of the grid."""
    if slot < 0:
        return 0.0
    k = _find(b, x, stops)
    if k >= 0:
        return float(stops[2][b, k])
    return read(grid[1][slot], x, grid[0][b])


@kernel
def _best(b: int, below: Floats, problem: Problem, grid: Grid, stops: Stops, x: Floats) -> tuple[float, int]:
    """Return the best over the actions of site b at an access below it, and which; `x` (s,) is written over."""
    _, weight, first, passability, base, allowed, slot = problem
    best, chosen = -np.inf, -1
    for a in range(first[b], first[b + 1]):
        if not allowed[a]:
            continue
        value = base[a]
        for s in range(x.size):
            x[s] = passability[a, s] * below[s]
            value += weight[b, s] * x[s]
        value += _look(b, x, grid, slot[b], stops)
        if chosen < 0 or value > best:
            best, chosen = value, a
    return best, chosen


@kernel
def _walk(problem: Problem, grid: Grid, stops: Stops, choice: Ints, access: Floats) -> float:
    """Follow the best policy from the outlets up, note its states as stops; return what it really brings."""
    parent, weight, _, passability, base, _, slot = problem
    count, points, values = stops
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    reached = 0.0
    for b in range(parent.size):
        below = access[parent[b]] if parent[b] >= 0 else start
        _, chosen = _best(b, below, problem, grid, stops, x)
        choice[b] = chosen
        reached += base[chosen]
        for s in range(x.size):
            access[b, s] = passability[chosen, s] * below[s]
            reached += weight[b, s] * access[b, s]
        if slot[b] >= 0 and count[b] < points.shape[1] and _find(b, access[b], stops) < 0:
            values[b, count[b]] = read(grid[1][slot[b]], access[b], grid[0][b])
            points[b, count[b]] = access[b]
            count[b] += 1
    return reached


@kernel
def _back(problem: Problem, grid: Grid, stops: Stops, access: Floats) -> float:
    """Work out the stops of a policy again from the headwaters down; return the bound at the outlets."""
    parent, weight, slot = problem[0], problem[1], problem[6]
    values = stops[2]
    x, start = np.empty(weight.shape[1]), np.ones(weight.shape[1])
    fresh = np.zeros(parent.size)
    total = 0.0
    for b in range(parent.size - 1, -1, -1):
        if slot[b] >= 0:
            k = _find(b, access[b], stops)
            if k >= 0:
                values[b, k] = min(values[b, k], fresh[b])
        below = access[parent[b]] if parent[b] >= 0 else start
        best, _ = _best(b, below, problem, grid, stops, x)
        if parent[b] >= 0:
            fresh[parent[b]] += best
        else:
            total += best
    return total


@kernel
def sharpen(
    problem: Problem, grid: Grid, bound: float, rounds: int, tolerance: float, mark: float
) -> tuple[float, float, Ints]:
    """Take the error of the grid off along the policies that it suggests, until bound and policy meet.

    Every round follows the best policy, notes the access it really has above each site and works out what can be
    had there from these states; the next round may suggest another policy.

    Parameters
    ----------
    problem : Problem
    grid : grids (n, s, width) and tables (inner, nodes)
        Solved by :func:`barrierrank.plan.kernels_relax.relax`.
    bound : float
        By the grid.
    rounds : int
        At most.
    tolerance : float
        Difference of bound and policy that is left alone.
    mark : float
        Stop as well once it is known on which side of this the truth lies; NaN for no such thing.

    Returns
    -------
    bound : float
    reached : float
        What the best policy that was met brings, less price x cost.
    policy : (n,) int64
    """
    n, n_species = problem[1].shape
    stops = (np.zeros(n, dtype=np.int64), np.empty((n, rounds, n_species)), np.empty((n, rounds)))
    choice, access = np.empty(n, dtype=np.int64), np.empty((n, n_species))
    best, reached = choice.copy(), -np.inf
    for _ in range(rounds):
        now = _walk(problem, grid, stops, choice, access)
        if now > reached:
            reached = now
            best[:] = choice
        if bound - reached <= tolerance or reached > mark:
            break
        before = bound
        bound = min(bound, _back(problem, grid, stops, access))
        if (
            bound - reached <= tolerance
            or bound <= mark
            or before - bound < LEAST_HEADWAY * (bound - reached)
        ):
            break
    return bound, reached, best
