"""Kernels that cut pieces of lines at sites."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def locate(piece_line: Ints, end: Floats, line: Ints, measure: Floats) -> Ints:
    """Return the piece that holds the measure on the line; the pieces are grouped by line, in order of start."""
    most = 0
    for k in piece_line:
        most = max(most, k)
    first = np.full(most + 1, -1, dtype=np.int64)
    for p in range(piece_line.size - 1, -1, -1):
        first[piece_line[p]] = p
    out = np.empty(line.size, dtype=np.int64)
    for i in range(line.size):
        p = first[line[i]]
        while p + 1 < piece_line.size and piece_line[p + 1] == line[i] and measure[i] > end[p]:
            p += 1
        out[i] = p
    return out


@kernel
def cut_at_sites(
    pieces: tuple[Ints, Ints, Floats, Floats, Bools], sites: tuple[Ints, Floats, Ints, Bools], nodes: int
) -> tuple[Ints, Floats, Floats, Ints, Ints, Ints, Ints]:
    """Cut pieces at sites sorted by piece and place.

    Parameters
    ----------
    pieces : tail, head, start, end, backward of each piece
    sites : piece, place downstream of the top of the piece [m], site number, whether at its very foot
    nodes : int
        How many nodes there are; new ones follow.

    Returns
    -------
    piece, start, end, tail, head, site : one entry a reach
    fresh : (new nodes,) int64
        Which of the sorted sites each new node stands for.
    """
    tail, head, start, end, backward = pieces
    of_piece, place, number, at_foot = sites
    n, k = tail.size, number.size
    total = n + k
    piece_out = np.empty(total, dtype=np.int64)
    start_out, end_out = np.empty(total), np.empty(total)
    tail_out = np.empty(total, dtype=np.int64)
    head_out = np.empty(total, dtype=np.int64)
    site_out = np.full(total, -1, dtype=np.int64)
    fresh = np.empty(k, dtype=np.int64)
    made, r, i = 0, 0, 0
    for p in range(n):
        top, above = tail[p], 0.0
        length = end[p] - start[p]
        closed = False
        while i < k and of_piece[i] == p:
            last = at_foot[i] and (i + 1 == k or of_piece[i + 1] != p)
            bottom = head[p]
            if not last:
                bottom = nodes + made
                fresh[made] = i
                made += 1
            piece_out[r], tail_out[r], head_out[r], site_out[r] = p, top, bottom, number[i]
            start_out[r], end_out[r] = _measures(start[p], end[p], above, place[i], backward[p])
            r += 1
            top, above, closed = bottom, place[i], last
            i += 1
        if not closed:
            piece_out[r], tail_out[r], head_out[r] = p, top, head[p]
            start_out[r], end_out[r] = _measures(start[p], end[p], above, length, backward[p])
            r += 1
    return piece_out[:r], start_out[:r], end_out[:r], tail_out[:r], head_out[:r], site_out[:r], fresh[:made]


@kernel
def _measures(start: float, end: float, above: float, below: float, backward: bool) -> tuple[float, float]:
    if backward:
        return end - below, end - above
    return start + above, start + below
