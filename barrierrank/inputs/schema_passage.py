"""Columns of the tables that passability is worked out from: structures, what the water below does, trials."""

from __future__ import annotations

from typing import Any

from barrierrank.inputs.schema_column import Column

#: Words of the column `kind` of the structures, and the code of each (see `passage/kernels_fields.py`).
KINDS = {"none": 0, "weir": 1, "dam": 1, "culvert": 2, "gate": 3, "sluice": 3, "fall": 4}
SHAPES = {"circular": 0, "box": 1, "arch": 2}
#: Where the elevation of the water below comes from.
TAILS = {"channel": 0, "rating": 1, "section": 2}

#: What an action may do to a structure.
DEVICES = ("trap_and_sort", "fishway", "ramp")
CHANGES = ("raise", "lower", "notch", "lip", "seasonal", *DEVICES, "remove", "build")

_OVER = "weir, dam, fall, gate, sluice"
_BARREL = "needed for a culvert"
_CHANNEL = "channel below, where neither rating nor section is given"


def _optional(name: str, meaning: str, unit: str = "m", blank: str = "not known", **rest: Any) -> Column:
    """Return a column of numbers that may be empty; one with a default says so."""
    if "default" in rest:
        blank = f"{rest['default']:g}"
    return Column(name, rest.pop("dtype", "number"), False, meaning, unit=unit, blank=blank, **rest)


#: Elevations are in the datum of the site: all of one row in the same one.
STRUCTURES: tuple[Column, ...] = (
    Column("site", "text", True, "id of the site it stands at, once in the table"),
    Column("kind", "text", True, "kind of structure", words=tuple(KINDS)),
    _optional("crest_m", f"elevation of the crest; of the sill of a gate (needed: {_OVER})"),
    _optional("crest_width_m", f"width of the crest across the flow (needed: {_OVER})", low=0.0, above=True, high=1e4),
    _optional("crest_side", "slope of the ends of the crest, horizontal to vertical", "", low=0.0, high=50.0,
              default=0.0),
    _optional("crest_thickness_m", "thickness of the crest along the flow", low=0.0, high=1e3, default=0.0),
    _optional("crest_coefficient", "C of Q = C b H^1.5", "m^0.5/s", "worked out from the shape", low=0.0, above=True,
              high=10.0),
    _optional("bed_m", "elevation of the bed above the structure", blank="not known"),
    _optional("lip_m", "overhang of the crest on its downstream face", low=0.0, high=10.0, default=0.0),
    _optional("contractions", "ends at which the nappe is contracted: 0, 1 or 2", "", dtype="whole", low=0.0, high=2.0,
              default=0.0),
    _optional("notch_width_m", "width of a notch in the crest", low=0.0, high=1e4, default=0.0),
    _optional("notch_depth_m", "depth of the notch below the crest", low=0.0, high=100.0, default=0.0),
    _optional("logs_m", "height that stop-logs or a crest gate add while they are in", low=0.0, high=20.0, default=0.0),
    Column("logs_in", "day", False, "first day they are in", blank="in all the year"),
    Column("logs_out", "day", False, "last day they are in", blank="in all the year"),
    _optional("pool_bed_m", "elevation of the bed of the pool below", blank="not known"),
    _optional("gate_opening_m", "height of the opening above the sill (needed: gate, sluice)", low=0.0, high=50.0),
    _optional("gate_top_m", "elevation from which the gate is overflowed", blank="never"),
    _optional("channel_bed_m", f"elevation of the bed of the {_CHANNEL}"),
    _optional("channel_width_m", f"bottom width of the {_CHANNEL}", low=0.0, high=1e5),
    _optional("channel_side", "side slope of that channel, horizontal to vertical", "", low=0.0, high=100.0,
              default=0.0),
    _optional("channel_slope", "slope of the channel or section below", "m/m", low=0.0, above=True, high=1.0),
    _optional("channel_n", "Manning's n of the channel or section below", "", low=0.005, high=0.3),
    Column("shape", "text", False, f"shape of the barrel ({_BARREL})", words=tuple(SHAPES), blank="no barrel"),
    _optional("rise_m", f"height of the barrel inside ({_BARREL})", low=0.0, above=True, high=30.0),
    _optional("span_m", f"width of the barrel inside ({_BARREL} that is not circular)", low=0.0, above=True, high=50.0),
    _optional("length_m", f"length of the barrel ({_BARREL})", low=0.0, above=True, high=1e4),
    _optional("inlet_m", f"elevation of the invert at the upstream end ({_BARREL})"),
    _optional("outlet_m", f"elevation of the invert at the downstream end ({_BARREL})"),
    _optional("barrel_n", f"Manning's n of the barrel ({_BARREL})", "", low=0.005, high=0.3),
    _optional("barrels", "how many of them side by side, alike", "", dtype="whole", low=1.0, high=100.0, default=1.0),
    _optional("embedded_m", "depth of bed material inside, above the invert", low=0.0, high=30.0, default=0.0),
    Column("entrance", "text", False, f"kind of entrance ({_BARREL})", blank="no barrel"),
    Column("gauge", "text", False, "gauge whose flows are carried over", blank="the only or the nearest one"),
    _optional("flow_a", "a of discharge = a x (discharge of the gauge) ^ b", "", "by drainage area", low=0.0,
              above=True, high=1e6),
    _optional("flow_b", "b of that rule", "", "by drainage area", low=0.0, above=True, high=5.0),
    _optional("drainage_area_km2", "drainage area at the site", "km2", "that of the site or its line", low=0.0,
              above=True, high=1e8),
    Column("note", "text", False, "anything worth saying", blank="nothing"),
)  # fmt: skip

