"""Sets of decisions that a search goes through, and what is found of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.pruned import NarrowedPruned
from barrierrank.plan.relaxation import Narrowed, Priced

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Node:
    """Some decisions: what they allow, and what is known of them.

    Parameters
    ----------
    bound : float
        No plan that keeps to them is worth more.
    promise : float
        What the best of them is likely worth: nodes that promise most are looked at first.
    allowed : (m,) bool
    price : float
        A guess of the price of their budget.
    policies : tuple of (n,) int64
        Some that were met before.
    stem : bool
        Whether bounds by a stem, where there is one, are worth their time.
    """

    bound: float
    promise: float
    allowed: Bools
    price: float
    policies: tuple[Ints, ...] = ()
    stem: bool = True


@dataclass(frozen=True, eq=False)
class Settled:
    """A node at the price at which its budget is just spent.

    Parameters
    ----------
    bound : float
    priced : Priced or None
        None where time was up before.
    under, over : (n,) int64 or None
        Policies within the budget and beyond it.
    narrowed : Narrowed
        The relaxation with the decisions of the node.
    stem : bool
        Whether bounds by a stem were much lower, or not tried.
    """

    bound: float
    priced: Priced | None
    under: Ints | None
    over: Ints | None
    narrowed: Narrowed | NarrowedPruned
    stem: bool = True


@dataclass(frozen=True, eq=False)
class Looked:
    """All that comes of looking at a node.

    Parameters
    ----------
    settled : Settled
    bettered : list of (n,) int64
        Choices, which may be beyond the budget.
    children : list of Node
        What a decision leads to; none where none is needed, or left.
    """

    settled: Settled
    bettered: list[Ints]
    children: list[Node]


@dataclass(frozen=True)
class Aim:
    """When a search has done enough.

    Parameters
    ----------
    gap : float
        Share of what is gained that may be left open.
    deadline : float
        Of ``time.perf_counter``.
    zero : float
        Worth that gains are counted from.
    limits : (float, float)
        What is not worth more than the first is of no interest, nor what better there is than a plan worth the second.
    """

    gap: float
    deadline: float
    zero: float
    limits: tuple[float, float]


class TimeUp(Exception):  # noqa: N818 - no error: a reason to stop
    """Time is up."""


class PriceBelow(Exception):  # noqa: N818 - no error: another relaxation is needed
    """A price is below those that a relaxation is for."""


def ended(run: Callable[[], str]) -> str:
    """Run a search; return why it ended."""
    try:
        return run()
    except TimeUp:
        return "time"
    except KeyboardInterrupt:
        return "interrupted"
