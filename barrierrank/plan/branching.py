"""Where to decide next: the sites that matter most to what is still open."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves
from barrierrank.plan.demands import Demands
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CANDIDATES = 4
"""Sites that are weighed before one is decided."""


def differing(tree: PlanTree, under: Ints, over: Ints) -> list[tuple[int, int]]:
    """Return the few sites where two policies differ most in cost, with the action of the dear one."""
    sites = np.flatnonzero(under != over)
    apart = np.abs(tree.cost[over[sites]] - tree.cost[under[sites]])
    most = sites[np.lexsort((sites, -apart))][:CANDIDATES]
    return [(b, int(over[b])) for b in most.tolist()]


def spread_most(demands: Demands, allowed: Bools, policy: Ints) -> list[tuple[int, int]]:
    """Return the site where the actions that are left differ most in what they can mean, with that of a policy."""
    tree = demands.tree
    starts = tree.first[:-1]
    above, _, _, _ = kernels_moves.sums_above(
        tree.parent,
        np.abs(tree.weight) + demands.exposed,
        tree.passability,
        tree.worth,
        tree.cost,
        policy,
    )
    access = kernels_moves.access_of(tree.parent, tree.passability, policy)
    below = np.where((tree.parent >= 0)[:, None], access[tree.parent], 1.0)
    spread = np.zeros(len(tree))
    amounts: list[tuple[Floats, Floats]] = [(tree.worth, np.ones(len(tree)))]
    amounts += [(tree.passability[:, s], below[:, s] * above[:, s]) for s in range(tree.species)]
    for values, scale in amounts:
        high = np.maximum.reduceat(np.where(allowed, values, -np.inf), starts)
        low = np.minimum.reduceat(np.where(allowed, values, np.inf), starts)
        spread += (high - low) * scale
    open_ = np.add.reduceat(allowed.astype(np.int64), starts) > 1
    if not open_.any():
        return []
    site = int(np.argmax(np.where(open_, spread, -1.0)))
    return [(site, int(policy[site]))]


def most_exposed(demands: Demands, allowed: Bools, kept: Ints | None, beyond: Ints | None) -> Bools | None:
    """Return the actions, of the site that matters most to exposure, that let less past than a policy beyond the cap.

    Parameters
    ----------
    demands : Demands
    allowed : (m,) bool
    kept, beyond : (n,) int64, optional
        Policies within the cap and beyond it; without the first, the least that is allowed stands for it.

    Returns
    -------
    (m,) bool, or None where no site of them matters.
    """
    if beyond is None:
        return None
    tree = demands.tree
    above, _, _, _ = kernels_moves.sums_above(
        tree.parent, demands.exposed, tree.passability, tree.worth, tree.cost, beyond
    )
    access = kernels_moves.access_of(tree.parent, tree.passability, beyond)
    amount = above * np.where((tree.parent >= 0)[:, None], access[tree.parent], 1.0)
    least = demands.least_exposed(allowed)[2] if kept is None else kept
    fewer = (tree.passability[beyond] - tree.passability[least]) * amount
    site, species = np.unravel_index(int(np.argmax(fewer)), fewer.shape)
    if not fewer[site, species] > 0.0:
        return None
    let = tree.passability[:, species]
    less: Bools = (tree.site == site) & allowed & (let <= tree.passability[least[site], species])
    return less
