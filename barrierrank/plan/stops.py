"""What is known from states that policies stop at, kept from one price and one set of decisions to the next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_kept, kernels_stops
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SPARE = 3
"""Room for so many stops at every site at first."""
BITS = 12
"""Bins at least, as a power of two."""
ENOUGH = 0.1
"""New stops, by number of sites, from which on those that are not needed are forgotten."""
THIN = 0.02
"""Share of what is open by which others may imply a bound less well."""


def family_of(parent: Ints) -> kernels_stops.Family:
    """Return the sites above each, outlets above none as the last row: first (n + 2,), sites (n,), place (n,)."""
    n = parent.size
    down = np.where(parent >= 0, parent, n)
    above = np.argsort(down, kind="stable").astype(np.int64)
    first = np.concatenate([[0], np.cumsum(np.bincount(down, minlength=n + 1))]).astype(np.int64)
    place = np.empty(n, dtype=np.int64)
    place[above] = np.arange(n) - first[down[above]]
    return first, above, place


def sites_above(parent: Ints) -> Ints:
    """Return how many sites lie above each and at it, (n,)."""
    out = np.ones(parent.size, dtype=np.int64)
    for b in range(parent.size - 1, -1, -1):
        if parent[b] >= 0:
            out[parent[b]] += out[b]
    return out


class Stops:
    """Stops of a tree, with room for more.

    Parameters
    ----------
    tree : PlanTree
    family : tuple
        Of :func:`family_of`.
    """

    def __init__(self, tree: PlanTree, family: kernels_stops.Family) -> None:
        self.family = family
        n, species = self.sites, self.species = tree.weight.shape
        self._whole = (np.empty((0, n), dtype=np.int64), np.empty((0, n)), np.empty((0, n, species)))
        self.clear()
        choice, at = np.zeros(n, dtype=np.int64), np.full(n, -1)
        self._room = (
            choice, np.empty((n, self.species)), at, at.copy(), np.zeros(n, dtype=bool), np.empty(n + 1),
            np.empty(n + 1), np.empty((n + 1, self.species)),
        )  # fmt: skip

    def clear(self) -> None:
        """Forget everything."""
        n = self.sites
        self.price = np.nan
        self.allowed: Bools = np.zeros(0, dtype=bool)
        self._empty(SPARE * n + 1, SPARE * n + 1)
        self._head[n] = 0
        self._thinned = 1
        self._used[:] = 1, self.family[0][n + 1] - self.family[0][n]

    def _empty(self, size: int, ways: int) -> None:
        """Make room, with nothing in it but stop 0."""
        species = self.species
        self._head = np.full(self.sites + 1, -1)
        self._columns = [
            np.full(size, -1), np.ones((size, species)), np.zeros((size, species)),
            np.zeros((size, species), dtype=np.int64), np.zeros(size), np.full(size, np.inf),
            np.full(size, -np.inf), np.zeros((size, species)), np.zeros(size, dtype=np.int64), np.full(size, -1),
            np.full(size, -1),
        ]  # fmt: skip
        self._way = np.full((ways, 2), -1)
        self._used = np.zeros(2, dtype=np.int64)
        self._bins = np.full(1 << max(int(size).bit_length(), BITS), -1)

    def _thin(self, share: Floats) -> None:
        """Forget what is not worth going through again: stops whose bound others all but imply."""
        if self._used[0] - self._thinned < ENOUGH * self.sites + ENOUGH:
            return
        old = self.arrays
        leave = max(THIN * (self.bound - self.reached), 0.0) if np.isfinite(self.reached) else 0.0
        number = kernels_kept.keep_useful(old, self.family, share, leave)
        self._empty(int((number >= 0).sum()) + SPARE * self.sites, int(self._used[1]) + self.sites)
        kernels_kept.move(old, self.arrays, number, self.family)
        self._thinned = int(self._used[0])

    @property
    def arrays(self) -> kernels_stops.Stops:
        """What the kernels take."""
        link, point, share, cell, level, value, flat, slope, start, beside, site = self._columns
        return (
            self._head, link, point, share, cell, level, value, flat, slope, start, self._way, self._used,
            *self._whole, self._bins, beside, site,
        )  # fmt: skip

    @property
    def count(self) -> int:
        """Number of stops."""
        return int(self._used[0])

    @property
    def bound(self) -> float:
        """Bound on all there is."""
        return float(self._columns[5][0])

    @property
    def reached(self) -> float:
        """What the best policy that is known brings, less price x cost."""
        return float(self._columns[6][0] + self._columns[7][0].sum())

    def renew(
        self, problem: kernels_stops.Problem, grid: kernels_stops.Grid, price: float, policies: Sequence[Ints],
        share: Floats,
    ) -> None:  # fmt: skip
        """Work all out again for another grid, price or set of decisions; some policies are known."""
        allowed = problem[5]
        n, species = self.sites, self.species
        self._whole = (
            np.array(policies, dtype=np.int64).reshape(-1, n), np.empty((len(policies), n)),
            np.empty((len(policies), n, species)),
        )  # fmt: skip
        for policy, flat, slope in zip(*self._whole, strict=True):
            kernels_stops.lines_of(problem, policy, flat, slope)
        valid = price == self.price and not (allowed & ~self.allowed).any()
        kernels_kept.renew(problem, grid, self.arrays, self.family, valid)
        self.price, self.allowed = price, allowed
        self._thin(share)

    def look(
        self, problem: kernels_stops.Problem, grid: kernels_stops.Grid, share: Floats, leave: float
    ) -> None:
        """Follow the best policy once and work its stops out."""
        self._grow()
        kernels_stops.look_round(problem, grid, self.arrays, self.family, self._room, share, leave)

    def policy(self, parent: Ints) -> Ints:
        """Return the best policy that is known, (n,)."""
        out = np.empty(self.sites, dtype=np.int64)
        kernels_kept.policy_of(parent, self.arrays, self.family, out)
        return out

    def _grow(self) -> None:
        """See to it that two stops more, with their ways, fit at every site."""
        if self._used[0] + 2 * self.sites > self._columns[0].size:
            self._columns = [_longer(column) for column in self._columns]
        if self._used[1] + 2 * self.sites > self._way.shape[0]:
            self._way = _longer(self._way)


def _longer(column: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return a copy with room for as much again."""
    return np.concatenate([column, np.empty_like(column)])
