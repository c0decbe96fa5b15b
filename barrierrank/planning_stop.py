"""Ctrl-C while plans are made: what is done by then is kept, what is not begun by then is left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TypeVar

from barrierrank.plan.found import Plan
from barrierrank.problems import Problems

T = TypeVar("T")

STOPPED = "stopped"
"""Kind of the warning; it says nothing about the inputs."""


@dataclass
class Stop:
    """Whether the user has stopped the work, and what was cut short by that.

    Parameters
    ----------
    asked : bool
    cut : list of str
    """

    asked: bool = False
    cut: list[str] = field(default_factory=list)

    @contextmanager
    def heard(self, what: str = "") -> Iterator[None]:
        """Leave what is inside at Ctrl-C, and go on behind it."""
        try:
            yield
        except KeyboardInterrupt:
            self.asked = True
            self.cut += [what] if what else []

    def note(self, plan: Plan, what: str = "") -> None:
        """Note whether the search for a plan was stopped."""
        if plan.status == "interrupted":
            self.asked = True
            self.cut += [what] if what else []

    def through(self, what: str, items: Sequence[T]) -> Iterator[T]:
        """Go through items until the user stops it."""
        for done, item in enumerate(items):
            if self.asked:
                self.cut.append(f"{what} ({done:,} of {len(items):,} done)")
                return
            yield item

    def tell(self, problems: Problems) -> None:
        """Add a warning that names what was cut short."""
        if self.cut:
            problems.warning(
                STOPPED, f"stopped from the keyboard; cut short: {'; '.join(self.cut)}",
                remedy="run it again and wait, or ask for less of it in [plan]",
            )  # fmt: skip
