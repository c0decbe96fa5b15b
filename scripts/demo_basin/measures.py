"""Structures as surveyed, what the water below them does, and counts of fish that tried to get past."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from .settings import RUNOFF
from .sites import SPECIES

COLUMNS = (
    *(
        "site",
        "kind",
        "crest_m",
        "crest_width_m",
        "crest_side",
        "crest_thickness_m",
        "crest_coefficient",
        "bed_m",
    ),
    *(
        "lip_m",
        "contractions",
        "notch_width_m",
        "notch_depth_m",
        "logs_m",
        "logs_in",
        "logs_out",
        "pool_bed_m",
    ),
    *("gate_opening_m", "gate_top_m", "channel_bed_m", "channel_width_m", "channel_side", "channel_slope"),
    *("channel_n", "shape", "rise_m", "span_m", "length_m", "inlet_m", "outlet_m", "barrel_n", "barrels"),
    *("embedded_m", "entrance", "gauge", "flow_a", "flow_b", "drainage_area_km2", "note"),
)
SURVEY_FLOW = 0.5  # of the mean flow: about its median, the day the heights of the sites were taken
FLOOD = 9.0  # of the mean flow: about the 10-year flood of a lamprey run
RATED = (0.0, 0.2, 0.5, 1.0, 2.0, 4.0, 7.0, 10.0, 14.0, 20.0)  # flows of a rating, of the mean flow
STOPS_LAMPREY_M = 0.45
FLOW_B = 0.92  # small creeks near the lake swing less than the river: exponent of the gauge's flow
GAUGE_MEAN_M3S = 1.54
# surveyed sections: share of the width, share of the height of the banks
SECTION_X = (0.0, 0.06, 0.14, 0.28, 0.45, 0.6, 0.8, 0.92, 1.0)
SECTION_Z = (1.0, 0.42, 0.1, 0.03, 0.0, 0.05, 0.12, 0.5, 1.0)


@dataclass(frozen=True)
class Plan:
    """What was found at a site.

    Parameters
    ----------
    role : str
        The site's; others mean that the basin has changed under this table.
    kind : str
        Of the table of structures.
    tail : {"channel", "rating", "section"}
    pool_m : float or None
        Depth of the plunge pool below the bed of the channel [m].
    silted : float
        Bed above the structure, as a share of the height of its crest.
    standing_m : float
        Depth of the water below when nothing flows: a pool, or the lake reaching up [m].
    roughness, narrow : float
        Factors of the channel's Manning's n and width.
    typed : tuple of str
        Species whose passability the table of sites gives all the same.
    given : dict
        Columns; lengths relative to nothing. `crest_width_m` is a share of the bankfull width.
    """

    role: str
    kind: str
    tail: str = "channel"
    pool_m: float | None = 0.75
    silted: float = 0.2
    standing_m: float = 0.08
    roughness: float = 1.0
    narrow: float = 1.0
    regression: bool = False
    typed: tuple[str, ...] = ()
    given: dict[str, object] = field(default_factory=dict)


def _plan(role: str, kind: str, tail: str = "channel", **more: object) -> Plan:
    own = {k: more.pop(k) for k in tuple(more) if k in Plan.__dataclass_fields__}
    return Plan(role, kind, tail, **own, given=more)  # type: ignore[arg-type]


def _mill(tail: str = "channel", **more: object) -> Plan:
    return _plan("mill dam", "dam", tail, **({"silted": 0.6, "pool_m": 0.8} | more))


def _pipe(rise_m: float, length_m: float, slope: float, **more: object) -> Plan:
    metal = {"shape": "circular", "barrel_n": 0.024, "entrance": "metal pipe, sticking out", "pool_m": 0.5}
    size = {"rise_m": rise_m, "length_m": length_m, "slope": slope}
    return _plan("culvert", "culvert", **(metal | size | more))


def _box(rise_m: float, span_m: float, length_m: float, slope: float, **more: object) -> Plan:
    made = {
        "shape": "box",
        "barrel_n": 0.013,
        "entrance": "concrete box, wingwalls of 30 to 75 degrees",
        "pool_m": 0.5,
    }
    size = {"rise_m": rise_m, "span_m": span_m, "length_m": length_m, "slope": slope}
    return _plan("culvert", "culvert", **(made | size | more))


CONCRETE = {"barrel_n": 0.013, "entrance": "concrete pipe, square edge in headwall"}
PLANS: dict[str, Plan] = {
    "S01": _plan("side arm", "sluice", gate_opening_m=0.7, gate_top_m=1.4, crest_width_m=0.35, crest_thickness_m=0.6),
    "S02": _plan("ageing dam", "dam", "rating", silted=0.7, pool_m=1.5, crest_width_m=0.8, crest_thickness_m=3.0,
                 gauge="G1", note="spillway of the old dam; rating from five visits and a bridge"),
    "S03": _pipe(1.2, 12.0, 0.012),
    "S04": _mill(crest_width_m=0.7, crest_thickness_m=1.2),
    "S05": _pipe(1.5, 15.0, 0.010, pool_m=1.1),
    "S06": _box(1.8, 2.4, 9.0, 0.002, tail="rating", standing_m=0.35, sunk_m=0.2, embedded_m=0.2,
                note="backwatered by a ford below"),
    "S08": _mill("section", crest_width_m=0.6, crest_thickness_m=0.9, notch_width_m=2.0, notch_depth_m=0.25),
    "S09": _plan("weir", "weir", crest_width_m=0.8, crest_thickness_m=0.8),
    "S10": _plan("culvert", "culvert", shape="arch", rise_m=1.8, span_m=3.4, length_m=11.0, slope=0.008, sunk_m=0.3,
                 embedded_m=0.3, barrel_n=0.035, entrance="metal arch, headwall", pool_m=0.5,
                 note="arch with a bed of cobble inside"),
    "S11": _pipe(1.5, 20.0, 0.015, **CONCRETE),
    "S12": _plan("lamprey barrier", "weir", "rating", narrow=0.75, roughness=1.35, crest_width_m=0.85, contractions=2,
                 crest_thickness_m=0.02, typed=("lamprey",),
                 note="undermined: lamprey were seen above it, so theirs is typed"),
    "S13": _box(1.5, 2.4, 12.0, 0.008, barrels=2, barrel_n=0.015, pool_m=0.3,
                note="two wide flat slabs: a film of water most of the year"),
    "S15": _plan("fall", "fall", pool_m=1.4, silted=0.9, crest_width_m=0.7, crest_thickness_m=2.0),
    "S17": _mill(crest_width_m=0.75, crest_side=1.0, crest_thickness_m=1.5),
    "S20": _plan("weir", "weir", crest_width_m=0.7, crest_thickness_m=0.15, contractions=2, logs_m=0.22,
                 logs_in="06-01", logs_out="09-15", note="stop-logs in for the summer"),
    "S21": _mill(crest_width_m=0.8, crest_thickness_m=0.03, crest_coefficient=1.86),
    "S22": _mill("section", crest_width_m=0.55, crest_thickness_m=0.7, notch_width_m=3.2, notch_depth_m=0.6,
                 breached=True, typed=SPECIES, note="breached; wood in the gap shifts, so passabilities are typed"),
    "S26": _pipe(1.2, 14.0, 0.014, entrance="metal pipe, cut to the slope"),
    "S27": _plan("fall", "fall", pool_m=1.1, silted=0.9, crest_width_m=0.6, crest_thickness_m=1.5),
    "S29": _plan("lamprey barrier", "dam", "rating", crest_width_m=0.85, crest_thickness_m=0.3),
    "S31": _mill("section", crest_width_m=0.7, crest_thickness_m=1.1),
    "S32": _plan("weir", "weir", crest_width_m=0.85, crest_thickness_m=0.02, lip_m=0.15),
    "S36": _plan("culvert", "culvert", shape="arch", rise_m=1.5, span_m=2.4, length_m=13.0, slope=0.012,
                 barrel_n=0.03, entrance="metal arch, sticking out", pool_m=0.5),
    "S37": _plan("weir", "weir", crest_width_m=0.8, crest_thickness_m=1.0, crest_side=0.5),
    "S38": _mill("rating", crest_width_m=0.7, crest_thickness_m=0.25, logs_m=0.3, logs_in="04-15", logs_out="11-15",
                 note="stop-logs out in winter, for the ice"),
    "S39": _mill(silted=0.3, crest_width_m=0.7, crest_thickness_m=0.6, notch_width_m=1.2, notch_depth_m=0.9,
                 note="the gate of the old mill is gone: its opening is a notch"),
    "S43": _pipe(1.2, 13.0, 0.010, pool_m=0.15, note="falls on a slab of rock: hardly a pool"),
    "S45": _plan("lamprey barrier", "weir", "section", crest_width_m=0.85, crest_thickness_m=0.25,
                 note="low for its river: floods of spring drown it"),
    "S46": _plan("weir", "weir", crest_width_m=0.8, crest_thickness_m=0.3),
    "S48": _box(1.5, 1.8, 14.0, 0.006, pool_m=1.2, note="a deep pool has been scoured below"),
    "S49": _pipe(1.2, 12.0, 0.006, barrels=3),
    "S50": _plan("weir", "weir", crest_width_m=0.8, crest_thickness_m=0.4, roughness=1.2,
                 note="no level read below: slope from the map, roughness guessed"),
    "S51": _box(1.8, 2.1, 16.0, 0.005, barrels=2),
    "S54": _plan("lamprey barrier", "weir", "rating", standing_m=0.45, crest_width_m=0.8, crest_thickness_m=0.2,
                 logs_m=0.4, logs_in="04-01", logs_out="07-31", regression=True,
                 note="the lake reaches up to its foot; the upper 0.4 m are stop-logs"),
    "S56": _plan("low sluice", "gate", gate_opening_m=0.5, gate_top_m=1.2, crest_width_m=0.4, crest_thickness_m=0.5),
    "S57": _plan("lamprey barrier", "weir", crest_width_m=0.85, crest_thickness_m=0.02, lip_m=0.15, regression=True),
    "S58": _pipe(1.5, 18.0, 0.006, **CONCRETE),
    "S59": _pipe(1.5, 16.0, 0.009, regression=True, **CONCRETE | {"barrel_n": 0.012},
                 note="smooth and steep: quick water from end to end"),
    "S60": _pipe(2.4, 14.0, 0.003, sunk_m=0.5, embedded_m=0.5, barrel_n=0.03,
                 note="sunk into the bed, with gravel inside"),
    "S64": _plan("candidate", "none", "section", pool_m=None),
    "S70": _plan("candidate", "none", "section", pool_m=None),
}  # fmt: skip


class Measures(NamedTuple):
    """Published tables, and columns for the table of sites that actions are chosen by."""

    structures: pd.DataFrame
    tailwater: pd.DataFrame
    sections: pd.DataFrame
    trials: pd.DataFrame
    by_site: pd.DataFrame


@dataclass(frozen=True)
class Channel:
    """The channel below a site as a line of points across it; elevations [m] in the datum of the site."""

    x: np.ndarray
    z: np.ndarray
    slope: float
    n: float
    standing_m: float

    def level(self, q: float) -> float:
        """Return the elevation of the water at a discharge [m3/s]: normal depth, never less than what stands there."""
        low, high = float(self.z.min()), float(self.z.min()) + 20.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self._carries(middle) < q else (low, middle)
        return float(self.z.min()) + float(np.hypot(low - self.z.min(), self.standing_m))

    def _carries(self, level: float) -> float:
        """Return the uniform flow below a level, by Manning's formula; the ends of the line are upright walls."""
        depth = np.maximum(level - self.z, 0.0)
        dx, dz = np.diff(self.x), np.abs(np.diff(self.z))
        deep, shallow = np.maximum(depth[1:], depth[:-1]), np.minimum(depth[1:], depth[:-1])
        wet = np.where(shallow > 0.0, 1.0, np.minimum(deep / np.maximum(dz, 1e-9), 1.0))
        wet[deep <= 0.0] = 0.0
        area = float((0.5 * (deep + shallow) * dx * wet).sum())
        wetted = float((np.hypot(dx, dz) * wet).sum() + depth[0] + depth[-1])
        return area ** (5.0 / 3.0) / wetted ** (2.0 / 3.0) * self.slope**0.5 / self.n if area > 0.0 else 0.0


