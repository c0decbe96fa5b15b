"""A cap is tightened until plans keep to it as the access engine works it out, and no further than needed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from barrierrank.plan.demands import Demands, NoPlanError
from barrierrank.plan.found import Plan
from barrierrank.plan.tightened import BACK, ROUNDS, tightened
from barrierrank.plan.tree import PlanTree

Ints = NDArray[np.int64]
TREE = PlanTree(np.array([-1]), np.ones((1, 1)), np.array([0, 1]), np.ones((1, 1)), np.zeros(1), np.zeros(1))
DEMANDS = Demands(TREE, 1.0)


class Few:
    """A few plans: the worth of each, what the tree makes of its exposure, and what the engine does."""

    def __init__(self, worth: Sequence[float], tree: Sequence[float], engine: Sequence[float]) -> None:
        self.worth, self.tree, self.engine = np.array(worth), np.array(tree), np.array(engine)
        self.caps: list[float] = []
        self.found: list[int] = []
        self.stop_at, self.no_bound = -1, False

    def at(self, cap: float, _: Sequence[Ints]) -> tuple[Demands, Plan, Ints]:
        self.caps.append(cap)
        within = np.where(self.tree <= cap, self.worth, -np.inf)
        if within.max() == -np.inf:
            raise NoPlanError("none")
        k = int(within.argmax())
        self.found.append(k)
        status = "interrupted" if len(self.caps) == self.stop_at else "proven"
        choice = np.array([k])
        bound = np.inf if len(self.caps) == 1 and self.no_bound else within.max() + 1.0
        plan = Plan(
            choice, float(self.worth[k]), 0.0, float(self.tree[k]), bound, 0.0, status, 1, 0.0, 0.0
        )  # fmt: skip
        return DEMANDS, plan, choice

    def exposed(self, rows: Ints) -> float:
        return float(self.engine[rows[0]])


@settings(max_examples=400, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), close=st.booleans())
def test_a_plan_keeps_to_the_cap(seed: int, close: bool) -> None:
    """Of plans that the engine makes more of than the tree: the bound is that of all within the cap asked for."""
    rng = np.random.default_rng(seed)
    tree = rng.lognormal(0.0, 1.0, 30)
    engine = tree * (1.0 + rng.uniform(0.0, 0.1 if close else 2.0, 30))
    few = Few(tree * rng.uniform(0.5, 1.5, 30), tree, engine)
    cap = float(np.quantile(engine, rng.uniform(0.05, 0.9)))
    try:
        _, plan, rows = tightened(few.at, few.exposed, cap)
    except NoPlanError:
        assert len(few.caps) == ROUNDS
        return
    assert len(few.caps) <= ROUNDS
    assert few.exposed(rows) <= cap * (1.0 + 1e-9)
    assert plan.worth == few.worth[rows[0]]
    assert plan.bound == few.worth[tree <= cap].max() + 1.0
    assert plan.bound >= few.worth[engine <= cap].max()
    kept = [k for k in few.found if engine[k] <= cap * (1.0 + 1e-9)]
    assert plan.worth == few.worth[kept].max()


def test_what_was_lowered_too_much_is_undone() -> None:
    few = Few([10.0, 9.0, 5.0], [100.0, 97.0, 80.0], [104.0, 100.0, 82.0])
    _, plan, rows = tightened(few.at, few.exposed, 100.0)
    # 100 is 4 too wide, 94 has the poor plan only, half of the way back lies 97
    assert few.caps[:3] == [100.0, 94.0, 97.0]
    assert len(few.caps) == 2 + BACK
    assert (plan.worth, plan.bound, rows.tolist()) == (9.0, 11.0, [1])


def test_lowered_below_all_there_is_it_comes_back() -> None:
    few = Few([10.0, 9.0], [100.0, 90.0], [120.0, 99.0])
    _, plan, _ = tightened(few.at, few.exposed, 100.0)
    assert few.caps[:3] == [100.0, 70.0, 85.0]  # at 70 and 85 there is none, at 92.5 there is one
    assert plan.worth == 9.0


def test_one_look_is_enough_where_the_cap_is_kept() -> None:
    for cap in (100.0, np.inf):
        few = Few([10.0], [100.0], [100.0])
        assert tightened(few.at, few.exposed, cap)[1].worth == 10.0
        assert few.caps == [cap]


def test_without_a_plan_it_is_told() -> None:
    few = Few([10.0], [100.0], [130.0])
    with pytest.raises(NoPlanError, match="none"):
        tightened(few.at, few.exposed, 90.0)
    with pytest.raises(NoPlanError, match="in all years"):
        tightened(few.at, few.exposed, 110.0)


def test_stopped_on_the_way_back_it_is_told() -> None:
    few = Few([10.0, 9.0, 5.0], [100.0, 97.0, 80.0], [104.0, 100.0, 82.0])
    few.stop_at = 3
    _, plan, _ = tightened(few.at, few.exposed, 100.0)
    assert (plan.worth, plan.status) == (9.0, "interrupted")
    assert len(few.caps) == 3


def test_a_bound_of_what_was_tightened_is_none_of_what_is_asked() -> None:
    few = Few([10.0, 9.0, 5.0], [100.0, 97.0, 80.0], [104.0, 100.0, 82.0])
    few.no_bound = True  # time was up before there was one at the cap asked for
    _, plan, _ = tightened(few.at, few.exposed, 100.0)
    assert (plan.worth, plan.bound) == (9.0, np.inf)
