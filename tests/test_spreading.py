"""Draws of a whole project: what is certain stays, what is drawn has its distribution, ranks follow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support.small_passage import SmallPassage

from barrierrank.basin import Clock, make_basin
from barrierrank.problems import Problems
from barrierrank.project import load_project
from barrierrank.run import rank_project, rule_of
from barrierrank.spreading import Spread, _plan, blocks_of, spread_of
from barrierrank.weighing import as_it_is

COLUMNS = "change,change_m,efficiency_lamprey,efficiency_walleye"
ACTIONS = (
    "D1,raise,1000,raise,0.5,,", "D1,remove,500,remove,,,", "D2,fishway,2000,fishway,,0.1,0.6",
    "D2,lower,800,lower,0.4,,", "D2,paint,10,,,,",
)  # fmt: skip
SURE = """
[uncertainty]
draws = 64
value_cv = 0.0
treatment_cv = 0.0
basin_habitat_cv = 0.0
[uncertainty.passability]
measured = 1e6
rated = 1e6
modelled = 1e6
guessed = 1e6
[uncertainty.habitat]
measured = 1e-9
rated = 1e-9
modelled = 1e-9
guessed = 1e-9
[uncertainty.cost]
measured = 1e-9
rated = 1e-9
modelled = 1e-9
guessed = 1e-9
[uncertainty.failure]
measured = 1e-9
rated = 1e-9
modelled = 1e-9
guessed = 1e-9
"""


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    return SmallPassage(tmp_path).actions(COLUMNS, *ACTIONS)


def draws_of(small: SmallPassage) -> tuple[list, object, object]:
    """Return the blocks of draws of a project, its plan and its basin."""
    problems = Problems()
    project = load_project(small.project, problems)
    basin = make_basin(project, problems, Clock())
    plan = _plan(project, basin)
    return [block for block, _, _ in blocks_of(project, basin, plan)], plan, basin


def spread(small: SmallPassage) -> Spread:
    problems = Problems()
    project = load_project(small.project, problems)
    basin = make_basin(project, problems, Clock())
    made = spread_of(project, basin, as_it_is(project, basin), rule_of(project))
    assert made is not None
    return made


def test_where_nothing_is_uncertain_every_draw_is_the_list(small: SmallPassage) -> None:
    small.edit("[species.walleye.run]", SURE + "\n[species.walleye.run]")
    problems = Problems()
    model = rank_project(load_project(small.project, problems), problems)
    table = model.priority
    # the years are drawn all the same: lamprey at D1 passes 0.1 to 0.4 of its run, which turns no order here
    assert (table["rank_low"] <= table["rank"]).all()
    assert (table["rank"] <= table["rank_high"]).all()
    assert (table["rank_high"] - table["rank_low"] <= 1).all()
    assert model.uncertainty is not None
    assert model.uncertainty.draws == 64


def test_draws_are_the_same_on_every_run_and_others_with_another_seed(small: SmallPassage) -> None:
    first, again = spread(small), spread(small)
    assert np.array_equal(first.ranks, again.ranks)
    assert np.array_equal(first.benefit, again.benefit)
    small.edit("[species.walleye.run]", "[uncertainty]\nseed = 7\n\n[species.walleye.run]")
    assert not np.array_equal(first.benefit, spread(small).benefit)


def test_passabilities_have_their_means_and_stay_within_0_and_1(small: SmallPassage) -> None:
    small.edit("[species.walleye.run]", "[uncertainty]\ndraws = 4096\n\n[species.walleye.run]")
    blocks, plan, basin = draws_of(small)
    before = np.concatenate([np.stack(b.passability, axis=1) for b in blocks], axis=2)
    after = np.concatenate([np.stack(b.after, axis=1) for b in blocks], axis=2)
    assert before.min() >= 0.0
    assert after.max() <= 1.0
    # D1 lamprey: 0.25 worth 12 fish, Beta(3.5, 9.5): mean 3.5 / 13; D2 lamprey: 0, Beta(0.5, 12.5)
    assert before[0, 0].mean() == pytest.approx(3.5 / 13, abs=0.01)
    assert before[1, 0].mean() == pytest.approx(0.5 / 13, abs=0.005)
    assert (before[0, 1] == 1.0).all()  # what is 1 is certain
    assert (before[2] == 1.0).all()
    assert (after[1] == 1.0).all()  # removed
    assert np.array_equal(after[4], before[1])  # paint changes nothing: the same draw
    # a fishway beside the weir: 1 - (1 - p)(1 - efficiency), the efficiency 0.6 worth 12 fish
    efficiency = (after[2, 1] - before[1, 1]) / (1.0 - before[1, 1])
    assert efficiency.mean() == pytest.approx(7.7 / 13, abs=0.01)
    assert efficiency.std() == pytest.approx(np.sqrt(7.7 * 5.3 / (13**2 * 14)), rel=0.05)
    # lowered by 0.4 m, D2 is as D1: drawn with the chance that today's is drawn with
    assert np.corrcoef(after[3, 0], before[1, 0])[0, 1] > 0.5
    assert plan.inputs == plan.passability.alpha.size + plan.cv.size + 4
    assert basin.passage.after.yearly is not None


def test_what_leaves_failure_as_it_is_has_the_draw_of_today(small: SmallPassage) -> None:
    text = (small.folder / "sites.csv").read_text(encoding="utf-8")
    small.write("sites.csv", text.replace("4600000,0,", "4600000,0.02,").replace("4600250,0,", "4600250,0.04,"))
    small.actions(f"failure_probability,{COLUMNS}", "D1,rebuild,1000,0.001,,,,", "D2,paint,10,,,,,")
    blocks, _, _ = draws_of(small)
    before = np.concatenate([b.failure_today for b in blocks], axis=1)
    after = np.concatenate([b.failure_after for b in blocks], axis=1)
    assert before[0].std() > 0.0
    assert before[0].mean() == pytest.approx(0.02, rel=0.05)
    assert after[0].mean() == pytest.approx(0.001, rel=0.05)
    assert np.array_equal(after[1], before[1])
    assert spread(small).intervals.chance_of_harm[1] == 0.0  # paint does nothing in any draw


def test_a_trial_has_its_own_distribution(small: SmallPassage) -> None:
    small.trials("D2,,lamprey,40,0")
    small.edit("[species.walleye.run]", "[uncertainty]\ndraws = 2048\n\n[species.walleye.run]")
    blocks, _, _ = draws_of(small)
    drawn = np.concatenate([b.passability[0] for b in blocks], axis=1)[1]
    assert drawn.mean() == pytest.approx(1 / 42, abs=0.001)  # Beta(1, 41), not the bound that the list reckons with


def test_off(small: SmallPassage) -> None:
    small.edit("[species.walleye.run]", "[uncertainty]\ndraws = 0\n\n[species.walleye.run]")
    problems = Problems()
    model = rank_project(load_project(small.project, problems), problems)
    assert model.uncertainty is None
    assert "rank_low" not in model.priority


def test_intervals_of_the_list(small: SmallPassage) -> None:
    problems = Problems()
    model = rank_project(load_project(small.project, problems), problems)
    table = model.priority
    assert (table["rank_low"] <= table["rank_high"]).all()
    assert table["chance_top"].between(0.0, 1.0).all()
    assert table["chance_of_harm"].between(0.0, 1.0).all()
    assert model.acceptability is not None
    shares = model.acceptability.drop(columns=["site", "name", "action", "rank"])
    assert shares.sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert model.acceptability["rank"].tolist() == table["rank"].tolist()
