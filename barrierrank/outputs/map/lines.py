"""Reaches as whole numbers on the plane of web maps, simplified as far as the page's size asks for.

Coordinates are pixels of the web Mercator world of 256 * 2**zoom pixels, counted from an origin of the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import Transformer

from barrierrank.outputs.map.encode import Ints, squeezed, varints, zigzag
from barrierrank.outputs.map.kernels import first_visits, from_the_outlets, sizes_above

Floats = npt.NDArray[np.float64]
Geometries = npt.NDArray[np.object_]

WEB = "EPSG:3857"
EARTH_M = 6378137.0
WORLD_M = 2 * math.pi * EARTH_M
FINEST_ZOOM = 17
TOLERANCES_M = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 75.0, 100.0)
# Room for lines in the page: with what else it holds, 200,000 reaches stay under 8 MB and 50,000 under 3.
FIXED_BYTES = 500_000
BYTES_PER_REACH = 11.5
SAMPLE = 4_000
LEAST_ROOM = 0.4  # share of the room that lines keep, whatever else the page holds


@dataclass(frozen=True)
class Plane:
    """Whole-number coordinates of the page.

    Parameters
    ----------
    zoom : int
        Zoom of the pixels.
    x0, y0 : int
        Origin in pixels of that zoom.
    middle_m : float
        Web Mercator x [m] round which the world is unrolled: a basin across the 180th meridian stays whole.
    """

    zoom: int
    x0: int
    y0: int
    middle_m: float

    def pixels(self, web: Floats) -> Floats:
        """Return web Mercator metres, shape (n, 2), as pixels from the origin, y downwards."""
        x = web[:, 0] - WORLD_M * np.round((web[:, 0] - self.middle_m) / WORLD_M)
        size = 256 * 2.0**self.zoom
        across, down = (x / WORLD_M + 0.5) * size, (0.5 - web[:, 1] / WORLD_M) * size
        return np.column_stack([across - self.x0, down - self.y0])

    def degrees(self, web: Floats) -> Floats:
        """Return web Mercator metres as longitude and latitude, the longitude unrolled."""
        x = web[:, 0] - WORLD_M * np.round((web[:, 0] - self.middle_m) / WORLD_M)
        latitude = np.degrees(np.arctan(np.sinh(web[:, 1] / EARTH_M)))
        return np.column_stack([x / WORLD_M * 360, latitude])


@dataclass(frozen=True)
class Lines:
    """Reaches in the order they are written: up the tree, each after the one it drains to.

    Parameters
    ----------
    order : array, shape (n,)
        Positions in the table of reaches.
    down : array, shape (n,)
        Position in `order` of the reach each drains to; -1 at an outlet.
    counts : array, shape (n,)
        Vertices of each line, at least two.
    xy : array, shape (vertices, 2), whole numbers
        Vertices of each line from its foot to its head.
    plane : Plane
    tolerance_m : float
        How far a line may run beside its original [m].
    """

    order: Ints
    down: Ints
    counts: Ints
    xy: Ints
    plane: Plane
    tolerance_m: float

    def sections(self) -> dict[str, bytes]:
        """Return the sections ``down``, ``count``, ``x`` and ``y``.

        ``down`` is how many places before, 0 at an outlet. A line starts from the head of the one it drains
        to, at an outlet from the foot of the outlet before; each further vertex from the vertex before.
        """
        first = np.cumsum(self.counts) - self.counts
        here = np.arange(len(self.order))
        inner = self.down >= 0
        steps = np.diff(self.xy, axis=0, prepend=self.xy[:1])
        head = (first + self.counts - 1)[self.down[inner]]
        steps[first[inner]] = self.xy[first[inner]] - self.xy[head]
        outlets = self.xy[first[~inner]]
        steps[first[~inner]] = np.diff(outlets, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
        return {
            "down": varints(np.where(inner, here - self.down, 0)),
            "count": varints(self.counts),
            "x": varints(zigzag(steps[:, 0])),
            "y": varints(zigzag(steps[:, 1])),
        }


def encode_lines(reaches: gpd.GeoDataFrame, *, others: int = 0) -> Lines:
    """Order, simplify and round the lines of `reaches`.

    The tolerance of simplification (Douglas and Peucker 1973) is the least of `TOLERANCES_M` whose bytes,
    judged on a sample, stay within the room there is; pixels are a third to two thirds of it.

    Parameters
    ----------
    reaches : GeoDataFrame
        LineStrings drawn downstream, in a projected CRS, with `reach` and `downstream`.
    others : int
        Bytes, deflated, of what the page holds beyond the usual numbers of reaches.
    """
    lines = shapely.reverse(shapely.force_2d(np.asarray(reaches.geometry.array, dtype=object)))
    order, down = up_the_tree(reaches)
    middle = to_web(shapely.get_coordinates(lines[order[len(order) // 2 :][:1]])[:1], reaches.crs)
    middle_m = float(middle[0, 0]) if len(middle) else 0.0
    usual = FIXED_BYTES + BYTES_PER_REACH * len(lines)
    room = max(usual - others, LEAST_ROOM * usual)
    half = max(0, len(order) - SAMPLE) // 2
    sample = order[half : half + SAMPLE]
    inside = down[half : half + SAMPLE] - half
    inside[inside < 0] = -1
    for tolerance in TOLERANCES_M:
        part = _encode(lines, (sample, inside), reaches.crs, tolerance, middle_m)
        size = sum(len(squeezed(data)) for data in part.sections().values())
        if size * len(order) <= room * max(len(sample), 1):
            break
    if len(sample) == len(order):
        return part
    return _encode(lines, (order, down), reaches.crs, part.tolerance_m, middle_m)


def up_the_tree(reaches: gpd.GeoDataFrame) -> tuple[Ints, Ints]:
    """Return `order` and `down` of :class:`Lines`: a depth-first walk, small side streams before large ones.

    Neighbours on the ground come to lie close together, outlets along a Hilbert curve. Reaches that would
    drain in a circle count as outlets.
    """
    n = len(reaches)
    to = reaches["downstream"].to_numpy(dtype="float64", na_value=np.nan)
    index = pd.Index(reaches["reach"].to_numpy())
    down = np.full(n, -1, dtype=np.int64)
    known = ~np.isnan(to)
    down[known] = index.get_indexer(to[known].astype(np.int64))
    upwards = from_the_outlets(down)
    if len(upwards) < n:
        lost = np.setdiff1d(np.arange(n), upwards)
        down[lost] = -1
        upwards = from_the_outlets(down)
    size = sizes_above(down, upwards)
    curve = reaches.geometry.hilbert_distance(level=16).to_numpy()
    level = np.empty(n, dtype=np.int64)
    level[upwards] = np.arange(n)
    sibling = np.where(down < 0, curve, size)
    visiting = np.lexsort((np.arange(n), sibling, np.where(down < 0, -1, level[down]))).astype(np.int64)
    place = first_visits(down, visiting, size)
    order = np.empty(n, dtype=np.int64)
    order[place] = np.arange(n)
    below = down[order]
    return order, np.where(below >= 0, place[below], -1)


def _encode(
    lines: Geometries, walk: tuple[Ints, Ints], crs: object, tolerance_m: float, middle_m: float
) -> Lines:
    """Encode the lines of one walk up the tree with one tolerance."""
    order, down = walk
    simple = shapely.simplify(lines[order], tolerance_m, preserve_topology=False)
    counts = shapely.get_num_coordinates(simple).astype(np.int64)
    web = to_web(shapely.get_coordinates(simple), crs)
    zoom = zoom_for(tolerance_m, web)
    whole = np.round(Plane(zoom, 0, 0, middle_m).pixels(web)).astype(np.int64)
    x0, y0 = whole.min(axis=0) if len(whole) else (0, 0)
    xy, counts = _without_repeats(whole - np.array([x0, y0]), counts)
    return Lines(order, down, counts, xy, Plane(zoom, int(x0), int(y0), middle_m), tolerance_m)


def zoom_for(tolerance_m: float, web: Floats) -> int:
    """Return the coarsest zoom whose pixels [m on the ground] are within two thirds of the tolerance."""
    stretch = (
        float(np.cosh(np.median(web[:, 1]) / EARTH_M)) if len(web) else 1.0
    )  # Mercator's, at that latitude
    finest_m = WORLD_M / (256 * 2**FINEST_ZOOM) / stretch
    return FINEST_ZOOM - max(0, math.floor(math.log2(tolerance_m * 2 / 3 / finest_m)))


def to_web(xy: Floats, crs: object) -> Floats:
    """Return coordinates, shape (n, 2), in web Mercator [m]."""
    transformer = Transformer.from_crs(crs, WEB, always_xy=True)
    return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))


def _without_repeats(xy: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Leave out vertices that fell on the one before; ends of lines stay."""
    last = np.cumsum(counts) - 1
    first = last - counts + 1
    keep = np.ones(len(xy), dtype=bool)
    keep[1:] = (xy[1:] != xy[:-1]).any(axis=1)
    keep[first] = True
    keep[last] = True
    line = np.repeat(np.arange(len(counts)), counts)
    return xy[keep], np.bincount(line[keep], minlength=len(counts)).astype(np.int64)
