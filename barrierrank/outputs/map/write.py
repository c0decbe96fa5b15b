"""Put the page together from the results and write it."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import folium
import numpy as np
from branca.element import MacroElement
from folium.template import Template
from xyzservices import providers  # type: ignore[import-untyped]

from barrierrank.outputs.map.encode import Package
from barrierrank.outputs.map.escape import script_json
from barrierrank.outputs.map.frame import NOTHING, frame
from barrierrank.outputs.map.intervals import interval_bytes, interval_columns, note_words
from barrierrank.outputs.map.lines import Lines, encode_lines, to_web
from barrierrank.outputs.map.page import Data, SelfContainedPage
from barrierrank.outputs.map.passage import page_cautions, passage_bytes, passage_columns
from barrierrank.outputs.map.plan import add_plan, plan_bytes
from barrierrank.outputs.map.plan_frame import PLAN_FILES, numbered_beside, plan_additions
from barrierrank.outputs.map.quality import add_quality, quality_bytes
from barrierrank.outputs.map.reach_layer import STATES, ReachLayer, SiteLayer, add_reaches, unit_scales
from barrierrank.outputs.map.sites import action_columns, site_columns, water_rings
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook

NUMBERED = 200  # sites marked with their rank; thousands of marks would make the page slow
PANES = ("water", "route", "reaches", "pins")


def write_map(
    path: Path, model: OutputModel, *, online_base: bool = False, plan: PlanLook | None = None
) -> None:
    """Write the interactive map of `model` as one HTML file.

    Parameters
    ----------
    path : Path
        File to write; replaced where it exists.
    model : OutputModel
    online_base : bool
        Offer base maps from the internet. They stay off until the reader chooses one; without this the page's
        policy forbids every request.
    plan : PlanLook or None
        A plan for the same project: marked on the map, told beside it, with access before and after it.

    Raises
    ------
    ValueError
        Where the tables of `model` and `plan` do not agree with each other.
    """
    path.write_text(render_map(model, online_base=online_base, plan=plan), encoding="utf-8", errors="replace")


def render_map(model: OutputModel, *, online_base: bool = False, plan: PlanLook | None = None) -> str:
    """Return the page that :func:`write_map` writes."""
    others = quality_bytes(model) + passage_bytes(model) + interval_bytes(model) + plan_bytes(model, plan)
    lines = encode_lines(model.reaches, others=others)
    package = Package()
    meta = _meta(model, lines, add_reaches(package, model, lines))
    quality = add_quality(package, model, lines.order)
    if quality:
        meta["quality"] = quality
    package.add_json("sites", site_columns(model, lines, unit_scales(model)))
    package.add_json("actions", action_columns(model, unit_scales(model)))
    passage = passage_columns(model)
    if passage is not None:
        package.add_json("passage", passage)
    intervals = interval_columns(model)
    if intervals is not None:
        package.add_json("intervals", intervals)
    if plan is not None:
        meta["plan"] = add_plan(package, model, plan, lines)
    package.add_json("water", water_rings(model.receiving, lines))
    meta["sections"] = package.index()
    bases = _base_layers() if online_base else []
    numbered = numbered_beside(plan, NUMBERED)
    page = SelfContainedPage(
        title=f"{model.basin}: barriers ranked",
        frame=frame(
            model,
            notes=_notes(model, lines),
            bases=[b.layer_name for b in bases],
            numbered=numbered,
            more=NOTHING if plan is None else plan_additions(plan),
        ),
        data=[
            Data("meta", "application/json", script_json(meta)),
            Data("package", "text/plain", package.text()),
        ],
        image_hosts=sorted({_host(b.tiles) for b in bases}),
        extras=() if plan is None else PLAN_FILES,
    )
    _map(bases, numbered).add_to(page)
    return page.render()


class Start(MacroElement):
    """The line that hands the map and its layers to ``map.js``."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            barrierrank.start({{ this.parts|tojavascript }});
        {% endmacro %}
        """
    )

    def __init__(self, **parts: Any) -> None:
        super().__init__()
        self._name = "Start"
        self._id = "main"
        self.parts = parts


class Panes(MacroElement):
    """Panes of the map, made before the layers that lie in them."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            {%- for name in this.names %}
            {{ this._parent.get_name() }}.createPane({{ name|tojson }});
            {%- endfor %}
        {% endmacro %}
        """
    )

    def __init__(self, names: tuple[str, ...]) -> None:
        super().__init__()
        self._name = "Panes"
        self._id = "main"
        self.names = names


def _map(bases: list[folium.TileLayer], numbered: int) -> folium.Map:
    """Return the folium map with its layers, all under fixed names: equal results give equal pages."""
    chart = folium.Map(
        location=[0, 0], zoom_start=2, tiles=None, max_zoom=18, zoom_snap=0.5, attribution_control=bool(bases)
    )
    chart._id = "main"
    Panes(PANES).add_to(chart)
    reaches, sites = ReachLayer(), SiteLayer(numbered=numbered)
    for k, base in enumerate(bases):
        base._id = f"base{k}"
        base.add_to(chart)
    reaches.add_to(chart)
    sites.add_to(chart)
    Start(map=chart, reaches=reaches, sites=sites, bases=bases).add_to(chart)
    return chart


def _base_layers() -> list[folium.TileLayer]:
    """Return base maps that may be chosen; never shown by themselves."""
    wanted = (
        ("OpenStreetMap", providers.OpenStreetMap.Mapnik),
        ("USGS topographic, United States", providers.USGS.USTopo),
    )
    return [
        folium.TileLayer(tiles, name=name, overlay=False, control=False, show=False) for name, tiles in wanted
    ]


def _host(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}"


def _meta(model: OutputModel, lines: Lines, reaches: dict[str, Any]) -> dict[str, Any]:
    """Return what the scripts must know before they open the package."""
    steps = np.hypot(*np.diff(lines.xy, axis=0).T)
    first = np.cumsum(lines.counts)[:-1] - 1
    steps[first] = 0
    reaches["typical"] = round(float(steps.sum() / max(len(lines.counts), 1)), 2)
    state_lengths = [_lengths(model, look.key) for look in model.species]
    return {
        "units": model.units,
        "currency": model.currency,
        "species": [{"label": s.label, "role": s.role, "unit": s.habitat_unit} for s in model.species],
        "reaches": reaches,
        "lengths": state_lengths,
        "bounds": _bounds(model, lines),
        "cautions": page_cautions(model),
    }


def _lengths(model: OutputModel, key: str) -> list[int]:
    """Return the stream length [m] in each state, in the order of `STATES`."""
    sums = model.reaches["length_m"].groupby(model.reaches[f"state_{key}"].astype(str)).sum()
    return [round(float(sums.get(state, 0.0))) for state in STATES]


def _bounds(model: OutputModel, lines: Lines) -> list[list[float]]:
    """Return the south-western and the north-eastern corner as latitude and longitude."""
    x0, y0, x1, y1 = model.reaches.total_bounds
    corners = np.array([[x0, y0], [x0, y1], [x1, y0], [x1, y1]])
    degrees = lines.plane.degrees(to_web(corners, model.reaches.crs))
    (west, south), (east, north) = degrees.min(axis=0), degrees.max(axis=0)
    return [[round(float(south), 5), round(float(west), 5)], [round(float(north), 5), round(float(east), 5)]]


def _notes(model: OutputModel, lines: Lines) -> list[str]:
    """Return sentences on how results and map were made."""
    money = f"in {model.currency}" if model.currency else "in points"
    rate = f"{model.discount_rate * 100:g}\u00a0%"
    notes = [
        "These are planning-level results: check on the ground before money is spent.",
        f"Values are {money}, over {model.horizon_years} years, discounted at {rate} a year.",
        *note_words(model),
        f"{len(model.reaches):,} reaches, {len(model.sites):,} sites, {len(model.priority):,} actions.",
        f"Lines are drawn to within some {lines.tolerance_m:g} m of the originals; "
        "all numbers come from the originals.",
    ]
    version = model.run.get("version")
    maker = f"Made with barrierrank {version}. " if version else ""
    return [*notes, f"{maker}Map drawn with Leaflet (BSD 2-Clause licence, notice in the page)."]
