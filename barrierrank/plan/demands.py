"""What is asked of a plan besides its budget."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_cap
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ROUNDING = 1e-9
"""Share of a budget or a cap by which it may be passed: sums in another order differ by less."""


class NoPlanError(ValueError):
    """No plan meets what is asked."""


@dataclass(frozen=True, eq=False)
class Demands:
    """What is asked of a plan.

    Parameters
    ----------
    tree : PlanTree
    budget : float
        What a plan may cost, 0 or more.
    allowed : (m,) bool, optional
        Actions that may be chosen; a forced action is the only one that its site is allowed. All by default.
    conflicts : (k, 2) int64, optional
        Pairs of actions, at different sites, of which a plan may have one only.
    exposure : (n, s) float64, optional
        Per unit of access just above each site, what the cap is on: the invader's habitat, say. 0 or more.
    cap : float
        What exposure may sum up to.
    """

    tree: PlanTree
    budget: float
    allowed: Bools | None = None
    conflicts: Ints | None = None
    exposure: Floats | None = None
    cap: float = np.inf

    def __post_init__(self) -> None:
        if not self.budget >= 0.0:
            raise ValueError(f"budget: {self.budget:g} was given; it must be 0 or more")
        if self.exposure is not None and not (self.exposure >= 0.0).all():
            raise ValueError("exposure: it must be 0 or more")

    @cached_property
    def may(self) -> Bools:
        """Actions that may be chosen and can be paid beside what all other sites cost at least, (m,)."""
        tree = self.tree
        may = np.ones(tree.cost.size, dtype=bool) if self.allowed is None else self.allowed.copy()
        if not np.logical_or.reduceat(may, tree.first[:-1]).all():
            raise NoPlanError("at some site no action is allowed, not even to leave it as it is")
        least = np.minimum.reduceat(np.where(may, tree.cost, np.inf), tree.first[:-1])
        narrowed = self.narrowed(may)
        if narrowed is None and least.sum() <= self.budget * (1.0 + ROUNDING):
            if np.isinf(self.cap):
                raise NoPlanError("what is forced excludes every action at some site")
            exposed = self.least_exposed(may)[0]
            if exposed <= self.cap * (1.0 + ROUNDING):
                raise NoPlanError("budget and cap together leave no action at some site")
            raise NoPlanError(f"no plan is exposed to less than {exposed:g}; the cap is {self.cap:g}")
        if narrowed is None:
            raise NoPlanError(
                f"the least that a plan can cost is {least.sum():g}; the budget is {self.budget:g}"
            )
        return narrowed

    def least_exposed(self, allowed: Bools) -> tuple[float, Bools, Ints]:
        """Return the least exposure, the actions that can be within the cap, and a choice that is exposed to little."""
        tree, cap = self.tree, self.cap * (1.0 + ROUNDING)
        return kernels_cap.within_cap(tree.parent, tree.first, tree.passability, self.exposed, allowed, cap)

    def narrowed(self, allowed: Bools) -> Bools | None:
        """Leave out what cannot be paid, or be within the cap, beside the least everywhere else, or breaks a conflict.

        Parameters
        ----------
        allowed : (m,) bool

        Returns
        -------
        (m,) bool, or None where some site is left without an action.
        """
        tree = self.tree
        starts = tree.first[:-1]
        while True:
            least = np.minimum.reduceat(np.where(allowed, tree.cost, np.inf), starts)
            if not np.isfinite(least).all():
                return None
            spare = self.budget * (1.0 + ROUNDING) - least.sum()
            if spare < 0.0:
                return None
            now: Bools = allowed & (tree.cost - least[tree.site] <= spare)
            if np.isfinite(self.cap):
                exposed, within, _ = self.least_exposed(now)
                if exposed > self.cap * (1.0 + ROUNDING):
                    return None
                now = within
            if len(self.pairs):
                forced = now & (np.add.reduceat(now.astype(np.int64), starts) == 1)[tree.site]
                now = now.copy()
                now[self.pairs[forced[self.pairs[:, 0]], 1]] = False
                now[self.pairs[forced[self.pairs[:, 1]], 0]] = False
            if (now == allowed).all():
                return now
            allowed = now

    @cached_property
    def exposed(self) -> Floats:
        """Exposure per unit of access, (n, s)."""
        return np.zeros_like(self.tree.weight) if self.exposure is None else self.exposure

    @cached_property
    def pairs(self) -> Ints:
        """Conflicts, (k, 2)."""
        return np.empty((0, 2), dtype=np.int64) if self.conflicts is None else self.conflicts

    def cheapest(self, may: Bools) -> Ints:
        """Return the cheapest choice, of equals the one that brings most by itself, (n,)."""
        tree = self.tree
        order = np.lexsort((np.arange(tree.cost.size), -tree.worth, tree.cost, ~may, tree.site))
        return order[tree.first[:-1]].astype(np.int64)

    def broken(self, choice: Ints) -> Ints:
        """Return the conflicts that a choice has, (j, 2)."""
        chosen = np.zeros(self.tree.cost.size, dtype=bool)
        chosen[choice] = True
        return self.pairs[chosen[self.pairs].all(axis=1)]

    def exposure_of(self, choice: Ints) -> float:
        """Return what a choice lets the cap's species reach."""
        return self.tree.exposure(self.exposed, choice)

    def met(self, choice: Ints, rounding: float = ROUNDING) -> bool:
        """Whether a choice meets everything, rounding set aside."""
        _, cost = self.tree.value(choice)
        within = cost <= self.budget * (1.0 + rounding)
        within = within and self.exposure_of(choice) <= self.cap * (1.0 + rounding)
        return bool(within and self.may[choice].all() and not len(self.broken(choice)))
