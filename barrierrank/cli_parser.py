"""What the command line takes, and what its help says."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import barrierrank

OVERVIEW = """\
Rank and plan stream barriers that keep a spawning-run invader out of rivers and let native fish through.

  barrierrank demo                               the whole job on an invented basin
  barrierrank new streams.gpkg --sites dams.csv  write a commented project file for your own layers
  barrierrank check project.toml                 list everything that is wrong or doubtful, all at once
  barrierrank rank project.toml --out results    priority list, spreadsheet, GIS layers, pictures, map
  barrierrank plan project.toml --budget 2000000 --out plan   the best set of actions for a budget
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

PLAN = """\
Find the set of actions that together is worth most for a budget, with a bound on how much better any other set could
be. Actions are weighed beside each other: what opens a river above, and what still stops fish below. Tells where the
set differs from taking the list from the top, and what that is worth. [plan] in the project file says what else is
asked: forced and forbidden actions, actions that exclude or need each other, a cap on what the invader may reach.
Writes plan.csv and .xlsx, plan_left_out.csv, plan_access.csv, plan_steadiness.csv where inputs are drawn, cautions.txt,
plan.gpkg, plan_map.html, plan_access_<species>.png and plan.json; with --curve also plan_curve.csv and .png, with
--front plan_front.csv and .png. Ctrl-C ends the search with the best set so far.

  barrierrank plan project.toml --budget 2000000 --out plan
  barrierrank plan project.toml --budget 2_000_000 --years 4 --out plan    the budget shared evenly by four years
  barrierrank plan project.toml --budget 2e6 --curve --front --out plan    other budgets; natives against the invader
  barrierrank plan project.toml --out plan                                 the budget of year_budgets in [plan]
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
Run `rank`, and `plan` for a budget of USD 2 million, on the demo basin: an invented lake with its tributaries, about
1,500 reaches and 75 sites. The plan goes into the folder plan among the results.

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
    new.add_argument(
        "--species", nargs="+", metavar="NAME", default=[], help="entries of the species library"
    )
    new.add_argument(
        "--out", type=Path, default=Path("project.toml"), help="project file to write (%(default)s)"
    )

    check = command("check", "list every problem of a project's inputs", CHECK)
    check.add_argument("project", type=Path, help="project file (TOML)")
    check.add_argument("--strict", action="store_true", help="let warnings count as errors")

    rank = command("rank", "rank the actions and write all results", RANK)
    rank.add_argument("project", type=Path, help="project file (TOML)")
    rank.add_argument("--out", type=Path, required=True, help="folder for the results")

    plan = command("plan", "find the best set of actions for a budget", PLAN)
    plan.add_argument("project", type=Path, help="project file (TOML)")
    plan.add_argument(
        "--budget", type=_budget, metavar="X", help="money for all years together (year_budgets of [plan])"
    )
    plan.add_argument(
        "--years", type=_years, metavar="N", default=0, help="funding years that share it evenly"
    )
    plan.add_argument("--curve", action="store_true", help="plan for other budgets too")
    plan.add_argument("--front", action="store_true", help="plan for caps on what the invader may reach too")
    plan.add_argument("--out", type=Path, required=True, help="folder for the plan")

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
    for sub in (rank, plan, demo):
        sub.add_argument("--strict", action="store_true", help="let warnings count as errors")
        sub.add_argument("--quiet", action="store_true", help="say nothing but problems")
    return parser


def _budget(text: str) -> float:
    """Read a sum of money: "2000000", "2_000_000" or "2e6"."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write 2000000 or 2_000_000") from None
    if not (math.isfinite(value) and value >= 0.0):
        raise argparse.ArgumentTypeError(f"{text} was given; it must be 0 or more, and finite")
    return value


def _years(text: str) -> int:
    """Read a number of funding years."""
    try:
        value = int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number") from None
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text} was given; it must be 1 or more")
    return value
