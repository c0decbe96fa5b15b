"""What a plan is really worth: access, failure year by year and treatment, worked out by the access engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.graph import AccessGraph, Sweep
from barrierrank.inputs.actions import ActionTable
from barrierrank.project import EconomySpec
from barrierrank.worth.finance import CostTerms, cost_terms, expected_passability
from barrierrank.worth.terms import SpeciesStake, Years, change_for, years_of
from barrierrank.worth.treatment import treatment_a_year

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LEAVE = -1
"""Row of the actions table that stands for leaving a site as it is."""


@dataclass(frozen=True, eq=False)
class Alternatives:
    """What changing a plan at one site alone would do.

    Parameters
    ----------
    site : (k,) int64
    row : (k,) int64
        Row of the actions table to be done there instead, LEAVE for nothing.
    worth, cost : (k,) float64
        Change of worth and of what is taken from the budget.
    gain : (k, species) float64
        Change of accessible habitat, mean over the horizon.
    saved : (k,) float64
        Present worth of the treatment saved.
    """

    site: Ints
    row: Ints
    worth: Floats
    cost: Floats
    gain: Floats
    saved: Floats


@dataclass(frozen=True, eq=False)
class ExactWorth:
    """The worth of any choice of actions, one row of the actions table (or LEAVE) at each site, (sites,) int64.

    Parameters
    ----------
    graph : AccessGraph
    actions : ActionTable
        With every passability known.
    stakes : sequence of SpeciesStake
        Passabilities of today and after each action, habitat, values, treatment.
    failure_today : (sites,) float64
        Annual chance that today's structure fails.
    economy : EconomySpec
    """

    graph: AccessGraph
    actions: ActionTable
    stakes: Sequence[SpeciesStake]
    failure_today: Floats
    economy: EconomySpec

    @cached_property
    def years(self) -> Years:
        """How structures age."""
        return years_of(
            self.failure_today, self.actions.failure_probability, self.actions.life_years, self.economy
        )

    @cached_property
    def costs(self) -> CostTerms:
        """Present worths of what each action costs."""
        return cost_terms(
            self.actions.cost, self.actions.upkeep, self.actions.life_years,
            rate=self.economy.discount_rate, horizon_years=self.economy.horizon_years,
        )  # fmt: skip

    @cached_property
    def own_worth(self) -> Floats:
        """What each action takes from the worth by itself, as a negative number: 0 where values are points."""
        return -self.costs.total if self.economy.currency else np.zeros(len(self.actions))

    @cached_property
    def nothing(self) -> float:
        """Present worth of things as they are."""
        return self._absolute(np.full(self.failure_today.size, LEAVE))

    def spent(self, choice: Ints) -> float:
        """Return what a choice takes from the budget."""
        return float(self.actions.cost[choice[choice >= 0]].sum())

    def worth(self, choice: Ints) -> float:
        """Return the present worth that a choice gains over leaving everything as it is."""
        return self._absolute(choice) - self.nothing

    def accessible(self, choice: Ints) -> Floats:
        """Return accessible habitat of each species under a choice, mean over the horizon, (species,)."""
        weight = self.years.weights[:, 0]
        out = [self.graph.accessible(s.habitat, self._sweep(choice, s)) @ weight for s in self.stakes]
        return np.array(out, dtype=np.float64)

    def species_worth(self, choice: Ints) -> Floats:
        """Return the present worth of what each species can reach under a choice, treatment aside, (species,)."""
        discount = self.years.weights[:, 1]
        out = [
            s.value * self.graph.accessible(s.habitat, self._sweep(choice, s)) @ discount for s in self.stakes
        ]
        return np.array(out, dtype=np.float64)

    def reach_access(self, choice: Ints) -> Floats:
        """Return access of each species just above each element, structures sound, (e, species)."""
        sound = [self.graph.sweep(self._passability(choice, s)[:, None]).access[:, 0] for s in self.stakes]
        return np.stack(sound, axis=1)

    def _passability(self, choice: Ints, stake: SpeciesStake) -> Floats:
        p = stake.passability.copy()
        done = np.flatnonzero(choice >= 0)
        p[done] = stake.after[choice[done]]
        return p

    def failed(self, choice: Ints) -> Floats:
        """Return the share of the structures that a choice leaves that has failed in each year, (sites, t)."""
        failed = self.years.failed_today.copy()
        done = np.flatnonzero(choice >= 0)
        failed[done] = self.years.failed_after[choice[done]]
        return failed

    def _sweep(self, choice: Ints, stake: SpeciesStake) -> Sweep:
        return self.graph.sweep(expected_passability(self._passability(choice, stake), self.failed(choice)))

    def _absolute(self, choice: Ints) -> float:
        discount = self.years.weights[:, 1]
        total = float(self.own_worth[choice[choice >= 0]].sum())
        for stake in self.stakes:
            sweep = self._sweep(choice, stake)
            total += stake.value * float(self.graph.accessible(stake.habitat, sweep) @ discount)
            if stake.treatment is not None and stake.ground is not None:
                total -= float(treatment_a_year(sweep, stake.ground, stake.treatment) @ discount)
        return total

    def alternatives(self, choice: Ints, rows: Ints | None = None) -> Alternatives:
        """Return what each other action at one site alone, or leaving a site of the plan as it is, would change.

        Parameters
        ----------
        choice : (sites,) int64
        rows : (j,) int64, optional
            Rows of the actions table to look at; all by default.
        """
        every = np.arange(len(self.actions)) if rows is None else rows
        other = every[choice[self.actions.site_index[every]] != every]
        undone = np.flatnonzero(choice >= 0)
        site = np.concatenate([self.actions.site_index[other], undone])
        row = np.concatenate([other, np.full(undone.size, LEAVE)])
        failed_after = np.concatenate([self.years.failed_after[other], self.years.failed_today[undone]])
        years = Years(self.failed(choice), failed_after, self.years.weights)
        worth, saved, gain = np.zeros(site.size), np.zeros(site.size), np.empty((site.size, len(self.stakes)))
        for k, stake in enumerate(self.stakes):
            after = np.concatenate([stake.after[other], stake.passability[undone]])
            change = change_for(
                self.graph,
                site,
                replace(stake, passability=self._passability(choice, stake), after=after),
                years,
            )
            worth += change.worth + change.treatment_saved
            saved += change.treatment_saved
            gain[:, k] = change.gain
        own, cost = np.append(self.own_worth, 0.0), np.append(self.actions.cost, 0.0)  # row LEAVE is the last
        worth += own[row] - own[choice[site]]
        return Alternatives(site, row, worth, cost[row] - cost[choice[site]], gain, saved)
