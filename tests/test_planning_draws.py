"""Plans in draws of the inputs: each draw against the ranking of draws, and against every plan written out."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from support.small_basin import SmallBasin

from barrierrank.basin import Clock
from barrierrank.plan.basin import Asked, BasinPlans
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.planning_draws import LOOSE_GAP, in_draw, steadiness_of
from barrierrank.planning_stop import Stop
from barrierrank.problems import Problems
from barrierrank.project import Project, load_project
from barrierrank.run import RankedRun, ranked_run
from barrierrank.spreading import blocks_of
from barrierrank.weighing import stakes_of

DRAWS = 150  # more than one block
TREATED = """\
value = -1.0
treatment = { cost_per_unit = 2.0, per = "habitat", interval_years = 4, infested_from = 0.3 }
"""
Drawn = tuple[Project, RankedRun, ExactWorth]


@pytest.fixture
def drawn(tmp_path: Path) -> Drawn:
    """Rank a small project in draws; return what it takes to plan in them."""
    small = SmallBasin(tmp_path / "basin").edit("value = -1.0\n", TREATED)
    small.text += f"\n[uncertainty]\ndraws = {DRAWS}\n[plan]\ndraws = {DRAWS}\n"
    problems = Problems()
    project = load_project(Path(small.project), problems)
    run = ranked_run(project, problems, Clock(), learn=False)
    actions = run.basin.inputs.actions
    stakes = stakes_of(project, run.basin, run.today, actions)
    failure = run.basin.inputs.sites.failure_probability
    return project, run, ExactWorth(run.basin.graph, actions, stakes, failure, project.economy)


def every_draw(drawn: Drawn) -> list[ExactWorth]:
    """Return the worth of choices in each draw."""
    project, run, exact = drawn
    assert run.spread is not None
    blocks = [block for block, _, _ in blocks_of(project, run.basin, run.spread.plan)]
    return [in_draw(exact, block, d) for block in blocks for d in range(block.draws)]


def test_a_draw_is_that_of_the_ranking(drawn: Drawn) -> None:
    spread = drawn[1].spread
    assert spread is not None
    nothing = np.full(3, LEAVE)
    ones = every_draw(drawn)
    assert len(ones) == DRAWS
    for d, one in enumerate(ones):
        alone = one.alternatives(nothing)
        assert alone.row.tolist() == [0, 1, 2, 3]
        np.testing.assert_allclose(
            alone.worth, spread.benefit[:, d] - spread.cost[:, d], rtol=1e-9, atol=1e-6, err_msg=str(d)
        )
    assert np.ptp([one.worth(np.array([0, 2, 3])) for one in ones]) > 0.0


@pytest.mark.parametrize("budget", [450.0, 700.0, 1000.0])
def test_shares_are_those_of_the_best_of_all_plans(drawn: Drawn, budget: float) -> None:
    project, run, exact = drawn
    assert run.spread is not None
    count, unsure = np.zeros(4), 0
    for one in every_draw(drawn):
        options = [np.array(c) for c in product([LEAVE, 0, 1], [LEAVE, 2], [LEAVE, 3])]
        within = [c for c in options if one.spent(c) <= budget * (1.0 + 1e-9)]
        worth = np.array([one.worth(c) for c in within])
        best = within[int(worth.argmax())]
        count[best[best >= 0]] += 1.0
        first, second = np.sort(np.append(worth, -np.inf))[:-3:-1]
        unsure += first - second <= LOOSE_GAP * first  # either may be found
    plans = BasinPlans(exact, Asked(), project.plan.gap, project.plan.seconds)
    start = plans.best(budget).rows
    found = steadiness_of(project, run.basin, run.spread, plans, budget, start, Stop())
    assert found is not None
    assert found.draws == DRAWS
    assert unsure <= 0.05 * DRAWS
    np.testing.assert_allclose(found.share * DRAWS, count, atol=unsure + 1e-9)
    assert (found.share > 0.0).sum() >= 2


def test_once_stopped_no_draw_is_begun(drawn: Drawn) -> None:
    project, run, exact = drawn
    assert run.spread is not None
    stop = Stop(asked=True)
    plans = BasinPlans(exact, Asked(), 1e-3, 10.0)
    assert steadiness_of(project, run.basin, run.spread, plans, 700.0, np.full(3, LEAVE), stop) is None
    assert stop.cut == [f"draws (0 of {DRAWS} done)"]


def test_what_is_forced_and_costs_too_much_in_a_draw_has_no_plan_there(drawn: Drawn) -> None:
    project, run, exact = drawn
    assert run.spread is not None
    forced = Asked(forced=np.array([2]))  # 600 as it stands
    plans = BasinPlans(exact, forced, 1e-3, 10.0)
    found = steadiness_of(project, run.basin, run.spread, plans, 600.0, np.array([LEAVE, 2, LEAVE]), Stop())
    assert found is not None
    dearer = np.mean([one.actions.cost[2] > 600.0 * (1.0 + 1e-9) for one in every_draw(drawn)])
    assert 0.2 < dearer < 0.8
    assert found.share[2] == pytest.approx(1.0 - dearer)
