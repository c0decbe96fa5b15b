"""Columns of words out of a list, and what the numbers of a row rest on."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.cells import is_blank
from barrierrank.inputs.report import Report, in_rows, true_rows
from barrierrank.inputs.tables import RawTable
from barrierrank.project_check import nearest
from barrierrank.project_uncertainty import ROW_EVIDENCE

ObjectArray = npt.NDArray[np.object_]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

EVIDENCE_COLUMN = "evidence"


def read_words(
    cells: ObjectArray, row: IntArray, name: str, words: tuple[str, ...], report: Report
) -> ObjectArray:
    """Read a column of words, however capitals, commas, blanks and hyphens are written; complain of unknown ones.

    Returns
    -------
    (n,) object array of str
        As in `words`; ``""`` where blank or unknown.
    """
    known = {_plain(w): w for w in words}
    listed = ("; " if any("," in w for w in words) else ", ").join(words)
    out = np.array([known.get(_plain(c), "") for c in cells], dtype=object)
    wrong = (out == "") & ~is_blank(cells)
    for given in dict.fromkeys(cells[wrong].tolist()):
        rows = true_rows(wrong & (cells == given), row)
        message = f'{in_rows(rows)}, column "{name}": there is no {name} "{given}"'
        near = nearest(given, words) or "give one of those there are"
        report.error(f"unknown_{name}", message, ids=rows, remedy=f"{near} ({listed})")
    return out


def _plain(word: str) -> str:
    """Return words without what is written this way or that: capitals, commas, hyphens, several blanks."""
    return " ".join(re.sub(r"[-_,\s]+", " ", word.casefold()).split())


def read_evidence(raw: RawTable, report: Report) -> ObjectArray:
    """Read what the numbers of each row rest on; complain of words that are no class of evidence.

    Parameters
    ----------
    raw : RawTable
        Of n rows, with or without a column `evidence`.
    report : Report

    Returns
    -------
    (n,) object array of str
        One of `project_uncertainty.ROW_EVIDENCE`; ``""`` where blank, unknown, or where no column says.
    """
    if EVIDENCE_COLUMN not in raw.frame.columns:
        return np.full(len(raw.frame), "", dtype=object)
    return read_words(raw.text(EVIDENCE_COLUMN), raw.row, EVIDENCE_COLUMN, ROW_EVIDENCE, report)


def is_rating(cells: ObjectArray, ratings: Mapping[str, float]) -> BoolArray:
    """Tell which cells hold a word of [ratings]: one of them may be a word for an empty cell otherwise.

    Parameters
    ----------
    cells : (n,) object array of str
    ratings : Mapping of str to float
        Lower case.
    """
    return np.fromiter((c.casefold() in ratings for c in cells), dtype=bool, count=len(cells))
