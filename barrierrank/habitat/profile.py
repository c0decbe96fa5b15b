"""Elevation along the channels, sampled from a DEM and made to fall downstream; the gradient of every reach."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.habitat import kernels_profile
from barrierrank.network.model import RiverNetwork

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Sample = Callable[[Floats, Floats], Floats]

NEIGHBOURS = 3
"""Points up and as many down the channel that a value is held against when spikes are looked for."""


@dataclass(frozen=True, eq=False)
class Profile:
    """Elevation profile of a whole network of n reaches.

    Parameters
    ----------
    offsets : (n + 1,) int64
        Reach r has the points ``offsets[r]`` to ``offsets[r + 1] - 1``, downstream, both its ends among them.
    distance_m : (k,) float64
        Distance [m] of every point from the top of its reach, on the scale of the reach's length.
    raw_m : (k,) float64
        Elevation as sampled [m]; NaN where missing.
    smoothed_m : (k,) float64
        Elevation without spikes and gaps, falling downstream over the whole network [m]; NaN where nothing is known.
    top_m, bottom_m : (n,) float64
        Smoothed elevation at the upper and the lower end of every reach [m]; reaches that meet share it.
    missing : (n,) float64
        Share of a reach's points without a sampled elevation, 0 to 1.
    spikes : (n,) int64
        Number of a reach's points whose elevation was replaced as a spike.
    """

    offsets: Ints
    distance_m: Floats
    raw_m: Floats
    smoothed_m: Floats
    top_m: Floats
    bottom_m: Floats
    missing: Floats
    spikes: Ints


def elevation_profile(network: RiverNetwork, sample: Sample, *, step_m: float, spike_m: float) -> Profile:
    """Sample elevations along every reach and make the profile fall downstream over the network.

    1. Points stand at both ends of every reach and between them at even steps of its polyline; cutting a line at a
       site adds a point and moves none. A node is sampled once for all reaches that meet there.
    2. Spikes: a value more than `spike_m` off the median of its neighbours up and down the main course is replaced
       by that median, provided it also stands that far above the median of those above it or below the median of
       those below it. Hence a fall, which keeps its height, is no spike; nor is a high start of a stream.
    3. Gaps are filled between the nearest known values up and down the channel, by distance. Where one of the two is
       missing, the other is carried to the end of its reach; beyond that NaN stays.
    4. The mean of the carved profile (running minimum downstream) and the filled one (running maximum upstream).

    Parameters
    ----------
    network : RiverNetwork
    sample : callable
        Takes x (k,) and y (k,) [m] in the basin's CRS and returns elevations (k,) [m], NaN where missing.
    step_m : float
        Greatest distance between points [m], above 0. Some 110 bytes are held per point.
    spike_m : float
        Difference [m] from the neighbours beyond which a value is a spike, 0 or more; infinite: none is.

    Returns
    -------
    Profile

    Raises
    ------
    ValueError
        When `step_m` or `spike_m` is out of range, or `sample` returns another number of values.

    Notes
    -----
    Linear in the number of points, braids included.
    """
    if not (np.isfinite(step_m) and step_m > 0.0):
        raise ValueError(f"step_m: {step_m!r} was given; allowed is a number above 0 [m]")
    if not spike_m >= 0.0:
        raise ValueError(f"spike_m: {spike_m!r} was given; allowed is a number of 0 or more [m]")
    ways = (network.tail, network.head, main_above(network), network.main_below)
    offsets, distance, raw = _sampled(network, ways, sample, step_m)
    held = kernels_profile.without_spikes(raw, offsets, ways, float(spike_m), NEIGHBOURS)
    spikes = (held != raw) & ~np.isnan(raw)
    held = kernels_profile.without_gaps(held, (offsets, distance), ways, network.order, network.below)
    smoothed = kernels_profile.falling(held, offsets, ways, network.order, network.below)
    return Profile(
        offsets=offsets,
        distance_m=distance,
        raw_m=raw,
        smoothed_m=smoothed,
        top_m=smoothed[offsets[:-1]],
        bottom_m=smoothed[offsets[1:] - 1],
        missing=_per_reach(np.isnan(raw), offsets) / np.diff(offsets),
        spikes=_per_reach(spikes, offsets),
    )


def gradients(network: RiverNetwork, profile: Profile, *, over_m: float) -> Floats:
    """Return the gradient of every reach, (n,) [m/m]: its drop over its length, never negative.

    A reach shorter than `over_m` takes the gradient of the stretch around it, extended evenly up and down the main
    course until it is `over_m` long; where one way ends (at a head, at the receiving water, where elevations are
    unknown) the other is followed farther, and where both end the stretch stays shorter.

    Parameters
    ----------
    network : RiverNetwork
    profile : Profile
        Of this network.
    over_m : float
        Shortest stretch [m] a gradient is taken over, 0 or more.

    Returns
    -------
    (n,) float64
        NaN where the elevation at an end is unknown, or where there is no length to take a gradient over.

    Raises
    ------
    ValueError
        When `over_m` is negative or not a finite number, or the profile is of another network.
    """
    if not (np.isfinite(over_m) and over_m >= 0.0):
        raise ValueError(f"over_m: {over_m!r} was given; allowed is a number of 0 or more [m]")
    if profile.top_m.size != len(network):
        raise ValueError(f"the profile has {profile.top_m.size} reaches, the network {len(network)}")
    above = np.where(network.entry, np.int64(-1), main_above(network))
    return kernels_profile.gradients(
        profile.smoothed_m,
        (profile.offsets, profile.distance_m),
        above[network.tail],
        network.downstream,
        float(over_m),
    )


def main_above(network: RiverNetwork) -> Ints:
    """Return the main reach above each node, (nodes,): not a named minor channel, then with most above it; -1: none."""
    n = len(network)
    best_last = np.lexsort((-np.arange(n), -network.row, network.upstream_m, ~network.minor))
    above = np.full(network.nodes, -1, dtype=np.int64)
    above[network.head[best_last]] = best_last  # of several for a node the last one stays
    return above


def _sampled(
    network: RiverNetwork, ways: kernels_profile.Ways, sample: Sample, step_m: float
) -> tuple[Ints, Floats, Floats]:
    """Return offsets, distances and sampled elevations of the points of every reach."""
    lines = network.polylines
    spacing = np.ones(len(network))
    length = lines.length[network.line]
    np.divide(length, np.ceil(length / step_m), out=spacing, where=length > 0.0)
    first = np.floor(network.start_m / spacing) + 1.0
    beyond = np.ceil(network.end_m / spacing - 1e-9)  # no point within a hair of the end
    inner = np.maximum(beyond - first, 0.0).astype(np.int64)
    offsets = np.zeros(len(network) + 1, dtype=np.int64)
    np.cumsum(inner + 2, out=offsets[1:])
    measure, distance = kernels_profile.place_points(
        network.start_m, network.end_m, network.backward, network.length_m, spacing, offsets
    )
    ends = np.zeros(offsets[-1], dtype=np.bool_)
    ends[offsets[:-1]] = ends[offsets[1:] - 1] = True
    of_line = np.repeat(network.line, inner)
    xy = np.concatenate([lines.at(of_line, measure[~ends]), np.column_stack([network.x, network.y])])
    z = np.asarray(sample(xy[:, 0].copy(), xy[:, 1].copy()), dtype=np.float64)
    if z.shape != (len(xy),):
        raise ValueError(f"sample returned values of shape {z.shape} for {len(xy)} points")
    z = np.where(np.isfinite(z), z, np.nan)
    return offsets, distance, kernels_profile.on_points(z[: of_line.size], z[of_line.size :], offsets, ways)


def _per_reach(marks: NDArray[np.bool_], offsets: Ints) -> Ints:
    """Count the marked points of each reach."""
    return (
        np.add.reduceat(marks.astype(np.int64), offsets[:-1]) if offsets.size > 1 else np.zeros(0, np.int64)
    )