RATINGS: tuple[Column, ...] = (
    Column("site", "text", True, "id of the site"),
    Column("discharge_m3s", "number", True, "discharge", unit="m3/s", low=0.0, high=1e6),
    Column("elevation_m", "number", True, "elevation of the water below at that discharge", unit="m"),
)

SECTIONS: tuple[Column, ...] = (
    Column("site", "text", True, "id of the site"),
    Column("station_m", "number", True, "distance across the channel, ascending", unit="m"),
    Column("elevation_m", "number", True, "elevation of the ground there", unit="m"),
)

TRIALS: tuple[Column, ...] = (
    Column("site", "text", False, "id of the site", blank="every site where the action can be done"),
    Column("action", "text", False, "name of the action the trial stands for", blank="the site as it is"),
    Column("species", "text", True, "key of the species"),
    Column("offered", "whole", False, "fish that could have passed", low=0.0, blank="let_through + held_back"),
    Column("passed", "whole", False, "fish that passed", low=0.0, blank="let_through"),
    Column("let_through", "whole", False, "fish a sorter let through", low=0.0, blank="not a sorter"),
    Column("held_back", "whole", False, "fish a sorter held back", low=0.0, blank="not a sorter"),
)

GAUGES: tuple[Column, ...] = (
    Column("gauge", "text", True, "name of the gauge, as in the table of flows"),
    Column("area_km2", "number", False, "drainage area", unit="km2", low=0.0, above=True, blank="not known"),
    Column("x", "number", False, "easting in the CRS of the basin", unit="m", blank="not known"),
    Column("y", "number", False, "northing in the CRS of the basin", unit="m", blank="not known"),
)

#: What an action does to the structure: more columns of the table of actions.
ACTION_CHANGES: tuple[Column, ...] = (
    Column("change", "text", False, "what it does to the structure", blank="nothing that is worked out", words=CHANGES),
    Column("change_m", "number", False, "how much: rise or fall of the crest, depth of the notch, overhang of the lip, "
           "height of a built crest above the bed below", unit="m", low=0.0, above=True, high=100.0,
           blank="not needed by the change"),
    Column("change_width_m", "number", False, "width of the notch or the built crest", unit="m", low=0.0, above=True,
           high=1e4, blank="not needed by the change"),
    Column("crest_up", "day", False, "first day a seasonal crest is up", blank="the best days are found"),
    Column("crest_down", "day", False, "last day a seasonal crest is up", blank="the best days are found"),
    Column("efficiency_<species>", "share", False, "share that a fishway, ramp or sorter lets get past the structure",
           low=0.0, high=1.0, blank="known from a trial"),
)  # fmt: skip
