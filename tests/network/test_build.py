"""Building a network from drawn lines: noding, mends, directions, outlets, each on lines small enough to see."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, random_network
from support.tables import lines_of, outlets_of

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.outlets import OutletTable
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.crossings import tell_crossings
from barrierrank.network.kernels_ends import join_ends
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import InputError, Problems

#   1 \   / 2        drawn downstream, meeting at (0, 0); 3 runs on to (0, -100)
WYE = [[(-50, 80), (0, 0)], [(50, 80), (0, 0)], [(0, 0), (0, -100)]]


def build(
    table: LineTable, direction: str = "digitised", tolerance: float = 0.5, outlets: OutletTable | None = None
) -> tuple[RiverNetwork, Problems]:
    problems = Problems()
    made = build_network(table, NetworkSettings(direction, tolerance), problems, outlets=outlets)
    return made.network, problems


def downstream_of(network: RiverNetwork, table: LineTable) -> dict[str, str | None]:
    """Return for each source id the source id below, for networks of one reach a line."""
    ids = table.source_id[network.row]
    return {a: None if d < 0 else str(ids[d]) for a, d in zip(ids, network.downstream, strict=True)}


def kinds(problems: Problems) -> list[str]:
    return sorted(p.kind for p in problems)


def test_shared_ends_make_a_node() -> None:
    table = lines_of(WYE)
    network, problems = build(table)
    assert downstream_of(network, table) == {"1": "3", "2": "3", "3": None}
    assert network.nodes == 4
    assert kinds(problems) == []


def test_gap_within_the_tolerance_is_closed_and_told() -> None:
    table = lines_of([[(-50, 80), (0.3, 0)], WYE[1], WYE[2]])
    network, problems = build(table)
    assert downstream_of(network, table)["1"] == "3"
    (gap,) = problems
    assert (gap.severity, gap.kind) == ("mended", "gap")
    assert "0.3 m apart" in gap.message
    assert gap.place is not None


def test_gap_beyond_the_tolerance_parts_the_network() -> None:
    network, problems = build(lines_of([[(-50, 80), (0.8, 0)], WYE[1], WYE[2]]))
    assert network.outlet.max() == 2
    assert kinds(problems) == ["parts"]


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=2, max_size=40),
    st.sampled_from([0.0, 1.0, 2.5, 7.0]),
)
@settings(max_examples=100, deadline=None)
def test_ends_join_as_connected_components_do(
    points: list[tuple[int, int]], tolerance: float
) -> None:
    xy = np.array(points, dtype=float) + 500_000.0
    graph = nx.Graph()
    graph.add_nodes_from(range(len(points)))
    for i in range(len(points)):
        for j in range(i):
            if np.hypot(*(xy[i] - xy[j])) <= tolerance:
                graph.add_edge(i, j)
    _, group = join_ends(xy[:, 0].copy(), xy[:, 1].copy(), tolerance)
    got = {frozenset(np.flatnonzero(group == g).tolist()) for g in group}
    assert got == {frozenset(c) for c in nx.connected_components(graph)}


def test_line_that_ends_on_the_middle_of_another_splits_it() -> None:
    table = lines_of([[(0, 100), (0, -100)], [(60, 40), (0.2, 0)]])
    network, problems = build(table)
    assert len(network) == 3
    assert kinds(problems) == ["t_join"]
    lengths = sorted(network.length_m)
    assert lengths[1:] == [100.0, 100.0]
    assert network.upstream_m.max() == pytest.approx(200 + np.hypot(59.8, 40))


def test_several_tributaries_on_one_drawn_river() -> None:
    river = [(0, 1000), (0, 0)]
    tributaries = [[(80, y + 10), (0, y)] for y in (100, 300, 900)]
    network, problems = build(lines_of([river, *tributaries]))
    assert kinds(problems) == ["t_join"] * 3
    on_river = network.row == 0
    assert sorted(network.length_m[on_river]) == [100.0, 100.0, 200.0, 600.0]
    assert network.strahler[on_river].max() == 2


def test_two_rivers_end_on_the_same_place_of_a_third() -> None:
    network, problems = build(lines_of([[(0, 100), (0, -100)], [(60, 40), (0, 0)], [(-60, 40), (0, 0)]]))
    assert kinds(problems) == ["t_join"]
    assert len(network) == 4
    assert network.nodes == 5


def test_crossing_lines_stay_apart_and_are_told_by_check() -> None:
    table = lines_of([[(0, 100), (0, -100)], [(-70, 10), (90, 10)]])
    network, problems = build(table)
    assert network.outlet.max() == 2
    tell_crossings(network, table, problems)
    assert "crossing" in kinds(problems)
    assert [p.place for p in problems if p.kind == "crossing"] == [(0.0, 10.0)]


def test_a_line_that_crosses_itself_is_no_crossing() -> None:
    loop = [(0, 100), (0, 0), (60, 0), (60, 50), (-40, 50), (-40, -100)]
    table = lines_of([loop, [(100, 0), (60, 0)]])  # cut in two by what ends on it
    network, problems = build(table)
    assert len(network) == 3
    tell_crossings(network, table, problems)
    assert kinds(problems) == ["t_join"]


def test_two_parts_of_one_line_that_cross_are_told_as_such() -> None:
    table = lines_of([shapely.MultiLineString([[(0, 100), (0, -100)], [(-70, 10), (90, 10)]])])
    network, problems = build(table)
    tell_crossings(network, table, problems)
    (crossing,) = (p for p in problems if p.kind == "crossing")
    assert crossing.message == "two parts of line 1 cross without a node and are not joined"


def test_lines_without_geometry_or_length_are_left_out_and_told() -> None:
    table = lines_of([*WYE, None, shapely.LineString(), [(5, 5), (5, 5)]])
    network, problems = build(table)
    assert len(network) == 3
    assert kinds(problems) == ["no_geometry", "zero_length"]
    assert next(p for p in problems if p.kind == "no_geometry").ids == ("4", "5")
    assert next(p for p in problems if p.kind == "zero_length").ids == ("6",)


def test_multipart_line_is_several_lines() -> None:
    multi = shapely.MultiLineString([[(0, 200), (0, 150)], [(0, 150), (0, 100)], [(9, 9), (20, 9)]])
    network, problems = build(lines_of([multi]))
    assert len(network) == 3
    assert kinds(problems) == ["multipart", "parts"]


def test_z_is_kept_out_of_the_topology() -> None:
    flat = shapely.LineString([(-50, 80, 7), (0, 0, 3)])
    table = lines_of([flat, [(50, 80), (0, 0)], shapely.LineString([(0, 0, -99), (0, -100, 5)])])
    network, problems = build(table)
    assert downstream_of(network, table)["1"] == "3"
    assert kinds(problems) == []
    assert network.length_m.max() == 100.0


@pytest.mark.parametrize("reverse", [False, True])
def test_line_drawn_twice_is_taken_once(reverse: bool) -> None:
    twin = WYE[2][::-1] if reverse else WYE[2]
    network, problems = build(lines_of([*WYE, twin]))
    assert len(network) == 3
    assert kinds(problems) == ["duplicate"]


def test_parallel_arms_are_no_twins() -> None:
    network, problems = build(lines_of([*WYE, [(0, 0), (30, -50), (0, -100)]]))
    assert len(network) == 4
    assert network.braided
    assert kinds(problems) == []


def test_ring_is_left_out_and_told() -> None:
    network, problems = build(lines_of([*WYE, [(0, 0), (9, 9), (9, -9), (0, 0)]]))
    assert len(network) == 3
    assert kinds(problems) == ["ring"]


def test_directed_cycle_is_an_error_with_its_lines() -> None:
    around = [[(0, -100), (90, -100)], [(90, -100), (90, 0)], [(90, 0), (0, 0)]]
    with pytest.raises(InputError, match=r"4 line\(s\) flow in a circle: .*turn") as caught:
        build(lines_of([*WYE, *around]))
    assert set(caught.value.problems[0].ids) == {"3", "4", "5", "6"}


def test_turning_a_named_line_breaks_the_cycle() -> None:
    around = [[(0, -100), (90, -100)], [(90, -100), (90, 0)], [(90, 0), (0, 0)]]
    table = lines_of([*WYE, *around], turned=[False] * 5 + [True])
    network, _ = build(table)
    assert len(network) == 6


def test_leaving_out_a_named_line_breaks_the_cycle_and_is_noted() -> None:
    around = [[(0, -100), (90, -100)], [(90, -100), (90, 0)], [(90, 0), (0, 0)]]
    network, problems = build(lines_of([*WYE, *around], leave_out=[False] * 5 + [True]))
    assert len(network) == 5
    assert kinds(problems) == ["left_out"]


def test_coordinates_that_are_no_numbers_are_an_error() -> None:
    with pytest.raises(InputError, match=r"streams.gpkg: 1 line\(s\) have coordinates that are no finite.*2"):
        build(lines_of([WYE[0], shapely.LineString([(0, 0), (np.inf, 5)]), WYE[2]]))


def test_no_line_left_is_an_error() -> None:
    with pytest.raises(InputError, match=r"no usable stream line is left.*leave_out"):
        build(lines_of([None, None]))


class TestDirection:
    def test_layer_drawn_upstream_is_turned_and_told(self) -> None:
        wye_and_more = [*WYE, [(-90, 160), (-50, 80)], [(-20, 160), (-50, 80)]]
        table = lines_of([course[::-1] for course in wye_and_more])
        network, problems = build(table)
        assert kinds(problems) == ["drawn_upstream"]
        assert network.backward.all()
        assert downstream_of(network, table)["1"] == "3"
        geometry = network.geometry()
        assert all(g.coords[-1] == (0, -100) for g, r in zip(geometry, network.row, strict=True) if r == 2)

    def test_user_can_say_how_the_layer_is_drawn(self) -> None:
        table = lines_of([course[::-1] for course in WYE])
        problems = Problems()
        made = build_network(table, NetworkSettings("digitised", 0.5, "upstream"), problems)
        assert downstream_of(made.network, table)["1"] == "3"
        assert kinds(problems) == []

    def test_elevations_decide(self) -> None:
        table = lines_of(
            [WYE[0][::-1], WYE[1], WYE[2]],
            elevation_start=[10.0, 30.0, 10.0],
            elevation_end=[30.0, 10.0, 5.0],
        )
        network, problems = build(table, "elevation")
        assert downstream_of(network, table) == {"1": "3", "2": "3", "3": None}
        assert kinds(problems) == []

    def test_level_lines_keep_their_direction_and_are_told(self) -> None:
        table = lines_of(WYE, elevation_start=[30.0, np.nan, 10.0], elevation_end=[10.0, 3.0, 10.0])
        network, problems = build(table, "elevation")
        assert downstream_of(network, table)["1"] == "3"
        (level,) = problems
        assert (level.kind, set(level.ids)) == ("level", {"2", "3"})

    def test_no_elevations_at_all(self) -> None:
        with pytest.raises(InputError, match=r"no Z and no elevation columns.*start_elevation"):
            build(lines_of(WYE), "elevation")

    def test_outward_from_an_outlet_however_drawn(self) -> None:
        table = lines_of([WYE[0][::-1], WYE[1], WYE[2][::-1]])
        network, problems = build(table, "outlets", outlets=outlets_of(points=[(0, -98)]))
        assert downstream_of(network, table) == {"1": "3", "2": "3", "3": None}
        assert kinds(problems) == []

    def test_part_without_an_outlet_is_left_out_and_told(self) -> None:
        table = lines_of([*WYE, [(500, 0), (600, 0)]])
        network, problems = build(table, "outlets", outlets=outlets_of(lines=["3"]))
        assert len(network) == 3
        assert [(p.severity, p.ids) for p in problems] == [("warning", ("4",))]

    def test_outlets_are_needed(self) -> None:
        with pytest.raises(InputError, match=r'"outlets" needs an \[outlets\] table'):
            build(lines_of(WYE), "outlets")

    @given(st.integers(0, 10**6))
    @settings(max_examples=40, deadline=None)
    def test_outward_direction_never_makes_a_cycle(self, seed: int) -> None:
        drawn, _ = random_network(Recipe(nodes=25, braids=12, sites=0, seed=seed))
        rng = np.random.default_rng(seed)
        place = rng.random((drawn.nodes, 2)) * 1000
        ends = [[tuple(place[a]), tuple(place[b])] for a, b in zip(drawn.tail, drawn.head, strict=True)]
        ends = [e[::-1] if rng.random() < 0.5 else e for e in ends]
        degree = np.bincount(np.concatenate([drawn.tail, drawn.head]))
        free = np.flatnonzero(degree == 1)
        assume(free.size > 0)  # braids can leave no free end, so no place to name as the mouth
        mouth = place[rng.choice(free)]
        network, _ = build(
            lines_of(ends), "outlets", 0.0, outlets_of(points=[tuple(mouth)], tolerance_m=0.01)
        )
        assert network.order.size == network.nodes
        assert (np.bincount(network.tail, minlength=network.nodes)[network.head] == 0).sum() >= 1

    def test_nodes_give_the_topology_and_geometry_is_turned_to_it(self) -> None:
        table = lines_of([WYE[0][::-1], WYE[1], WYE[2]], from_node=[0, 1, 2], to_node=[2, 2, 3])
        network, problems = build(table, "nodes")
        assert downstream_of(network, table)["1"] == "3"
        assert network.backward.tolist() == [bool(r == 0) for r in network.row]
        assert kinds(problems) == []

    def test_nodes_hold_across_a_gap(self) -> None:
        table = lines_of([[(-50, 80), (9, 0)], WYE[1], WYE[2]], from_node=[0, 1, 2], to_node=[2, 2, 3])
        network, _ = build(table, "nodes")
        assert network.upstream_m.max() == pytest.approx(network.length_m.sum())

    def test_line_without_geometry_still_links_its_nodes(self) -> None:
        table = lines_of(
            [WYE[0], WYE[1], None, [(0, -100), (0, -200)]],
            from_node=[0, 1, 2, 3], to_node=[2, 2, 3, 4], length_m=[90.0, 90.0, 120.0, 100.0],
        )  # fmt: skip
        network, problems = build(table, "nodes")
        assert network.upstream_m.max() == 400.0
        assert kinds(problems) == ["no_geometry"]
        link = network.geometry()[np.flatnonzero(network.row == 2)[0]]
        assert list(link.coords) == [(0, 0), (0, -100)]

    def test_lines_without_nodes_are_left_out_and_told(self) -> None:
        table = lines_of(WYE, from_node=[0, -1, 2], to_node=[2, -1, 3])
        network, problems = build(table, "nodes")
        assert len(network) == 2
        assert [(p.kind, p.ids) for p in problems] == [("no_direction", ("2",))]

    def test_node_columns_are_needed(self) -> None:
        with pytest.raises(InputError, match="needs from_node and to_node"):
            build(lines_of(WYE), "nodes")


class TestOutlets:
    def test_without_names_flow_ends_are_outlets(self) -> None:
        network, _ = build(lines_of(WYE))
        assert network.entry.sum() == 1

    def test_receiving_water_makes_outlets_and_other_ends_are_told(self) -> None:
        table = lines_of([*WYE, [(500, 0), (600, 0)]])
        lake = shapely.box(-100, -300, 100, -90)
        network, problems = build(table, outlets=outlets_of(polygons=[lake]))
        assert network.entry.sum() == 1
        assert kinds(problems) == ["dead_end", "parts"]
        assert next(p for p in problems if p.kind == "dead_end").ids == ("4",)

    def test_mouth_short_of_the_shore_counts_within_the_tolerance(self) -> None:
        lake = shapely.box(-100, -300, 100, -120)
        network, _ = build(lines_of(WYE), outlets=outlets_of(polygons=[lake], tolerance_m=25.0))
        assert network.entry.sum() == 1

    def test_point_far_from_any_end_is_an_error(self) -> None:
        with pytest.raises(
            InputError, match=r"outlet point 1 \(0, -400\) is 300 m from the nearest line end"
        ):
            build(lines_of(WYE), outlets=outlets_of(points=[(0, -400)]))

    def test_unknown_line_is_an_error(self) -> None:
        with pytest.raises(InputError, match="outlet line 9"):
            build(lines_of(WYE), outlets=outlets_of(lines=["9"]))

    def test_no_outlet_found_is_an_error(self) -> None:
        with pytest.raises(InputError, match=r"no line ends at a named outlet.*CRS"):
            build(lines_of(WYE), outlets=outlets_of(polygons=[shapely.box(9000, 9000, 9100, 9100)]))


class TestLength:
    def test_published_length_replaces_the_drawn_one(self) -> None:
        network, _ = build(lines_of(WYE, length_m=[100.0, np.nan, 130.0]))
        assert network.length_m[np.argsort(network.row)] == pytest.approx([100.0, np.hypot(50, 80), 130.0])

    def test_split_lines_share_their_published_length_out(self) -> None:
        table = lines_of([[(0, 100), (0, -100)], [(60, 40), (0, 50)]], length_m=[300.0, np.nan])
        network, _ = build(table)
        assert sorted(network.length_m[network.row == 0]) == [75.0, 225.0]


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_order_of_rows_changes_nothing(seed: int) -> None:
    drawn, _ = random_network(Recipe(nodes=30, braids=6, sites=0, seed=seed))
    rng = np.random.default_rng(seed)
    place = np.round(rng.random((drawn.nodes, 2)) * 5000, 1)
    ends = [[tuple(place[a]), tuple(place[b])] for a, b in zip(drawn.tail, drawn.head, strict=True)]
    first = lines_of(ends)
    shuffle = rng.permutation(len(ends))
    second = lines_of([ends[i] for i in shuffle], source_id=first.source_id[shuffle])
    got = []
    for table in (first, second):
        network, _ = build(table, tolerance=0.0)
        ids = table.source_id[network.row]
        got.append(
            sorted(zip(ids, np.round(network.upstream_m, 6), network.strahler, network.outlet, strict=True))
        )
    assert got[0] == got[1]
