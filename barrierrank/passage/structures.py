"""Structures as the hydraulics know them: one row of numbers each, and what the water below does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.passage import kernels_fields as f

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Words of the column `kind` of a table of structures.
KINDS = {"none": f.NONE, "weir": f.WEIR, "dam": f.WEIR, "culvert": f.CULVERT, "gate": f.GATE, "sluice": f.GATE,
         "fall": f.FALL}  # fmt: skip
SHAPES = {"circular": f.CIRCULAR, "box": f.BOX, "arch": f.ARCH}
#: Words for :data:`barrierrank.passage.kernels_fields.PASSES` and what follows, as told to people.
STOPPED_BY = ("", "drop", "leap", "pool", "depth", "velocity")


@dataclass(frozen=True, eq=False)
class Structures:
    """Measured structures; n rows.

    Parameters
    ----------
    site : (n,) int64
        Position of the site each stands at.
    numbers : (n, FIELDS) float64
        Columns as named in `kernels_fields`; NaN = not given.
    tail_start : (n + 1,) int64
        Where the points of each structure's tailwater rating or cross-section begin and end in `tail_x`, `tail_y`.
    tail_x, tail_y : (k,) float64
        Rating: discharge [m3/s] and elevation [m], both ascending. Section: station [m], ascending, and elevation [m].
    up_from, up_to : (n,) int64
        Days of the year (1 to 366, of a leap year) from which and to which, both included, logs are in; -1 = they are
        in all the year. May pass over new year.
    gauge : (n,) int64
        Position of the gauge whose flows are carried over; -1 = none.
    flow_factor, flow_exponent : (n,) float64
        Discharge at the site = factor x (discharge at the gauge) ^ exponent [m3/s].
    """

    site: IntArray
    numbers: FloatArray
    tail_start: IntArray
    tail_x: FloatArray
    tail_y: FloatArray
    up_from: IntArray
    up_to: IntArray
    gauge: IntArray
    flow_factor: FloatArray
    flow_exponent: FloatArray

    def __len__(self) -> int:
        return len(self.site)

    def take(self, rows: IntArray) -> Structures:
        """Return some of the rows, in that order; a row may be taken more than once."""
        count = np.diff(self.tail_start)[rows]
        start = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
        at = np.repeat(self.tail_start[rows] - start[:-1], count) + np.arange(start[-1])
        return Structures(
            self.site[rows], self.numbers[rows], start, self.tail_x[at], self.tail_y[at], self.up_from[rows],
            self.up_to[rows], self.gauge[rows], self.flow_factor[rows], self.flow_exponent[rows],
        )  # fmt: skip

    def shifted(self, tailwater_m: float = 0.0, roughness: float = 1.0) -> Structures:
        """Return the same structures with another estimate of the tailwater.

        Parameters
        ----------
        tailwater_m : float
            Added to the elevation of the water below [m].
        roughness : float
            Factor of Manning's n of the channel below.
        """
        numbers = self.numbers.copy()
        numbers[:, f.TAIL_SHIFT] += tailwater_m
        numbers[:, f.CHANNEL_N] *= roughness
        return replace(self, numbers=numbers)
