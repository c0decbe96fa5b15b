"""barrierrank: rank and plan stream barriers against a spawning-run invader, with native fish counted."""

from __future__ import annotations

__version__ = "0.1.0"
