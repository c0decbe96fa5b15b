"""What to learn next: what knowing an input better would be worth, and which inputs the first of the list hinge on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from barrierrank.basin import Basin
from barrierrank.outputs.model import LearningLook
from barrierrank.project import Project
from barrierrank.ranking.information import (
    Source,
    price_of_budget,
    strongest,
    surveyed_means,
    variance_shares,
    worth_of_everything,
    worth_of_learning,
    worth_together,
)
from barrierrank.ranking.intervals import SHOWN
from barrierrank.ranking.words import listed
from barrierrank.spreading import DrawPlan, Spread

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST = 60
"""So many inputs are looked at closely, those that a first look finds worth most."""
TOGETHER = 5
"""So many sites are named to be surveyed first."""
_NEAR = 200
"""Sites on the way down that a site's passability is taken to bear on, and they on it."""
_PAIRS = 5_000_000
_HINGES, _LEAST_SHARE = 3, 0.05


@dataclass(frozen=True, eq=False)
class Numbers:
    """Every number that was drawn, m of them.

    Parameters
    ----------
    x : (m, D) float32
    kind : (m,) array of str
        passability | habitat | value | treatment | cost | failure.
    site, action, species : (m,) int64
        Positions in their tables, -1 = of none. A passability or chance of failing without action is today's.
    part : (m,) int64
        Reach class of a habitat, -1 = the basin-wide part.
    rows : (m, a) sparse
        Actions whose worth it can bear on.
    """

    x: NDArray[Any]
    kind: NDArray[np.str_]
    site: Ints
    action: Ints
    species: Ints
    part: Ints
    rows: sparse.csr_array


@dataclass(frozen=True, eq=False)
class Learnt:
    """What the outputs tell of learning; see `OutputModel` for the columns of `table`."""

    look: LearningLook
    table: pd.DataFrame
    hinges: pd.Series


def what_to_learn(project: Project, basin: Basin, spread: Spread, ranked: pd.DataFrame) -> Learnt | None:
    """Work out what each uncertain input is worth to be known better.

    Parameters
    ----------
    project, basin
    spread : Spread
    ranked : DataFrame
        The list in order, with the positions of the actions in their table as index.

    Returns
    -------
    Learnt or None
        None where values tell no worth.
    """
    benefit, cost, site = spread.benefit, spread.cost, basin.inputs.actions.site_index
    if not np.nan_to_num(benefit).any():
        return None
    spec, points = project.uncertainty, project.economy.currency is None
    plan = spread.plan
    numbers = _numbers(project, basin, spread)
    price = price_of_budget(benefit.mean(axis=1), cost.mean(axis=1), site, top=spec.top, points=points)
    worth = benefit - price * cost
    sources, of_number = _sources(project, plan, numbers, worth, site)
    learned = worth_of_learning(worth, site, sources, seed=spec.seed)
    table = _table(project, basin, plan, numbers, of_number)
    table["worth_survey"], table["worth_perfect"] = learned.survey, learned.perfect
    table["error"], table["chance_changed"] = learned.error, learned.chance_changed
    by_survey = table.sort_values("worth_survey", ascending=False, kind="stable")
    first = by_survey.index[by_survey["worth_survey"] > 0.0][:TOGETHER]
    together = worth_together(worth, site, [sources[i] for i in first], seed=spec.seed) if len(first) else 0.0
    look = LearningLook(
        _decision_words(price, spec.top, project.economy.currency), price, worth_of_everything(worth, site), together,
        tuple(table.loc[first, "site"]), _survey_words(spec.passability["measured"]),
    )  # fmt: skip
    table = table.sort_values(["worth_perfect", "worth_survey"], ascending=False, kind="stable").reset_index(drop=True)
    table.insert(0, "place", np.arange(1, len(table) + 1))
    net = benefit if points else benefit - cost
    return Learnt(look, table, _hinges(project, basin, plan, numbers, (net, ranked)))


