"""Look at tables of sites and actions and tell which of their columns can serve which key, and why."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.cells import BLANKS, ids_of, numbers_of
from barrierrank.inputs.propose_lines import Finding, LinesFound, crs_text
from barrierrank.inputs.schema import ACTIONS
from barrierrank.inputs.tables import is_plain_table, read_table
from barrierrank.inputs.vector import Wanted, find_layer
from barrierrank.problems import Problems, some

ObjectArray = npt.NDArray[np.object_]

#: What usual words for passability are taken to mean until the user says otherwise.
_WORDS: tuple[tuple[float, tuple[str, ...]], ...] = (
    (0.0, ("none", "no", "blocked", "barrier", "impassable", "complete", "total", "closed")),
    (0.25, ("poor", "low", "bad", "severe", "difficult", "limited")),
    (0.5, ("partial", "fair", "moderate", "medium", "some")),
    (0.75, ("good", "high", "minor", "easy")),
    (1.0, ("full", "open", "passable", "yes", "excellent", "free")),
)
_INVADERS = ("lamprey", "goby", "carp", "invas", "invader", "alewife", "snakehead", "pike_perch")
_PASSABILITY = r"^p_|^p[.]|pass"


@dataclass(frozen=True)
class SpeciesFound:
    """A species proposed from a column of passabilities."""

    key: str
    label: str
    role: str
    passability: Finding


@dataclass(frozen=True)
class SitesFound:
    """What was seen in a table of sites: findings by key of [sites], ratings, species."""

    keys: dict[str, Finding] = field(default_factory=dict)
    ratings: dict[str, float] = field(default_factory=dict)
    species: tuple[SpeciesFound, ...] = ()


def look_at_sites(path: Path | None, lines: LinesFound, actions: Path | None = None) -> SitesFound:
    """Look at the columns of a table of sites.

    Parameters
    ----------
    path : Path or None
        None: nothing is found, and placeholders are proposed.
    lines : LinesFound
        To compare coordinates with.
    actions : Path, optional
        Table of actions: its columns name the species where the sites name none, and its sites tell the ids.

    Raises
    ------
    InputError
        When a table cannot be read.
    """
    works = _columns_of_actions(actions, lines)
    if path is None:
        return SitesFound(species=_species(_species_of_actions(works)))
    keys: dict[str, Finding] = {}
    wanted: Wanted = "anything"
    if not is_plain_table(path):
        info = find_layer(path, None, wanted="points", at="[sites]", problems=Problems())
        keys["layer"] = Finding(info.layer, "the layer looked at")
        wanted = "points" if info.geometry_type is not None else "anything"
    raw = read_table(path, None, at="[sites]", problems=Problems(), wanted=wanted, target=lines.crs)
    columns = {str(c): raw.text(c) for c in raw.frame.columns}
    keys |= _site_id(columns, works) | _words_by_name(columns) | _failure(columns)
    if wanted == "anything":
        keys |= _place(columns, lines)
    passable, ratings = _passabilities(columns)
    return SitesFound(keys, ratings, _species(passable or _species_of_actions(works)))


Columns = dict[str, ObjectArray]


def _matching(columns: Columns, pattern: str) -> list[str]:
    return [c for c in columns if re.search(pattern, c, re.IGNORECASE)]


def _site_id(columns: Columns, works: Columns) -> dict[str, Finding]:
    """Propose the first column that has another text in every row: that of the actions, or one named like an id."""
    named = set(ids_of(works["site"]).tolist()) - {""} if "site" in works else set()
    likely = _matching(columns, r"^site$|^site_?(id|no|code)|(^|_)id$|id$|code$|key$|(^|_)no$")
    likely.sort(key=lambda name: name.casefold() in ("fid", "ogc_fid", "objectid"))  # numbers that programs give
    found = []
    for name in [*likely, *(c for c in columns if c not in likely)]:
        texts = ids_of(columns[name]).tolist()
        if "" not in texts and len(set(texts)) == len(texts):
            if named and named <= set(texts):
                return {"id": Finding(name, "another value in every row, among them all sites of the actions")}
            found.append(name)
    if found:
        return {"id": Finding(found[0], "another value in every row")}
    return {"id": Finding("site", "no column has another value in every row: add one", sure=True)}


def _numbers(cells: ObjectArray) -> npt.NDArray[np.float64]:
    read = numbers_of(cells, amounts=False)
    return read.value if not read.wrong else np.full(len(cells), np.nan)


def _place(columns: Columns, lines: LinesFound) -> dict[str, Finding]:
    """Propose the columns of the coordinates and their system, by their names and values."""
    xs = _matching(columns, r"^(lon|long|longitude|lng)$|lon(gitude)?$|^x$|east|(^|_)x$|^x_")
    ys = _matching(columns, r"^(lat|latitude)$|lat(itude)?$|^y$|north|(^|_)y$|^y_")
    for x_name, y_name in zip(xs, ys, strict=False):
        x, y = _numbers(columns[x_name]), _numbers(columns[y_name])
        if np.isnan(x).all() or np.isnan(y).all():
            continue
        found = {"x": Finding(x_name, "by its name"), "y": Finding(y_name, "by its name")}
        west, south, east, north = lines.bounds
        room = 0.2 * max(east - west, north - south) + 10_000.0
        inside = (x > west - room) & (x < east + room) & (y > south - room) & (y < north + room)
        if np.nanmax(np.abs(x)) <= 180 and np.nanmax(np.abs(y)) <= 90:
            found["crs"] = Finding("EPSG:4326", "the values look like degrees, taken as WGS 84")
        elif inside.mean() > 0.5:
            found["crs"] = Finding(crs_text(lines.crs), "the values lie among the streams in this system")
        else:
            found["crs"] = Finding(
                crs_text(lines.crs), "NOT KNOWN: the values fit neither; write the true one"
            )
        return found
    return {
        "x": Finding("lon", "no column of coordinates was found: write its name"),
        "y": Finding("lat", "no column of coordinates was found: write its name"),
        "crs": Finding("EPSG:4326", "write the coordinate system of x and y"),
    }


def _words_by_name(columns: Columns) -> dict[str, Finding]:
    found: dict[str, Finding] = {}
    for key, pattern in (
        ("name", r"^name$|name"),
        ("kind", r"^kind|^(?!owner).*type|structure"),
        ("stream", r"^(stream|river|water)(_?name)?$"),
    ):
        names = [c for c in _matching(columns, pattern) if c not in {f.value for f in found.values()}]
        if names:
            found[key] = Finding(names[0], "by its name")
    area = _matching(columns, r"(area|da|drain).*(sq_?km|km_?2|skm)")
    if area:
        found["drainage_area"] = Finding(area[0], "by its name; it must be in km2")
    return found


def _failure(columns: Columns) -> dict[str, Finding]:
    for name in _matching(columns, r"fail"):
        value = _numbers(columns[name])
        if not np.isnan(value).all() and np.nanmin(value) >= 0 and np.nanmax(value) <= 1:
            return {"failure_probability": Finding(name, "values from 0 to 1; it must be the annual chance")}
    return {}


def _passabilities(columns: Columns) -> tuple[dict[str, Finding], dict[str, float]]:
    """Return columns that hold passabilities, and the words found in them."""
    found: dict[str, Finding] = {}
    ratings: dict[str, float] = {}
    for name in _matching(columns, _PASSABILITY):
        if re.search(r"down", name, re.IGNORECASE):
            continue
        cells = columns[name]
        value = numbers_of(cells, amounts=False)
        words = {c.casefold() for i, c in enumerate(cells) if i in value.wrong}
        numbers = value.value[~np.isnan(value.value)]
        blanks = sum(c.casefold() in BLANKS for c in cells)
        if blanks or len(words) > 12 or any(not w[:1].isalpha() for w in words):
            continue
        if numbers.size and (numbers.min() < 0 or numbers.max() > 1):
            continue
        ratings |= {w: _meaning(w) for w in sorted(words)}
        what = f"words {some(sorted(words), 6)}" if words else "values from 0 to 1"
        found[name] = Finding(name, what)
    return found, ratings


def _meaning(word: str) -> float:
    return next((value for value, words in _WORDS if word in words), 0.5)


def _species(columns: dict[str, Finding]) -> tuple[SpeciesFound, ...]:
    """Propose a species for each column of passabilities, at least one invader and one native."""
    keys: dict[str, Finding] = {}
    for name, finding in columns.items():
        bare = re.sub(r"passability|pass_?|^p_", "", name, flags=re.IGNORECASE)
        key = re.sub(r"[^a-z0-9]+", "_", bare.lower()).strip("_") or "fish"
        keys.setdefault(key, finding)
    roles = {k: "invasive" if any(w in k for w in _INVADERS) else "native" for k in keys}
    if len(keys) > 1 and "invasive" not in roles.values():
        roles[next(iter(keys))] = "invasive"
    for role, key in (("invasive", "invader"), ("native", "native_fish")):
        if role not in roles.values():
            keys[key], roles[key] = _NO_PASSABILITY, role
    return tuple(SpeciesFound(k, k.replace("_", " ").capitalize(), roles[k], f) for k, f in keys.items())


_NO_PASSABILITY = Finding(0.5, "assumed: no column of passabilities was found; write its name")


def _species_of_actions(works: Columns) -> dict[str, Finding]:
    """Return the species that columns `passability_<species>` of the actions name, their passability today unknown."""
    return {c: _NO_PASSABILITY for c in works if re.fullmatch(r"passability_[a-z0-9_]+", c)}


def _columns_of_actions(path: Path | None, lines: LinesFound) -> Columns:
    """Return the columns of the table of actions as texts; none without a table."""
    if path is None:
        return {}
    layer = None
    if not is_plain_table(path):
        layer = find_layer(path, None, wanted="anything", at="[actions]", problems=Problems()).layer
    raw = read_table(path, layer, at="[actions]", problems=Problems(), target=lines.crs)
    return {str(c): raw.text(c) for c in raw.frame.columns}


def look_at_actions(path: Path | None, lines: LinesFound) -> tuple[str | None, str]:
    """Tell whether a table can be read as actions.

    Returns
    -------
    tuple of (str or None, str)
        Its layer, where it must be named; and what is missing, ``""`` where nothing is.

    Raises
    ------
    InputError
        When the table cannot be read.
    """
    needed = [c.name for c in ACTIONS if c.required]
    if path is None:
        return None, f"no table was named; it needs the columns {', '.join(needed)}"
    layer = None
    if not is_plain_table(path):
        layer = find_layer(path, None, wanted="anything", at="[actions]", problems=Problems()).layer
    raw = read_table(path, layer, at="[actions]", problems=Problems(), target=lines.crs)
    lacking = [c for c in needed if c not in raw.frame.columns]
    return layer, f"it lacks the columns {', '.join(lacking)}" if lacking else ""
