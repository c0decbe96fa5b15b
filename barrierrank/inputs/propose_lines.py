"""Look at a layer of streams and tell which of its columns can serve which key, and why."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS

from barrierrank.inputs.crs import check_units, source_crs
from barrierrank.inputs.lines import METRES
from barrierrank.inputs.report import Report
from barrierrank.inputs.vector import LayerInfo, find_layer, quiet, read_frame
from barrierrank.problems import Problems
from barrierrank.project_schema import default_of

#: Rows looked at; enough to tell columns apart, few enough to be quick on any layer.
_MOST_ROWS = 300_000
_NODE_WORDS = (
    ("from", "to"), ("start", "end"), ("upstream", "downstream"), ("up", "down"), ("up", "dn"), ("us", "ds"),
    ("source", "target"), ("begin", "end"), ("head", "tail"),
)  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """A value proposed for one key.

    Parameters
    ----------
    value : object
        Text, number, or tuple of these.
    reason : str
        What was seen that speaks for it.
    sure : bool
        False: written as a comment, for the user to decide.
    """

    value: str | float | tuple[float | int | str, ...]
    reason: str
    sure: bool = True


@dataclass(frozen=True)
class LinesFound:
    """What was seen in a layer of streams.

    Parameters
    ----------
    crs : CRS
        Proposed for the basin: projected, metres.
    crs_reason : str
    keys : dict of str to Finding
        By key of [hydrography].
    bounds : (4,) float64
        Of the lines, in `crs` [m].
    """

    crs: CRS
    crs_reason: str
    keys: dict[str, Finding]
    bounds: npt.NDArray[np.float64]


def look_at_lines(path: Path, layer: str | None) -> LinesFound:
    """Look at the columns and the geometry of a layer of streams.

    Parameters
    ----------
    path : Path
    layer : str or None
        None: the only layer of lines.

    Raises
    ------
    InputError
        When the layer cannot be read or does not say its CRS.
    """
    problems = Problems()
    info = find_layer(path, layer, wanted="lines", at="[hydrography]", problems=problems)
    report = Report(problems, info.label, "[hydrography]")
    own = source_crs(info.crs, report)
    frame = read_frame(info, _MOST_ROWS, report)
    check_units(shapely.total_bounds(frame.geometry), own, report)
    lines = gpd.GeoSeries(frame.geometry.to_numpy(), crs=own)
    crs, crs_reason = _basin_crs(own, lines)
    lines = lines.to_crs(crs)
    table = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    keys = {"layer": Finding(info.layer, "the layer looked at")}
    keys |= _id(table, info)
    keys |= _direction(table, lines)
    keys |= _length(table, lines)
    keys |= _minor(table)
    keys |= _by_name(table)
    return LinesFound(crs, crs_reason, keys, shapely.total_bounds(lines.to_numpy()))


def _basin_crs(own: CRS, lines: gpd.GeoSeries) -> tuple[CRS, str]:
    """Return the layer's own system where it is projected in metres, else the UTM zone of its middle."""
    metres = all(a.unit_conversion_factor == 1.0 for a in own.axis_info[:2])
    if own.is_projected and metres and own.to_authority() is not None:
        return own, f"that of the streams, {own.name}, in metres"
    utm = CRS.from_user_input(lines.estimate_utm_crs())
    return utm, f"{utm.name}, the zone the streams lie in; their own, {own.name}, is not in metres"


def crs_text(crs: CRS) -> str:
    """Return the shortest text that stands for a coordinate system."""
    authority = crs.to_authority()
    return ":".join(authority) if authority is not None else str(crs.to_wkt())


def _matching(columns: Iterable[str], pattern: str) -> list[str]:
    return [c for c in columns if re.search(pattern, c, re.IGNORECASE)]


def _numeric(table: pd.DataFrame) -> list[str]:
    return [str(c) for c in table.columns if pd.api.types.is_numeric_dtype(table[c].dtype)]


