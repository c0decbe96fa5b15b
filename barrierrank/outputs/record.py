"""The record of a run: what went in, with which settings, by which versions, and what came up."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import pandas as pd

import barrierrank
from barrierrank.inputs.sha import fingerprint
from barrierrank.problems import Problem

LIBRARIES = (
    "numpy",
    "numba",
    "scipy",
    "pandas",
    "shapely",
    "pyproj",
    "pyogrio",
    "pyarrow",
    "geopandas",
    "networkx",
    "rasterio",
    "matplotlib",
    "openpyxl",
    "folium",
)
_ORDER = ("version", "date", "command", "inputs", "outputs", "parameters", "problems", "timings", "libraries")
_KEPT = ("inputs", "outputs", "problems", "timings")  # their own order means something


def run_record(
    *,
    inputs: Iterable[str | Path],
    parameters: Mapping[str, Any],
    timings: Mapping[str, float],
    problems: Iterable[Problem] = (),
    command: Sequence[str] = (),
    date: dt.datetime | None = None,
) -> dict[str, Any]:
    """Gather the record of a run, ready to be written as JSON.

    Parameters
    ----------
    inputs : iterable of path
        Every file read, the project file among them. Of a shapefile all its parts are recorded, of a folder
        all its files; a path twice is recorded once.
    parameters : Mapping
        Every setting in use, defaults filled in.
    timings : Mapping
        Seconds for each stage, in the order run.
    problems : iterable of Problem
    command : sequence of str
    date : datetime or None
        Start of the run, with its zone; now where None.

    Returns
    -------
    dict
        With keys `version`, `date` (UTC, ISO 8601), `command`, `inputs`, `parameters`, `problems`, `timings`
        and `libraries`; values are what JSON knows, NaN as None.

    Raises
    ------
    OSError
        Where an input that exists cannot be read.
    ValueError
        Where `date` has no zone.
    """
    when = dt.datetime.now(dt.UTC) if date is None else date
    if when.tzinfo is None:
        raise ValueError(f"date is {when}: give it a zone, e.g. datetime.now(timezone.utc)")
    record = {
        "version": barrierrank.__version__,
        "date": when.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "command": list(command),
        "inputs": [file_entry(p) for p in dict.fromkeys(Path(p) for p in inputs)],
        "parameters": parameters,
        "problems": [_problem(p) for p in problems],
        "timings": dict(timings),
        "libraries": library_versions(),
    }
    return dict(plain(record))


def file_entry(path: Path) -> dict[str, Any]:
    """Return path, size [bytes] and SHA-256 of an input; both None where there is no such file (an address, say)."""
    if not path.exists():
        return {"path": path.as_posix(), "bytes": None, "sha256": None}
    found = fingerprint(path)
    del found["name"]
    return {"path": path.as_posix(), **found}


def library_versions() -> dict[str, str]:
    """Return the versions of Python, the system and the libraries that results depend on."""
    found = {"python": platform.python_version(), "system": platform.platform(terse=True)}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def write_record(path: Path, record: Mapping[str, Any]) -> None:
    """Write a record as JSON: valid for every reader (no NaN), keys in one fixed order.

    The keys of :func:`run_record` come first, in its order; `parameters` and further keys are sorted.

    Parameters
    ----------
    path : Path
    record : Mapping

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    ranks = {name: i for i, name in enumerate(_ORDER)}
    whole = plain(record)
    keys = sorted(whole, key=lambda k: (ranks.get(k, len(_ORDER)), k))
    ordered = {k: whole[k] if k in _KEPT else _sorted(whole[k]) for k in keys}
    text = json.dumps(ordered, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text.encode("utf-8", "replace").decode("utf-8") + "\n", encoding="utf-8", newline="\n")


def plain(value: Any) -> Any:
    """Return `value` made of what JSON knows.

    NaN and missing become None, infinities the words ``"inf"`` and ``"-inf"``, paths and dates text, sets
    sorted lists, dataclasses and mappings objects with text keys.

    Parameters
    ----------
    value : object

    Raises
    ------
    TypeError
        Where a value has no plain form.
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return _number(value)
    return _plain_compound(value)


def _plain_compound(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, (dt.datetime, dt.date)):
        return value.isoformat()
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (set, frozenset)):
        return sorted((plain(v) for v in value), key=lambda v: (str(type(v)), str(v)))
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    raise TypeError(f"{value!r} ({type(value).__name__}) has no plain form to record")


def _number(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return value


def _sorted(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _sorted(value[k]) for k in sorted(value)}
    return [_sorted(v) for v in value] if isinstance(value, list) else value


def _problem(problem: Problem) -> dict[str, Any]:
    return {
        "severity": problem.severity,
        "kind": problem.kind,
        "where": problem.where,
        "ids": list(problem.ids),
        "message": problem.message,
        "remedy": problem.remedy,
        "place": problem.place,
    }
