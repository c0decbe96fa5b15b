"""Outputs of a command in one folder: either all new or all old, never a mixture.

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
import shutil
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar

import pyogrio.errors

from barrierrank.outputs.compare_read import LIST, RECORD
from barrierrank.outputs.exchange import exchange, hold
from barrierrank.problems import BarrierRankError

Progress = Callable[[str], None]


class OutputError(BarrierRankError):
    """Results could not be written; those of the run before are as they were."""

    exit_code: ClassVar[int] = 1


def silent(_name: str) -> None:
    """Tell nobody which file is written next."""


def replace_folder(
    out_dir: Path, write: Callable[[Path], list[str]], ours: Callable[[Path], Collection[str]]
) -> list[Path]:
    """Write files into a fresh folder and put it in the place of `out_dir`.

    Parameters
    ----------
    out_dir : Path
        Made where it does not exist; its parent too.
    write : callable
        Writes all files into the folder it is given, and returns their names.
    ours : callable
        Returns the names of what may go of the folder it is given, the old one. All else there stays.

    Returns
    -------
    list of Path
        The files written, in place.

    Raises
    ------
    OutputError
        Where the folder cannot be written to, the disk is full, or another run writes to it. What was there is
        untouched.
    """
    target = Path(os.path.realpath(out_dir))
    fresh, aside = beside(target, "new"), beside(target, "old")
    with as_output_error(out_dir):
        target.parent.mkdir(parents=True, exist_ok=True)
        with staging(fresh, out_dir):
            recover(target)
            names = write(fresh)
            if target.exists():
                fresh.chmod(target.stat().st_mode & 0o7777)
                keep_others(target, fresh, ours(target))
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


def check_own_dir(out_dir: Path, foreign: Callable[[Path], Iterable[Path]], example: str) -> None:
    """Say whether `out_dir` can take the outputs of a command that needs a folder apart from that of `rank`.

    Parameters
    ----------
    out_dir : Path
    foreign : callable
        Returns what other people have in that folder under the names of ours; called where it exists.
    example : str
        Name of a folder to propose.

    Raises
    ------
    OutputError
        Where it is no place for results, a folder that `rank` wrote, or holds files of other people under the names
        of ours.
    """
    check_out_dir(out_dir)
    if not out_dir.exists():
        return
    if (out_dir / RECORD).exists() and (out_dir / LIST).exists():
        raise OutputError(f"{out_dir} holds the results of a ranking -> give a folder of its own, e.g. --out {example}")
    for entry in foreign(out_dir):
        raise OutputError(
            f"{entry} was not written by this command and would be replaced -> move it away, or give another "
            "folder with --out"
        )


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


def keep_others(old: Path, new: Path, ours: Collection[str]) -> None:
    """Link files and folders in `old` that are not ours into `new`; `old` is not changed.

    Parameters
    ----------
    old, new : Path
    ours : collection of str
        Names of files that stay behind. So does a file whose name `new` has already; a folder never does.

    Raises
    ------
    OSError
    """
    for entry in sorted(old.iterdir()):
        there = new / entry.name
        if entry.name in ours and (entry.is_file() or entry.is_symlink()):
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.copytree(entry, there, symlinks=True, copy_function=link_or_copy)
        elif not os.path.lexists(there):
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
