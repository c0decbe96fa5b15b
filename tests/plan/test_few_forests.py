"""A few forests, quick enough for kernels that run as plain Python: the same code, with every index checked."""

from __future__ import annotations

import numpy as np
import pytest
from support.random_forests import all_plans, feasible, random_forest

from barrierrank.plan.best import best_plan
from barrierrank.plan.demands import Demands
from barrierrank.plan.mixed import mixed_plan


@pytest.mark.parametrize("species", [1, 2, 3])
@pytest.mark.parametrize("seed", range(6))
def test_the_best_of_all_plans_is_found(seed: int, species: int) -> None:
    rng = np.random.default_rng([seed, species])
    tree = random_forest(rng, 5, species)
    plans = all_plans(tree)
    least, most = plans.cost.min(), plans.cost.max()
    demands = Demands(tree, float(least + rng.random() * (most - least)))
    best = plans.worth[feasible(demands, plans)].max()
    found = best_plan(demands, gap=1e-9, seconds=60.0)
    assert found.worth == pytest.approx(best, rel=1e-9, abs=1e-9)
    assert found.bound >= best - 1e-9 * max(1.0, abs(best))


def test_a_cap_is_kept() -> None:
    rng = np.random.default_rng(5)
    tree = random_forest(rng, 5, 2)
    exposure = rng.random((5, 2))
    plans = all_plans(tree, exposure)
    demands = Demands(tree, float(plans.cost.max()), exposure=exposure, cap=float(np.quantile(plans.exposure, 0.4)))
    best = plans.worth[feasible(demands, plans)].max()
    for found in (best_plan(demands, gap=1e-9, seconds=60.0), mixed_plan(demands, gap=1e-9, seconds=60.0)):
        assert found.worth == pytest.approx(best, rel=1e-7, abs=1e-7)
        assert found.exposure <= demands.cap * (1.0 + 1e-8)
