"""Elevations: a lake, a till plain, an escarpment and hills, shaped by the streams that drain them."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import ndimage

from .settings import CONCAVITY, LAKE_LEVEL, PASSES, Grid

OUTFLOW_COLUMN = 490  # where the river out of the lake leaves it, on the south side
OUTFLOW_FALL = 0.001  # [m/m]


@dataclass(frozen=True)
class Terrain:
    """`z` [m], shape (rows, columns), depression-free; cells of the `lake` and of the river out of it."""

    z: np.ndarray
    lake: np.ndarray
    outflow: np.ndarray

    @property
    def base(self) -> np.ndarray:
        """Cells where streams end: lake, outflow and the edge of the map."""
        return _with_edge(self.lake | self.outflow)


def fractal(rng: np.random.Generator, grid: Grid, *, beta: float, longest_km: float) -> np.ndarray:
    """Return Gaussian noise whose power falls as wavenumber^-beta, flat above `longest_km`; mean 0, sd 1."""
    shape = (grid.nrow + 200, grid.ncol + 200)  # padded: the transform wraps around
    ky = np.fft.fftfreq(shape[0], grid.cell / 1000.0)[:, None]
    kx = np.fft.rfftfreq(shape[1], grid.cell / 1000.0)[None, :]
    k = np.hypot(ky, kx)
    amplitude = np.maximum(k, 1.0 / longest_km) ** (-beta / 2.0)
    amplitude[0, 0] = 0.0
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) * amplitude, s=shape)
    noise = noise[: grid.nrow, : grid.ncol]
    return (noise - noise.mean()) / noise.std()


def make_lake(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Return the cells of the lake: a bent, ragged oval in the south-west, in one piece, without islands."""
    xy = grid.xy(np.arange(grid.nrow * grid.ncol))
    x = (xy[:, 0] - grid.left).reshape(grid.shape) / 1000.0
    y = (xy[:, 1] - (grid.top - grid.nrow * grid.cell)).reshape(grid.shape) / 1000.0
    turn = np.deg2rad(28.0)
    u = (x - 13.6) * np.cos(turn) + (y - 10.6) * np.sin(turn)
    v = -(x - 13.6) * np.sin(turn) + (y - 10.6) * np.cos(turn) - 0.02 * u * u + 0.8
    ragged = fractal(rng, grid, beta=3.4, longest_km=9.0)
    inside = (u / 9.6) ** 2 + (v / 4.0) ** 2 + 0.28 * ragged < 1.0
    pieces, _ = ndimage.label(inside)
    lake = pieces == np.argmax(np.bincount(pieces.ravel())[1:]) + 1
    lake = ndimage.gaussian_filter(ndimage.binary_fill_holes(lake).astype(float), 3.0) > 0.5
    pieces, _ = ndimage.label(lake)
    return pieces == np.argmax(np.bincount(pieces.ravel())[1:]) + 1


def make_outflow(lake: np.ndarray, grid: Grid) -> np.ndarray:
    """Return the cells of the river out of the lake: a winding line from its south shore to the edge."""
    rows = np.arange(grid.nrow)
    bends = 9.0 * np.sin(rows / 27.0) + 5.0 * np.sin(rows / 11.0 + 1.0) + 3.0 * np.sin(rows / 5.0)
    columns = np.round(OUTFLOW_COLUMN + bends).astype(np.int64)
    shore = grid.nrow - 1 - int(np.argmax(lake[rows, columns][::-1]))
    out = np.zeros_like(lake)
    for r in range(shore + 1, grid.nrow):  # fill sideways so that the cells touch
        left, right = sorted((columns[r - 1], columns[r]))
        out[r, left : right + 1] = True
    return out & ~lake


def lake_distance_m(lake: np.ndarray, grid: Grid) -> np.ndarray:
    """Return the distance [m] from the lake."""
    return ndimage.distance_transform_edt(~lake) * grid.cell


def _with_edge(cells: np.ndarray) -> np.ndarray:
    """Return `cells` and the edge of the map."""
    out = cells.copy()
    out[[0, -1], :] = True
    out[:, [0, -1]] = True
    return out


