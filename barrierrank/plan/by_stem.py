"""A search that has not come far by prices alone: bounds by money along a stem, and the policies behind them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.nodes import Node, Settled
from barrierrank.plan.pruned import NarrowedPruned, Pruned
from barrierrank.plan.relaxation import Narrowed, Relaxation
from barrierrank.plan.stem import AROUND, FEW_UNITS, UNITS, NarrowedStem, Stem, relaxation_for, stem_of

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Going = Callable[[float], bool]
"""Takes a bound; whether it is worth going on."""

FIRST, TRIES, AGAIN = 2, 8, 14
"""Prices at most: to find where policies go, to see whether a stem helps, and in the end."""
FOLLOWED = 6
"""Policies at most that it is laid along, beside the best plan and those that tie."""
PRICES = 6
"""Prices at most that sets of decisions are looked at with."""


class ByStem:
    """Bounds of sets of decisions by money along a stem.

    Parameters
    ----------
    relaxation : Relaxation or Pruned
    root : Node
    settled : Settled
        The root, with two policies that tie.
    budget : float
    """

    def __init__(self, relaxation: Relaxation | Pruned, root: Node, settled: Settled, budget: float) -> None:
        assert settled.under is not None
        assert settled.over is not None
        assert settled.priced is not None
        self.relaxation, self.root, self.budget = relaxation, root, budget
        self.tie = [settled.under, settled.over]
        self.apart, self.spare, self.least = 0.0, budget, np.zeros(0)
        if isinstance(relaxation, Pruned):
            like, small = relaxation.inner, relaxation.small
            self.apart, self.spare = small.worth, budget - small.cost
        else:
            like = relaxation
        under, over = (self._part(policy) for policy in self.tie)
        self.sites = stem_of(like.tree, under, over)
        self.inner = relaxation_for(like, self.sites)
        if self.inner.steps < like.steps:
            self.inner.follow([under, over])
        self.stem = Stem(self.inner, self.sites, self.spare, FEW_UNITS)
        self.prices = [share * settled.priced.price for share in AROUND]

    def begin(self, going: Going) -> list[Ints]:
        """Return policies that spend more and less along the stem."""
        return self._searched(self.prices[:FIRST], FIRST, going)[1]

    def follow(self, policies: Sequence[Ints], going: Going) -> tuple[float, list[Ints]]:
        """Lay the grid along policies, the first and the last; return a bound on all there is, and policies met."""
        several = [policies[0], *self.tie, *policies[1:][-FOLLOWED:]]
        self.inner.follow([self._part(policy) for policy in several])
        return self._searched(self.prices, TRIES if self.stem.parts <= FEW_UNITS else AGAIN, going)

    def refine(self) -> bool:
        """Cut the money in smaller parts; return whether that can be done."""
        finer = Stem(self.inner, self.sites, self.spare, UNITS)
        done = finer.parts > self.stem.parts
        self.stem = finer
        return done

    def _searched(self, prices: Sequence[float], tries: int, going: Going) -> tuple[float, list[Ints]]:
        seen, narrowed = self._seen(self.root.allowed)
        policies = seen.search(prices, self.relaxation.least, lambda bound: going(bound + self.apart), tries)
        self.price_for = seen.best_prices()
        order = np.argsort(-seen.least, kind="stable").tolist()
        open_ = [k for k in order if going(float(seen.least[k]) + self.apart)] or order[:1]
        if tries > FIRST:
            self.prices = list(dict.fromkeys(self.price_for[k] for k in open_))[:PRICES]
        self.least = seen.least
        return seen.bound + self.apart, [self._full(policy, narrowed) for policy in policies]

    def lowered(self, node: Node, settled: Settled, going: Going) -> tuple[Settled, list[Ints]]:
        """Return a node with a lower bound, if there is one, and the policies behind it; and all policies met."""
        seen, narrowed = self._seen(node.allowed)
        policies = []
        while (price := self.price_for[int(np.argmax(seen.least))]) not in seen.seen:
            policies += [self._full(policy, narrowed) for policy in seen.solve([price])]
            if not going(seen.bound + self.apart):
                break
        bound = seen.bound + self.apart
        if bound >= settled.bound:
            return settled, policies
        tree = self.relaxation.tree
        values = [tree.value(policy) for policy in policies]
        paid = [k for k, (_, cost) in enumerate(values) if cost <= self.budget]
        beyond = [k for k, (_, cost) in enumerate(values) if cost > self.budget]
        under = policies[max(paid, key=lambda k: values[k][0])] if paid else settled.under
        over = policies[min(beyond, key=lambda k: values[k][1])] if beyond else settled.over
        return replace(settled, bound=bound, under=under, over=over), policies

    def _seen(self, allowed: Bools) -> tuple[NarrowedStem, Narrowed | NarrowedPruned]:
        """Return bounds with some decisions, those of the root to begin with."""
        narrowed = self.relaxation.narrowed(allowed)
        left = allowed[self.relaxation.small.action] if isinstance(self.relaxation, Pruned) else allowed
        seen = self.stem.narrowed(left)
        if self.least.size == seen.least.size:
            seen.least = self.least.copy()
        return seen, narrowed

    def _part(self, policy: Ints) -> Ints:
        return self.relaxation.part(policy) if isinstance(self.relaxation, Pruned) else policy

    @staticmethod
    def _full(policy: Ints, narrowed: Narrowed | NarrowedPruned) -> Ints:
        return narrowed.full(policy) if isinstance(narrowed, NarrowedPruned) else policy
