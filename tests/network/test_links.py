"""Topology by node columns where lines have no geometry, or stand there twice."""

from __future__ import annotations

import numpy as np
import pytest
from support.tables import lines_of

from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import InputError, Problems

DRAWN = [(1000, 0), (0, 0)]  # from node 1 to node 0, the outlet


def build(courses: list[object], nodes: list[tuple[int, int]], **given: object) -> tuple[RiverNetwork, Problems]:
    problems = Problems()
    table = lines_of(
        courses, from_node=np.array([a for a, _ in nodes]), to_node=np.array([b for _, b in nodes]), **given
    )
    return build_network(table, NetworkSettings("nodes", 0.5), problems).network, problems


def test_a_chain_of_lines_without_geometry_hangs_where_it_is_joined() -> None:
    # two links above the drawn line; the upper one touches no drawn line itself
    network, _ = build([DRAWN, None, None], [(1, 0), (2, 1), (3, 2)])
    np.testing.assert_array_equal(network.length_m, [1000.0, 0.0, 0.0])
    np.testing.assert_array_equal(network.upstream_m, [1000.0, 0.0, 0.0])
    for node in network.tail:
        assert (network.x[node], network.y[node]) == (1000.0, 0.0)


def test_a_chain_of_lines_without_geometry_keeps_published_lengths() -> None:
    network, _ = build(
        [DRAWN, None, None], [(1, 0), (2, 1), (3, 2)], length_m=np.array([1100.0, 40.0, 7.0])
    )
    np.testing.assert_allclose(network.upstream_m, [1147.0, 47.0, 7.0])


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 0, 2]])
def test_lines_that_nothing_drawn_is_joined_to_are_left_out_and_told(order: list[int]) -> None:
    courses, nodes = [DRAWN, None, None], [(1, 0), (8, 7), (9, 8)]
    network, problems = build([courses[i] for i in order], [nodes[i] for i in order])
    np.testing.assert_array_equal(network.length_m, [1000.0])
    (told,) = [p for p in problems if p.severity == "warning"]
    assert told.kind == "no_geometry"
    assert "2 line(s) have no geometry and are joined to no line that has one" in told.message
    assert np.isfinite(network.x).all()


def test_no_geometry_at_all_is_an_error() -> None:
    with pytest.raises(InputError, match="no line has geometry, a from node and a to node"):
        build([None, None], [(1, 0), (2, 1)])


def test_a_line_that_is_there_twice_counts_once_whatever_the_order() -> None:
    for courses in ([DRAWN, DRAWN], [DRAWN, DRAWN[::-1]]):
        network, problems = build([*courses, [(2000, 0), (1000, 0)]], [(1, 0), (1, 0), (2, 1)])
        assert sorted(network.row.tolist()) == [0, 2]
        (told,) = problems
        assert (told.severity, told.kind, told.ids) == ("mended", "duplicate", ("2", "1"))


def test_two_arms_of_an_island_are_no_twins() -> None:
    arms = [DRAWN, [(1000, 0), (500, 80), (0, 0)]]
    network, problems = build(arms, [(1, 0), (1, 0)])
    assert len(network) == 2
    assert not list(problems)


def test_twins_that_flow_against_each_other_are_a_circle() -> None:
    with pytest.raises(InputError, match="flow in a circle"):
        build([DRAWN, DRAWN], [(1, 0), (0, 1)])
