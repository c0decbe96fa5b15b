"""Treatment saved, summed group by group: each draw against its columns and its habitat alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, network_of, random_network, random_passability

from barrierrank.access.graph import AccessGraph
from barrierrank.project import TreatmentSpec
from barrierrank.worth.treatment import ground_of, treatment_saved, treatment_saved_apart

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


@given(
    recipes, st.sampled_from(["habitat", "discharge"]), st.sampled_from([0.05, 0.3, 0.66, 1.0]),
    st.integers(1, 4),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_each_group_is_as_if_worked_out_alone(
    recipe: Recipe, per: str, threshold: float, groups: int
) -> None:
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 5)
    t = 6
    p, after = random_passability(rng, (sites, t)), random_passability(rng, (sites, t))
    lived_in = np.where(rng.random(len(network)) < 0.3, 0.0, network.length_m)
    spec = TreatmentSpec(
        cost_per_unit=2.0, per=per, interval_years=4.0, fixed_cost_per_stream=70.0, infested_from=threshold
    )
    graph = AccessGraph.from_network(network, sites)
    ground = ground_of(graph, lived_in, network.upstream_m / 10, network.outlet)
    drawn = ground.habitat[:, None] * (0.5 + rng.random((len(graph), groups)))
    group, weights, site = rng.integers(0, groups, t), rng.random(t), rng.integers(0, sites, 20)
    got = treatment_saved_apart(
        graph,
        graph.sweep(p),
        replace(ground, habitat=drawn),
        spec,
        (site, after[site]),
        weights,
        group,
        groups,
    )
    assert got.shape == (20, groups)
    for g in range(groups):
        mine = np.flatnonzero(group == g)
        alone = replace(ground, habitat=drawn[:, g])
        actions = (site, after[site][:, mine])
        want = treatment_saved(graph, graph.sweep(p[:, mine]), alone, spec, actions, weights[mine])
        np.testing.assert_allclose(got[:, g], want, rtol=1e-9, atol=1e-9)


def test_two_draws_by_hand() -> None:
    # mouth site A (.8), 100 m, site B, 60 m: treated from access .4 on, 2 per m and 30 per stream, every 3 years;
    # B lets .5 through in the first draw and .1 in the second, in which there is twice the habitat
    network = network_of([2, 1], [1, 0], site=[1, 0], length=[60.0, 100.0])
    graph = AccessGraph.from_network(network, 2)
    spec = TreatmentSpec(
        cost_per_unit=2.0, per="habitat", interval_years=3.0, fixed_cost_per_stream=30.0, infested_from=0.4
    )
    ground = ground_of(graph, network.length_m, None, network.outlet)
    ground = replace(ground, habitat=ground.habitat[:, None] * [1.0, 2.0])
    sweep = graph.sweep(np.array([[0.8, 0.8], [0.5, 0.1]]))
    saved = treatment_saved_apart(
        graph, sweep, ground, spec, (np.array([0, 1]), np.array([[0.0, 0.0], [0.4, 1.0]])), np.ones(2),
        np.array([0, 1]), 2,
    )  # fmt: skip
    # closing A frees 160 m, or the 2 x 100 m below B; at B .4 frees 60 m, and opening it opens 2 x 60 m more
    np.testing.assert_allclose(
        saved, [[(2 * 160 + 30) / 3, (2 * 200 + 30) / 3], [2 * 60 / 3, -2 * 120 / 3]], rtol=1e-12
    )
