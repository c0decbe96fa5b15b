"""What the reaches are like: width, drainage area, gradient, rasters, columns of the lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barrierrank.habitat.drainage import area_from_catchments, area_from_dem
from barrierrank.habitat.profile import Profile, elevation_profile, gradients
from barrierrank.habitat.raster_summary import RasterSummary, summarise
from barrierrank.habitat.stages import Attributes
from barrierrank.habitat.widths import tell_width_set, width_from_set
from barrierrank.inputs.catchments import read_catchments
from barrierrank.inputs.lines import LineTable
from barrierrank.inputs.rasters import Raster, open_raster
from barrierrank.inputs.sampling import raster_sampler
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems
from barrierrank.project import Project

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of n reaches.

    Parameters
    ----------
    attributes : Attributes
        For curves and limits.
    width_m : (n,) float64 or None
        NaN where not known; None where nothing gives a width.
    gradient : (n,) float64 or None
        [m/m]; None without terrain.
    profile : Profile or None
        Elevations along the network; None without terrain.
    missing : Mapping of str to (n,) float64
        For each raster the share of the reach without data.
    """

    attributes: Attributes
    width_m: Floats | None
    gradient: Floats | None
    profile: Profile | None
    missing: Mapping[str, Floats]


def known_of_reaches(project: Project, network: RiverNetwork, lines: LineTable, problems: Problems) -> Known:
    """Gather what the project's curves, limits and sizes may ask of the reaches.

    Only rasters that a curve names are read along the reaches; elevations are read where there is ``[terrain]``.

    Parameters
    ----------
    project : Project
    network : RiverNetwork
    lines : LineTable
    problems : Problems

    Raises
    ------
    InputError
        When a raster or a layer cannot be used; all of them are told together.
    """
    asked = {name for s in project.species for table in s.stages.values() for name in table.curves}
    by_name = {project.hydrography.width_raster, project.terrain.elevation if project.terrain else None}
    wanted = [n for n in project.rasters if n in asked or n in by_name]
    rasters = {n: open_raster(project.rasters[n], problems, where=project.path.name) for n in wanted}
    numbers: dict[str, Floats] = {"order": network.strahler.astype(np.float64)}
    numbers |= {name: values[network.row] for name, values in lines.columns.items()}
    area = _drainage_area(project, network, lines, rasters, problems)
    geometry = (
        network.geometry() if any(n in rasters for n in (*asked, project.hydrography.width_raster)) else None
    )
    width = _width(project, network, lines, area, problems)
    if project.hydrography.width_raster is not None:
        width = _along(project, rasters, project.hydrography.width_raster, geometry, None, problems).value
    profile, gradient = _terrain(project, network, rasters)
    optional = {"drainage_area": area, "width": width, "gradient": gradient}
    numbers |= {name: values for name, values in optional.items() if values is not None}
    classes: dict[str, Mapping[str, Floats]] = {}
    missing: dict[str, Floats] = {}
    for name in sorted(asked & set(rasters)):
        found = _along(project, rasters, name, geometry, width, problems)
        missing[name] = found.missing
        if found.shares:
            classes[name] = found.shares
        else:
            numbers[name] = found.value
    return Known(Attributes(numbers, classes), width, gradient, profile, missing)


def _along(
    project: Project, rasters: Mapping[str, Raster], name: str, geometry: NDArray[np.object_] | None,
    width_m: Floats | None, problems: Problems,
) -> RasterSummary:  # fmt: skip
    """Summarise one raster along the reaches."""
    assert geometry is not None
    return summarise(
        rasters[name], project.rasters[name], geometry, basin_crs=project.basin.projection, width_m=width_m,
        problems=problems,
    )  # fmt: skip


def _terrain(
    project: Project, network: RiverNetwork, rasters: Mapping[str, Raster]
) -> tuple[Profile | None, Floats | None]:
    spec = project.terrain
    if spec is None:
        return None, None
    raster = rasters[spec.elevation]
    sample = raster_sampler(raster.path, raster.band, basin_crs=project.basin.projection)
    step = spec.step_m or min(raster.cell_m)
    profile = elevation_profile(network, sample, step_m=step, spike_m=spec.spike_m)
    return profile, gradients(network, profile, over_m=spec.gradient_over_m)


def _drainage_area(
    project: Project,
    network: RiverNetwork,
    lines: LineTable,
    rasters: Mapping[str, Raster],
    problems: Problems,
) -> Floats | None:
    """Return drainage areas [km2] from the column, the catchments or, where something asks for them, the terrain."""
    if lines.drainage_area_km2 is not None:
        return lines.drainage_area_km2[network.row]
    if project.catchments is not None:
        return area_from_catchments(network, read_catchments(project, lines.source_id, problems))
    stages = [t for s in project.species for t in s.stages.values()]
    needed = any("drainage_area" in t.curves or t.drainage_area_below_km2 is not None for t in stages)
    needed |= project.hydrography.width_a is not None or project.hydrography.width_set is not None
    if not needed or project.terrain is None:
        return None
    raster = rasters[project.terrain.elevation]
    return area_from_dem(raster.path, raster.band, network, project.basin.projection)


def _width(
    project: Project, network: RiverNetwork, lines: LineTable, area: Floats | None, problems: Problems
) -> Floats | None:
    """Return widths [m] from the column or number, the user's rule, or a published curve."""
    if lines.width_m is not None:
        return lines.width_m[network.row]
    spec = project.hydrography
    if area is None:
        return None
    if spec.width_a is not None and spec.width_b is not None:
        return np.asarray(spec.width_a * np.where(area > 0, area, np.nan) ** spec.width_b)
    if spec.width_set is None:
        return None
    tell_width_set(spec.width_set, area, lines.source_id[network.row], problems, where=lines.label)
    return width_from_set(spec.width_set, area)[0]
