"""Kernels that take the error of the grid off: what can be had from states that policies stop at is solved one by one.

A *stop* is an access vector at one site, with a bound on what the sites above bring from there, and a policy that was
met. What can be had is convex in access, so a stop bounds what lies beside it as well: a state in the same cell is a
mix of the stop and the corners of the cell, and the bound may be mixed likewise. What a policy brings is linear in
access, so it is known beside the stop too. Where both are near enough there is no need to look further up.

Stops are a tuple of arrays, kept from one price and one set of decisions to the next:

head (n + 1,) int64 : last stop of each site, -1 for none; the entry n is for stop 0, below all outlets
link (k,) int64 : stop before it at the same site
point, share (k, s), cell (k, s) int64 : access, and where that lies on the grid of the site
level, value (k,) : bound by the grid, and bound
flat (k,), slope (k, s) : what the policy brings, less price x cost: flat + slope . access; flat is -inf without one
start (k,) int64 : row in `way` of the first site above
way (j, 2) int64 : of each site above, action of that policy and what it goes on with: the policy of a stop, -1 at a
    headwater, -2 - d for the d-th of the whole policies
used (2,) int64 : stops and ways that there are
bins (2 ** j,) int64 : last stop of each bin; a bin holds cells of sites
beside, site (k,) int64 : stop before it in its bin, and its site
whole (d, n) int64 : whole policies
whole_flat (d, n), whole_slope (d, n, s) : what each brings above each site
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.plan.kernels_path import row
from barrierrank.plan.kernels_relax import by_shares, corners_of, hull_of, place

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Problem = tuple[Ints, Floats, Ints, Floats, Floats, Bools, Ints]
Grid = tuple[Floats, Floats, Floats, Floats, Floats, float]
"""Nodes (n, s, width); tables (inner, width ** s) and extra ones at a lower price, likewise at a higher one; share of
the way between them."""
Stops = tuple[
    Ints,
    Ints,
    Floats,
    Floats,
    Ints,
    Floats,
    Floats,
    Floats,
    Floats,
    Ints,
    Ints,
    Ints,
    Ints,
    Floats,
    Floats,
    Ints,
    Ints,
    Ints,
]
Family = tuple[Ints, Ints, Ints]
"""Sites above each as rows of one array: first (n + 2,), sites, and the place of each site among its siblings."""
ASIDE = -2
"""In the place of the stop before it in its bin: the stop is in none, as others imply its bound."""
LATEST = 16
"""Stops of a site, the latest ones, whose policies are tried anywhere."""
Scratch = tuple[Floats, Floats, Ints]
Room = tuple[Ints, Floats, Ints, Ints, Bools, Floats, Floats, Floats]


@kernel
def scratch_of(species: int) -> Scratch:
    """Make room for an access vector, its cell and where it lies in that."""
    return np.empty(species), np.empty(species), np.empty(species, dtype=np.int64)


@kernel
def _mixed(at: Ints, part: Floats, grid: Grid, slot: int) -> tuple[float, float]:
    """Bounds by the grid in a cell, at a price between those of both tables: by all corners, and the least known."""
    width, share = grid[0].shape[2], grid[5]
    low, high = row(grid[1], grid[2], slot), row(grid[3], grid[4], slot)
    if at.size == 2:
        i, u, v = at[0] * width + at[1], part[0], part[1]
        j = i + width
        f00, f01 = low[i] + share * (high[i] - low[i]), low[i + 1] + share * (high[i + 1] - low[i + 1])
        f10, f11 = low[j] + share * (high[j] - low[j]), low[j + 1] + share * (high[j + 1] - low[j + 1])
        by_corners = (1.0 - u) * ((1.0 - v) * f00 + v * f01) + u * ((1.0 - v) * f10 + v * f11)
        return by_corners, min(by_corners, hull_of(f00, f01, f10, f11, u, v))
    corners, others = np.empty(1 << at.size), np.empty(1 << at.size)
    corners_of(low, at, width, corners)
    corners_of(high, at, width, others)
    for c in range(corners.size):
        corners[c] += share * (others[c] - corners[c])
        others[c] = corners[c]
    return by_shares(corners, part, False), by_shares(others, part, True)


@kernel
def bin_of(b: int, at: Ints, bins: Ints) -> int:
    """Return the bin of a cell of site b."""
    number = b
    for s in range(at.size):
        number = number * 131 + at[s]
    return (number * 2654435761 >> 15) & (bins.size - 1)


@kernel
def mix_of(k: int, at: Ints, part: Floats, stops: Stops) -> float:
    """Return the greatest share that stop k can have in a mix with the corners of its cell that makes up a state."""
    shares, cells = stops[3], stops[4]
    mix = 1.0
    for s in range(at.size):
        if cells[k, s] != at[s]:
            return 0.0
        u, v = part[s], shares[k, s]
        if u < v:
            mix *= u / v
        elif u > v:
            mix *= (1.0 - u) / (1.0 - v)
    return mix


@kernel
def _look(b: int, x: Floats, grid: Grid, slot: int, stops: Stops, scratch: Scratch) -> tuple[float, int]:
    """Bound on what the sites above b bring at access x, and the stop that is there (-1 for none)."""
    if slot < 0:
        return 0.0, -1
    level, value, bins, beside, site = stops[5], stops[6], stops[15], stops[16], stops[17]
    _, part, at = scratch
    for s in range(x.size):
        at[s], part[s] = place(x[s], grid[0][b, s])
    most, here = 0.0, -1
    k = bins[bin_of(b, at, bins)]
    while k >= 0:
        if site[k] == b:
            mix = mix_of(k, at, part, stops)
            most = max(most, mix * (level[k] - value[k]))
            if mix == 1.0 and here < 0:
                here = k
        k = beside[k]
    by_corners, least = _mixed(at, part, grid, slot)
    return min(least, by_corners - most), here


@kernel
def best_known(
    b: int, below: Floats, problem: Problem, grid: Grid, stops: Stops, scratch: Scratch
) -> tuple[float, int, int]:
    """Return the best over the actions of site b at an access below it, which, and its stop."""
    x = scratch[0]
    _, weight, first, passability, base, allowed, slot = problem
    best, chosen, stop = -np.inf, -1, -1
    for a in range(first[b], first[b + 1]):
        if not allowed[a]:
            continue
        value = base[a]
        for s in range(x.size):
            x[s] = passability[a, s] * below[s]
            value += weight[b, s] * x[s]
        above, k = _look(b, x, grid, slot[b], stops, scratch)
        value += above
        if chosen < 0 or value > best:
            best, chosen, stop = value, a, k
    return best, chosen, stop


@kernel
def lay(k: int, grid: Grid, slot: int, stops: Stops) -> None:
    """Find the bound by the grid at stop k."""
    stops[5][k] = _mixed(stops[4][k], stops[3][k], grid, slot)[0]


@kernel
def put_in_bin(b: int, k: int, stops: Stops) -> None:
    """Put stop k of site b in its bin."""
    bins, beside, site = stops[15], stops[16], stops[17]
    at = bin_of(b, stops[4][k], bins)
    beside[k] = bins[at]
    bins[at] = k
    site[k] = b


@kernel
def _brings(k: int, x: Floats, stops: Stops) -> float:
    """Return what the policy of a stop brings from access x at its site."""
    value = float(stops[7][k])
    for s in range(x.size):
        value += stops[8][k, s] * x[s]
    return value


@kernel
def _known(b: int, x: Floats, grid: Grid, stops: Stops, scratch: Scratch) -> tuple[float, int]:
    """Return what the best policy known from near access x of site b brings there, and its stop; -inf without one.

    Looked at are the stops of the cell, the latest ones of the site, and the whole policies.
    """
    head, link, flat, bins, beside, site = stops[0], stops[1], stops[7], stops[15], stops[16], stops[17]
    at = scratch[2]
    for s in range(x.size):
        at[s], _ = place(x[s], grid[0][b, s])
    best, chosen = -np.inf, -1
    k = bins[bin_of(b, at, bins)]
    while k >= 0:
        if site[k] == b and flat[k] > -np.inf:
            value = _brings(k, x, stops)
            if value > best:
                best, chosen = value, k
        k = beside[k]
    k, left = head[b], LATEST
    while k >= 0 and left > 0:
        left -= 1
        if flat[k] > -np.inf:
            value = _brings(k, x, stops)
            if value > best:
                best, chosen = value, k
        k = link[k]
    for d in range(stops[12].shape[0]):
        value = stops[13][d, b]
        for s in range(x.size):
            value += stops[14][d, b, s] * x[s]
        if value > best:
            best, chosen = value, -2 - d
    return best, chosen


@kernel
def goes_on(b: int, then: int, stops: Stops, slope: Floats) -> float:
    """Return what the policy that goes on above site b brings whatever the access; write what it brings per access."""
    if then == -1:
        slope[:] = 0.0
        return 0.0
    if then >= 0:
        slope[:] = stops[8][then]
        return float(stops[7][then])
    slope[:] = stops[14][-2 - then, b]
    return float(stops[13][-2 - then, b])


@kernel
def lines_of(problem: Problem, policy: Ints, flat: Floats, slope: Floats) -> None:
    """Write what a policy brings above each site (n,), -inf if it is not allowed, and per access just above (n, s)."""
    parent, weight, _, passability, base, allowed, _ = problem
    flat[:], slope[:] = 0.0, 0.0
    for b in range(parent.size - 1, -1, -1):
        a, down = policy[b], parent[b]
        if down < 0:
            continue
        flat[down] += flat[b] + base[a] if allowed[a] else -np.inf
        for s in range(weight.shape[1]):
            slope[down, s] += passability[a, s] * (weight[b, s] + slope[b, s])


@kernel
def _new_stop(b: int, x: Floats, above: float, grid: Grid, slot: int, stops: Stops, family: Family) -> int:
    """Note a stop of site b at access x, bounded by `above`."""
    head, link, point, value, flat, start, used = (
        stops[0], stops[1], stops[2], stops[6], stops[7], stops[9], stops[11],
    )  # fmt: skip
    k = used[0]
    used[0] += 1
    link[k] = head[b]
    head[b] = k
    point[k] = x
    for s in range(x.size):
        stops[4][k, s], stops[3][k, s] = place(x[s], grid[0][b, s])
    stops[16][k], stops[17][k] = ASIDE, b
    lay(k, grid, slot, stops)
    value[k] = min(above, stops[5][k])
    flat[k] = -np.inf
    start[k] = used[1]
    used[1] += family[0][b + 1] - family[0][b]
    return int(k)


@kernel
def _walk(
    problem: Problem, grid: Grid, stops: Stops, family: Family, room: Room, share: Floats, leave: float
) -> None:
    """Follow the best policy from the outlets up as far as anything is open, and note its states as stops."""
    parent, weight, _, passability, _, _, slot = problem
    choice, access, at, follows, active = room[:5]
    scratch, ones = scratch_of(weight.shape[1]), np.ones(weight.shape[1])
    x = scratch[0]
    for b in range(parent.size):
        active[b] = False
        if parent[b] >= 0 and not active[parent[b]]:
            continue
        below = access[parent[b]] if parent[b] >= 0 else ones
        _, chosen, k = best_known(b, below, problem, grid, stops, scratch)
        choice[b], at[b], follows[b] = chosen, k, -1
        for s in range(x.size):
            access[b, s] = passability[chosen, s] * below[s]
        if slot[b] < 0:
            continue
        above, _ = _look(b, access[b], grid, slot[b], stops, scratch)
        brings, follows[b] = _known(b, access[b], grid, stops, scratch)
        active[b] = above - brings > share[b] * leave
        if active[b] and k < 0:
            at[b] = _new_stop(b, access[b], above, grid, slot[b], stops, family)


@kernel
def look_round(
    problem: Problem, grid: Grid, stops: Stops, family: Family, room: Room, share: Floats, leave: float
) -> None:
    """Follow the best policy up, work out its stops again on the way back; what is closed is not gone through.

    Parameters
    ----------
    problem : Problem
    grid : Grid
        Tables solved by :func:`barrierrank.plan.kernels_relax.relax`: what can be had is convex in the price as well.
    stops : Stops
        Written. Must have room for two more stops, and the ways from them, at every site.
    family : Family
    room : choice (n,), access (n, s), stop (n,), stop whose policy follows (n,), whether followed (n,), and two
        of (n + 1,), one of (n + 1, s)
        Scratch.
    share : (n,)
        Share of the sites that lie above each.
    leave : float
        What may stay open in all.
    """
    parent, weight, passability, base, slot = problem[0], problem[1], problem[3], problem[4], problem[6]
    n = parent.size
    choice, access, at, follows, active, fresh, brought, per = room
    point, value, flat, slope = stops[2], stops[6], stops[7], stops[8]
    _walk(problem, grid, stops, family, room, share, leave)
    scratch, ones, onward = scratch_of(weight.shape[1]), np.ones(weight.shape[1]), np.empty(weight.shape[1])
    x = scratch[0]
    fresh[:], brought[:], per[:] = 0.0, 0.0, 0.0
    for b in range(n, -1, -1):
        c = b - 1 if b > 0 else n  # stop 0 below all outlets comes last
        if c == n or active[c]:
            k = 0 if c == n else at[c]
            if c < n and stops[16][k] == ASIDE and value[k] - fresh[c] > share[c] * leave:
                put_in_bin(c, k, stops)
            value[k] = min(value[k], fresh[c])
            more = brought[c] - flat[k]
            for s in range(x.size):
                more += (per[c, s] - slope[k, s]) * point[k, s]
            if more > 0.0 or flat[k] == -np.inf:
                if c < n and flat[k] > -np.inf:  # others go on with the policy that is there
                    k = _new_stop(c, point[k], value[k], grid, slot[c], stops, family)
                flat[k] = brought[c]
                slope[k] = per[c]
                _note_ways(c, k, stops, family, room)
            if c < n:
                brings, follows[c] = _known(c, access[c], grid, stops, scratch)
                if _brings(k, access[c], stops) > brings:
                    follows[c] = k
        if c == n or (parent[c] >= 0 and not active[parent[c]]):
            continue
        below = access[parent[c]] if parent[c] >= 0 else ones
        down = parent[c] if parent[c] >= 0 else n
        fresh[down] += best_known(c, below, problem, grid, stops, scratch)[0]
        brought[down] += base[choice[c]] + goes_on(c, follows[c], stops, onward)
        for s in range(x.size):
            per[down, s] += passability[choice[c], s] * (weight[c, s] + onward[s])


@kernel
def _note_ways(b: int, k: int, stops: Stops, family: Family, room: Room) -> None:
    """Note at stop k of site b what the policy that was followed does at the sites above."""
    first, above, _ = family
    start, way = stops[9], stops[10]
    for i in range(first[b], first[b + 1]):
        way[start[k] + i - first[b]] = (room[0][above[i]], room[3][above[i]])