def make_terrain(rng: np.random.Generator, grid: Grid) -> Terrain:
    """Return the landscape; each pass routes the water and rebuilds the surface up from the base levels.

    Slopes are those of a balance between uplift and incision: steepness × (drainage area)^-CONCAVITY, as
    far as the hillslope allows.
    """
    lake = make_lake(rng, grid)
    outflow = make_outflow(lake, grid)
    base = _with_edge(lake | outflow)
    lake_km = ndimage.distance_transform_edt(~(lake | outflow)) * grid.cell / 1000.0
    edge_level = LAKE_LEVEL + 45.0 + 9.0 * fractal(rng, grid, beta=3.0, longest_km=6.0)
    edge_level = np.minimum(
        edge_level, LAKE_LEVEL - 4.0 + 18.0 * lake_km
    )  # no gorge where the outflow leaves
    level = np.where(lake, LAKE_LEVEL, edge_level)
    level[outflow] = LAKE_LEVEL - 0.5 - OUTFLOW_FALL * lake_distance_m(lake, grid)[outflow]
    z = _first_surface(rng, grid, lake_km)
    z[base] = level[base]
    steepness, hillslope = _rocks(rng, grid, lake_km)
    for i in range(PASSES):
        receiver, order = route(z, base)
        area = accumulate(receiver, order) * grid.cell_km2
        step = np.where(_is_diagonal(receiver, grid), np.sqrt(2.0), 1.0) * grid.cell
        steepest = hillslope.ravel()
        built = rebuild(
            receiver, order, level.ravel(), step * np.minimum(steepest, steepness.ravel() * area**-CONCAVITY)
        )
        z = _soften(built.reshape(grid.shape), area.reshape(grid.shape), base)
        if i < PASSES - 4:  # keep divides and bends moving for a while
            rough = ndimage.gaussian_filter(rng.standard_normal(grid.shape), 1.0) * 3.5
            z += np.where(base, 0.0, rough * 1.2 * (1.0 - i / PASSES))
    return Terrain(z, lake, outflow)


def _first_surface(rng: np.random.Generator, grid: Grid, lake_km: np.ndarray) -> np.ndarray:
    """Return the raw relief that decides where rivers run: it rises from lake and edge to a ragged divide."""
    rows, cols = np.indices(grid.shape)
    to_edge = np.minimum.reduce([rows, grid.nrow - 1 - rows, cols, grid.ncol - 1 - cols]) * grid.cell / 1000.0
    ragged_km = 0.9 * fractal(rng, grid, beta=3.2, longest_km=8.0)
    from_edge = 50.0 + 170.0 * np.maximum(to_edge + ragged_km * np.minimum(1.0, to_edge / 1.2), 0.0) / 2.0
    from_lake = 9.0 * lake_km + 0.25 * lake_km**2
    relief = 20.0 * fractal(rng, grid, beta=2.9, longest_km=7.0) + 2.0 * fractal(
        rng, grid, beta=1.2, longest_km=1.0
    )
    return LAKE_LEVEL + np.minimum(from_lake, from_edge) + relief * np.minimum(1.0, 0.25 + lake_km / 4.0)