def _numbers(project: Project, basin: Basin, spread: Spread) -> Numbers:
    """Tell of every number drawn what it is and what it bears on."""
    plan, p, actions, sites = spread.plan, spread.plan.passability, basin.inputs.actions, len(basin.inputs.sites)
    a, species = len(actions), len(project.species)
    parts: list[tuple[str, Ints, Ints, Ints, Ints]] = []
    none = np.full(p.alpha.size, -1, dtype=np.int64)
    site, action, of_species = none.copy(), none.copy(), none.copy()
    i, k = np.nonzero(p.today_at >= 0)
    site[p.today_at[i, k]], of_species[p.today_at[i, k]] = i, k
    j, k = np.nonzero((p.after_at >= 0) & (p.after_at != p.today_at[actions.site_index]))
    at = p.after_at[j, k]
    site[at], action[at], of_species[at] = actions.site_index[j], j, k
    parts.append(("passability", site, action, of_species, none))
    for kind in ("value", "treatment", "habitat"):
        off = np.full(species, -1, dtype=np.int64)
        parts.append((kind, off, off, np.arange(species), off))
    for s, classes in enumerate(plan.habitat):
        off = np.full(classes.cv.size, -1, dtype=np.int64)
        parts.append(("habitat", off, off, off + 1 + s, np.arange(classes.cv.size)))
    off = np.full(max(a, sites), -1, dtype=np.int64)
    parts.append(("cost", actions.site_index[plan.action_order], plan.action_order, off[:a], off[:a]))
    parts.append(("failure", plan.site_order, off[:sites], off[:sites], off[:sites]))
    parts.append(("failure", actions.site_index[plan.action_order], plan.action_order, off[:a], off[:a]))
    kinds = np.concatenate([np.full(part[1].size, part[0]) for part in parts])
    site, action, of_species, cls = (np.concatenate([part[f] for part in parts]) for f in (1, 2, 3, 4))
    x = np.concatenate([spread.chances, spread.factors])
    rows = _bearing(basin, project, site, action)
    idle = (p.shared & (p.today_at[actions.site_index] >= 0)).ravel()  # drawn with today's
    follows = np.isin(np.arange(x.shape[0]), p.after_at.ravel()[idle & (p.after_at.ravel() >= 0)])
    varies = ~follows & (np.ptp(x, axis=1) > 0.0)
    return Numbers(
        x[varies], kinds[varies], site[varies], action[varies], of_species[varies], cls[varies], rows[varies]
    )


def _bearing(basin: Basin, project: Project, site: Ints, action: Ints) -> sparse.csr_array:
    """Return which actions each number can bear on, (m, a): its own; those up and down the way; all of them."""
    actions, n = basin.inputs.actions, len(basin.inputs.sites)
    a = len(actions)
    at_site = sparse.csr_array((np.ones(a, dtype=np.int8), (actions.site_index, np.arange(a))), shape=(n, a))
    starts, below = basin.graph.sites_below(_NEAR)
    lineage = sparse.csr_array((np.ones(below.size, dtype=np.int8), below, starts), shape=(n, n))
    reach = lineage + lineage.T + sparse.eye_array(n, dtype=np.int8)
    outlet = _outlets(basin)
    size = np.bincount(outlet, minlength=1)
    if any(s.treatment is not None for s in project.species) and (size.astype(float) ** 2).sum() <= _PAIRS:
        of = sparse.csr_array((np.ones(n, dtype=np.int8), (np.arange(n), outlet)))
        reach = reach + of @ of.T  # a stream is treated as long as any part of it is infested
    near = (reach.astype(bool).astype(np.int8) @ at_site).tocsr()
    own = np.flatnonzero(action >= 0)
    of_site = np.flatnonzero((action < 0) & (site >= 0))
    everywhere = np.flatnonzero((action < 0) & (site < 0))
    apart = sparse.csr_array((np.ones(own.size, dtype=np.int8), (own, action[own])), shape=(site.size, a))
    pick = sparse.csr_array((np.ones(of_site.size, dtype=np.int8), (of_site, site[of_site])), shape=(site.size, n))
    at = (np.repeat(everywhere, a), np.tile(np.arange(a), everywhere.size))
    wide = sparse.csr_array((np.ones(at[0].size, dtype=np.int8), at), shape=(site.size, a))
    return sparse.csr_array(apart + pick @ near + wide)


def _outlets(basin: Basin) -> Ints:
    """Return the outlet of each site's reach; sites off the network have one of their own each."""
    reach = basin.built.network.site_reach(len(basin.inputs.sites))
    outlet = np.asarray(basin.built.network.outlet, dtype=np.int64)
    own = outlet.max(initial=0) + 1 + np.arange(reach.size)
    return np.unique(np.where(reach >= 0, outlet[np.maximum(reach, 0)], own), return_inverse=True)[1]


def _sources(
    project: Project, plan: DrawPlan, numbers: Numbers, worth: Floats, site: Ints
) -> tuple[list[Source], list[Ints]]:
    """Draw numbers together that are learnt at once: those of a site today; keep the ones that could matter.

    Returns
    -------
    sources : list of Source
    of_number : list of (f,) int64
        Numbers of each.
    """
    csr = numbers.rows
    near = strongest(worth, site, numbers.x, (csr.indptr, csr.indices), most=MOST)
    today = (numbers.kind == "passability") & (numbers.action < 0)
    groups: list[Ints] = []
    seen: set[int] = set()
    for i in near.tolist():
        if today[i]:
            if int(numbers.site[i]) in seen:
                continue
            seen.add(int(numbers.site[i]))
            groups.append(np.flatnonzero(today & (numbers.site == numbers.site[i])))
        else:
            groups.append(np.array([i]))
    fish = project.uncertainty.passability["measured"]
    sources = []
    for g in groups:
        rows = np.unique(np.concatenate([csr.indices[csr.indptr[i] : csr.indptr[i + 1]] for i in g])).astype(np.int64)
        sources.append(Source(numbers.x[g].astype(np.float64), _after_survey(plan, numbers, g, fish), rows))
    return sources, groups


