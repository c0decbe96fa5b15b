"""Ready species entries, to be copied into a project file and changed there: text with every number's source."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

_MARK = re.compile(r"^# ---- ([a-z0-9_]+) ----\n", re.MULTILINE)


def names() -> tuple[str, ...]:
    """Return the keys of the entries, in the order of the library."""
    return tuple(_entries())


def about() -> str:
    """Return the remarks at the head of the library: what the notes on sources mean, which rasters curves read."""
    return _MARK.split(_text(), maxsplit=1)[0].strip() + "\n"


def entry_text(name: str) -> str:
    """Return one entry as the text of a project file, remarks and sources kept, ready to paste.

    Parameters
    ----------
    name : str
        One of :func:`names`.

    Raises
    ------
    KeyError
        When there is no such entry; names those there are.
    """
    found = _entries()
    if name not in found:
        raise KeyError(f'there is no species "{name}" in the library; there are {", ".join(found)}')
    return found[name]


def entry(name: str) -> dict[str, Any]:
    """Return one entry as the project file would read it: what stands below ``[species.<name>]``.

    Raises
    ------
    KeyError
        As :func:`entry_text`.
    """
    table: dict[str, Any] = tomllib.loads(entry_text(name))["species"][name]
    return table


@cache
def _text() -> str:
    return files(__package__).joinpath("species_library.toml").read_text(encoding="utf-8")


@cache
def _entries() -> dict[str, str]:
    """Return the text of each entry by its key."""
    _, *parts = _MARK.split(_text())
    return {key: text.strip() + "\n" for key, text in zip(parts[::2], parts[1::2], strict=True)}
