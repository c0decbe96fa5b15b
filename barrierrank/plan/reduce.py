"""A smaller tree on which the same can be had: nothing is left out that a best plan needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.plan import kernels_reduce
from barrierrank.plan.demands import ROUNDING, Demands
from barrierrank.plan.found import Found
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Reduced:
    """Demands on a smaller tree, and the way back.

    Parameters
    ----------
    demands : Demands
        On the smaller tree.
    worth, cost, exposure : float
        Of what was left out, the same in every plan.
    kept : (k,) int64
        Sites of the tree that the smaller one has.
    action : (j,) int64
        Action of the tree that each action of the smaller one is.
    fixed : (n,) int64
        The one action of every site that was left out; the first that may be chosen elsewhere.
    """

    demands: Demands
    worth: float
    cost: float
    exposure: float
    kept: Ints
    action: Ints
    fixed: Ints

    def whole(self, choice: Ints) -> Ints:
        """Return the choice on the tree for one on the smaller tree."""
        out = self.fixed.copy()
        out[self.kept] = self.action[choice]
        return out

    def part(self, choice: Ints) -> Ints | None:
        """Return the choice on the smaller tree for one on the tree; None where it has an action left out."""
        size = max(int(choice.max(initial=0)), int(self.action.max(initial=0))) + 1
        place = np.full(size, -1)
        place[self.action] = np.arange(self.action.size)
        out = place[choice[self.kept]]
        return None if (out < 0).any() else out.astype(np.int64)

    def met(self, demands: Demands, choice: Ints | None) -> Ints | None:
        """Return the choice on the tree for one on the smaller tree, if it meets the demands there."""
        whole = None if choice is None else self.whole(choice)
        return whole if whole is not None and demands.met(whole, 4.0 * ROUNDING) else None

    def only(self, demands: Demands) -> Found:
        """Return the one choice there is where no site is kept, if it meets the demands."""
        choice = self.met(demands, np.zeros(0, dtype=np.int64))
        worth = -np.inf if choice is None else demands.tree.value(choice)[0]
        return Found(choice, worth, "proven", 0, 0.0)


def reduced(demands: Demands) -> Reduced:
    """Make the tree smaller.

    1. Actions that cannot be paid, or that another of the same site is as good as in every respect, are left out.
    2. Sites with one action only are drawn together with what lies below them.
    3. Species that pass every structure alike are added up, those without any weight left out.

    Parameters
    ----------
    demands : Demands
    """
    tree = demands.tree
    more, less = kernels_reduce.signs_above(tree.parent, tree.weight, demands.exposed)
    tied = np.zeros(tree.cost.size, dtype=bool)
    tied[demands.pairs.ravel()] = True
    may = kernels_reduce.undominated(
        tree.first, tree.passability, tree.cost, tree.worth, demands.may, tied, more, less
    )
    count = np.add.reduceat(may.astype(np.int64), tree.first[:-1])
    only = np.array(
        [f + int(np.argmax(may[f:t])) for f, t in zip(tree.first[:-1], tree.first[1:], strict=True)]
    )
    only = only.astype(np.int64)
    kept = np.flatnonzero((count > 1) | np.isin(np.arange(len(tree)), tree.site[demands.pairs.ravel()]))
    return drawn_together(demands, may, kept.astype(np.int64), only)


def drawn_together(demands: Demands, may: NDArray[np.bool_], kept: Ints, only: Ints) -> Reduced:
    """Draw sites that are not kept together with what lies below them."""
    tree = demands.tree
    is_kept = np.zeros(len(tree), dtype=bool)
    is_kept[kept] = True
    anchor, factor = kernels_reduce.anchors(tree.parent, tree.passability, is_kept, only)
    place = np.full(len(tree), -1)
    place[kept] = np.arange(kept.size)
    gone = np.flatnonzero(~is_kept)
    weight, exposure = tree.weight[kept].copy(), demands.exposed[kept].copy()
    into = place[anchor[gone]]
    inside = (anchor[gone] >= 0)[:, None]
    for amount, total in ((tree.weight, weight), (demands.exposed, exposure)):
        np.add.at(total, into[inside[:, 0]], (amount[gone] * factor[gone])[inside[:, 0]])
    free = gone[anchor[gone] < 0]
    action = np.flatnonzero(may & is_kept[tree.site]).astype(np.int64)
    first = np.concatenate([[0], np.cumsum(np.bincount(place[tree.site[action]], minlength=kept.size))])
    passability = tree.passability[action] * factor[tree.site[action]]
    parent = np.where(anchor[kept] >= 0, place[anchor[kept]], -1)
    passability, weight, exposure = _fewer_species(passability, weight, exposure)
    small = PlanTree(
        parent.astype(np.int64),
        weight,
        first.astype(np.int64),
        passability,
        tree.cost[action],
        tree.worth[action],
    )
    at = np.full(tree.cost.size, -1)
    at[action] = np.arange(action.size)
    pairs = at[demands.pairs]
    cost = float(tree.cost[only[gone]].sum())
    exposed = float((demands.exposed[free] * factor[free]).sum())
    budget = max(demands.budget * (1.0 + ROUNDING) - cost, 0.0)
    then = Demands(
        small, budget, conflicts=pairs[(pairs >= 0).all(axis=1)].astype(np.int64), exposure=exposure,
        cap=max(demands.cap * (1.0 + ROUNDING) - exposed, 0.0),
    )  # fmt: skip
    worth = float(tree.worth[only[gone]].sum() + (tree.weight[free] * factor[free]).sum())
    return Reduced(then, worth, cost, exposed, kept, action, only)


def _fewer_species(passability: Floats, weight: Floats, exposure: Floats) -> tuple[Floats, Floats, Floats]:
    """Add up species that pass every structure alike; leave out those without weight; at least one is kept."""
    used = np.flatnonzero((weight != 0.0).any(axis=0) | (exposure != 0.0).any(axis=0))
    used = used if used.size else np.array([0])
    _, group = np.unique(passability[:, used], axis=1, return_inverse=True)
    group = group.reshape(-1)
    count = int(group.max(initial=0)) + 1
    lead = np.array([used[np.argmax(group == g)] for g in range(count)])
    sums = []
    for amount in (weight, exposure):
        total = np.zeros((amount.shape[0], count))
        np.add.at(total.T, group, amount[:, used].T)
        sums.append(total)
    return np.ascontiguousarray(passability[:, lead]), sums[0], sums[1]
