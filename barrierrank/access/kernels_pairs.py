"""Kernel that folds the leaves of a graph of fragments into their neighbours, summing over pairs on the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def fold_leaves(habitat: Floats, a: Ints, b: Ints, factor: Floats) -> tuple[float, Floats, Bools]:
    """Fold fragments with one neighbour into it, again and again.

    Parameters
    ----------
    habitat : (f,) float64
    a, b, factor : (m,)
        Neighbouring fragments, each pair once, and the factor between them.

    Returns
    -------
    pairs : float
        Sum of ``h_i h_j c_ij`` over the ordered pairs settled so far, each fragment with itself included.
    held : (f,) float64
        What each fragment holds of its own and of those folded into it, as seen from it.
    alive : (f,) bool
        Fragments that could not be folded: those on loops and between them.
    """
    f, m = habitat.size, a.size
    starts = np.zeros(f + 1, dtype=np.int64)
    for k in range(m):
        starts[a[k] + 1] += 1
        starts[b[k] + 1] += 1
    for i in range(f):
        starts[i + 1] += starts[i]
    fill = starts[:-1].copy()
    link = np.empty(2 * m, dtype=np.int64)
    for k in range(m):
        link[fill[a[k]]] = k
        fill[a[k]] += 1
        link[fill[b[k]]] = k
        fill[b[k]] += 1
    degree = starts[1:] - starts[:-1]
    used = np.zeros(m, dtype=np.bool_)
    alive = np.ones(f, dtype=np.bool_)
    held = habitat.copy()
    pairs = 0.0
    stack = np.empty(f, dtype=np.int64)
    top = 0
    for i in range(f):
        pairs += habitat[i] * habitat[i]
        if degree[i] <= 1:
            stack[top] = i
            top += 1
    while top > 0:
        top -= 1
        i = stack[top]
        if not alive[i]:
            continue
        alive[i] = False
        for s in range(starts[i], starts[i + 1]):
            k = link[s]
            if used[k]:
                continue
            used[k] = True
            j = b[k] if a[k] == i else a[k]
            seen = factor[k] * held[i]
            pairs += 2.0 * seen * held[j]
            held[j] += seen
            degree[j] -= 1
            if degree[j] == 1:
                stack[top] = j
                top += 1
    return pairs, held, alive
