"""Treatment: what an action saves, against working the whole cost out anew."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, network_of, random_network, random_passability

from barrierrank.access.graph import AccessGraph
from barrierrank.project import TreatmentSpec
from barrierrank.worth.treatment import ground_of, treatment_a_year, treatment_saved

recipes = st.builds(
    Recipe,
    nodes=st.integers(5, 60),
    outlets=st.integers(1, 4),
    braids=st.sampled_from([0, 2, 10, 40]),
    sites=st.integers(1, 40),
    twins=st.integers(0, 5),
    lakes=st.sampled_from([0, 0, 1, 3]),
    dead=st.sampled_from([0, 0, 1, 2]),
    seed=st.integers(0, 10**6),
)


@given(recipes, st.sampled_from(["habitat", "discharge"]), st.sampled_from([0.05, 0.3, 0.66, 1.0]))
@settings(max_examples=200, deadline=None)
def test_saving_is_the_difference_of_two_whole_costs(recipe: Recipe, per: str, threshold: float) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 5)
    years = 2
    p, after = random_passability(rng, (sites, years)), random_passability(rng, (sites, years))
    habitat = np.where(rng.random(len(network)) < 0.3, 0.0, network.length_m)
    discharge = network.upstream_m / 10
    spec = TreatmentSpec(
        cost_per_unit=2.0, per=per, interval_years=4.0, fixed_cost_per_stream=70.0, infested_from=threshold
    )
    graph = AccessGraph.from_network(network, sites)
    ground = ground_of(graph, habitat, discharge, network.outlet)
    sweep = graph.sweep(p)
    weights = rng.random(years)
    saved = treatment_saved(graph, sweep, ground, spec, (np.arange(sites), after), weights)
    before = treatment_a_year(sweep, ground, spec)
    np.testing.assert_allclose(before, plain_cost(network, graph, p, habitat, discharge, spec), rtol=1e-9)
    for s in range(sites):
        changed = p.copy()
        changed[s] = after[s]
        anew = plain_cost(network, graph, changed, habitat, discharge, spec)
        np.testing.assert_allclose(saved[s], (before - anew) @ weights, rtol=1e-9, atol=1e-8)


def plain_cost(network, graph, p, habitat, discharge, spec):
    """Cost a year from the reaches themselves: infested reaches, streams that hold some, discharge at their foot."""
    out = []
    for t in range(p.shape[1]):
        access = graph.sweep(p[:, [t]]).access[graph.of_reach, 0]
        infested = (access >= spec.infested_from * (1 - 1e-12)) & (habitat > 0)
        streams = set(network.outlet[infested])
        if spec.per == "habitat":
            amount = habitat[infested].sum()
        else:
            amount = sum(discharge[infested & (network.outlet == s)].max() for s in streams)
        out.append(
            (spec.cost_per_unit * amount + spec.fixed_cost_per_stream * len(streams)) / spec.interval_years
        )
    return np.array(out)


def test_closing_the_mouth_frees_the_stream_by_hand() -> None:
    # mouth site A (.8), 100 m, site B (.5), 60 m: treated from access .4 on, 2 per m and 30 per stream, every 3 years
    network = network_of([2, 1], [1, 0], site=[1, 0], length=[60.0, 100.0])
    graph = AccessGraph.from_network(network, 2)
    spec = TreatmentSpec(
        cost_per_unit=2.0, per="habitat", interval_years=3.0, fixed_cost_per_stream=30.0, infested_from=0.4
    )
    ground = ground_of(graph, network.length_m, None, network.outlet)
    sweep = graph.sweep(np.array([[0.8], [0.5]]))
    assert treatment_a_year(sweep, ground, spec)[0] == pytest.approx((2 * 160 + 30) / 3)
    saved = treatment_saved(
        graph, sweep, ground, spec, (np.array([0, 1, 0]), np.array([[0.0], [0.4], [0.5]])), np.ones(1)
    )
    # closing A frees all; lowering B to .4 frees 60 m (.32 < .4); lowering A to .5 leaves 100 m, frees 60 m (.25)
    np.testing.assert_allclose(saved, [(2 * 160 + 30) / 3, 2 * 60 / 3, 2 * 60 / 3])


def test_an_element_in_two_streams_counts_in_both() -> None:
    # above the place where the river parts lies what both arms' sites bar; it drains to two outlets
    recipe = Recipe(nodes=43, outlets=2, braids=40, sites=8, twins=0, lakes=0, dead=1, seed=17)
    network, sites = random_network(recipe)
    graph = AccessGraph.from_network(network, sites)
    spanning = [e for e in range(2, len(graph)) if np.unique(network.outlet[graph.of_reach == e]).size > 1]
    assert spanning, "this network has such an element"
    test_saving_is_the_difference_of_two_whole_costs.hypothesis.inner_test(recipe, "habitat", 0.05)
    test_saving_is_the_difference_of_two_whole_costs.hypothesis.inner_test(recipe, "discharge", 0.05)
