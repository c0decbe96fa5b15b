"""Which sites lie on the ways down from each site."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Ints = NDArray[np.int64]


@kernel
def sites_below(of_site: Ints, site: Ints, first: Ints, parent: Ints, most: int) -> tuple[Ints, Ints]:
    """Return the sites on any way down from each site, nearest first: starts (n + 1,) and sites.

    Parameters
    ----------
    of_site : (n,) int64
        Element of each site, -1 off the network.
    site, first, parent : (e,), (e + 1,), (p,) int64
        As in :class:`~barrierrank.access.graph.AccessGraph`.
    most : int
        At most so many for each site.
    """
    n = of_site.size
    starts = np.zeros(n + 1, dtype=np.int64)
    found = np.empty(max(4 * n, 16), dtype=np.int64)
    seen = np.full(site.size, -1, dtype=np.int64)
    queue = np.empty(site.size, dtype=np.int64)
    count = 0
    for i in range(n):
        here = of_site[i]
        own = count
        if here >= 0:
            queue[0], tail, head = here, 1, 0
            seen[here] = i
            while head < tail and count - own < most:
                at = queue[head]
                head += 1
                if at != here and site[at] >= 0:
                    if count == found.size:
                        wider = np.empty(2 * found.size, dtype=np.int64)
                        wider[:count] = found
                        found = wider
                    found[count] = site[at]
                    count += 1
                for q in range(first[at], first[at + 1]):
                    below = parent[q]
                    if seen[below] != i:
                        seen[below] = i
                        queue[tail] = below
                        tail += 1
        starts[i + 1] = count
    return starts, found[:count].copy()
