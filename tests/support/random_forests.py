"""Random forests of sites with actions, and every plan of them by the plain definition."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan.demands import Demands
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def random_forest(
    rng: np.random.Generator, sites: int, species: int, *, most_actions: int = 4, roots: float = 0.2
) -> PlanTree:
    """Draw a forest with much that is equal: passabilities of 0, 1 and repeated, costs and weights of 0.

    Parameters
    ----------
    rng : numpy.random.Generator
    sites, species : int
    most_actions : int
        Actions of a site are 1 to this many.
    roots : float
        Chance that a site is the first one from an outlet.
    """
    parent = [-1 if rng.random() < roots else int(rng.integers(-1, b)) if b else -1 for b in range(sites)]
    actions = rng.integers(1, most_actions + 1, sites)
    m = int(actions.sum())
    weight = rng.lognormal(0.0, 1.0, (sites, species)) * rng.choice([-1.0, 1.0, 1.0, 0.0], (sites, species))
    if rng.random() < 0.3:
        weight = np.round(weight)
    draw = rng.random((m, species))
    passability = np.where(rng.random((m, species)) < 0.3, draw, rng.choice([0.0, 0.1, 0.5, 1.0], draw.shape))
    if rng.random() < 0.3:
        passability[:] = passability[:, :1]
    cost = rng.choice([0.0, 1.0, 2.0, 5.0], m) if rng.random() < 0.5 else rng.lognormal(0.0, 1.0, m)
    cost[rng.random(m) < 0.2] = 0.0
    worth = rng.normal(0.0, 0.5, m) * (rng.random() < 0.5)
    first = np.concatenate([[0], np.cumsum(actions)])
    return PlanTree(np.array(parent), weight, first, passability, cost, worth)


def knotty_forest(rng: np.random.Generator, sites: int, species: int) -> PlanTree:
    """Draw a forest of long chains, all but shut, on which much has to be decided: three actions at every site."""
    parent = [
        b - 1 if b and rng.random() < 0.9 else int(rng.integers(-1, b)) if b else -1 for b in range(sites)
    ]
    weight = rng.lognormal(0.0, 1.0, (sites, species))
    weight[:, 0] *= rng.choice([-1.0, 1.0])
    passability = np.ones((sites, 3, species))
    passability[:, 0] = rng.choice([0.0, 0.1], (sites, species))
    passability[:, 1] = rng.uniform(0.2, 0.8, (sites, species))
    cost = rng.lognormal(0.0, 0.5, (sites, 1)) * np.array([0.0, 1.0, 1.0])
    cost[:, 1] *= rng.uniform(0.3, 0.9, sites)
    worth = rng.normal(0.0, 0.1, (sites, 3))
    return PlanTree(
        np.array(parent), weight, 3 * np.arange(sites + 1), passability.reshape(-1, species), cost.ravel(),
        worth.ravel(),
    )  # fmt: skip


def rounding_of(tree: PlanTree, price: float) -> float:
    """What sums on a tree may be off by."""
    return 1e-9 * (1.0 + float(np.abs(tree.weight).sum()) + price * float(tree.cost.sum()))


def budget_of(tree: PlanTree, share: float) -> float:
    """Return the least that a plan can cost, and a share of what could be spent beyond it."""
    least, most = (f.reduceat(tree.cost, tree.first[:-1]).sum() for f in (np.minimum, np.maximum))
    return float(least + share * (most - least))


@dataclass(frozen=True)
class AllPlans:
    """Every plan of a forest: choices (p, n), and worth, cost and exposure (p,) of each."""

    choices: Ints
    worth: Floats
    cost: Floats
    exposure: Floats


def all_plans(tree: PlanTree, exposure: Floats | None = None) -> AllPlans:
    """Write out every plan and what it comes to, by the plain definition."""
    spans = [range(tree.first[b], tree.first[b + 1]) for b in range(len(tree))]
    choices = np.array(list(product(*spans)), dtype=np.int64)
    access = np.empty((len(tree), len(choices), tree.species))
    for b in range(len(tree)):
        below = access[tree.parent[b]] if tree.parent[b] >= 0 else 1.0
        access[b] = tree.passability[choices[:, b]] * below
    exposed = np.zeros_like(tree.weight) if exposure is None else exposure
    return AllPlans(
        choices,
        tree.worth[choices].sum(axis=1) + np.einsum("bps,bs->p", access, tree.weight),
        tree.cost[choices].sum(axis=1),
        np.einsum("bps,bs->p", access, exposed),
    )


def feasible(demands: Demands, plans: AllPlans) -> NDArray[np.bool_]:
    """Say which of all plans meet the demands, a billionth of budget and cap set aside."""
    good = plans.cost <= demands.budget * (1.0 + 1e-9)
    good &= plans.exposure <= demands.cap * (1.0 + 1e-9)
    if demands.allowed is not None:
        good &= demands.allowed[plans.choices].all(axis=1)
    for one, other in [] if demands.conflicts is None else demands.conflicts.tolist():
        good &= ~((plans.choices == one).any(axis=1) & (plans.choices == other).any(axis=1))
    return good


def as_it_is(arrays: object, amounts: object, choice: Ints, *_: object) -> Ints:
    """Take the place of the moves that better a choice, so that all depends on bounds and decisions."""
    return choice.copy()


def renumbered(demands: Demands, rng: np.random.Generator) -> tuple[Demands, Ints]:
    """Put the sites in another order in which each still comes after the one below it.

    Returns
    -------
    demands : Demands
    action : (m,) int64
        Of each new action, which it was.
    """
    tree = demands.tree
    order: list[int] = []
    ready = [b for b in range(len(tree)) if tree.parent[b] < 0]
    while ready:
        b = ready.pop(int(rng.integers(len(ready))))
        order.append(b)
        ready += [c for c in range(len(tree)) if tree.parent[c] == b]
    new = np.empty(len(tree) + 1, dtype=np.int64)
    new[order], new[-1] = np.arange(len(tree)), -1
    action = np.concatenate([np.arange(tree.first[b], tree.first[b + 1]) for b in order])
    back = np.empty_like(action)
    back[action] = np.arange(action.size)
    turned = PlanTree(
        new[tree.parent[order]], tree.weight[order], np.concatenate([[0], np.cumsum(np.diff(tree.first)[order])]),
        tree.passability[action], tree.cost[action], tree.worth[action],
    )  # fmt: skip
    return Demands(
        turned, demands.budget,
        None if demands.allowed is None else demands.allowed[action],
        None if demands.conflicts is None else back[demands.conflicts],
        None if demands.exposure is None else demands.exposure[order], demands.cap,
    ), action  # fmt: skip
