"""Which inputs are uncertain and how much: passabilities, habitat, costs, values, failure, the years of the flows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.passage.after import ActionPassability
from barrierrank.passage.changes import DEVICES
from barrierrank.passage.today import TRIED, SitePassability, Tried
from barrierrank.project import Project
from barrierrank.project_uncertainty import CERTAIN as NO_DOUBT
from barrierrank.ranking.draw_points import beta_worth

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Words = NDArray[np.object_]

CERTAIN = -1
MODELLED, RATED = "modelled", "rated"


@dataclass(frozen=True, eq=False)
class UncertainPassability:
    """Beta distributions of passabilities; n sites, a actions, S species, b of them uncertain.

    Parameters
    ----------
    alpha, beta : (b,) float64
    today_at : (n, S) int64
        Which of the b it is; CERTAIN: the number itself.
    after_at : (a, S) int64
        Likewise after an action. Where the action changes nothing that of the site today; where it changes the
        structure, `shared` says so.
    shared : (a, S) bool
        Drawn with the chance that today's is drawn with: one that lets more past than thought does so afterwards.
    device : (a, S) bool
        The distribution is of the device's efficiency beside today's structure.
    today, after : (n, S), (a, S) float64
    """

    alpha: Floats
    beta: Floats
    today_at: Ints
    after_at: Ints
    shared: Bools
    device: Bools
    today: Floats
    after: Floats


@dataclass(frozen=True)
class Tables:
    """The tables that passabilities come from, and how they came about."""

    sites: SiteTable
    actions: ActionTable
    today: SitePassability
    after: ActionPassability
    tried: Tried


def evidence_of(words: Words, rated: Bools | None = None) -> Words:
    """Return the evidence class of each number: as given, else rated where it was a word, else modelled.

    Parameters
    ----------
    words : (k,) object array of str
    rated : (k, S) bool, optional
        With it the classes are for each species, (k, S).
    """
    if rated is None:
        return np.where(words == "", MODELLED, words)
    usual = np.where(rated, RATED, MODELLED)
    return np.where((words == "")[:, None], usual, words[:, None]).astype(object)


def by_class(table: Mapping[str, float], classes: Words, *, certain: float) -> Floats:
    """Return the number of each class, `certain` where a row says that there is no doubt."""
    out = np.empty(classes.shape)
    for word in np.unique(classes.astype(str)):
        out[classes == word] = certain if word == NO_DOUBT else table[str(word)]
    return out


def in_order(*ids: Words) -> Ints:
    """Return the rows in the order of their ids, so that the order of rows in a table changes no draw.

    Parameters
    ----------
    *ids : (k,) object array of str
        The first decides before the second.
    """
    return np.lexsort([np.array(column, dtype=str) for column in reversed(ids)]).astype(np.int64)


def uncertain_passability(project: Project, tables: Tables) -> UncertainPassability:
    """Give every passability its distribution.

    A trial has its posterior; any other number p counts as so many fish as its evidence class is worth. One that is
    1 is certain: nothing stands there.
    """
    sites, actions, today = tables.sites, tables.actions, tables.today
    worth = project.uncertainty.passability
    inputs = _Inputs()
    alpha, beta = beta_worth(today.p, by_class(worth, evidence_of(sites.evidence, sites.rated), certain=np.inf))
    tried = today.source == TRIED
    alpha[tried] = tables.tried.says.alpha[today.trial[tried]]
    beta[tried] = tables.tried.says.beta[today.trial[tried]]
    today_at = inputs.add(alpha, beta, (today.p < 1.0) | tried, in_order(sites.site))

    p = actions.passability
    now = today.p[actions.site_index]
    device = np.isin(actions.change, DEVICES)[:, None] & ~actions.given
    trial = tables.tried.trials.of_actions(actions.site_index, actions.action, p.shape[1])
    by_trial = (trial >= 0) & ~actions.given
    changed = ((actions.change != "")[:, None] & ~device) & ~tables.after.fixed
    with np.errstate(divide="ignore", invalid="ignore"):
        passes = np.where(device, np.clip((p - now) / (1.0 - now), 0.0, 1.0), p)
    passes = np.nan_to_num(passes, nan=1.0)
    alpha, beta = beta_worth(passes, by_class(worth, evidence_of(actions.evidence, actions.rated), certain=np.inf))
    alpha[by_trial], beta[by_trial] = tables.tried.says.alpha[trial[by_trial]], tables.tried.says.beta[trial[by_trial]]
    own = actions.given | by_trial | device | changed
    after_at = inputs.add(alpha, beta, own & (passes < 1.0), in_order(sites.site[actions.site_index], actions.action))
    as_today = ~own
    after_at[as_today] = today_at[actions.site_index][as_today]
    return UncertainPassability(
        np.concatenate(inputs.alpha), np.concatenate(inputs.beta), today_at, after_at, changed & (passes < 1.0),
        device & (passes < 1.0), today.p, p,
    )  # fmt: skip


class _Inputs:
    """Distributions listed one after the other."""

    def __init__(self) -> None:
        self.alpha: list[Floats] = []
        self.beta: list[Floats] = []
        self.count = 0

    def add(self, alpha: Floats, beta: Floats, uncertain: Bools, order: Ints) -> Ints:
        """List the uncertain ones, rows in the given order; return the place of each, CERTAIN for the others."""
        listed = uncertain[order]
        place = np.full(listed.shape, CERTAIN, dtype=np.int64)
        place[listed] = self.count + np.arange(int(listed.sum()))
        self.count += int(listed.sum())
        self.alpha.append(alpha[order][listed])
        self.beta.append(beta[order][listed])
        at = np.empty_like(place)
        at[order] = place
        return at


@dataclass(frozen=True, eq=False)
class HabitatParts:
    """Habitat of one species drawn together by reach class, whose factors are drawn apart.

    Parameters
    ----------
    amounts : (e, c) float64
    cv : (c,) float64
        Coefficient of variation of each class's factor.
    order : (c,) int64
        Strahler order of the reaches of the class.
    surveyed : (c,) bool
        Whether their habitat was surveyed.
    """

    amounts: Floats
    cv: Floats
    order: Ints
    surveyed: Bools


def habitat_parts(
    per_class: Mapping[str, float], counted: Floats, surveyed: Bools, order: Ints, element: tuple[Ints, int]
) -> HabitatParts:
    """Draw habitat together by evidence and stream order.

    Parameters
    ----------
    per_class : Mapping
        Coefficient of variation by evidence class.
    counted : (r,) float64
        Habitat of each reach.
    surveyed : (r,) bool
    order : (r,) int64
        Strahler order.
    element : (r,) int64, int
        Element of each reach, and how many elements there are.
    """
    key = order * 2 + surveyed
    classes, of_reach = np.unique(key, return_inverse=True)
    of_element, count = element
    amounts = np.zeros((count, classes.size))
    for c in range(classes.size):
        amounts[:, c] = np.bincount(of_element, np.where(of_reach == c, counted, 0.0), minlength=count)
    cv = np.array([per_class["measured" if k % 2 else MODELLED] for k in classes.tolist()])
    return HabitatParts(amounts, cv, classes // 2, classes % 2 == 1)


def year_shift(yearly: Floats, picked: Ints) -> Floats:
    """Return by how much the mean of drawn years is above the mean of all, (k, C, d); 0 where no year is known.

    Parameters
    ----------
    yearly : (k, C, Y) float64
        NaN = a year that does not count.
    picked : (d, Y) int64
        Years drawn, with replacement, the same ones for all.
    """
    known = ~np.isnan(yearly)
    times = np.stack([np.bincount(p, minlength=yearly.shape[2]) for p in picked], axis=1).astype(np.float64)
    filled = np.where(known, yearly, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = (filled @ times) / (known.astype(np.float64) @ times)
        mean = filled.sum(axis=2) / known.sum(axis=2)
    return np.asarray(np.nan_to_num(drawn - mean[:, :, None], nan=0.0))


def cvs_of(project: Project, roles: Sequence[str]) -> Floats:
    """Return coefficients of variation of value, treatment and basin-wide habitat, one of each a species, (3 S,)."""
    spec = project.uncertainty
    return np.repeat([spec.value_cv, spec.treatment_cv, spec.basin_habitat_cv], len(roles))
