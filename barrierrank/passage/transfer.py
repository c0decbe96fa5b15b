"""Carrying flows from gauges over to structures: by drainage areas, or by a relation the user gives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.flows import FlowRecords
from barrierrank.inputs.report import Report, in_rows
from barrierrank.problems import Problems, some
from barrierrank.project_check import nearest
from barrierrank.project_passage import FlowsSpec

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

AT = "[structures]"


class GaugedTable(Protocol):
    """What is read of a table of structures; n rows."""

    @property
    def label(self) -> str:
        """File and layer, for messages."""

    @property
    def row(self) -> IntArray:
        """Row numbers, (n,)."""

    @property
    def gauge(self) -> npt.NDArray[np.object_]:
        """Name of the gauge, ``""`` where none is named, (n,)."""

    @property
    def flow_a(self) -> FloatArray:
        """Factor of the user's relation; NaN where not given, (n,)."""

    @property
    def flow_b(self) -> FloatArray:
        """Exponent of the user's relation; NaN where not given, (n,)."""


def site_flow_factors(
    table: GaugedTable, area_km2: FloatArray, flows: FlowRecords, spec: FlowsSpec, problems: Problems
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Find the gauge of each structure and how its flows become those of the structure.

    The gauge is the one a structure names; else the only one; else that whose drainage area is nearest in ratio. Then
    discharge = factor x (discharge at the gauge) ^ exponent, with

    * factor = a and exponent = b where the user gives Q = a Qg^b [m3/s],
    * else factor = (drainage area of the structure / of the gauge) ^ `spec.exponent` and exponent 1.

    Parameters
    ----------
    table : GaugedTable
        n structures.
    area_km2 : (n,) float64
        Drainage areas [km2]; NaN where not known.
    flows : FlowRecords
    spec : FlowsSpec
    problems : Problems
        Told are gauges chosen, ratios outside `spec.ratio_low` to `spec.ratio_high`, structures whose flow cannot be
        had. Errors: gauges that are not there, relations that are incomplete or belong to no gauge.

    Returns
    -------
    gauge : (n,) int64
        Position in `flows`; -1 where the flow cannot be had.
    factor, exponent : (n,) float64
        NaN where the flow cannot be had.

    Notes
    -----
    Drainage-area ratio and the usual limits of it, 0.5 to 1.5: US Geological Survey Scientific Investigations Report
    2008-5126.
    """
    transfer = _Transfer(table, area_km2, flows, spec, Report(problems, table.label, AT))
    return transfer.factors()


class _Transfer:
    """The structures of one table on their way to gauges."""

    def __init__(
        self, table: GaugedTable, area_km2: FloatArray, flows: FlowRecords, spec: FlowsSpec, report: Report
    ) -> None:
        self.table = table
        self.row = table.row
        self.area = np.where(area_km2 > 0.0, area_km2, np.nan)
        self.flows = flows
        self.gauge_area = np.where(flows.area_km2 > 0.0, flows.area_km2, np.nan)
        self.spec = spec
        self.report = report
        self.names = [str(g) for g in flows.gauge]
        self.has_flow: BoolArray = np.asarray((~np.isnan(flows.discharge)).any(axis=1))

    def factors(self) -> tuple[IntArray, FloatArray, FloatArray]:
        """Return gauge, factor and exponent of each structure."""
        own = self.own_relations()
        named = np.array([bool(g) for g in self.table.gauge], dtype=bool)
        gauge = self.named_gauges(named)
        if len(self.names) == 1:
            gauge[~named] = 0
        else:
            gauge[~named] = self.nearest_gauges(~named, own)
        self.tell_gauges_without_flow(gauge)
        there = np.maximum(gauge, 0)
        ratio = np.where(gauge >= 0, self.area / self.gauge_area[there], np.nan)
        factor = np.where(own, self.table.flow_a, ratio**self.spec.exponent)
        exponent = np.where(own, self.table.flow_b, 1.0)
        self.tell_areas(gauge, own)
        self.tell_ratios(ratio, gauge, own)
        lost = (gauge < 0) | np.isnan(factor)
        return (
            np.where(lost, -1, gauge).astype(np.int64),
            np.where(lost, np.nan, factor),
            np.where(lost, np.nan, exponent),
        )

    def rows(self, mask: BoolArray) -> list[int]:
        """Return the row numbers where `mask` is true."""
        return [int(r) for r in self.row[mask]]

    def own_relations(self) -> BoolArray:
        """Return which structures have a relation of their own; complain of incomplete and impossible ones."""
        a, b = self.table.flow_a, self.table.flow_b
        half = np.isnan(a) != np.isnan(b)
        if half.any():
            rows = self.rows(half)
            message = f"{in_rows(rows)}: only one of flow_a and flow_b is given"
            remedy = "give both, for discharge = flow_a x (discharge at the gauge) ^ flow_b in m3/s, or neither"
            self.report.error("missing_value", message, remedy=remedy, ids=rows)
        own = ~np.isnan(a) & ~np.isnan(b)
        wrong = own & ~((a > 0.0) & (b >= 0.0) & np.isfinite(a) & np.isfinite(b))
        if wrong.any():
            rows = self.rows(wrong)
            i = int(np.flatnonzero(wrong)[0])
            message = f"{in_rows(rows)}: given flow_a {a[i]:g}, flow_b {b[i]:g}, allowed: above 0, 0 or more"
            self.report.error("out_of_range", message, remedy="mend the values", ids=rows)
        return np.asarray(own & ~wrong)

    def named_gauges(self, named: BoolArray) -> IntArray:
        """Return positions of the gauges that are named, -1 elsewhere; complain of unknown ones."""
        place = {name: i for i, name in enumerate(self.names)}
        gauge = np.array([place.get(str(g), -1) for g in self.table.gauge], dtype=np.int64)
        unknown = named & (gauge < 0)
        for name in dict.fromkeys(str(g) for g in self.table.gauge[unknown]):
            rows = self.rows(unknown & (self.table.gauge == name))
            what = "no gauge of that name has flows"
            remedy = f"{nearest(name, self.names)} gauges are {some(self.names, 10)}".strip()
            message = f'{in_rows(rows)}, column "gauge": given "{name}", but {what}'
            self.report.error("unknown_gauge", message, remedy=remedy, ids=rows)
        return gauge

    def nearest_gauges(self, wanted: BoolArray, own: BoolArray) -> IntArray:
        """Return the gauges nearest in drainage area for the structures wanted, in their order."""
        lost = wanted & own
        if lost.any():
            rows = self.rows(lost)
            message = f"{in_rows(rows)}: flow_a and flow_b are given, but not the gauge they belong to"
            remedy = f"fill in the column gauge; gauges are {some(self.names, 10)}"
            self.report.error("missing_gauge", message, remedy=remedy, ids=rows)
        usable = np.flatnonzero(~np.isnan(self.gauge_area) & self.has_flow)
        out = np.full(len(self.row), -1, dtype=np.int64)
        asked = np.flatnonzero(wanted & ~own & ~np.isnan(self.area))
        if usable.size and asked.size:
            logs = np.log(self.gauge_area[usable])
            order = np.argsort(logs, kind="stable")  # of equal areas the first gauge in the order of their names
            out[asked] = usable[order][_nearest(np.log(self.area[asked]), logs[order])]
        for g in np.unique(out[out >= 0]):
            rows = self.rows(out == g)
            ratio = np.sort(self.area[out == g] / self.gauge_area[g])
            span = f"{ratio[0]:.3g}" if len(rows) == 1 else f"{ratio[0]:.3g} to {ratio[-1]:.3g}"
            message = f"{in_rows(rows)}: no gauge is named; {self.names[g]} is taken, whose drainage area is nearest"
            self.report.add(
                "note", "nearest_gauge", f"{message} (ratio of drainage areas {span})",
                remedy="name another one in the column gauge", ids=rows,
            )  # fmt: skip
        return out[wanted]

    def warn(self, kind: str, mask: BoolArray, what: str, remedy: str) -> None:
        """Warn of some structures, if there are any."""
        if mask.any():
            rows = self.rows(mask)
            self.report.add("warning", kind, f"{in_rows(rows)}: {what}", remedy=remedy, ids=rows)

    def tell_gauges_without_flow(self, gauge: IntArray) -> None:
        """Warn of structures whose gauge has no flow at all."""
        dry = (gauge >= 0) & ~self.has_flow[np.maximum(gauge, 0)]
        what = "no discharge is known at their gauge, so that passability cannot be computed there"
        self.warn("gauge_without_flow", dry, what, "name another gauge")

    def tell_areas(self, gauge: IntArray, own: BoolArray) -> None:
        """Warn of structures whose flow cannot be had for want of a drainage area."""
        site = ~own & np.isnan(self.area)
        cannot = "so that the flow, and with it passability, cannot be computed there"
        remedy = (
            "give drainage_area_km2 there, [sites] drainage_area or [hydrography] drainage_area; where the flow is "
            "that of the gauge give flow_a = 1 and flow_b = 1"
        )
        self.warn("no_drainage_area", site, f"the drainage area is not known, {cannot}", remedy)
        if len(self.names) > 1 and np.isnan(self.gauge_area).all():
            unnamed = ~own & ~site & (gauge < 0) & np.array([not g for g in self.table.gauge], dtype=bool)
            what = f"no gauge is named, and no gauge has a drainage area to choose by, {cannot}"
            self.warn("no_gauge", unnamed, what, "name the gauge, or give area_km2 in the table [flows] gauges")
        bare = ~own & ~site & (gauge >= 0) & np.isnan(self.gauge_area[np.maximum(gauge, 0)])
        if bare.any():
            names = sorted({self.names[g] for g in gauge[bare]})
            what = f"the drainage area of gauge {some(names)} is not known, {cannot}"
            self.warn("no_drainage_area", bare, what, "give area_km2 in the table [flows] gauges names")

    def tell_ratios(self, ratio: FloatArray, gauge: IntArray, own: BoolArray) -> None:
        """Warn of ratios of drainage areas outside the limits."""
        low, high = self.spec.ratio_low, self.spec.ratio_high
        for g in np.unique(gauge[gauge >= 0]):
            far = ~own & (gauge == g) & ((ratio < low) | (ratio > high))
            if not far.any():
                continue
            given = _span(ratio[far])
            what = (
                f"the drainage area is {given} times that of gauge {self.names[g]}, allowed without a second look: "
                f"{low:g} to {high:g}"
            )
            remedy = "name a nearer gauge, or give flow_a and flow_b from flows measured at the site"
            self.warn("area_ratio", far, what, remedy)


def _span(values: Sequence[float] | npt.NDArray[Any]) -> str:
    """Return the least and the greatest of some numbers in words."""
    least, most = f"{min(values):.3g}", f"{max(values):.3g}"
    return least if least == most else f"{least} to {most}"


def _nearest(value: FloatArray, ascending: FloatArray) -> IntArray:
    """Return the position of the nearest of some ascending numbers for each value; the lower one of two as near."""
    right = np.searchsorted(ascending, value).clip(0, ascending.size - 1)
    left = np.maximum(right - 1, 0)
    near = np.where(np.abs(ascending[right] - value) < np.abs(value - ascending[left]), right, left)
    return np.searchsorted(ascending, ascending[near], side="left").astype(np.int64)
