"""All outputs of a ranking in one folder: either all new or all old, never a mixture."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from barrierrank.outputs.acceptability import write_rank_picture
from barrierrank.outputs.fits import write_fits
from barrierrank.outputs.folder import OutputError, Progress, check_out_dir, replace_folder, silent
from barrierrank.outputs.geopackage import write_geopackage
from barrierrank.outputs.learning import worth_drawing, write_learning_picture
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.passages import write_passages
from barrierrank.outputs.pictures import write_blocked_maps
from barrierrank.outputs.profiles import write_profiles
from barrierrank.outputs.record import file_entry, write_record
from barrierrank.outputs.seasons import write_seasons
from barrierrank.outputs.tables import (
    write_acceptability,
    write_cautions,
    write_csv,
    write_passage,
    write_survey_next,
    write_weights,
    write_xlsx,
)
from barrierrank.outputs.weights import write_weights_picture

__all__ = ["NAMES", "OutputError", "check_out_dir", "is_ours", "write_bundle"]

NAMES = (
    "priority_list.csv", "priority_list.xlsx", "passage.csv", "cautions.txt", "results.gpkg", "map.html", "run.json",
    "acceptability.csv", "acceptability.png", "survey_next.csv", "survey_next.png", "weights.csv", "weights.png",
)  # fmt: skip
_PICTURE = re.compile(
    r"(blocked_[a-z0-9_]+|profile_[0-9]{2}_[a-z0-9_]+|survey_[a-z0-9_]+_(spawning|rearing)"
    r"|passage_[a-z0-9_]+|season_[a-z0-9_]+_[0-9]+)\.png"
)
# What SQLite and GIS programs put beside the file; it belongs to the old one and would spoil a new one.
_BESIDE = re.compile(
    r"results\.gpkg(-wal|-shm|-journal|\.aux\.xml)|(blocked|profile|survey|passage|season)_[a-z0-9_]+\.png\.aux\.xml"
    r"|(acceptability|survey_next|weights)\.png\.aux\.xml"
)


def write_bundle(out_dir: Path, model: OutputModel, *, progress: Progress | None = None) -> list[Path]:
    """Write every output of a ranking and put them in place together.

    Writes ``priority_list.csv``, ``priority_list.xlsx``, ``cautions.txt``, ``results.gpkg``, ``map.html``,
    ``blocked_<species>.png``, if there are any ``profile_<number>_<stem>.png``, ``survey_<species>_<stage>.png``,
    ``passage.csv``, ``passage_<site>.png`` and ``season_<site>_<number>.png``, where uncertainty is
    worked out ``acceptability`` and ``survey_next``, by criteria ``weights`` (each a CSV and a picture), and
    ``run.json``; the last one also lists size and SHA-256 of the others. Results of an earlier run in the folder go,
    files that are not ours stay.

    Parameters
    ----------
    out_dir : Path
        Made where it does not exist; its parent too.
    model : OutputModel
    progress : callable or None
        Called with the name of each file before it is written.

    Returns
    -------
    list of Path
        The files written, in place.

    Raises
    ------
    OutputError
        Where the folder cannot be written to, the disk is full, another run writes to it, or it is no place
        for results (see :func:`check_out_dir`). Results of an earlier run are untouched.
    """
    check_out_dir(out_dir)
    return replace_folder(out_dir, lambda fresh: _write_all(fresh, model, progress or silent), _ours)


def is_ours(name: str) -> bool:
    """Tell whether a file of this name in a results' folder is one of our outputs, and so may go.

    Parameters
    ----------
    name : str
    """
    return name in NAMES or bool(_PICTURE.fullmatch(name) or _BESIDE.fullmatch(name))


def _ours(folder: Path) -> set[str]:
    return {entry.name for entry in folder.iterdir() if is_ours(entry.name)}


def _write_all(folder: Path, model: OutputModel, progress: Progress) -> list[str]:
    """Write the files into `folder`, `run.json` last; return their names."""
    from barrierrank.outputs.map import write_map  # noqa: PLC0415 - heavy, and only needed here

    jobs: list[tuple[str, Callable[[Path, OutputModel], Any]]] = [
        ("priority_list.csv", write_csv),
        ("priority_list.xlsx", write_xlsx),
        *([("passage.csv", write_passage)] if model.passage is not None else []),
        *([("acceptability.csv", write_acceptability)] if model.acceptability is not None else []),
        *([("survey_next.csv", write_survey_next)] if model.survey_next is not None else []),
        *([("weights.csv", write_weights)] if model.weights is not None else []),
        ("cautions.txt", write_cautions),
        ("results.gpkg", write_geopackage),
        ("map.html", write_map),
    ]
    pictures: list[tuple[str, Callable[[Path, OutputModel], list[Path]], bool]] = [
        ("blocked_<species>.png", write_blocked_maps, True),
        ("profile_<number>_<stem>.png", write_profiles, bool(model.profiles)),
        ("survey_<species>_<stage>.png", write_fits, bool(model.fits)),
        ("passage_<site>.png", write_passages, bool(model.site_passages)),
        ("season_<site>_<number>.png", write_seasons, bool(model.seasons)),
        (
            "acceptability.png",
            write_rank_picture,
            model.acceptability is not None and len(model.acceptability) > 0,
        ),
        ("survey_next.png", write_learning_picture, worth_drawing(model)),
        ("weights.png", write_weights_picture, model.weights is not None and len(model.weights) > 0),
    ]
    names, seconds = [], {}
    for name, write in jobs:
        progress(name)
        start = time.perf_counter()
        write(folder / name, model)
        seconds[name] = round(time.perf_counter() - start, 3)
        names.append(name)
    for name, draw, wanted in pictures:
        if not wanted:
            continue
        progress(name)
        start = time.perf_counter()
        names += [p.name for p in draw(folder, model)]
        seconds[name] = round(time.perf_counter() - start, 3)
    progress("run.json")
    outputs = [file_entry(folder / n) | {"path": n} for n in names]
    timings = {**model.run.get("timings", {}), **{f"write {n}": s for n, s in seconds.items()}}
    write_record(folder / "run.json", {**model.run, "outputs": outputs, "timings": timings})
    return [*names, "run.json"]
