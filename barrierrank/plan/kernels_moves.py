"""Kernels of plans: what a choice of actions brings, and how it is bettered step by step."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Tree = tuple[Ints, Floats, Ints, Floats]
Amounts = tuple[Floats, Floats, Floats, Bools]
Pair = tuple[Floats, Floats]
Patterns = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats]
Limits = tuple[float, float, float, float, float]
State = tuple[Floats, Pair, Pair, Floats, Floats]
Moves = tuple[Bools, Floats, Ints, Floats, Floats]

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
def _inside(parent: Ints, top: int, inside: Bools) -> None:
    """Mark a site and all above it; nothing below it is looked at."""
    inside[top] = True
    for b in range(top + 1, parent.size):
        inside[b] = parent[b] >= top and inside[parent[b]]


@kernel
def _sum_inside(
    parent: Ints, own: Floats, passability: Floats, choice: Ints, top: int, inside: Bools, sums: Pair
) -> None:
    """Sum an amount per access (n, s) again at a site and all above it: just above each site, just below each."""
    above, below = sums
    for b in range(top, parent.size):
        if inside[b]:
            above[b] = own[b]
    for b in range(parent.size - 1, top, -1):
        if inside[b]:
            for s in range(own.shape[1]):
                below[b, s] = passability[choice[b], s] * above[b, s]
                above[parent[b], s] += below[b, s]


@kernel
def _sum_below(parent: Ints, passability: Floats, choice: Ints, top: int, sums: Pair) -> None:
    """Sum again from a site down to the outlet."""
    above, below = sums
    b = top
    while b >= 0:
        for s in range(above.shape[1]):
            now = passability[choice[b], s] * above[b, s]
            if parent[b] >= 0:
                above[parent[b], s] += now - below[b, s]
            below[b, s] = now
        b = parent[b]


@kernel
def _add_inside(parent: Ints, own: Floats, choice: Ints, top: int, inside: Bools, sums: Floats) -> float:
    """Add an amount of actions up again at a site and all above it; return by how much it changes at the site."""
    before = sums[top]
    for b in range(top, parent.size):
        if inside[b]:
            sums[b] = own[choice[b]]
    for b in range(parent.size - 1, top, -1):
        if inside[b]:
            sums[parent[b]] += sums[b]
    return float(sums[top] - before)


@kernel
def _make_move(
    tree: Tree,
    amounts: Amounts,
    choice: Ints,
    top: int,
    move: int,
    pattern: Ints,
    inside: Bools,
    state: State,
) -> None:
    """Make a move at a site, another action or a pattern from there up, and work out again what it has to do with."""
    parent, weight, _, passability = tree
    worth, cost, exposure, _ = amounts
    access, summed, exposed, flat, spent = state
    _inside(parent, top, inside)
    if move >= 0:
        more, dearer = worth[move] - worth[choice[top]], cost[move] - cost[choice[top]]
        choice[top] = move
        flat[top] += more
        spent[top] += dearer
    else:
        for b in range(top, parent.size):
            if inside[b]:
                choice[b] = pattern[b]
        more = _add_inside(parent, worth, choice, top, inside, flat)
        dearer = _add_inside(parent, cost, choice, top, inside, spent)
        _sum_inside(parent, weight, passability, choice, top, inside, summed)
        _sum_inside(parent, exposure, passability, choice, top, inside, exposed)
    b = parent[top]
    while b >= 0:
        flat[b] += more
        spent[b] += dearer
        b = parent[b]
    _sum_below(parent, passability, choice, top, summed)
    _sum_below(parent, passability, choice, top, exposed)
    for b in range(top, parent.size):
        if inside[b]:
            for s in range(access.shape[1]):
                access[b, s] = passability[choice[b], s] * (access[parent[b], s] if parent[b] >= 0 else 1.0)


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
def _changes(
    tree: Tree,
    amounts: Amounts,
    choice: Ints,
    below: Pair,
    above: Pair,
    patterns: Patterns,
    b: int,
    move: int,
) -> tuple[float, float, float]:
    """Return by how much worth, cost and exposure change with a move at site b."""
    parent, _, first, passability = tree
    worth, cost = amounts[0], amounts[1]
    p_below, p_under, p_flat, p_spent, flat, spent, access = patterns
    k, now = move - first[b + 1], choice[b]
    gain, more, wider = 0.0, 0.0, 0.0
    if k < 0:
        gain, more = worth[move] - worth[now], cost[move] - cost[now]
    else:
        gain, more = p_flat[k, b] - flat[b], p_spent[k, b] - spent[b]
    for s in range(passability.shape[1]):
        x = access[parent[b], s] if parent[b] >= 0 else 1.0
        if k < 0:
            shift = x * (passability[move, s] - passability[now, s])
            gain += shift * above[0][b, s]
            wider += shift * above[1][b, s]
        else:
            gain += x * (p_below[k, b, s] - below[0][b, s])
            wider += x * (p_under[k, b, s] - below[1][b, s])
    return gain, more, wider


@kernel
def _look_again(
    tree: Tree, amounts: Amounts, choice: Ints, below: Pair, above: Pair, patterns: Patterns, limits: Limits,
    moves: Moves,
) -> int:  # fmt: skip
    """Find the best move of every site that is stale or whose move does not fit any more; return how many.

    `moves` is written: whether stale, merit (0 for none), the move, what it changes in cost and in exposure.
    """
    first, allowed = tree[2], amounts[3]
    budget, cap, total, exposed, excess = limits
    stale, merits, chosen, dearer, wider = moves
    looked = 0
    for b in range(choice.size):
        then = _excess(total + dearer[b], budget, exposed + wider[b], cap)
        if not stale[b] and (merits[b] <= 0.0 or then <= SLACK):
            continue
        stale[b] = False
        looked += 1
        merits[b] = 0.0
        for move in range(first[b], first[b + 1] + patterns[0].shape[0]):
            if move < first[b + 1] and (not allowed[move] or move == choice[b]):
                continue
            gain, more, out = _changes(tree, amounts, choice, below, above, patterns, b, move)
            merit = _merit(gain, more, excess, _excess(total + more, budget, exposed + out, cap))
            if merit > merits[b]:
                merits[b], chosen[b], dearer[b], wider[b] = merit, move, more, out
    return looked


@kernel
def _touch(parent: Ints, site: int, inside: Bools, stale: Bools) -> None:
    """Note the sites for which a move at a site changes anything: those on the way down, and all above it."""
    b = site
    while b >= 0:
        stale[b] = True
        b = parent[b]
    for b in range(site + 1, parent.size):
        stale[b] |= inside[b]


@kernel
def improve(
    tree: Tree,
    amounts: Amounts,
    choice: Ints,
    patterns: Ints,
    limits: tuple[float, float],
    most: tuple[int, int],
) -> Ints:
    """Bring a choice within budget and cap at the least loss, then spend what is left as well as single moves can.

    Moves: another action at one site; a site and all above it as in one of the patterns. Once within the limits, only
    sites that a move has to do with are looked at again.

    Parameters
    ----------
    tree : parent (n,), weight (n, s), first (n + 1,), passability (m, s)
    amounts : worth (m,), cost (m,), exposure (n, s), allowed (m,)
        Exposure is what the cap is on, per unit of access.
    choice, patterns : (n,), (q, n) int64
    limits : budget and cap
        Infinite where there is none.
    most : (int, int)
        Moves at most, and sites looked at by then after which a choice is good enough.

    Returns
    -------
    (n,) int64
        A choice; it may be beyond budget or cap still.
    """
    parent, weight, first, passability = tree
    worth, cost, exposure, _ = amounts
    n, q = parent.size, patterns.shape[0]
    choice = choice.copy()
    p_below, p_under = np.empty((q, n, weight.shape[1])), np.empty((q, n, weight.shape[1]))
    p_flat, p_spent = np.empty((q, n)), np.empty((q, n))
    for k in range(q):
        _, p_below[k], p_flat[k], p_spent[k] = sums_above(
            parent, weight, passability, worth, cost, patterns[k]
        )
        _, p_under[k], _, _ = sums_above(parent, exposure, passability, worth, cost, patterns[k])
    stale, merit, move = np.ones(n, dtype=np.bool_), np.zeros(n), np.zeros(n, dtype=np.int64)
    dearer, wider, inside = np.zeros(n), np.zeros(n), np.zeros(n, dtype=np.bool_)
    above, below, flat, spent = sums_above(parent, weight, passability, worth, cost, choice)
    e_above, e_below, _, _ = sums_above(parent, exposure, passability, worth, cost, choice)
    state = (access_of(parent, passability, choice), (above, below), (e_above, e_below), flat, spent)
    before, work = np.inf, 0
    for _ in range(most[0]):
        total, exposed = 0.0, 0.0
        for b in range(n):
            total += cost[choice[b]]
            exposed += e_below[b].sum() if parent[b] < 0 else 0.0
        excess = _excess(total, limits[0], exposed, limits[1])
        if excess > SLACK or total + exposed < before:  # what did not fit may fit now
            stale[:] = True
        before = total + exposed
        if work > most[1]:
            break
        work += _look_again(
            tree, amounts, choice, (below, e_below), (above, e_above),
            (p_below, p_under, p_flat, p_spent, flat, spent, state[0]),
            (limits[0], limits[1], total, exposed, excess), (stale, merit, move, dearer, wider),
        )  # fmt: skip
        top = int(np.argmax(merit))
        if merit[top] <= 0.0:
            break
        k = move[top] - first[top + 1]
        single, pattern = (move[top], choice) if k < 0 else (-1, patterns[k])
        _make_move(tree, amounts, choice, top, single, pattern, inside, state)
        _touch(parent, top, inside, stale)
    return choice
