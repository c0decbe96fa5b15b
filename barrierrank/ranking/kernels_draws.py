"""Kernels of draws: quantiles of many Beta distributions, each inverted from its own cumulated density."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from barrierrank.jit import kernel

Floats = NDArray[np.float64]
Side = tuple[Floats, Floats, Floats]

_NODES = 49
_DROP = 24.0
"""The density is followed until it has fallen by exp(-24) below its peak; beyond it goes on as an exponential."""
_CERTAIN = 1e15
"""From this many fish on the spread is below what a float64 of the mean can hold."""


@kernel
def _log_density(t: float, alpha: float, beta: float) -> float:
    """Return the log density of ``t = log(x / (1 - x))``, x being Beta, without its constant."""
    if t > 0.0:
        rest = np.log1p(np.exp(-t))
        return float(-alpha * rest - beta * (t + rest))
    rest = np.log1p(np.exp(t))
    return float(alpha * (t - rest) - beta * rest)


@kernel
def _share(t: float) -> float:
    """Return x of ``t = log(x / (1 - x))``."""
    return 1.0 / (1.0 + np.exp(-t)) if t > -700.0 else 0.0


@kernel
def _slope(t: float, alpha: float, beta: float) -> float:
    """Return the slope of the log density."""
    x = _share(t)
    return alpha * (1.0 - x) - beta * x


@kernel
def _low_end(peak: float, alpha: float, beta: float) -> float:
    """Return where below its peak the log density has fallen by about _DROP."""
    floor = _log_density(peak, alpha, beta) - _DROP
    step = 1.0 / np.sqrt(alpha + beta)
    inner, outer = peak, peak - step
    while _log_density(outer, alpha, beta) > floor:
        inner, outer = outer, outer - step
        step *= 2.0
    for _ in range(6):
        middle = 0.5 * (inner + outer)
        if _log_density(middle, alpha, beta) > floor:
            inner = middle
        else:
            outer = middle
    return float(outer)


@kernel
def _fill(alpha: float, beta: float, side: Side) -> float:
    """Tabulate the part of a distribution below its peak in t, and return its mass, the density at the peak being 1.

    Fills in the nodes, denser near the peak; the log of the mass below each; and how fast t grows with that log.
    Between nodes the density is integrated by the trapezoid with the correction for its slopes at both ends, whose
    error is of the fifth power of the distance.
    """
    grid, log_mass, pace = side
    peak = np.log(alpha / beta)
    top = _log_density(peak, alpha, beta)
    width = peak - _low_end(peak, alpha, beta)
    mass, before, slope_before = 0.0, 0.0, 0.0
    for k in range(_NODES):
        far = (_NODES - 1 - k) / (_NODES - 1)
        grid[k] = peak - width * far * np.sqrt(far)
        density = np.exp(_log_density(grid[k], alpha, beta) - top)
        slope = density * _slope(grid[k], alpha, beta)
        if k == 0:
            mass = density * density / slope
        else:
            step = grid[k] - grid[k - 1]
            mass += 0.5 * step * (before + density) + step * step / 12.0 * (slope_before - slope)
        log_mass[k], pace[k] = np.log(mass), mass / density
        before, slope_before = density, slope
    return mass


@kernel
def _bracket(log_mass: float, known: Floats, low: int) -> int:
    """Return the last node with no more mass than that, save the very last, looked for from node `low` on."""
    while low < _NODES - 2 and known[low + 1] <= log_mass:
        low += 1
    while low > 0 and known[low] > log_mass:
        low -= 1
    return low


@kernel
def _middle(log_mass: float, known: Floats) -> int:
    """Return the same node by halving."""
    low, high = 0, _NODES - 1
    while high - low > 1:
        middle = (low + high) // 2
        if known[middle] <= log_mass:
            low = middle
        else:
            high = middle
    return low


@kernel
def _invert(log_mass: float, side: Side, low: int) -> float:
    """Return the t below which there is so much mass: the cubic of t in the log of the mass, with its slopes."""
    grid, known, pace = side
    if log_mass <= known[0]:
        return float(grid[0] + (log_mass - known[0]) * pace[0])
    high = low + 1
    rise = known[high] - known[low]
    w = min((log_mass - known[low]) / rise, 1.0)
    v = 1.0 - w
    bend = w * v * rise * (pace[low] * v - pace[high] * w)
    return float(grid[low] + (grid[high] - grid[low]) * w * w * (3.0 - 2.0 * w) + bend)


@kernel
def _tail(u: Floats, below: float, whole: float, lower: Side, upper: Side, out: Floats) -> None:
    """Fill in the quantiles at rising chances `u` of a distribution tabulated from both ends.

    Its mass below the peak is `below`, in all `whole`.
    """
    low, high = 0, _NODES - 2
    for i in range(u.size):
        if u[i] * whole <= below:
            log_mass = np.log(u[i] * whole)
            low = _bracket(log_mass, lower[1], low)
            out[i] = _share(_invert(log_mass, lower, low))
        else:
            log_mass = np.log((1.0 - u[i]) * whole)
            high = _bracket(log_mass, upper[1], high)
            out[i] = _share(-_invert(log_mass, upper, high))


@kernel
def _is_certain(a: float, b: float) -> bool:
    """Tell whether a distribution is a single number, or missing."""
    return not a + b < _CERTAIN or a == 0.0 or b == 0.0


@kernel
def beta_quantiles(u: Floats, alpha: Floats, beta: Floats) -> Floats:
    """Return quantiles of Beta distributions, (d, k).

    Parameters
    ----------
    u : (d, k) float64
        In (0, 1).
    alpha, beta : (k,) float64
        0 or more, not both 0; NaN gives NaN.
    """
    out = np.empty(u.shape)
    lower = (np.empty(_NODES), np.empty(_NODES), np.empty(_NODES))
    upper = (np.empty(_NODES), np.empty(_NODES), np.empty(_NODES))
    for j in range(u.shape[1]):
        a, b = alpha[j], beta[j]
        if _is_certain(a, b):
            for i in range(u.shape[0]):
                out[i, j] = a / (a + b)
            continue
        below = _fill(a, b, lower)
        whole = below + _fill(b, a, upper)  # 1 - x has the same distribution, a and b exchanged
        for i in range(u.shape[0]):
            if u[i, j] * whole <= below:
                log_mass = np.log(u[i, j] * whole)
                out[i, j] = _share(_invert(log_mass, lower, _middle(log_mass, lower[1])))
            else:
                log_mass = np.log((1.0 - u[i, j]) * whole)
                out[i, j] = _share(-_invert(log_mass, upper, _middle(log_mass, upper[1])))
    return out


@kernel
def beta_tails(u: Floats, alpha: Floats, beta: Floats) -> tuple[Floats, Floats]:
    """Return quantiles x at some chances u, and 1 - x at 1 - u, of Beta distributions: small numbers kept exact.

    Parameters
    ----------
    u : (m,) float64
        In (0, 1), rising.
    alpha, beta : (k,) float64
        As for :func:`beta_quantiles`.

    Returns
    -------
    low, high : (k, m) float64
    """
    low, high = np.empty((alpha.size, u.size)), np.empty((alpha.size, u.size))
    lower = (np.empty(_NODES), np.empty(_NODES), np.empty(_NODES))
    upper = (np.empty(_NODES), np.empty(_NODES), np.empty(_NODES))
    for j in range(alpha.size):
        a, b = alpha[j], beta[j]
        if _is_certain(a, b):
            low[j], high[j] = a / (a + b), b / (b + a)
            continue
        below, above = _fill(a, b, lower), _fill(b, a, upper)
        whole = below + above
        _tail(u, below, whole, lower, upper, low[j])
        _tail(u, above, whole, upper, lower, high[j])
    return low, high


@kernel
def from_table(z: Floats, score: Floats, fixed: Floats, rows: NDArray[np.int64], scale: tuple[float, float]) -> Floats:
    """Read shares off a table by cubics through its nodes with the slopes of their neighbours.

    Parameters
    ----------
    z : (k, d) float64
        Places on the scale of the table.
    score : (m, nodes) float64
        log(x / (1 - x)) at each node.
    fixed : (m,) float64
        The share itself where it is certain or NaN; below 0 elsewhere.
    rows : (k,) int64
        Row of the table of each row of `z`.
    scale : (float, float)
        Place of the first node, and the distance of nodes.
    """
    out = np.empty(z.shape)
    last = score.shape[1] - 2
    for i in range(z.shape[0]):
        row = rows[i]
        if not fixed[row] < 0.0:
            out[i] = fixed[row]
            continue
        t = score[row]
        for j in range(z.shape[1]):
            place = (z[i, j] - scale[0]) / scale[1]
            k = min(max(int(place), 1), last - 1)
            w = place - k
            low, high = 0.5 * (t[k + 1] - t[k - 1]), 0.5 * (t[k + 2] - t[k])
            rise = t[k + 1] - t[k]
            value = t[k] + w * (low + w * (3.0 * rise - 2.0 * low - high + w * (low + high - 2.0 * rise)))
            out[i, j] = 1.0 / (1.0 + np.exp(-value))
    return out
