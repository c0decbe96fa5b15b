"""One way to say what is wrong with a file: which key names it, what was found, in which rows, what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from barrierrank.problems import InputError, Problems, Severity, some

#: Ids kept with one problem; its message tells how many there are.
_MOST_IDS = 1000


@dataclass(frozen=True)
class Report:
    """Where problems of one file go.

    Parameters
    ----------
    problems : Problems
    where : str
        File and layer.
    at : str
        Table or key of the project file that names it, e.g. ``"[hydrography]"``.
    """

    problems: Problems
    where: str
    at: str

    def add(
        self, severity: Severity, kind: str, message: str, *, remedy: str = "", ids: Sequence[Any] = ()
    ) -> None:
        """Append one problem about this file."""
        self.problems.add(
            severity,
            kind,
            f"{self.at}: {message}",
            remedy=remedy,
            where=self.where,
            ids=tuple(ids[:_MOST_IDS]),
        )

    def error(self, kind: str, message: str, *, remedy: str, ids: Sequence[Any] = ()) -> None:
        """Append an error about this file."""
        self.add("error", kind, message, remedy=remedy, ids=ids)

    def fatal(self, kind: str, message: str, *, remedy: str, ids: Sequence[Any] = ()) -> InputError:
        """Append an error nothing can be done after; return the exception to raise."""
        self.error(kind, message, remedy=remedy, ids=ids)
        return InputError(self.problems.of("error"))

    def key(self, name: str) -> Report:
        """Return the report of one key of the table, e.g. ``"[hydrography] id"``."""
        return Report(self.problems, self.where, f"{self.at} {name}")


@contextmanager
def own_errors(problems: Problems) -> Iterator[None]:
    """Raise at the end of the block if errors were added inside it, with every error there is.

    Raises
    ------
    InputError
    """
    before = len(problems.of("error"))
    yield
    errors = problems.of("error")
    if len(errors) > before:
        raise InputError(errors)


def true_rows(mask: npt.NDArray[np.bool_], row: npt.NDArray[np.int64] | None = None) -> list[int]:
    """Return the row numbers where `mask` is true; numbers from 1 where `row` is not given."""
    at = np.flatnonzero(mask)
    return [int(r) for r in (at + 1 if row is None else row[at])]


def in_rows(rows: Sequence[int]) -> str:
    """Return ``"row 3"`` or ``"rows 3, 5, 9"``, the first few."""
    return f"row{'s' if len(rows) > 1 else ''} {some(rows)}"
