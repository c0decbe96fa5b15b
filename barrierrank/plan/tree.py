"""The tree that plans are made on: sites, what lies above each, and what can be done at each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class PlanTree:
    """A forest of sites in which access multiplies from the outlets up.

    Parameters
    ----------
    parent : (n,) int64
        Next site below each, which comes earlier in the arrays; -1 where there is none.
    weight : (n, s) float64
        Worth per unit of access of each species to what lies above each site and below the next ones.
    first : (n + 1,) int64
        Actions of site b are ``first[b]`` to ``first[b + 1] - 1``; one of them may be to leave it as it is.
    passability : (m, s) float64
        Of the site after each action, 0 to 1.
    cost : (m,) float64
        What each action takes from the budget, 0 or more.
    worth : (m,) float64
        What each action brings by itself, whatever the access: less its upkeep, say.
    """

    parent: Ints
    weight: Floats
    first: Ints
    passability: Floats
    cost: Floats
    worth: Floats

    def __post_init__(self) -> None:
        n, m = self.parent.size, self.cost.size
        if (
            self.weight.shape[0] != n
            or self.first.shape != (n + 1,)
            or self.first[0] != 0
            or self.first[-1] != m
        ):
            raise ValueError(
                f"arrays do not fit: {n} sites, weight {self.weight.shape}, first {self.first.shape}"
            )
        if self.passability.shape != (m, self.weight.shape[1]) or self.worth.shape != (m,):
            raise ValueError(f"arrays do not fit: {m} actions, passability {self.passability.shape}")
        if (self.parent >= np.arange(n)).any() or (self.parent < -1).any():
            raise ValueError("parent: a site must come after the one below it, and -1 stands for none")
        if (np.diff(self.first) < 1).any():
            raise ValueError("first: every site needs an action, if only to leave it as it is")
        if not ((self.passability >= 0.0) & (self.passability <= 1.0)).all():
            raise ValueError("passability: it must be 0 to 1")
        if not (np.isfinite(self.cost) & (self.cost >= 0.0)).all():
            raise ValueError("cost: it must be 0 or more")
        if not (np.isfinite(self.weight).all() and np.isfinite(self.worth).all()):
            raise ValueError("weight and worth: they must be finite")

    def __len__(self) -> int:
        return int(self.parent.size)

    @property
    def species(self) -> int:
        """Number of species, or of other things that access is reckoned for apart."""
        return int(self.weight.shape[1])

    @cached_property
    def site(self) -> Ints:
        """Site of each action, (m,)."""
        return np.repeat(np.arange(len(self)), np.diff(self.first))

    def value(self, choice: Ints) -> tuple[float, float]:
        """Return what a choice of an action at each site (n,) brings, and what it costs."""
        return kernels_moves.worth_and_cost(
            self.parent, self.weight, self.passability, self.worth, self.cost, choice
        )

    def exposure(self, exposure: Floats, choice: Ints) -> float:
        """Return an amount per unit of access (n, s), summed over the access that a choice (n,) leaves."""
        access = kernels_moves.access_of(self.parent, self.passability, choice)
        return float((exposure * access).sum())
