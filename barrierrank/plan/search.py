"""The best plan for a budget, with proof: prices, moves, and a search that decides site after site."""

from __future__ import annotations

import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves
from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.relaxation import Priced, Relaxation
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOVES = 400
TIES = 16
"""Moves and prices at most, in one go."""
CANDIDATES = 3
"""Sites of each kind that are weighed before one is decided."""
CHARGES = 24
"""Charges on exposure at most."""
SMALL = 1e-12
"""Share of the dearest price below which a price is none."""


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
    status : {"proven", "time", "interrupted", "grid"}
        Why the search ended: the gap asked for is proven; time was up; the user stopped it; what is left open is
        the error of the grid.
    decisions : int
        Sets of decisions that were looked at.
    seconds : float
    price : float
        What one more unit of budget brings, by the relaxation.
    """

    choice: Ints
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
        open_, gained = self.bound - self.worth, self.worth - self.zero
        if open_ <= 0.0:
            return 0.0
        return open_ / gained if gained > 0.0 else np.inf


@dataclass(frozen=True, eq=False)
class _Node:
    """Some decisions: what they allow, and what is known of them."""

    bound: float
    promise: float
    allowed: Bools
    price: float
    policies: tuple[Ints, ...]


@dataclass(frozen=True, eq=False)
class _Settled:
    """A node at the price at which its budget is just spent."""

    bound: float
    priced: Priced
    under: Ints
    over: Ints | None


class _TimeUp(Exception):
    """Time is up."""


@dataclass(eq=False)
class _Search:
    """State of one search."""

    demands: Demands
    gap: float
    deadline: float
    zero: float
    charge: float = 0.0
    best: Ints | None = None
    worth: float = -np.inf
    decisions: int = 0
    stuck: float = -np.inf
    closed: float = -np.inf
    working_on: float = np.inf
    heap: list[tuple[float, int, _Node]] = field(default_factory=list)
    price: float = 0.0
    relaxation: Relaxation = field(init=False)

    def __post_init__(self) -> None:
        self.tree = self.demands.tree
        self.budget = self.demands.budget
        self.cheapest = self.demands.cheapest(self.demands.may)
        self.set_charge(0.0)

    def set_charge(self, charge: float) -> None:
        """Let exposure cost something in the relaxation."""
        self.charge = charge
        tree = self.tree if charge == 0.0 else replace(
            self.tree, weight=self.tree.weight - charge * self.demands.exposed
        )  # fmt: skip
        self.relaxation = Relaxation(tree)
        self.rebate = charge * self.demands.cap if charge else 0.0

    @property
    def bound(self) -> float:
        """No plan is worth more."""
        return max(self.worth, self.stuck, self.closed, self.working_on, *(node.bound for _, _, node in self.heap))

    @property
    def cutoff(self) -> float:
        """Bound up to which nothing need be looked for."""
        if self.best is None:
            return -np.inf
        gained = abs(self.worth - self.zero)
        return self.worth + max(self.gap * gained, 1e-12 * max(abs(self.worth), abs(self.zero)))

    @property
    def tolerance(self) -> float:
        """Error of the grid that is left alone."""
        return max(0.1 * (self.cutoff - self.worth), 0.0) if self.best is not None else 0.0

    def total(self, priced: Priced) -> float:
        """Bound on worth by the relaxation at a price."""
        return priced.bound + priced.price * self.budget + self.rebate

    def offer(self, choice: Ints, patterns: Sequence[Ints]) -> None:
        """Better a choice step by step and keep it if it is the best so far."""
        may, demands = self.demands.may, self.demands
        arrays = (self.tree.parent, self.tree.weight, self.tree.first, self.tree.passability)
        stack = np.stack([*patterns, self.cheapest])
        broken = demands.broken(choice)
        if len(demands.pairs):  # moves must not bring a conflict in; what is in is taken out
            choice = choice.copy()
            may = may.copy()
            may[demands.pairs.ravel()] = False
            for pair in broken:
                dearer = pair[np.argmax(self.tree.cost[pair])]
                choice[self.tree.site[dearer]] = self.cheapest[self.tree.site[dearer]]
            stack = stack[-1:]
        done = kernels_moves.improve(
            arrays, self.tree.worth, self.tree.cost, demands.exposed, may, choice, stack, self.budget,
            demands.cap, MOVES,
        )  # fmt: skip
        worth, _ = self.tree.value(done)
        if worth > self.worth and demands.met(done):
            self.best, self.worth = done, worth

    def once(self, price: float, node: _Node, policies: Sequence[Ints], most: int) -> Priced:
        """Solve the relaxation of a node at a price."""
        if time.perf_counter() > self.deadline:
            raise _TimeUp
        mark = self.cutoff - price * self.budget - self.rebate if node.bound < np.inf else np.nan
        return self.relaxation.sharp(
            price, node.allowed, policies, tolerance=self.tolerance, mark=mark, most=most
        )

    def bracket(self, node: _Node) -> tuple[float, Priced | None, Priced | None, list[Ints]]:
        """Find prices at which a node's policies are within the budget and beyond it."""
        price, step = node.price, 1.25
        policies = list(node.policies)
        bound, under, over = node.bound, None, None
        while under is None or over is None:
            now = self.once(price, node, policies, 1)
            bound = self.working_on = min(bound, self.total(now))
            policies = [now.policy, *policies]
            if now.cost > self.budget:
                over, price = now, price * step
            elif price == 0.0:
                return bound, now, None, policies
            else:
                under, price = now, price / step
                if price < SMALL * self.dearest:
                    price = 0.0
            step = min(step**1.5, 1e4)
            if price > self.dearest:
                cheapest = self.demands.cheapest(node.allowed)
                worth, cost = self.relaxation.tree.value(cheapest)
                under = replace(now, policy=cheapest, worth=worth, cost=cost)
        return bound, under, over, policies

    @property
    def dearest(self) -> float:
        """A price above which nothing is worth buying."""
        cost = self.tree.cost[self.tree.cost > 0.0]
        size = np.abs(self.relaxation.tree.weight).sum() + np.abs(self.tree.worth).max(initial=0.0)
        return float(4.0 * size / cost.min()) if cost.size else 0.0

    def settle(self, node: _Node) -> _Settled:
        """Find the price at which a node's budget is just spent: where two policies, cheap and dear, tie."""
        bound, under, over, policies = self.bracket(node)
        assert under is not None
        if over is None:
            done = self.once(0.0, node, policies, 6)
            self.offer(done.policy, [done.policy])
            return _Settled(min(bound, self.total(done)), done, done.policy, None)
        done = under
        for _ in range(TIES):
            price = max((over.worth - under.worth) / (over.cost - under.cost), 0.0)
            done = self.once(price, node, [over.policy, under.policy, *policies], 4)
            bound = self.working_on = min(bound, self.total(done))
            tie = under.worth - price * under.cost
            if bound <= self.cutoff or done.reached <= tie + max(self.tolerance, 1e-12 * abs(tie)):
                break
            policies = [done.policy, *policies]
            if done.cost > self.budget:
                over = done
            else:
                under = done
        self.offer(under.policy, [under.policy, over.policy])
        self.offer(over.policy, [under.policy, over.policy])
        return _Settled(bound, done, under.policy, over.policy)

    def children(
        self, node: _Node, settled: _Settled, choices: Sequence[tuple[int, int]]
    ) -> Iterator[_Node]:
        """Decide at the site that matters most; the bounds are those at the price of the node."""
        priced = settled.priced
        extra = priced.by_grid + priced.price * self.budget + self.rebate
        best, chosen = -1.0, None
        for site, action in choices:
            here = slice(self.tree.first[site], self.tree.first[site + 1])
            only = np.zeros(self.tree.first[site + 1] - self.tree.first[site], dtype=bool)
            only[action - here.start] = True
            variants = np.stack([only, node.allowed[here] & ~only])
            bounds = self.relaxation.decided(priced, node.allowed, site, variants)
            drop = np.minimum(-bounds, max(settled.bound - self.cutoff, 0.0))
            merit = float((drop[0] + 1e-9) * (drop[1] + 1e-9))
            if merit > best:
                best, chosen = merit, (here, variants, bounds)
        if chosen is None:
            return
        here, variants, bounds = chosen
        policies = (settled.under,) if settled.over is None else (settled.over, settled.under)
        for variant, bound in zip(variants, bounds, strict=True):
            if bound == -np.inf:
                continue
            allowed = node.allowed.copy()
            allowed[here] = variant
            narrowed = self.demands.narrowed(allowed)
            if narrowed is not None:
                yield _Node(min(float(bound) + extra, settled.bound), settled.bound + float(bound), narrowed, settled.priced.price, policies)

    def run(self, root: _Node) -> str:
        """Search from the root of all decisions; return why it ended."""
        number = count()
        first = self.charged(root) if np.isfinite(self.demands.cap) else self.settle(root)
        self.price = first.priced.price
        todo: _Node | None = root
        settled = first
        while todo is not None:
            self.decisions += 1
            self.working_on = settled.bound
            if settled.bound > self.cutoff:
                self._branch(todo, settled, number)
            else:
                self.closed = max(self.closed, settled.bound)
            self.working_on = -np.inf
            todo = self._next()
            if todo is not None:
                self.working_on = todo.bound
                settled = self.settle(todo)
        return "grid" if self.stuck > self.cutoff else "proven"

    def _next(self) -> _Node | None:
        """Take the open node that promises most; none where no bound is beyond the cutoff."""
        while self.heap:
            node = heapq.heappop(self.heap)[2]
            if node.bound > self.cutoff:
                return node
            self.closed = max(self.closed, node.bound)
        return None

    def _branch(self, node: _Node, settled: _Settled, number: Iterator[int]) -> None:
        """Put what a decision leads to on the heap."""
        choices = self._candidates(node, settled)
        if not choices:
            self.stuck = max(self.stuck, settled.bound)
        for child in self.children(node, settled, choices):
            if child.bound > self.cutoff:
                heapq.heappush(self.heap, (-child.promise, next(number), child))
            else:
                self.closed = max(self.closed, child.bound)

    def charged(self, root: _Node) -> _Settled:
        """Settle the root at the charge on exposure that gives the least bound."""
        low, high = 0.0, np.inf
        charge = best_charge = 0.0
        best = settled = self.settle(root)
        for _ in range(CHARGES):
            now = self.demands.exposure_of(settled.under)
            if now <= self.demands.cap:
                high = charge
            else:
                low = charge
            if high == 0.0 or high - low <= 1e-3 * high:
                break
            if np.isinf(high):
                charge = 4.0 * charge if charge else abs(best.bound) / (now + self.demands.cap)
            else:
                charge = 0.5 * (low + high) if low == 0.0 else float(np.sqrt(low * high))
            self.set_charge(charge)
            settled = self.settle(replace(root, price=best.priced.price, policies=(best.under,)))
            if settled.bound < best.bound:
                best_charge, best = charge, settled
        if best_charge != self.charge:
            self.set_charge(best_charge)
            best = self.settle(replace(root, price=best.priced.price, policies=(best.under,)))
        return best

    def _candidates(self, node: _Node, settled: _Settled) -> list[tuple[int, int]]:
        """Sites where something may be decided, and an action of each: conflicts first, then where policies differ."""
        for policy in (settled.under, settled.over):
            if policy is not None and len(self.demands.pairs):
                broken = self.demands.broken(policy)
                if len(broken):
                    return [(int(self.tree.site[a]), int(a)) for a in broken[0]]
        if settled.over is None:
            return []
        return differing(self.tree, settled.under, settled.over)


