"""Write a project file for a user's layers: what was found in them and why, every default with its reason."""

from __future__ import annotations

import json
import os
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from barrierrank.inputs.propose_lines import Finding, crs_text, look_at_lines
from barrierrank.inputs.propose_sites import SitesFound, SpeciesFound, look_at_actions, look_at_sites
from barrierrank.inputs.schema import ACTIONS, TABLES
from barrierrank.inputs.schema_passage import ACTION_CHANGES, CHANGES
from barrierrank.problems import one_line
from barrierrank.project_key import Key
from barrierrank.project_schema import SCHEMA
from barrierrank.project_schema_uncertainty import EVIDENCE, UNCERTAINTY_SCHEMA

_HEAD = """\
# Project file of barrierrank. Paths are relative to this file. What stands after # is a comment.
#
# Values with a reason beside them were found in your layers: look at each. "assumed" marks a default that has
# no better reason: replace it by your own. Lines that begin with # are keys not in use: remove the # to use.
#
# CAUTION. Results are planning-level. Low-head dams drown people: keep the public away from the water above
# and below them. Work on a dam needs a licensed engineer and the permits of the place; lampricide is for
# licensed applicators. Nothing here replaces a look at the site, a design, or the local code.
"""
_MARGIN = 44


def propose_project(
    hydrography: Path,
    sites: Path | None,
    actions: Path | None,
    *,
    layer: str | None = None,
    folder: Path | None = None,
    name: str = "",
    species: str = "",
) -> str:
    """Return the text of a project file for the user's own layers.

    Parameters
    ----------
    hydrography : Path
        Layer of stream lines.
    sites, actions : Path or None
        Tables; without one a placeholder is written that says what is needed.
    layer : str, optional
        Layer of `hydrography`, needed where it has several of lines.
    folder : Path, optional
        Where the project file will be; paths are written relative to it, without it as given.
    name : str
        Name of the basin; that of the file of streams where empty.
    species : str
        Ready tables of species as TOML, to stand in the place of those proposed from the columns of the sites.

    Raises
    ------
    InputError
        When a file cannot be read, or the streams do not say their CRS.
    """
    lines = look_at_lines(hydrography, layer)
    found = look_at_sites(sites, lines, actions)
    basin = {
        "name": Finding(name or hydrography.stem.replace("_", " "), "change it freely"),
        "crs": Finding(crs_text(lines.crs), lines.crs_reason),
    }
    streams = {"path": Finding(_path(hydrography, folder), ""), **lines.keys}
    where = Finding("sites.csv", "PLACEHOLDER: write the path of your table of sites")
    if sites is not None:
        where = Finding(_path(sites, folder), "")
    parts = [
        _HEAD,
        _table("basin", basin),
        _table("hydrography", streams),
        "# Without [outlets] every place where flow ends is an outlet, where spawning runs start.",
        _table("outlets", {}, unused=True),
        _table("sites", {"path": where, "id": Finding("site", "write the column of the ids"), **found.keys}),
        _ratings(found),
        _measured(),
        *([species] if species else (_species(s) for s in found.species)),
        _trials(),
        _habitat(),
        _actions(actions, folder, look_at_actions(actions, lines)),
        "# Either [points] or [money]: values of species are points, or money a year.",
        _table("points", {}),
        _table("money", {}, unused=True),
        _table("ranking", {}),
        '# by = "criteria" needs weights: column of the priority list = weight; the sign is the direction.\n'
        "# [ranking.weights]\n# treatment_saved = 1.0\n# cost = -1.0\n",
        _table("display", {}),
        _uncertainty(),
        _plan(),
    ]
    return "\n".join(parts)


def _path(path: Path, folder: Path | None) -> str:
    if folder is None:
        return path.as_posix()
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return path.absolute().as_posix()


