"""The relaxation at a price of the budget: a bound, and the policy behind it.

For a price, what a site and all above it bring is the greatest of as many linear functions of the access from below
as there are policies: convex, whatever the signs of the weights, and convex in the price too. Read between the nodes
of a grid, and between two prices that were solved before, it is a bound from above. Where policies really stop it is
worked out one state after the other (:mod:`barrierrank.plan.stops`), until bound and policy meet.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_grid, kernels_path, kernels_relax, kernels_stops
from barrierrank.plan.stops import Stops, family_of, sites_above
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_STEPS = {1: 64, 2: 22, 3: 12, 4: 9, 5: 6}
"""Steps of the grid of access by number of species; 4 beyond."""
LEAST_STEPS = {1: 32, 2: 12, 3: 7, 4: 5, 5: 4}
"""Likewise, at least, and of a rough grid; 3 beyond."""
DENSER = 1.5
"""Power by which nodes are nearer to each other the nearer they are to full access, where budgets go."""
LAYINGS = ((0.005, 0.001, 0.002), (0.01, 0.01, 0.03))
"""How likely another action than that of a policy is, that it goes on as another, and how much a node counts where no
such policy comes near; each is tried."""
LOWER = 0.85
"""Share of a price at which bounds are compared as well."""
TABLE_SIZE = 1.5e8
"""Bytes of one table from which on a grid has fewer steps than that at most."""
SPACING, WIDENING = 0.1, 1.3
"""Logarithm of the first price beside the central one that tables are kept for; power by which they grow apart."""
RUNGS = 60
"""Such prices to either side; below them all there is a price of none."""
EXACT = 1000
"""Tables at the very price that is asked for have numbers from here on."""
OTHERS = (-1, 2)
"""Further tables that decisions are weighed with, by steps from the one below the price."""
FEW_SPECIES = 2
"""Beyond so many the further ones cost more than they save."""
KEPT, LEAST_KEPT, SIZE_KEPT = 16, 4, 1e9
"""Tables kept at most, at least, and bytes of them in between."""
ROUNDS = 400
"""Policies at most that are followed at a price."""
HEADWAY, PATIENCE = 0.02, 6
"""Share of what is open that a policy should take off; how many may in a row take less."""
ENOUGH = 0.1
"""Share of what stays open that is left between bound and policy."""
LEAVE = 0.02
"""Share of what is open that may be left where nothing is looked at."""
ROUNDED = 1e-13
"""Share of a bound that is rounding."""


@dataclass(frozen=True, eq=False)
class Table:
    """What can be had above every site on the grid, at one price and with all that is allowed.

    Parameters
    ----------
    price : float
    bound : float
        No plan has a greater worth less price x cost.
    base : (m,) float64
        Worth of each action less price x cost.
    values : (inner, width ** s) float64
    """

    price: float
    bound: float
    base: Floats
    values: Floats


@dataclass(frozen=True, eq=False)
class Priced:
    """The relaxation at one price.

    Parameters
    ----------
    price : float
        Worth per unit of cost.
    bound : float
        No plan that is allowed has a greater worth less price x cost.
    policy : (n,) int64
        The best plan at this price that was met.
    worth, cost : float
        Of that plan.
    """

    price: float
    bound: float
    policy: Ints
    worth: float
    cost: float

    @property
    def reached(self) -> float:
        """Worth less price x cost of the policy; the bound is exact where it equals this."""
        return self.worth - self.price * self.cost


class Relaxation:
    """Bounds and policies for any price.

    Parameters
    ----------
    tree : PlanTree
    may : (m,) bool
        Actions that may be chosen at all, at least one of every site.
    steps : int, optional
        Steps of the grid of access for each species.
    rough : bool
        Whether a few steps will do.
    """

    def __init__(self, tree: PlanTree, may: Bools, steps: int | None = None, *, rough: bool = False) -> None:
        self.tree = tree
        self.may = may
        self.least = 0.0
        inner = np.zeros(len(tree), dtype=bool)
        inner[tree.parent[tree.parent >= 0]] = True
        self.slot = np.where(inner, np.cumsum(inner) - 1, -1).astype(np.int64)
        rows = max(int(inner.sum()), 1)
        least = LEAST_STEPS.get(tree.species, 3)
        most = int((TABLE_SIZE / (8.0 * rows)) ** (1.0 / tree.species)) - 1
        self.steps = steps or (least if rough else max(least, min(most, MOST_STEPS.get(tree.species, 4))))
        even = 1.0 - (1.0 - np.arange(self.steps + 1) / self.steps) ** DENSER
        even[-1] = 1.0
        self.even = self.nodes = np.tile(even, (len(tree), tree.species, 1))
        self.shape = (rows, (self.steps + 1) ** tree.species)
        self.arrays = (tree.parent, tree.weight, tree.first, tree.passability)
        self.family = family_of(tree.parent)
        self.share = sites_above(tree.parent) / max(len(tree), 1)
        size = 8.0 * self.shape[0] * self.shape[1]
        self.kept = int(min(max(LEAST_KEPT, SIZE_KEPT // size), KEPT))
        self._tables: OrderedDict[float, Table] = OrderedDict()
        self._lock = Lock()
        self._centre = 0.0

    def stops(self) -> Stops:
        """Return a place to keep what is known of states, for :meth:`at`."""
        return Stops(self.tree, self.family)

    def lay(self, price: float, policies: Sequence[Ints]) -> None:
        """Lay the nodes of the grid where some policies go, if that gives lower bounds; stops of before are void then.

        Parameters
        ----------
        price : float
            At which, and a little below which, bounds are compared.
        policies : sequence of (n,) int64
        """
        laid = [self.even, *(self._laid(policies, shares) for shares in LAYINGS)]
        with self._lock:
            self._tables.clear()
        self.nodes = laid[int(np.argmin([self._weighed(nodes, price) for nodes in laid]))]

    def follow(self, policies: Sequence[Ints]) -> None:
        """Lay the nodes of the grid where some policies (n,) go, whatever the bounds; stops of before are void then."""
        nodes = self._laid(policies, LAYINGS[0])
        with self._lock:
            self._tables.clear()
        self.nodes = nodes

    def _laid(self, policies: Sequence[Ints], shares: tuple[float, float, float]) -> Floats:
        """Return nodes where some policies go."""
        tree, nodes = self.tree, np.empty_like(self.even)
        several = np.array([*policies, *self._extremes()], dtype=np.int64)
        kernels_grid.lay_nodes(tree.parent, tree.first, tree.passability, self.may, several, shares, nodes)
        return nodes

    def _weighed(self, nodes: Floats, price: float) -> float:
        """Return what the bounds by the grid come to at a price and a lower one."""
        total, values = 0.0, np.empty(self.shape)
        for there in (price, LOWER * price):
            problem = (*self.arrays, self.tree.worth - there * self.tree.cost, self.may, self.slot)
            total += kernels_relax.relax(problem, nodes, values)
        return total

    def _extremes(self) -> list[Ints]:
        """Return the policy that spends least and the one that opens most."""
        tree = self.tree
        open_ = tree.passability.sum(axis=1)
        out = []
        for amount in (np.where(self.may, tree.cost, np.inf), np.where(self.may, -open_, np.inf)):
            order = np.lexsort((amount, tree.site))
            out.append(order[tree.first[:-1]])
        return out

    def centre(self, price: float) -> None:
        """Keep tables for prices about this one, nearer to each other the nearer they are to it."""
        with self._lock:
            here = [table for table in self._tables.values() if table.price == price]
            self._tables.clear()
            self._centre = price
            self._tables.update((0, table) for table in here[-1:])

    def _price_of(self, rung: int) -> float:
        """Return one of the prices that tables are kept for."""
        if abs(rung) > RUNGS:
            return 0.0 if rung < 0 else math.inf
        return self._centre * math.exp(math.copysign(SPACING * abs(rung) ** WIDENING, rung))

    def _rung(self, price: float) -> int:
        """Return the rung below a price."""
        away = math.log(price) - math.log(self._centre)
        rung = math.floor(math.copysign(min((abs(away) / SPACING) ** (1.0 / WIDENING), RUNGS), away))
        while rung > -RUNGS - 1 and self._price_of(rung) > price:
            rung -= 1
        while self._price_of(rung + 1) <= price:
            rung += 1
        return rung

    def _table(self, rung: float, price: float) -> Table:
        """Return the tables at a price, kept by a number."""
        with self._lock:
            if rung not in self._tables or self._tables[rung].price != price:
                base = self.tree.worth - price * self.tree.cost
                values = np.empty(self.shape)
                problem = (*self.arrays, base, self.may, self.slot)
                bound = kernels_relax.relax(problem, self.nodes, values)
                while len(self._tables) >= self.kept:
                    self._tables.popitem(last=False)
                self._tables[rung] = Table(price, bound, base, values)
            self._tables.move_to_end(rung)
            return self._tables[rung]

    def between(self, price: float, *, exact: bool = False) -> tuple[Table, Table, float]:
        """Return the tables at prices below and above one, and the share of the way between them.

        Parameters
        ----------
        price : float
            0 or more.
        exact : bool
            Solve at this very price.

        Returns
        -------
        low, high : Table
            The same where the price is one that tables are kept for.
        share : float
        """
        if self._centre == 0.0:
            self._centre = price
        if price == 0.0 or exact:
            here = self._table(EXACT + price if price else -RUNGS - 1, price)
            return here, here, 0.0
        rung = self._rung(price)
        if rung == RUNGS:
            return self.between(price, exact=True)
        low = self._table(rung, self._price_of(rung))
        if low.price == price:
            return low, low, 0.0
        high = self._table(rung + 1, self._price_of(rung + 1))
        return low, high, (price - low.price) / (high.price - low.price)

    def about(self, price: float) -> list[Table]:
        """Return the tables about a price."""
        low, high, _ = self.between(price)
        if low is high:
            return [low]
        if self.tree.species > FEW_SPECIES:
            return [low, high]
        more = [self._rung(price) + step for step in OTHERS]
        return [low, high, *(self._table(rung, self._price_of(rung)) for rung in more if abs(rung) <= RUNGS)]

    def narrowed(self, allowed: Bools) -> Narrowed:
        """Return the relaxation with some decisions made.

        Parameters
        ----------
        allowed : (m,) bool
            At least one action of every site, of those that may be chosen.
        """
        return Narrowed(self, allowed)


class Narrowed:
    """The relaxation with some decisions made: tables are solved again from there to the outlet only.

    Parameters
    ----------
    whole : Relaxation
    allowed : (m,) bool
    """

    def __init__(self, whole: Relaxation, allowed: Bools) -> None:
        self.whole = whole
        self.allowed = allowed
        tree = whole.tree
        self._sites = kernels_path.decided_sites(tree.first, tree.parent, whole.may, allowed)
        self.slot = whole.slot.copy()
        inner = self.slot[self._sites] >= 0
        self.slot[self._sites] = np.where(inner, whole.shape[0] + np.arange(self._sites.size), -1)
        self._extra: dict[float, tuple[Floats, float]] = {}

    def solved(self, table: Table) -> tuple[Floats, float]:
        """Return the extra tables at a price, and by how much the bound changes."""
        if table.price not in self._extra:
            whole = self.whole
            problem = (*whole.arrays, table.base, whole.may, whole.slot)
            self._extra[table.price] = kernels_path.solve_again(
                problem, self.allowed, whole.nodes, table.values, self._sites, self.slot
            )
        return self._extra[table.price]

    def at(
        self, price: float, stops: Stops, policies: Sequence[Ints] = (), *, tolerance: float = 0.0,
        mark: float = -np.inf, enough: float = ENOUGH,
    ) -> Priced:  # fmt: skip
        """Solve at a price: until the bound is within a tolerance of its policy, or no headway is made.

        Parameters
        ----------
        price : float
            0 or more.
        stops : Stops
            What is known from other prices and decisions; it is written to.
        policies : sequence of (n,) int64
            Some that may be good: where they are good enough nothing is looked at.
        tolerance : float
            In the unit of worth.
        mark : float
            What is above this stays open. Stop as well once the bound is below it, or well known compared to what it is
            above.
        enough : float
            Share of what is above the mark that may be left between bound and policy.
        """
        whole = self.whole
        low, high, share = whole.between(price)
        base = whole.tree.worth - price * whole.tree.cost
        problem = (*whole.arrays, base, self.allowed, self.slot)
        grid = (whole.nodes, low.values, self.solved(low)[0], high.values, self.solved(high)[0], share)
        stops.renew(problem, grid, price, policies, whole.share)
        return _looked(whole, problem, grid, price, stops, (tolerance, mark, enough))

    def decided(self, price: float, budget: float, site: int, variants: Bools) -> Floats:
        """Return the bounds of the tables with each of several decisions at one site more.

        Parameters
        ----------
        price : float
            The prices about it that tables are kept for are tried.
        budget : float
        site : int
        variants : (v, actions of the site) bool
            What each decision allows.

        Returns
        -------
        (1 + v,) float64
            Bound on worth without a decision more, and with each; -inf where nothing is allowed.
        """
        whole = self.whole
        least = np.full(1 + len(variants), np.inf)
        for table in whole.about(price):
            extra, change = self.solved(table)
            problem = (*whole.arrays, table.base, self.allowed, self.slot)
            more = kernels_path.decided(problem, whole.nodes, table.values, extra, site, variants)
            bound = table.bound + change + table.price * budget
            least = np.minimum(least, bound + np.concatenate([[0.0], more]))
        return least


def _looked(
    whole: Relaxation, problem: kernels_stops.Problem, grid: kernels_stops.Grid, price: float, stops: Stops,
    aims: tuple[float, float, float],
) -> Priced:  # fmt: skip
    """Follow one policy after the other until bound and policy meet, well enough, or no headway is made."""
    tolerance, mark, enough = aims
    rounding = ROUNDED * max(abs(stops.bound), 1e-300)
    idle = 0
    for _ in range(ROUNDS):
        before = stops.bound
        leave = max(0.5 * tolerance, rounding, LEAVE * min(before - stops.reached, abs(before)))
        stops.look(problem, grid, whole.share, leave)
        bound, still = stops.bound, stops.bound - stops.reached
        idle = idle + 1 if before - bound < HEADWAY * still else 0
        if still <= max(tolerance, rounding, enough * (bound - mark)) or idle >= PATIENCE or bound <= mark:
            break
    policy = stops.policy(whole.tree.parent)
    worth, cost = whole.tree.value(policy)
    return Priced(price, stops.bound, policy, worth, cost)
