"""What the commands print: stages as they go, warnings, the outcome."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from barrierrank.problems import Problems, UsageError

MOST_WARNINGS = 5
"""Warnings of one kind that are printed before the layer of problems is referred to; `check` prints all."""


def keep_inputs(files: Sequence[Path], out: Path, is_ours: Callable[[str], bool]) -> None:
    """Refuse to write results over files they are made from, as a list of last year that was filled in anew.

    Parameters
    ----------
    files : sequence of Path
        Inputs.
    out : Path
        Folder of the results.
    is_ours : callable
        Whether results have a file of this name.

    Raises
    ------
    UsageError
    """
    for path in files:
        there = path.resolve()
        if is_ours(there.name) and there.parent == out.resolve():
            raise UsageError(
                f"{path} is an input and would be replaced by the results -> give another folder with --out"
            )


def warn(problems: Problems) -> None:
    """Print the warnings, of each kind the first few; all of them are in the results."""
    told: Counter[str] = Counter()
    for problem in problems.of("warning"):
        told[problem.kind] += 1
        if told[problem.kind] <= MOST_WARNINGS:
            print(problem.line(), file=sys.stderr)
    for kind, count in told.items():
        if count > MOST_WARNINGS:
            print(f"warning: {count - MOST_WARNINGS:,} more of {kind}: see layer problems", file=sys.stderr)


class Progress:
    """Tell what goes on, a line a stage with the seconds it took, on standard error."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.begun: tuple[str, float] | None = None

    def __call__(self, words: str) -> None:
        """Tell the stage before as done and this one as begun."""
        self.end()
        self.begun = (words, time.perf_counter())

    def end(self) -> None:
        """Tell the last stage as done."""
        if self.begun is not None and not self.quiet:
            words, start = self.begun
            print(f"  {time.perf_counter() - start:6.1f} s  {words}", file=sys.stderr, flush=True)
        self.begun = None


def tell_ranking(model: object, problems: Problems, out: Path) -> None:
    """Print the outcome of a ranking in a few lines: the head of the list, what was mended, where the results are."""
    from barrierrank.outputs.model import OutputModel  # noqa: PLC0415
    from barrierrank.outputs.spoken import spoken_summary  # noqa: PLC0415

    assert isinstance(model, OutputModel)
    print(spoken_summary(model))
    tell_mended(problems)
    print(f"results in {out}: open {out / 'map.html'}")


def tell_mended(problems: Problems) -> None:
    """Print in a line how much of what was mended."""
    mended = Counter(p.kind for p in problems.of("mended"))
    if mended:
        print(
            "mended: " + ", ".join(f"{n} {kind}" for kind, n in sorted(mended.items())) + " (layer problems)"
        )
