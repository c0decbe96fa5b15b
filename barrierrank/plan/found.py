"""A plan as found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Found:
    """What a search found.

    Parameters
    ----------
    choice : (n,) int64 or None
        None where nothing was found that meets the demands.
    bound : float
        No plan that meets the demands is worth more; -inf where there is none.
    status : {"proven", "time", "interrupted"}
    decisions : int
    price : float
        As of a plan.
    """

    choice: NDArray[np.int64] | None
    bound: float
    status: str
    decisions: int
    price: float


@dataclass(frozen=True, eq=False)
class Plan:
    """A choice of an action at every site, and how far from the best it can be.

    Parameters
    ----------
    choice : (n,) int64
        Action of each site.
    worth, cost, exposure : float
    bound : float
        No plan that meets the demands is worth more.
    zero : float
        The worth that gains are counted from.
    status : {"proven", "time", "interrupted"}
        Why the search ended: the gap asked for is proven; time was up; the user stopped it.
    decisions : int
        Sets of decisions that were looked at.
    seconds : float
    price : float
        What one more unit of budget brings, by the relaxation.
    """

    choice: NDArray[np.int64]
    worth: float
    cost: float
    exposure: float
    bound: float
    zero: float
    status: str
    decisions: int
    seconds: float
    price: float

    @property
    def gap(self) -> float:
        """By how much the best plan can be better, as a share of what this one gains; infinite if it gains nothing."""
        left, gained = self.bound - self.worth, self.worth - self.zero
        if np.isfinite(self.bound) and left <= 1e-12 * max(abs(self.bound), abs(self.zero)):
            return 0.0
        return left / gained if gained > 0.0 else np.inf
