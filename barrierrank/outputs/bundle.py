"""All outputs of a ranking in one folder: either all new or all old, never a mixture.

How a killed run leaves the old results whole:

1. Everything is written into a hidden folder beside the results' folder, ``.<name>.barrierrank-new``.
2. Files in the results' folder that are not ours (a GIS project, notes) are hard-linked into it (copied
   where the file system has no hard links), so that they stay through the exchange. Nothing of theirs is
   moved or opened.
3. The two folders change places in one step where the system can do that (Linux, macOS); elsewhere by two
   renames, old one to ``.<name>.barrierrank-old``, new one in. A kill between these two is put right by the
   next start: the old folder comes back.
4. What has become the old folder is deleted.

A kill before 3 leaves the old folder untouched, one after it the new folder complete. Left-overs are removed
by the next start. Two runs cannot write to the same folder at once: the hidden folder is locked.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar

import pyogrio.errors

from barrierrank.outputs.acceptability import write_rank_picture
from barrierrank.outputs.exchange import exchange, hold
from barrierrank.outputs.fits import write_fits
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
from barrierrank.problems import BarrierRankError

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

Progress = Callable[[str], None]


class OutputError(BarrierRankError):
    """Results could not be written; those of the run before are as they were."""

    exit_code: ClassVar[int] = 1


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
    target = Path(os.path.realpath(out_dir))
    fresh, aside = beside(target, "new"), beside(target, "old")
    with as_output_error(out_dir):
        target.parent.mkdir(parents=True, exist_ok=True)
        with staging(fresh, out_dir):
            recover(target)
            names = _write_all(fresh, model, progress or (lambda _name: None))
            if target.exists():
                fresh.chmod(target.stat().st_mode & 0o7777)
                keep_foreign(target, fresh)
            swap(fresh, target, aside)
    return [out_dir / name for name in names]


def check_out_dir(out_dir: Path) -> None:
    """Say before hours of work whether `out_dir` can take the results.

    Parameters
    ----------
    out_dir : Path

    Raises
    ------
    OutputError
        Where it is a file, the folder one works in or a folder above it (it would be pulled away from under
        the shell), a root, or cannot be written to.
    """
    advice = "give a folder of its own, e.g. --out results"
    try:
        target = Path(os.path.realpath(out_dir))
        there = target.exists()
    except (OSError, ValueError) as error:  # a name too long, a character no name can hold
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputError(f"{str(out_dir)[:60]!r} is no name for a folder ({reason}) -> {advice}") from None
    if there and not target.is_dir():
        raise OutputError(f"{out_dir} is a file, results need a folder -> {advice}")
    here = Path(os.path.realpath(Path.cwd()))
    if target == here or target in here.parents:
        raise OutputError(
            f"{out_dir} is the folder you work in, or one above it; results replace it whole -> {advice}"
        )
    if target.is_mount():
        raise OutputError(f"{out_dir} is the root of a disk and cannot be replaced -> give one inside it")
    standing = next(p for p in (target.parent, *target.parent.parents) if p.exists())
    if not standing.is_dir():
        raise OutputError(f"{standing} is a file, so that {out_dir} cannot be made -> {advice}")
    blocked = [p for p in (standing, target) if p.exists() and not os.access(p, os.W_OK | os.X_OK)]
    if blocked:
        raise OutputError(
            f"no right to write to {blocked[0]} -> choose another folder with --out, or ask for the right"
        )


def is_ours(name: str) -> bool:
    """Tell whether a file of this name in a results' folder is one of our outputs, and so may go.

    Parameters
    ----------
    name : str
    """
    return name in NAMES or bool(_PICTURE.fullmatch(name) or _BESIDE.fullmatch(name))


def recover(target: Path) -> None:
    """Put right what a killed run left beside `target`: bring the old folder back, remove left-overs.

    Parameters
    ----------
    target : Path

    Raises
    ------
    OSError
    """
    aside = beside(target, "old")
    if not aside.exists():
        return
    if target.exists():
        shutil.rmtree(aside, ignore_errors=True)
    else:
        aside.rename(target)


def keep_foreign(old: Path, new: Path) -> None:
    """Link files and folders in `old` that are not ours into `new`; `old` is not changed.

    Parameters
    ----------
    old, new : Path

    Raises
    ------
    OSError
    """
    for entry in sorted(old.iterdir()):
        there = new / entry.name
        if is_ours(entry.name) and (entry.is_file() or entry.is_symlink()):
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.copytree(entry, there, symlinks=True, copy_function=link_or_copy)
        else:
            link_or_copy(str(entry), str(there))


def swap(fresh: Path, target: Path, aside: Path) -> None:
    """Put `fresh` where `target` is and delete what was there.

    Parameters
    ----------
    fresh, target, aside : Path
        In one folder; `aside` does not exist.

    Raises
    ------
    OSError
    """
    if not target.exists():
        fresh.rename(target)
        return
    with hold(target):  # under the name of `fresh` after the exchange: nobody may take it for a left-over
        old = fresh
        if not exchange(fresh, target):
            old = aside
            target.rename(aside)
            try:
                fresh.rename(target)
            except OSError:
                aside.rename(target)
                raise
        # the new results are in place: what cannot be deleted now goes at the next start
        shutil.rmtree(old, ignore_errors=True)


def link_or_copy(source: str, there: str) -> str:
    """Give a file a second name, or copy it where that cannot be done."""
    try:
        os.link(source, there, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(source, there, follow_symlinks=False)
    return there


def beside(target: Path, what: str) -> Path:
    """Return the hidden folder beside `target` that is the ``new`` or the ``old`` one."""
    return target.with_name(f".{target.name}.barrierrank-{what}")


@contextmanager
def staging(fresh: Path, out_dir: Path) -> Iterator[None]:
    """Hold a fresh empty folder for the time of writing; removed where that fails."""
    taken = OutputError(
        f"another run is writing to {out_dir} -> wait until it is done, or choose another folder"
    )
    if fresh.exists():
        with hold(fresh) as free:
            if not free:
                raise taken
            shutil.rmtree(fresh)
    fresh.mkdir()
    with hold(fresh) as free:
        if not free:
            raise taken
        try:
            yield
        except BaseException:  # a stop from the keyboard too
            shutil.rmtree(fresh, ignore_errors=True)
            raise


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


@contextmanager
def as_output_error(out_dir: Path) -> Iterator[None]:
    """Turn what the system says about disks and rights into one clear message."""
    try:
        yield
    except (
        OSError,
        sqlite3.Error,
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
    ) as error:
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise OutputError(
            f"results could not be written to {out_dir}: {reason}; those of an earlier run are as they were "
            "-> make room or choose another folder with --out; close programs that have its files open"
        ) from error
