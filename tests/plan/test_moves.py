"""Moves that better a plan: what they say it brings is what it brings, and none that would help is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_forests import budget_of, random_forest

from barrierrank.plan import kernels_moves
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
MANY = 10_000


def bettered(tree: PlanTree, choice: Ints, patterns: Ints, budget: float) -> Ints:
    """Better a choice by moves, as long as there are any."""
    arrays = (tree.parent, tree.weight, tree.first, tree.passability)
    allowed = np.ones(tree.cost.size, dtype=bool)
    amounts = (tree.worth, tree.cost, np.zeros(tree.weight.shape), allowed)
    return kernels_moves.improve(
        arrays, amounts, choice, patterns, (budget, np.inf), (MANY, MANY * len(tree))
    )


def random_choice(rng: np.random.Generator, tree: PlanTree) -> Ints:
    """Draw an action of each site."""
    return (tree.first[:-1] + rng.integers(0, np.diff(tree.first))).astype(np.int64)


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), species=st.integers(1, 3), patterned=st.booleans())
def test_no_single_change_within_the_budget_is_better(seed: int, species: int, patterned: bool) -> None:
    rng = np.random.default_rng(seed)
    tree = random_forest(rng, int(rng.integers(2, 30)), species)
    cheapest = np.array(
        [f + int(np.argmin(tree.cost[f:t])) for f, t in zip(tree.first, tree.first[1:], strict=False)]
    )
    choice, budget = cheapest, budget_of(tree, 0.4)
    assert tree.value(choice)[1] <= budget * (1.0 + 1e-9)
    patterns = (
        np.stack([random_choice(rng, tree) for _ in range(2)])
        if patterned
        else np.empty((0, len(tree)), np.int64)
    )
    after = bettered(tree, choice, patterns, budget)
    worth, cost = tree.value(after)
    slack = 1e-9 * (1.0 + float(np.abs(tree.weight).sum()))
    assert cost <= budget * (1.0 + 1e-9)
    assert worth >= tree.value(choice)[0] - slack
    for site in range(len(tree)):
        for action in range(int(tree.first[site]), int(tree.first[site + 1])):
            other = after.copy()
            other[site] = action
            more, dearer = tree.value(other)
            assert more <= worth + slack or dearer > budget * (1.0 - 1e-9)


def test_a_choice_beyond_the_budget_is_brought_within_it() -> None:
    within = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        tree = random_forest(rng, 20, 2)
        dearest = np.array(
            [f + int(np.argmax(tree.cost[f:t])) for f, t in zip(tree.first, tree.first[1:], strict=False)]
        )
        budget = budget_of(tree, 0.3)
        after = bettered(tree, dearest, np.empty((0, len(tree)), np.int64), budget)
        within += tree.value(after)[1] <= budget * (1.0 + 1e-9)
    assert within == pytest.approx(40, abs=0)
