"""The relaxation on what is left of a tree when all is gone that is not worth its price."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_idle
from barrierrank.plan.demands import Demands
from barrierrank.plan.reduce import drawn_together
from barrierrank.plan.relaxation import ENOUGH, Priced, Relaxation
from barrierrank.plan.stops import Stops

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Pruned:
    """A relaxation for prices from a least one on, without the sites that are not worth that.

    Its bounds hold with all decisions on the whole tree: what is left out brings no more than the cheapest does.

    Parameters
    ----------
    demands : Demands
        What takes part in a conflict is not left out.
    least : float
        Price, above 0.
    """

    def __init__(self, demands: Demands, least: float) -> None:
        self.tree = tree = demands.tree
        self.least = least
        self.cheapest = demands.cheapest(demands.may)
        rough = Relaxation(tree, demands.may, rough=True)
        table, _, _ = rough.between(least, exact=True)
        problem = (*rough.arrays, table.base, demands.may, rough.slot)
        idle = kernels_idle.idle_actions(problem, rough.nodes, table.values, self.cheapest)
        tied = np.isin(np.arange(len(tree)), tree.site[demands.pairs.ravel()])
        # whole sites only: that an action is not worth it holds with the cheapest above, which a decision may forbid
        out = kernels_idle.idle_sites(tree.parent, tree.first, demands.may, idle, tied)
        kept = np.flatnonzero(~out).astype(np.int64)
        self.small = drawn_together(demands, demands.may, kept, self.cheapest)
        inner = self.small.demands.tree
        self.place = np.full(len(tree), -1)
        self.place[self.small.kept] = np.arange(self.small.kept.size)
        self.inner = Relaxation(inner, np.ones(inner.cost.size, dtype=bool))

    def stops(self) -> Stops:
        """Return a place to keep what is known of states."""
        return self.inner.stops()

    def centre(self, price: float) -> None:
        """Keep tables for prices about this one."""
        self.inner.centre(price)

    def lay(self, price: float, policies: Sequence[Ints]) -> None:
        """Lay the grid where some policies go, if that is better."""
        self.inner.lay(price, [self.part(policy) for policy in policies])

    def part(self, policy: Ints) -> Ints:
        """Return a policy on what is left."""
        place = np.full(self.tree.cost.size, -1)
        place[self.small.action] = np.arange(self.small.action.size)
        return place[policy[self.small.kept]]

    def narrowed(self, allowed: Bools) -> NarrowedPruned:
        """Return the relaxation with some decisions made."""
        return NarrowedPruned(self, allowed)


class NarrowedPruned:
    """A pruned relaxation with some decisions made.

    Parameters
    ----------
    whole : Pruned
    allowed : (m,) bool
        On the whole tree.
    """

    def __init__(self, whole: Pruned, allowed: Bools) -> None:
        self.whole, self.allowed = whole, allowed
        self.inner = whole.inner.narrowed(allowed[whole.small.action])
        tree = whole.tree
        order = np.lexsort((np.arange(tree.cost.size), tree.cost, ~allowed, tree.site))
        self._other = order[tree.first[:-1]].astype(np.int64)

    def at(
        self, price: float, stops: Stops, policies: Sequence[Ints] = (), *, tolerance: float = 0.0,
        mark: float = -np.inf, enough: float = ENOUGH,
    ) -> Priced:  # fmt: skip
        """Solve at a price, as :meth:`barrierrank.plan.relaxation.Narrowed.at` does."""
        whole = self.whole
        rest = whole.small.worth - price * whole.small.cost
        known = [whole.part(policy) for policy in policies]
        done = self.inner.at(price, stops, known, tolerance=tolerance, mark=mark - rest, enough=enough)
        policy = self.full(done.policy)
        worth, cost = whole.tree.value(policy)
        return Priced(price, done.bound + rest, policy, worth, cost)

    def full(self, policy: Ints) -> Ints:
        """Return a policy of what is left on the whole tree: what is left out stays the cheapest that is allowed."""
        chosen = self.whole.small.whole(policy)
        return np.where(self.allowed[chosen], chosen, self._other)

    def decided(self, price: float, budget: float, site: int, variants: Bools) -> Floats:
        """Return bounds of decisions, as :meth:`barrierrank.plan.relaxation.Narrowed.decided` does."""
        whole, tree = self.whole, self.whole.tree
        spare = budget - whole.small.cost
        place = int(whole.place[site])
        if place < 0:
            here = np.zeros((0, int(np.diff(self.inner.whole.tree.first)[0])), dtype=bool)
            bound = self.inner.decided(price, spare, 0, here)[0] + whole.small.worth
            return np.where(np.r_[True, variants.any(axis=1)], bound, -np.inf)
        first = int(tree.first[site])
        inner = self.inner.whole.tree
        actions = whole.small.action[inner.first[place] : inner.first[place + 1]] - first
        left: Bools = np.ascontiguousarray(variants[:, actions])
        return self.inner.decided(price, spare, place, left) + whole.small.worth
