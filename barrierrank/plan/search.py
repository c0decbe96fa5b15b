"""The search for the best plan: decisions at one site after the other."""

from __future__ import annotations

import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import count

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import each
from barrierrank.plan.branching import differing, spread_most
from barrierrank.plan.by_stem import ByStem
from barrierrank.plan.demands import Demands
from barrierrank.plan.nodes import Aim, Looked, Node, PriceBelow, Settled, TimeUp
from barrierrank.plan.pricing import AT_ONCE, LOOKS, MOVES, Pricing
from barrierrank.plan.stem import stem_of

Ints = NDArray[np.int64]

FIRST, THOROUGH = 1, 400
"""Decisions up to which more is done: every site is looked at so many times."""
EARLY = 4
"""Decisions up to which as much is done to better both policies of each; later the cheap one only, and less."""
SELDOM, NEAR = 10, 0.02
"""Later a policy is bettered once in so many decisions, or if it is worth nearly as much as the best plan."""
LESSER = 5.0
"""How much more the half that takes less off the bound counts in the choice of a decision."""
QUICK = 1000
"""Up to this many sites a plan is bettered at first even where it is proven to be near enough."""
PATIENT, LONGER = 4, 200.0
"""Decisions after which a stem is tried: at least, and by its share of all sites, as it takes so long to work out."""
HELPS = 0.3
"""Share of what is open that a stem must take off to be worth its time."""
FEW_POLICIES = 4
"""Policies behind bounds by a stem that are bettered at first: those that spend most nearly the budget."""
FEW = 200
"""Below this many sites threads cost more than they save."""