def measure(sites: pd.DataFrame, rng: np.random.Generator) -> Measures:
    """Survey the sites of `PLANS`.

    Parameters
    ----------
    sites : DataFrame
        As :func:`demo_basin.sites.site_table` returns it.
    rng : Generator
        Of these measures alone.

    Raises
    ------
    ValueError
        When the basin has changed so that a plan meets a site of another sort.
    """
    rows, ratings, sections, extra = [], [], [], []
    for site in sites.itertuples():
        plan = PLANS.get(site.site)
        if plan is None:
            continue
        if plan.role != site.role:
            raise ValueError(f"{site.site} is a {site.role}, its measures are of a {plan.role}")
        channel, row = _channel(site, plan, rng)
        q = RUNOFF * site.area_km2
        row |= _structure(site, plan, channel, q)
        rows.append(row)
        if plan.tail == "rating":
            ratings += [(site.site, round(k * q, 3), round(channel.level(k * q), 2)) for k in RATED]
        elif plan.tail == "section":
            sections += [(site.site, x, z) for x, z in zip(channel.x, channel.z, strict=True)]
        extra.append(_for_actions(site, plan, channel, row, q))
    return Measures(
        structures=pd.DataFrame(rows, columns=list(COLUMNS), dtype=object),
        tailwater=pd.DataFrame(ratings, columns=["site", "discharge_m3s", "elevation_m"]),
        sections=pd.DataFrame(sections, columns=["site", "station_m", "elevation_m"]),
        trials=trial_table(),
        by_site=pd.DataFrame(extra).set_index("site"),
    )