def differing(tree: PlanTree, under: Ints, over: Ints) -> list[tuple[int, int]]:
    """Return a few sites where two policies differ most, with the action of the dear one.

    Sites that differ and adjoin make up bundles; the lowest site of each of the dearest bundles, and the sites that
    differ most by themselves.
    """
    sites = np.flatnonzero(under != over)
    own = np.abs(tree.cost[over[sites]] - tree.cost[under[sites]])
    bundle: dict[int, int] = {}
    size: dict[int, float] = {}
    for b, cost in zip(sites.tolist(), own.tolist(), strict=True):
        top = bundle[b] = bundle.get(int(tree.parent[b]), b)
        size[top] = size.get(top, 0.0) + cost
    dear = sorted(size, key=lambda b: (-size[b], b))[:CANDIDATES]
    alone = sites[np.lexsort((sites, -own))][:CANDIDATES].tolist()
    return [(b, int(over[b])) for b in dict.fromkeys([*dear, *alone])]


def best_plan(
    demands: Demands, *, gap: float = 1e-3, seconds: float = 30.0, zero: float | None = None,
    start: Sequence[Ints] = (), price: float | None = None,
) -> Plan:  # fmt: skip
    """Find the plan of greatest worth that meets the demands.

    Parameters
    ----------
    demands : Demands
    gap : float
        Stop when no plan can be better by more than this share of what the plan gains.
    seconds : float
        Stop then with the best plan so far and its bound.
    zero : float, optional
        The worth that gains are counted from; by default that of the cheapest choice.
    start : sequence of (n,) int64
        Plans that are known, of a like budget say.
    price : float, optional
        A guess of what one more unit of budget brings.

    Raises
    ------
    NoPlanError
        Nothing meets the demands, as far as that is seen: no action at a site, a budget below the least cost.
    """
    began = time.perf_counter()
    tree = demands.tree
    cheapest = demands.cheapest(demands.may)
    search = _Search(demands, gap, began + seconds, tree.value(cheapest)[0] if zero is None else zero)
    search.offer(cheapest, [cheapest])
    for choice in start:
        search.offer(choice, [choice])
    guess = price or float(np.abs(tree.weight).sum() / max(tree.cost.sum(), 1e-300))
    try:
        status = search.run(_Node(np.inf, np.inf, demands.may, guess, tuple(start)))
    except _TimeUp:
        status = "time"
    except KeyboardInterrupt:
        status = "interrupted"
    if search.best is None:
        raise NoPlanError("no plan was found that meets the demands")
    worth, cost = tree.value(search.best)
    return Plan(
        search.best, worth, cost, demands.exposure_of(search.best), search.bound, search.zero, status,
        search.decisions, time.perf_counter() - began, search.price,
    )  # fmt: skip
