"""Fingerprints of input files, so that a run tells exactly what it was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

_BLOCK = 1 << 20
#: Files that make up a shapefile or a MapInfo table together; the first of a set is what users name.
_SETS: tuple[tuple[str, ...], ...] = (
    (".shp", ".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx"),
    (".tab", ".dat", ".map", ".id", ".ind"),
    (".mif", ".mid"),
)


def fingerprint(path: Path) -> dict[str, Any]:
    """Return name, size and SHA-256 of an input, without loading it whole.

    Parameters
    ----------
    path : Path
        A file; for a shapefile or MapInfo table its companions are listed too; for a folder (a file
        geodatabase) every file in it.

    Returns
    -------
    dict
        `name`, `bytes`, `sha256` (of a folder: of the list of its files' names and sums), and `files`, a
        list of the same for companions and members, where there are any.

    Raises
    ------
    FileNotFoundError
        When there is no such file.
    """
    if path.is_dir():
        return _folder(path)
    entry = _one(path)
    companions = [_one(p) for p in _companions(path)]
    return {**entry, "files": companions} if companions else entry


def _one(path: Path, name: str | None = None) -> dict[str, Any]:
    digest = hashlib.sha256()
    size = 0
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
            size += len(block)
    return {"name": name or path.name, "bytes": size, "sha256": digest.hexdigest()}


def _companions(path: Path) -> list[Path]:
    suffixes = next((s for s in _SETS if path.suffix.lower() == s[0]), ())
    found = (p for p in path.parent.iterdir() if p.stem == path.stem and p != path) if suffixes else ()
    return sorted(p for p in found if p.suffix.lower() in suffixes)


def _folder(path: Path) -> dict[str, Any]:
    members = sorted(p for p in path.rglob("*") if p.is_file() and p.suffix != ".lock")
    files = [_one(p, p.relative_to(path).as_posix()) for p in members]
    listing = "\n".join(f"{f['sha256']}  {f['name']}" for f in files)
    total = hashlib.sha256(listing.encode()).hexdigest()
    return {"name": path.name, "bytes": sum(f["bytes"] for f in files), "sha256": total, "files": files}
