"""The search for the best plan: prices of the budget, moves, and decisions at one site after the other."""

from __future__ import annotations

import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import each
from barrierrank.plan import kernels_moves
from barrierrank.plan.branching import differing, spread_most
from barrierrank.plan.demands import ROUNDING, Demands
from barrierrank.plan.nodes import Node, Settled, TimeUp
from barrierrank.plan.relaxation import ENOUGH, Narrowed, Priced, Relaxation
from barrierrank.plan.stops import Stops

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOVES = 400
TIES = 16
"""Moves and prices at most, in one go."""
STEP = 1.06
"""From one price to the next at first, until there is a policy within the budget and one beyond it."""
ROUGHLY = 0.5
"""Share of what stays open that may be left between bound and policy meanwhile."""
CHARGES = 24
"""Charges on exposure at most."""
SMALL = 1e-12
"""Share of the dearest price below which a price is none; share of a worth that is rounding."""
LOOKS = 500_000
"""Sites looked at, one after the other, after which a choice is good enough."""
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
FEW = 200
"""Below this many sites threads cost more than they save."""
AT_ONCE = 2
"""Sets of decisions looked at side by side; the same on any number of cores, so that results are the same."""


@dataclass(eq=False)
class Search:
    """State of one search.

    Parameters
    ----------
    demands : Demands
    gap : float
        Share of what is gained that may be left open.
    deadline : float
        Of ``time.perf_counter``.
    zero : float
        Worth that gains are counted from.
    """

    demands: Demands
    gap: float
    deadline: float
    zero: float
    best: Ints | None = None
    worth: float = -np.inf
    decisions: int = 0
    known: float = np.inf
    closed: float = -np.inf
    busy: list[Node] = field(default_factory=list)
    heap: list[tuple[float, int, Node]] = field(default_factory=list)
    price: float = 0.0

    def __post_init__(self) -> None:
        self.tree = self.demands.tree
        most = np.maximum.reduceat(self.tree.cost, self.tree.first[:-1]).sum()
        # no limit is needed beyond what everything costs
        self.budget = min(self.demands.budget, float(most)) * (1.0 + ROUNDING)
        self.cheapest = self.demands.cheapest(self.demands.may)
        self.number = count()
        self.set_charge(0.0)

    def set_charge(self, charge: float) -> None:
        """Let exposure cost something in the relaxation."""
        tree = self.tree
        if charge > 0.0:
            tree = replace(tree, weight=tree.weight - charge * self.demands.exposed)
        self.relaxation = Relaxation(tree, self.demands.may)
        self.stops = [self.relaxation.stops() for _ in range(AT_ONCE)]
        self.rebate = charge * self.demands.cap if charge > 0.0 else 0.0

    @property
    def bound(self) -> float:
        """No plan is worth more."""
        nodes = [*self.busy, *(node for _, _, node in self.heap)]
        return min(self.known, max(self.worth, self.closed, *(node.bound for node in nodes), -np.inf))

    @property
    def cutoff(self) -> float:
        """Bound up to which nothing need be looked for."""
        if self.best is None:
            return -np.inf
        gained = abs(self.worth - self.zero)
        return self.worth + max(self.gap * gained, SMALL * max(abs(self.worth), abs(self.zero)))

    @property
    def tolerance(self) -> float:
        """Error of the grid that is left alone."""
        return max(0.1 * (self.cutoff - self.worth), 0.0) if self.best is not None else 0.0

    def total(self, priced: Priced) -> float:
        """Bound on worth by the relaxation at a price."""
        return priced.bound + priced.price * self.budget + self.rebate

    def offer(self, choice: Ints, patterns: Sequence[Ints], looks: int = LOOKS, moves: int = MOVES) -> None:
        """Better a choice step by step and keep it if it is the best so far."""
        demands, may = self.demands, self.demands.may
        arrays = (self.tree.parent, self.tree.weight, self.tree.first, self.tree.passability)
        stack = np.stack([*patterns, self.cheapest])
        self.consider(choice)
        if len(demands.pairs):  # moves must not bring a conflict in; what is in is taken out
            choice, may = choice.copy(), may.copy()
            may[demands.pairs.ravel()] = False
            for pair in demands.broken(choice):
                dearer = pair[np.argmax(self.tree.cost[pair])]
                choice[self.tree.site[dearer]] = self.cheapest[self.tree.site[dearer]]
            stack = stack[:0]
        amounts = (self.tree.worth, self.tree.cost, demands.exposed, may)
        limits = (self.budget, demands.cap * (1.0 + ROUNDING))
        self.consider(kernels_moves.improve(arrays, amounts, choice, stack, limits, (moves, looks)))

    def _is_near(self, policy: Ints) -> bool:
        """Whether a policy is so near the best plan that to better it may be worth the time."""
        return self.tree.value(policy)[0] > self.worth - NEAR * abs(self.worth - self.zero)

    def consider(self, choice: Ints) -> None:
        """Keep a choice if it is the best so far."""
        worth, _ = self.tree.value(choice)
        if worth > self.worth and self.demands.met(choice):
            self.best, self.worth = choice.copy(), worth

    def run(self, root: Node) -> str:
        """Search from the root of all decisions; return why it ended."""
        self.busy = [root]
        settled = [self.charged(root) if np.isfinite(self.demands.cap) else self.settle(root)]
        self.price = settled[0].priced.price if settled[0].priced is not None else 0.0
        while self.busy:
            for node, done in zip(list(self.busy), settled, strict=True):
                self._keep(node, done)
                self.busy.remove(node)
            self._take()
            tasks = list(enumerate(self.busy))
            settled = each(self._settle, tasks, threads=len(tasks) > 1 and len(self.tree) >= FEW)
        return "proven"

    def _take(self) -> None:
        """Take open nodes: the one that promises most, then the one of the greatest bound; none not beyond the cutoff.

        A node is noted as taken before it leaves the heap, so that its bound counts whenever the search is stopped.
        """
        while self.heap and len(self.busy) < AT_ONCE:
            at = 0 if not self.busy else max(range(len(self.heap)), key=lambda i: self.heap[i][2].bound)
            node = self.heap[at][2]
            if node.bound > self.cutoff:
                self.busy.append(node)
            else:
                self.closed = max(self.closed, node.bound)
            self.heap[at] = self.heap[-1]
            self.heap.pop()
            heapq.heapify(self.heap)

    def _keep(self, node: Node, settled: Settled) -> None:
        """Note what was found of a node and put what a decision leads to on the heap."""
        self.decisions += 1
        if settled.priced is None or settled.under is None:
            heapq.heappush(self.heap, (-settled.bound, next(self.number), replace(node, bound=settled.bound)))
            raise TimeUp
        self._better(settled, settled.under)
        if settled.bound <= self.cutoff:
            self.closed = max(self.closed, settled.bound)
            return
        choices = self._candidates(settled) or spread_most(self.demands, node.allowed, settled.under)
        if not choices and self.demands.met(settled.under):  # one plan is left
            self.closed = max(self.closed, self.tree.value(settled.under)[0])
        for child in self._children(node, settled, choices):
            if child.bound > self.cutoff:
                heapq.heappush(self.heap, (-child.promise, next(self.number), child))
            else:
                self.closed = max(self.closed, child.bound)

    def _better(self, settled: Settled, under: Ints) -> None:
        """Better the policies of a node, where they may be of use."""
        policies = [under] if settled.over is None else [under, settled.over]
        for policy in policies:
            self.consider(policy)
        early = self.decisions <= EARLY
        if settled.bound <= self.cutoff and not (early and len(self.tree) <= QUICK):
            return
        looks = LOOKS if early else LOOKS // 10
        if self.decisions <= FIRST:
            looks = max(looks, THOROUGH * len(self.tree))
        for policy in policies if early else policies[:1]:
            if early or self.decisions % SELDOM == 0 or self._is_near(policy):
                self.offer(policy, policies, looks, MOVES if early else MOVES // 10)

    def once(
        self, price: float, node: Node, narrowed: Narrowed, stops: Stops, known: Sequence[Ints], *,
        enough: float = ENOUGH,
    ) -> Priced:  # fmt: skip
        """Solve the relaxation of a node at a price."""
        if time.perf_counter() > self.deadline:
            raise TimeUp
        mark = self.cutoff - price * self.budget - self.rebate
        done = narrowed.at(price, stops, known, tolerance=self.tolerance, mark=mark, enough=enough)
        if node.bound == np.inf:
            self.known = min(self.known, self.total(done))
        return done

    @property
    def dearest(self) -> float:
        """A price above which nothing is worth buying."""
        cost = self.tree.cost[self.tree.cost > 0.0]
        size = np.abs(self.relaxation.tree.weight).sum() + 2.0 * np.abs(self.tree.worth).sum()
        return float(4.0 * size / cost.min()) if cost.size else 0.0

    def _settle(self, task: tuple[int, Node]) -> Settled:
        """Settle one of the nodes that are looked at side by side."""
        return self.settle(task[1], task[0])

    def settle(self, node: Node, place: int = 0) -> Settled:
        """Find the price at which a node's budget is just spent: where two policies, cheap and dear, tie."""
        bound, narrowed, at_root = node.bound, self.relaxation.narrowed(node.allowed), node.bound == np.inf
        stops, known = self.stops[place], [self.demands.cheapest(node.allowed), *node.policies]
        stops.clear()
        seen = narrowed  # to find the price of the root a rough grid will do
        if at_root:
            if node.price > 0.0:
                self.relaxation.centre(node.price)
            rough = Relaxation(self.relaxation.tree, self.demands.may, rough=True)
            seen, stops = rough.narrowed(node.allowed), rough.stops()
        under: Priced | None = None
        over: Priced | None = None
        price, step, dearest = node.price, STEP, self.dearest
        try:
            while under is None or over is None:
                now = self.once(price, node, seen, stops, known, enough=ROUGHLY)
                bound = min(bound, self.total(now))
                if now.cost > self.budget:
                    over, price = now, max(price, SMALL * dearest) * step
                    if price > dearest:
                        under = self._cheapest_of(node, now)
                elif price == 0.0:
                    now = self.once(price, node, narrowed, self.stops[place], known)
                    return Settled(min(bound, self.total(now)), now, now.policy, None, narrowed)
                else:
                    under, price = now, price / step if price > SMALL * dearest else 0.0
                if bound <= self.cutoff and not at_root:
                    return Settled(bound, now, now.policy, None, narrowed)
                step = min(step**2.0, 1e4)
            return self._tied(node, (under, over), bound, narrowed, place, known)
        except TimeUp:
            return Settled(bound, None, None, None, narrowed)

    def _cheapest_of(self, node: Node, like: Priced) -> Priced:
        """Return the cheapest choice of a node as if it had been found at a price."""
        cheapest = self.demands.cheapest(node.allowed)
        worth, cost = self.relaxation.tree.value(cheapest)
        return replace(like, policy=cheapest, worth=worth, cost=cost)

    def _tied(
        self,
        node: Node,
        pair: tuple[Priced, Priced],
        bound: float,
        narrowed: Narrowed,
        place: int,
        known: Sequence[Ints],
    ) -> Settled:
        """Go to the price at which a cheap and a dear policy tie, until none is better there."""
        under, over = pair
        stops = self.stops[place]
        done, offered = under, None
        at_root = node.bound == np.inf
        for _ in range(TIES):
            if at_root and offered is not under:
                # how much is to be shown at the root depends on how good a plan there is
                self.offer(under.policy, [under.policy, over.policy], LOOKS // 10)
                offered = under
            price = max((over.worth - under.worth) / (over.cost - under.cost), 0.0)
            done = self.once(price, node, narrowed, stops, known)
            bound = min(bound, self.total(done))
            tie = under.worth - price * under.cost
            if bound <= self.cutoff or done.reached <= tie + max(self.tolerance, SMALL * abs(tie)):
                break
            # nothing below this can be shown at any price
            settled = bound - tie - price * self.budget - self.rebate <= ENOUGH * (bound - self.cutoff)
            if done.cost > self.budget:
                over = done
            else:
                under = done
            if settled:
                break
        if at_root and done.price > 0.0:
            self.relaxation.centre(done.price)
        return Settled(bound, done, under.policy, over.policy, narrowed)

    def charged(self, root: Node) -> Settled:
        """Settle the root at the charge on exposure that gives the least bound."""
        low, high, charge, least = 0.0, np.inf, 0.0, 0.0
        best = settled = self.settle(root)
        for _ in range(CHARGES):
            if settled.under is None or settled.priced is None:
                return settled
            exposed = self._exposed(settled)
            low, high = (low, charge) if exposed <= self.demands.cap else (charge, high)
            if high == 0.0 or high - low <= 1e-3 * high:
                break
            if np.isinf(high):
                charge = 4.0 * charge if charge else abs(best.bound) / (exposed + self.demands.cap)
            else:
                charge = 0.5 * (low + high) if low == 0.0 else float(np.sqrt(low * high))
            self.set_charge(charge)
            self.offer(settled.under, [settled.under])
            settled = self.settle(replace(root, price=settled.priced.price))
            if settled.bound < best.bound:
                least, best = charge, settled
        self.set_charge(least)
        guess = best.priced.price if best.priced is not None else root.price
        return self.settle(replace(root, price=guess))

    def _exposed(self, settled: Settled) -> float:
        """Return the exposure of the mix of the cheap and the dear policy that just spends the budget."""
        assert settled.under is not None
        under = self.demands.exposure_of(settled.under)
        if settled.over is None:
            return under
        low, high = self.tree.value(settled.under)[1], self.tree.value(settled.over)[1]
        share = (self.budget - low) / (high - low)
        return (1.0 - share) * under + share * self.demands.exposure_of(settled.over)

    def _children(self, node: Node, settled: Settled, choices: Sequence[tuple[int, int]]) -> Iterator[Node]:
        """Decide at the site that matters most; the bounds are those at the price of the node."""
        priced = settled.priced
        assert priced is not None
        best, chosen = -1.0, None
        for site, action in choices:
            here = slice(self.tree.first[site], self.tree.first[site + 1])
            only, now = np.arange(here.start, here.stop) == action, node.allowed[here]
            variants = np.stack([only, now & ~only])
            bounds = settled.narrowed.decided(priced.price, self.budget, site, variants) + self.rebate
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
                yield Node(least, promise, narrowed, priced.price, policies)

    def _candidates(self, settled: Settled) -> list[tuple[int, int]]:
        """Sites where something may be decided, and an action of each: conflicts first, then where policies differ."""
        for policy in (settled.under, settled.over):
            broken = self.demands.pairs[:0] if policy is None else self.demands.broken(policy)
            if len(broken):
                return [(int(self.tree.site[a]), int(a)) for a in broken[0]]
        if settled.over is None or settled.under is None:
            return []
        return differing(self.tree, settled.under, settled.over)
