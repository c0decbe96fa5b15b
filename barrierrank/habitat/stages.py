"""Habitat of one life stage on each reach: size times quality, with what lowers it, and rearing below spawning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from barrierrank.habitat import kernels_drift
from barrierrank.habitat.curves import (
    ClassTable,
    Combine,
    Curve,
    Fault,
    Floats,
    combine,
    suitability,
    suitability_of_classes,
)
from barrierrank.inputs.report import Report
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import some

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int8]

NOTHING, FALL, STEEP, SMALL, NO_DATA, NO_WIDTH, SURVEYED = range(7)
"""Codes of `limited_by`; the curves follow in the order of the project file."""
FIRST_CURVE = SURVEYED + 1
MOST_CURVES = int(np.iinfo(np.int8).max) - FIRST_CURVE


@dataclass(frozen=True)
class Limits:
    """Where there is no habitat whatever the curves say.

    Parameters
    ----------
    gradient_above : float or None
        None where the channel is steeper than this [m/m].
    drainage_area_below_km2 : float or None
        None where less land drains than this [km2].
    below_falls_only : bool
        None above a natural fall.
    """

    gradient_above: float | None = None
    drainage_area_below_km2: float | None = None
    below_falls_only: bool = False


@dataclass(frozen=True)
class StageSpec:
    """What one life stage of a species asks of a reach.

    Parameters
    ----------
    stage : {"spawning", "rearing"}
    measure : {"area", "length"}
        Size that quality is multiplied with [m2 or m].
    combine : {"geometric_mean", "product", "minimum"}
    curves : Mapping of str to Curve or ClassTable
        By attribute; no more than `MOST_CURVES`.
    limits : Limits
    drift_km : float or None
        Rearing counts within this distance below spawning; None: everywhere.
    """

    stage: Literal["spawning", "rearing"]
    measure: Literal["area", "length"]
    combine: Combine
    curves: Mapping[str, Curve | ClassTable]
    limits: Limits = Limits()
    drift_km: float | None = None

    def __post_init__(self) -> None:
        """Refuse more curves than there are codes for.

        Raises
        ------
        ValueError
        """
        if len(self.curves) > MOST_CURVES:
            raise ValueError(f"given {len(self.curves)} curves, allowed: {MOST_CURVES}")

    @property
    def reasons(self) -> tuple[str, ...]:
        """Words for each code of `limited_by`."""
        limits = self.limits
        fixed = (
            "nothing limits it",
            "it lies above a natural fall",
            f"its gradient is above {limits.gradient_above:g}" if limits.gradient_above is not None else "",
            f"less than {limits.drainage_area_below_km2:g} km2 drain to it"
            if limits.drainage_area_below_km2 is not None
            else "",
            "there are no data on it",
            "its width is not known",
            "it was surveyed",
        )
        return (*fixed, *(f"its {name.replace('_', ' ')} suits least" for name in self.curves))


@dataclass(frozen=True, eq=False)
class Attributes:
    """What is known of n reaches.

    Parameters
    ----------
    numbers : Mapping of str to (n,) float64
        `gradient` [m/m], `drainage_area` [km2], `width` [m], `order`, rasters of numbers, columns of the lines; NaN
        where missing.
    classes : Mapping of str to Mapping of str to (n,) float64
        For each raster of classes the share of each label, together 1; NaN where missing.
    """

    numbers: Mapping[str, Floats]
    classes: Mapping[str, Mapping[str, Floats]] = field(default_factory=dict)

    def take(self, reaches: Ints) -> Attributes:
        """Return what is known of some reaches, in their order."""
        return Attributes(
            {name: values[reaches] for name, values in self.numbers.items()},
            {
                name: {label: share[reaches] for label, share in shares.items()}
                for name, shares in self.classes.items()
            },
        )


@dataclass(frozen=True, eq=False)
class StageHabitat:
    """Habitat of one life stage on n reaches.

    Parameters
    ----------
    amount : (n,) float64
        Size times quality [m2 or m]; 0 where either is not known.
    quality : (n,) float64
        0 to 1; NaN where nothing is known of the reach.
    missing : (n,) float64
        Share of what the stage asks for (curves, and limits on numbers) that is not known there, 0 to 1.
    limited_by : (n,) int8
        What lowers quality most: a position in `reasons`.
    size : (n,) float64
        Area or length [m2 or m]; NaN where the width is not known.
    reasons : tuple of str
        Words that end "habitat is what it is here because ...".
    """

    amount: Floats
    quality: Floats
    missing: Floats
    limited_by: Codes
    size: Floats
    reasons: tuple[str, ...]

    def why(self, reach: int) -> str:
        """Return in words what lowers quality on a reach."""
        return self.reasons[int(self.limited_by[reach])]


def attribute_faults(spec: StageSpec, attributes: Attributes) -> list[Fault]:
    """Return what the stage asks for that `attributes` cannot give: unknown names, numbers where classes are asked."""
    found = []
    for name, curve in spec.curves.items():
        by_label = isinstance(curve, ClassTable)
        here = attributes.classes if by_label else attributes.numbers
        other = attributes.numbers if by_label else attributes.classes
        if name in here:
            continue
        if name in other:
            remedy = (
                "write points [[x, suitability], ...]" if by_label else "write { label = suitability, ... }"
            )
            found.append(Fault(f"{name} holds {'numbers' if by_label else 'classes'}", remedy))
        else:
            known = ", ".join(sorted({*attributes.numbers, *attributes.classes}))
            found.append(Fault(f"nothing is called {name}", f"known are {known}"))
    needed = {
        "gradient": spec.limits.gradient_above is not None,
        "drainage_area": spec.limits.drainage_area_below_km2 is not None,
        "width": spec.measure == "area",
    }
    for name, asked in needed.items():
        if asked and name not in attributes.numbers:
            found.append(Fault(f"{name} is needed and not known of any reach", f"give {name}"))
    return found


def above_falls(network: RiverNetwork, barred: Bools) -> Bools:
    """Tell which reaches lie above natural falls: every way up to them passes one.

    Parameters
    ----------
    network : RiverNetwork
    barred : (n,) bool
        Whether a fall is at the foot of the reach.

    Returns
    -------
    (n,) bool
        False too for reaches that no way leads to from the receiving water, fall or not.
    """
    graph = (network.head, network.order, *network.below, network.entry)
    none = np.zeros(len(network), dtype=np.bool_)
    return np.asarray(kernels_drift.above_all(*graph, barred) & ~kernels_drift.above_all(*graph, none))


def stage_habitat(
    network: RiverNetwork, spec: StageSpec, attributes: Attributes, *, above_fall: Bools | None = None
) -> StageHabitat:
    """Work out the habitat of one life stage on each reach.

    Parameters
    ----------
    network : RiverNetwork
    spec : StageSpec
    attributes : Attributes
        Of the n reaches of the network.
    above_fall : (n,) bool, optional
        See :func:`above_falls`; needed where the stage keeps below falls.

    Raises
    ------
    ValueError
        When the stage asks for something that `attributes` has not, see :func:`attribute_faults`.
    """
    quality, missing, limited_by = judge(spec, attributes, len(network), above_fall=above_fall)
    size = network.length_m.copy()
    if spec.measure == "area":
        size = size * attributes.numbers["width"]
    no_size = np.isnan(size)
    amount = np.where(no_size | np.isnan(quality), 0.0, size * quality)
    limited_by[no_size & (quality > 0.0)] = NO_WIDTH
    return StageHabitat(amount, quality, missing, limited_by, size, spec.reasons)


def judge(
    spec: StageSpec, attributes: Attributes, n: int, *, above_fall: Bools | None = None
) -> tuple[Floats, Floats, Codes]:
    """Return quality, share missing and what limits it, as in :class:`StageHabitat`, of `n` reaches.

    A limit whose number is missing does not apply, and counts as missing.

    Raises
    ------
    ValueError
        As :func:`stage_habitat`.
    """
    faults = attribute_faults(spec, attributes)
    if spec.limits.below_falls_only and above_fall is None:
        faults.append(Fault("the stage keeps below falls, but they are not given", "give above_fall"))
    if faults:
        raise ValueError("; ".join(f"{f.message} -> {f.remedy}" for f in faults))
    factors = np.empty((len(spec.curves), n))
    for i, (name, curve) in enumerate(spec.curves.items()):
        if isinstance(curve, ClassTable):
            factors[i] = suitability_of_classes(curve, attributes.classes[name])
        else:
            factors[i] = suitability(curve, attributes.numbers[name])
    quality, missing = combine(factors, spec.combine)
    limited_by = _lowest(factors)
    limited_by[np.isnan(quality)] = NO_DATA
    unknown = missing * len(spec.curves)
    asked = len(spec.curves)
    for code, bars, gap in _bars(spec.limits, attributes):
        quality[bars], limited_by[bars] = 0.0, code
        unknown += gap
        asked += 1
    if spec.limits.below_falls_only and above_fall is not None:
        quality[above_fall], limited_by[above_fall] = 0.0, FALL
    return quality, unknown / max(asked, 1), limited_by


def _bars(limits: Limits, attributes: Attributes) -> list[tuple[int, Bools, Bools]]:
    """Return for each limit on a number its code, where it bars, and where the number is missing."""
    out = []
    if limits.drainage_area_below_km2 is not None:
        area = attributes.numbers["drainage_area"]
        out.append((SMALL, area < limits.drainage_area_below_km2, np.isnan(area)))
    if limits.gradient_above is not None:
        gradient = attributes.numbers["gradient"]
        out.append((STEEP, gradient > limits.gradient_above, np.isnan(gradient)))
    return out


def _lowest(factors: Floats) -> Codes:
    """Return the code of the lowest factor of each reach; the first of equal ones, `NOTHING` where all are 1."""
    m, n = factors.shape
    out = np.full(n, NOTHING, dtype=np.int8)
    if m:
        filled = np.where(np.isnan(factors), 1.0, factors)
        first = filled.argmin(axis=0)
        lower = filled.min(axis=0) < 1.0
        out[lower] = (first[lower] + FIRST_CURVE).astype(np.int8)
    return out


def spawning_sources(network: RiverNetwork, spawning: Floats, drift_km: float) -> tuple[Ints, Floats]:
    """Find for each reach the spawning that its young come from: the nearest at or above it.

    Parameters
    ----------
    network : RiverNetwork
    spawning : (n,) float64
        Amount of spawning habitat; above 0 counts.
    drift_km : float
        Greatest drift [km], along the flow from the foot of the spawning reach to the top of the reach.

    Returns
    -------
    source : (n,) int64
        Spawning reach; -1 where none is near enough. Move rearing there with
        :func:`barrierrank.habitat.kernels_drift.rearing_by_source` before access is multiplied with it.
    distance_m : (n,) float64
        [m]; NaN where there is none.

    Notes
    -----
    Linear. Young are taken to come from the nearest spawning alone, so that where it cannot be reached and a farther
    one on another branch can, rearing counts too little.
    """
    return kernels_drift.nearest_spawning(
        network.head, network.order, *network.below, network.length_m, spawning > 0.0, drift_km * 1000.0
    )


def tell_stage(
    habitat: StageHabitat,
    spec: StageSpec,
    attributes: Attributes,
    source_id: NDArray[np.object_],
    report: Report,
) -> None:
    """Tell what keeps habitat from being worked out: unknown classes, missing data, missing widths.

    Parameters
    ----------
    habitat : StageHabitat
    spec : StageSpec
    attributes : Attributes
    source_id : (n,) object array of str
        Id of the line each reach comes from.
    report : Report
        Of the stage.
    """
    for name, curve in spec.curves.items():
        if not isinstance(curve, ClassTable):
            continue
        shares = attributes.classes[name]
        seen = [label for label in curve.unknown(list(shares)) if np.nansum(shares[label]) > 0.0]
        if seen:
            message = f"{name}: no suitability is given for {some(seen)}, which therefore counts 0"
            report.add("note", "class_without_suitability", message, ids=seen)
    for which, kind, message, remedy in (
        (habitat.missing >= 1.0, "no_habitat_data", "nothing is known of {}; it counts with no habitat",
         "extend the rasters, or fill in the columns its curves use"),
        ((habitat.missing > 0.0) & (habitat.missing < 1.0), "habitat_data_missing",
         "some of what the curves and limits ask for is not known of {}; it is left out there",
         "extend the rasters, or fill in the columns its curves use"),
        (np.isnan(habitat.size), "no_width", "the width of {} is not known, so that it counts with no area",
         "fill in the width column, or use width_a and width_b in [hydrography]"),
    ):  # fmt: skip
        if which.any():
            ids = list(dict.fromkeys(source_id[which].tolist()))
            share = float(which.mean())
            words = message.format(f"{len(ids)} line(s)") + f" ({share:.1%} of the reaches): {some(ids)}"
            report.add("warning", kind, words, ids=ids, remedy=remedy)
