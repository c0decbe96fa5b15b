"""Costs that are due from a threshold of access on, such as treatment of an infested stream."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from barrierrank.plan import kernels_moves
from barrierrank.plan.tree import PlanTree
from barrierrank.worth.kernels import ROUNDING

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

JUST_BELOW = ROUNDING
"""Access of less than this share of a threshold is not yet at it: the same as where treatment is worked out."""


@dataclass(frozen=True, eq=False)
class Steps:
    """Costs that are due where access just above a site is at least a threshold.

    Parameters
    ----------
    node : (k,) int64
        Site.
    species : (k,) int64
    at : (k,) float64
        Threshold, above 0.
    due : (k,) float64
        Cost, 0 or more, in the unit of worth.
    """

    node: Ints
    species: Ints
    at: Floats
    due: Floats

    def of(self, tree: PlanTree, choice: Ints) -> float:
        """Return what is due under a choice of an action at each site (n,)."""
        access = kernels_moves.access_of(tree.parent, tree.passability, choice)
        return float(self.due[access[self.node, self.species] >= self.at * JUST_BELOW].sum())

    def rows(self, tree: PlanTree, columns: int) -> sparse.csr_array:
        """Return rows of a mixed-integer model that are 0 or less where nothing unpaid for is infested.

        Access above the site, less the threshold, less the rest of the way to full access where the cost is paid.

        Parameters
        ----------
        tree : PlanTree
        columns : int
            Columns of the model: actions, flows of each species, a constant, and one for each step.
        """
        m, k = tree.cost.size, self.node.size
        row, column, value = [], [], []
        for i, (b, s) in enumerate(zip(self.node.tolist(), self.species.tolist(), strict=True)):
            here = np.arange(tree.first[b], tree.first[b + 1])
            row.append(np.full(here.size + 1, i))
            column.append(np.append(m * (s + 1) + here, columns - k + i))
            value.append(np.append(tree.passability[here, s], self.at[i] * JUST_BELOW - 1.0))
        flat = [np.concatenate(x) if x else np.empty(0) for x in (value, row, column)]
        places = (flat[1].astype(np.int64), flat[2].astype(np.int64))
        return sparse.csr_array((flat[0], places), shape=(k, columns))
