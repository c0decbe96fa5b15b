"""A plain reader of the map page, written from the description of its codes alone."""

from __future__ import annotations

import base64
import json
import math
import zlib
from html.parser import HTMLParser
from typing import Any

import numpy as np


class Reader(HTMLParser):
    """Elements of the page with their attributes, and the text of scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[tuple[str, dict[str, str], str]] = []
        self.open = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        self.open = True

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002
        self.open = False

    def handle_data(self, data: str) -> None:
        if self.open:
            tag, attributes = self.elements[-1]
            self.texts.append((tag, attributes, data))

    def inside(self, tag: str, **wanted: str) -> list[str]:
        """Texts of elements of one kind."""
        return [t for g, a, t in self.texts if g == tag and wanted.items() <= a.items()]


def read_varints(data: bytes) -> list[int]:
    out, value, shift = [], 0, 0
    for byte in data:
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            out.append(value)
            value = shift = 0
    return out


def unfold(code: int) -> int:
    return code // 2 if code % 2 == 0 else -(code + 1) // 2


def read_significant(code: int) -> float:
    return math.nan if code == 0 else ((code - 1) % 1000) * 10.0 ** ((code - 1) // 1000 - 3)


class Decoded:
    """Everything in a page's package."""

    def __init__(self, page: str) -> None:
        reader = Reader(page)
        self.meta = json.loads("".join(reader.inside("script", id="meta")))
        self.bytes = base64.b64decode("".join(reader.inside("script", id="package")), validate=True)
        self.n: int = self.meta["reaches"]["n"]
        self.down = [i - d if d else -1 for i, d in enumerate(read_varints(self.section("down")))]

    def section(self, name: str) -> bytes:
        at, length = self.meta["sections"][name]
        return zlib.decompress(self.bytes[at : at + length])

    def json(self, name: str) -> Any:
        return json.loads(self.section(name))

    def ids(self) -> list[str]:
        data = self.section("source")
        if self.meta["reaches"]["source"] == "lines":
            return data.decode().split("\n")
        return [str(v) for v in np.cumsum([unfold(c) for c in read_varints(data)])]

    def lines(self) -> list[np.ndarray]:
        """Lines in pixels of the page's zoom, from foot to head."""
        counts = read_varints(self.section("count"))
        steps = [[unfold(c) for c in read_varints(self.section(s))] for s in "xy"]
        out: list[np.ndarray] = []
        at, outlet = 0, np.zeros(2)
        for i, count in enumerate(counts):
            piece = np.array([s[at : at + count] for s in steps], dtype=float).T
            at += count
            start = out[self.down[i]][-1] if self.down[i] >= 0 else outlet
            line = start + np.cumsum(piece, axis=0)
            if self.down[i] < 0:
                outlet = line[0]
            out.append(line)
        return out

    def ground(self) -> list[np.ndarray]:
        """Lines in web Mercator metres."""
        r = self.meta["reaches"]
        size = 256 * 2 ** r["zoom"]
        world = 2 * math.pi * 6378137.0
        return [
            np.column_stack(
                [((p[:, 0] + r["x0"]) / size - 0.5) * world, (0.5 - (p[:, 1] + r["y0"]) / size) * world]
            )
            for p in self.lines()
        ]

    def shares(self, name: str) -> list[float]:
        codes: list[int] = []
        for i, c in enumerate(read_varints(self.section(name))):
            codes.append(unfold(c) + (codes[self.down[i]] if self.down[i] >= 0 else 0))
        return [math.nan if c == 0 else (c - 1) / 1000 for c in codes]
