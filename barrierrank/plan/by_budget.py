"""The best plan for a budget, without a cap."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.demands import Demands
from barrierrank.plan.found import Found
from barrierrank.plan.nodes import Aim, Node, ended
from barrierrank.plan.pricing import LOOKS
from barrierrank.plan.reduce import reduced
from barrierrank.plan.search import Search

Ints = NDArray[np.int64]


def best_by_budget(
    demands: Demands, gap: float, deadline: float, zero: float, *, start: Sequence[Ints] = (),
    price: float | None = None, limits: tuple[float, float] = (-np.inf, np.inf),
) -> Found:  # fmt: skip
    """Find the best plan within a budget.

    Parameters
    ----------
    demands : Demands
        Without a cap.
    gap : float
        Share of what is gained, from `zero`, that may be left open.
    deadline : float
        Of ``time.perf_counter``.
    zero : float
    start : sequence of (n,) int64
        Plans that are known.
    price : float, optional
        A guess of what one more unit of budget brings.
    limits : (float, float)
        What is not worth more than the first is of no interest, nor what better there is than a plan worth the second.

    Raises
    ------
    NoPlanError
        It is seen at once that nothing meets the demands.
    """
    small = reduced(demands)
    if not small.kept.size:
        return small.only(demands)
    low, high = (limit - small.worth for limit in limits)
    search = Search(small.demands, Aim(gap, deadline, zero - small.worth, (low, high)))
    search.consider(search.cheapest)
    for choice in start:
        part = small.part(choice)
        if part is not None:
            search.offer(part, [part], LOOKS // 10)
    inner = small.demands.tree
    size = float(np.abs(inner.weight).sum() + np.abs(inner.worth).sum())
    guess = price or size / max(float(inner.cost.sum()), 1e-300)
    root = Node(np.inf, np.inf, small.demands.may, guess)
    status = ended(lambda: search.run(root))
    best = small.met(demands, search.best)
    return Found(best, search.bound + small.worth, status, search.decisions, search.price)
