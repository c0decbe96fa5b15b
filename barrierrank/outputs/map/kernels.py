"""Loops over the drainage tree for the order in which reaches are written."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from barrierrank.jit import kernel

Ints = npt.NDArray[np.int64]


@kernel
def from_the_outlets(down: Ints) -> Ints:
    """Return positions from the outlets upwards, each after the one it drains to.

    Parameters
    ----------
    down : array of int64, shape (n,)
        Position each one drains to, -1 at an outlet.

    Returns
    -------
    array, shape (m,)
        m < n where some run in a circle: those are left out.
    """
    n = len(down)
    start = np.zeros(n + 1, np.int64)
    for i in range(n):
        if down[i] >= 0:
            start[down[i] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    above = np.empty(start[n], np.int64)
    fill = start[:-1].copy()
    out = np.empty(n, np.int64)
    m = 0
    for i in range(n):
        if down[i] >= 0:
            above[fill[down[i]]] = i
            fill[down[i]] += 1
        else:
            out[m] = i
            m += 1
    at = 0
    while at < m:
        for k in range(start[out[at]], start[out[at] + 1]):
            out[m] = above[k]
            m += 1
        at += 1
    return out[:m]


@kernel
def sizes_above(down: Ints, upwards: Ints) -> Ints:
    """Return how many there are above each one, itself counted; one pass down."""
    size = np.ones(len(down), np.int64)
    for k in range(len(upwards) - 1, -1, -1):
        i = upwards[k]
        if down[i] >= 0:
            size[down[i]] += size[i]
    return size


@kernel
def first_visits(down: Ints, visiting: Ints, size: Ints) -> Ints:
    """Return the place of each one in a depth-first walk up the tree; one pass up.

    Parameters
    ----------
    visiting : array, shape (n,)
        Everything, each after the one it drains to; siblings come in this order.
    size : array, shape (n,)
        Of :func:`sizes_above`.
    """
    place = np.empty(len(down), np.int64)
    free = np.empty(len(down), np.int64)  # next place free above each one
    root = 0
    for k in range(len(visiting)):
        i = visiting[k]
        if down[i] < 0:
            place[i] = root
            root += size[i]
        else:
            place[i] = free[down[i]]
            free[down[i]] += size[i]
        free[i] = place[i] + 1
    return place
