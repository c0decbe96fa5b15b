"""Kernels of plans: what a choice of actions brings, and how it is bettered step by step."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SLACK = 1e-12
"""Share of budget or cap that is rounding."""
LEAST_GAIN = 1e-12
"""Gain that is rounding."""


@kernel
def access_of(parent: Ints, passability: Floats, choice: Ints) -> Floats:
    """Return access just above each site (n, s)."""
    n = parent.size
    out = np.empty((n, passability.shape[1]))
    for b in range(n):
        for s in range(out.shape[1]):
            out[b, s] = passability[choice[b], s] * (out[parent[b], s] if parent[b] >= 0 else 1.0)
    return out


@kernel
def sums_above(
    parent: Ints, weight: Floats, passability: Floats, worth: Floats, cost: Floats, choice: Ints
) -> tuple[Floats, Floats, Floats, Floats]:
    """Sum what a choice brings from the headwaters down.

    Returns
    -------
    above : (n, s)
        Worth per unit of access just above each site: its own fragment and all above.
    below : (n, s)
        Likewise per unit of access just below.
    flat : (n,)
        Worth of the actions themselves, site and above.
    spent : (n,)
        Cost, site and above.
    """
    n, n_species = weight.shape
    above = weight.copy()
    below = np.empty((n, n_species))
    flat, spent = np.empty(n), np.empty(n)
    for b in range(n):
        flat[b], spent[b] = worth[choice[b]], cost[choice[b]]
    for b in range(n - 1, -1, -1):
        for s in range(n_species):
            below[b, s] = passability[choice[b], s] * above[b, s]
        if parent[b] >= 0:
            for s in range(n_species):
                above[parent[b], s] += below[b, s]
            flat[parent[b]] += flat[b]
            spent[parent[b]] += spent[b]
    return above, below, flat, spent


@kernel
def worth_and_cost(
    parent: Ints, weight: Floats, passability: Floats, worth: Floats, cost: Floats, choice: Ints
) -> tuple[float, float]:
    """Return what a choice brings and costs."""
    access = access_of(parent, passability, choice)
    total, spent = 0.0, 0.0
    for b in range(parent.size):
        total += worth[choice[b]]
        spent += cost[choice[b]]
        for s in range(weight.shape[1]):
            total += weight[b, s] * access[b, s]
    return total, spent


@kernel
def _copy_above(parent: Ints, top: int, choice: Ints, pattern: Ints) -> None:
    """Choose as in the pattern at a site and all above it."""
    inside = np.zeros(parent.size, dtype=np.bool_)
    for b in range(top, parent.size):
        inside[b] = b == top or (parent[b] >= 0 and inside[parent[b]])
        if inside[b]:
            choice[b] = pattern[b]


@kernel
def _excess(spent: float, budget: float, exposed: float, cap: float) -> float:
    """How far a choice is beyond budget and cap, as a share of each."""
    out = 0.0
    if spent > budget:
        out += (spent - budget) / max(budget, 1e-300)
    if exposed > cap:
        out += (exposed - cap) / max(cap, 1e-300)
    return out


@kernel
def _merit(gain: float, more: float, excess: float, then: float) -> float:
    """How good a move is, 0 where it is not to be made; moves that cost nothing come first."""
    if excess > SLACK:
        if then > excess - SLACK:
            return 0.0
        return 1e300 if gain >= 0.0 else (excess - then) / -gain
    if then > SLACK or gain <= LEAST_GAIN:
        return 0.0
    return 1e290 * (1.0 + gain / (1.0 + gain)) if more <= 0.0 else gain / more


@kernel
def improve(
    tree: tuple[Ints, Floats, Ints, Floats], worth: Floats, cost: Floats, exposure: Floats, allowed: Bools,
    choice: Ints, patterns: Ints, budget: float, cap: float, most: int,
) -> Ints:  # fmt: skip
    """Bring a choice within budget and cap at the least loss, then spend what is left as well as single moves can.

    Moves: another action at one site; a site and all above it as in one of the patterns.

    Parameters
    ----------
    tree : parent (n,), weight (n, s), first (n + 1,), passability (m, s)
    worth, cost, allowed : (m,)
    exposure : (n, s)
        Per unit of access, what the cap is on.
    choice, patterns : (n,), (q, n) int64
    budget, cap : float
        `cap` is infinite where there is none.
    most : int
        Moves at most.

    Returns
    -------
    (n,) int64
        A choice; beyond budget or cap still only where no move brings it nearer.
    """
    parent, weight, first, passability = tree
    n, n_species = weight.shape
    choice = choice.copy()
    q = patterns.shape[0]
    capped = np.isfinite(cap)
    p_below, p_under = np.empty((q, n, n_species)), np.zeros((q, n, n_species))
    p_flat, p_spent = np.empty((q, n)), np.empty((q, n))
    for k in range(q):
        _, p_below[k], p_flat[k], p_spent[k] = sums_above(parent, weight, passability, worth, cost, patterns[k])
        if capped:
            _, p_under[k], _, _ = sums_above(parent, exposure, passability, worth, cost, patterns[k])
    start = np.ones(n_species)
    for _ in range(most):
        above, below, flat, spent = sums_above(parent, weight, passability, worth, cost, choice)
        e_above, e_below = above, below
        if capped:
            e_above, e_below, _, _ = sums_above(parent, exposure, passability, worth, cost, choice)
        access = access_of(parent, passability, choice)
        total, exposed = 0.0, 0.0
        for b in range(n):
            total += cost[choice[b]]
            if capped and parent[b] < 0:
                for s in range(n_species):
                    exposed += e_below[b, s]
        excess = _excess(total, budget, exposed, cap)
        best, move_site, move_to = 0.0, -1, -1
        for b in range(n):
            x = access[parent[b]] if parent[b] >= 0 else start
            now = choice[b]
            for move in range(first[b], first[b + 1] + q):
                k = move - first[b + 1]
                wider = 0.0
                if k < 0:
                    if not allowed[move] or move == now:
                        continue
                    gain, more = worth[move] - worth[now], cost[move] - cost[now]
                    for s in range(n_species):
                        shift = x[s] * (passability[move, s] - passability[now, s])
                        gain += shift * above[b, s]
                        if capped:
                            wider += shift * e_above[b, s]
                else:
                    gain, more = p_flat[k, b] - flat[b], p_spent[k, b] - spent[b]
                    for s in range(n_species):
                        gain += x[s] * (p_below[k, b, s] - below[b, s])
                        if capped:
                            wider += x[s] * (p_under[k, b, s] - e_below[b, s])
                then = _excess(total + more, budget, exposed + wider, cap)
                merit = _merit(gain, more, excess, then)
                if merit > best:
                    best, move_site, move_to = merit, b, move
        if move_site < 0:
            break
        k = move_to - first[move_site + 1]
        if k < 0:
            choice[move_site] = move_to
        else:
            _copy_above(parent, move_site, choice, patterns[k])
    return choice
