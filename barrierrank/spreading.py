"""The list under uncertainty: draws of every uncertain input, the worth of all actions in each, and their ranks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.basin import Basin
from barrierrank.outputs.model import UncertaintyLook
from barrierrank.project import Project
from barrierrank.ranking import draw_inputs as di
from barrierrank.ranking.draw_points import BetaTable, draw_blocks, lognormal_factor
from barrierrank.ranking.draw_ranks import draw_ranks
from barrierrank.ranking.draw_worth import DrawBlock, worth_of_draws
from barrierrank.ranking.intervals import (
    RANKS,
    SHOWN,
    Intervals,
    acceptability,
    ahead,
    intervals_of,
    is_enough,
)
from barrierrank.ranking.rules import RankingRule
from barrierrank.weighing import Today, stakes_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MORE = 10
"""Neighbours are told as settled or not down to so many places below the first k."""
_SURE_TO_FAIL = 0.999


@dataclass(frozen=True, eq=False)
class DrawPlan:
    """Everything that is drawn, in the order of the columns of a block of points."""

    passability: di.UncertainPassability
    habitat: tuple[di.HabitatParts, ...]
    shared_cv: Floats
    cost_cv: Floats
    failure_cv: Floats
    years: int
    seed: int
    site_order: Ints
    action_order: Ints

    @property
    def cv(self) -> Floats:
        """Coefficients of variation of all factors."""
        return np.concatenate([self.shared_cv, *(h.cv for h in self.habitat), self.cost_cv, self.failure_cv])

    @property
    def inputs(self) -> int:
        """How many numbers a draw takes."""
        return self.passability.alpha.size + self.cv.size + self.years


@dataclass(frozen=True, eq=False)
class Spread:
    """What a actions are worth in D draws, and the numbers drawn.

    Parameters
    ----------
    plan : DrawPlan
        What was drawn.
    ranks : (a, D) int32
    benefit, cost : (a, D) float64
        Present worths.
    chances : (b, D) float32
        Passabilities drawn, before years and what an action changes.
    factors : (f, D) float32
        All other factors.
    intervals : Intervals
    """

    plan: DrawPlan
    ranks: NDArray[np.int32]
    benefit: Floats
    cost: Floats
    chances: NDArray[np.float32]
    factors: NDArray[np.float32]
    intervals: Intervals


def spread_of(project: Project, basin: Basin, today: Today, rule: RankingRule) -> Spread | None:
    """Draw all uncertain inputs and rank the actions in each draw; None where nothing is to be drawn or ranked."""
    spec, actions = project.uncertainty, basin.inputs.actions
    if spec.draws == 0 or not len(actions):
        return None
    plan = _plan(project, basin)
    stakes = stakes_of(project, basin, today, actions)
    site = np.array(basin.inputs.sites.site[actions.site_index], dtype=object)
    ranks = np.empty((len(actions), spec.draws), dtype=np.int32)
    benefit, cost = np.empty(ranks.shape), np.empty(ranks.shape)
    sizes = (plan.passability.alpha.size, plan.cv.size)
    chances, factors = (np.empty((m, spec.draws), dtype=np.float32) for m in sizes)
    done = 0
    for block, chance, factor in blocks_of(project, basin, plan):
        now = slice(done, done := done + block.draws)
        terms = worth_of_draws(basin.graph, actions, stakes, block, project.economy)
        other = {f"passability_{s.key}": block.after[k] for k, s in enumerate(project.species)}
        ranks[:, now] = draw_ranks(terms, rule, site=site, action=actions.action, other=other, shared=True)
        benefit[:, now], cost[:, now] = terms.benefit, terms.present_worth_cost
        chances[:, now], factors[:, now] = chance, factor
    made = intervals_of(ranks, benefit, level=spec.level, top=spec.top)
    return Spread(plan, ranks, benefit, cost, chances, factors, made)


def _plan(project: Project, basin: Basin) -> DrawPlan:
    """Gather what is uncertain."""
    spec, inputs, work = project.uncertainty, basin.inputs, basin.passage
    tables = di.Tables(inputs.sites, inputs.actions, work.today, work.after, work.tried)
    parts = []
    for k, species in enumerate(project.species):
        surveyed = basin.habitat.surveyed.get((species.key, species.habitat))
        counted = basin.habitat.counted[:, k]
        parts.append(
            di.habitat_parts(
                spec.habitat, counted, np.zeros(counted.size, dtype=bool) if surveyed is None else surveyed,
                basin.built.network.strahler, (basin.graph.of_reach, len(basin.graph)),
            )
        )  # fmt: skip
    evidence = di.evidence_of(inputs.actions.evidence)
    of_sites = di.in_order(inputs.sites.site)
    of_actions = di.in_order(inputs.sites.site[inputs.actions.site_index], inputs.actions.action)
    failing = [
        di.by_class(spec.failure, di.evidence_of(inputs.sites.evidence), certain=0.0)[of_sites],
        di.by_class(spec.failure, evidence, certain=0.0)[of_actions],
    ]
    return DrawPlan(
        di.uncertain_passability(project, tables), tuple(parts), di.cvs_of(project, [s.role for s in project.species]),
        di.by_class(spec.cost, evidence, certain=0.0)[of_actions], np.concatenate(failing),
        0 if work.measured is None else work.measured.days.years.size, spec.seed, of_sites,
        of_actions,
    )  # fmt: skip


def blocks_of(project: Project, basin: Basin, plan: DrawPlan) -> Iterator[tuple[DrawBlock, Floats, Floats]]:
    """Turn points into blocks of draws, with the chances (b, d) and factors (f, d) that they are made of."""
    spec = project.uncertainty
    table = BetaTable(plan.passability.alpha, plan.passability.beta)
    for u in draw_blocks(plan.inputs, spec.draws, seed=spec.seed, method=spec.method):
        b, f = plan.passability.alpha.size, plan.cv.size
        factors = lognormal_factor(u[:, b : b + f], plan.cv).T
        picked = np.minimum((u[:, b + f :] * plan.years).astype(np.int64), max(plan.years - 1, 0))
        chances = table.quantile(u[:, :b])
        passability = _passabilities(basin, plan, (u[:, :b], table, chances), picked)
        yield _block(project, basin, plan, passability, factors), chances, factors


def _block(
    project: Project, basin: Basin, plan: DrawPlan, passability: tuple[Floats, Floats], factors: Floats
) -> DrawBlock:
    """Put one block together; `passability` is (n, S, d) and (a, S, d), `factors` (f, d)."""
    species, sites, actions = len(project.species), basin.inputs.sites, basin.inputs.actions
    value, treatment, basin_wide = factors[: 3 * species].reshape(3, species, -1)
    at = 3 * species
    habitat = []
    for k, part in enumerate(plan.habitat):
        habitat.append(part.amounts @ (factors[at : at + part.cv.size] * basin_wide[k]))
        at += part.cv.size
    cost, rest = np.empty((len(actions), factors.shape[1])), factors[at:]
    cost[plan.action_order] = rest[: len(actions)]
    fails = np.empty((len(sites) + len(actions), factors.shape[1]))
    fails[plan.site_order] = rest[len(actions) : len(actions) + len(sites)]
    fails[len(sites) + plan.action_order] = rest[len(actions) + len(sites) :]
    chance = np.concatenate([sites.failure_probability, actions.failure_probability])
    failing = np.minimum(chance[:, None] * fails, _SURE_TO_FAIL)
    today, afterwards = failing[: len(sites)], failing[len(sites) :]
    kept = actions.failure_probability == sites.failure_probability[actions.site_index]
    afterwards[kept] = today[actions.site_index[kept]]  # nothing is changed: the same draw
    before, after = passability
    return DrawBlock(
        passability=tuple(np.ascontiguousarray(before[:, k]) for k in range(species)),
        after=tuple(np.ascontiguousarray(after[:, k]) for k in range(species)),
        failure_today=today,
        failure_after=afterwards,
        habitat=tuple(habitat),
        value=np.array([s.value for s in project.species])[:, None] * value,
        treatment=treatment,
        cost=cost,
    )


def _passabilities(
    basin: Basin, plan: DrawPlan, drawn: tuple[Floats, BetaTable, Floats], picked: Ints
) -> tuple[Floats, Floats]:
    """Return drawn passabilities of the sites (n, S, d) and after the actions (a, S, d).

    Parameters
    ----------
    drawn : (d, b) float64, BetaTable, (b, d) float64
        Points, one column for each of them; their distributions; what they stand for.
    picked : (d, Y) int64
        Years drawn.
    """
    p, site = plan.passability, basin.inputs.actions.site_index
    u, table, chances = drawn
    before = _drawn(p.today, p.today_at, chances)
    own = chances.copy()  # after an action
    i, k = np.nonzero(p.shared & (p.today_at[site] >= 0))
    rows = p.after_at[i, k]
    own[rows] = table.quantile(u[:, p.today_at[site[i], k]], rows)
    after = _drawn(p.after, p.after_at, own)
    measured, yearly = basin.passage.measured, basin.passage.after.yearly
    if measured is not None and yearly is not None:
        shift = np.zeros_like(before)
        rows = measured.structures.site
        shift[np.ix_(rows, measured.species)] = di.year_shift(measured.passage.p, picked)
        before = _shifted(before, shift, (basin.passage.today.source == "computed") & (p.today_at >= 0))
        moved = np.zeros_like(after)
        moved[:, measured.species] = di.year_shift(yearly, picked)
        after = _shifted(after, moved, p.shared)
        same = (p.after_at == p.today_at[site]) & (p.after_at >= 0)
        after[same] = before[site][same]
    beside = before[site][p.device]  # what gets past without the device, whose efficiency was drawn
    after[p.device] = beside + (1.0 - beside) * after[p.device]
    return before, after


def _drawn(fixed: Floats, at: Ints, chances: Floats) -> Floats:
    """Return drawn numbers, (.., S, d): the fixed ones where nothing is drawn."""
    out = np.repeat(fixed[:, :, None], chances.shape[1], axis=2)
    drawn = at >= 0
    out[drawn] = chances[at[drawn]]
    return out


def _shifted(drawn: Floats, shift: Floats, where: NDArray[np.bool_]) -> Floats:
    """Return numbers moved by the years drawn, kept within 0 and 1."""
    return np.where(where[:, :, None], np.clip(drawn + shift, 0.0, 1.0), drawn)


def with_intervals(ranked: pd.DataFrame, spread: Spread) -> pd.DataFrame:
    """Return the list with its intervals.

    Parameters
    ----------
    ranked : DataFrame
        The list in order, with the positions of the actions in their table as index.
    spread : Spread
    """
    at, made = ranked.index.to_numpy(), spread.intervals
    return ranked.assign(
        rank_low=pd.array(made.rank_low[at], dtype="Int64"),
        rank_high=pd.array(made.rank_high[at], dtype="Int64"),
        chance_top=made.chance_top[at],
        expected_benefit=made.expected_benefit[at],
        chance_of_harm=made.chance_of_harm[at],
    )


def uncertainty_look(project: Project, ranked: pd.DataFrame, spread: Spread) -> tuple[UncertaintyLook, pd.DataFrame]:
    """Return what the outputs tell of the draws, and the table of acceptability.

    Parameters
    ----------
    ranked : DataFrame
        As for :func:`with_intervals`, with `site`, `name` and `action`.
    """
    spec = project.uncertainty
    at = ranked.index.to_numpy()
    first, second = at[:-1], at[1:]
    near = min(spec.top + _MORE, first.size)
    chance = ahead(spread.ranks, first[:near], second[:near])
    settled = np.maximum(chance, 1.0 - chance) >= spec.level
    names = ranked[["site", "action"]].astype(str).to_numpy()
    pairs = tuple(
        (names[i, 0], names[i, 1], names[i + 1, 0], names[i + 1, 1], float(chance[i])) for i in np.flatnonzero(~settled)
    )
    enough, difference = is_enough(spread.ranks, spec.top)
    look = UncertaintyLook(
        draws=spread.ranks.shape[1], level=spec.level, top=spec.top,
        settled=float(settled.mean()) if settled.size else 1.0, enough=_enough_words(enough, difference, spec.top),
        unsettled=pairs,
    )  # fmt: skip
    rows = at[:SHOWN]
    table = ranked.loc[rows, ["site", "name", "action", "rank"]].reset_index(drop=True)
    share = acceptability(spread.ranks, rows)
    for r in range(RANKS):
        table[str(r + 1)] = share[:, r]
    table["later"] = share[:, RANKS]
    return look, table


def _enough_words(enough: bool, difference: float, top: int) -> str:
    told = f"the two halves of the draws differ by at most {difference:.3f} in the chance of a place in the first {top}"
    return f"The draws suffice: {told}." if enough else f"More draws are needed: {told}."
