"""What can be wrong with the inputs, collected as one list and told in one way.

Every stage adds to a :class:`Problems`; nothing is dropped without an entry. Entries of severity ``error``
stop the work at the end of the stage that found them, so that a user sees all of them at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from numpy.typing import NDArray

Severity = Literal["error", "warning", "mended", "note"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "mended", "note")


class BarrierRankError(Exception):
    """Base of every error this package raises on purpose; `exit_code` is what the command line returns."""

    exit_code: ClassVar[int] = 3


class InputError(BarrierRankError):
    """The inputs are at fault; carries every problem found."""

    exit_code: ClassVar[int] = 1

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(p.line() for p in self.problems))


class UsageError(BarrierRankError):
    """The command was called in a way it cannot serve."""

    exit_code: ClassVar[int] = 2


class BarrierRankWarning(UserWarning):
    """A warning for callers of the library who hand in no :class:`Problems` list."""


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong or was mended.

    Parameters
    ----------
    severity : {"error", "warning", "mended", "note"}
        `mended`: put right safely and listed; `note`: worth knowing, nothing to do.
    kind : str
        Short stable word of the rule that found it, e.g. ``"t_join"``; what users filter by.
    where : str
        File (and layer) it was found in, or ``""``.
    ids : tuple of str
        Row numbers or feature ids it concerns.
    message : str
        What was given and what is wrong with it.
    remedy : str
        What to do about it; empty where nothing need be done.
    place : tuple of (float, float) or None
        Coordinates [m] in the basin's CRS, for the `problems` layer.
    """

    severity: Severity
    kind: str
    message: str
    remedy: str = ""
    where: str = ""
    ids: tuple[str, ...] = ()
    place: tuple[float, float] | None = None

    def line(self) -> str:
        """One line of plain words: severity, file, ids, message, remedy."""
        head = f"{self.severity}: "
        if self.where:
            head += f"{self.where}: "
        remedy = f" -> {self.remedy}" if self.remedy else ""
        return one_line(f"{head}{self.message}{remedy}")


@dataclass
class Problems:
    """A growing list of problems shared by the stages of one run."""

    found: list[Problem] = field(default_factory=list)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.found)

    def __len__(self) -> int:
        return len(self.found)

    def add(self, severity: Severity, kind: str, message: str, **rest: Any) -> None:
        """Append one problem; `rest` are the other fields of :class:`Problem`."""
        ids = tuple(str(i) for i in rest.pop("ids", ()))
        self.found.append(Problem(severity, kind, message, ids=ids, **rest))

    def error(self, kind: str, message: str, **rest: Any) -> None:
        """Append a problem that must stop the run."""
        self.add("error", kind, message, **rest)

    def warning(self, kind: str, message: str, **rest: Any) -> None:
        """Append something the user should look at; the run goes on."""
        self.add("warning", kind, message, **rest)

    def mended(self, kind: str, message: str, **rest: Any) -> None:
        """Append something that was put right safely."""
        self.add("mended", kind, message, **rest)

    def note(self, kind: str, message: str, **rest: Any) -> None:
        """Append something worth knowing."""
        self.add("note", kind, message, **rest)

    def of(self, severity: Severity) -> list[Problem]:
        """Return the problems of one severity, in the order found."""
        return [p for p in self.found if p.severity == severity]

    def stop_on_errors(self) -> None:
        """Raise :class:`InputError` with every error so far, if there is one.

        Raises
        ------
        InputError
        """
        errors = self.of("error")
        if errors:
            raise InputError(errors)


def one_line(text: str) -> str:
    """Return `text` with control characters (line breaks among them) as spaces, so that a line stays a line."""
    return "".join(c if c.isprintable() else " " for c in text)


def some(ids: Sequence[object] | NDArray[Any], most: int = 5) -> str:
    """List the first few of `ids` in words: ``"7: 12, 15, 18, 20, 31, ..."``.

    Parameters
    ----------
    ids : sequence
        What to list.
    most : int
        How many to name.
    """
    names = ", ".join(str(i) for i in ids[:most])
    return f"{names}, ... ({len(ids)} in all)" if len(ids) > most else names
