"""Numbers as few bytes: variable-length integers, three-digit numbers, and one deflated, base64 package.

Every code here is read back by ``store.js``; the two must agree.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

MISSING = 0  # code of NaN in `significant` and `share`
ROUNDING = 1e-9  # what a product of chances may be off by


def zigzag(values: Ints) -> Ints:
    """Fold signed integers onto 0, 1, 2, ... so that small ones of either sign stay small.

    Parameters
    ----------
    values : array of int64
        Between -2**62 and 2**62.
    """
    return (values << 1) ^ (values >> 63)


def deltas(values: Ints) -> Ints:
    """Return the zigzag differences of a running series that starts from 0."""
    return zigzag(np.diff(values, prepend=np.int64(0)))


def varints(values: Ints) -> bytes:
    """Write each value in groups of seven bits, lowest first; the high bit says that more follows.

    Parameters
    ----------
    values : array of int64
        Not negative.

    Raises
    ------
    ValueError
        For a negative value.
    """
    if len(values) == 0:
        return b""
    if values.min() < 0:
        raise ValueError(
            f"varints need values of 0 or more, got {values.min()}: fold them with zigzag first."
        )
    width = np.ones(len(values), dtype=np.int64)
    for k in range(1, 9):
        width += values >= (1 << (7 * k))
    end = np.cumsum(width)
    out = np.zeros(int(end[-1]), dtype=np.uint8)
    start = end - width
    for k in range(int(width.max())):
        has = width > k
        more = np.where(width[has] > k + 1, 128, 0)
        out[start[has] + k] = ((values[has] >> (7 * k)) & 127) | more
    return out.tobytes()


def significant(values: Floats) -> Ints:
    """Code numbers of 0 or more to three significant digits, from 0.001 up.

    The code is ``1 + m + 1000 e`` for ``m * 10**(e - 3)`` with m < 1000; 0 stands for NaN.

    Parameters
    ----------
    values : array of float64
        0 or more, or NaN; anything under 0.0005 counts as 0.

    Raises
    ------
    ValueError
        For a negative or infinite value.
    """
    known = ~np.isnan(values)
    some = values[known]
    if len(some) and (some.min() < 0 or np.isinf(some).any()):
        raise ValueError("only finite numbers of 0 or more can be coded to three digits.")
    thousandths = np.round(some * 1000)
    with np.errstate(divide="ignore"):
        power = np.floor(np.log10(thousandths)) - 2
    power = np.where(np.isfinite(power), np.maximum(power, 0), 0).astype(np.int64)
    mantissa = np.round(some * 1000 / 10.0**power).astype(np.int64)
    carried = mantissa >= 1000  # 999.6 rounds up to 1000, which is 100 of the next power
    power += carried
    mantissa = np.where(carried, 100, mantissa)
    out = np.full(len(values), MISSING, dtype=np.int64)
    out[known] = 1 + mantissa + 1000 * power
    return out


def share(values: Floats) -> Ints:
    """Code shares 0 to 1 in thousandths plus one; 0 stands for NaN.

    A share that is neither 0 nor 1 is never rounded to either: one in a million getting past is not none.

    Raises
    ------
    ValueError
        For a value outside 0 to 1 by more than rounding.
    """
    known = ~np.isnan(values)
    some = values[known]
    if len(some) and (some.min() < -ROUNDING or some.max() > 1 + ROUNDING):
        raise ValueError(f"shares lie between 0 and 1, got {some.min()} to {some.max()}.")
    some = np.where(np.abs(some - 1) < ROUNDING, 1.0, np.clip(some, 0, 1))
    code = np.round(some * 1000)
    code = np.where((some > 0) & (some < 1), np.clip(code, 1, 999), code)
    out = np.full(len(values), MISSING, dtype=np.int64)
    out[known] = code.astype(np.int64) + 1
    return out


def ids(texts: Sequence[str]) -> tuple[str, bytes]:
    """Code ids: as differences where all are plain whole numbers, else as lines of text.

    Returns
    -------
    kind : {"numbers", "lines"}
    data : bytes
    """
    if all(t.isascii() and t.isdigit() and len(t) <= 15 and (t == "0" or t[0] != "0") for t in texts):
        return "numbers", varints(deltas(np.array([int(t) for t in texts], dtype=np.int64)))
    return "lines", "\n".join(" ".join(t.split("\n")) for t in texts).encode("utf-8", "replace")


def plain(value: float, digits: int = 6) -> float | int | None:
    """Return `value` for JSON, rounded to `digits` significant digits; None for NaN and infinity."""
    if not np.isfinite(value):
        return None
    rounded = float(f"{value:.{digits}g}")
    return int(rounded) if rounded == int(rounded) else rounded


def squeezed(data: bytes) -> bytes:
    """Deflate (zlib), with or without looking for repeats: differences of coordinates have none worth it."""
    plainly = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_HUFFMAN_ONLY)
    return min(zlib.compress(data, 9), plainly.compress(data) + plainly.flush(), key=len)


@dataclass
class Package:
    """Named sections of bytes, each deflated by itself so that a page reads only what it needs.

    Parameters
    ----------
    sections : dict of str to bytes
        Deflated.
    """

    sections: dict[str, bytes] = field(default_factory=dict)

    def add(self, name: str, data: bytes) -> None:
        """Deflate and add a section.

        Raises
        ------
        KeyError
            Where the name is taken.
        """
        if name in self.sections:
            raise KeyError(f"section {name} is there already")
        self.sections[name] = squeezed(data)

    def add_json(self, name: str, value: Mapping[str, Any] | Sequence[Any]) -> None:
        """Add a section of JSON; NaN is refused."""
        self.add(name, json.dumps(value, allow_nan=False, separators=(",", ":")).encode("ascii"))

    def index(self) -> dict[str, list[int]]:
        """Return where each section lies: its first byte and how many."""
        at, out = 0, {}
        for name, data in self.sections.items():
            out[name] = [at, len(data)]
            at += len(data)
        return out

    def text(self) -> str:
        """Return the sections one after another in base64."""
        return base64.b64encode(b"".join(self.sections.values())).decode("ascii")
