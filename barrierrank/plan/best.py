"""The best plan for a budget, with proof."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.by_budget import best_by_budget
from barrierrank.plan.by_cap import best_by_cap
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.found import Plan

Ints = NDArray[np.int64]


def best_plan(
    demands: Demands, *, gap: float = 1e-3, seconds: float = 30.0, zero: float | None = None,
    start: Sequence[Ints] = (), price: float | None = None,
) -> Plan:  # fmt: skip
    """Find the plan of greatest worth that meets the demands.

    Parameters
    ----------
    demands : Demands
    gap : float
        Stop when no plan can be better by more than this share of what the plan gains.
    seconds : float
        Stop then with the best plan so far and its bound.
    zero : float, optional
        The worth that gains are counted from; by default that of the cheapest choice.
    start : sequence of (n,) int64
        Plans that are known, of a like budget say.
    price : float, optional
        A guess of what one more unit of budget brings.

    Returns
    -------
    Plan
        Stopped from the keyboard (Ctrl-C) it is the best so far, `status` says so.

    Raises
    ------
    NoPlanError
        Nothing meets the demands, as far as that is seen: no action at a site, a budget below the least cost, a cap
        that no plan found keeps.
    """
    began = time.perf_counter()
    tree = demands.tree
    base = tree.value(demands.cheapest(demands.may))[0] if zero is None else zero
    search = best_by_cap if np.isfinite(demands.cap) else best_by_budget
    found = search(demands, gap, began + seconds, base, start=start, price=price)
    if found.choice is None:
        raise NoPlanError("no plan was found that meets the demands")
    worth, cost = tree.value(found.choice)
    return Plan(
        found.choice, worth, cost, demands.exposure_of(found.choice), max(found.bound, worth), base, found.status,
        found.decisions, time.perf_counter() - began, found.price,
    )  # fmt: skip
