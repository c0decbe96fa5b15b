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
from barrierrank.plan.relaxation import Priced, Relaxation

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOVES = 400
TIES = 16
"""Moves and prices at most, in one go."""
MOSTLY_GRID = 0.3
"""Share of what is open that must be the grid's error for a finer grid to be tried."""
FINER_PASSES = 3
CHARGES = 24
"""Charges on exposure at most."""
SMALL = 1e-12
"""Share of the dearest price below which a price is none; share of a worth that is rounding."""
LOOKS = 500_000
"""Sites looked at, one after the other, after which a choice is good enough."""
FIRST, THOROUGH = 3, 400
"""Decisions up to which more is done: every site is looked at so many times."""
EARLY = 8
"""Decisions up to which as much is done to better both policies of each; later the cheap one only, and less."""
FEW = 200
"""Below this many sites threads cost more than they save."""
AT_ONCE = 2
"""Sets of decisions looked at side by side; the same on any number of cores, so that results are the same."""


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
    """

    bound: float
    promise: float
    allowed: Bools
    price: float
    policies: tuple[Ints, ...]


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
    """

    bound: float
    priced: Priced | None
    under: Ints | None
    over: Ints | None


class TimeUp(Exception):  # noqa: N818 - no error: a reason to stop
    """Time is up."""


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
        self.relaxation = Relaxation(tree)
        self.finer = Relaxation(tree, finer=True)
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

    def offer(self, choice: Ints, patterns: Sequence[Ints], looks: int = LOOKS) -> None:
        """Better a choice step by step and keep it if it is the best so far."""
        demands, may = self.demands, self.demands.may
        arrays = (self.tree.parent, self.tree.weight, self.tree.first, self.tree.passability)
        stack = np.stack([*patterns, self.cheapest])
        self._consider(choice)
        if len(demands.pairs):  # moves must not bring a conflict in; what is in is taken out
            choice, may = choice.copy(), may.copy()
            may[demands.pairs.ravel()] = False
            for pair in demands.broken(choice):
                dearer = pair[np.argmax(self.tree.cost[pair])]
                choice[self.tree.site[dearer]] = self.cheapest[self.tree.site[dearer]]
            stack = stack[:0]
        amounts = (self.tree.worth, self.tree.cost, demands.exposed, may)
        limits = (self.budget, demands.cap * (1.0 + ROUNDING))
        self._consider(kernels_moves.improve(arrays, amounts, choice, stack, limits, (MOVES, looks)))

    def _consider(self, choice: Ints) -> None:
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
            settled = each(self.settle, self.busy, threads=len(self.busy) > 1 and len(self.tree) >= FEW)
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
        policies = [settled.under] if settled.over is None else [settled.under, settled.over]
        early = self.decisions <= EARLY
        looks = LOOKS if early else LOOKS // 5
        if self.decisions <= FIRST:
            looks = max(looks, THOROUGH * len(self.tree))
        for policy in policies if early else policies[:1]:
            self.offer(policy, policies, looks)
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

    def once(self, price: float, node: Node, policies: Sequence[Ints], most: int) -> Priced:
        """Solve the relaxation of a node at a price."""
        if time.perf_counter() > self.deadline:
            raise TimeUp
        mark = self.cutoff - price * self.budget - self.rebate if node.bound < np.inf else np.nan
        done = self.relaxation.sharp(
            price, node.allowed, policies, tolerance=self.tolerance, mark=mark, most=most
        )
        if node.bound == np.inf:
            self.known = min(self.known, self.total(done))
        return done

    @property
    def dearest(self) -> float:
        """A price above which nothing is worth buying."""
        cost = self.tree.cost[self.tree.cost > 0.0]
        size = np.abs(self.relaxation.tree.weight).sum() + 2.0 * np.abs(self.tree.worth).sum()
        return float(4.0 * size / cost.min()) if cost.size else 0.0

    def settle(self, node: Node) -> Settled:
        """Find the price at which a node's budget is just spent: where two policies, cheap and dear, tie."""
        bound, policies = node.bound, list(node.policies)
        under: Priced | None = None
        over: Priced | None = None
        price, step, dearest = node.price, 1.25, self.dearest
        try:
            while under is None or over is None:
                now = self.once(price, node, policies, 1)
                bound, policies = min(bound, self.total(now)), [now.policy, *policies]
                if now.cost > self.budget:
                    over, price = now, max(price, SMALL * dearest) * step
                    if price > dearest:
                        under = self._cheapest_of(node, now)
                elif price == 0.0:
                    now = self.once(0.0, node, policies, 6)
                    return Settled(min(bound, self.total(now)), now, now.policy, None)
                else:
                    under, price = now, price / step if price > SMALL * dearest else 0.0
                step = min(step**1.5, 1e4)
            return self._tied(node, (under, over), bound, policies)
        except TimeUp:
            return Settled(bound, None, None, None)

    def _cheapest_of(self, node: Node, like: Priced) -> Priced:
        """Return the cheapest choice of a node as if it had been found at a price."""
        cheapest = self.demands.cheapest(node.allowed)
        worth, cost = self.relaxation.tree.value(cheapest)
        return replace(like, policy=cheapest, worth=worth, cost=cost)

    def _tied(self, node: Node, pair: tuple[Priced, Priced], bound: float, policies: list[Ints]) -> Settled:
        """Go to the price at which a cheap and a dear policy tie, until none is better there."""
        under, over = pair
        done = under
        for _ in range(TIES):
            price = max((over.worth - under.worth) / (over.cost - under.cost), 0.0)
            done = self.once(price, node, [over.policy, under.policy, *policies], 4)
            bound = min(bound, self.total(done))
            tie = under.worth - price * under.cost
            closed = bound <= self.cutoff and node.bound < np.inf  # the price at the root is told
            if closed or done.reached <= tie + max(self.tolerance, SMALL * abs(tie)):
                break
            policies = [done.policy, *policies]
            if done.cost > self.budget:
                over = done
            else:
                under = done
        error = done.bound - done.reached
        if node.bound == np.inf and bound > self.cutoff and error > MOSTLY_GRID * (bound - self.cutoff):
            finer = self.finer.sharp(
                done.price, node.allowed, [done.policy, over.policy, under.policy, *policies],
                tolerance=self.tolerance, mark=np.nan, most=FINER_PASSES,
            )  # fmt: skip
            bound = min(bound, self.total(finer))
        return Settled(bound, done, under.policy, over.policy)

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
            settled = self.settle(replace(root, price=settled.priced.price, policies=(settled.under,)))
            if settled.bound < best.bound:
                least, best = charge, settled
        self.set_charge(least)
        guess = best.priced.price if best.priced is not None else root.price
        return self.settle(
            replace(root, price=guess, policies=root.policies if best.under is None else (best.under,))
        )

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
        priced, under = settled.priced, settled.under
        assert priced is not None
        assert under is not None
        best, chosen = -1.0, None
        for site, action in choices:
            here = slice(self.tree.first[site], self.tree.first[site + 1])
            only = np.arange(here.start, here.stop) == action
            variants = np.stack([only, node.allowed[here] & ~only])
            change = self.relaxation.decided(priced, node.allowed, site, variants)
            drop = np.minimum(-change, max(settled.bound - self.cutoff, 0.0))
            merit = float((drop[0] + 1e-9) * (drop[1] + 1e-9))
            if merit > best:
                best, chosen = merit, (here, variants, change)
        if chosen is None:
            return
        here, variants, change = chosen
        policies = (under,) if settled.over is None else (settled.over, under)
        by_grid = priced.by_grid + priced.price * self.budget + self.rebate
        for variant, less in zip(variants, change.tolist(), strict=True):
            allowed = node.allowed.copy()
            allowed[here] = variant
            narrowed = self.demands.narrowed(allowed) if less > -np.inf else None
            if narrowed is not None:
                bound, promise = min(by_grid + less, settled.bound), settled.bound + less
                yield Node(bound, promise, narrowed, priced.price, policies)

    def _candidates(self, settled: Settled) -> list[tuple[int, int]]:
        """Sites where something may be decided, and an action of each: conflicts first, then where policies differ."""
        for policy in (settled.under, settled.over):
            broken = self.demands.pairs[:0] if policy is None else self.demands.broken(policy)
            if len(broken):
                return [(int(self.tree.site[a]), int(a)) for a in broken[0]]
        if settled.over is None or settled.under is None:
            return []
        return differing(self.tree, settled.under, settled.over)