class Search(Pricing):
    """State of one search.

    Parameters
    ----------
    demands, aim
        As of :class:`barrierrank.plan.pricing.Pricing`.
    """

    def __init__(self, demands: Demands, aim: Aim) -> None:
        super().__init__(demands, aim)
        self.decisions = 0
        self.closed = -np.inf
        self.busy: list[Node] = []
        self.heap: list[tuple[float, int, Node]] = []
        self.price = 0.0
        self.cheapest = demands.cheapest(demands.may)
        self.number = count()
        self.by_stem: ByStem | None = None

    @property
    def bound(self) -> float:
        """No plan is worth more."""
        nodes = [*self.busy, *(node for _, _, node in self.heap)]
        return min(self.known, max(self.worth, self.closed, *(node.bound for node in nodes), -np.inf))

    def run(self, root: Node) -> str:
        """Search from the root of all decisions; return why it ended."""
        self.busy = [root]
        first = self.settle_root(root)
        self.price = first.priced.price if first.priced is not None else 0.0
        looked = [self._looked_at(0, root, first)]
        patience = self._patience(first)
        while self.busy:
            for node, done in zip(list(self.busy), looked, strict=True):
                self._keep(node, done)
                self.busy.remove(node)
            if self.decisions >= patience and self.bound > self.cutoff:
                patience = np.inf
                self._try_stem(root, first)
            self._take()
            tasks = list(enumerate(self.busy))
            looked = each(self._look_at, tasks, threads=len(tasks) > 1 and len(self.tree) >= FEW)
        return "proven"

    def _patience(self, settled: Settled) -> float:
        """Return the number of decisions after which a stem may be tried."""
        if settled.under is None or settled.over is None or settled.priced is None:
            return np.inf
        length = stem_of(self.tree, settled.under, settled.over).size
        return max(PATIENT, LONGER * length / len(self.tree))

    def _try_stem(self, root: Node, settled: Settled) -> None:
        """Go on by a stem if that takes much off what is open."""
        by_stem, before = ByStem(self.ground.relaxation, root, settled, self.budget), self.bound
        policies = by_stem.begin(self._goes_on)
        self._better_near(policies)
        if self._is_late:
            return
        policies = self._followed(by_stem, policies)
        if self._is_late or before - self.bound < HELPS * (before - self.cutoff):
            return
        if self.bound > self.cutoff and by_stem.refine():
            self._followed(by_stem, policies)
        self.by_stem = by_stem

    def _followed(self, by_stem: ByStem, policies: list[Ints]) -> list[Ints]:
        """Note the bound by a stem on a grid along policies; return those behind it."""
        known = [] if self.best is None else [self.best]
        bound, policies = by_stem.follow([*known, *policies], self._goes_on)
        self.known = min(self.known, bound)
        self._better_near(policies)
        return policies

    def _better_near(self, policies: Sequence[Ints]) -> None:
        """Better a few policies that spend nearly the budget."""
        near = sorted(policies, key=lambda policy: abs(self.tree.value(policy)[1] - self.budget))[
            :FEW_POLICIES
        ]
        threads = len(near) > 1 and len(self.tree) >= FEW
        for choice in each(
            lambda policy: self.bettered(policy, policies, LOOKS, MOVES), near, threads=threads
        ):
            self.take(choice)

    @property
    def _is_late(self) -> bool:
        return time.perf_counter() > self.deadline

    def _goes_on(self, bound: float) -> bool:
        """Whether a bound is worth going on from."""
        return bound > self.cutoff and not self._is_late

    def _take(self) -> None:
        """Take open nodes: the one that promises most, then the one of the greatest bound; none not beyond the cutoff.

        A node is noted as taken before it leaves the heap, so that its bound counts whenever the search is stopped.
        """
        while self.heap and len(self.busy) < AT_ONCE:
            at = 0 if not self.busy else max(range(len(self.heap)), key=lambda i: self.heap[i][2].bound)
            node = self.heap[at][2]
            if min(node.bound, self.known) > self.cutoff:
                self.busy.append(node)
            else:
                self.closed = max(self.closed, node.bound)
            self.heap[at] = self.heap[-1]
            self.heap.pop()
            heapq.heapify(self.heap)

    def _keep(self, node: Node, looked: Looked) -> None:
        """Note what was found of a node, and put what a decision leads to on the heap."""
        settled = looked.settled
        self.decisions += 1
        if settled.priced is None or settled.under is None:
            heapq.heappush(self.heap, (-settled.bound, next(self.number), replace(node, bound=settled.bound)))
            raise TimeUp
        for choice in (settled.under, settled.over):
            if choice is not None:
                self.consider(choice)
        for choice in looked.bettered:
            self.take(choice)
        if settled.bound <= self.cutoff:
            self.closed = max(self.closed, settled.bound)
            return
        if not looked.children and self.demands.met(settled.under):  # one plan is left
            self.closed = max(self.closed, self.tree.value(settled.under)[0])
        for child in looked.children:
            if child.bound > self.cutoff:
                heapq.heappush(self.heap, (-child.promise, next(self.number), child))
            else:
                self.closed = max(self.closed, child.bound)

    def _bettered(self, place: int, settled: Settled, under: Ints) -> list[Ints]:
        """Better the policies of a node, where they may be of use."""
        policies = [under] if settled.over is None else [under, settled.over]
        number = self.decisions + 1 + place
        early = number <= EARLY
        if settled.bound <= self.cutoff and not (early and len(self.tree) <= QUICK):
            return []
        looks = LOOKS if early else LOOKS // 10
        if number <= FIRST:
            looks = max(looks, THOROUGH * len(self.tree))
        moves = MOVES if early else MOVES // 10
        chosen = [
            p
            for p in (policies if early else policies[:1])
            if early or number % SELDOM == 0 or self._is_near(p)
        ]
        threads = len(chosen) > 1 and len(self.tree) >= FEW
        return each(lambda policy: self.bettered(policy, policies, looks, moves), chosen, threads=threads)

    def _is_near(self, policy: Ints) -> bool:
        """Whether a policy is so near the best plan that to better it may be worth the time."""
        return self.tree.value(policy)[0] > self.worth - NEAR * abs(self.worth - self.zero)

    def _look_at(self, task: tuple[int, Node]) -> Looked:
        """Look at one of the nodes that are taken side by side; nothing of the search is written to."""
        place, node = task
        try:
            settled = self.settle(node, place, self.ground)
        except PriceBelow:
            settled = self.settle(node, place, self.whole)
        return self._looked_at(place, node, settled)

    def _looked_at(self, place: int, node: Node, settled: Settled) -> Looked:
        """Better the policies that were found, and decide where the node stays open."""
        if settled.under is None or settled.priced is None:
            return Looked(settled, [], [])
        bettered = self._bettered(place, settled, settled.under)
        if self.by_stem is not None and node.stem and settled.bound > self.cutoff:
            settled, policies = self._lowered(self.by_stem, node, settled)
            bettered += policies
        if settled.bound <= self.cutoff or settled.under is None:
            return Looked(settled, bettered, [])
        choices = self._candidates(settled) or spread_most(self.demands, node.allowed, settled.under)
        return Looked(settled, bettered, list(self._children(node, settled, choices)))

    def _lowered(self, by_stem: ByStem, node: Node, settled: Settled) -> tuple[Settled, list[Ints]]:
        """Lower the bound of a node by a stem, and better the policies behind it a little."""
        lowered, policies = by_stem.lowered(node, settled, self._goes_on)
        helps = settled.bound - lowered.bound >= HELPS * (settled.bound - self.cutoff)
        near = [policy for policy in policies if self._is_near(policy)]
        better = [self.bettered(policy, policies, LOOKS // 10, MOVES // 10) for policy in near]
        return replace(lowered, stem=helps), better

    def _children(self, node: Node, settled: Settled, choices: Sequence[tuple[int, int]]) -> Iterator[Node]:
        """Decide at the site that matters most; the bounds are those at the price of the node."""
        priced = settled.priced
        assert priced is not None
        best, chosen = -1.0, None
        for site, action in choices:
            here = slice(self.tree.first[site], self.tree.first[site + 1])
            only, now = np.arange(here.start, here.stop) == action, node.allowed[here]
            variants = np.stack([only, now & ~only])
            bounds = settled.narrowed.decided(priced.price, self.budget, site, variants)
            less = bounds[1:] - bounds[0]
            drop = np.minimum(-less, max(settled.bound - self.cutoff, 0.0))
            merit = float(LESSER * drop.min() + drop.max())
            if merit > best:
                best, chosen = merit, (here, variants, less, bounds[1:])
        if chosen is None:
            return
        here, *rest = chosen
        policies = tuple(p for p in (settled.under, settled.over) if p is not None)
        for variant, less, bound in zip(*rest, strict=True):
            allowed = node.allowed.copy()
            allowed[here] = variant
            narrowed = self.demands.narrowed(allowed) if less > -np.inf else None
            if narrowed is not None:
                least = min(float(bound), settled.bound)
                promise = min(settled.bound + float(less), least)
                yield Node(least, promise, narrowed, priced.price, policies, settled.stem)

    def _candidates(self, settled: Settled) -> list[tuple[int, int]]:
        """Sites where something may be decided, and an action of each: conflicts first, then where policies differ."""
        for policy in (settled.under, settled.over):
            broken = self.demands.pairs[:0] if policy is None else self.demands.broken(policy)
            if len(broken):
                return [(int(self.tree.site[a]), int(a)) for a in broken[0]]
        if settled.over is None or settled.under is None:
            return []
        return differing(self.tree, settled.under, settled.over)
