"""Many polylines as flat arrays: what every geometric step of the network works on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from barrierrank.jit import each, shares
from barrierrank.network import kernels_ends, kernels_lines


@dataclass(frozen=True, eq=False)
class Polylines:
    """Polylines in one coordinate array.

    Parameters
    ----------
    coords : (k, 2) float64
        Vertices [m] of all lines, one line after the other.
    offsets : (n + 1,) int64
        Line i has the vertices ``offsets[i]`` to ``offsets[i + 1] - 1``, two at least.
    """

    coords: NDArray[np.float64]
    offsets: NDArray[np.int64]

    @classmethod
    def from_geometry(cls, lines: NDArray[np.object_]) -> Polylines:
        """Take the vertices of shapely LineStrings (none empty); Z and M are left behind.

        Parameters
        ----------
        lines : (n,) object
            LineStrings.
        """
        offsets = np.zeros(lines.size + 1, dtype=np.int64)
        np.cumsum(shapely.get_num_coordinates(lines), out=offsets[1:])
        return cls(np.ascontiguousarray(shapely.get_coordinates(lines)), offsets)

    def neighbours_first(self) -> NDArray[np.int64]:
        """Return an order (n,) in which lines near each other come near each other.

        Every later step then touches memory that lies together, and does not depend on the order of the file.
        """
        return kernels_lines.order_of_keys(kernels_lines.z_order_keys(self.coords, self.offsets), 42)

    def take(self, lines: NDArray[np.int64]) -> Polylines:
        """Return the lines of these numbers, in this order."""
        offsets = np.zeros(lines.size + 1, dtype=np.int64)
        np.cumsum(np.diff(self.offsets)[lines], out=offsets[1:])
        coords = np.empty((offsets[-1], 2))

        def gather(share: tuple[int, int]) -> None:
            a, b = share
            kernels_lines.gather(self.coords, self.offsets, lines[a:b], coords[offsets[a] : offsets[b]])

        each(gather, shares(lines.size))
        return Polylines(coords, offsets)

    def near(
        self,
        points: tuple[NDArray[np.float64], NDArray[np.float64]],
        radius: float,
        *,
        ends: tuple[NDArray[np.int64], NDArray[np.int64]] | None = None,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
        """Find every pair of a point and a line no farther apart than `radius`.

        Parameters
        ----------
        points : x, y (n,) float64
            Places [m].
        radius : float
            Greatest distance [m].
        ends : two (lines,) int64, optional
            Points at the start and end of each line, which are not to be paired with it.

        Returns
        -------
        point, line : (r,) int64
        distance, measure : (r,) float64
            How far apart [m], and the place on the line [m from its start].
        """
        if points[0].size == 0:
            nothing, none = np.empty(0, dtype=np.int64), np.empty(0)
            return nothing, nothing, none, none
        unpaired = np.full(len(self), -1, dtype=np.int64)
        grid = kernels_ends.grid_points(points[0], points[1], radius)
        lines = (self.coords, self.offsets, self.along)
        parts = each(
            lambda share: kernels_ends.points_near_lines(
                points, lines, radius, ends or (unpaired, unpaired), grid, share
            ),
            shares(len(self)),
        )
        point, line, distance, measure = (np.concatenate(part) for part in zip(*parts, strict=True))
        keep = kernels_ends.nearest_per_pair(point, line, distance, points[0].size)
        return point[keep], line[keep], distance[keep], measure[keep]

    def __len__(self) -> int:
        return self.offsets.size - 1

    @cached_property
    def along(self) -> NDArray[np.float64]:
        """Distance [m] of every vertex from the start of its line, shape (k,)."""
        return kernels_lines.cumulative_length(self.coords, self.offsets)

    @cached_property
    def length(self) -> NDArray[np.float64]:
        """Length [m] of every line in its own coordinates, shape (n,)."""
        return self.along[self.offsets[1:] - 1]

    @property
    def first(self) -> NDArray[np.float64]:
        """First vertex of every line, shape (n, 2)."""
        return self.coords[self.offsets[:-1]]

    @property
    def last(self) -> NDArray[np.float64]:
        """Last vertex of every line, shape (n, 2)."""
        return self.coords[self.offsets[1:] - 1]

    def middle(self, line: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the points half way along the given lines, shape (len(line), 2)."""
        return self.at(line, self.length[line] / 2.0)

    def at(self, line: NDArray[np.int64], measure: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the points at the given measures [m] along the given lines, shape (len(line), 2)."""
        return kernels_lines.points_at(self.coords, self.offsets, self.along, line, measure)

    def pieces(
        self,
        line: NDArray[np.int64],
        start: NDArray[np.float64],
        end: NDArray[np.float64],
        backward: NDArray[np.bool_],
    ) -> NDArray[np.object_]:
        """Return shapely LineStrings of pieces of lines, turned where `backward`.

        Parameters
        ----------
        line : (p,) int64
        start, end : (p,) float64
            Measures [m] on the line, ``start <= end``.
        backward : (p,) bool
        """
        coords, offsets = kernels_lines.cut_pieces(
            self.coords, self.offsets, self.along, line, start, end, backward
        )
        lines = shapely.linestrings(coords, indices=np.repeat(np.arange(line.size), np.diff(offsets)))
        return np.asarray(lines, dtype=object)
