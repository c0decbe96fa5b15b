"""The elevation profile of a network and the gradients taken from it."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_networks import Recipe, network_of, random_network
from support.tables import lines_of

from barrierrank.habitat.profile import Profile, elevation_profile, gradients
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems

Floats = NDArray[np.float64]
Sample = Callable[[Floats, Floats], Floats]

seeds = st.integers(0, 10_000)


def network_from(courses: list[list[tuple[float, float]]]) -> RiverNetwork:
    """Build a network of lines drawn downstream."""
    return build_network(lines_of(courses), NetworkSettings("digitised", 0.5), Problems()).network


def straight(z: list[float], spike_m: float = np.inf) -> Profile:
    """Profile of one straight reach of 10 m steps with these elevations."""
    net = network_from([[(0.0, 0.0), (10.0 * (len(z) - 1), 0.0)]])
    return elevation_profile(net, along_x(z), step_m=10.0, spike_m=spike_m)


def along_x(z: list[float]) -> Sample:
    """Elevations at x = 0, 10, 20 ..."""
    values = np.array(z, dtype=float)
    return lambda x, _: values[np.round(x / 10.0).astype(int)]


def rough(x: Floats, y: Floats) -> Floats:
    """A plane falling east with noise that depends on the place alone."""
    return 50.0 - 0.001 * x + 3.0 * np.sin(x * 12.9898 + y * 78.233)


def holey(x: Floats, y: Floats) -> Floats:
    """As `rough`, with a third of the places missing."""
    return np.where(np.cos(x * 3.7 + y * 11.3) > 0.5, np.nan, rough(x, y))


# --- points and surfaces whose answer is known


def test_plane_is_kept_as_it_is() -> None:
    courses = [
        [(0.0, 0.0), (130.0, 40.0), (200.0, -20.0), (333.0, 10.0)],
        [(40.0, 300.0), (333.0, 10.0)],
        [(333.0, 10.0), (600.0, 0.0)],
    ]
    net = network_from(courses)
    profile = elevation_profile(net, lambda x, y: 90.0 - 0.02 * x + 0.001 * y, step_m=7.0, spike_m=0.5)
    np.testing.assert_allclose(profile.smoothed_m, profile.raw_m)
    # drop of the plane between the ends over the length as drawn
    drop = np.array([0.02 * 333 - 0.001 * 10, 0.02 * 293 + 0.001 * 290, 0.02 * 267 + 0.001 * 10])
    length = shapely.length([shapely.LineString(c) for c in courses])
    np.testing.assert_allclose(gradients(net, profile, over_m=0.0), (drop / length)[net.row])
    assert profile.spikes.sum() == 0
    assert profile.missing.max() == 0.0


def test_points_are_no_farther_apart_than_asked_and_end_at_the_length() -> None:
    net = network_from([[(0.0, 0.0), (105.0, 0.0)], [(105.0, 0.0), (109.0, 0.0)]])
    profile = elevation_profile(net, rough, step_m=10.0, spike_m=np.inf)
    for r in range(2):
        distance = profile.distance_m[profile.offsets[r] : profile.offsets[r + 1]]
        assert distance[0] == 0.0
        assert distance[-1] == net.length_m[r]
        assert (np.diff(distance) > 0.0).all()
        assert np.diff(distance).max() <= 10.0
    assert np.diff(profile.offsets).tolist() == [12, 2]  # 105 m: 11 steps


def test_sine_on_a_plane_against_the_definition() -> None:
    length = 1000.0
    net = network_from([[(0.0, 0.0), (length, 0.0)]])

    def surface(x: Floats, y: Floats) -> Floats:
        return 20.0 - 0.01 * x + 1.5 * np.sin(2.0 * np.pi * x / 250.0)

    profile = elevation_profile(net, surface, step_m=5.0, spike_m=np.inf)
    z = surface(np.linspace(0.0, length, 201), np.zeros(201))
    carved = np.minimum.accumulate(z)
    filled = np.maximum.accumulate(z[::-1])[::-1]
    np.testing.assert_allclose(profile.smoothed_m, (carved + filled) / 2.0, rtol=1e-12)
    # the head is filled up to half way to the highest crest, the mouth carved down to half way to the lowest trough
    expected = ((20.0 + z.max()) / 2.0 - (10.0 + z.min()) / 2.0) / length
    assert gradients(net, profile, over_m=0.0)[0] == pytest.approx(expected)


def test_backward_line_is_read_downstream() -> None:
    lines = lines_of([[(100.0, 0.0), (0.0, 0.0)]], from_node=[1], to_node=[2], turned=[True])
    net = build_network(lines, NetworkSettings("digitised", 0.5), Problems()).network
    assert net.backward.tolist() == [True]
    profile = elevation_profile(net, lambda x, _: 9.0 - x / 100.0, step_m=30.0, spike_m=1.0)
    np.testing.assert_allclose(profile.smoothed_m, [9.0, 8.75, 8.5, 8.25, 8.0])
    assert profile.distance_m.tolist() == [0.0, 25.0, 50.0, 75.0, 100.0]


def test_published_length_decides() -> None:
    net = network_of([0], [1], length=[500.0])
    profile = elevation_profile(net, lambda x, _: 5.0 - x / 20.0, step_m=1000.0, spike_m=1.0)
    assert profile.distance_m.tolist() == [0.0, 500.0]
    assert gradients(net, profile, over_m=0.0).tolist() == [
        0.01
    ]  # nodes 100 m apart in x: drop 5 m over 500 m


# --- spikes


def test_bridge_deck_and_pit_are_taken_out() -> None:
    z = [10.0, 9.9, 9.8, 15.0, 9.6, 9.5, 9.4, 4.0, 9.2, 9.1, 9.0]
    profile = straight(z, spike_m=2.0)
    assert profile.spikes.tolist() == [2]
    # median of 10, 9.9, 9.8, 9.6, 9.5, 9.4; of 9.6, 9.5, 9.4, 9.2, 9.1, 9.0
    assert profile.smoothed_m[3] == pytest.approx(9.7)
    assert profile.smoothed_m[7] == pytest.approx(9.3)
    np.testing.assert_allclose(np.delete(profile.smoothed_m, [3, 7]), np.delete(z, [3, 7]))


def test_spike_within_the_limit_is_left_to_the_falling_profile() -> None:
    z = [10.0, 9.9, 11.0, 9.7, 9.6]
    profile = straight(z, spike_m=2.0)
    assert profile.spikes.tolist() == [0]
    assert profile.smoothed_m.tolist() == pytest.approx([10.5, 10.45, 10.45, 9.7, 9.6])


@pytest.mark.parametrize(("place", "value"), [(0, 3.0), (8, 20.0)])
def test_pit_at_a_head_and_bank_at_a_mouth(place: int, value: float) -> None:
    # unmended, the one would carve the river down to 3 m, the other fill it up to 20 m
    z = [10.0 - 0.1 * i for i in range(9)]
    z[place] = value
    profile = straight(z, spike_m=2.0)
    assert profile.spikes.tolist() == [1]
    others = np.arange(9) != place
    assert np.abs(profile.smoothed_m - (10.0 - 0.1 * np.arange(9)))[others].max() <= 0.2


def test_a_fall_is_no_spike_and_keeps_its_height() -> None:
    z = [30.0, 29.9, 29.8, 29.7, 12.0, 11.9, 11.8, 11.7]
    profile = straight(z, spike_m=1.0)
    assert profile.spikes.sum() == 0
    assert profile.smoothed_m.tolist() == z


@given(z=st.lists(st.floats(0.0, 500.0), min_size=2, max_size=20), spike_m=st.floats(0.0, 5.0))
@settings(max_examples=60, deadline=None)
def test_whatever_falls_all_the_way_stays(z: list[float], spike_m: float) -> None:
    falling = sorted(z, reverse=True)
    profile = straight(falling, spike_m=spike_m)
    assert profile.spikes.sum() == 0
    np.testing.assert_allclose(profile.smoothed_m, falling, rtol=1e-12)


def test_spike_at_a_confluence_is_one_for_all_that_meet() -> None:
    courses = [[(0.0, 50.0), (100.0, 0.0)], [(0.0, -50.0), (100.0, 0.0)], [(100.0, 0.0), (200.0, 0.0)]]
    net = network_from(courses)
    profile = elevation_profile(
        net, lambda x, _: np.where(x == 100.0, 40.0, 20.0 - 0.01 * x), step_m=20.0, spike_m=3.0
    )
    assert profile.spikes.tolist() == [1, 1, 1]
    below = net.tail == net.head[net.downstream >= 0][0]
    assert np.unique(np.concatenate([profile.bottom_m[~below], profile.top_m[below]])).size == 1
    assert profile.top_m[below][0] == pytest.approx(19.0, abs=0.2)


# --- gaps


def test_gap_is_filled_by_distance() -> None:
    nan = np.nan
    profile = straight([10.0, nan, nan, nan, 6.0, 5.0])
    assert profile.smoothed_m.tolist() == pytest.approx([10.0, 9.0, 8.0, 7.0, 6.0, 5.0])
    assert np.isnan(profile.raw_m).sum() == 3
    assert profile.missing.tolist() == [0.5]


def test_gap_over_a_node_is_filled_from_both_sides() -> None:
    net = network_of([0, 1], [1, 2], length=[40.0, 60.0])
    z = {0.0: 20.0, 100.0: np.nan, 200.0: 10.0}
    profile = elevation_profile(net, lambda x, _: np.array([z[v] for v in x]), step_m=1e6, spike_m=1.0)
    assert profile.bottom_m[0] == profile.top_m[1] == pytest.approx(16.0)  # 40 of 100 m down from 20 to 10
    assert profile.missing.tolist() == [0.5, 0.5]


def test_gap_at_a_mouth_or_head_takes_the_nearest_value() -> None:
    nan = np.nan
    assert straight([nan, nan, 8.0, 7.0, nan]).smoothed_m.tolist() == [8.0, 8.0, 8.0, 7.0, 7.0]


def test_nothing_is_made_up_for_reaches_off_the_map() -> None:
    net = network_of([0, 1, 2], [1, 2, 3])
    profile = elevation_profile(
        net, lambda x, _: np.where(x < 150.0, 9.0 - x / 100.0, np.nan), step_m=25.0, spike_m=5.0
    )
    # the second reach is half known: its last value goes on to its foot; the third is not known at all
    assert profile.missing[0] == 0.0
    assert 0.0 < profile.missing[1] < 1.0
    assert profile.missing[2] == 1.0
    assert profile.bottom_m[1] == pytest.approx(profile.smoothed_m[profile.offsets[2] - 2])
    assert np.isnan(profile.bottom_m[2])
    assert np.isnan(gradients(net, profile, over_m=0.0)).tolist() == [False, False, True]


def test_a_map_that_knows_nothing() -> None:
    net = network_of([0, 1], [1, 2])
    profile = elevation_profile(net, lambda x, _: np.full(x.size, np.nan), step_m=25.0, spike_m=5.0)
    assert np.isnan(profile.smoothed_m).all()
    assert np.isnan(gradients(net, profile, over_m=500.0)).all()
    assert profile.missing.tolist() == [1.0, 1.0]


# --- the whole network


def test_braid_by_hand() -> None:
    #  0 -> 1 -> 2 -> 4 -> 5 with the arm 1 -> 3 -> 4
    net = network_of([0, 1, 1, 2, 3, 4], [1, 2, 3, 4, 4, 5])
    z = np.array([10.0, 8.0, 9.0, 3.0, 5.0, 6.0])
    profile = elevation_profile(
        net, lambda x, _: z[np.round(x / 100.0).astype(int)], step_m=1e6, spike_m=np.inf
    )
    carved = np.array(
        [10.0, 8.0, 8.0, 3.0, 3.0, 3.0]
    )  # 4 has the least of all that flows to it: 3, by the arm
    filled = np.array([10.0, 9.0, 9.0, 6.0, 6.0, 6.0])  # 1 has the greatest of all below it: 9, by the other
    mean = (carved + filled) / 2.0
    assert profile.top_m.tolist() == mean[net.tail].tolist()
    assert profile.bottom_m.tolist() == mean[net.head].tolist()


def by_definition(net: RiverNetwork, profile: Profile) -> Floats:
    """Mean of the least value at or above every point and the greatest at or below it, by networkx."""
    graph = nx.DiGraph()
    point: list[object] = []
    for r in range(len(net)):
        a, b = profile.offsets[r], profile.offsets[r + 1] - 1
        names = [
            ("node", int(net.tail[r])),
            *(("point", k) for k in range(a + 1, b)),
            ("node", int(net.head[r])),
        ]
        nx.add_path(graph, names)
        point += names
        for k, name in enumerate(names):
            graph.nodes[name]["z"] = profile.raw_m[a + k]
    z = nx.get_node_attributes(graph, "z")
    mean = {
        v: (
            min(z[u] for u in {v} | nx.ancestors(graph, v))
            + max(z[u] for u in {v} | nx.descendants(graph, v))
        )
        / 2
        for v in graph
    }
    return np.array([mean[v] for v in point])


@given(seed=seeds, braids=st.integers(0, 5))
@settings(max_examples=25, deadline=None)
def test_falling_profile_is_that_of_the_definition(seed: int, braids: int) -> None:
    net, _ = random_network(Recipe(nodes=14, outlets=2, braids=braids, sites=3, twins=2, seed=seed))
    profile = elevation_profile(net, rough, step_m=90.0, spike_m=np.inf)
    np.testing.assert_allclose(profile.smoothed_m, by_definition(net, profile), rtol=1e-12)


@given(
    seed=seeds,
    braids=st.integers(0, 6),
    spike_m=st.sampled_from([0.0, 1.0, np.inf]),
    over_m=st.floats(0.0, 200.0),
)
@settings(max_examples=60, deadline=None)
def test_what_holds_on_any_network(seed: int, braids: int, spike_m: float, over_m: float) -> None:
    net, _ = random_network(Recipe(nodes=25, outlets=2, braids=braids, sites=6, twins=3, seed=seed))
    profile = elevation_profile(net, holey, step_m=40.0, spike_m=spike_m)
    node = np.full(net.nodes, np.nan)
    node[net.tail], node[net.head] = profile.top_m, profile.bottom_m
    np.testing.assert_array_equal(node[net.tail], profile.top_m)  # all that meet agree
    np.testing.assert_array_equal(node[net.head], profile.bottom_m)
    lowest_so_far = np.full(net.nodes, np.inf)
    for r in range(len(net)):
        z = profile.smoothed_m[profile.offsets[r] : profile.offsets[r + 1]]
        z = z[~np.isnan(z)]
        assert (np.diff(z) <= 0.0).all()
        lowest_so_far[net.head[r]] = min(lowest_so_far[net.head[r]], z.min(initial=np.inf))
    with np.errstate(invalid="ignore"):
        assert not (node > lowest_so_far).any()
    known = profile.smoothed_m[~np.isnan(profile.smoothed_m)]
    raw = profile.raw_m[~np.isnan(profile.raw_m)]
    assert known.min(initial=np.inf) >= raw.min(initial=np.inf) - 1e-9
    assert known.max(initial=-np.inf) <= raw.max(initial=-np.inf) + 1e-9
    slope = gradients(net, profile, over_m=over_m)
    assert not (slope < 0.0).any()
    ends = np.isnan(profile.top_m) | np.isnan(profile.bottom_m)
    np.testing.assert_array_equal(np.isnan(slope), ends)


@given(seed=seeds)
@settings(max_examples=15, deadline=None)
def test_order_of_reaches_changes_nothing(seed: int) -> None:
    net, _ = random_network(Recipe(nodes=20, braids=3, seed=seed))
    rng = np.random.default_rng(seed)
    rows = rng.permutation(len(net))
    other = network_of(net.tail[rows].tolist(), net.head[rows].tolist(), length=net.length_m[rows].tolist())
    plain = network_of(net.tail.tolist(), net.head.tolist(), length=net.length_m.tolist())
    heights = [elevation_profile(n, rough, step_m=60.0, spike_m=np.inf).top_m for n in (plain, other)]
    np.testing.assert_allclose(heights[0][rows], heights[1], rtol=1e-12)


def test_long_chain_and_comb_are_done_in_one_go() -> None:
    n = 200_000
    chain = np.arange(n)
    net = network_of(chain.tolist(), (chain + 1).tolist())
    profile = elevation_profile(net, lambda x, _: 1e5 - 0.01 * x, step_m=1e9, spike_m=1.0)
    np.testing.assert_allclose(gradients(net, profile, over_m=0.0), 1.0 / net.length_m)


# --- faults of the caller


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"step_m": 0.0}, "step_m: 0.0 was given; allowed is a number above 0"),
        ({"step_m": np.nan}, "step_m"),
        ({"spike_m": -1.0}, "spike_m: -1.0 was given; allowed is a number of 0 or more"),
        ({"spike_m": np.nan}, "spike_m"),
        ({"sample": lambda *_: np.zeros(3)}, "sample returned values of shape"),
    ],
)
def test_wrong_settings(given: dict[str, object], match: str) -> None:
    settings = {"sample": rough, "step_m": 10.0, "spike_m": 1.0} | given
    sample = settings.pop("sample")
    with pytest.raises(ValueError, match=match):
        elevation_profile(network_of([0], [1]), sample, **settings)


def test_wrong_stretch_or_network() -> None:
    net = network_of([0], [1])
    profile = elevation_profile(net, rough, step_m=10.0, spike_m=1.0)
    with pytest.raises(ValueError, match="over_m: -1"):
        gradients(net, profile, over_m=-1.0)
    with pytest.raises(ValueError, match="the profile has 1 reaches, the network 2"):
        gradients(network_of([0, 1], [1, 2]), profile, over_m=1.0)


def test_same_profile_twice_and_nothing_of_the_caller_is_changed() -> None:
    net, _ = random_network(Recipe(nodes=30, braids=3, seed=5))
    kept = [a.copy() for a in (net.tail, net.head, net.length_m, net.x)]
    first, second = (elevation_profile(net, holey, step_m=30.0, spike_m=1.0) for _ in range(2))
    np.testing.assert_array_equal(first.smoothed_m, second.smoothed_m)
    for a, b in zip(kept, (net.tail, net.head, net.length_m, net.x), strict=True):
        np.testing.assert_array_equal(a, b)
