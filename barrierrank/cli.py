"""The command line: new, check, rank, compare, demo."""

from __future__ import annotations

import argparse
import contextlib
import errno
import os
import sys
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import barrierrank
from barrierrank.problems import SEVERITIES, BarrierRankError, InputError, Problems, UsageError, one_line

EXIT_FAULT_OF_OURS = 3
EXIT_NOBODY_READS = 141
MOST_WARNINGS = 5
"""Warnings of one kind that `rank` prints before it refers to the layer of problems; `check` prints all."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO)

OVERVIEW = """\
Rank and plan stream barriers that keep a spawning-run invader out of rivers and let native fish through.

  barrierrank demo                               the whole job on an invented basin, in half a minute
  barrierrank new streams.gpkg --sites dams.csv  write a commented project file for your own layers
  barrierrank check project.toml                 list everything that is wrong or doubtful, all at once
  barrierrank rank project.toml --out results    priority list, spreadsheet, GIS layers, pictures, map
  barrierrank compare results_1 results_2 --out moved   what moved between two runs, and what changed

Results are planning-level: see the cautions that each of them carries.
"""

NEW = """\
Look at your layers and write a project file for them, each line with its reason. Then read it through, put in the
species you manage, and run `barrierrank check` on it.

  barrierrank new streams.gpkg
  barrierrank new streams.gpkg --sites dams.csv --species sea_lamprey walleye
  barrierrank new streams.gpkg --layer flowlines --sites dams.csv --actions costs.xlsx --out basin.toml
"""

CHECK = """\
Read everything a project names, build the network, and list every problem with its file, row, place and remedy.
Nothing is written.

  barrierrank check project.toml
  barrierrank check project.toml --strict        warnings count as errors, for use in scripts
"""

RANK = """\
Do the main job: where each species can go, what each site holds back, what each action brings and costs.
Writes priority_list.csv and .xlsx, cautions.txt, results.gpkg, map.html, blocked_<species>.png and run.json; with
[terrain] also profile_<number>_<stream>.png for the twelve longest main stems, with [survey]
survey_<species>_<stage>.png, with [structures] or [trials] passage.csv, with [structures] passage_<site>.png and
season_<site>_<number>.png.

  barrierrank rank project.toml --out results
  barrierrank rank project.toml --out results --quiet
"""

COMPARE = """\
Set two runs side by side, A before and B after: which actions moved in the list and how far, and which inputs,
parameters and version changed between the runs. Reads the folders that `rank` wrote, nothing else.
Writes compare.csv (a row for each action), compare_inputs.csv, compare.png and compare.txt. Where both runs drew their
inputs, moves beyond what the draws leave open are told apart.

  barrierrank compare results_2024 results_2025 --out moved
  barrierrank compare results_2024 results_2025 --out moved --quiet
