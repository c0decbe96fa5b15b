"""Terms of actions: worth over the years with structures ageing, against a plain year-by-year reckoning."""

from __future__ import annotations

import numpy as np
import pytest
from support import plain
from support.random_networks import Recipe, random_network, random_passability

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.project import EconomySpec
from barrierrank.worth.terms import SpeciesStake, action_terms, years_of


def actions_of(site: list[int], rng: np.random.Generator, q: np.ndarray, after: np.ndarray) -> ActionTable:
    n = len(site)
    text = np.array([f"a{i}" for i in range(n)], dtype=object)
    return ActionTable(
        "actions.csv", np.arange(n), np.array(site), text, rng.random(n) * 100, rng.random(n), np.full(n, 7.0), q,
        after, text,
    )  # fmt: skip


@pytest.mark.parametrize("braids", [0, 12])
def test_worth_is_the_discounted_sum_over_years_of_expected_access(braids: int) -> None:
    network, sites = random_network(Recipe(nodes=25, braids=braids, sites=12, seed=3))
    rng = np.random.default_rng(8)
    p, q = random_passability(rng, (sites,)), rng.random(sites) * 0.1
    site = rng.integers(0, sites, 15).tolist()
    after, q_after = random_passability(rng, (15, 1)), rng.random(15) * 0.05
    actions = actions_of(site, rng, q_after, after)
    economy = EconomySpec("USD", 0.04, 20)
    graph = AccessGraph.from_network(network, sites)
    stake = SpeciesStake("fish", "native", 0.7, p, after[:, 0], graph.amounts(network.length_m))
    years = years_of(q, q_after, actions.life_years, economy)
    terms = action_terms(graph, actions, [stake], years, economy)
    for a in range(15):
        gain, worth = [], 0.0
        for t in range(1, 21):
            standing = p + (1 - p) * (1 - (1 - q) ** t)
            base = plain.access_by_shortest_way(network, standing) @ network.length_m
            age = (t - 1) % 7 + 1  # built anew every seven years
            changed = standing.copy()
            failed = 1 - (1 - q_after[a]) ** age
            changed[site[a]] = (1 - failed) * after[a, 0] + failed
            gain.append(plain.access_by_shortest_way(network, changed) @ network.length_m - base)
            worth += 0.7 * gain[-1] / 1.04**t
        assert terms["gain_fish"][a] == pytest.approx(np.mean(gain), rel=1e-9, abs=1e-9)
        assert terms["worth_fish"][a] == pytest.approx(worth, rel=1e-9, abs=1e-9)
    np.testing.assert_allclose(terms["net_benefit"], terms["benefit"] - terms["present_worth_cost"])
    np.testing.assert_allclose(terms["benefit_per_cost"], terms["benefit"] / terms["present_worth_cost"])


def test_one_column_stands_for_all_years_where_nothing_fails() -> None:
    network, sites = random_network(Recipe(nodes=25, sites=12, seed=4))
    rng = np.random.default_rng(9)
    p, after = random_passability(rng, (sites,)), random_passability(rng, (sites, 1))
    actions = actions_of(list(range(sites)), rng, np.zeros(sites), after)
    graph = AccessGraph.from_network(network, sites)
    stake = SpeciesStake("fish", "native", 2.0, p, after[:, 0], graph.amounts(network.length_m))
    economy = EconomySpec("USD", 0.03, 30)
    years = years_of(np.zeros(sites), np.zeros(sites), actions.life_years, economy)
    assert years.weights.shape == (1, 2)
    nearly = years_of(np.full(sites, 1e-15), np.zeros(sites), actions.life_years, economy)
    assert nearly.weights.shape == (30, 2)
    a = action_terms(graph, actions, [stake], years, economy)
    b = action_terms(graph, actions, [stake], nearly, economy)
    np.testing.assert_allclose(a["worth_fish"], b["worth_fish"], rtol=1e-9, atol=1e-9)


def test_points_have_no_net_benefit() -> None:
    network, sites = random_network(Recipe(nodes=10, sites=4, seed=5))
    rng = np.random.default_rng(10)
    after = random_passability(rng, (sites, 1))
    actions = actions_of(list(range(sites)), rng, np.zeros(sites), after)
    graph = AccessGraph.from_network(network, sites)
    stake = SpeciesStake("fish", "native", 2.0, after[:, 0], after[:, 0], graph.amounts(network.length_m))
    economy = EconomySpec(None, 0.0, 10)
    years = years_of(np.zeros(sites), np.zeros(sites), actions.life_years, economy)
    terms = action_terms(graph, actions, [stake], years, economy)
    assert terms["net_benefit"].isna().all()
    assert (terms["benefit"] == 0).all()
