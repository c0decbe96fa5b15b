"""From a project file to the basin: inputs read, network built, sites placed, habitat worked out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.graph import AccessGraph
from barrierrank.habitat.amounts import tell_no_discharge
from barrierrank.habitat.build import ReachHabitat, build_habitat
from barrierrank.inputs.actions import ActionTable, read_actions
from barrierrank.inputs.flows import FlowRecords, read_flows
from barrierrank.inputs.lines import LineTable, read_lines
from barrierrank.inputs.outlets import OutletTable, read_outlets
from barrierrank.inputs.sites import SiteTable, look_over_sites
from barrierrank.inputs.structures import StructureTable, read_structures
from barrierrank.inputs.trials import TrialTable, check_trial_actions, read_trials
from barrierrank.network.build import Built, NetworkSettings, build_network
from barrierrank.network.sites import SnapSettings, tell_none_near
from barrierrank.passage.after import ActionPassability, actions_after
from barrierrank.passage.today import Measured, SitePassability, Tried, measure, sites_today, try_out
from barrierrank.passage.trials import combine
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
    structures: StructureTable
    flows: FlowRecords | None
    trials: TrialTable


@dataclass(frozen=True, eq=False)
class PassageWork:
    """How the passabilities came about.

    Parameters
    ----------
    measured : Measured or None
        None where nothing is worked out from structures and flows.
    tried : Tried
    today : SitePassability
    after : ActionPassability
    """

    measured: Measured | None
    tried: Tried
    today: SitePassability
    after: ActionPassability


@dataclass(frozen=True, eq=False)
class Basin:
    """The network with its sites, drawn together, and each species' habitat.

    Parameters
    ----------
    inputs : Inputs
        With every passability known, see `passage`.
    built : Built
    graph : AccessGraph
    habitat : ReachHabitat
    passage : PassageWork
    """

    inputs: Inputs
    built: Built
    graph: AccessGraph
    habitat: ReachHabitat
    passage: PassageWork


def read_inputs(project: Project, problems: Problems) -> Inputs:
    """Read all tables and layers; the problems of all of them are told together.

    Raises
    ------
    InputError
    """
    lines = _tried(lambda: read_lines(project, problems))
    sites = _tried(lambda: look_over_sites(project, problems))
    actions = None if sites is None else _tried(lambda: read_actions(project, sites, problems))
    outlets = _tried(lambda: read_outlets(project, problems))
    structures = None if sites is None else _tried(lambda: read_structures(project, sites, problems))
    flows = None if project.flows is None else _tried(lambda: read_flows(project, problems))
    trials = None if sites is None else _tried(lambda: read_trials(project, sites, problems))
    if trials is not None and actions is not None and sites is not None:
        _tried(lambda: check_trial_actions(trials, actions, sites, problems))
    problems.stop_on_errors()
    assert lines is not None and sites is not None and actions is not None  # noqa: PT018
    assert structures is not None and trials is not None  # noqa: PT018
    return Inputs(lines, sites, actions, outlets, structures, flows, trials)


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
    with clock.stage("passage", "working out who gets past each structure"):
        passage = _passage(project, inputs, site_areas(inputs.sites, built, habitat), problems)
        inputs = with_passage(inputs, passage)
    problems.stop_on_errors()
    with clock.stage("access", "finding out where each species can go"):
        graph = AccessGraph.from_network(built.network, len(inputs.sites))
    return Basin(inputs, built, graph, habitat, passage)


def site_areas(sites: SiteTable, built: Built, habitat: ReachHabitat) -> NDArray[np.float64]:
    """Return the drainage area of each site [km2]: its own, else that of the reach above it, else NaN."""
    area = np.full(len(sites), np.nan) if sites.drainage_area_km2 is None else sites.drainage_area_km2.copy()
    of_reach = habitat.known.attributes.numbers.get("drainage_area")
    if of_reach is not None:
        reach = built.network.site_reach(len(sites))
        fill = np.isnan(area) & (reach >= 0)
        area[fill] = of_reach[reach[fill]]
    return area


def _passage(
    project: Project, inputs: Inputs, area_km2: NDArray[np.float64], problems: Problems
) -> PassageWork:
    """Work out every passability that is not given."""
    tried = try_out(project, combine(inputs.trials), problems)
    measured = (
        None if inputs.flows is None else measure(project, inputs.structures, inputs.flows, area_km2, problems)
    )
    today = sites_today(project, inputs.sites, measured, tried, problems)
    after = actions_after(project, (inputs.sites, inputs.actions), today, measured, tried, problems)
    return PassageWork(measured, tried, today, after)


def with_passage(inputs: Inputs, passage: PassageWork) -> Inputs:
    """Return the inputs with every passability filled in."""
    sites = replace(inputs.sites, passability=passage.today.p)
    return replace(inputs, sites=sites, actions=replace(inputs.actions, passability=passage.after.p))
