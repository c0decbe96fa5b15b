"""What every action is worth in each of many draws of what is not known for sure, a block of draws at once."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.jit import SMALL, each
from barrierrank.project import EconomySpec
from barrierrank.worth.finance import (
    CostTerms,
    cost_terms,
    discount_weights,
    expected_passability,
    failed_share,
)
from barrierrank.worth.terms import SpeciesStake
from barrierrank.worth.treatment import treatment_saved_apart

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ROOM = 80_000_000
"""Bytes that the columns being worked on may take, all threads together."""


@dataclass(frozen=True, eq=False)
class DrawBlock:
    """One block of d draws of all that is not known for sure.

    Parameters
    ----------
    passability : tuple of S (n, d) float64
        Of the n sites' structures of today, as long as they stand; one array per species.
    after : tuple of S (a, d) float64
        Of the site after each of the a actions, as long as what was built stands.
    failure_today : (n, d) float64
        Annual probability that today's structure fails.
    failure_after : (a, d) float64
        Likewise for what an action leaves.
    habitat : tuple of S (e, d) float64
        Amount of habitat of each element of the access graph. Treatment costed by habitat is reckoned on it too.
    value : (S, d) float64
        Of a unit of accessible habitat and year.
    treatment : (S, d) float64
        Factors on the costs of treatment, fixed costs of streams included.
    cost : (a, d) float64
        Factors on an action's capital cost and upkeep.
    """

    passability: tuple[FloatArray, ...]
    after: tuple[FloatArray, ...]
    failure_today: FloatArray
    failure_after: FloatArray
    habitat: tuple[FloatArray, ...]
    value: FloatArray
    treatment: FloatArray
    cost: FloatArray

    @property
    def draws(self) -> int:
        """Number of draws d."""
        return int(self.cost.shape[1])


@dataclass(frozen=True, eq=False)
class DrawTerms:
    """What each action's standing is made of, draw by draw.

    Parameters
    ----------
    species : tuple of S str
        Keys, in the order of the first axis of `gain` and `worth`.
    benefit : (a, d) float64
        Present worth [money or points].
    present_worth_cost : (a, d) float64
        [money].
    gain : (S, a, d) float64
        Accessible habitat, mean over the horizon.
    worth : (S, a, d) float64
        Present worth of its value [money or points].
    treatment_saved : (a, d) float64
        Present worth of the treatment that is saved, all species together [money or points].
    cost : (a,) float64
        Capital cost that the draws' factors are applied to [money].
    costs : CostTerms
        Present worths that the draws' factors are applied to [money].
    cost_factor : (a, d) float64
    """

    species: tuple[str, ...]
    benefit: FloatArray
    present_worth_cost: FloatArray
    gain: FloatArray
    worth: FloatArray
    treatment_saved: FloatArray
    cost: FloatArray
    costs: CostTerms
    cost_factor: FloatArray

    @property
    def draws(self) -> int:
        """Number of draws d."""
        return int(self.benefit.shape[1])

    def of_draw(self, draw: int, *, points: bool) -> dict[str, FloatArray]:
        """Return the columns of one draw, (a,) each, named as by :func:`barrierrank.worth.terms.action_terms`.

        Parameters
        ----------
        draw : int
        points : bool
            True where values are points: there is no net benefit then, its column is NaN.
        """
        benefit, spent = self.benefit[:, draw], self.present_worth_cost[:, draw]
        factor = self.cost_factor[:, draw]
        columns = {
            "cost": self.cost * factor,
            "present_worth_cost": spent,
            "cost_capital": self.costs.capital * factor,
            "cost_upkeep": self.costs.upkeep * factor,
            "cost_replacement": self.costs.replacement * factor,
        }
        for s, key in enumerate(self.species):
            columns[f"gain_{key}"] = self.gain[s, :, draw]
            columns[f"worth_{key}"] = self.worth[s, :, draw]
        columns["treatment_saved"] = self.treatment_saved[:, draw]
        columns["benefit"] = benefit
        columns["net_benefit"] = np.full(benefit.size, np.nan) if points else benefit - spent
        with np.errstate(divide="ignore", invalid="ignore"):
            columns["benefit_per_cost"] = benefit / spent
        return columns


@dataclass(frozen=True, eq=False)
class _Work:
    """What stays the same for all slices of a block; `weights` (years, 2) are those of the columns of one draw."""

    graph: AccessGraph
    actions: ActionTable
    stakes: Sequence[SpeciesStake]
    block: DrawBlock
    weights: FloatArray
    horizon: int
    lasting: bool


def worth_of_draws(
    graph: AccessGraph,
    actions: ActionTable,
    stakes: Sequence[SpeciesStake],
    block: DrawBlock,
    economy: EconomySpec,
) -> DrawTerms:
    """Work out every action's terms in each draw; column by column as ``action_terms`` does for one.

    Parameters
    ----------
    graph : AccessGraph
    actions : ActionTable
        Sites, lives, and the costs to which the draws' factors are applied.
    stakes : sequence of S SpeciesStake
        Keys and treatment; their values, passabilities and habitat are taken from the block.
    block : DrawBlock
    economy : EconomySpec

    Returns
    -------
    DrawTerms

    Raises
    ------
    ValueError
        The arrays of the block do not fit the network, the actions or each other.

    Notes
    -----
    Draws are worked on in slices, so that what is held at a time is bounded; slices run side by side. A draw comes
    out the same whatever the slices.
    """
    _check(graph, actions, stakes, block)
    horizon = economy.horizon_years
    discount = discount_weights(economy.discount_rate, horizon)
    lasting = not block.failure_today.any() and not block.failure_after.any()
    weights = (
        np.array([[1.0, discount.sum()]])
        if lasting
        else np.column_stack([np.full(horizon, 1.0 / horizon), discount])
    )
    work = _Work(graph, actions, stakes, block, weights, horizon, lasting)
    _ = graph.frontier  # worked out once, before slices are looked at side by side
    shape = (len(stakes), actions.site_index.size, block.draws)
    gain, worth, saved = np.empty(shape), np.empty(shape), np.zeros(shape[1:])
    benefit, spent = np.zeros(shape[1:]), np.empty(shape[1:])
    costs = cost_terms(
        actions.cost, actions.upkeep, actions.life_years, rate=economy.discount_rate, horizon_years=horizon
    )

    def do(slices: list[slice]) -> None:
        for part in slices:
            _fill(work, part, (gain[:, :, part], worth[:, :, part], saved[:, part]))
            for of_species in worth[:, :, part]:
                benefit[:, part] += of_species
            benefit[:, part] += saved[:, part]
            np.multiply(costs.total[:, None], block.cost[:, part], out=spent[:, part])

    each(do, _dealt(work))
    return DrawTerms(
        tuple(stake.key for stake in stakes), benefit, spent, gain, worth, saved, actions.cost, costs, block.cost
    )


def _dealt(work: _Work) -> list[list[slice]]:
    """Cut the draws in slices that fit into the room there is, as many and as wide for each thread."""
    block, e, years = work.block, len(work.graph), len(work.weights)
    sites, a, draws = block.failure_today.shape[0], block.cost.shape[0], block.draws
    one_draw = 8 * (years * (2 * sites + 2 * a + 6 * e) + 5 * a + 1)
    threads = (os.cpu_count() or 1) if (a + e) * draws * years >= SMALL else 1
    threads = max(1, min(threads, draws, ROOM // one_draw))
    widest = max(1, ROOM // (threads * one_draw))
    rounds = -(-draws // (threads * widest))
    count = min(threads * rounds, draws)
    ends = [-(-draws * k // max(count, 1)) for k in range(count + 1)]
    slices = [slice(low, high) for low, high in pairwise(ends)]
    return [slices[k::threads] for k in range(threads)]


def _fill(work: _Work, part: slice, out: tuple[FloatArray, FloatArray, FloatArray]) -> None:
    """Work out gains, worths (S, a, draws of the slice) and treatment saved (a, draws), and write them to `out`."""
    block, graph, site = work.block, work.graph, work.actions.site_index
    gain, worth, total = out
    years, draws = len(work.weights), total.shape[1]
    group = np.repeat(np.arange(draws), years)
    weights = np.ascontiguousarray(np.tile(work.weights, (draws, 1)))
    failed = failed_after = None
    if not work.lasting:
        life = np.repeat(work.actions.life_years, draws)
        failed = failed_share(block.failure_today[:, part].ravel(), horizon_years=work.horizon)
        failed_after = failed_share(
            block.failure_after[:, part].ravel(), horizon_years=work.horizon, life_years=life
        )
    for s, stake in enumerate(work.stakes):
        sweep = graph.sweep(_aged(block.passability[s][:, part], failed))
        after = _aged(block.after[s][:, part], failed_after)
        habitat = np.ascontiguousarray(block.habitat[s][:, part])
        gated = graph.gated_apart(habitat, sweep, group)
        effect = graph.effects_apart(site, after, weights, group, draws, sweep, (gated,))[0]
        gain[s] = effect[:, :, 0]
        worth[s] = block.value[s, part] * effect[:, :, 1]
        if stake.treatment is not None and stake.ground is not None:
            saved = treatment_saved_apart(
                graph, sweep, replace(stake.ground, habitat=habitat), stake.treatment, (site, after),
                weights[:, 1].copy(), group, draws,
            )  # fmt: skip
            total += block.treatment[s, part] * saved


def _aged(passability: FloatArray, failed: FloatArray | None) -> FloatArray:
    """Return the passability (m, d) to be expected in each year, (m, d x years); years of a draw side by side."""
    if failed is None:
        return np.ascontiguousarray(passability)
    return expected_passability(passability.ravel(), failed).reshape(passability.shape[0], -1)


def _check(
    graph: AccessGraph, actions: ActionTable, stakes: Sequence[SpeciesStake], block: DrawBlock
) -> None:
    """Raise where the block does not fit; all that is wrong is told."""
    n, a, e, species = graph.of_site.size, actions.site_index.size, len(graph), len(stakes)
    d = block.draws
    wanted: list[tuple[str, npt.NDArray[np.float64], tuple[int, int]]] = [
        ("failure_today", block.failure_today, (n, d)),
        ("failure_after", block.failure_after, (a, d)),
        ("value", block.value, (species, d)),
        ("treatment", block.treatment, (species, d)),
        ("cost", block.cost, (a, d)),
    ]
    faults = []
    for name, arrays, rows in (
        ("passability", block.passability, n),
        ("after", block.after, a),
        ("habitat", block.habitat, e),
    ):
        if len(arrays) != species:
            faults.append(f"{name} has {len(arrays)} arrays for {species} species")
        wanted += [(f"{name}[{s}]", array, (rows, d)) for s, array in enumerate(arrays)]
    faults += [f"{name} is {x.shape}, not {shape}" for name, x, shape in wanted if x.shape != shape]
    if faults:
        raise ValueError(f"the block of draws does not fit: {'; '.join(faults)}")
