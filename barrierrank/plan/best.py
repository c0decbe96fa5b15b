"""The best plan for a budget, with proof."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.nodes import Node, TimeUp
from barrierrank.plan.pricing import LOOKS
from barrierrank.plan.reduce import Reduced, reduced
from barrierrank.plan.search import Search

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
    cheapest = demands.cheapest(demands.may)
    base = tree.value(cheapest)[0] if zero is None else zero
    small = reduced(demands)
    if not small.kept.size:
        return _only_plan(demands, small.fixed, base, began)
    search = Search(small.demands, gap, began + seconds, base - small.worth)
    search.consider(search.cheapest)
    known = [part for choice in start if (part := small.part(choice)) is not None]
    for choice in known:
        search.offer(choice, [choice], LOOKS // 10)
    inner = small.demands.tree
    size = float(np.abs(inner.weight).sum() + np.abs(inner.worth).sum())
    guess = price or size / max(float(inner.cost.sum()), 1e-300)
    try:
        status = search.run(Node(np.inf, np.inf, small.demands.may, guess))
    except TimeUp:
        status = "time"
    except KeyboardInterrupt:
        status = "interrupted"
    return _plan(demands, small, search, status, began)


def _plan(demands: Demands, small: Reduced, search: Search, status: str, began: float) -> Plan:
    """Return what a search found, on the whole tree."""
    if search.best is None:
        raise NoPlanError("no plan was found that meets the demands")
    choice = small.whole(search.best)
    if not demands.met(choice, 4.0 * ROUNDING):
        raise NoPlanError("no plan was found that meets the demands")
    worth, cost = demands.tree.value(choice)
    bound = max(search.bound + small.worth, worth)
    return Plan(
        choice, worth, cost, demands.exposure_of(choice), bound, search.zero + small.worth, status,
        search.decisions, time.perf_counter() - began, search.price,
    )  # fmt: skip


def _only_plan(demands: Demands, choice: Ints, zero: float, began: float) -> Plan:
    """Return the one plan there is."""
    if not demands.met(choice, 4.0 * ROUNDING):
        raise NoPlanError("no plan was found that meets the demands")
    worth, cost = demands.tree.value(choice)
    seconds = time.perf_counter() - began
    return Plan(choice, worth, cost, demands.exposure_of(choice), worth, zero, "proven", 0, seconds, 0.0)