def _channel(site: object, plan: Plan, rng: np.random.Generator) -> tuple[Channel, dict[str, object]]:
    """Return the channel below a site, and its columns of the table."""
    u = rng.random(12)
    height = float(site.height_m)
    bed = round(100.0 - height - 2.0 - 2.0 * u[0], 2)  # a benchmark of 100 m stands on the bank
    slope = round(float(np.clip(site.slope, 0.0008, 0.02)), 4)
    n = 0.031 + 0.16 * slope**0.6 + 0.006 * (u[1] - 0.5)
    n = round(n * plan.roughness, 3)
    width = round(site.width_m * (0.72 + 0.12 * u[2]) * plan.narrow, 1)
    q = RUNOFF * site.area_km2
    if plan.tail == "section":
        banks = 1.3 * (Channel(*_trapezoid(bed, width, 1.5), slope, n, 0.0).level(12.0 * q) - bed)
        x = np.round(np.array(SECTION_X) * site.width_m, 1)
        z = bed + np.array(SECTION_Z) * banks + np.r_[0.0, 0.05 * u[3:6], 0.0, 0.05 * u[6:9], 0.0] * banks
        z = np.round(z, 2)
        return Channel(x, z, slope, n, 0.0), {"channel_slope": slope, "channel_n": n}
    line = Channel(*_trapezoid(bed, width, 1.5), slope, n, plan.standing_m if plan.tail == "rating" else 0.0)
    if plan.tail == "rating":
        return line, {}
    columns = {"channel_bed_m": bed, "channel_width_m": width, "channel_side": 1.5}
    return line, columns | {"channel_slope": slope, "channel_n": n}


