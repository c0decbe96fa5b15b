"""The best plan within a budget and a cap: searches by budget with a charge on what the cap is on."""

from __future__ import annotations

import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.bettering import bettered
from barrierrank.plan.branching import most_exposed, spread_most
from barrierrank.plan.by_budget import best_by_budget
from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.found import Found
from barrierrank.plan.nodes import TimeUp, ended
from barrierrank.plan.pricing import LOOKS, MOVES, near_enough
from barrierrank.plan.reduce import reduced

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CHARGES = 12
"""Charges that a set of decisions is looked at with, at most."""
SAME = 0.1
"""Share of what is open that another charge must promise to take off."""
INNER, ROUGH = 0.3, 0.01
"""Share of the gap that searches by budget leave open at least, and share of the gain where nothing is known."""
ONE, LEAST = 0.1, 0.02
"""Share of the time left that one of them may take, and of the whole time below which none is of use."""
STEEP = 4.0
"""From one charge to the next where nothing within the cap is known."""


@dataclass(frozen=True, eq=False)
class Branch:
    """Some decisions, and what is known of them.

    Parameters
    ----------
    bound : float
        No plan that keeps to them is worth more.
    allowed : (m,) bool
    charge : float
        A guess of the charge on exposure that bounds them best.
    policies : tuple of (n,) int64
        Choices that were best at some charge.
    """

    bound: float
    allowed: Bools
    charge: float
    policies: tuple[Ints, ...]


def best_by_cap(
    demands: Demands, gap: float, deadline: float, zero: float, *, start: Sequence[Ints] = (),
    price: float | None = None,
) -> Found:  # fmt: skip
    """Find the best plan within a budget and a cap.

    Parameters and errors are those of :func:`barrierrank.plan.by_budget.best_by_budget`.
    """
    small = reduced(demands)
    if not small.kept.size:
        return small.only(demands)
    search = ByCap(small.demands, gap, deadline, zero - small.worth, price)
    known = [part for choice in start if (part := small.part(choice)) is not None]
    status = ended(lambda: search.run(known))
    best, told = small.met(demands, search.best), search.root_price or search.price or 0.0
    return Found(best, search.bound + small.worth, status, search.decisions, told)


