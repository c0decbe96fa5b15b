"""The network drawn together to its sites: access, accessible habitat and the exact effect of every action."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from barrierrank.access import kernels, kernels_effects, kernels_lineage
from barrierrank.network.model import RiverNetwork

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

WATER, NOWHERE = kernels.WATER, kernels.NOWHERE


@dataclass(frozen=True, eq=False)
class Sweep:
    """Access under given passabilities, one column per year, draw or plan.

    Parameters
    ----------
    passability : (sites, t) float64
    access : (e, t) float64
        Chance that a fish from the receiving water can reach each element.
    relative : (e, t) float64
        The same as seen from the gate of each element.
    """

    passability: Floats
    access: Floats
    relative: Floats


@dataclass(frozen=True, eq=False)
class AccessGraph:
    """Sites and joins between which access is constant.

    Access follows ways up the river only: a fish that has swum up one arm of a braid is not taken to drop down
    into another arm.

    Parameters
    ----------
    of_reach : (n,) int64
        Element of each reach.
    site : (e,) int64
        Site of each element, -1 for the receiving water (0), places no run enters (1) and joins.
    first, parent : (e + 1,), (p,) int64
        Elements below element i: ``parent[first[i]:first[i + 1]]``.
    gate, depth : (e,) int64
        Nearest element below that all ways down pass, and how deep it lies in the tree of gates.
    of_site : (sites,) int64
        Element of each site; -1 for a site that is not on the network.
    """

    of_reach: Ints
    site: Ints
    first: Ints
    parent: Ints
    gate: Ints
    depth: Ints
    of_site: Ints

    @classmethod
    def from_network(cls, network: RiverNetwork, sites: int) -> AccessGraph:
        """Draw a network together; linear in its size save for long ways between the arms of braids.

        Parameters
        ----------
        network : RiverNetwork
        sites : int
            Rows of the sites table.
        """
        of_reach, (site, first, parent, gate, depth) = kernels.draw_together(
            (network.head, network.site, network.entry, network.order), network.below
        )
        of_site = np.full(sites, -1, dtype=np.int64)
        here = np.flatnonzero(site >= 0)
        of_site[site[here]] = here
        return cls(of_reach, site, first, parent, gate, depth, of_site)

    def __len__(self) -> int:
        return self.site.size

    @cached_property
    def frontier(self) -> tuple[Ints, Ints]:
        """Joins just beyond what each element gates: starts (e + 1,) and joins."""
        return kernels.frontier(self.first, self.parent, self.gate)

    def amounts(self, per_reach: Floats) -> Floats:
        """Sum an amount per reach (n,) to the elements (e,)."""
        return np.bincount(self.of_reach, per_reach, minlength=len(self)).astype(np.float64)

    def sweep(self, passability: Floats) -> Sweep:
        """Work out access under the given passabilities.

        Parameters
        ----------
        passability : (sites, t) float64
            0 to 1.
        """
        passability = np.ascontiguousarray(passability, dtype=np.float64)
        return Sweep(
            passability, *kernels.access_sweep(passability, self.site, self.first, self.parent, self.gate)
        )

    def gated(self, amount: Floats, sweep: Sweep) -> Floats:
        """Return what each element gates, weighed by the access seen from it, (e, t); row 0 is the total."""
        return kernels.gated_sweep(amount, sweep.relative, self.gate)

    def gated_apart(self, amount: Floats, sweep: Sweep, group: Ints) -> Floats:
        """Return the same where amounts (e, groups) differ between groups of columns, group (t,); (e, t)."""
        return kernels_effects.gated_apart(np.ascontiguousarray(amount), group, sweep.relative, self.gate)

    def accessible(self, amount: Floats, sweep: Sweep) -> Floats:
        """Return the accessible amount, summed over the network, (t,)."""
        return np.asarray(amount @ sweep.access)

    def effects(
        self, site: Ints, passability: Floats, weights: Floats, sweep: Sweep, gated: tuple[Floats, ...]
    ) -> Floats:
        """Return the change of accessible habitat by each action taken alone; exact, braids included.

        Parameters
        ----------
        site : (a,) int64
            Site of each action.
        passability : (a, t) float64
            Passability of the site after the action.
        weights : (t, k) float64
            Columns are summed with these weights: discount factors, say.
        sweep : Sweep
            Access without the action.
        gated : tuple of (e, t) float64
            From :meth:`gated`, one per kind of habitat.

        Returns
        -------
        (kinds of habitat, a, k) float64

        Notes
        -----
        On trees the change is access below x change of passability x what the site gates. Where braids lead round
        a site, the change is followed from join to join until it dies out.
        """
        group = np.zeros(len(weights), dtype=np.int64)
        return self.effects_apart(site, passability, weights, group, 1, sweep, gated)[:, :, 0]

    def effects_apart(
        self, site: Ints, passability: Floats, weights: Floats, group: Ints, groups: int, sweep: Sweep,
        gated: tuple[Floats, ...],
    ) -> Floats:  # fmt: skip
        """Return the change of accessible habitat by each action taken alone, columns summed group by group.

        Parameters
        ----------
        site, passability, weights, sweep, gated
            As for :meth:`effects`.
        group : (t,) int64
            Group of each column, from 0: the draw that the years belong to, say.
        groups : int
            Number of groups.

        Returns
        -------
        (kinds of habitat, a, groups, k) float64
        """
        effect = kernels_effects.effects(
            self.of_site[site],
            np.ascontiguousarray(passability, dtype=np.float64),
            (np.ascontiguousarray(weights, dtype=np.float64), group, groups),
            (sweep.access, sweep.relative),
            gated,
            (self.first, self.parent, self.gate),
            self.frontier,
        )
        return np.moveaxis(effect, 1, -1)  # of each weight the numbers lie side by side in memory

    def blocked(self, sweep: Sweep, gated: Floats) -> Floats:
        """Return the blocked habitat of every site (sites,): what opening it fully would add, all else as it is.

        Parameters
        ----------
        sweep, gated : Sweep, (e, 1) float64
            Of today, one column.
        """
        site = np.arange(self.of_site.size)
        one = np.ones((1, 1))
        return self.effects(site, np.ones((site.size, 1)), one, sweep, (gated,))[0, :, 0]

    def sites_below(self, most: int) -> tuple[Ints, Ints]:
        """Return the sites on any way down from each site, nearest first: starts (sites + 1,) and sites.

        Parameters
        ----------
        most : int
            At most so many for each site, 0 or more.
        """
        return kernels_lineage.sites_below(self.of_site, self.site, self.first, self.parent, most)

    def to_networkx(self, **amounts: Floats) -> nx.DiGraph:
        """Return the drawn-together network as a networkx graph that points upstream.

        Parameters
        ----------
        **amounts : (e,) float64
            Amounts to hang on the nodes, such as habitat.

        Returns
        -------
        networkx.DiGraph
            Nodes are element numbers with `kind` (water | nowhere | site | join) and `site` (or None).
        """
        graph = nx.DiGraph()
        for i in range(len(self)):
            kind = "site" if self.site[i] >= 0 else ("water", "nowhere")[i] if i < 2 else "join"
            site = int(self.site[i]) if self.site[i] >= 0 else None
            graph.add_node(i, kind=kind, site=site, **{k: float(v[i]) for k, v in amounts.items()})
            graph.add_edges_from((int(p), i) for p in self.parent[self.first[i] : self.first[i + 1]])
        return graph
