"""The stream network as one frozen value: flat arrays that every later stage reads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from barrierrank.network import kernels_order
from barrierrank.network.polylines import Polylines

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class RiverNetwork:
    """Directed, acyclic network of reaches between nodes.

    A reach runs downstream from its node `tail` to its node `head`; a site sits at the foot of the reach above it.
    The network may part downstream (braids, islands, diversions). It never changes: what follows from the arrays
    below is worked out once, when first asked for.

    Parameters
    ----------
    tail, head : (n,) int64
        Upstream and downstream node of each reach.
    length_m : (n,) float64
        Length [m]; the published one where the project names a length column.
    minor : (n,) bool
        Whether the reach is on a named minor channel.
    site : (n,) int64
        Site at the foot of the reach (index into the sites table); -1 for none.
    entry : (nodes,) bool
        Whether the node is joined to the receiving water, so that runs enter there.
    row : (n,) int64
        Row of the lines table the reach comes from.
    line : (n,) int64
        Polyline of the reach.
    start_m, end_m : (n,) float64
        Measures [m] of the reach on its polyline, as drawn.
    backward : (n,) bool
        Whether the polyline is drawn upstream.
    polylines : Polylines
    x, y : (nodes,) float64
        Places of the nodes [m].
    """

    tail: Ints
    head: Ints
    length_m: Floats
    minor: Bools
    site: Ints
    entry: Bools
    row: Ints
    line: Ints
    start_m: Floats
    end_m: Floats
    backward: Bools
    polylines: Polylines
    x: Floats
    y: Floats

    def __len__(self) -> int:
        return self.tail.size

    @property
    def nodes(self) -> int:
        """Number of nodes."""
        return self.entry.size

    @cached_property
    def below(self) -> tuple[Ints, Ints]:
        """Reaches grouped by upstream node: starts (nodes + 1,) and members (n,)."""
        return kernels_order.group_by(self.tail, self.nodes)

    @cached_property
    def order(self) -> Ints:
        """Nodes, upstream first; shorter than `nodes` where there is a directed cycle (never, once built)."""
        return kernels_order.upstream_first(self.head, *self.below)

    @cached_property
    def braided(self) -> bool:
        """Whether some node has two reaches below it, that is whether there is any braid or diversion."""
        return bool((np.diff(self.below[0]) > 1).any())

    @cached_property
    def main_below(self) -> Ints:
        """Main reach below each node: not a named minor channel, and the first by source row; -1 where flow ends."""
        starts, members = self.below
        return kernels_order.main_below(starts, members, self.minor)

    @cached_property
    def downstream(self) -> Ints:
        """Main reach below each reach, (n,); -1 at an outlet and where flow ends."""
        below = self.main_below[self.head]
        return np.where(self.entry[self.head], np.int64(-1), below)

    @cached_property
    def strahler(self) -> Ints:
        """Strahler (1957) order of each reach, minor channels as the NHDPlus user guide counts them, (n,)."""
        return kernels_order.strahler(self.tail, self.head, self.minor, self.order, *self.below)

    @cached_property
    def upstream_m(self) -> Floats:
        """Length [m] of every reach above each reach, itself included, each counted once, (n,)."""
        return self.upstream_sum(self.length_m[:, None])[:, 0]

    def upstream_sum(self, weights: Floats, *, stop_at_sites: bool = False) -> Floats:
        """Sum weights over all that lies above each reach, itself included, each reach once.

        Parameters
        ----------
        weights : (n, k) float64
            One or more weights per reach.
        stop_at_sites : bool
            Whether to go no farther than the next sites above.

        Returns
        -------
        (n, k) float64

        Notes
        -----
        Linear on trees. On braids the work also grows with how many splits are open at once, see
        :func:`barrierrank.network.kernels_order.sums_on_braids`.
        """
        cut = self.site >= 0 if stop_at_sites else np.zeros(len(self), dtype=np.bool_)
        weights = np.ascontiguousarray(weights, dtype=np.float64)
        if not self.braided:
            return kernels_order.sums_on_tree(weights, self.head, self.order, *self.below, cut)
        nowhere = np.zeros(self.nodes, dtype=np.bool_)
        gate = kernels_order.gates(self.head, self.order, *self.below, nowhere)[0]
        return kernels_order.sums_on_braids(weights, self.head, self.order, *self.below, cut, gate)

    @cached_property
    def outlet(self) -> Ints:
        """Number of the outlet that each reach drains to along its main course, (n,): 1 is the one with most above it.

        Places where flow ends away from a named outlet count too, after the outlets.
        """
        mouth = kernels_order.mouth_of_nodes(self.head, self.main_below, self.order, self.entry)
        is_mouth = np.zeros(self.nodes, dtype=np.bool_)
        is_mouth[mouth[self.head]] = True
        mouths = np.flatnonzero(is_mouth)
        index = (np.cumsum(is_mouth) - 1)[mouth[self.head]]
        size = np.bincount(index, self.length_m, minlength=mouths.size)
        by_size = np.lexsort((self.y[mouths], self.x[mouths], -size, ~self.entry[mouths]))
        number = np.empty(mouths.size, dtype=np.int64)
        number[by_size] = np.arange(1, mouths.size + 1)
        return np.asarray(number[index])

    def site_reach(self, sites: int) -> Ints:
        """Return the reach above each of `sites` sites, -1 for a site that is not on the network."""
        out = np.full(sites, -1, dtype=np.int64)
        here = np.flatnonzero(self.site >= 0)
        out[self.site[here]] = here
        return out

    def geometry(self) -> NDArray[np.object_]:
        """Return the reaches as shapely LineStrings drawn downstream, (n,)."""
        return self.polylines.pieces(self.line, self.start_m, self.end_m, self.backward)
