"""Plans bettered step by step."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves
from barrierrank.plan.demands import ROUNDING, Demands

Ints = NDArray[np.int64]


def bettered(
    demands: Demands, budget: float, choice: Ints, patterns: Sequence[Ints], most: tuple[int, int]
) -> Ints:
    """Bring a choice within what is demanded at the least loss and spend what is left, by moves that bring most.

    Parameters
    ----------
    demands : Demands
        Only what is allowed is moved to; a conflict is taken out by the cheapest, and no move brings one in.
    budget : float
    choice, patterns : (n,) int64
        Parts of a choice are made as in the patterns, or the cheapest.
    most : (int, int)
        Moves, and sites looked at.

    Returns
    -------
    (n,) int64
        A choice; it may be beyond the budget still.
    """
    tree, may = demands.tree, demands.may
    cheapest = demands.cheapest(may)
    stack = np.stack([*patterns, cheapest])
    if len(demands.pairs):
        choice, may = choice.copy(), may.copy()
        may[demands.pairs.ravel()] = False
        for pair in demands.broken(choice):
            dearer = pair[np.argmax(tree.cost[pair])]
            choice[tree.site[dearer]] = cheapest[tree.site[dearer]]
        stack = stack[:0]
    arrays = (tree.parent, tree.weight, tree.first, tree.passability)
    amounts = (tree.worth, tree.cost, demands.exposed, may)
    limits = (budget, demands.cap * (1.0 + ROUNDING))
    return kernels_moves.improve(arrays, amounts, choice, stack, limits, most)
