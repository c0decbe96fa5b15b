"""Plans for a basin: searched on the tree, worked out and bettered by the access engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_moves
from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import ROUNDING, Demands, NoPlanError
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.plan.found import Plan
from barrierrank.plan.mixed import mixed_plan
from barrierrank.plan.model import PlanModel, plan_model
from barrierrank.plan.tightened import tightened
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOVES = 60
"""Moves at most by which a plan is bettered with the access engine."""
LATER = 2.0
"""By this the time for a plan under a cap that was tightened is shorter."""
FEW = 400
"""Sites with a choice up to which treatment's threshold is left to the mixed-integer model."""
LOOKS = 10**9
"""Sites that greedy choice may look at: as many as it takes."""
TIE = 1e-9
"""Share of a worth that is rounding."""


@dataclass(frozen=True, eq=False)
class Asked:
    """What is asked of plans besides their budget, by rows of the actions table.

    Parameters
    ----------
    forced, forbidden : (k,) int64
    exclusive : (k, 2) int64
    depends : (k, 2) int64
        The first only together with the second.
    capped : int
        Species whose accessible habitat has a cap; -1 for none.
    cap : float
        Accessible habitat, mean over the horizon, that it may have.
    eventually : (k,) int64
        Rows that are forced, but not yet: nothing else may be done at their sites.
    """

    forced: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    forbidden: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    exclusive: Ints = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    depends: Ints = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    capped: int = -1
    cap: float = np.inf
    eventually: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class BasinPlan:
    """A plan for a basin.

    Parameters
    ----------
    rows : (sites,) int64
        Row of the actions table at each site, LEAVE for nothing.
    worth : float
        Present worth gained over leaving everything as it is, by the access engine.
    spent : float
    bound : float
        No plan gains more, by the arithmetic of the tree.
    plan : Plan
        As found on the tree.
    """

    rows: Ints
    worth: float
    spent: float
    bound: float
    plan: Plan

    @property
    def gap(self) -> float:
        """By how much the best plan can be better, as a share of what this one gains; infinite if it gains nothing."""
        left = self.bound - self.worth
        if left <= TIE * abs(self.bound):
            return 0.0
        return left / self.worth if self.worth > 0.0 else np.inf


