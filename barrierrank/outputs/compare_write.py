"""The comparison of two runs in a folder of its own, put in place together."""

from __future__ import annotations

import csv
import os
import textwrap
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from barrierrank.outputs.cells import neutralise, rounded
from barrierrank.outputs.column_doc import Kind
from barrierrank.outputs.compare import Comparison
from barrierrank.outputs.compare_picture import draw_slopes
from barrierrank.outputs.compare_words import cautions, sentences
from barrierrank.outputs.folder import check_own_dir, replace_folder
from barrierrank.outputs.pictures import save_picture
from barrierrank.problems import one_line

MOVES, CHANGES, PICTURE, WORDS = "compare.csv", "compare_inputs.csv", "compare.png", "compare.txt"
HEAD = "What moved between two runs of barrierrank"
# How each of our files begins: one of that name that begins otherwise is somebody else's.
_BEGINS = {MOVES: b"state,site,name,action,rank_a,", CHANGES: b"what,name,state,in_a,", WORDS: HEAD.encode()}
_OF_PICTURE = b"Software\x00barrierrank"
WIDTH = 110


def check_compare_dir(out_dir: Path) -> None:
    """Say whether `out_dir` can take a comparison, before anything is read.

    Parameters
    ----------
    out_dir : Path

    Raises
    ------
    OutputError
        Where it is no place for results, a folder that `rank` wrote, or holds files of other people under the names
        of ours.
    """
    check_own_dir(out_dir, _foreign, "moved")


def _foreign(folder: Path) -> Iterator[Path]:
    """Yield what other people have in the folder under the names of ours."""
    for name in (*_BEGINS, PICTURE):
        if os.path.lexists(folder / name) and not _is_ours(folder / name):
            yield folder / name


def _is_ours(path: Path) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return False
    begin = _BEGINS.get(path.name)
    return head.startswith(begin) if begin else _OF_PICTURE in head


def write_comparison(out_dir: Path, one: Comparison) -> list[Path]:
    """Write ``compare.csv``, ``compare_inputs.csv``, ``compare.png`` and ``compare.txt``, all or none of them.

    Files in the folder that are not ours stay.

    Parameters
    ----------
    out_dir : Path
        Made where it does not exist.
    one : Comparison

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
        See :func:`check_compare_dir`; or where nothing can be written. What was there is untouched.
    """
    check_compare_dir(out_dir)
    jobs: dict[str, Callable[[Path], None]] = {
        MOVES: partial(_write_table, table=one.moves),
        CHANGES: partial(_write_table, table=one.changes),
        PICTURE: lambda path: save_picture(path, partial(draw_slopes, one)),
        WORDS: partial(_write_words, one=one),
    }

    def write(fresh: Path) -> list[str]:
        for name, job in jobs.items():
            job(fresh / name)
        return list(jobs)

    return replace_folder(out_dir, write, lambda _old: ())  # all of ours are written anew, none is to go


def _write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table: texts on one line each and no formulas, numbers to six figures at least."""
    columns = {name: _clean(table[name], str(name)) for name in table}
    with path.open("w", encoding="utf-8", errors="replace", newline="") as file:
        pd.DataFrame(columns).to_csv(file, index=False, lineterminator="\n", quoting=csv.QUOTE_MINIMAL)


def _clean(column: pd.Series[Any], name: str) -> Any:
    if pd.api.types.is_float_dtype(column.dtype):
        kind: Kind = (
            "share"
            if name.startswith(("today_", "passability_", "chance_"))
            else "ratio"
            if "_per_" in name
            else "worth"
        )
        return rounded(column.to_numpy(), kind)
    if pd.api.types.is_integer_dtype(column.dtype):
        return column
    return [neutralise(one_line(v)) if isinstance(v, str) else v for v in column]


def _write_words(path: Path, one: Comparison) -> None:
    folders = [f"{name}: {one_line(str(run.folder))}" for name, run in (("A", one.a), ("B", one.b))]
    told = [HEAD, *folders, "", *sentences(one), "", f"Caution: {' '.join(cautions(one))}"]
    text = "\n".join(_filled(line) for line in told) + "\n"
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")


def spoken(one: Comparison, out_dir: Path) -> str:
    """Return what the command line says at the end.

    Parameters
    ----------
    one : Comparison
    out_dir : Path
    """
    told = [
        *sentences(one),
        "",
        f"Caution: {' '.join(cautions(one))}",
        f"comparison in {one_line(str(out_dir))}",
    ]
    return "\n".join(_filled(line, "  ") for line in told)


def _filled(line: str, indent: str = "") -> str:
    """Wrap a line, no number parted from its per cent sign."""
    kept = line.replace(" %", "\u00a0%")
    wrapped = textwrap.fill(
        kept, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return wrapped.replace("\u00a0%", " %")
