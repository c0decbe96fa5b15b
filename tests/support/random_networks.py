"""Random trees and braided networks, as the frozen value the stages read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.network.model import RiverNetwork
from barrierrank.network.polylines import Polylines


@dataclass(frozen=True)
class Recipe:
    """What kind of network to draw: see :func:`random_network`.

    `lakes` places with outflow are joined to the receiving water; `dead` places where flow ends are not.
    """

    nodes: int = 30
    outlets: int = 1
    braids: int = 0
    sites: int = 10
    twins: int = 0
    lakes: int = 0
    dead: int = 0
    seed: int = 0


def network_of(
    tail: list[int], head: list[int], *, site: list[int] | None = None, length: list[float] | None = None,
    minor: list[bool] | None = None, entry: list[bool] | None = None,
) -> RiverNetwork:  # fmt: skip
    """Make a network from lists; every reach is drawn straight between its nodes."""
    t, h = np.array(tail, dtype=np.int64), np.array(head, dtype=np.int64)
    n, nodes = t.size, int(max(t.max(), h.max())) + 1
    x = np.arange(nodes) * 100.0
    y = (np.arange(nodes) * 37.0) % 500.0
    ends = np.stack([np.column_stack([x[t], y[t]]), np.column_stack([x[h], y[h]])], axis=1).reshape(-1, 2)
    lines = Polylines(ends, np.arange(n + 1, dtype=np.int64) * 2)
    sinks = np.bincount(t, minlength=nodes) == 0
    return RiverNetwork(
        tail=t, head=h,
        length_m=lines.length if length is None else np.array(length, dtype=np.float64),
        minor=np.zeros(n, dtype=np.bool_) if minor is None else np.array(minor, dtype=np.bool_),
        site=np.full(n, -1, dtype=np.int64) if site is None else np.array(site, dtype=np.int64),
        entry=sinks if entry is None else np.array(entry, dtype=np.bool_),
        row=np.arange(n), line=np.arange(n), start_m=np.zeros(n), end_m=lines.length,
        backward=np.zeros(n, dtype=np.bool_), polylines=lines, x=x, y=y,
    )  # fmt: skip


def random_network(recipe: Recipe) -> tuple[RiverNetwork, int]:
    """Draw a network: a random forest, with reaches added that part and meet again, and sites at random feet.

    `twins` reaches are cut in two by a further site, so that several sites stand on what was one reach. Nodes are
    numbered at random, so that no order can be relied upon. Returns the network and its number of sites.
    """
    rng = np.random.default_rng(recipe.seed)
    tail, head = [], []
    for node in range(recipe.outlets, recipe.nodes):
        tail.append(node)
        head.append(int(rng.integers(max(0, node - 8), node)) if node > recipe.outlets else 0)
    for _ in range(recipe.braids):
        upper = int(rng.integers(recipe.outlets, recipe.nodes))
        tail.append(upper)
        head.append(int(rng.integers(max(0, upper - 12), upper)))
    site = np.full(len(tail), -1, dtype=np.int64)
    chosen = rng.permutation(len(tail))[: recipe.sites]
    site[chosen] = np.arange(chosen.size)
    sites = chosen.size
    extra_site = []
    nodes = recipe.nodes
    for r in rng.permutation(len(tail))[: recipe.twins]:
        tail.append(nodes)
        head.append(head[r])
        extra_site.append(int(site[r]))
        head[r] = nodes
        site[r] = sites
        nodes += 1
        sites += 1
    site = np.concatenate([site, np.array(extra_site, dtype=np.int64)])
    length = rng.integers(1, 50, len(tail)).astype(float)
    names = rng.permutation(nodes)
    rows = rng.permutation(len(tail))
    t, h = names[np.array(tail)][rows], names[np.array(head)][rows]
    minor = (rng.random(len(tail)) < 0.15) & (np.bincount(t, minlength=nodes)[t] > 1)
    network = network_of(
        t.tolist(), h.tolist(), site=site[rows].tolist(), length=length[rows].tolist(), minor=minor.tolist(),
        entry=_entries(t, h, recipe),
    )  # fmt: skip
    return network, sites


def _entries(tail: NDArray[np.int64], head: NDArray[np.int64], recipe: Recipe) -> list[bool]:
    """Return which nodes are joined to the receiving water: one place where flow ends at the least."""
    rng = np.random.default_rng(recipe.seed + 77)
    nodes = int(max(tail.max(), head.max())) + 1
    sinks = np.setdiff1d(head, tail)
    entry = np.zeros(nodes, dtype=np.bool_)
    entry[rng.permutation(sinks)[min(recipe.dead, sinks.size - 1) :]] = True
    entry[rng.permutation(np.intersect1d(head, tail))[: recipe.lakes]] = True
    return [bool(e) for e in entry]


def random_passability(rng: np.random.Generator, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Draw passabilities with zeros, ones and the usual rating steps among them."""
    steps = np.array([0.0, 0.0, 1.0, 0.1, 0.33, 0.66])
    p = rng.random(shape)
    stepped = rng.random(shape) < 0.6
    return np.where(stepped, steps[rng.integers(0, steps.size, shape)], p)
