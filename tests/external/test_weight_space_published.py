"""Shares of all weights that put an action first, against published definitions and exact areas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.weight_space import weight_space


def shares(terms: np.ndarray, **more: float) -> pd.DataFrame:
    """Return the table of actions with these criteria, scaled from 0 to 1, none of them standing apart."""
    names = [f"c{k}" for k in range(terms.shape[1])]
    table = pd.DataFrame({f"term_{name}": terms[:, k] for k, name in enumerate(names)})
    table["site"] = [f"S{i}" for i in range(len(terms))]
    table = table.assign(name="", action="do", rank=1, standing="worth doing")
    rule = RankingRule(by="criteria", weights=dict.fromkeys(names, 1.0), points=True)
    return weight_space(table, rule, **{"top": 1, "level": 0.9, "seed": 3, **more})


def weights_of(made: pd.DataFrame) -> np.ndarray:
    """Return the central weights, a row each."""
    return made[[c for c in made if c.startswith("weight_")]].to_numpy()


def grid(cells: int) -> np.ndarray:
    """Return the centres of the cells^2 equal small triangles that the triangle of three weights is made of."""
    i, j = np.meshgrid(np.arange(cells), np.arange(cells), indexing="ij")
    up = np.column_stack([i[i + j < cells], j[i + j < cells]]) + 1.0 / 3.0
    down = np.column_stack([i[i + j < cells - 1], j[i + j < cells - 1]]) + 2.0 / 3.0
    two = np.vstack([up, down]) / cells
    return np.column_stack([two, 1.0 - two.sum(axis=1)])


def test_three_actions_each_best_in_one_criterion_share_the_weights() -> None:
    # Lahdelma, Hokkanen and Salminen 1998 (from memory): acceptability is the share of the weights; by symmetry a third
    # each. The central weight of the region where w1 is greatest: its mean is (1 + 1/2 + 1/3) / 3 = 11/18, the mean of
    # the greatest of three spacings (David and Nagaraja 2003, from memory); the other two share the rest
    made = shares(np.eye(3))
    assert made["share_first"].to_numpy() == pytest.approx(1.0 / 3.0, abs=0.003)
    centre = weights_of(made)
    assert np.diag(centre) == pytest.approx(11.0 / 18.0, abs=0.005)
    assert centre[0, 1] == pytest.approx(3.5 / 18.0, abs=0.005)


@pytest.mark.parametrize("criteria", [2, 4, 6])
def test_each_best_in_one_of_more_criteria(criteria: int) -> None:
    # as above: mean of the greatest of k spacings is (1 + 1/2 + ... + 1/k) / k (David and Nagaraja 2003, from memory)
    made = shares(np.eye(criteria))
    exact = criteria == 2
    assert made["share_first"].to_numpy() == pytest.approx(1.0 / criteria, abs=1e-12 if exact else 0.005)
    greatest = (1.0 / np.arange(1, criteria + 1)).sum() / criteria
    assert np.diag(weights_of(made)) == pytest.approx(greatest, abs=1e-12 if exact else 0.01)


@pytest.mark.parametrize("middle", [0.4, 0.5, 0.6])
def test_a_compromise_takes_the_middle_of_the_triangle(middle: float) -> None:
    # by geometry: an action with the same value in all three criteria is first where every weight is below it; the
    # three corners cut off are triangles of (1 - middle)^2 each, and overlap where middle is below one half
    overlap = 3.0 * max(1.0 - 2.0 * middle, 0.0) ** 2
    made = shares(np.vstack([np.eye(3), np.full((1, 3), middle)]))
    assert made["share_first"].iloc[3] == pytest.approx(1.0 - 3.0 * (1.0 - middle) ** 2 + overlap, abs=0.004)


def test_a_corner_cut_off_the_triangle_has_the_area_and_the_centre_of_a_triangle() -> None:
    # by geometry: (1, 0, 0) beats (0.3, 0.5, 0.7) where 0.7 w1 > 0.5 w2 + 0.7 w3. The line meets the edge w3 = 0 at
    # w1 = 5/12 and the edge w2 = 0 at w1 = 1/2; the triangle between them and the corner has 7/12 * 1/2 of the area,
    # and its centroid is the mean of its corners
    made = shares(np.array([[1.0, 0.0, 0.0], [0.3, 0.5, 0.7]]))
    assert made["share_first"].tolist() == pytest.approx([7.0 / 24.0, 17.0 / 24.0], abs=0.002)
    corners = np.array([[1.0, 0.0, 0.0], [5.0 / 12.0, 7.0 / 12.0, 0.0], [0.5, 0.0, 0.5]])
    assert weights_of(made)[0] == pytest.approx(corners.mean(axis=0), abs=0.003)


def test_two_criteria_by_hand() -> None:
    # by hand, scores as lines over w, the weight of the first criterion: A (1, 0): w; B (0.6, 0.8): 0.8 - 0.2 w;
    # C (0, 1): 1 - w; D (0.7, 0.6): 0.6 + 0.1 w.
    # C is uppermost up to 1/4 (1 - w = 0.8 - 0.2 w), B up to 2/3 (0.8 - 0.2 w = w, and D meets it at the same place),
    # then A: D only ever touches
    made = shares(np.array([[1.0, 0.0], [0.6, 0.8], [0.0, 1.0], [0.7, 0.6]]), level=1.0)
    assert made["share_first"].tolist() == pytest.approx([1.0 / 3.0, 5.0 / 12.0, 1.0 / 4.0, 0.0], abs=1e-12)
    assert weights_of(made)[:3, 0] == pytest.approx([5.0 / 6.0, 11.0 / 24.0, 1.0 / 8.0], abs=1e-12)
    assert np.isnan(weights_of(made)[3]).all()
    assert made["rank_low"].tolist() == [1, 1, 1, 2]
    assert made["rank_high"].tolist() == [4, 3, 4, 3]


@pytest.mark.parametrize("seed", range(3))
def test_rank_acceptability_is_that_counted_on_a_fine_grid(seed: int) -> None:
    # Lahdelma and Salminen 2001 (from memory): share of the weights that gives an action one of the first k ranks, here
    # counted in 40,000 equal cells of the triangle
    terms = np.random.default_rng(seed).random((12, 3))
    made = shares(terms, top=3, level=0.8, draws=65_536)
    cells = grid(200)
    scores = terms @ cells.T
    ranks = (scores[None, :, :] > scores[:, None, :]).sum(axis=1) + 1
    assert made["share_top"].to_numpy() == pytest.approx((ranks <= 3).mean(axis=1), abs=0.004)
    first = ranks == 1
    assert made["share_first"].to_numpy() == pytest.approx(first.mean(axis=1), abs=0.004)
    for row in np.flatnonzero(first.mean(axis=1) > 0.02):
        assert weights_of(made)[row] == pytest.approx(cells[first[row]].mean(axis=0), abs=0.01)
    low, high = np.quantile(ranks, [0.1, 0.9], axis=1, method="inverted_cdf")
    # a share within a hair of the level may fall on either side
    assert (made["rank_low"].to_numpy() == low).mean() > 0.9
    assert (made["rank_high"].to_numpy() == high).mean() > 0.9
