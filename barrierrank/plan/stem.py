"""Bounds that know what is spent along one way up from an outlet.

Where a long way pays best as a whole, and there is money for half of it, a price of the budget tells little: at any
price all of the way is bought or next to nothing, and the bound lies on the line between both. So money is counted
along that way, the *stem*, and everything else pays the price.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import each
from barrierrank.plan import kernels_path, kernels_stem
from barrierrank.plan.pricing import AT_ONCE
from barrierrank.plan.relaxation import Narrowed, Relaxation
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WORK = 6e8
"""Reads of tables at most, for one price."""
UNITS, FEW_UNITS = 400, 100
"""Parts that the money for a stem is cut in at most, and to try it: for these a grid has fewer steps if need be."""
LEAST_STEPS = 3
"""Of the grid of access."""
TABLES = 6
"""Tables kept at most, one for each price."""
SPARE = 1e-9
"""Share by which a unit is more than its part, so that rounding leaves nothing out."""
AROUND = (0.9, 1.1, 0.8, 1.0, 0.7, 1.25)
"""Prices that are tried first, as shares of one."""
WIDER = 1.3
"""From the dearest or the cheapest price that was tried to the next."""
CLOSE = 0.02
"""Share of a price by which another is as good as the same."""


def stem_of(tree: PlanTree, under: Ints, over: Ints) -> Ints:
    """Return the way up along which two policies differ most in cost, uppermost site first."""
    apart = np.where(under != over, np.abs(tree.cost[over] - tree.cost[under]), 0.0)
    return kernels_path.way_down(tree.parent, kernels_stem.top_of(tree.parent, apart))


def relaxation_for(like: Relaxation, sites: Ints) -> Relaxation:
    """Return the same relaxation on a grid with no more steps than a stem can be worked out with."""
    steps, on_stem = like.steps, np.isin(like.tree.site, sites) & like.may
    while steps > LEAST_STEPS and WORK / _reads(like.tree, on_stem, steps) < FEW_UNITS:
        steps -= 1
    out = Relaxation(like.tree, like.may, steps)
    out.kept = min(out.kept, TABLES)
    if steps == like.steps:
        out.nodes = like.nodes
    return out


def _reads(tree: PlanTree, on_stem: Bools, steps: int) -> float:
    """Return how often a table is read for each part of the money: two species at a time."""
    return float(on_stem.sum()) * (steps + 1.0) ** tree.species * ((tree.species + 1) // 2)


class Stem:
    """A stem, and how money is counted along it.

    Of what an action on the stem costs beyond the cheapest there whole units are counted; the remainder pays the price
    like all else, so that nothing is lost by rounding. A plan that spends j units on the stem has the budget less these
    units left: at any price its worth is at most what all brings with j units on the stem, with what the units do not
    pay for charged at the price, plus the price times what is left.

    Parameters
    ----------
    whole : Relaxation
    sites : (l,) int64
        The stem, uppermost first.
    budget : float
    parts : int
        That money is cut in at most.
    """

    def __init__(self, whole: Relaxation, sites: Ints, budget: float, parts: int = UNITS) -> None:
        self.whole, self.sites, self.budget = whole, sites, budget
        tree, may = whole.tree, whole.may
        cheapest = np.minimum.reduceat(np.where(may, tree.cost, np.inf), tree.first[:-1])
        spare = max(budget - float(cheapest.sum()), 0.0)
        on_stem = np.isin(tree.site, sites) & may
        self.parts = max(int(min(WORK / _reads(whole.tree, on_stem, whole.steps), parts)), 1)
        self.unit = spare * (1.0 + SPARE) / self.parts
        beyond = np.where(on_stem, tree.cost - cheapest[tree.site], 0.0)
        # more than all there is need not be told apart
        self.units = np.floor(np.minimum(beyond / (self.unit or 1.0), self.parts + 1.0)).astype(np.int64)

    def narrowed(self, allowed: Bools) -> NarrowedStem:
        """Return the bounds with some decisions made."""
        return NarrowedStem(self, self.whole.narrowed(allowed))


class NarrowedStem:
    """Bounds by money spent along a stem, with some decisions made.

    Parameters
    ----------
    stem : Stem
    narrowed : Narrowed
    """

    def __init__(self, stem: Stem, narrowed: Narrowed) -> None:
        self.stem, self.narrowed = stem, narrowed
        self.money = stem.budget - stem.unit * np.arange(stem.parts + 1)
        self.least = np.full(stem.parts + 1, np.inf)
        self.seen: dict[float, Floats] = {}

    @property
    def bound(self) -> float:
        """No plan within the budget is worth more."""
        return float(self.least.max())

    def solve(self, prices: Sequence[float]) -> list[Ints]:
        """Lower the bounds by what they are at some prices, 0 or more, side by side.

        Returns
        -------
        list of (n,) int64
            For each price a policy for the money that promises most.
        """
        solved = each(self._solved, prices, threads=len(prices) > 1)
        for price, (bounds, _) in zip(prices, solved, strict=True):
            self.seen[price] = bounds
            self.least = np.minimum(self.least, bounds)
        money = int(np.argmax(self.least))
        return [policy_for(money) for _, policy_for in solved]

    def _solved(self, price: float) -> tuple[Floats, Callable[[int], Ints]]:
        """Return the bounds at a price, and what tells a policy for some units of money."""
        stem, narrowed, whole = self.stem, self.narrowed, self.stem.whole
        table, _, _ = whole.between(price, exact=True)
        extra, change = narrowed.solved(table)
        problem = (*whole.arrays, table.base, narrowed.allowed, narrowed.slot)
        tables = (whole.nodes, table.values, extra)
        rest = table.base + price * stem.unit * stem.units
        choice = np.empty((stem.sites.size, whole.shape[1], stem.parts + 1), dtype=np.int16)
        brought = kernels_stem.solve_stem(problem, tables, whole.family, stem.sites, stem.units, rest, choice)
        others = table.bound + change - kernels_stem.outlet_brings(problem, tables, int(stem.sites[-1]))

        def policy_for(money: int) -> Ints:
            out = np.empty(len(whole.tree), dtype=np.int64)
            kernels_stem.policy_of_stem(problem, tables, stem.sites, stem.units, choice, money, out)
            return out

        return others + brought + price * self.money, policy_for

    def best_prices(self) -> list[float]:
        """Return the price that gives the least bound for each amount of money."""
        prices = list(self.seen)
        least = np.argmin(np.array([self.seen[price] for price in prices]), axis=0)
        return [prices[k] for k in least.tolist()]

    def next_price(self) -> float:
        """Return a price that may lower the bound for the money that promises most: bounds are convex in the price."""
        money = int(np.argmax(self.least))
        x = np.array(sorted(self.seen))
        y = np.array([self.seen[price][money] for price in x.tolist()])
        k = int(np.argmin(y))
        if k == 0:
            return float(x[0] / WIDER)
        if k == x.size - 1:
            return float(x[-1] * WIDER)
        left, right = (y[k] - y[k - 1]) / (x[k] - x[k - 1]), (y[k + 1] - y[k]) / (x[k + 1] - x[k])
        middle = 0.5 * (x[k - 1] + x[k])
        lowest = middle - 0.5 * left * (x[k + 1] - x[k - 1]) / (right - left) if right > left else x[k]
        if np.abs(lowest / x - 1.0).min() > CLOSE:
            return float(lowest)
        low, high = (x[k - 1], x[k]) if x[k] - x[k - 1] > x[k + 1] - x[k] else (x[k], x[k + 1])
        return float(np.sqrt(low * high))

    def search(
        self, prices: Sequence[float], least: float, going: Callable[[float], bool], tries: int
    ) -> list[Ints]:
        """Try some prices, then others, from a least one on, while a bound is worth going on from.

        Returns
        -------
        list of (n,) int64
            Policies met.
        """
        policies, ahead = [], list(prices)
        for _ in range(tries):
            if len(self.seen) >= tries:
                break
            there = [max(price, least) for price in ahead[:AT_ONCE] or [self.next_price()]]
            del ahead[:AT_ONCE]
            new = [price for k, price in enumerate(there) if self._is_new(price, there[:k])]
            policies += self.solve(new)
            if not (new or ahead) or not going(self.bound):
                break
        return policies

    def _is_new(self, price: float, others: Sequence[float]) -> bool:
        """Whether nothing like a price was seen."""
        return all(abs(price - other) > CLOSE * other for other in [*self.seen, *others])
