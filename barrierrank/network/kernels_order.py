"""Kernels over the directed graph of nodes and reaches: order, cycles, Strahler order, gates, sums upstream.

A reach runs from its upstream node (`tail`) to its downstream node (`head`). "Upstream first" is an order of the
nodes in which every reach's tail comes before its head.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@kernel
def group_by(keys: Ints, count: int) -> tuple[Ints, Ints]:
    """Counting sort: starts (count + 1,) and members, so that members[starts[k]:starts[k+1]] have key k, in order."""
    starts = np.zeros(count + 1, dtype=np.int64)
    for key in keys:
        starts[key + 1] += 1
    for k in range(count):
        starts[k + 1] += starts[k]
    fill = starts[:-1].copy()
    members = np.empty(keys.size, dtype=np.int64)
    for i in range(keys.size):
        members[fill[keys[i]]] = i
        fill[keys[i]] += 1
    return starts, members


@kernel
def upstream_first(head: Ints, starts: Ints, members: Ints) -> Ints:
    """Order the nodes upstream first, following each chain down as far as it goes (Kahn 1962).

    `starts`, `members` group the reaches by tail. Nodes on or below a directed cycle are left out.
    """
    nodes = starts.size - 1
    waiting = np.zeros(nodes, dtype=np.int64)
    for r in range(head.size):
        waiting[head[r]] += 1
    order = np.empty(nodes, dtype=np.int64)
    stack = np.empty(nodes, dtype=np.int64)
    done = 0
    for source in range(nodes):
        if waiting[source] != 0:
            continue
        waiting[source] = -1
        stack[0] = source
        top = 1
        while top > 0:
            top -= 1
            node = stack[top]
            order[done] = node
            done += 1
            for k in range(starts[node], starts[node + 1]):
                below = head[members[k]]
                waiting[below] -= 1
                if waiting[below] == 0:
                    waiting[below] = -1
                    stack[top] = below
                    top += 1
    return order[:done].copy()


@kernel
def strahler(
    tail: Ints, head: Ints, minor: Bools, order: Ints, starts: Ints, members: Ints
) -> NDArray[np.int64]:
    """Strahler order of every reach; minor channels as the NHDPlus user guide counts them.

    Inflows that are not minor decide (two equal greatest orders add one). Where all inflows are minor their
    greatest order is taken and the reach is minor itself. A named minor channel counts as minor below.
    """
    nodes = starts.size - 1
    greatest = np.zeros(nodes, dtype=np.int64)
    twice = np.zeros(nodes, dtype=np.bool_)
    greatest_minor = np.zeros(nodes, dtype=np.int64)
    result = np.empty(tail.size, dtype=np.int64)
    for node in order:
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            counts_minor = minor[r]
            if greatest[node] > 0:
                value = greatest[node] + (1 if twice[node] else 0)
            elif greatest_minor[node] > 0:
                value = greatest_minor[node]
                counts_minor = True
            else:
                value = 1
            result[r] = value
            below = head[r]
            if counts_minor:
                greatest_minor[below] = max(greatest_minor[below], value)
            elif value > greatest[below]:
                greatest[below] = value
                twice[below] = False
            elif value == greatest[below]:
                twice[below] = True
    return result


@kernel
def meeting(a: int, b: int, gate: Ints, depth: Ints) -> int:
    """Return the first place that is on both ways down through gates, from `a` and from `b`; -1: receiving water."""
    while a != b:
        above = depth[a] if a >= 0 else 0
        other = depth[b] if b >= 0 else 0
        if above >= other:
            a = gate[a]
        else:
            b = gate[b]
    return a


@kernel
def gates(head: Ints, order: Ints, starts: Ints, members: Ints, entry: Bools) -> tuple[Ints, Ints]:
    """Return for each node its gate, the first node below through which every way to the end of flow passes.

    This is the immediate dominator in the graph entered from the receiving water. Entries and places where flow
    ends have the gate -1 (the receiving water itself). Also returns the depth of each node in the tree of gates.
    """
    nodes = starts.size - 1
    gate = np.full(nodes, -1, dtype=np.int64)
    depth = np.ones(nodes, dtype=np.int64)
    for i in range(order.size - 1, -1, -1):
        node = order[i]
        first, last = starts[node], starts[node + 1]
        if entry[node] or first == last:
            continue
        a = head[members[first]]
        for k in range(first + 1, last):
            a = meeting(a, head[members[k]], gate, depth)
        gate[node] = a
        depth[node] = 1 if a < 0 else depth[a] + 1
    return gate, depth


@kernel
def sums_on_tree(weights: Floats, head: Ints, order: Ints, starts: Ints, members: Ints, cut: Bools) -> Floats:
    """Sum of `weights` over every reach above each reach, itself included, where no node has two reaches below."""
    at_node = np.zeros((starts.size - 1, weights.shape[1]))
    out = np.empty_like(weights)
    for node in order:
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            for s in range(weights.shape[1]):
                out[r, s] = at_node[node, s] + weights[r, s]
                if not cut[r]:
                    at_node[head[r], s] += out[r, s]
    return out


@kernel
def _merged(a: Ints, b: Ints) -> Ints:
    """Return the union of two ascending lists."""
    out = np.empty(a.size + b.size, dtype=np.int64)
    n, i, j = 0, 0, 0
    while i < a.size or j < b.size:
        first = j >= b.size or (i < a.size and a[i] <= b[j])
        value = a[i] if first else b[j]
        i += 1 if i < a.size and a[i] == value else 0
        j += 1 if j < b.size and b[j] == value else 0
        out[n] = value
        n += 1
    return out[:n]


@kernel
def _close(node: int, here: Ints, closed: Floats, parcel: Floats, order: Ints, gate: Ints) -> Ints:
    """Add the parcels whose arms have all met at `node` to its plain sum; return those still open."""
    kept = 0
    for j in range(here.size):
        split = order[here[j]]
        if gate[split] == node:
            for s in range(closed.shape[1]):
                closed[node, s] += parcel[split, s]
        else:
            here[kept] = here[j]
            kept += 1
    return here[:kept]


@kernel
def _with_one_more(here: Ints, value: int) -> Ints:
    out = np.empty(here.size + 1, dtype=np.int64)
    out[: here.size] = here
    out[here.size] = value
    return out


@kernel
def sums_on_braids(
    weights: Floats, head: Ints, order: Ints, starts: Ints, members: Ints, cut: Bools, gate: Ints
) -> Floats:
    """Sum of `weights` over every reach above each reach, itself included, each counted once on any braid.

    What flows into a split goes down several arms. It is carried as one parcel per split, an ascending list of the
    parcels open at each node, and becomes a plain sum again at the gate of the split, where all arms have met.
    Work grows with the number of parcels open at each node, that is with how many braids lie within each other.
    """
    nodes, width = starts.size - 1, weights.shape[1]
    closed, parcel = np.zeros((nodes, width)), np.zeros((nodes, width))
    nothing = np.empty(0, dtype=np.int64)
    lists = [nothing]  # lists[0] stays empty: most nodes have no parcel open
    slot = np.zeros(nodes, dtype=np.int64)
    out = np.empty_like(weights)
    for i in range(order.size):
        node = order[i]
        if slot[node] == 0 and starts[node + 1] - starts[node] == 1:
            r = members[starts[node]]  # no parcel open and one way on, as nearly everywhere: as on a tree
            for s in range(width):
                out[r, s] = closed[node, s] + weights[r, s]
                if not cut[r]:
                    closed[head[r], s] += out[r, s]
            continue
        here = lists[slot[node]]
        if here.size > 0:
            here = _close(node, here, closed, parcel, order, gate)
        lists[slot[node]] = nothing
        splits = starts[node + 1] - starts[node] > 1
        handed_down = _with_one_more(here, i) if splits else here
        for s in range(width):
            parcel[node, s] = closed[node, s]
        for k in range(starts[node], starts[node + 1]):
            r, below = members[k], head[members[k]]
            for s in range(width):
                out[r, s] = closed[node, s] + weights[r, s]
                for j in range(here.size):
                    out[r, s] += parcel[order[here[j]], s]
                if not cut[r]:
                    closed[below, s] += weights[r, s] + (0.0 if splits else closed[node, s])
            if cut[r] or handed_down.size == 0:
                continue
            if slot[below] == 0:
                lists.append(handed_down.copy())
                slot[below] = len(lists) - 1
            else:
                lists[slot[below]] = _merged(lists[slot[below]], handed_down)
    return out


@kernel
def main_below(starts: Ints, members: Ints, minor: Bools) -> Ints:
    """Return the main reach below each node: the first that is no minor channel, or the first; -1 for none."""
    out = np.full(starts.size - 1, -1, dtype=np.int64)
    for node in range(out.size):
        for k in range(starts[node], starts[node + 1]):
            r = members[k]
            if out[node] < 0 or (minor[out[node]] and not minor[r]):
                out[node] = r
    return out


@kernel
def mouth_of_nodes(head: Ints, main: Ints, order: Ints, entry: Bools) -> Ints:
    """Return the node where the main course from each node ends: an entry, or where flow ends."""
    out = np.arange(main.size)
    for i in range(order.size - 1, -1, -1):
        node = order[i]
        if not entry[node] and main[node] >= 0:
            out[node] = out[head[main[node]]]
    return out
