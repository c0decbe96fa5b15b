"""Kernels of failure: the chance to have failed, and the passability to be expected then."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def expected(passability: Floats, failed: Floats) -> Floats:
    """Return ``(1 - F) p + F`` for p (n,) and F (n, t)."""
    out = np.empty(failed.shape)
    for i in range(failed.shape[0]):
        p = passability[i]
        for t in range(failed.shape[1]):
            out[i, t] = (1.0 - failed[i, t]) * p + failed[i, t]
    return out


@kernel
def failed_by_year(annual: Floats, renewed_every: Ints, horizon: int) -> Floats:
    """Return the chance to have failed by the end of each year, (n, horizon).

    ``F(t + 1) = F(t) + q (1 - F(t))``, exact to rounding for small q too; F starts anew after every
    `renewed_every` years, where that is not 0.
    """
    out = np.empty((annual.size, horizon))
    for i in range(annual.size):
        failed, age = 0.0, 0
        for t in range(horizon):
            if renewed_every[i] > 0 and age == renewed_every[i]:
                failed, age = 0.0, 0
            failed += annual[i] * (1.0 - failed)
            age += 1
            out[i, t] = failed
    return out
