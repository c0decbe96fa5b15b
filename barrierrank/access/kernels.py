"""Kernels of access: the network drawn together to sites and joins, and sweeps over it.

An element is the receiving water (0), a place no run enters (1), a site, or a join: a place from which several
ways lead down that differ in their sites. Parents lie below and have lower numbers, so that ascending numbers run
upstream. The gate of an element is the nearest element below that every way down passes (its immediate dominator).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Elements = tuple[Ints, Ints, Ints, Ints, Ints]

WATER, NOWHERE = 0, 1


@kernel
def _gates_it(low: int, high: int, gate: Ints, depth: Ints) -> bool:
    """Tell whether every way down from `high` passes `low`."""
    while depth[high] > depth[low]:
        high = gate[high]
    return high == low


@kernel
def _shared_gate(a: int, b: int, gate: Ints, depth: Ints) -> int:
    while a != b:
        if depth[a] >= depth[b]:
            a = gate[a]
        else:
            b = gate[b]
    return a


@kernel
def _reduced(options: Ints, count: int, gate: Ints, depth: Ints) -> int:
    """Drop options that another one is at least as good as, whatever the passabilities; return how many are left."""
    kept = 0
    for i in range(count):
        needed = True
        for j in range(count):
            if i == j:
                continue
            if options[i] == options[j]:
                needed = needed and i < j
            elif options[i] == NOWHERE or (
                options[j] != NOWHERE and _gates_it(options[j], options[i], gate, depth)
            ):
                needed = False
        if needed:
            options[count + kept] = options[i]
            kept += 1
    for i in range(kept):
        options[i] = options[count + i]
    return kept


@kernel
def _room(site_of: Ints, starts: Ints) -> tuple[int, int]:
    """Return how many elements there can be at most, and the greatest number of reaches below one node."""
    most, widest = 2, 1
    for r in range(site_of.size):
        most += 1 if site_of[r] >= 0 else 0
    for node in range(starts.size - 1):
        width = starts[node + 1] - starts[node]
        most += 1 if width > 1 else 0
        widest = max(widest, width)
    return most, widest


@kernel
def _add(new: int, below: Ints, count: int, elements: Elements) -> int:
    """Make element `new` with the given parents; its gate is where all ways down from them meet."""
    _, first, parent, gate, depth = elements
    shared = below[0]
    for k in range(count):
        parent[first[new] + k] = below[k]
        shared = _shared_gate(shared, below[k], gate, depth)
    gate[new] = shared
    depth[new] = depth[shared] + 1
    first[new + 1] = first[new] + count
    return new


@kernel
def draw_together(network: tuple[Ints, Ints, Bools, Ints], below: tuple[Ints, Ints]) -> tuple[Ints, Elements]:
    """Draw the network together to elements.

    Parameters
    ----------
    network : head (n,), site (n,), entry (nodes,), order (nodes,) upstream first
    below : reaches grouped by upstream node, starts and members

    Returns
    -------
    of_reach : (n,) int64
        Element of each reach.
    elements : site (e,), first (e + 1,), parent (p,), gate (e,), depth (e,)
        Site of each element, -1 where it is none; its parents are ``parent[first[i]:first[i + 1]]``; its gate, 0 for
        the receiving water itself, and its depth in the tree of gates.
    """
    head, site_of, entry, order = network
    starts, members = below
    most, widest = _room(site_of, starts)
    of_node, of_reach = np.empty(entry.size, dtype=np.int64), np.empty(head.size, dtype=np.int64)
    site, first = np.full(most, -1, dtype=np.int64), np.zeros(most + 1, dtype=np.int64)
    gate, depth = np.zeros(most, dtype=np.int64), np.zeros(most, dtype=np.int64)
    parent = np.empty(head.size + most, dtype=np.int64)
    elements = (site, first, parent, gate, depth)
    depth[NOWHERE] = 1
    options, single = np.empty(2 * widest, dtype=np.int64), np.empty(1, dtype=np.int64)
    made = 2
    for i in range(order.size - 1, -1, -1):
        node, count = order[i], 0
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            of_reach[r] = of_node[head[r]]
            if site_of[r] >= 0:
                single[0], site[made] = of_reach[r], site_of[r]
                of_reach[r] = _add(made, single, 1, elements)
                made += 1
            options[count] = of_reach[r]
            count += 1
        if count > 1:
            count = _reduced(options, count, gate, depth)
        if entry[node]:
            of_node[node] = WATER
        elif count == 0:
            of_node[node] = NOWHERE
        elif count == 1:
            of_node[node] = options[0]
        else:
            of_node[node] = _add(made, options, count, elements)
            made += 1
    links = first[made]
    return of_reach, (
        site[:made].copy(), first[: made + 1].copy(), parent[:links].copy(), gate[:made].copy(), depth[:made].copy(),
    )  # fmt: skip


@kernel
def _between(j: int, graph: tuple[Ints, Ints, Ints], last: Ints, out: Ints) -> int:
    """Collect the elements on the ways from join `j` down to its gate, both left out, each once; return how many."""
    first, parent, gate = graph
    count = 0
    for k in range(first[j], first[j + 1]):
        z = parent[k]
        while z != gate[j]:
            if last[z] != j:
                last[z] = j
                out[count] = z
                count += 1
            z = gate[z]
    return count


@kernel
def frontier(first: Ints, parent: Ints, gate: Ints) -> tuple[Ints, Ints]:
    """Return for each element the joins just beyond what it gates (its dominance frontier): starts, joins."""
    e = gate.size
    starts = np.zeros(e + 1, dtype=np.int64)
    last, between = np.full(e, -1, dtype=np.int64), np.empty(e, dtype=np.int64)
    graph = (first, parent, gate)
    for j in range(2, e):
        if first[j + 1] - first[j] > 1:
            for i in range(_between(j, graph, last, between)):
                starts[between[i] + 1] += 1
    for i in range(e):
        starts[i + 1] += starts[i]
    fill, joins = starts[:-1].copy(), np.empty(starts[e], dtype=np.int64)
    last[:] = -1
    for j in range(2, e):
        if first[j + 1] - first[j] > 1:
            for i in range(_between(j, graph, last, between)):
                joins[fill[between[i]]] = j
                fill[between[i]] += 1
    return starts, joins


@kernel
def access_sweep(
    passability: Floats, site: Ints, first: Ints, parent: Ints, gate: Ints
) -> tuple[Floats, Floats]:
    """Sweep upstream: access of every element, and its access seen from its gate.

    Parameters
    ----------
    passability : (sites, t) float64
        One column per year, draw or plan.

    Returns
    -------
    access, relative : (e, t) float64
    """
    e, t = site.size, passability.shape[1]
    access = np.zeros((e, t))
    relative = np.zeros((e, t))
    access[WATER, :] = 1.0
    for i in range(2, e):
        if site[i] >= 0:
            below = parent[first[i]]
            for c in range(t):
                relative[i, c] = passability[site[i], c]
                access[i, c] = access[below, c] * passability[site[i], c]
            continue
        for k in range(first[i], first[i + 1]):
            z = parent[k]
            for c in range(t):
                access[i, c] = max(access[i, c], access[z, c])
                product = 1.0
                y = z
                while y != gate[i]:
                    product *= relative[y, c]
                    y = gate[y]
                relative[i, c] = max(relative[i, c], product)
    return access, relative


@kernel
def gated_sweep(amount: Floats, relative: Floats, gate: Ints) -> Floats:
    """Sweep downstream: what each element gates, weighed by the access seen from it, itself included.

    Parameters
    ----------
    amount : (e,) float64
        Habitat of each element.
    relative : (e, t) float64

    Returns
    -------
    (e, t) float64
    """
    e, t = relative.shape
    gated = np.empty((e, t))
    for i in range(e):
        for c in range(t):
            gated[i, c] = amount[i]
    for i in range(e - 1, NOWHERE, -1):
        g = gate[i]
        for c in range(t):
            gated[g, c] += relative[i, c] * gated[i, c]
    return gated
