"""Gradients of reaches: cut at sites, too short, at the ends of the network."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from support.random_networks import network_of
from support.tables import lines_of, sites_at

from barrierrank.habitat.profile import elevation_profile, gradients, main_above
from barrierrank.network.build import NetworkSettings, build_network
from barrierrank.network.model import RiverNetwork
from barrierrank.network.sites import SnapSettings
from barrierrank.problems import Problems

Floats = NDArray[np.float64]
Sample = Callable[[Floats, Floats], Floats]


def cut_line(course: list[tuple[float, float]], sites: list[tuple[float, float]]) -> RiverNetwork:
    """Build a network of one line drawn downstream, cut at sites."""
    settings = NetworkSettings("digitised", 0.5)
    table = sites_at(sites) if sites else None
    snapping = SnapSettings(10.0, 5.0, 2.0)
    return build_network(lines_of([course]), settings, Problems(), sites=table, snapping=snapping).network


# --- cutting at sites


@pytest.mark.parametrize("place", [137.0, 400.0, 611.3])
def test_cutting_a_line_at_a_site_changes_no_gradient(place: float) -> None:
    course = [(0.0, 0.0), (400.0, 0.0), (800.0, 0.0)]

    def surface(x: Floats, _: Floats) -> Floats:
        return 60.0 - 0.03 * x + 1e-5 * x * x + 0.4 * np.sin(x / 9.0)

    whole, cut = cut_line(course, []), cut_line(course, [(place, 3.0)])
    assert len(cut) == 2
    before, after = (elevation_profile(n, surface, step_m=10.0, spike_m=2.0) for n in (whole, cut))
    assert before.top_m[0] == after.top_m[0]
    assert before.bottom_m[0] == after.bottom_m[1]
    slope = gradients(cut, after, over_m=100.0)
    total = float(slope @ cut.length_m / cut.length_m.sum())
    assert total == pytest.approx(gradients(whole, before, over_m=100.0)[0], rel=1e-12)
    # every point of the whole line is there with the same raw elevation; the profile at the cut is that of the line
    assert set(before.raw_m) <= set(after.raw_m)
    at_cut = np.interp(place, before.distance_m, before.smoothed_m)
    assert after.top_m[1] == pytest.approx(at_cut, abs=0.15)


def test_a_sliver_between_two_sites_takes_the_gradient_around_it() -> None:
    net = cut_line([(0.0, 0.0), (1000.0, 0.0)], [(500.0, 0.0), (502.0, 0.0)])

    def bumpy(x: Floats, _: Floats) -> Floats:
        return 40.0 - 0.02 * x - 0.3 * np.where(x > 501.0, 1.0, 0.0)

    profile = elevation_profile(net, bumpy, step_m=10.0, spike_m=5.0)
    slope = gradients(net, profile, over_m=0.0)
    assert slope[1] == pytest.approx(0.02 + 0.3 / 2.0)
    smooth = gradients(net, profile, over_m=100.0)
    assert smooth[1] == pytest.approx(0.02 + 0.3 / 100.0)
    np.testing.assert_allclose(smooth[[0, 2]], slope[[0, 2]])


# --- short reaches


def heights(z: list[float]) -> Sample:
    """Elevation by node of a network made by `network_of`."""
    return lambda x, _: np.array(z)[np.round(x / 100.0).astype(int)]


def test_short_reach_is_extended_evenly() -> None:
    net = network_of([0, 1, 2], [1, 2, 3], length=[100.0, 20.0, 200.0])
    profile = elevation_profile(net, heights([10.0, 9.0, 8.6, 2.6]), step_m=1e6, spike_m=np.inf)
    slope = gradients(net, profile, over_m=100.0)
    # 40 m up at 1/100, 0.4 m of its own, 40 m down at 6/200
    assert slope.tolist() == pytest.approx([0.01, (0.4 + 0.4 + 1.2) / 100.0, 0.03])


def test_near_an_end_the_other_way_is_followed_farther() -> None:
    net = network_of([0, 1, 2], [1, 2, 3], length=[20.0, 200.0, 30.0])
    profile = elevation_profile(net, heights([10.0, 9.0, 5.0, 2.0]), step_m=1e6, spike_m=np.inf)
    slope = gradients(net, profile, over_m=100.0)
    # the head: 80 m down at 4/200; the mouth: 70 m up at 4/200
    assert slope.tolist() == pytest.approx([(1.0 + 1.6) / 100.0, 0.02, (3.0 + 1.4) / 100.0])
    # longer than the whole river: all of it
    assert gradients(net, profile, over_m=5000.0).tolist() == pytest.approx([8.0 / 250.0] * 3)


def test_short_reach_follows_the_main_course() -> None:
    # 0 -> 2 is the longer inflow of 2, 1 -> 2 a brook; the short 2 -> 3 goes on to 4
    net = network_of([0, 1, 2, 3], [2, 2, 3, 4], length=[300.0, 100.0, 10.0, 300.0])
    assert main_above(net)[2] == 0
    profile = elevation_profile(net, heights([20.0, 90.0, 5.0, 5.0, 2.0]), step_m=1e6, spike_m=np.inf)
    slope = gradients(net, profile, over_m=110.0)
    assert slope[2] == pytest.approx((50.0 * 15.0 / 300.0 + 0.0 + 50.0 * 3.0 / 300.0) / 110.0)


def test_a_stretch_ends_at_the_receiving_water() -> None:
    entry = [False, False, True, False]
    net = network_of([0, 1, 2], [1, 2, 3], length=[200.0, 20.0, 200.0], entry=entry)
    profile = elevation_profile(net, heights([9.0, 7.0, 6.8, 0.0]), step_m=1e6, spike_m=np.inf)
    # 80 m up at 1/100; nothing of the river below the lake
    assert gradients(net, profile, over_m=100.0)[1] == pytest.approx((0.2 + 0.8) / 100.0)


def test_reach_without_length_has_the_gradient_around_it_or_none() -> None:
    net = network_of([0, 1, 2], [1, 2, 3], length=[100.0, 0.0, 100.0])
    profile = elevation_profile(net, heights([4.0, 3.0, 3.0, 1.0]), step_m=1e6, spike_m=np.inf)
    assert gradients(net, profile, over_m=50.0)[1] == pytest.approx(0.015)
    assert np.isnan(gradients(net, profile, over_m=0.0)[1])
