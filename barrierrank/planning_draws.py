"""How steady a plan is: the best plan in draws of the uncertain inputs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.basin import Basin
from barrierrank.jit import each
from barrierrank.plan.basin import BasinPlans
from barrierrank.plan.demands import NoPlanError
from barrierrank.plan.exact import ExactWorth
from barrierrank.planning_stop import Stop
from barrierrank.project import Project
from barrierrank.ranking.draw_worth import DrawBlock
from barrierrank.spreading import Spread, blocks_of
from barrierrank.worth.terms import SpeciesStake

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LOOSE_GAP = 0.01
"""Gap of the plans of draws: which actions they hold is settled long before the last per mille."""
LEAST_SECONDS = 2.0


@dataclass(frozen=True, eq=False)
class Steadiness:
    """How often each action is in the best plan.

    Parameters
    ----------
    share : (a,) float64
        Of the draws.
    draws : int
        Planned for, those included in which no plan meets what is asked.
    """

    share: Floats
    draws: int


def steadiness_of(
    project: Project,
    basin: Basin,
    spread: Spread,
    plans: BasinPlans,
    budget: float,
    start: Ints,
    stop: Stop,
) -> Steadiness | None:
    """Find the best plan in the first draws of the inputs and count the actions; None where no draw was done.

    Parameters
    ----------
    project, basin, spread
    plans : BasinPlans
        Of the inputs as they stand.
    budget : float
    start : (sites,) int64
        The plan for the inputs as they stand.
    stop : Stop
        Once the user stops it, what is counted by then is returned.
    """
    wanted, asked = project.plan.draws, plans.asked
    found: list[Ints | None] = []
    seconds = max(project.plan.seconds / max(wanted, 1), LEAST_SECONDS)

    def look(one: ExactWorth) -> None:
        try:
            plan = BasinPlans(one, asked, LOOSE_GAP, seconds, thorough=False).best(budget, start=[start])
            found.append(plan.rows)
        except NoPlanError:  # costs more than thought: what is forced cannot be paid in this draw
            found.append(None)

    with stop.heard():
        for block, _, _ in blocks_of(project, basin, spread.plan):
            if stop.asked or len(found) >= wanted:
                break
            each(look, [in_draw(plans.exact, block, d) for d in range(min(block.draws, wanted - len(found)))])
    if stop.asked and len(found) < wanted:
        stop.cut.append(f"draws ({len(found):,} of {wanted:,} done)")
    count = np.zeros(len(plans.exact.actions))
    for rows in found:
        if rows is not None:
            count[rows[rows >= 0]] += 1.0
    return Steadiness(count / len(found), len(found)) if found else None


def in_draw(exact: ExactWorth, block: DrawBlock, draw: int) -> ExactWorth:
    """Return the worth of choices as it is in one draw."""
    actions = exact.actions
    factor = block.cost[:, draw]
    drawn = replace(
        actions, cost=actions.cost * factor, upkeep=actions.upkeep * factor,
        failure_probability=block.failure_after[:, draw],
    )  # fmt: skip
    stakes = [_stake_in_draw(stake, block, k, draw) for k, stake in enumerate(exact.stakes)]
    return ExactWorth(exact.graph, drawn, stakes, block.failure_today[:, draw], exact.economy)


def _stake_in_draw(stake: SpeciesStake, block: DrawBlock, k: int, draw: int) -> SpeciesStake:
    habitat = np.ascontiguousarray(block.habitat[k][:, draw])
    treatment, ground = stake.treatment, stake.ground
    if treatment is not None and ground is not None:
        factor = float(block.treatment[k, draw])
        treatment = replace(
            treatment, cost_per_unit=treatment.cost_per_unit * factor,
            fixed_cost_per_stream=treatment.fixed_cost_per_stream * factor,
        )  # fmt: skip
        ground = replace(ground, habitat=habitat)
    return replace(
        stake, value=float(block.value[k, draw]), habitat=habitat, treatment=treatment, ground=ground,
        passability=np.ascontiguousarray(block.passability[k][:, draw]),
        after=np.ascontiguousarray(block.after[k][:, draw]),
    )  # fmt: skip