def _trapezoid(bed: float, width: float, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the points of a trapezoid 10 m deep."""
    reach = 10.0 * side
    return np.array([-reach, 0.0, width, width + reach]), np.array([bed + 10.0, bed, bed, bed + 10.0])


def _structure(site: object, plan: Plan, channel: Channel, q: float) -> dict[str, object]:
    """Return the columns of a structure, its crest or outlet as high above the water as the site says."""
    given = dict(plan.given)
    bed = float(channel.z.min())
    top = channel.level(SURVEY_FLOW * q) + float(site.height_m)
    row: dict[str, object] = {
        "site": site.site,
        "kind": plan.kind,
        "drainage_area_km2": round(site.area_km2, 3),
    }
    if plan.pool_m is not None:
        row["pool_bed_m"] = round(bed - plan.pool_m, 2)
    if plan.regression:  # discharge = a × (that of the gauge)^b, with the mean of its own drainage area
        row |= {"gauge": "G1", "flow_a": round(q / GAUGE_MEAN_M3S**FLOW_B, 4), "flow_b": FLOW_B}
    if plan.kind == "culvert":
        return row | _barrel(given, bed, top)
    if plan.kind == "none":
        return row | given
    given["crest_width_m"] = round(given["crest_width_m"] * site.width_m, 1)
    if given.pop("breached", False):  # the height of the site is that of the sill of the breach
        top += given["notch_depth_m"]
    if "gate_top_m" in given:
        given["gate_top_m"] = round(top + given["gate_top_m"], 2)
    crest = round(top - given.get("logs_m", 0.0), 2)
    return row | {"crest_m": crest, "bed_m": round(bed + plan.silted * (crest - bed), 2)} | given


def _barrel(given: dict[str, object], bed: float, top: float) -> dict[str, object]:
    """Return the columns of a culvert: sunk into the bed, or with its outlet as high as the site says."""
    slope, sunk = given.pop("slope"), given.pop("sunk_m", None)
    outlet = round(top if sunk is None else bed - sunk, 2)
    return given | {"outlet_m": outlet, "inlet_m": round(outlet + slope * given["length_m"], 2)}


def _for_actions(
    site: object, plan: Plan, channel: Channel, row: dict[str, object], q: float
) -> dict[str, object]:
    """Return what the actions of a site need: how far to raise, to move or to build a crest."""
    flood, bed = channel.level(FLOOD * q), float(channel.z.min())
    crest = row.get("crest_m", np.nan) + row.get("logs_m", 0.0)
    return {
        "site": site.site,
        "measured": plan.kind,
        "typed": plan.typed,
        "raise_m": max(0.2, _up(flood + STOPS_LAMPREY_M + 0.1 - crest)),
        "movable_m": round(max(float(site.height_m) - 0.25, 0.3), 2),
        "build_m": _up(flood + STOPS_LAMPREY_M + 0.15 - bed),
    }


def _up(value: float) -> float:
    """Round up to 5 cm."""
    return round(float(np.ceil(value / 0.05 - 1e-9)) * 0.05, 2)


def trial_table() -> pd.DataFrame:
    """Return counts of fish: a sorter, a fishway and a weir."""
    sorter = {"lamprey": (0, 121), "walleye": (71, 22), "white_sucker": (164, 31), "brook_trout": (38, 7)}
    rows = [
        {"action": "fit selective passage", "species": s, "let_through": a, "held_back": b}
        for s, (a, b) in sorter.items()
    ]
    rows.append({"action": "build fishway", "species": "white_sucker", "offered": 96, "passed": 61})
    rows.append({"action": "build fishway", "species": "walleye", "offered": 54, "passed": 14})
    rows.append({"site": "S57", "species": "lamprey", "offered": 40, "passed": 0})
    columns = ["site", "action", "species", "offered", "passed", "let_through", "held_back"]
    table = pd.DataFrame(rows, columns=columns)
    return table.astype(dict.fromkeys(columns[3:], "Int64"))
