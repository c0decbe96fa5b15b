"""The interactive map: one page that opens from a file and asks no network for anything."""

from __future__ import annotations

from barrierrank.outputs.map.write import render_map, write_map

__all__ = ["render_map", "write_map"]