class ByCap:
    """State of one search.

    With a charge on exposure, and what the cap comes to at that charge given back, a plan within the cap is worth no
    less than without both. So the best that a search by budget finds then bounds it, at every charge. At the best one a
    plan within the cap and one beyond it often tie, and neither is what is asked for: a site at which they differ is
    decided then.

    Parameters
    ----------
    demands : Demands
    gap, deadline, zero
        As of :class:`barrierrank.plan.nodes.Aim`.
    price : float, optional
        A guess of what one more unit of budget brings.
    """

    def __init__(
        self, demands: Demands, gap: float, deadline: float, zero: float, price: float | None
    ) -> None:
        self.demands, self.tree = demands, demands.tree
        self.gap, self.deadline, self.zero, self.price = gap, deadline, zero, price
        self.least_time = LEAST * max(deadline - time.perf_counter(), 0.0)
        self.cap = demands.cap * (1.0 + ROUNDING)
        self.best: Ints | None = None
        self.worth, self.closed = -np.inf, -np.inf
        self.decisions = 0
        self.root_price: float | None = None
        self.now: Branch | None = None
        self.heap: list[tuple[float, int, Branch]] = []
        self.number = count()

    @property
    def bound(self) -> float:
        """No plan is worth more."""
        open_ = [branch.bound for _, _, branch in self.heap]
        if self.now is not None:
            open_.append(self.now.bound)
        return max(self.worth, self.closed, *open_, -np.inf)

    @property
    def cutoff(self) -> float:
        """Bound up to which nothing need be looked for."""
        return -np.inf if self.best is None else near_enough(self.worth, self.zero, self.gap)

    def run(self, known: Sequence[Ints]) -> str:
        """Search; return why it ended."""
        self.now = Branch(np.inf, self.demands.may, 0.0, ())
        least = self.demands.least_exposed(self.demands.may)[2]
        for choice in (self.demands.cheapest(self.demands.may), least, *known):
            self._offer(choice, [choice])
        if self.best is None:
            self._find_least()
        while self.now is not None:
            for child in self._look():
                heapq.heappush(self.heap, (-child.bound, next(self.number), child))
            self.now = None
            self.root_price = self.root_price or self.price
            if self.heap and -self.heap[0][0] > self.cutoff:
                self.now = self.heap[0][2]
                heapq.heappop(self.heap)
        return "proven" if self.bound <= max(self.cutoff, self.worth) else "time"

    def _offer(self, choice: Ints, patterns: Sequence[Ints]) -> None:
        """Keep a choice, and what comes of it when it is bettered, if it is the best so far."""
        budget, most = self.demands.budget * (1.0 + ROUNDING), (MOVES, LOOKS)
        tries = [[choice]] if len(patterns) == 1 else [[choice], patterns]
        for one in (choice, *(bettered(self.demands, budget, choice, some, most) for some in tries)):
            worth, _ = self.tree.value(one)
            if worth > self.worth and self.demands.met(one):
                self.best, self.worth = one.copy(), worth

    def _find_least(self) -> None:
        """Look for the plan of least exposure: either it is within the cap, or none is."""
        tree = replace(self.tree, weight=-self.demands.exposed, worth=np.zeros_like(self.tree.worth))
        found = self._searched(
            replace(self.demands, tree=tree, exposure=None, cap=np.inf), 1e-6, 0.0, (), (-self.cap, np.inf)
        )
        if found.choice is not None:
            self._offer(found.choice, [found.choice])
        if found.status == "interrupted":
            raise KeyboardInterrupt
        if self.best is None and -found.bound > self.cap:
            raise NoPlanError(
                f"no plan is exposed to less than {-found.bound:g}; the cap is {self.demands.cap:g}"
                if np.isfinite(found.bound)
                else "no plan was found that meets the demands"
            )

    def _searched(
        self, demands: Demands, gap: float, zero: float, start: Sequence[Ints],
        limits: tuple[float, float],
    ) -> Found:  # fmt: skip
        """Search by budget for a share of the time."""
        now = time.perf_counter()
        if now > self.deadline:
            raise TimeUp
        until = min(now + max(ONE * (self.deadline - now), self.least_time), self.deadline)
        found = best_by_budget(demands, gap, until, zero, start=start, price=self.price, limits=limits)
        self.decisions += max(found.decisions, 1)
        return found

    def _charged(self, charge: float, policies: Sequence[Ints]) -> Found:
        """Look for the best plan of the branch that exposure is charged to; the bound has the cap's worth back."""
        assert self.now is not None
        back = charge * self.cap
        tree = replace(self.tree, weight=self.tree.weight - charge * self.demands.exposed)
        demands = replace(self.demands, tree=tree, allowed=self.now.allowed, exposure=None, cap=np.inf)
        open_, gained = self.now.bound - self.cutoff, abs(self.worth - self.zero)
        rough = SAME * open_ / gained if np.isfinite(open_) and gained > 0.0 else ROUGH
        limits = (self.cutoff - back, self.now.bound - back)
        found = self._searched(demands, max(INNER * self.gap, rough), self.zero - back, policies, limits)
        self.price = found.price or self.price
        return replace(found, bound=found.bound + back)

    def _look(self) -> Iterator[Branch]:
        """Look at a branch at several charges; return what a decision leads to where it stays open."""
        assert self.now is not None
        kept, beyond = self._sides(self.now)
        charge = self.now.charge
        for _ in range(CHARGES):
            try:
                found = self._charged(charge, [p for p in (kept, beyond) if p is not None])
            except NoPlanError:
                return
            self.now = replace(self.now, bound=min(self.now.bound, found.bound), charge=charge)
            if found.choice is not None:
                self._offer(found.choice, [p for p in (kept, beyond, found.choice) if p is not None])
            if found.status == "interrupted":
                raise KeyboardInterrupt
            if self.now.bound <= self.cutoff:
                break
            if found.choice is None:
                break
            if self.demands.exposure_of(found.choice) <= self.cap:
                kept = found.choice
            else:
                beyond = found.choice
            then = self._next(charge, kept, beyond)
            if then is None:
                break
            charge = then
        if self.now.bound > self.cutoff:
            yield from self._children(self.now, kept, beyond)
        else:
            self.closed = max(self.closed, self.now.bound)

    def _sides(self, branch: Branch) -> tuple[Ints | None, Ints | None]:
        """Return the known policies of a branch within and beyond the cap that are best at its charge."""
        sides: list[Ints | None] = [None, None]
        most = [-np.inf, -np.inf]
        for policy in branch.policies:
            if not branch.allowed[policy].all():
                continue
            exposed = self.demands.exposure_of(policy)
            side = int(exposed > self.cap)
            worth = self.tree.value(policy)[0] - branch.charge * exposed
            if worth > most[side]:
                most[side], sides[side] = worth, policy
        return sides[0], sides[1]

    def _next(self, charge: float, kept: Ints | None, beyond: Ints | None) -> float | None:
        """Return the charge at which a plan within the cap and one beyond it tie; None where no other helps much."""
        assert self.now is not None
        if beyond is None:
            return 0.0 if charge > 0.0 else None
        one = self.best if kept is None else kept
        if one is None:
            return STEEP * charge if charge > 0.0 else self._steep(beyond)
        low, high = self.demands.exposure_of(one), self.demands.exposure_of(beyond)
        worth, more = self.tree.value(one)[0], self.tree.value(beyond)[0]
        tie = max((more - worth) / (high - low), 0.0)
        if kept is None and tie <= charge:
            return STEEP * charge if charge > 0.0 else self._steep(beyond)
        least = worth + tie * (self.cap - low)
        if tie == charge or self.now.bound - least <= SAME * (self.now.bound - self.cutoff):
            return None
        return tie

    def _steep(self, beyond: Ints) -> float:
        """Return a charge at which exposure beyond the cap costs about all that there is."""
        size = float(np.abs(self.tree.weight).sum() + np.abs(self.tree.worth).sum())
        return size / self.demands.exposure_of(beyond)

    def _children(self, branch: Branch, kept: Ints | None, beyond: Ints | None) -> Iterator[Branch]:
        """Decide at the site that matters most to exposure; where none is left, the branch stays open."""
        halves = most_exposed(self.demands, branch.allowed, kept, beyond)
        if halves is None:
            policy = self.demands.cheapest(branch.allowed) if kept is None else kept
            choices = spread_most(self.demands, branch.allowed, policy)
            if not choices:
                self.closed = max(self.closed, branch.bound)
                return
            halves = np.zeros_like(branch.allowed)
            halves[choices[0][1]] = True
            site = choices[0][0]
        else:
            site = int(self.tree.site[np.flatnonzero(halves)[0]])
        here = self.tree.site == site
        policies = tuple(p for p in (*branch.policies[-2:], kept, beyond) if p is not None)
        for side in (halves, ~halves):
            narrowed = self.demands.narrowed(branch.allowed & (side | ~here))
            if narrowed is not None:
                yield Branch(branch.bound, narrowed, branch.charge, policies)
