"""Passability from counts: fish offered and passed at a structure or a sorter, and what such counts leave open.

Counts are taken as of fish that try independently with the same chance. Fish in schools do not, and neither do the
same few fish that try again: bounds are then too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, chdtrc

from barrierrank.inputs.trials import TrialTable

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]

ANY_SITE = -1


@dataclass(frozen=True, eq=False)
class TrialPassability:
    """What n trials say of a passability.

    Parameters
    ----------
    alpha, beta : (n,) float64
        Of its Beta distribution: prior and counts together.
    mean : (n,) float64
        Of that distribution.
    lower, upper : (n,) float64
        Exact one-sided bounds from the counts alone, each by itself held with the confidence asked for.
    """

    alpha: FloatArray
    beta: FloatArray
    mean: FloatArray
    lower: FloatArray
    upper: FloatArray

    def stands_for(self, invasive: BoolArray, *, how: Literal["upper", "mean"] = "upper") -> FloatArray:
        """Return the passability to reckon with: for an invader the upper bound, for a native the mean.

        None passed of few offered is no proof that none can, and with an invader the ones that can are what matters.

        Parameters
        ----------
        invasive : (n,) bool
        how : {"upper", "mean"}
            What stands for an invader.

        Returns
        -------
        (n,) float64
        """
        return np.where(np.asarray(invasive) & (how == "upper"), self.upper, self.mean)


@dataclass(frozen=True, eq=False)
class Trials:
    """Counts of trials of the same thing added up; t of them, ordered by site, action and species.

    Parameters
    ----------
    site : (t,) int64
        Position in the table of sites; :data:`ANY_SITE` = every site where the action can be done.
    action : (t,) object array of str
        ``""`` = the site as it is.
    species : (t,) int64
        Position in the project file.
    passed, offered : (t,) int64
    count : (t,) int64
        How many rows of the table were added up.
    alike : (t,) float64
        Chance that trials of one passability differ as much as these do (chi-squared test of homogeneity); a small one
        says that they were not trials of the same thing after all. 1 for a single row; rough where counts are small.
    """

    site: IntArray
    action: ObjectArray
    species: IntArray
    passed: IntArray
    offered: IntArray
    count: IntArray
    alike: FloatArray

    def __len__(self) -> int:
        return len(self.site)

    def of_sites(self, sites: int, species: int) -> IntArray:
        """Return which trial speaks of each site as it is.

        Parameters
        ----------
        sites, species : int
            How many there are.

        Returns
        -------
        (sites, species) int64
            Position among these trials; -1 where there is none.
        """
        out = np.full((sites, species), -1, dtype=np.int64)
        rows = np.flatnonzero((self.action == "") & (self.site >= 0))
        out[self.site[rows], self.species[rows]] = rows
        return out

    def of_actions(self, site: IntArray, action: ObjectArray, species: int) -> IntArray:
        """Return which trial speaks of each action: one of the action at that site, or else one of it anywhere.

        Parameters
        ----------
        site : (m,) int64
            Positions of the sites of the actions.
        action : (m,) object array of str
            Their names; capitals do not count.
        species : int
            How many there are.

        Returns
        -------
        (m, species) int64
            Position among these trials; -1 where there is none.
        """
        found = {
            (int(self.site[t]), self.action[t].casefold(), int(self.species[t])): t for t in range(len(self))
        }
        out = np.full((len(site), species), -1, dtype=np.int64)
        for i in range(len(site)):
            name = action[i].casefold()
            for s in range(species):
                anywhere = found.get((ANY_SITE, name, s), -1)
                out[i, s] = found.get((int(site[i]), name, s), anywhere)
        return out


def combine(table: TrialTable) -> Trials:
    """Add up the trials of the same species, site and action; rows that were offered no fish say nothing.

    Parameters
    ----------
    table : TrialTable
    """
    groups: dict[tuple[int, str, int], list[int]] = {}
    for i in np.flatnonzero(table.offered > 0).tolist():
        key = int(table.site[i]), table.action[i].casefold(), int(table.species[i])
        groups.setdefault(key, []).append(i)
    keys = sorted(groups)
    rows = [groups[key] for key in keys]
    action = np.empty(len(keys), dtype=object)
    action[:] = [table.action[r[0]] for r in rows]
    whole = np.array([(k[0], k[2], len(r)) for k, r in zip(keys, rows, strict=True)], dtype=np.int64).reshape(
        -1, 3
    )
    counts = np.array(
        [(table.passed[r].sum(), table.offered[r].sum()) for r in rows], dtype=np.int64
    ).reshape(-1, 2)  # fmt: skip
    alike = np.array([_alike(table.passed[r], table.offered[r]) for r in rows], dtype=np.float64)
    return Trials(whole[:, 0], action, whole[:, 1], counts[:, 0], counts[:, 1], whole[:, 2], alike)


def _alike(passed: IntArray, offered: IntArray) -> float:
    """Return the chance that counts of one proportion differ as much as these."""
    share = passed.sum() / offered.sum()
    if passed.size < 2 or share in (0.0, 1.0):
        return 1.0
    square = ((passed - offered * share) ** 2 / (offered * share * (1.0 - share))).sum()
    return float(chdtrc(passed.size - 1, square))


def trial_passability(
    passed: ArrayLike, offered: ArrayLike, *, prior: tuple[float, float] = (1.0, 1.0), confidence: float = 0.95
) -> TrialPassability:  # fmt: skip
    """Return what counts say of a passability.

    Parameters
    ----------
    passed, offered : (n,) int64
    prior : tuple of float
        Passed and stopped fish that what was known before is worth; (1, 1) = every passability was as likely.
    confidence : float
        Of each bound by itself; 0.95 leaves a chance of 0.05 that the passability is above the upper one.

    Returns
    -------
    TrialPassability
        0 of n passed: the lower bound is 0 and the upper one 1 - (1 - confidence)^(1/n), about 3/n for 0.95. All of n:
        the other way round. None offered: the prior's mean, bounds 0 and 1.

    Raises
    ------
    ValueError
        When counts are not whole, below 0 or more than were offered, a part of the prior is not above 0, or the
        confidence is not between 0 and 1.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.
    """
    k, n = (np.atleast_1d(np.asarray(c)) for c in (passed, offered))
    for name, given in (("passed", k), ("offered", n)):
        if not ((given >= 0) & (given == np.floor(given)) & (given < 2.0**53)).all():
            raise ValueError(f"{name}: given {given.tolist()}, allowed: whole numbers from 0")
    if (k > n).any():
        raise ValueError(
            f"passed: given {k.tolist()} of {n.tolist()} offered, allowed: at most those offered"
        )
    if not (len(prior) == 2 and all(0.0 < p < np.inf for p in prior)):
        raise ValueError(f"prior: given {prior}, allowed: two numbers above 0")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence: given {confidence:g}, allowed: above 0 and below 1")
    k, n = np.broadcast_arrays(k.astype(np.float64), n.astype(np.float64))
    stopped = n - k
    some, others = np.maximum(k, 1.0), np.maximum(stopped, 1.0)  # betaincinv takes no 0; those are set below
    lower = np.where(k == 0.0, 0.0, betaincinv(some, stopped + 1.0, 1.0 - confidence))
    upper = np.where(stopped == 0.0, 1.0, betaincinv(k + 1.0, others, confidence))
    alpha, beta = prior[0] + k, prior[1] + stopped
    return TrialPassability(alpha, beta, alpha / (alpha + beta), lower, upper)
