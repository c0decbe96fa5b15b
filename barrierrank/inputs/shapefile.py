"""Whether the files of a shapefile are as long as their headers say: GDAL reads a cut one without a word."""

from __future__ import annotations

import struct
from pathlib import Path


def cut_part(path: Path) -> str | None:
    """Return the name of the first file of a shapefile that is shorter than it says, or None.

    Parameters
    ----------
    path : Path
        The .shp file; anything else gives None.

    Notes
    -----
    The .shp and .shx headers hold the length in 16-bit words, big-endian, at byte 24 (ESRI shapefile
    technical description, 1998); a dBase header holds the number of rows at byte 4 and the lengths of header
    and row at bytes 8 and 10.
    """
    if path.suffix.lower() != ".shp":
        return None
    for part in sorted(path.parent.glob(f"{_literal(path.stem)}.*")):
        suffix = part.suffix.lower()
        if suffix not in (".shp", ".shx", ".dbf"):
            continue
        try:
            with part.open("rb") as file:
                head = file.read(100)
        except OSError:  # GDAL says what hinders it
            return None
        if part.stat().st_size < _announced(suffix, head):
            return part.name
    return None


def _literal(stem: str) -> str:
    """Return a file name for use in a pattern."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in stem)


def _announced(suffix: str, head: bytes) -> int:
    """Return the length in bytes a header announces; one more than any where the header itself is cut."""
    if suffix == ".dbf":
        if len(head) < 12:
            return 1 << 62
        rows, header, row = struct.unpack("<IHH", head[4:12])
        return int(header + rows * row)
    if len(head) < 100:
        return 1 << 62
    return int(struct.unpack(">I", head[24:28])[0]) * 2
