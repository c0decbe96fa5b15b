"""Sites on the network: snapping, doubtful cases told, reaches split with the site at the foot of the one above."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, random_network
from support.tables import lines_of, sites_at

from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.sites import SiteTable
from barrierrank.network.build import Built, NetworkSettings, build_network
from barrierrank.network.sites import SnapSettings
from barrierrank.problems import InputError, Problems

WYE = [[(-50, 80), (0, 0)], [(50, 80), (0, 0)], [(0, 0), (0, -100)]]
SNAP = SnapSettings(tolerance_m=30.0, ambiguous_m=5.0, area_ratio=1.5)


def build(
    lines: LineTable, sites: SiteTable, snap: SnapSettings = SNAP, tolerance: float = 0.5
) -> tuple[Built, Problems]:
    problems = Problems()
    made = build_network(lines, NetworkSettings("digitised", tolerance), problems, sites=sites, snapping=snap)
    return made, problems


def kinds(problems: Problems) -> list[str]:
    return sorted(p.kind for p in problems)


def test_site_splits_its_reach_and_sits_at_the_foot_of_the_upper_part() -> None:
    made, problems = build(lines_of(WYE), sites_at([(8, -40)]))
    network = made.network
    assert kinds(problems) == []
    assert len(network) == 4
    assert made.snapped is not None
    assert made.snapped.distance.tolist() == [8.0]
    upper = network.site_reach(1)[0]
    assert network.length_m[upper] == 40.0
    assert network.length_m[network.downstream[upper]] == 60.0
    assert network.upstream_m[upper] == pytest.approx(40 + 2 * np.hypot(50, 80))


def test_site_on_a_line_drawn_upstream() -> None:
    table = lines_of([WYE[0][::-1], WYE[1][::-1], WYE[2][::-1]], turned=[True, True, True])
    made, _ = build(table, sites_at([(3, -40)]))
    upper = made.network.site_reach(1)[0]
    assert made.network.length_m[upper] == 40.0
    ends = shapely.get_coordinates(made.network.geometry()[upper])
    assert ends.tolist() == [[0, 0], [0, -40]]


def test_site_at_the_mouth_needs_no_split() -> None:
    made, _ = build(lines_of(WYE), sites_at([(0, -104)]))
    assert len(made.network) == 3
    assert made.network.site[made.network.row == 2].tolist() == [0]


def test_site_at_a_source_holds_back_nothing() -> None:
    made, _ = build(lines_of([[(0, 0), (0, -100)]]), sites_at([(0, 5)]))
    upper = made.network.site_reach(1)[0]
    assert made.network.length_m[upper] == 0.0
    assert made.network.upstream_m[upper] == 0.0


def test_site_just_below_a_confluence_holds_back_both_streams() -> None:
    made, problems = build(lines_of(WYE), sites_at([(0, -12)]))
    assert made.network.upstream_m[made.network.site_reach(1)[0]] == pytest.approx(12 + 2 * np.hypot(50, 80))
    assert kinds(problems) == []


def test_several_sites_on_one_reach_stand_in_the_order_of_flow() -> None:
    made, _ = build(lines_of(WYE), sites_at([(1, -80), (1, -20), (1, -50)]))
    network = made.network
    reach = network.site_reach(3)
    above = network.upstream_m[reach] - 2 * np.hypot(50, 80)
    np.testing.assert_allclose(above, [80, 20, 50])
    assert network.site[network.downstream[reach[1]]] == 2
    assert network.site[network.downstream[reach[2]]] == 0


def test_two_sites_on_one_spot_both_count_and_are_told() -> None:
    made, problems = build(lines_of(WYE), sites_at([(1, -50), (-1, -50)]))
    reach = made.network.site_reach(2)
    assert (reach >= 0).all()
    assert sorted(made.network.length_m[reach]) == [0.0, 50.0]
    assert kinds(problems) == ["sites_on_one_spot"]
    assert problems.found[0].ids == ("A", "B")


def test_site_far_from_any_line_is_left_off_and_told() -> None:
    made, problems = build(lines_of(WYE), sites_at([(0, -40), (200, 0)]))
    assert made.network.site_reach(2)[1] == -1
    (far,) = problems
    assert (far.severity, far.kind, far.ids, far.place) == ("warning", "site_far", ("B",), (200.0, 0.0))
    assert "sites.csv: row 3, site B: no stream line within 30 m" in far.line()


def test_a_site_left_off_is_told_with_its_name_and_the_nearest_line() -> None:
    made, problems = build(lines_of(WYE), sites_at([(0, -40), (200, -90), (0, 2000)], name=["", "Old weir", "C"]))
    assert made.network.site_reach(3).tolist()[1:] == [-1, -1]
    near, far = (p.message for p in problems)
    assert near.startswith("row 3, site B (Old weir): no stream line within 30 m (the nearest, 3, is 200 m away)")
    assert far.startswith("row 4, site C: no stream line within 30 m (none within 300 m either)")


def test_second_stream_almost_as_near_is_told() -> None:
    beside = [[(0, 0), (0, -100)], [(12, 0), (12, -100)]]
    _, problems = build(lines_of(beside), sites_at([(5, -50)]))
    told = next(p for p in problems if p.kind == "site_ambiguous")
    assert "line 2 (7.0 m) is almost as near as line 1 (5.0 m)" in told.message
    _, problems = build(lines_of(beside), sites_at([(2, -50)]))
    assert "site_ambiguous" not in kinds(problems)


def test_one_stream_drawn_in_two_lines_is_not_doubtful() -> None:
    _, problems = build(lines_of([[(0, 0), (0, -50)], [(0, -50), (0, -100)]]), sites_at([(2, -50)]))
    assert kinds(problems) == []


def test_site_on_a_confluence_is_doubtful() -> None:
    _, problems = build(lines_of(WYE), sites_at([(0, 0)]))
    assert kinds(problems) == ["site_ambiguous"]


def test_name_that_disagrees_is_told_with_the_line_that_has_it() -> None:
    lines = lines_of(
        [[(0, 0), (0, -100)], [(25, 0), (25, -100)]], name=np.array(["Mill Run", "Alder Brook"], object)
    )
    sites = sites_at([(5, -50), (6, -20)], stream=np.array(["alder brook ", "Mill Run"], object))
    _, problems = build(lines, sites)
    (told,) = [p for p in problems if p.kind == "site_stream_name"]
    assert told.ids == ("A",)
    assert "line 2 within the tolerance has that name" in told.message


def test_drainage_area_that_disagrees_is_told() -> None:
    lines = lines_of([[(0, 0), (0, -100)]], drainage_area_km2=[10.0])
    sites = sites_at([(5, -50), (6, -20), (6, -70)], drainage_area_km2=[14.9, 15.1, 6.0])
    _, problems = build(lines, sites)
    assert [p.ids for p in problems if p.kind == "site_drainage_area"] == [("B",), ("C",)]


def test_sites_do_not_snap_to_lines_that_take_no_part() -> None:
    table = lines_of([*WYE, [(4, -40), (6, -40), (6, -42), (4, -40)]])
    made, _ = build(table, sites_at([(5, -40)]))
    assert made.network.row[made.network.site_reach(1)[0]] == 2


def test_all_sites_far_away_is_still_a_network() -> None:
    made, problems = build(lines_of(WYE), sites_at([(9000, 9000)]))
    assert len(made.network) == 3
    assert kinds(problems) == ["site_far"]


def test_errors_of_lines_come_before_sites() -> None:
    with pytest.raises(InputError, match="no usable stream line"):
        build(lines_of([None]), sites_at([(0, 0)]))


@given(st.integers(0, 10**6), st.integers(1, 30))
@settings(max_examples=60, deadline=None)
def test_splitting_keeps_lengths_and_puts_every_site_on_the_nearest_line(seed: int, count: int) -> None:
    drawn, _ = random_network(Recipe(nodes=15, braids=3, sites=0, seed=seed))
    rng = np.random.default_rng(seed)
    place = rng.random((drawn.nodes, 2)) * 1000
    courses = [[tuple(place[a]), tuple(place[b])] for a, b in zip(drawn.tail, drawn.head, strict=True)]
    courses = list({tuple(c): c for c in courses}.values())
    table = lines_of(courses)
    places = [tuple(xy) for xy in rng.random((count, 2)) * 1000]
    sites = sites_at(places, site=np.array([f"s{i}" for i in range(count)], dtype=object))
    made, _ = build(table, sites, SnapSettings(400.0, 0.0, 2.0), 0.0)
    network, snapped = made.network, made.snapped
    assert snapped is not None
    assert network.length_m.sum() == pytest.approx(shapely.length(table.geometry).sum())
    distance = shapely.distance(table.geometry[:, None], shapely.points(places)[None])
    nearest = np.where(distance.min(axis=0) <= 400.0, distance.min(axis=0), np.nan)
    np.testing.assert_allclose(snapped.distance, nearest, atol=1e-6)
    reach = network.site_reach(count)
    assert ((reach >= 0) == np.isfinite(nearest)).all()
    feet = np.column_stack([network.x, network.y])[network.head[reach[reach >= 0]]]
    on = np.flatnonzero(reach >= 0)
    moved = np.hypot(*(feet - np.array(places)[on]).T)
    np.testing.assert_allclose(moved, snapped.distance[on], atol=2e-3)
    np.testing.assert_allclose(shapely.length(network.geometry()), network.length_m, atol=1e-6)
