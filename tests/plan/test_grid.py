"""The grid of access: its nodes lie where policies go, and reading between them is a bound from above."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_forests import all_plans, random_forest

from barrierrank.plan import kernels_grid, kernels_moves, kernels_relax
from barrierrank.plan.relaxation import LAYINGS, Relaxation
from barrierrank.plan.tree import PlanTree

SEEDS = st.integers(0, 2**32 - 1)


def laid(tree: PlanTree, policies: np.ndarray, width: int, shares: tuple[float, float, float]) -> np.ndarray:
    """Lay the nodes of a tree."""
    nodes = np.empty((len(tree), tree.species, width))
    may = np.ones(tree.cost.size, dtype=bool)
    kernels_grid.lay_nodes(tree.parent, tree.first, tree.passability, may, policies, shares, nodes)
    return nodes


@settings(max_examples=200, deadline=None)
@given(seed=SEEDS, width=st.integers(2, 9), shares=st.sampled_from([*LAYINGS, (0.3, 0.3, 1.0)]))
def test_nodes_rise_and_hold_all_that_can_be_reached(
    seed: int, width: int, shares: tuple[float, float, float]
) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(1, 7)), int(rng.integers(1, 4)))
    plans = all_plans(tree)
    policies = plans.choices[rng.integers(0, len(plans.choices), int(rng.integers(1, 4)))]
    nodes = laid(tree, policies, width, shares)
    assert (np.diff(nodes, axis=2) >= 0.0).all()
    for choice in plans.choices[rng.integers(0, len(plans.choices), 20)]:
        access = kernels_moves.access_of(tree.parent, tree.passability, choice)
        assert (access >= nodes[:, :, 0] * (1.0 - 1e-9)).all()
        assert (access <= nodes[:, :, -1] * (1.0 + 1e-9)).all()


def test_where_there_are_few_states_each_has_its_node_and_the_bound_is_the_best() -> None:
    """Chains of four sites that shut, let a third pass, or open: six states at most, so nothing is read in between."""
    apart = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        weight = rng.normal(0.0, 2.0, (4, 2))
        passability = np.tile(np.array([0.0, 0.3, 1.0]), 4)[:, None] * np.ones(2)
        cost = rng.lognormal(0.0, 0.5, 12)
        cost[1::3] = 0.0
        tree = PlanTree(np.array([-1, 0, 1, 2]), weight, 3 * np.arange(5), passability, cost, np.zeros(12))
        plans = all_plans(tree)
        nodes = laid(tree, plans.choices[:1], 6, LAYINGS[0])
        assert np.unique(nodes[3]) == pytest.approx([0.0, 0.0081, 0.027, 0.09, 0.3, 1.0])
        relaxation = Relaxation(tree, np.ones(12, dtype=bool), 5)
        values = np.empty(relaxation.shape)
        problem = (*relaxation.arrays, tree.worth - 0.6 * tree.cost, relaxation.may, relaxation.slot)
        best = (plans.worth - 0.6 * plans.cost).max()
        assert kernels_relax.relax(problem, nodes, values) == pytest.approx(best, abs=1e-12)
        apart += int(kernels_relax.relax(problem, relaxation.even, values) > best + 1e-6)
    assert apart >= 3  # else an even grid would have done


def test_nodes_keep_to_a_policy_where_there_are_many_states() -> None:
    """Along the policy the grid is laid for nothing is lost, though there are more states than nodes."""
    rng = np.random.default_rng(5)
    n = 40
    tree = PlanTree(
        np.arange(n) - 1, rng.normal(0.0, 1.0, (n, 2)), 4 * np.arange(n + 1), rng.uniform(0.7, 1.0, (4 * n, 2)),
        rng.lognormal(0.0, 0.5, 4 * n), np.zeros(4 * n),
    )  # fmt: skip
    policy = 4 * np.arange(n) + rng.integers(0, 4, n)
    nodes = laid(tree, policy[None], 8, LAYINGS[0])
    access = kernels_moves.access_of(tree.parent, tree.passability, policy)
    off = np.abs(nodes - access[:, :, None]).min(axis=2)
    assert off.max() < 1e-12


@settings(max_examples=300, deadline=None)
@given(seed=SEEDS, species=st.integers(1, 5))
def test_in_a_cell_two_species_at_a_time_bound_a_convex_function_better_than_shares(
    seed: int, species: int
) -> None:
    rng = np.random.default_rng(seed)
    flat, slope = rng.normal(0.0, 1.0, 6), rng.normal(0.0, 1.0, (6, species))
    corners = np.array(list(np.ndindex(*(2,) * species)), dtype=float)
    heights = (flat + corners @ slope.T).max(axis=1)
    share = rng.random(species)
    least = float((flat + slope @ share).max())
    hulls = kernels_relax.by_shares(heights.copy(), share, True)
    product = kernels_relax.by_shares(heights.copy(), share, False)
    weights = np.prod(np.where(corners == 1.0, share, 1.0 - share), axis=1)
    assert product == pytest.approx(float(weights @ heights))
    assert least - 1e-12 <= hulls <= product + 1e-12


@settings(max_examples=100, deadline=None)
@given(seed=SEEDS, species=st.integers(3, 5), width=st.integers(2, 4))
def test_a_table_read_on_another_grid_bounds_a_convex_function(seed: int, species: int, width: int) -> None:
    """Against the function itself at every node, and against the product of shares."""
    rng = np.random.default_rng(seed)
    nodes, wanted = (np.sort(rng.random((species, width)), axis=1) for _ in range(2))
    nodes[:, 0], nodes[:, -1] = 0.0, 1.0
    if rng.random() < 0.3:
        wanted[0] = nodes[0]
    flat, slope = rng.normal(0.0, 1.0, 6), rng.normal(0.0, 1.0, (6, species))
    points = np.stack(np.meshgrid(*nodes, indexing="ij"), axis=-1).reshape(-1, species)
    table = (flat + points @ slope.T).max(axis=1)
    cells, shares = np.empty((species, width), dtype=np.int64), np.empty((species, width))
    for s in range(species):
        for i in range(width):
            cells[s, i], shares[s, i] = kernels_relax.place(wanted[s, i], nodes[s])
    rooms = np.empty((2, table.size))
    got = kernels_relax._stretched(table.copy(), cells, shares, rooms).copy()
    corners = np.empty(1 << species)
    for g, at in enumerate(np.ndindex(*(width,) * species)):
        x = wanted[range(species), at]
        kernels_relax.corners_of(table, cells[range(species), at], width, corners)
        product = kernels_relax.by_shares(corners, shares[range(species), at].copy(), False)
        assert (flat + slope @ x).max() - 1e-12 <= got[g] <= product + 1e-12