def _after_survey(plan: DrawPlan, numbers: Numbers, group: Ints, fish: float) -> Floats | None:
    """Return what would be thought of a site's passabilities once they are measured; None where that tells nothing."""
    if numbers.kind[group[0]] != "passability" or numbers.action[group[0]] >= 0:
        return None
    p = plan.passability
    at = p.today_at[numbers.site[group], numbers.species[group]]
    alpha, beta = p.alpha[at], p.beta[at]
    more = fish - (alpha + beta - 1.0).min()
    if more < 1.0:
        return None
    drawn = numbers.x[group].astype(np.float64)
    return surveyed_means(drawn, alpha, beta, float(round(more)), seed=_seed_of(plan, group))


def _seed_of(plan: DrawPlan, group: Ints) -> int:
    """Return a seed that is the site's own whatever else is drawn."""
    return int(plan.seed * 1_000_003 + int(group[0])) % (2**31)


def _table(project: Project, basin: Basin, plan: DrawPlan, numbers: Numbers, groups: Sequence[Ints]) -> pd.DataFrame:
    """Return what each source is, in words."""
    sites = basin.inputs.sites
    head = [int(g[0]) for g in groups]
    site = numbers.site[head]
    species = np.array([s.key for s in project.species], dtype=object)
    alone = np.array([g.size == 1 for g in groups])
    k = numbers.species[head]
    return pd.DataFrame(
        {
            "what": [_input_words(project, basin, plan, numbers, g) for g in groups],
            "kind": numbers.kind[head].astype(object),
            "site": np.where(site >= 0, sites.site[np.maximum(site, 0)], ""),
            "name": np.where(site >= 0, sites.name[np.maximum(site, 0)], ""),
            "species": np.where(alone & (k >= 0), species[np.maximum(k, 0)], ""),
        }
    )


def _hinges(
    project: Project, basin: Basin, plan: DrawPlan, numbers: Numbers, given: tuple[Floats, pd.DataFrame]
) -> pd.Series:
    """Say of the first of the list which inputs make most of the variance of their worth; empty further down."""
    net, ranked = given
    out = pd.Series("", index=ranked.index, dtype=object)
    by_action = numbers.rows.tocsc()
    for a in ranked.index[:SHOWN].tolist():
        of = by_action.indices[by_action.indptr[a] : by_action.indptr[a + 1]]
        if not np.isfinite(net[a]).all():
            continue
        share = variance_shares(net[[a]], numbers.x[of])[0]
        best = np.argsort(-share, kind="stable")[:_HINGES]
        out[a] = "; ".join(
            f"{_input_words(project, basin, plan, numbers, of[[i]], here=int(basin.inputs.actions.site_index[a]))}"
            f" {100 * share[i]:.0f} %"
            for i in best
            if share[i] >= _LEAST_SHARE
        )
    return out


def _input_words(
    project: Project, basin: Basin, plan: DrawPlan, numbers: Numbers, group: Ints, *, here: int = -1
) -> str:
    """Say what an input is; with `here` its site is named where it is another one."""
    i = int(group[0])
    kind, site, action = str(numbers.kind[i]), int(numbers.site[i]), int(numbers.action[i])
    labels = [project.species[k].label for k in dict.fromkeys(numbers.species[group].tolist()) if k >= 0]
    who = listed(labels)
    done = "" if action < 0 else str(basin.inputs.actions.action[action])
    at = ""
    if here >= 0 and site >= 0 and site != here:
        sites = basin.inputs.sites
        at = f" at {sites.name[site] or sites.site[site]}"
    if kind == "value":
        return f"value of {who}"
    if kind == "treatment":
        return f"cost of treating {who}"
    if kind == "habitat":
        return f"habitat of {who}, {_where_words(plan, numbers, i)}"
    if kind == "cost":
        return f"cost of {done!r}"
    if kind == "failure":
        return (f"chance of failing after {done!r}" if done else "chance that today's structure fails") + at
    return f"passability for {who} after {done!r}" if done else f"passability for {who} today{at}"


def _where_words(plan: DrawPlan, numbers: Numbers, i: int) -> str:
    part = int(numbers.part[i])
    if part < 0:
        return "whole basin"
    classes = plan.habitat[int(numbers.species[i])]
    return f"streams of order {classes.order[part]}{' that were surveyed' if classes.surveyed[part] else ''}"


def _decision_words(price: float, top: int, currency: str | None) -> str:
    """Say which decision information is valued for."""
    if currency is None:
        pays = f"at least {price:.3g} points per unit of cost" if price > 0.0 else "more good than harm"
    else:
        pays = "more than it costs" if price <= 1.0 else f"at least {price:.3g} {currency} per {currency} spent"
    return (
        f"Decision assumed: at each site the action that is worth most, or none, wherever it brings {pays}, "
        f"which is what the first {top} sites of the list bring; actions are counted each alone."
    )


def _survey_words(fish: float) -> str:
    """Say what a survey is taken to be."""
    return (
        f"A survey is taken to tell as much of today's passability as a trial with {fish:g} fish of each species; "
        "what it costs is not taken off."
    )
