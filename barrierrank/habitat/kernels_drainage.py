"""Kernel that makes drainage areas read from a raster agree along the network."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def areas_downstream(
    read: Floats, top: Floats, short: Bools, head: Ints, main: Ints, order: Ints, below: tuple[Ints, Ints]
) -> Floats:
    """Return areas of reaches: `read`; of short ones what flows in, or `top`; never less than the main course above.

    `main` is the main reach below each node. NaN is unknown.
    """
    out = np.full(head.size, np.nan)
    inflow, greatest = np.full(main.size, np.nan), np.full(main.size, np.nan)
    for v in order:
        for m in range(below[0][v], below[0][v + 1]):
            r = below[1][m]
            value = read[r]
            if short[r]:  # what was read there may be the larger river's
                value = np.fmin(inflow[v], read[r]) if main[v] == r and not np.isnan(inflow[v]) else top[r]
            if main[v] == r:
                value = np.fmax(value, greatest[v])
            out[r] = value
            w = head[r]
            greatest[w] = np.fmax(greatest[w], value)
            if not np.isnan(value):
                inflow[w] = value if np.isnan(inflow[w]) else inflow[w] + value
    return out
