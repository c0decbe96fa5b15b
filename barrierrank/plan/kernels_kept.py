"""Kernels that keep stops from one price or set of decisions to the next: worked out again, followed, or forgotten."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_stops import (
    ASIDE,
    Family,
    Grid,
    Problem,
    Stops,
    best_known,
    bin_of,
    goes_on,
    lay,
    mix_of,
    put_in_bin,
    scratch_of,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def renew(problem: Problem, grid: Grid, stops: Stops, family: Family, valid: bool) -> None:
    """Work all stops out again for another grid, price or set of decisions.

    Parameters
    ----------
    problem, grid, stops, family
        As for :func:`barrierrank.plan.kernels_stops.look_round`.
    valid : bool
        Whether the bounds that are there hold still: the price is the same and nothing more is allowed.
    """
    weight, slot = problem[1], problem[6]
    head, link, point, level, value = stops[0], stops[1], stops[2], stops[5], stops[6]
    first, above, _ = family
    n = weight.shape[0]
    scratch = scratch_of(weight.shape[1])
    for b in range(n, -1, -1):
        down = b - 1 if b > 0 else n
        k = int(head[down])
        while k >= 0:
            if down < n:
                lay(k, grid, int(slot[down]), stops)
                value[k] = min(value[k], level[k]) if valid else level[k]
            elif not valid:
                value[k] = np.inf
            k = int(link[k])
        k = int(head[down])
        while k >= 0:
            bound = 0.0
            for i in range(first[down], first[down + 1]):
                bound += best_known(above[i], point[k], problem, grid, stops, scratch)[0]
            value[k] = min(value[k], bound)
            _renew_policy(down, k, problem, stops, family)
            k = int(link[k])


@kernel
def _renew_policy(b: int, k: int, problem: Problem, stops: Stops, family: Family) -> None:
    """Work out again what the policy of stop k of site b brings; it goes where it is not allowed any more."""
    _, weight, _, passability, base, allowed, _ = problem
    flat, slope, start, way = stops[7], stops[8], stops[9], stops[10]
    first, above, _ = family
    if flat[k] == -np.inf:
        return
    flat[k], slope[k] = 0.0, 0.0
    onward = np.empty(slope.shape[1])
    for i in range(first[b], first[b + 1]):
        a, then = way[start[k] + i - first[b]]
        more = goes_on(above[i], then, stops, onward)
        if not allowed[a] or more == -np.inf:
            flat[k], slope[k] = -np.inf, 0.0
            return
        flat[k] += base[a] + more
        for s in range(slope.shape[1]):
            slope[k, s] += passability[a, s] * (weight[above[i], s] + onward[s])


@kernel
def policy_of(parent: Ints, stops: Stops, family: Family, choice: Ints) -> None:
    """Write the policy of stop 0."""
    start, way = stops[9], stops[10]
    at = np.empty(parent.size + 1, dtype=np.int64)
    at[parent.size] = 0
    for b in range(parent.size):
        down = parent[b] if parent[b] >= 0 else parent.size
        if at[down] >= 0:
            choice[b], at[b] = way[start[at[down]] + family[2][b]]
        else:
            choice[b], at[b] = stops[12][-2 - at[down], b], at[down]


@kernel
def _mark_policy(stops: Stops, family: Family, number: Ints) -> None:
    """Mark the stops that the policy of stop 0 goes through."""
    head, link, flat, start, way = stops[0], stops[1], stops[7], stops[9], stops[10]
    first = family[0]
    n = head.size - 1
    number[0] = 0
    for b in range(n + 1):
        site = b - 1 if b > 0 else n  # from the outlets up, so that who goes on with a stop comes before it
        k = head[site]
        while k >= 0:
            if number[k] == 0 and flat[k] > -np.inf:
                for i in range(first[site + 1] - first[site]):
                    then = way[start[k] + i, 1]
                    if then >= 0:
                        number[then] = 0
            k = link[k]


@kernel
def keep_useful(stops: Stops, family: Family, share: Floats, leave: float) -> Ints:
    """Choose the stops whose bound others do not imply, and those that the policy of stop 0 goes through.

    Parameters
    ----------
    stops, family, share
        As for :func:`barrierrank.plan.kernels_stops.look_round`.
    leave : float
        What the others may imply less, in all.

    Returns
    -------
    (k,) int64
        New number of each stop, -1 for those that are not kept.
    """
    shares, cells, level, value, used = stops[3], stops[4], stops[5], stops[6], stops[11]
    bins, beside, site = stops[15], stops[16], stops[17]
    number = np.full(used[0], -1)
    _mark_policy(stops, family, number)
    count = 1
    for k in range(1, used[0]):
        b, implied = site[k], 0.0
        j = bins[bin_of(b, cells[k], bins)]
        while j >= 0 and number[k] < 0:
            if site[j] == b and number[j] >= 0 and j != k:
                implied = max(implied, mix_of(j, cells[k], shares[k], stops) * (level[j] - value[j]))
            j = beside[j]
        if number[k] >= 0 or (beside[k] != ASIDE and level[k] - implied > value[k] + leave * share[b]):
            number[k] = count
            count += 1
    return number


@kernel
def move(old: Stops, new: Stops, number: Ints, family: Family) -> None:
    """Copy stops to where there are none yet, each to its new number.

    Parameters
    ----------
    old, new : Stops
        `new` is written.
    number : (k,) int64
        Of :func:`keep_useful`.
    family : Family
    """
    first = family[0]
    n = old[0].size - 1
    start, way, used = new[9], new[10], new[11]
    used[:] = 0
    for b in range(n, -1, -1):
        site = (
            b - 1 if b > 0 else n
        )  # from the headwaters down: a policy goes where what it goes on with does
        kids = first[site + 1] - first[site]
        k, latest = old[0][site], -1
        new[0][site] = -1
        while k >= 0:
            j = number[k]
            if j >= 0:
                new[2][j], new[3][j], new[4][j] = old[2][k], old[3][k], old[4][k]
                new[5][j], new[6][j], new[7][j], new[8][j] = old[5][k], old[6][k], old[7][k], old[8][k]
                new[1][j] = -1
                if site < n:
                    put_in_bin(site, j, new)
                if latest >= 0:
                    new[1][latest] = j
                else:
                    new[0][site] = j
                latest = j
                start[j] = used[1]
                for i in range(kids):
                    action, then = old[10][old[9][k] + i]
                    if then >= 0:
                        then = number[then]
                        if then < 0 or new[7][then] == -np.inf:
                            new[7][j] = -np.inf
                    way[used[1] + i] = (action, then)
                used[0] += 1
                used[1] += kids
            k = old[1][k]
