"""What the water does at a structure, whatever its kind."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel
from barrierrank.passage.kernels_culverts import culvert_state
from barrierrank.passage.kernels_fields import CULVERT, DROP, GATE, KIND, NONE, STATES
from barrierrank.passage.kernels_gates import gate_state
from barrierrank.passage.kernels_sections import tailwater
from barrierrank.passage.kernels_weirs import weir_state

FloatArray = NDArray[np.float64]


Place = tuple[FloatArray, FloatArray, FloatArray, int, int, float]
"""One structure: its row; points of all ratings and sections, and where its own begin and end; the shortest stretch of
fast water over a crest [m]."""


@kernel
def state(q: float, place: Place, logs_in: bool, out: FloatArray) -> None:
    """Work out the state of one structure at one discharge.

    Parameters
    ----------
    q : float
        Discharge of the stream [m3/s], 0 or more.
    place : Place
    logs_in : bool
    out : (STATES,) float64
        Filled; its DROP is NaN where something needed is not known or no solution was found.
    """
    row, tail_x, tail_y, lo, hi, crest_reach = place
    kind = int(row[KIND])
    if kind == NONE:
        out[:] = 0.0
        return
    level = tailwater(q, row, tail_x, tail_y, lo, hi)
    if np.isnan(level):
        out[:] = np.nan
    elif kind == CULVERT:
        culvert_state(q, row, level, out)
    elif kind == GATE:
        gate_state(q, row, level, logs_in, crest_reach, out)
    else:
        weir_state(q, row, level, logs_in, crest_reach, out)


@kernel
def states_of(flows: FloatArray, place: Place, logs_in: bool) -> FloatArray:
    """Return the states of one structure at k discharges, (k, STATES)."""
    out = np.empty((flows.size, STATES))
    for i in range(flows.size):
        if np.isnan(flows[i]):
            out[i] = np.nan
        else:
            state(flows[i], place, logs_in, out[i])
    return out


@kernel
def drops_at(
    flows: FloatArray, numbers: FloatArray, tail_start: NDArray[np.int64], tail_x: FloatArray, tail_y: FloatArray,
    logs_in: NDArray[np.bool_], crest_reach: float,
) -> FloatArray:  # fmt: skip
    """Return the drop of each structure at a discharge of its own [m], (n,)."""
    out = np.empty(flows.size)
    one = np.empty(STATES)
    for i in range(flows.size):
        place = (numbers[i], tail_x, tail_y, tail_start[i], tail_start[i + 1], crest_reach)
        state(flows[i], place, logs_in[i], one)
        out[i] = one[DROP]
    return out
