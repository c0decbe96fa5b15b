"""The relaxation at a price of the budget: a bound, and the policy behind it.

For a price, what a site and all above it bring is the greatest of as many linear functions of the access from below
as there are policies: convex, whatever the signs of the weights. Read between the nodes of a grid it is a bound from
above, and it errs only between nodes. A node is therefore laid on the very access that good policies have at each
site: along a policy whose access is on the grid nothing is read between nodes. Bound and policy are worked out in
turn until they meet, which takes two to five passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves, kernels_path, kernels_relax, kernels_stops
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEPS = {1: 64, 2: 12, 3: 10, 4: 7, 5: 5}
"""Steps of the grid by number of species; 4 beyond."""
FINER = {1: 128, 2: 32, 3: 16, 4: 10, 5: 6}
"""Likewise, of a finer grid."""
ROUNDS = 24
"""Rounds at most in which the error of the grid is taken off a policy."""
PINS = {1: 16, 2: 8, 3: 4, 4: 3}
"""Policies whose access the grid holds, by number of species; 2 beyond."""


@dataclass(frozen=True, eq=False)
class Priced:
    """The relaxation at one price.

    Parameters
    ----------
    price : float
        Worth per unit of cost.
    bound : float
        No plan that is allowed has a greater worth less price x cost.
    by_grid : float
        The same by the tables alone.
    policy : (n,) int64
        The plan that the bound suggests.
    worth, cost : float
        Of that plan.
    base : (m,) float64
        Worth of each action less price x cost.
    grids, tables : (n, s, width), (inner, width ** s) float64
    """

    price: float
    bound: float
    by_grid: float
    policy: Ints
    worth: float
    cost: float
    base: Floats
    grids: Floats
    tables: Floats

    @property
    def reached(self) -> float:
        """Worth less price x cost of the policy; the bound is exact where it equals this."""
        return self.worth - self.price * self.cost


class Relaxation:
    """Bounds and policies for any price.

    Parameters
    ----------
    tree : PlanTree
    steps : int, optional
        Steps of the grid of access for each species.
    finer : bool
        Whether to take more steps, for what the usual ones leave open.
    """

    def __init__(self, tree: PlanTree, steps: int | None = None, *, finer: bool = False) -> None:
        self.tree = tree
        self.steps = steps or (FINER if finer else STEPS).get(tree.species, 4)
        self.pins = min(PINS.get(tree.species, 2) + (2 if finer else 0), self.steps - 1)
        inner = np.zeros(len(tree), dtype=bool)
        inner[tree.parent[tree.parent >= 0]] = True
        self.slot = np.where(inner, np.cumsum(inner) - 1, -1).astype(np.int64)
        self._shape = (max(int(inner.sum()), 1), (self.steps + 1) ** tree.species)
        self._arrays = (tree.parent, tree.weight, tree.first, tree.passability)

    def at(
        self,
        price: float,
        allowed: Bools,
        policies: Sequence[Ints],
        *,
        tolerance: float = 0.0,
        mark: float = np.nan,
    ) -> Priced:
        """Solve once, with the access of some policies on the grid.

        Parameters
        ----------
        price : float
            0 or more.
        allowed : (m,) bool
            At least one action of every site.
        policies : sequence of (n,) int64
            As many as there is room for are used, the first ones first.
        """
        tree = self.tree
        used = policies[: self.pins]
        access = np.empty((len(used), *tree.weight.shape))
        for k, policy in enumerate(used):
            access[k] = kernels_moves.access_of(tree.parent, tree.passability, policy)
        grids = kernels_relax.grids_of(access, self.steps)
        base = tree.worth - price * tree.cost
        tables = np.empty(self._shape)
        problem = (*self._arrays, base, allowed, self.slot)
        by_grid = kernels_relax.relax(problem, grids, tables)
        bound, _, policy = kernels_stops.sharpen(problem, (grids, tables), by_grid, ROUNDS, tolerance, mark)
        worth, cost = tree.value(policy)
        return Priced(price, bound, by_grid, policy, worth, cost, base, grids, tables)

    def sharp(
        self,
        price: float,
        allowed: Bools,
        policies: Sequence[Ints],
        *,
        tolerance: float,
        mark: float,
        most: int,
    ) -> Priced:
        """Solve until the bound is within a tolerance of its policy, at most some times.

        Parameters
        ----------
        price, allowed, policies
            As for :meth:`at`.
        tolerance : float
            In the unit of worth.
        most : int
            Passes at most.

        Returns
        -------
        Priced
            With the least bound and the best policy that were met, which may be those of different passes.
        """
        best = done = last = self.at(price, allowed, policies, tolerance=tolerance, mark=mark)
        older = list(policies)
        for _ in range(most - 1):
            if done.bound - best.reached <= tolerance or done.bound <= mark or best.reached > mark:
                break
            older = [best.policy, *older] if last is best else [last.policy, best.policy, *older]
            last = self.at(price, allowed, older, tolerance=tolerance, mark=mark)
            done = last if last.bound < done.bound else done
            best = last if last.reached > best.reached else best
        return replace(done, policy=best.policy, worth=best.worth, cost=best.cost)

    def decided(self, priced: Priced, allowed: Bools, site: int, variants: Bools) -> Floats:
        """Return by how much the bound of the tables changes with each of several decisions at one site, (v,).

        0 or less, -inf where nothing is allowed.

        Parameters
        ----------
        priced : Priced
        allowed : (m,) bool
            What it was solved with.
        site : int
        variants : (v, actions of the site) bool
            What each decision allows.
        """
        problem = (*self._arrays, priced.base, allowed, self.slot)
        return kernels_path.decided(problem, priced.grids, priced.tables, site, variants)
