"""The commands that do the work: rank, plan, demo."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from barrierrank.cli_tell import Progress, keep_inputs, tell_mended, tell_ranking, warn
from barrierrank.problems import InputError, Problems, UsageError

if TYPE_CHECKING:  # heavy imports only when needed
    from barrierrank.outputs.plan_look import PlanLook
    from barrierrank.planning import PlanRequest
    from barrierrank.project import Project
    from barrierrank.run import RankedRun

DEMO_BUDGET = 2_000_000.0
"""What the plan of the demo may cost [USD]."""
DEMO_PLAN = "plan"
"""Folder of the plan among the results of the demo."""


def run_rank(asked: argparse.Namespace, words: Sequence[str]) -> int:
    """Rank and write all results."""
    _ranked(asked, words, Problems())
    return 0


def run_plan(asked: argparse.Namespace, words: Sequence[str]) -> int:
    """Find the best plan for a budget and write it."""
    from barrierrank.outputs.plan_write import NAMES, check_plan_dir  # noqa: PLC0415
    from barrierrank.planning import PlanRequest  # noqa: PLC0415
    from barrierrank.project import load_project  # noqa: PLC0415
    from barrierrank.run import input_files  # noqa: PLC0415

    problems = Problems()
    check_plan_dir(asked.out)
    project = load_project(asked.project, problems)
    keep_inputs(input_files(project), asked.out, NAMES.__contains__)
    request = PlanRequest(asked.budget, asked.years, asked.curve, asked.front)
    _planned(asked, words, problems, project, request)
    if not asked.quiet:
        tell_mended(problems)
    return 0


def run_demo(asked: argparse.Namespace, words: Sequence[str]) -> int:
    """Rank the demo basin, and plan for one budget."""
    from barrierrank.outputs.plan_write import check_plan_dir  # noqa: PLC0415
    from barrierrank.planning import PlanRequest  # noqa: PLC0415

    places = [asked.data] if asked.data else [Path(__file__).parents[1] / "data_demo", Path("data_demo")]
    found = [p / "project.toml" for p in places if (p / "project.toml").is_file()]
    if not found:
        raise UsageError(f"no demo data in {places[0]}; name the folder data_demo of the project with --data")
    asked.project = found[0]
    check_plan_dir(asked.out / DEMO_PLAN)
    problems = Problems()
    project, run = _ranked(asked, words, problems)
    asked.out = asked.out / DEMO_PLAN
    _planned(asked, words, problems, project, PlanRequest(DEMO_BUDGET, curve=True, front=True), run)
    return 0


def _ranked(asked: argparse.Namespace, words: Sequence[str], problems: Problems) -> tuple[Project, RankedRun]:
    """Rank, write and tell; return what was ranked."""
    from barrierrank.basin import Clock  # noqa: PLC0415
    from barrierrank.outputs.bundle import check_out_dir, is_ours, write_bundle  # noqa: PLC0415
    from barrierrank.project import load_project  # noqa: PLC0415
    from barrierrank.run import input_files, ranked_run  # noqa: PLC0415

    say = Progress(quiet=asked.quiet)
    check_out_dir(asked.out)
    project = load_project(asked.project, problems)
    keep_inputs(input_files(project), asked.out, is_ours)
    try:
        run = ranked_run(project, problems, Clock(say), command=["barrierrank", *words])
    except InputError:
        warn(problems)  # they can tell why
        raise
    if asked.strict and problems.of("warning"):
        raise InputError(problems.of("warning"))
    write_bundle(asked.out, run.model, progress=lambda name: say(f"writing {name}"))
    say.end()
    warn(problems)
    if not asked.quiet:
        tell_ranking(run.model, problems, asked.out)
    return project, run


def _planned(
    asked: argparse.Namespace, words: Sequence[str], problems: Problems, project: Project, request: PlanRequest,
    run: RankedRun | None = None,
) -> None:  # fmt: skip
    """Plan, write and tell; with a ranking that there is already, what was told of it is not told again."""
    from barrierrank.outputs.plan_words import spoken_plan  # noqa: PLC0415
    from barrierrank.outputs.plan_write import MAP, write_plan  # noqa: PLC0415
    from barrierrank.planning_stop import STOPPED  # noqa: PLC0415

    say = Progress(quiet=asked.quiet)
    told = len(problems)
    try:
        look = _found(project, problems, request, (say, words), run)
    except InputError:
        warn(Problems(problems.found[told:]))
        raise
    doubts = [p for p in problems.of("warning") if p.kind != STOPPED]
    if asked.strict and doubts:
        raise InputError(doubts)
    write_plan(asked.out, look, progress=lambda name: say(f"writing {name}"))
    say.end()
    warn(Problems(problems.found[told:]))
    if not asked.quiet:
        print(spoken_plan(look))
        print(f"plan in {asked.out}: open {asked.out / MAP}")


def _found(
    project: Project, problems: Problems, request: PlanRequest, way: tuple[Progress, Sequence[str]],
    run: RankedRun | None,
) -> PlanLook:  # fmt: skip
    """Find the plan; that there is none is a fault of what is asked."""
    from barrierrank.plan.demands import NoPlanError  # noqa: PLC0415
    from barrierrank.planning import plan_project  # noqa: PLC0415

    say, words = way
    try:
        return plan_project(
            project, problems, request, progress=say, command=["barrierrank", *words], run=run
        )
    except NoPlanError as error:
        problems.error(
            "no_plan", str(error), where=project.path.name,
            remedy="raise the budget, or ask for less in [plan]",
        )  # fmt: skip
        raise InputError(problems.of("error")) from error