@dataclass(frozen=True, eq=False)
class BasinPlans:
    """Plans for a basin under some demands.

    Parameters
    ----------
    exact : ExactWorth
    asked : Asked
    gap, seconds : float
        As for :func:`barrierrank.plan.best.best_plan`.
    thorough : bool
        Whether to plan once more with the threshold of treatment, where there are few sites.
    """

    exact: ExactWorth
    asked: Asked
    gap: float
    seconds: float
    thorough: bool = True

    @cached_property
    def model(self) -> PlanModel:
        """The tree."""
        return plan_model(self.exact)

    @cached_property
    def allowed(self) -> Bools:
        """Rows of the actions table that may be done, (a,)."""
        actions, asked = self.exact.actions, self.asked
        may = np.isfinite(actions.cost)
        may[asked.forbidden] = False
        named = np.concatenate([asked.forced, asked.eventually])
        may[np.isin(actions.site_index, actions.site_index[named])] = False
        may[named] = True
        first, second = asked.depends[:, 0], asked.depends[:, 1]
        may[first[self.model.node[actions.site_index[second]] < 0]] = False  # no run gets to what it needs
        return may

    @cached_property
    def must(self) -> Bools:
        """Sites that may not be left as they are, (sites,)."""
        out = np.zeros(self.exact.failure_today.size, dtype=bool)
        out[self.exact.actions.site_index[self.asked.forced]] = True
        return out

    @cached_property
    def pairs(self) -> Ints:
        """Pairs of rows that exclude each other, (k, 2); LEAVE - site stands for leaving a site as it is."""
        pairs = [tuple(p) for p in self.asked.exclusive.tolist()]
        site = self.exact.actions.site_index
        for first, second in self.asked.depends.tolist():
            others = np.flatnonzero((site == site[second]) & (np.arange(site.size) != second))
            pairs += [(first, int(o)) for o in others] + [(first, int(LEAVE - site[second]))]
        return np.array(pairs, dtype=np.int64).reshape(-1, 2)

    @cached_property
    def forced_only(self) -> Ints:
        """What is forced and nothing else, (sites,)."""
        out = np.full(self.must.size, LEAVE)
        out[self.exact.actions.site_index[self.asked.forced]] = self.asked.forced
        return out

    def keeps(self, rows: Ints) -> bool:
        """Whether a choice has nothing that excludes each other or lacks what it depends on."""
        chosen = set(rows[rows >= 0].tolist()) | {int(LEAVE - s) for s in np.flatnonzero(rows == LEAVE)}
        return not any(a in chosen and b in chosen for a, b in self.pairs.tolist())

    def demands(self, budget: float, *, among: Ints | None = None, cap: float | None = None) -> Demands:
        """Put what is asked in terms of the tree.

        Parameters
        ----------
        budget : float
        among : (sites,) int64, optional
            Rows that alone may be done; sites with LEAVE are left.
        cap : float, optional
            Instead of the one asked for.
        """
        model, tree = self.model, self.model.tree
        site = np.full(len(tree), -1)
        site[model.node[model.node >= 0]] = np.flatnonzero(model.node >= 0)
        real = model.row >= 0
        may = np.ones(tree.cost.size, dtype=bool)
        may[real] = self.allowed[model.row[real]]
        of_site = site[tree.site]
        may[~real & (of_site >= 0)] = ~self.must[of_site[~real & (of_site >= 0)]]
        if among is not None:
            may[real] &= among[of_site[real]] == model.row[real]
        exposure, most = None, np.inf
        if self.asked.capped >= 0 or cap is not None:
            k = max(self.asked.capped, 0)
            exposure = np.zeros_like(tree.weight)
            exposure[:, k] = model.habitat[:, k]
            most = (self.asked.cap if cap is None else cap) - self.free_habitat(k)
        return Demands(tree, budget, may, self._tree_pairs(), exposure, max(most, 0.0))

    def free_habitat(self, species: int) -> float:
        """Return the habitat that a species has whatever is done."""
        return float(self.exact.stakes[species].habitat[0])

    def _tree_pairs(self) -> Ints:
        """Return the pairs as actions of the tree; those at sites that no run gets to are left out."""
        model = self.model
        out = []
        for pair in self.pairs.tolist():
            both = [
                int(model.actions(np.array([row]))[0]) if row >= 0
                else int(model.tree.first[model.node[LEAVE - row]]) if model.node[LEAVE - row] >= 0 else -1
                for row in pair
            ]  # fmt: skip
            if min(both) >= 0:
                out.append(both)
        return np.array(out, dtype=np.int64).reshape(-1, 2)

    @cached_property
    def nothing(self) -> float:
        """Present worth of leaving everything as it is, by the arithmetic of the tree with treatment as it is."""
        return self.reckoned(self.model.tree.first[:-1])

    def reckoned(self, choice: Ints) -> float:
        """Return the present worth of a choice of the tree's actions, by the arithmetic of the tree."""
        model = self.model
        return model.plain.value(choice)[0] - model.steps.of(model.plain, choice) + model.plain_constant

    def mean_error(self, rows: Ints) -> float:
        """Return by how much the tree's arithmetic makes more of a plan's gain than it is."""
        return self.reckoned(self.model.choice(rows)) - self.nothing - self.exact.worth(rows)

    @cached_property
    def zero(self) -> float:
        """What the tree makes of leaving everything as it is."""
        return self.model.tree.value(self.model.tree.first[:-1].copy())[0]

    def best(
        self,
        budget: float,
        *,
        start: Sequence[Ints] = (),
        price: float | None = None,
        among: Ints | None = None,
    ) -> BasinPlan:
        """Find the best plan for a budget.

        Parameters
        ----------
        budget : float
        start : sequence of (sites,) int64
            Choices that are known.
        price : float, optional
            A guess of what one more unit of budget brings.
        among : (sites,) int64, optional
            As for :meth:`demands`.

        Raises
        ------
        NoPlanError
        """
        demands, plan, rows = self.kept(budget, start=start, price=price, among=among)
        options = [rows, *(r for r in start if self._meets(r, budget, among))]
        bound = plan.bound + self.model.constant - self.nothing
        try:
            whole = self._with_thresholds(demands, plan)
            if whole is not None:
                options.append(self.model.sites(whole.choice))
                if self.asked.capped < 0:  # a cap that was tightened bounds less than what is asked
                    bound = min(bound, whole.bound + self.model.plain_constant - self.nothing)
            options += [self.bettered(r, budget, among) for r in options if self._meets(r, budget, among)]
        except KeyboardInterrupt:  # what is there by then will do
            plan = replace(plan, status="interrupted")
        done = max((r for r in options if self._meets(r, budget, among)), key=self.exact.worth)
        worth = self.exact.worth(done)
        return BasinPlan(done, worth, self.exact.spent(done), max(bound, worth), plan)

    def kept(
        self,
        budget: float,
        *,
        start: Sequence[Ints] = (),
        price: float | None = None,
        among: Ints | None = None,
    ) -> tuple[Demands, Plan, Ints]:
        """Search the tree for the best plan that keeps to the cap, if there is one, in the mean of the years.

        Parameters
        ----------
        budget, start, price, among
            As for :meth:`best`.

        Returns
        -------
        demands : Demands
            With the cap as it was tightened in the end; the bound of the plan is that of the cap asked for.
        plan : Plan
        rows : (sites,) int64

        Raises
        ------
        NoPlanError
        """

        def plan_at(cap: float, known: Sequence[Ints]) -> tuple[Demands, Plan, Ints]:
            demands = self.demands(budget, among=among, cap=cap if self.asked.capped >= 0 else None)
            seconds = self.seconds if cap == self.asked.cap else self.seconds / LATER
            plan = best_plan(
                demands, gap=self.gap, seconds=seconds, zero=self.zero,
                start=[*known, *(self.model.choice(rows) for rows in start)], price=price,
            )  # fmt: skip
            return demands, plan, self.model.sites(plan.choice)

        return tightened(plan_at, self.exposed, self.asked.cap)

    @cached_property
    def by_thresholds(self) -> bool:
        """Whether the sites are few enough for treatment's threshold to be left to the mixed-integer model."""
        return int(np.unique(self.model.tree.site[self.model.row >= 0]).size) <= FEW

    def _with_thresholds(self, demands: Demands, plan: Plan) -> Plan | None:
        """Plan once more with treatment as it is, due from a threshold on; None where that is too much work."""
        steps = self.model.steps
        if not self.thorough or not steps.node.size or not self.by_thresholds or plan.status == "interrupted":
            return None
        plain = replace(demands, tree=self.model.plain)
        zero = self.nothing - self.model.plain_constant
        try:
            return mixed_plan(plain, seconds=self.seconds, gap=self.gap, zero=zero, steps=steps)
        except NoPlanError:
            return None

    def exposed(self, rows: Ints) -> float:
        """Return accessible habitat of the species that has a cap; minus infinity without a cap."""
        return float(self.exact.accessible(rows)[self.asked.capped]) if self.asked.capped >= 0 else -np.inf

    def _meets(self, rows: Ints, budget: float, among: Ints | None) -> bool:
        """Whether a choice meets everything that is asked."""
        chosen = rows[rows >= 0]
        fits = self.exact.spent(rows) <= budget * (1.0 + 4.0 * ROUNDING) and not (self.must & (rows == LEAVE)).any()
        if among is not None:
            fits = fits and bool(((rows == among) | (rows == LEAVE)).all())
        within = fits and bool(self.allowed[chosen].all()) and self.keeps(rows)
        return within and self.exposed(rows) <= self.asked.cap * (1.0 + 4.0 * ROUNDING)

    def bettered(self, rows: Ints, budget: float, among: Ints | None = None) -> Ints:
        """Better a choice by single changes, each worked out by the access engine, within what is asked."""
        looked_at = np.flatnonzero(self.allowed)
        if among is not None:
            looked_at = looked_at[among[self.exact.actions.site_index[looked_at]] == looked_at]
        for _ in range(MOVES):
            other = self.exact.alternatives(rows, looked_at)
            spare = budget * (1.0 + ROUNDING) - self.exact.spent(rows)
            good = (other.cost <= spare) & (other.worth > TIE * (1.0 + abs(self.exact.nothing)))
            good &= ~((other.row == LEAVE) & self.must[other.site])
            for best in np.flatnonzero(good)[np.argsort(-other.worth[good], kind="stable")]:
                then = rows.copy()
                then[other.site[best]] = other.row[best]
                if self.keeps(then) and self.exposed(then) <= self.asked.cap * (1.0 + ROUNDING):
                    rows = then
                    break
            else:
                return rows
        return rows

    def from_the_top(self, order: Ints, budget: float) -> Ints:
        """Take rows of the actions table one after the other, one at a site, as long as the money lasts.

        What is forced comes first; what does not fit, or is not allowed beside what is taken, is passed over.
        """
        rows = self.forced_only.copy()
        left = budget * (1.0 + ROUNDING) - self.exact.spent(rows)
        for row in order.tolist():
            site = self.exact.actions.site_index[row]
            if rows[site] != LEAVE or not self.allowed[row] or self.exact.actions.cost[row] > left:
                continue
            then = rows.copy()
            then[site] = row
            if self.keeps(then):
                rows, left = then, left - self.exact.actions.cost[row]
        return rows

    def greedy(self, budget: float) -> Ints:
        """Add again and again what brings most for each unit of cost beside what is there, one site at a time."""
        demands = self.demands(budget)
        tree, may = self.model.tree, demands.may.copy()
        may[demands.pairs.ravel()] = False
        start = demands.cheapest(demands.may)
        arrays = (tree.parent, tree.weight, tree.first, tree.passability)
        amounts = (tree.worth, tree.cost, demands.exposed, may)
        none = np.empty((0, len(tree)), dtype=np.int64)
        most = (10 * len(tree) + 10, LOOKS)
        limits = (budget * (1.0 + ROUNDING), demands.cap)
        return self.model.sites(kernels_moves.improve(arrays, amounts, start, none, limits, most))

    def changed(
        self, *, asked: Asked | None = None, tree: PlanTree | None = None, gap: float | None = None,
        seconds: float | None = None,
    ) -> BasinPlans:  # fmt: skip
        """Return the same with other demands, a tree of the same shape and other weights, or another search."""
        twin = replace(
            self, asked=self.asked if asked is None else asked, gap=self.gap if gap is None else gap,
            seconds=self.seconds if seconds is None else seconds,
        )  # fmt: skip
        twin.__dict__["model"] = self.model if tree is None else replace(self.model, tree=tree)
        return twin

    def without_cap(self, species: int = -1) -> BasinPlans:
        """Return the same without a cap, looking at the habitat of another species if one is named."""
        return self.changed(asked=replace(self.asked, capped=species, cap=np.inf))
