"""Prices of the budget: the relaxation of sets of decisions at the price at which the budget is just spent."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.bettering import bettered
from barrierrank.plan.demands import ROUNDING, Demands
from barrierrank.plan.nodes import Aim, Node, PriceBelow, Settled, TimeUp
from barrierrank.plan.pruned import NarrowedPruned, Pruned
from barrierrank.plan.relaxation import ENOUGH, Narrowed, Priced, Relaxation
from barrierrank.plan.stops import Stops

Ints = NDArray[np.int64]

MOVES = 400
POLISH = 40
TIES = 16
"""Moves, moves at last, and prices at most, in one go."""
STEP = 1.06
"""From one price to the next at first, until there is a policy within the budget and one beyond it."""
LEAP = 8.0
"""From one price of the root to the next at most, by what is spent there."""
ROUGHLY = 0.5
"""Share of what stays open that may be left between bound and policy meanwhile."""
SMALL = 1e-12
"""Share of the dearest price below which a price is none; share of a worth that is rounding."""
LOOKS = 500_000
"""Sites looked at, one after the other, after which a choice is good enough."""
LEAST = 0.6
"""Share of the price of the root below which what is not worth it is not looked at, unless a price falls so low."""
AT_ONCE = 2
"""Sets of decisions, or prices, looked at side by side: the same on any number of cores, as results must be."""


class Ground:
    """A relaxation, with places for what is known of its states.

    Parameters
    ----------
    relaxation : Relaxation or Pruned
    """

    def __init__(self, relaxation: Relaxation | Pruned) -> None:
        self.relaxation = relaxation
        self.stops = [relaxation.stops() for _ in range(AT_ONCE)]


@dataclass(eq=False)
class View:
    """A set of decisions seen through a relaxation.

    Parameters
    ----------
    node : Node
    narrowed : Narrowed or NarrowedPruned
        The relaxation with the decisions.
    stops : Stops
        What is known of its states.
    known : sequence of (n,) int64
        Policies that may be good.
    bound : float
        The least that was found.
    """

    node: Node
    narrowed: Narrowed | NarrowedPruned
    stops: Stops
    known: Sequence[Ints]
    bound: float

    @property
    def is_root(self) -> bool:
        """Whether nothing is decided and nothing known yet."""
        return self.node.bound == np.inf

    def settled(self, priced: Priced, under: Ints, over: Ints | None) -> Settled:
        """Return what was found."""
        return Settled(self.bound, priced, under, over, self.narrowed)


class Pricing:
    """The relaxation at prices, and the best plan so far.

    Parameters
    ----------
    demands : Demands
        Without a cap: see :mod:`barrierrank.plan.by_cap`.
    aim : Aim
    """

    def __init__(self, demands: Demands, aim: Aim) -> None:
        self.demands = demands
        self.gap, self.deadline, self.zero, self.limits = aim.gap, aim.deadline, aim.zero, aim.limits
        self.best: Ints | None = None
        self.worth = -np.inf
        self.known = np.inf
        self.tree = demands.tree
        most = np.maximum.reduceat(self.tree.cost, self.tree.first[:-1]).sum()
        # no limit is needed beyond what everything costs
        self.budget = min(demands.budget, float(most)) * (1.0 + ROUNDING)
        self.whole = self.ground = Ground(Relaxation(self.tree, demands.may))

    @property
    def cutoff(self) -> float:
        """Bound up to which nothing need be looked for."""
        if self.best is None:
            return self.limits[0]
        if self.worth >= self.limits[1]:
            return np.inf
        return max(self.limits[0], near_enough(self.worth, self.zero, self.gap))

    @property
    def tolerance(self) -> float:
        """Error of the grid that is left alone."""
        if self.best is None:
            return 0.0
        return max(0.1 * (near_enough(self.worth, self.zero, self.gap) - self.worth), 0.0)

    def total(self, priced: Priced) -> float:
        """Bound on worth by the relaxation at a price."""
        return priced.bound + priced.price * self.budget

    def offer(self, choice: Ints, patterns: Sequence[Ints], looks: int = LOOKS, moves: int = MOVES) -> None:
        """Better a choice step by step and keep it if it is the best so far."""
        self.consider(choice)
        self.take(self.bettered(choice, patterns, looks, moves))

    def bettered(self, choice: Ints, patterns: Sequence[Ints], looks: int, moves: int) -> Ints:
        """Return a choice bettered step by step, on what is left of the tree where something is left out."""
        relaxation = self.ground.relaxation
        if not isinstance(relaxation, Pruned):
            return bettered(self.demands, self.budget, choice, patterns, (moves, looks))
        small = relaxation.small
        part, *parts = (relaxation.part(policy) for policy in (choice, *patterns))
        return small.whole(bettered(small.demands, self.budget - small.cost, part, parts, (moves, looks)))

    def take(self, choice: Ints) -> None:
        """Keep a choice if it is the best so far; what is left out may spend the rest."""
        if self.consider(choice) and isinstance(self.ground.relaxation, Pruned):
            self.consider(bettered(self.demands, self.budget, choice, [], (POLISH, LOOKS)))

    def consider(self, choice: Ints) -> bool:
        """Keep a choice if it is the best so far; return whether it is."""
        worth, _ = self.tree.value(choice)
        better = worth > self.worth and self.demands.met(choice)
        if better:
            self.best, self.worth = choice.copy(), worth
        return better

    def once(self, price: float, view: View, enough: float = ENOUGH) -> Priced:
        """Solve the relaxation at a price."""
        if time.perf_counter() > self.deadline:
            raise TimeUp
        if price < view.narrowed.whole.least:
            raise PriceBelow
        mark = self.cutoff - price * self.budget
        done = view.narrowed.at(
            price, view.stops, view.known, tolerance=self.tolerance, mark=mark, enough=enough
        )
        view.bound = min(view.bound, self.total(done))
        if view.is_root:
            self.known = min(self.known, view.bound)
        return done

    @property
    def dearest(self) -> float:
        """A price above which nothing is worth buying."""
        cost = self.tree.cost[self.tree.cost > 0.0]
        size = np.abs(self.demands.tree.weight).sum() + 2.0 * np.abs(self.tree.worth).sum()
        return float(4.0 * size / cost.min()) if cost.size else 0.0

    def settle(self, node: Node, place: int, ground: Ground) -> Settled:
        """Find the price at which a node's budget is just spent: where two policies, cheap and dear, tie."""
        known = [self.demands.cheapest(node.allowed), *node.policies]
        view = View(node, ground.relaxation.narrowed(node.allowed), ground.stops[place], known, node.bound)
        view.stops.clear()
        try:
            around = self._around(view)
            return around if isinstance(around, Settled) else self._tied(view, around)
        except TimeUp:
            return Settled(view.bound, None, None, None, view.narrowed)

    def _around(self, view: View) -> Settled | tuple[Priced, Priced]:
        """Find a policy within the budget and one beyond it, unless the node is settled on the way."""
        under: Priced | None = None
        over: Priced | None = None
        price, step, dearest = view.node.price, STEP, self.dearest
        while under is None or over is None:
            now, leap = self.once(price, view, ROUGHLY), step
            if view.is_root and self.budget > 0.0:  # what is spent tells roughly how far away the price is
                apart = max(now.cost, self.budget / LEAP**2) / self.budget
                leap = max(step, min(max(apart, 1.0 / apart) ** 0.5, LEAP))
            if now.cost > self.budget:
                over, price = now, max(price, SMALL * dearest) * leap
                if price >= dearest:  # both are 0 where nothing is worth anything
                    under = self._as_priced(self.demands.cheapest(view.node.allowed), now)
            elif price == 0.0:
                now = self.once(price, view)
                return view.settled(now, now.policy, None)
            else:
                under, price = now, price / leap if price > SMALL * dearest else 0.0
            if view.bound <= self.cutoff and not view.is_root:
                return view.settled(now, now.policy, None)
            step = min(step**2.0, 1e4)
        return under, over

    def settle_root(self, root: Node) -> Settled:
        """Find the price of the root with a rough grid, leave out what is not worth much less than that, and settle."""
        known = [self.demands.cheapest(root.allowed), *root.policies]
        rough = Relaxation(self.demands.tree, self.demands.may, rough=True)
        view = View(root, rough.narrowed(root.allowed), rough.stops(), known, root.bound)
        self.ground = self.whole
        try:
            around = self._around(view)
            if isinstance(around, Settled):
                return self.settle(replace(root, price=0.0), 0, self.whole)
            low, high = sorted(priced.price for priced in around)
            self.ground = self._pruned(LEAST * min(max(_tie(*around), low), high))
            try:
                return self._root_tied(view, around)
            except PriceBelow:
                self.ground = self.whole
                return self._root_tied(view, around)
        except TimeUp:
            return Settled(view.bound, None, None, None, view.narrowed)

    def _pruned(self, least: float) -> Ground:
        """Return the relaxation for prices from a least one on, without what is not worth that."""
        if least > 0.0:
            pruned = Pruned(self.demands, least)
            if pruned.small.kept.size:
                return Ground(pruned)
        return self.whole

    def _root_tied(self, view: View, pair: tuple[Priced, Priced]) -> Settled:
        """Settle the root, roughly first, and lay the grid of access where policies are found to go."""
        relaxation, view.stops = self.ground.relaxation, self.ground.stops[0]
        view.narrowed = relaxation.narrowed(view.node.allowed)
        for enough in (ROUGHLY, ENOUGH):
            view.stops.clear()
            settled = self._tied(view, pair, enough)
            under, over, done = settled.under, settled.over, settled.priced
            if under is None or over is None or done is None or view.bound <= self.cutoff:
                break
            relaxation.centre(done.price)
            relaxation.lay(done.price, [under, over] if self.best is None else [under, over, self.best])
            view.narrowed = relaxation.narrowed(view.node.allowed)
            pair = (self._as_priced(under, done), self._as_priced(over, done))
        return replace(settled, narrowed=view.narrowed)

    def _as_priced(self, policy: Ints, like: Priced) -> Priced:
        """Return a policy as if it had been found at a price."""
        worth, cost = self.demands.tree.value(policy)
        return replace(like, policy=policy, worth=worth, cost=cost)

    def _tied(self, view: View, pair: tuple[Priced, Priced], enough: float = ENOUGH) -> Settled:
        """Go to the price at which a cheap and a dear policy tie, until none is better there."""
        under, over = pair
        done, offered = under, None
        for _ in range(TIES):
            if view.is_root and offered is not under:
                # how much is to be shown at the root depends on how good a plan there is
                self.offer(under.policy, [under.policy, over.policy], LOOKS // 10)
                offered = under
            price = _tie(under, over)
            done = self.once(price, view, enough)
            tie = under.worth - price * under.cost
            if view.bound <= self.cutoff or done.reached <= tie + max(self.tolerance, SMALL * abs(tie)):
                break
            # nothing below this can be shown at any price
            below = view.bound - tie - price * self.budget
            if done.cost > self.budget:
                over = done
            else:
                under = done
            if below <= enough * (view.bound - self.cutoff):
                break
        return view.settled(done, under.policy, over.policy)


def near_enough(worth: float, zero: float, gap: float) -> float:
    """Return the bound up to which nothing need be looked for, for a plan and the share of its gain left open."""
    return worth + max(gap * abs(worth - zero), SMALL * max(abs(worth), abs(zero)))


def _tie(under: Priced, over: Priced) -> float:
    """Return the price at which a cheap and a dear policy are as good as each other."""
    return max((over.worth - under.worth) / (over.cost - under.cost), 0.0)