def _rocks(rng: np.random.Generator, grid: Grid, lake_km: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return channel steepness (slope at 1 km2) and steepest hillslope of plain, escarpment and hills."""
    bent_km = lake_km + 1.3 * fractal(rng, grid, beta=3.2, longest_km=12.0)
    strength = np.clip(0.6 + 0.5 * fractal(rng, grid, beta=3.0, longest_km=10.0), 0.0, 1.0)
    hills = 1.0 / (1.0 + np.exp(-(bent_km - 9.5) / 0.5))
    scarp = strength * np.exp(-(((bent_km - 8.2) / 0.35) ** 2))
    patchy = np.exp(0.25 * fractal(rng, grid, beta=2.5, longest_km=4.0))
    steepness = (0.0105 + 0.0215 * hills + 0.11 * scarp) * patchy
    hillslope = (0.035 + 0.10 * hills + 0.30 * scarp) * patchy
    return steepness, hillslope


def _is_diagonal(receiver: np.ndarray, grid: Grid) -> np.ndarray:
    """Tell which cells drain across a corner."""
    step = np.abs(receiver - np.arange(receiver.size))
    return (step == grid.ncol + 1) | (step == grid.ncol - 1)


def _soften(z: np.ndarray, area: np.ndarray, base: np.ndarray) -> np.ndarray:
    """Return `z` with hillslopes rounded by creep; the larger channels keep their profile."""
    smooth = ndimage.gaussian_filter(z, 1.3)
    keep = np.clip((area - 0.05) / 0.3, 0.0, 1.0)
    return np.where(base, z, keep * z + (1.0 - keep) * smooth)


@njit(cache=True)
def route(z, base):
    """Return receivers and an order from the base levels upward (every receiver before its givers).

    Priority flood (Barnes, Lehman and Mulla 2014, doi:10.1016/j.cageo.2013.04.024): depressions drain along
    their own thalweg through the lowest way out; elsewhere the steepest of the eight ways down.

    Parameters
    ----------
    z : float64 array, shape (rows, columns)
        Elevations [m].
    base : bool array, same shape
        Cells where water leaves.

    Returns
    -------
    receiver : int64 array, shape (rows × columns,)
        Linear index of the cell each one drains to; itself at base cells.
    order : int64 array, same shape
    """
    nrow, ncol = z.shape
    receiver = np.full(z.size, -1, np.int64)
    filled = np.full(z.size, np.inf)
    done = np.zeros(z.size, np.bool_)
    order = np.empty(z.size, np.int64)
    queue = [(0.0, 0.0, np.int64(0)) for _ in range(0)]
    for r in range(nrow):
        for c in range(ncol):
            if base[r, c]:
                i = r * ncol + c
                receiver[i] = i
                filled[i] = z[r, c]
                heapq.heappush(queue, (z[r, c], z[r, c], np.int64(i)))
    n = 0
    while len(queue) > 0:
        level, _, i = heapq.heappop(queue)
        order[n] = i
        n += 1
        done[i] = True
        r0, c0 = i // ncol, i % ncol
        if not base[r0, c0]:
            receiver[i] = _steepest(i, receiver[i], filled, done, nrow, ncol)
        for r in range(max(r0 - 1, 0), min(r0 + 2, nrow)):
            for c in range(max(c0 - 1, 0), min(c0 + 2, ncol)):
                j = r * ncol + c
                if receiver[j] < 0:
                    receiver[j] = i
                    filled[j] = max(level, z[r, c])
                    heapq.heappush(queue, (filled[j], z[r, c], np.int64(j)))
    return receiver, order


@njit(cache=True)
def _steepest(i, otherwise, filled, done, nrow, ncol):
    """Return the neighbour of cell `i` with the steepest way down among those `done`, or `otherwise`."""
    best, steepest = otherwise, 0.0
    r0, c0 = i // ncol, i % ncol
    for r in range(max(r0 - 1, 0), min(r0 + 2, nrow)):
        for c in range(max(c0 - 1, 0), min(c0 + 2, ncol)):
            j = r * ncol + c
            if done[j] and filled[j] < filled[i]:
                slope = (filled[i] - filled[j]) / np.sqrt(float((r - r0) ** 2 + (c - c0) ** 2))
                if slope > steepest:
                    best, steepest = j, slope
    return best


@njit(cache=True)
def accumulate(receiver, order):
    """Return the number of cells that drain through each cell, itself included; downward pass."""
    total = np.ones(receiver.size)
    for k in range(order.size - 1, -1, -1):
        i = order[k]
        if receiver[i] != i:
            total[receiver[i]] += total[i]
    return total


@njit(cache=True)
def rebuild(receiver, order, level, rise):
    """Return elevations [m]: `level` at the base, elsewhere `rise` above the receiver; upward pass."""
    z = np.empty(receiver.size)
    for k in range(order.size):
        i = order[k]
        j = receiver[i]
        z[i] = level[i] if i == j else z[j] + rise[i]
    return z
