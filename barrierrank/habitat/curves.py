"""Suitability of what a reach offers, 0 to 1: curves over numbers, tables over classes, and how they combine.

The method is that of the habitat suitability index (US Fish and Wildlife Service 1981, Ecological Services Manual 103;
from memory): each factor has a suitability from 0 to 1, factors combine to one quality, quality times size is habitat.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Combine = Literal["geometric_mean", "product", "minimum"]
COMBINES: tuple[Combine, ...] = ("geometric_mean", "product", "minimum")


@dataclass(frozen=True, eq=False)
class Curve:
    """Piecewise linear suitability of a number; constant beyond both ends.

    Parameters
    ----------
    x : (k,) float64
        Ascending, in the unit of the attribute. The same x twice is a step: at x itself the second value holds.
    suitability : (k,) float64
        0 to 1.
    """

    x: Floats
    suitability: Floats

    @classmethod
    def of(cls, points: Sequence[Sequence[float]]) -> Curve:
        """Make a curve of points (x, suitability) that :func:`curve_faults` finds nothing wrong with.

        Raises
        ------
        ValueError
            Naming what is wrong with the points.
        """
        _refuse(curve_faults(points))
        xs, suitability = zip(*points, strict=True)
        return cls(np.array(xs, dtype=np.float64), np.array(suitability, dtype=np.float64))


@dataclass(frozen=True)
class ClassTable:
    """Suitability of each class.

    Parameters
    ----------
    suitability : Mapping of str to float
        Label to suitability, 0 to 1; a label that is not there counts 0.
    """

    suitability: Mapping[str, float]

    @classmethod
    def of(cls, table: Mapping[str, float]) -> ClassTable:
        """Make a table of labels that :func:`class_faults` finds nothing wrong with.

        Raises
        ------
        ValueError
            Naming what is wrong with it.
        """
        _refuse(class_faults(table))
        return cls(MappingProxyType({label: float(s) for label, s in table.items()}))

    def unknown(self, labels: Sequence[str]) -> list[str]:
        """Return those of `labels` that have no suitability here and so count 0, for the caller to tell."""
        return [label for label in labels if label not in self.suitability]


@dataclass(frozen=True)
class Fault:
    """What is wrong with a curve or a table of classes.

    Parameters
    ----------
    message, remedy : str
        What was given and what is allowed; what to do.
    """

    message: str
    remedy: str


def curve_of(raw: Sequence[Sequence[float]] | Mapping[str, float]) -> Curve | ClassTable:
    """Return the curve or the table of classes that a project file writes as points or as labels.

    Raises
    ------
    ValueError
        Naming what is wrong with it.
    """
    return ClassTable.of(raw) if isinstance(raw, Mapping) else Curve.of(raw)


def faults_of(raw: object) -> list[Fault]:
    """Return what is wrong with a curve as a project file gives it: points, or labels with their suitability."""
    return class_faults(raw) if isinstance(raw, Mapping) else curve_faults(raw)


def curve_faults(points: object) -> list[Fault]:
    """Return everything wrong with points (x, suitability); nothing where they make a curve.

    Parameters
    ----------
    points : object
        As read: a sequence of pairs of numbers is what it should be.
    """
    shape = "write [[x, suitability], ...], for example [[0.0, 0.0], [0.01, 1.0], [0.05, 0.0]]"
    if not _is_list(points):
        return [Fault(f"given {points!r:.60}, allowed: points", shape)]
    pairs: list[Any] = list(points)  # type: ignore[call-overload]
    if any(not _is_list(p) or len(p) != 2 or not all(_is_number(v) for v in p) for p in pairs):
        bad = next(p for p in pairs if not _is_list(p) or len(p) != 2 or not all(_is_number(v) for v in p))
        return [Fault(f"given {bad!r:.60} as a point, allowed: two finite numbers", shape)]
    found = []
    if len(pairs) < 2:
        found.append(Fault(f"given {len(pairs)} point(s), allowed: two or more", shape))
    for (a, _), (b, _) in itertools.pairwise(pairs):
        if b < a:
            found.append(Fault(f"x does not ascend: {a:g} stands before {b:g}", "sort the points by x"))
    for (a, _), (b, _), (c, _) in zip(pairs[:-2], pairs[1:-1], pairs[2:], strict=True):
        if a == b == c:
            message = f"x = {a:g} stands there more than twice"
            found.append(Fault(message, "keep two points for a step, the value below it and from it on"))
    found += [_outside(f"x = {x:g}", s) for x, s in pairs if not 0.0 <= s <= 1.0]
    return found


def class_faults(table: object) -> list[Fault]:
    """Return everything wrong with a table of labels and suitabilities; nothing where it can be used.

    Parameters
    ----------
    table : object
        As read: a mapping of labels to numbers from 0 to 1 is what it should be.
    """
    shape = "write { gravel = 1.0, sand = 0.4 }"
    if not isinstance(table, Mapping):
        return [Fault(f"given {table!r:.60}, allowed: labels with their suitability", shape)]
    if not table:
        return [Fault("given no label, allowed: one or more", shape)]
    found = []
    for label, value in table.items():
        if not _is_number(value):
            found.append(Fault(f"{label}: given {value!r:.60}, allowed: a number from 0 to 1", shape))
        elif not 0.0 <= value <= 1.0:
            found.append(_outside(str(label), value))
    return found


def suitability(curve: Curve, values: Floats) -> Floats:
    """Return the suitability of numbers.

    Parameters
    ----------
    curve : Curve
    values : (n,) float64

    Returns
    -------
    (n,) float64
        0 to 1; NaN where the value is NaN.
    """
    x, s = curve.x, curve.suitability
    at = np.searchsorted(x, values, side="right")  # NaN sorts behind every number
    low = np.clip(at - 1, 0, x.size - 1)
    high = np.clip(at, 0, x.size - 1)
    inside = (at > 0) & (at < x.size)
    width = np.where(inside, x[high] - x[low], 1.0)
    share = np.where(inside, (values - x[low]) / width, 0.0)
    out = s[low] + share * (s[high] - s[low])
    return np.where(np.isnan(values), np.nan, np.clip(out, 0.0, 1.0))


def suitability_of_classes(table: ClassTable, shares: Mapping[str, Floats]) -> Floats:
    """Return the sum of each class's share times its suitability.

    Parameters
    ----------
    table : ClassTable
    shares : Mapping of str to (n,) float64
        Share of each class on each reach, together 1; NaN where not known. A class without a suitability counts 0.

    Returns
    -------
    (n,) float64
        0 to 1; NaN where any share is NaN.

    Raises
    ------
    ValueError
        When there is no class at all.
    """
    if not shares:
        raise ValueError("given no class, allowed: shares of one class or more")
    first = next(iter(shares.values()))
    out = np.zeros(first.size)
    for label, share in shares.items():
        out += share * table.suitability.get(label, 0.0)
    return np.clip(out, 0.0, 1.0)


def combine(factors: Floats, how: Combine) -> tuple[Floats, Floats]:
    """Combine the suitabilities of several factors to one quality.

    A factor that is missing is left out, as if it had not been asked for. Zero in any factor gives 0.

    Parameters
    ----------
    factors : (m, n) float64
        Suitability of each factor on each reach, 0 to 1; NaN where missing.
    how : {"geometric_mean", "product", "minimum"}
        The geometric mean of k factors is their product to the power 1/k.

    Returns
    -------
    quality : (n,) float64
        0 to 1; 1 where no factor is asked for (m = 0), NaN where all are missing.
    missing : (n,) float64
        Share of the factors that are missing, 0 to 1.

    Raises
    ------
    ValueError
        When `how` is none of the three.
    """
    if how not in COMBINES:
        raise ValueError(f"given {how!r}, allowed: {', '.join(COMBINES)}")
    m, n = factors.shape
    if m == 0:
        return np.ones(n), np.zeros(n)
    gone = np.isnan(factors)
    present = m - gone.sum(axis=0)
    filled = np.where(gone, 1.0, factors)
    quality = filled.min(axis=0) if how == "minimum" else filled.prod(axis=0)
    if how == "geometric_mean":
        quality = quality ** (1.0 / np.maximum(present, 1))
    return np.where(present == 0, np.nan, quality), 1.0 - present / m


def _refuse(faults: list[Fault]) -> None:
    if faults:
        raise ValueError("; ".join(f"{f.message} -> {f.remedy}" for f in faults))


def _outside(what: str, value: float) -> Fault:
    remedy = "divide per cent by 100" if 1.0 < value <= 100.0 else "mend the value"
    return Fault(f"{what}: given suitability {value:g}, allowed: from 0 to 1", remedy)


def _is_list(value: object) -> bool:
    return isinstance(value, list | tuple)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
