"""Shares of all weights that put an action first, against published definitions and exact areas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.weight_space import weight_space


def shares(terms: np.ndarray) -> pd.DataFrame:
    """Return the table of actions with these criteria, scaled from 0 to 1, none of them standing apart."""
    names = [f"c{k}" for k in range(terms.shape[1])]
    table = pd.DataFrame({f"term_{name}": terms[:, k] for k, name in enumerate(names)})
    table["site"] = [f"S{i}" for i in range(len(terms))]
    table = table.assign(name="", action="do", rank=1, standing="worth doing")
    rule = RankingRule(by="criteria", weights=dict.fromkeys(names, 1.0), points=True)
    return weight_space(table, rule, top=1, level=0.9, seed=3)


def test_three_actions_each_best_in_one_criterion_share_the_weights() -> None:
    # Lahdelma, Hokkanen and Salminen 1998 (from memory): acceptability is the share of the weights; by symmetry a third
    # each. The central weight of the region where w1 is greatest: its mean is (1 + 1/2 + 1/3) / 3 = 11/18, the mean of
    # the greatest of three spacings (David and Nagaraja 2003, from memory); the other two share the rest
    made = shares(np.eye(3))
    assert made["share_first"].to_numpy() == pytest.approx(1.0 / 3.0, abs=0.003)
    centre = made[["weight_c0", "weight_c1", "weight_c2"]].to_numpy()
    assert np.diag(centre) == pytest.approx(11.0 / 18.0, abs=0.005)
    assert centre[0, 1] == pytest.approx(3.5 / 18.0, abs=0.005)


@pytest.mark.parametrize("middle", [0.4, 0.5, 0.6])
def test_a_compromise_takes_the_middle_of_the_triangle(middle: float) -> None:
    # by geometry: an action with the same value in all three criteria is first where every weight is below it; the
    # three corners cut off are triangles of (1 - middle)^2 each, and overlap where middle is below one half
    overlap = 3.0 * max(1.0 - 2.0 * middle, 0.0) ** 2
    made = shares(np.vstack([np.eye(3), np.full((1, 3), middle)]))
    assert made["share_first"].iloc[3] == pytest.approx(1.0 - 3.0 * (1.0 - middle) ** 2 + overlap, abs=0.004)