def _id(table: pd.DataFrame, info: LayerInfo) -> dict[str, Finding]:
    """Propose the first column that has another value in every row, one named like an id before others."""
    likely = _matching(table.columns, r"(^|[^a-z])id$|id$|^id|ident|code$|key$|(^|_)no$|number$")
    for name in likely:
        column = table[name]
        if pd.api.types.is_float_dtype(column.dtype) and not (column.dropna() % 1 == 0).all():
            continue
        if not column.isna().any() and column.is_unique and _unique_throughout(info, name):
            return {"id": Finding(name, "another value in every row")}
    return {
        "id": Finding("...", "no column has another value in every row; row numbers are used", sure=False)
    }


def _unique_throughout(info: LayerInfo, name: str) -> bool:
    if 0 <= info.features <= _MOST_ROWS:
        return True
    with quiet():
        column = pyogrio.read_dataframe(
            info.path, layer=info.layer, columns=[name], read_geometry=False, use_arrow=True
        )[name]
    return bool(column.is_unique and not column.isna().any())


def node_pair(columns: Sequence[str]) -> list[tuple[str, str]]:
    """Return pairs of columns named like the two ends of a line, e.g. ``("FromNode", "ToNode")``."""
    lower = {c.casefold(): c for c in columns}
    pairs: list[tuple[str, str]] = []
    for name, column in lower.items():
        for first, last in _NODE_WORDS:
            other = re.sub(rf"(?<![a-z]){first}(?=[^a-z]|node|nd|n$|id|$)", last, name)
            if other != name and other in lower and "elev" not in name and "meas" not in name:
                pairs.append((column, lower[other]))
    return sorted(set(pairs), key=lambda p: ("node" not in p[0].casefold(), columns.index(p[0])))


def _direction(table: pd.DataFrame, lines: gpd.GeoSeries) -> dict[str, Finding]:
    """Propose node columns where the end of a line is the start of the next, else the direction as drawn."""
    for start, end in node_pair(list(table.columns)):
        first, last = table[start], table[end]
        missing = list(default_of("hydrography", "missing"))
        sound = first.notna() & last.notna() & ~first.isin(missing) & ~last.isin(missing)
        shared = float(last[sound].isin(set(first[sound])).mean()) if sound.any() else 0.0
        if shared < 0.1:
            continue
        meet = _share_meeting(first[sound], last[sound], lines[sound.to_numpy()])
        reason = f"{shared:.0%} of the nodes in {end} start another line"
        if meet is not None:
            reason += f"; there the lines meet as drawn in {meet:.0%}"
        return {
            "direction": Finding("nodes", reason),
            "from_node": Finding(start, "upstream end, by its name"),
            "to_node": Finding(end, "downstream end, by its name"),
        }
    reason = "no pair of node columns was found; see `drawn`"
    if shapely.has_z(lines.to_numpy()).any():
        reason += '; the lines have heights, so "elevation" is possible too'
    found = {"direction": Finding("digitised", reason)}
    ends = _matching(_numeric(table), r"(start|from|up|max|us).*elev|elev.*(start|from|up|max|us)")
    feet = _matching(_numeric(table), r"(end|to|down|dn|min|ds).*elev|elev.*(end|to|down|dn|min|ds)")
    if ends and feet:
        found["start_elevation"] = Finding(ends[0], 'possible with direction = "elevation"', sure=False)
        found["end_elevation"] = Finding(feet[0], 'possible with direction = "elevation"', sure=False)
    return found


def _share_meeting(first: pd.Series, last: pd.Series, lines: gpd.GeoSeries) -> float | None:
    """Return how often a line ends on the first vertex of a line that starts at its end node."""
    geometry = shapely.line_merge(lines.to_numpy())
    ends = pd.DataFrame({"node": last.to_numpy(), "p": shapely.get_point(geometry, -1)}).dropna()
    starts = pd.DataFrame({"node": first.to_numpy(), "q": shapely.get_point(geometry, 0)}).dropna()
    both = ends.merge(starts.drop_duplicates("node"), on="node")
    if both.empty:
        return None
    return float((shapely.distance(both["p"].to_numpy(), both["q"].to_numpy()) < 1.0).mean())