def toml_value(value: Any) -> str:
    """Return a text, number, truth value or sequence of these as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    return repr(value)


def _line(text: str, comment: str, *, unused: bool = False) -> str:
    head = f"# {text}" if unused else text
    comment = one_line(comment).strip()
    return f"{head.ljust(_MARGIN)} # {comment}" if comment else head


def _key(key: Key, found: Finding | None, *, unused: bool) -> str:
    """Return the line of one key: as found, else by default, else as a comment."""
    choices = f" ({' | '.join(key.choices)})" if key.choices else ""
    unit = f" [{key.unit}]" if key.unit else ""
    meaning = f"{key.meaning}{unit}{choices}"
    if found is not None:
        comment = f"{meaning}; {found.reason}" if found.reason else meaning
        return _line(f"{key.name} = {toml_value(found.value)}", comment, unused=unused or not found.sure)
    if key.default is not None and not key.example:
        comment = f"{meaning}; {key.reason or 'assumed'}"
        return _line(f"{key.name} = {toml_value(key.default)}", comment, unused=unused)
    example = key.example or ('"..."' if key.holds not in ("number", "integer") else "...")
    comment = f"{meaning}; {key.reason}" if key.reason else meaning
    return _line(f"{key.name} = {example}", comment, unused=True)


def _table(name: str, found: Mapping[str, Finding], *, head: str = "", unused: bool = False) -> str:
    lines = [f"{'# ' if unused else ''}[{head or name}]"]
    lines += [_key(key, found.get(key.name), unused=unused) for key in SCHEMA[name]]
    return "\n".join(lines) + "\n"


def _ratings(found: SitesFound) -> str:
    lines = ["# Words allowed in columns of passabilities, and what each stands for (0 to 1)."]
    if not found.ratings:
        return "\n".join([*lines, "# [ratings]", '# "poor" = 0.25', ""])
    lines.append("[ratings]")
    lines += [_line(f"{toml_value(w)} = {v:g}", "assumed: write your own") for w, v in found.ratings.items()]
    return "\n".join([*lines, ""])


def _species(species: SpeciesFound) -> str:
    invader = species.role == "invasive"
    keys = {
        "role": Finding(species.role, "PLACEHOLDER: check it"),
        "label": Finding(species.label, ""),
        "value": Finding(-1.0 if invader else 1.0, "PLACEHOLDER, assumed"),
        "passability": species.passability,
    }
    head = f"species.{species.key}"
    text = _table("species", keys, head=head)
    text += _table("treatment", {}, head=f"{head}.treatment", unused=True) if invader else ""
    return f"{text}\n{_stages(head)}\n{_abilities(head)}"


def _stages(head: str) -> str:
    """Return the tables of life stages as comments, for habitat = "spawning" or "rearing"."""
    stage = f"{head}.rearing"
    return (
        _table("stage", {}, head=stage, unused=True)
        + f"# [{stage}.curves]\n"
        + _line("gradient = [[0.0, 1.0], [0.005, 1.0], [0.02, 0.0]]",
                "suitability 0 to 1 by gradient [m/m], straight between points; assumed", unused=True)
        + "\n"
        + _line("substrate = { sand = 0.5, fines = 1.0 }", "suitability of each class of a raster; assumed",
                unused=True)
        + "\n"
        + _table("limits", {}, head=f"{stage}.limits", unused=True)
    )  # fmt: skip


def _abilities(head: str) -> str:
    """Return the tables of what a species can do and when it comes by as comments, for a passability worked out."""
    return _table("swimming", {}, head=f"{head}.swimming", unused=True) + _table(
        "run", {}, head=f"{head}.run", unused=True
    )


def _columns(table: str) -> str:
    return ", ".join(c.name for c in TABLES[table])


def _measured() -> str:
    """Return the tables of structures and flows as comments."""
    return "\n".join([
        "# Passability worked out from structure, flow and fish: fill in these tables, what each species can do and\n"
        '# when it comes by (below), and give passability = "computed", or leave cells of its column empty.\n'
        "# Elevations of one structure are in one datum; columns, empty where a kind does not need them:\n"
        + _wrapped(_columns("structures"))
        + _table("structures", {}, unused=True),
        f"# Gauges are a table of their own where there are several: {_columns('gauges')}.\n"
        + _table("flows", {}, unused=True),
    ])  # fmt: skip


def _trials() -> str:
    """Return the tables of trials and of settings as comments."""
    return "\n".join([
        f"# Counts of fish in trials; columns: {_columns('trials')}.\n"
        "# None passed of n offered is not 0: the bound is about 3 / n.\n" + _table("trials", {}, unused=True),
        _table("passage", {}, unused=True),
    ])  # fmt: skip


def _wrapped(text: str) -> str:
    """Return a long list as lines of comments."""
    return "".join(f"#   {line}\n" for line in textwrap.wrap(text, 100))


def _habitat() -> str:
    """Return the tables that habitat can be worked out from, as comments."""
    classes = _line(
        "classes = { gravel = 3, sand = [4, 5] }", "codes of each class (kind = classes)", unused=True
    )
    return "\n".join([
        '# Habitat by quality instead of plain length or area: rasters, curves by life stage (above), surveys. Put\n'
        '# habitat = "rearing" or "spawning" into the species then.',
        _table("raster", {}, head="rasters.substrate", unused=True) + classes + "\n",
        _table("terrain", {}, unused=True),
        _table("catchments", {}, unused=True),
        _table("survey", {}, unused=True),
    ])  # fmt: skip


def _uncertainty() -> str:
    """Return the tables of how far inputs may be off."""
    return "\n".join([
        "# How far the inputs may be off, by the evidence behind them: the column evidence of sites and actions says\n"
        f"# {', '.join(EVIDENCE)}; without it a word of [ratings] is rated, any other number modelled.",
        *(_table(name, {}) for name in UNCERTAINTY_SCHEMA),
    ])  # fmt: skip


def _plan() -> str:
    """Return the table of what is asked of a plan."""
    return (
        "# How the best plan for a budget is searched for, and what is asked of it. Sites and actions are named as in\n"
        "# their tables; at most one action is chosen at each site.\n" + _table("plan", {})
    )


def _actions(path: Path | None, folder: Path | None, looked: tuple[str | None, str]) -> str:
    layer, lacking = looked
    changes = {c.name for c in ACTION_CHANGES}
    columns = ", ".join(c.name for c in ACTIONS if c.name not in changes)
    lines = [
        f"# What can be done at the sites; columns: {columns}.",
        f"# For passabilities that are worked out also: {', '.join(c.name for c in ACTION_CHANGES)};",
        f"# change is one of {', '.join(CHANGES)}.",
    ]
    if lacking:
        lines.append(f"# Not in use yet: {one_line(lacking)}.")
    keys: dict[str, Finding] = {}
    if path is not None:
        keys["path"] = Finding(_path(path, folder), "")
    if layer is not None:
        keys["layer"] = Finding(layer, "the layer looked at")
    return "\n".join(lines) + "\n" + _table("actions", keys, unused=bool(lacking))