"""

DEMO = """\
Run `rank` on the demo basin: an invented lake with its tributaries, about 1,500 reaches and 75 sites.

  barrierrank demo
  barrierrank demo --out maps/demo
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = argparse.ArgumentParser(
        prog="barrierrank", description=OVERVIEW, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"barrierrank {barrierrank.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="command", required=True)

    def command(name: str, short: str, text: str) -> argparse.ArgumentParser:
        return commands.add_parser(
            name, help=short, description=text, formatter_class=argparse.RawDescriptionHelpFormatter
        )

    new = command("new", "write a commented project file for your layers", NEW)
    new.add_argument("hydrography", type=Path, help="file with the stream lines")
    new.add_argument("--layer", help="layer of that file")
    new.add_argument("--sites", type=Path, help="table or layer of sites")
    new.add_argument("--actions", type=Path, help="table of actions")
    new.add_argument("--species", nargs="+", metavar="NAME", default=[], help="entries of the species library")
    new.add_argument(
        "--out", type=Path, default=Path("project.toml"), help="project file to write (%(default)s)"
    )

    check = command("check", "list every problem of a project's inputs", CHECK)
    check.add_argument("project", type=Path, help="project file (TOML)")
    check.add_argument("--strict", action="store_true", help="let warnings count as errors")

    rank = command("rank", "rank the actions and write all results", RANK)
    rank.add_argument("project", type=Path, help="project file (TOML)")
    rank.add_argument("--out", type=Path, required=True, help="folder for the results")

    compare = command("compare", "tell what moved between two runs", COMPARE)
    compare.add_argument("run_a", metavar="RUN_A", type=Path, help="folder of results, the earlier one")
    compare.add_argument("run_b", metavar="RUN_B", type=Path, help="folder of results, the later one")
    compare.add_argument("--out", type=Path, required=True, help="folder for the comparison")
    compare.add_argument("--quiet", action="store_true", help="say nothing but problems")

    demo = command("demo", "run the job on an invented basin", DEMO)
    demo.add_argument(
        "--out", type=Path, default=Path("maps/demo"), help="folder for the results (%(default)s)"
    )
    demo.add_argument("--data", type=Path, help="folder of the demo data (found beside the package)")
    for sub in (rank, demo):
        sub.add_argument("--strict", action="store_true", help="let warnings count as errors")
        sub.add_argument("--quiet", action="store_true", help="say nothing but problems")
    return parser


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
    print("error: this is a fault of barrierrank, not of your data; the lines above say where", file=sys.stderr)
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


def run_rank(asked: argparse.Namespace, words: Sequence[str]) -> int:
    """Rank and write all results."""
    from barrierrank.outputs.bundle import check_out_dir, write_bundle  # noqa: PLC0415
    from barrierrank.project import load_project  # noqa: PLC0415
    from barrierrank.run import input_files, rank_project  # noqa: PLC0415

    say = _Progress(quiet=asked.quiet)
    problems = Problems()
    check_out_dir(asked.out)
    project = load_project(asked.project, problems)
    _keep_inputs(input_files(project), asked.out)
    try:
        model = rank_project(project, problems, progress=say, command=["barrierrank", *words])
    except InputError:
        _warn(problems)  # they can tell why
        raise
    if asked.strict and problems.of("warning"):
        raise InputError(problems.of("warning"))
    write_bundle(asked.out, model, progress=lambda name: say(f"writing {name}"))
    say.end()
    _warn(problems)
    if not asked.quiet:
        _tell(model, problems, asked.out)
    return 0


def _keep_inputs(files: Sequence[Path], out: Path) -> None:
    """Refuse to write results over files they are made from, as a list of last year that was filled in anew.

    Raises
    ------
    UsageError
    """
    from barrierrank.outputs.bundle import is_ours  # noqa: PLC0415

    for path in files:
        there = path.resolve()
        if is_ours(there.name) and there.parent == out.resolve():
            raise UsageError(
                f"{path} is an input and would be replaced by the results -> give another folder with --out"
            )


def _warn(problems: Problems) -> None:
    """Print the warnings, of each kind the first few; all of them are in the results."""
    told: Counter[str] = Counter()
    for problem in problems.of("warning"):
        told[problem.kind] += 1
        if told[problem.kind] <= MOST_WARNINGS:
            print(problem.line(), file=sys.stderr)
    for kind, count in told.items():
        if count > MOST_WARNINGS:
            print(f"warning: {count - MOST_WARNINGS:,} more of {kind}: see layer problems", file=sys.stderr)


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


def run_demo(asked: argparse.Namespace, words: Sequence[str]) -> int:
    """Rank the demo basin."""
    places = [asked.data] if asked.data else [Path(__file__).parents[1] / "data_demo", Path("data_demo")]
    found = [p / "project.toml" for p in places if (p / "project.toml").is_file()]
    if not found:
        raise UsageError(f"no demo data in {places[0]}; name the folder data_demo of the project with --data")
    asked.project = found[0]
    return run_rank(asked, words)


class _Progress:
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


def _tell(model: object, problems: Problems, out: Path) -> None:
    """Print the outcome in a few lines: the head of the list, what was mended, where the results are."""
    from barrierrank.outputs.model import OutputModel  # noqa: PLC0415
    from barrierrank.outputs.spoken import spoken_summary  # noqa: PLC0415

    assert isinstance(model, OutputModel)
    print(spoken_summary(model))
    mended = Counter(p.kind for p in problems.of("mended"))
    if mended:
        print(
            "mended: " + ", ".join(f"{n} {kind}" for kind, n in sorted(mended.items())) + " (layer problems)"
        )
    print(f"results in {out}: open {out / 'map.html'}")


COMMANDS = {"new": run_new, "check": run_check, "rank": run_rank, "compare": run_compare, "demo": run_demo}

if __name__ == "__main__":
    sys.exit(main())