def _length(table: pd.DataFrame, lines: gpd.GeoSeries) -> dict[str, Finding]:
    """Propose the column that comes nearest to the measured lengths, and its unit."""
    drawn = shapely.length(lines.to_numpy())
    best: tuple[float, str, str, str] | None = None
    for name in _matching(_numeric(table), r"len|dist|km$|miles"):
        value = table[name].to_numpy(dtype=np.float64)
        use = (value > 0) & (drawn > 0)
        if use.sum() < 0.5 * len(value):
            continue
        ratio = value[use] / drawn[use]
        low, middle, high = np.quantile(ratio, [0.25, 0.5, 0.75])
        unit, off = min(((u, abs(np.log(middle * m))) for u, m in METRES.items()), key=lambda p: p[1])
        spread = float((high - low) / middle)
        if off < 0.22 and spread < 0.2 and (best is None or off + spread < best[0]):
            seen = f"{low * METRES[unit]:.2f} to {high * METRES[unit]:.2f} of their length as drawn"
            best = (float(off) + spread, name, unit, seen)
    if best is None:
        return {}
    _, name, unit, seen = best
    reason = f"in {unit} the middle half of the lines have {seen}"
    return {
        "length": Finding(name, reason),
        "length_unit": Finding(unit, "the unit that fits the lines as drawn"),
    }


def _minor(table: pd.DataFrame) -> dict[str, Finding]:
    """Propose a column that flags the minor branch of splits."""
    for name in _matching(table.columns, r"diverg|minor|side_?(arm|channel)"):
        values = set(pd.Series(table[name]).dropna().unique().tolist())
        quoted = name if name.isidentifier() else f"`{name}`"
        if not values or "`" in name:
            continue
        if "diverg" in name.casefold() and values <= {0, 1, 2} and 1 in values:
            reason = "values 0, 1 and 2: taken as no split, main and minor branch"
            return {"minor_channel": Finding(f"{quoted} == 2", reason)}
        if values <= {0, 1}:
            return {"minor_channel": Finding(f"{quoted} == 1", "values 0 and 1: taken as a flag")}
    return {}


def _by_name(table: pd.DataFrame) -> dict[str, Finding]:
    """Propose columns whose names say what they hold; where the unit is not in the name, as a comment."""
    numeric = _numeric(table)
    texts = [str(c) for c in table.columns if c not in numeric]
    found: dict[str, Finding] = {}
    names = [c for c in _matching(texts, r"name|river|stream$") if table[c].notna().any()]
    if names:
        found["name"] = Finding(names[0], "texts, by its name")
    km2 = r"(sq_?km|km_?2|skm)"
    total = _matching(numeric, rf"(tot|drain|catch|up|cum|acc|contrib).*{km2}") or _matching(
        numeric, rf"^(area|da)_?{km2}$|^(da|uparea)_?{km2}?$"
    )
    if total:
        sure = re.search(km2, total[0], re.IGNORECASE) is not None
        reason = "by its name; it must be the whole area above the foot of the line, in km2"
        found["drainage_area"] = Finding(total[0], reason, sure=sure)
    flow = _matching(numeric, r"discharge|^q_?(mean|avg|annual|ma$|m3)|mean_?flow|m3_?s|cms$")
    if flow:
        sure = re.search(r"m3|cms", flow[0], re.IGNORECASE) is not None
        found["discharge"] = Finding(
            flow[0], "by its name; it must be the mean annual one, in m3/s", sure=sure
        )
    width = _matching(numeric, r"width")
    if width:
        sure = re.search(r"width(_?m)?$", width[0], re.IGNORECASE) is not None
        found["width"] = Finding(width[0], "by its name; it must be in metres", sure=sure)
    return found
