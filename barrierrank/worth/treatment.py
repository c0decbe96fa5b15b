"""Treatment of infested streams: what it costs a year, and what an action saves or adds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.graph import WATER, AccessGraph, Sweep
from barrierrank.network.kernels_order import group_by
from barrierrank.project import TreatmentSpec
from barrierrank.worth import kernels

FIRST = 2
"""First element that is a site or a join; below it are the receiving water and nowhere."""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ground:
    """What treatment is reckoned on, drawn together to elements and streams.

    Parameters
    ----------
    habitat : (e,) float64
        Rearing habitat of each element; (e, groups) for :func:`treatment_saved_apart`.
    start : (e + 1,) int64
        Where the parts of each element begin and end: one for each stream in which it has habitat. Above a place where
        rivers part an element may lie in several streams. The receiving water's element has none.
    stream : (k,) int64
        Stream (outlet, from 0) of each part.
    discharge : (k,) float64
        Greatest discharge [m3/s] over the reaches of the part that have habitat.
    always : (streams,) int64
        Whether the stream has habitat below all of its sites, which is infested whatever is done.
    always_discharge : (streams,) float64
        Greatest discharge of that habitat [m3/s].
    """

    habitat: Floats
    start: Ints
    stream: Ints
    discharge: Floats
    always: Ints
    always_discharge: Floats


def ground_of(graph: AccessGraph, habitat: Floats, discharge: Floats | None, outlet: Ints) -> Ground:
    """Draw reaches together to what treatment is reckoned on.

    Parameters
    ----------
    graph : AccessGraph
    habitat : (n,) float64
        Rearing habitat of each reach.
    discharge : (n,) float64 or None
        Mean discharge of each reach [m3/s]; needed for costs per discharge only.
    outlet : (n,) int64
        Number of the outlet of each reach, from 1.
    """
    e, streams = len(graph), int(outlet.max(initial=0))
    lived_in = habitat > 0.0
    flow = np.where(lived_in, 0.0 if discharge is None else np.nan_to_num(discharge), 0.0)
    upper = lived_in & (graph.of_reach >= FIRST)
    parts, of_part = np.unique(graph.of_reach[upper] * max(streams, 1) + outlet[upper] - 1, return_inverse=True)
    most = np.zeros(parts.size)
    np.maximum.at(most, of_part, flow[upper])
    element, stream = np.divmod(parts, max(streams, 1))
    start = np.searchsorted(element, np.arange(e + 1)).astype(np.int64)
    low = lived_in & (graph.of_reach == WATER)
    always = np.bincount(outlet[low] - 1, minlength=streams)
    always_discharge = np.zeros(streams)
    np.maximum.at(always_discharge, outlet[low] - 1, flow[low])
    return Ground(
        graph.amounts(habitat), start, stream.astype(np.int64), most, (always > 0).astype(np.int64), always_discharge
    )


def treatment_saved(
    graph: AccessGraph,
    sweep: Sweep,
    ground: Ground,
    spec: TreatmentSpec,
    actions: tuple[Ints, Floats],
    weights: Floats,
) -> Floats:
    """Present worth of the treatment that each action alone saves (positive) or adds (negative).

    A stream is treated every `interval_years`; the years of the streams are taken to be spread evenly, so that each
    year bears its share. An element is infested where the invader's access is at least `infested_from`.

    Parameters
    ----------
    graph, sweep : AccessGraph, Sweep
        Of the invader, one column a year.
    ground : Ground
    spec : TreatmentSpec
    actions : site (a,), passability after it (a, t)
    weights : (t,) float64
        Discount factors.

    Returns
    -------
    (a,) float64
    """
    group = np.zeros(len(weights), dtype=np.int64)
    whole = replace(ground, habitat=ground.habitat[:, None])
    return treatment_saved_apart(graph, sweep, whole, spec, actions, weights, group, 1)[:, 0]


def treatment_saved_apart(
    graph: AccessGraph, sweep: Sweep, ground: Ground, spec: TreatmentSpec, actions: tuple[Ints, Floats],
    weights: Floats, group: Ints, groups: int,
) -> Floats:  # fmt: skip
    """Present worth of the treatment that each action alone saves or adds, columns summed group by group.

    Parameters
    ----------
    graph, sweep, spec, actions, weights
        As for :func:`treatment_saved`, one column a year and draw.
    ground : Ground
        With `habitat` (e, groups).
    group : (t,) int64
        Group of each column, from 0: its draw.
    groups : int
        Number of groups.

    Returns
    -------
    (a, groups) float64
    """
    site, after = actions
    streams = ground.always.size
    infested = kernels.infested_per_stream(
        sweep.access, (ground.start, ground.stream), streams, spec.infested_from
    )
    by_flow = np.lexsort((-ground.discharge, ground.stream))
    starts = np.searchsorted(ground.stream[by_flow], np.arange(streams + 1)).astype(np.int64)
    element = np.repeat(np.arange(len(graph)), np.diff(ground.start))
    gate = graph.gate.copy()
    gate[:2] = 1  # neither the receiving water nor nowhere is gated by anything
    habitat = np.ascontiguousarray(ground.habitat)
    change = kernels.treatment_change(
        (graph.of_site[site], np.ascontiguousarray(after)),
        (weights, group, groups),
        spec.infested_from,
        (sweep.access, sweep.relative),
        (graph.first, graph.parent, graph.gate),
        graph.frontier,
        (habitat, (ground.start, ground.stream), infested, ground.always_discharge, ground.always),
        (group_by(gate, len(graph)), (starts, element[by_flow], ground.discharge[by_flow])),
    )
    amount = change[:, :, 0] if spec.per == "habitat" else change[:, :, 2]
    return -(spec.cost_per_unit * amount + spec.fixed_cost_per_stream * change[:, :, 1]) / spec.interval_years


def treatment_a_year(sweep: Sweep, ground: Ground, spec: TreatmentSpec) -> Floats:
    """Cost of treatment a year with things as they are, (t,)."""
    infested = (sweep.access >= spec.infested_from * kernels.ROUNDING) & (ground.habitat > 0.0)[:, None]
    element = np.repeat(np.arange(ground.habitat.size), np.diff(ground.start))
    t = sweep.access.shape[1]
    out = np.zeros(t)
    for c in range(t):
        parts = infested[element, c]
        treated = ground.always > 0
        treated[ground.stream[parts]] = True
        foot = ground.always_discharge.copy()
        np.maximum.at(foot, ground.stream[parts], ground.discharge[parts])
        amount = ground.habitat[infested[:, c]].sum() if spec.per == "habitat" else foot[treated].sum()
        out[c] = (
            spec.cost_per_unit * amount + spec.fixed_cost_per_stream * treated.sum()
        ) / spec.interval_years
    return out
