"""The command line: new, check, rank, plan, compare, demo."""

from __future__ import annotations

import argparse
import contextlib
import errno
import os
import sys
import traceback
from collections import Counter
from collections.abc import Sequence

from barrierrank.cli_parser import build_parser
from barrierrank.cli_work import run_demo, run_plan, run_rank
from barrierrank.problems import SEVERITIES, BarrierRankError, InputError, Problems, UsageError, one_line

EXIT_FAULT_OF_OURS = 3
EXIT_NOBODY_READS = 141
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Words after the program's name; those of the process by default.

    Returns
    -------
    int
        0 done; 1 the inputs are at fault; 2 wrong usage; 3 a fault of ours; 130 stopped from the keyboard; 141
        nobody reads what is printed any more.
    """
    if argv is None:
        _speak_utf8()
    words = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that lacks a letter of some name is no reason to stop
            stream.reconfigure(errors="backslashreplace")
    try:
        asked = build_parser().parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        code = COMMANDS[asked.command](asked, words)
        sys.stdout.flush()
        return code
    except InputError as error:
        for problem in error.problems:
            print(problem.line(), file=sys.stderr)
        return error.exit_code
    except BarrierRankError as error:
        print(f"error: {one_line(str(error))}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("stopped; results of earlier runs are as they were", file=sys.stderr)
        return 130
    except OSError as error:
        return _could_not_print(error)
    except Exception:  # the last line of defence: a fault of ours, told as one
        return _fault_of_ours()


def _fault_of_ours() -> int:
    """Print the exception being handled as a fault of the program."""
    traceback.print_exc()
    print(
        "error: this is a fault of barrierrank, not of your data; the lines above say where", file=sys.stderr
    )
    return EXIT_FAULT_OF_OURS


def _could_not_print(error: OSError) -> int:
    """Stop where nobody reads, or nothing holds, what is printed; any other such error is a fault of ours."""
    gone = isinstance(error, BrokenPipeError)  # as in `barrierrank check project.toml | head`
    if not gone and (error.errno not in NO_ROOM or error.filename is not None):
        return _fault_of_ours()
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - else closing it fails once more
    if gone:
        return EXIT_NOBODY_READS
    print(f"error: what is printed cannot be written ({error.strerror}) -> make room there", file=sys.stderr)
    return InputError.exit_code


def _speak_utf8() -> None:
    """Begin again in UTF-8 where the process takes file names for something else, as with LC_ALL=C.

    GDAL takes names in UTF-8 only; Python hands it others in pieces that are no letters.
    """
    if sys.getfilesystemencoding().lower() in ("utf-8", "utf8") or os.environ.get("PYTHONUTF8") == "1":
        return
    words = [sys.executable, "-m", "barrierrank", *sys.argv[1:]]
    os.execve(sys.executable, words, {**os.environ, "PYTHONUTF8": "1"})  # noqa: S606 - the same program


def run_new(asked: argparse.Namespace, _: Sequence[str]) -> int:
    """Write a project file for the user's layers."""
    from barrierrank.inputs.propose import propose_project  # noqa: PLC0415 - heavy imports only when needed

    if asked.out.exists():
        raise UsageError(f"{asked.out} exists already; name another file with --out")
    text = propose_project(
        asked.hydrography,
        asked.sites,
        asked.actions,
        layer=asked.layer,
        folder=asked.out.parent,
        species=_library_entries(asked.species),
    )
    try:
        asked.out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {asked.out}: {error.strerror}") from error
    print(f"wrote {asked.out}; read it through, then run: barrierrank check {asked.out}")
    return 0


def _library_entries(names: Sequence[str]) -> str:
    """Return the entries of the species library as the text of a project file, with the remarks on their sources."""
    from barrierrank.habitat import library  # noqa: PLC0415

    if not names:
        return ""
    unknown = [n for n in names if n not in library.names()]
    if unknown:
        there = ", ".join(library.names())
        raise UsageError(f'there is no species "{unknown[0]}" in the library; there are {there}')
    return "\n".join([library.about(), *(library.entry_text(n) for n in names)])


def run_check(asked: argparse.Namespace, _: Sequence[str]) -> int:
    """List every problem."""
    from barrierrank.checking import check_project  # noqa: PLC0415
    from barrierrank.project import load_project  # noqa: PLC0415

    problems, found = Problems(), ""
    with contextlib.suppress(InputError):  # listed below with all the rest
        found = check_project(load_project(asked.project, problems), problems)
    for severity in SEVERITIES:
        for problem in problems.of(severity):
            place = "" if problem.place is None else f" [at {problem.place[0]:.0f}, {problem.place[1]:.0f}]"
            print(problem.line() + place, file=sys.stderr if severity == "error" else sys.stdout)
    count = Counter(p.severity for p in problems)
    if found:
        print(found)
    print(", ".join(f"{count[s]} {s}{'s' if s != 'mended' and count[s] != 1 else ''}" for s in SEVERITIES))
    failed = count["error"] or (asked.strict and count["warning"])
    return InputError.exit_code if failed else 0


def run_compare(asked: argparse.Namespace, _: Sequence[str]) -> int:
    """Tell what moved between two runs."""
    from barrierrank.outputs.compare import compare_runs  # noqa: PLC0415
    from barrierrank.outputs.compare_read import read_runs  # noqa: PLC0415
    from barrierrank.outputs.compare_write import check_compare_dir, spoken, write_comparison  # noqa: PLC0415

    check_compare_dir(asked.out)
    found = compare_runs(*read_runs(asked.run_a, asked.run_b))
    write_comparison(asked.out, found)
    if not asked.quiet:
        print(spoken(found, asked.out))
    return 0


COMMANDS = {
    "new": run_new,
    "check": run_check,
    "rank": run_rank,
    "plan": run_plan,
    "compare": run_compare,
    "demo": run_demo,
}

if __name__ == "__main__":
    sys.exit(main())
