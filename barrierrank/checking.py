"""Everything a ranking would look at, looked at without ranking."""

from __future__ import annotations

import numpy as np

from barrierrank.basin import Basin, Clock, make_basin
from barrierrank.inputs.plan_demands import plan_demands
from barrierrank.network.crossings import tell_crossings
from barrierrank.outputs.units import format_length
from barrierrank.passage.designs import design_of, tell_drops
from barrierrank.problems import Problems
from barrierrank.project import Project
from barrierrank.ranking.words import Units
from barrierrank.run import check_rule


def check_project(project: Project, problems: Problems) -> str:
    """Look at everything a ranking would look at, and at lines that cross without a node; nothing is written.

    Returns
    -------
    str
        What was found, in a line: streams, sites, actions.

    Raises
    ------
    InputError
        When an error keeps later stages from being looked at; all problems are in `problems`.
    """
    check_rule(project, problems)
    basin = make_basin(project, problems, Clock())
    plan_demands(project.plan, basin.inputs.sites, basin.inputs.actions, problems, project.path.name)
    tell_crossings(basin.built.network, basin.inputs.lines, problems)
    measured = basin.passage.measured
    if measured is not None:
        tell_drops(measured, design_of(project, measured, problems), basin.inputs.sites, problems)
    if not len(basin.inputs.actions):
        problems.note(
            "no_actions",
            "no actions are given, so the priority list will be empty; streams, sites and what they hold back are told",
            where=project.path.name,
            remedy="name a table of what can be done at the sites in [actions]",
        )
    if basin.inputs.outlets is None and (mouths := _mouths(basin)) > 1:
        problems.note(
            "outlets_assumed",
            f"without [outlets] runs are taken to start at each of the {mouths:,} places where flow ends",
            where=project.path.name,
            remedy="name the mouths in [outlets] if some of these places are only the edge of the map or a gap",
        )
    return _found(basin, project.display.units)


def _mouths(basin: Basin) -> int:
    """Return how many places runs enter at."""
    network = basin.built.network
    return int(np.unique(network.head[network.entry[network.head]]).size)


def _found(basin: Basin, units: Units) -> str:
    """Say in a line what was read and where it ended up."""
    network, inputs = basin.built.network, basin.inputs
    on = 0 if basin.built.snapped is None else int((basin.built.snapped.line >= 0).sum())
    length = format_length(float(network.length_m.sum()), units)
    mouths = _mouths(basin)
    at = np.unique(inputs.actions.site_index).size
    return (
        f"{len(inputs.lines):,} lines make {len(network):,} reaches, {length} of stream, with {mouths:,} "
        f"outlet{'s' if mouths != 1 else ''}; {on:,} of {len(inputs.sites):,} sites are on them; "
        f"{len(inputs.actions):,} actions at {at:,} sites"
    )
