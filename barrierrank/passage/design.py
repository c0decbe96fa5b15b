"""Design checks: the drop left at the design flood, the floods that take it away, the crest raise that brings it back.

Planning-level only. A crest raise changes what a dam does in a flood and to people in the water below it: work on dams
needs a licensed engineer and permits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import each
from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_season as k
from barrierrank.passage.frequency import FloodFit
from barrierrank.passage.kernels_states import drops_at
from barrierrank.passage.structures import FloatArray, Structures

BoolArray = NDArray[np.bool_]
_Work = Callable[[tuple[int, int]], None]

AS_MEASURED, LOWEST, HIGHEST = 0, 1, 2
"""Columns of the estimates."""

_BLOCK = 256
_ANY_REACH = 1.0


@dataclass(frozen=True)
class DesignSettings:
    """What is designed for, and how well the water below is known.

    Parameters
    ----------
    return_years : float
        Of the design flood [years], above 1.
    tailwater_error_m : float
        The water below may stand so much higher or lower than worked out [m].
    roughness_error : float
        Manning's n of the channel below may be so much greater or smaller, as a share of it, below 1.
    """

    return_years: float = 10.0
    tailwater_error_m: float = 0.1
    roughness_error: float = 0.2


@dataclass(frozen=True, eq=False)
class DesignCheck:
    """Whether structures hold their drop; n of them. NaN where something needed is not known.

    Arrays (n, 3) have the estimate as measured, the lowest and the highest one (columns AS_MEASURED, LOWEST, HIGHEST),
    with the water below lower or higher than worked out by `DesignSettings.tailwater_error_m` and the channel below
    smoother or rougher by `DesignSettings.roughness_error` both at once.

    Parameters
    ----------
    required_drop : (n,) float64
        [m]
    design_flow : (n,) float64
        Design flood at the structure [m3/s].
    drop : (n, 3) float64
        Crest less water below at the design flood [m]; negative = drowned.
    flow_held : (n, 3) float64
        Greatest discharge that leaves the required drop [m3/s]; 0: it is not there even without flow; inf: no flow
        takes it away.
    years_held : (n, 3) float64
        Return period of that flood [years].
    flow_drowned : (n, 3) float64
        Discharge at which the water below reaches the crest [m3/s].
    years_drowned : (n, 3) float64
        Return period of that flood [years].
    raise_needed : (n, 3) float64
        How much higher the crest has to come to leave the required drop at the design flood [m]; 0 = none; NaN for
        culverts, which have no crest. The water below does not depend on the crest, so each metre of crest is one of
        drop.
    low_flow : (n,) float64
        [m3/s], as handed in.
    drop_at_low_flow : (n,) float64
        [m]; negative where measurements cannot be right or water from further down stands against the crest.
    perch : (n,) float64
        Of a culvert, height of its outlet above the water below at low flow [m]; NaN for others. Negative = under
        water.
    """

    required_drop: FloatArray
    design_flow: FloatArray
    drop: FloatArray
    flow_held: FloatArray
    years_held: FloatArray
    flow_drowned: FloatArray
    years_drowned: FloatArray
    raise_needed: FloatArray
    low_flow: FloatArray
    drop_at_low_flow: FloatArray
    perch: FloatArray


def design_checks(
    structures: Structures, required_drop: FloatArray, floods: Sequence[FloodFit | None], *, low_flow: FloatArray,
    logs_in: BoolArray, settings: DesignSettings | None = None,
) -> DesignCheck:  # fmt: skip
    """Check whether each structure holds its drop at the design flood, and which floods take it away.

    Parameters
    ----------
    structures : Structures
        n rows.
    required_drop : (n,) float64
        The drop that stops the invader at each structure, by its lip [m]; NaN = none does.
    floods : sequence of FloodFit or None
        One a gauge, of the gauge's own flows; None where none could be fitted.
    low_flow : (n,) float64
        Discharge at the structure at low water, such as that exceeded on 95 % of days [m3/s]; NaN = not known.
    logs_in : (n,) bool
        Whether the stop-logs of each are in while the invader runs.
    settings : DesignSettings, optional

    Returns
    -------
    DesignCheck

    Notes
    -----
    The design flood of the gauge is carried over like any flow, factor x flow ^ exponent; the return period of a
    discharge at the structure is that of the gauge's flow it comes from. The crest raise is arithmetic, required drop
    less drop left.
    """
    settings = settings or DesignSettings()
    design = _design_flow(structures, floods, settings.return_years)
    sill = sill_levels(structures, logs_in=logs_in)
    drops, held, drowned = [], [], []
    for sign in (0.0, -1.0, 1.0):
        case = structures.shifted(sign * settings.tailwater_error_m, 1.0 + sign * settings.roughness_error)
        drops.append(sill - _tail_levels(case, design[:, None])[:, 0])
        flow = _flows_at(case, np.column_stack([sill - required_drop, sill]))
        held.append(flow[:, 0])
        drowned.append(flow[:, 1])
    drop, flow_held, flow_drowned = _estimates(drops), _estimates(held), _estimates(drowned)
    crest = np.isin(structures.numbers[:, f.KIND], (f.WEIR, f.GATE, f.FALL))
    wanted = _estimates([np.where(crest, np.maximum(required_drop - d, 0.0), np.nan) for d in drops])
    at_low = sill - _tail_levels(structures, low_flow[:, None])[:, 0]
    return DesignCheck(
        required_drop=required_drop.copy(),
        design_flow=design,
        drop=drop,
        flow_held=flow_held,
        years_held=_return_years(structures, floods, flow_held),
        flow_drowned=flow_drowned,
        years_drowned=_return_years(structures, floods, flow_drowned),
        raise_needed=wanted,
        low_flow=low_flow.copy(),
        drop_at_low_flow=at_low,
        perch=np.where(structures.numbers[:, f.KIND] == f.CULVERT, at_low, np.nan),
    )


def sill_levels(structures: Structures, *, logs_in: BoolArray) -> FloatArray:
    """Return the elevation drops are measured from [m], (n,): crest, notch, logs, sill or outlet; NaN: nothing stands.

    Parameters
    ----------
    structures : Structures
    logs_in : (n,) bool
    """
    none = np.zeros(
        len(structures)
    )  # without flow the drop is measured from the same elevation, and nothing is solved
    drop = drops_at(
        none, structures.numbers, *_tails(structures), np.ascontiguousarray(logs_in, dtype=bool), _ANY_REACH
    )  # fmt: skip
    stands = structures.numbers[:, f.KIND] != f.NONE
    return np.where(stands, drop + _tail_levels(structures, none[:, None])[:, 0], np.nan)


def drops_over_flows(structures: Structures, flow: FloatArray, *, logs_in: BoolArray) -> FloatArray:
    """Return the drop of each structure at discharges of its own [m], (n, m).

    Parameters
    ----------
    structures : Structures
    flow : (n, m) float64
        [m3/s]; NaN = not known.
    logs_in : (n,) bool
    """
    return np.asarray(sill_levels(structures, logs_in=logs_in)[:, None] - _tail_levels(structures, flow))


def _estimates(cases: Sequence[FloatArray]) -> FloatArray:
    """Return as measured, lowest and highest of the cases, the first of which is as measured; NaN where one is."""
    stacked = np.stack(cases)
    return np.column_stack([stacked[0], stacked.min(axis=0), stacked.max(axis=0)])


def _design_flow(
    structures: Structures, floods: Sequence[FloodFit | None], return_years: float
) -> FloatArray:
    gauges = [np.nan if fit is None else float(fit.flow(np.array([return_years]))[0]) for fit in floods]
    flow = np.array([*gauges, np.nan])[structures.gauge]  # gauge -1 finds the last, NaN
    return np.asarray(structures.flow_factor * flow**structures.flow_exponent)


def _return_years(structures: Structures, floods: Sequence[FloodFit | None], flow: FloatArray) -> FloatArray:
    """Return the return periods of discharges at the structures [years], (n, 3)."""
    out = np.full(flow.shape, np.nan)
    at_gauge = (flow / structures.flow_factor[:, None]) ** (1.0 / structures.flow_exponent[:, None])
    for g, fit in enumerate(floods):
        here = structures.gauge == g
        if fit is not None and here.any():
            out[here] = fit.return_years(at_gauge[here])
    return out


def _tails(structures: Structures) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    return structures.tail_start, structures.tail_x, structures.tail_y


def _tail_levels(structures: Structures, flow: FloatArray) -> FloatArray:
    given, out = np.ascontiguousarray(flow, dtype=np.float64), np.empty(flow.shape)
    _in_blocks(
        structures, lambda rows: k.tail_levels(rows, given, structures.numbers, _tails(structures), out)
    )
    return out


def _flows_at(structures: Structures, level: FloatArray) -> FloatArray:
    given, out = np.ascontiguousarray(level), np.empty(level.shape)
    _in_blocks(
        structures, lambda rows: k.flows_at_levels(rows, given, structures.numbers, _tails(structures), out)
    )
    return out


def _in_blocks(structures: Structures, work: _Work) -> None:
    n = len(structures)
    blocks = [(lo, min(lo + _BLOCK, n)) for lo in range(0, n, _BLOCK)]
    each(work, blocks, threads=len(blocks) > 1)
