"""A cap tightened until plans keep to it in the mean of the years, which the tree does not see."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.found import Plan

Ints = NDArray[np.int64]
At = tuple[Demands, Plan, Ints]
"""Demands with a cap, the best plan for them, and its rows of the actions table, (sites,)."""

ROUNDS = 8
"""Caps that are tried at most."""
MORE = 1.5
"""A cap is lowered by so many times what is beyond it."""
BACK = 2
"""Caps between the last that was too wide and the first that was not, by which what was lowered too much is undone."""


def tightened(
    plan_at: Callable[[float, Sequence[Ints]], At], exposed: Callable[[Ints], float], cap: float
) -> At:
    """Find the best plan that keeps to a cap as the access engine works it out.

    Parameters
    ----------
    plan_at : callable
        Takes a cap, for the tree, and choices that are known; raises NoPlanError where there is no plan.
    exposed : callable
        Takes rows of the actions table; what the cap is on, as the access engine works it out.
    cap : float

    Returns
    -------
    demands : Demands
        With the cap as it was tightened for the plan.
    plan : Plan
        Its bound is that for the cap as it was asked for.
    rows : (sites,) int64

    Raises
    ------
    NoPlanError
    """
    # caps for the tree: the least with a plan beyond the cap, and the greatest with one within it, or with none
    wide, narrow = np.inf, -np.inf
    here, bound, backs = cap, np.inf, 0
    best: At | None = None
    for _ in range(ROUNDS):
        try:
            at = plan_at(here, [] if best is None else [best[1].choice])
        except NoPlanError:
            if np.isinf(wide):
                raise
            narrow, here = here, 0.5 * (here + wide)
            continue
        if here == cap:  # bounds of what is tightened are none of what is asked
            bound = at[1].bound
        over = exposed(at[2]) - cap
        if over > ROUNDING * abs(cap):
            wide = min(wide, here)
            here = max(here - MORE * over, 0.5 * (narrow + wide)) if best is None else here
        else:
            narrow = here
            if best is None or at[1].worth > best[1].worth:
                best = at
        if at[1].status == "interrupted" and best is not None:
            best = (best[0], replace(best[1], status="interrupted"), best[2])
            break
        if best is not None:
            if np.isinf(wide) or backs == BACK:
                break
            backs += 1
            here = 0.5 * (narrow + wide)
    if best is None:
        raise NoPlanError("no plan was found that keeps to the cap in all years")
    return best[0], replace(best[1], bound=max(bound, best[1].worth)), best[2]
