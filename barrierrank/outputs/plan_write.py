"""All outputs of a plan in a folder of its own: either all new or all old, as for a ranking."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from barrierrank.outputs.folder import Progress, check_own_dir, replace_folder, silent
from barrierrank.outputs.pictures import save_picture
from barrierrank.outputs.plan_columns import PLAN_TABLES
from barrierrank.outputs.plan_geopackage import write_plan_geopackage
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_pictures import plan_pictures
from barrierrank.outputs.plan_tables import plan_tables, write_plan_csv, write_plan_xlsx
from barrierrank.outputs.record import file_entry, write_record
from barrierrank.outputs.tables import write_cautions

PLAN_RECORD, MAP, CAUTIONS = "plan.json", "plan_map.html", "cautions.txt"
NAMES = (
    *(f"{table}.csv" for table in PLAN_TABLES if table != "plan_reaches"),
    "plan.xlsx", "plan.gpkg", "plan_curve.png", "plan_front.png", MAP, CAUTIONS, PLAN_RECORD,
)  # fmt: skip
_PICTURE = re.compile(r"plan_access_[a-z0-9_]+\.png")
# What SQLite and GIS programs put beside a file; it belongs to the old one and would spoil a new one.
_BESIDE = re.compile(r"plan\.gpkg(-wal|-shm|-journal|\.aux\.xml)|plan_(curve|front|access_[a-z0-9_]+)\.png\.aux\.xml")
_MADE = "barrierrank plan"
"""Value of the key `made_by` of the record: tells it from a file of that name by somebody else."""


def check_plan_dir(out_dir: Path) -> None:
    """Say before hours of work whether `out_dir` can take a plan.

    Parameters
    ----------
    out_dir : Path

    Raises
    ------
    OutputError
        Where it is no place for results, a folder that `rank` wrote, or holds files of other people under the names
        of ours.
    """
    check_own_dir(out_dir, _foreign, "plan")


def write_plan(out_dir: Path, look: PlanLook, progress: Progress | None = None) -> list[Path]:
    """Write every output of a plan and put them in place together.

    Writes ``plan.csv`` and the other tables, ``plan.xlsx``, ``cautions.txt``, ``plan.gpkg``, ``plan_map.html``,
    ``plan_curve.png``, ``plan_front.png``, ``plan_access_<species>.png`` and ``plan.json``; the last one also
    lists size and SHA-256 of the others. What an earlier plan wrote there goes, files that are not ours stay.

    Parameters
    ----------
    out_dir : Path
        Made where it does not exist; its parent too.
    look : PlanLook
    progress : callable or None
        Called with the name of each file before it is written.

    Returns
    -------
    list of Path
        The files written, in place.

    Raises
    ------
    OutputError
        See :func:`check_plan_dir`; or where nothing can be written. What was there is untouched.
    """
    check_plan_dir(out_dir)
    return replace_folder(out_dir, lambda fresh: _write_all(fresh, look, progress or silent), _ours)


def _write_all(folder: Path, look: PlanLook, progress: Progress) -> list[str]:
    """Write the files into `folder`, the record last; return their names."""
    tables = plan_tables(look)
    jobs: list[tuple[str, Callable[[], None]]] = [
        *((f"{name}.csv", partial(write_plan_csv, folder / f"{name}.csv", look, name)) for name in tables),
        ("plan.xlsx", partial(write_plan_xlsx, folder / "plan.xlsx", look, tables)),
        (CAUTIONS, partial(write_cautions, folder / CAUTIONS, look.base)),
        ("plan.gpkg", partial(write_plan_geopackage, folder / "plan.gpkg", look)),
        (MAP, partial(_map, folder / MAP, look)),
        *((name, partial(save_picture, folder / name, draw)) for name, draw in plan_pictures(look).items()),
    ]
    names, seconds = [], {}
    for name, write in jobs:
        progress(name)
        start = time.perf_counter()
        write()
        names.append(name)
        seconds[f"write {name}"] = round(time.perf_counter() - start, 3)
    progress(PLAN_RECORD)
    outputs = [file_entry(folder / name) | {"path": name} for name in names]
    before: Any = look.run.get("timings", {})
    record = {**look.run, "made_by": _MADE, "outputs": outputs, "timings": {**before, **seconds}}
    write_record(folder / PLAN_RECORD, record)
    return [*names, PLAN_RECORD]


def _map(path: Path, look: PlanLook) -> None:
    """Write the map with the layer of the plan."""
    from barrierrank.outputs.map import write_map  # noqa: PLC0415 - heavy, and only needed here

    write_map(path, look.base, plan=look)


def _could_be_ours(name: str) -> bool:
    return name in NAMES or bool(_PICTURE.fullmatch(name))


def _written_before(folder: Path) -> set[str]:
    """Return the names of files that an earlier plan wrote, as its record tells; empty without one of ours."""
    path = folder / PLAN_RECORD
    if path.is_symlink() or not path.is_file():
        return set()
    try:
        record = json.loads(path.read_text("utf-8"))
        if record["made_by"] != _MADE:
            return set()
        told = {str(output["path"]) for output in record["outputs"]}
    except (OSError, ValueError, KeyError, TypeError):
        return set()
    return {name for name in told if _could_be_ours(name)} | {PLAN_RECORD}


def _foreign(folder: Path) -> Iterator[Path]:
    """Yield what other people have in the folder under the names of ours."""
    ours = _written_before(folder)
    for entry in sorted(folder.iterdir()):
        if _could_be_ours(entry.name) and entry.name not in ours:
            yield entry


def _ours(folder: Path) -> set[str]:
    """Return the names of what an earlier plan wrote, and of what other programs put beside it."""
    ours = _written_before(folder)
    return ours | {entry.name for entry in folder.iterdir() if ours and _BESIDE.fullmatch(entry.name)}
