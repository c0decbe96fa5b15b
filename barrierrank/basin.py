"""From a project file to the basin: inputs read, network built, sites placed, habitat worked out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TypeVar

from barrierrank.access.graph import AccessGraph
from barrierrank.habitat.amounts import tell_no_discharge
from barrierrank.habitat.build import ReachHabitat, build_habitat
from barrierrank.inputs.actions import ActionTable, read_actions
from barrierrank.inputs.lines import LineTable, read_lines
from barrierrank.inputs.outlets import OutletTable, read_outlets
from barrierrank.inputs.sites import SiteTable, look_over_sites
from barrierrank.network.build import Built, NetworkSettings, build_network
from barrierrank.network.sites import SnapSettings, tell_none_near
from barrierrank.problems import InputError, Problems
from barrierrank.project import Project

Progress = Callable[[str], None]
T = TypeVar("T")


def silent(_: str) -> None:
    """Say nothing."""


@dataclass
class Clock:
    """How long each stage took [s]; tells `progress` what begins.

    Parameters
    ----------
    progress : callable
        Called with a few words when a stage begins.
    """

    progress: Progress = silent
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str, words: str) -> Iterator[None]:
        """Time a stage."""
        self.progress(words)
        start = time.perf_counter()
        yield
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - start, 4)


@dataclass(frozen=True, eq=False)
class Inputs:
    """Everything read, checked each for itself."""

    lines: LineTable
    sites: SiteTable
    actions: ActionTable
    outlets: OutletTable | None


@dataclass(frozen=True, eq=False)
class Basin:
    """The network with its sites, drawn together, and each species' habitat.

    Parameters
    ----------
    inputs : Inputs
    built : Built
    graph : AccessGraph
    habitat : ReachHabitat
    """

    inputs: Inputs
    built: Built
    graph: AccessGraph
    habitat: ReachHabitat


def read_inputs(project: Project, problems: Problems) -> Inputs:
    """Read lines, sites, actions and outlets; the problems of all of them are told together.

    Raises
    ------
    InputError
    """
    lines = _tried(lambda: read_lines(project, problems))
    sites = _tried(lambda: look_over_sites(project, problems))
    actions = None if sites is None else _tried(lambda: read_actions(project, sites, problems))
    outlets = _tried(lambda: read_outlets(project, problems))
    problems.stop_on_errors()
    assert lines is not None and sites is not None and actions is not None  # noqa: PT018
    return Inputs(lines, sites, actions, outlets)


def _tried(read: Callable[[], T]) -> T | None:
    try:
        return read()
    except InputError:
        return None  # its problems are in the list; the other inputs are still to be looked at


def make_basin(project: Project, problems: Problems, clock: Clock) -> Basin:
    """Read the inputs, build the network, put the sites on it and work out habitat.

    Raises
    ------
    InputError
    """
    with clock.stage("read", "reading lines, sites and actions"):
        inputs = read_inputs(project, problems)
    spec = project.hydrography
    with clock.stage("network", f"building the network from {len(inputs.lines):,} lines"):
        built = build_network(
            inputs.lines,
            NetworkSettings(spec.direction, spec.join_tolerance_m, spec.drawn),
            problems,
            sites=inputs.sites,
            snapping=SnapSettings(
                project.sites.snap_tolerance_m, project.sites.ambiguous_m, project.sites.area_ratio
            ),
            outlets=inputs.outlets,
        )
    tell_none_near(
        inputs.sites,
        built.snapped,
        (built.network.x, built.network.y),
        project.sites.snap_tolerance_m,
        problems,
    )
    with clock.stage("habitat", "working out habitat"):
        habitat = build_habitat(project, built.network, inputs.lines, inputs.sites, problems)
        if any(s.treatment is not None and s.treatment.per == "discharge" for s in project.species):
            tell_no_discharge(built.network, inputs.lines, problems)
    problems.stop_on_errors()
    with clock.stage("access", "finding out where each species can go"):
        graph = AccessGraph.from_network(built.network, len(inputs.sites))
    return Basin(inputs, built, graph, habitat)
