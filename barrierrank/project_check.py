"""Check the tables of a project file against the schema; complaints name the file, the key and the remedy."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from barrierrank.problems import Problems
from barrierrank.project_key import Key
from barrierrank.project_schema import SCHEMA, TABLES

_KINDS: dict[type, str] = {
    bool: "true or false", int: "a number", float: "a number", str: "text", list: "a list", dict: "a table",
}  # fmt: skip
_MANY = 2000
#: How a key of each kind is called in messages.
_ALLOWED: dict[str, str] = {
    "text": "text in quotes",
    "path": "the path of a file in quotes",
    "crs": 'a coordinate system such as "EPSG:32616"',
    "column": "the name of a column in quotes",
    "ids": "a list of ids, [] for none",
    "values": "a list of numbers or words, [] for none",
    "points": "a list of coordinates [[x, y], ...]",
    "pairs": "a list of pairs of numbers",
    "list": "a list",
}
PROJECTED_REMEDY = (
    "choose a projected one in metres that suits the basin: a national grid in metres, or the UTM zone of "
    'its middle (zone 16 north is "EPSG:32616")'
)


def show(value: object, most: int = 60) -> str:
    """Return a value of a project file as it would be written there, cut to `most` characters."""
    if isinstance(value, bool):
        return str(value).lower()
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= most else text[: most - 3] + "..."


def nearest(name: str, names: Iterable[str]) -> str:
    """Return ``'did you mean "x"?'`` for the nearest of `names`, or nothing where none is near."""
    given = list(names)
    if len(given) > _MANY:  # quick for a million ids: compare with those of about the same length and look
        like = [n for n in given if abs(len(n) - len(name)) <= 1 and n[:2] == name[:2]]
        given = like[:_MANY]
    by_fold = {n.casefold(): n for n in given}
    hit = difflib.get_close_matches(name.casefold(), list(by_fold), n=1, cutoff=0.6)
    return f'did you mean "{by_fold[hit[0]]}"?' if hit else ""


@lru_cache(maxsize=64)
def parse_crs(text: str) -> CRS:
    """Return the coordinate system `text` stands for.

    Raises
    ------
    pyproj.exceptions.CRSError
        When `text` names none.
    """
    return CRS.from_user_input(text)


def range_words(key: Key) -> str:
    """Return the allowed range of a number in words, e.g. ``"a number from 0 to 1"``."""
    noun = "a whole number" if key.holds == "integer" else "a number"
    low, high = key.low, key.high
    if not math.isfinite(low):
        return noun
    more = f"{noun} above {low:g}" if key.above else f"{noun} from {low:g}"
    if not math.isfinite(high):
        return more if key.above else f"{noun}, {low:g} or more"
    return f"{more}, at most {high:g}" if key.above else f"{more} to {high:g}"


class Checker:
    """Collects problems of one project file.

    Parameters
    ----------
    problems : Problems
        Where complaints go.
    path : Path
        The project file.
    """

    def __init__(self, problems: Problems, path: Path) -> None:
        self.problems = problems
        self.path = path
        self._by_kind: dict[str, Callable[[Key, Any, str], Any]] = {
            "text": self._text,
            "column": self._text,
            "path": self._path,
            "crs": self._crs,
            "choice": self._choice,
            "number": self._number,
            "integer": self._number,
            "number_or_column": self._number_or_column,
            "ids": self._ids,
            "values": self._values,
            "points": self._points,
            "flag": self._flag,
            "pairs": self._points,
            "list": self._list,
            "table": self._subtable,
        }

    def error(self, at: str, message: str, remedy: str = "", *, kind: str = "project_value") -> None:
        """Add an error about the place `at`, e.g. ``"[sites] crs"``."""
        self.problems.error(kind, f"{at}: {message}", remedy=remedy, where=self.path.name)

    def tables(self, raw: Mapping[str, Any], required: Iterable[str]) -> dict[str, dict[str, Any]]:
        """Return the known top-level tables of a file; complain of unknown, missing and ill-typed ones."""
        found: dict[str, dict[str, Any]] = {}
        for name, value in raw.items():
            if name not in TABLES:
                owner = next((f"[{t}] " for t, keys in SCHEMA.items() if name in {k.name for k in keys}), "")
                remedy = nearest(name, TABLES) or (
                    f"the key belongs into the table {owner}" if owner and not isinstance(value, dict)
                    else f"tables are {', '.join(TABLES)}"
                )  # fmt: skip
                self.error(f"[{name}]", "there is no such table", remedy, kind="unknown_key")
            elif not isinstance(value, dict):
                message = f"given {show(value)}, but it is a table of keys"
                self.error(f"[{name}]", message, f"write a line [{name}] and its keys below it")
            else:
                found[name] = value
        for name in required:
            if name not in raw:
                self.error(f"[{name}]", "the table is missing", "add it", kind="missing_key")
        return found

    def table(
        self, raw: Mapping[str, Any], schema: str, at: str, *, extra: tuple[str, ...] = ()
    ) -> dict[str, Any]:
        """Return every key of one table with its value or default.

        Parameters
        ----------
        raw : Mapping
            As read.
        schema : str
            Name in :data:`barrierrank.project_schema.SCHEMA`.
        at : str
            Name of the table in the file, e.g. ``"species.lamprey"``.
        extra : tuple of str
            Sub-tables that are allowed there and checked by the caller.

        Returns
        -------
        dict
            None stands for a key without value; also where the value given is at fault.
        """
        keys = {k.name: k for k in SCHEMA[schema]}
        for name in raw:
            if name not in keys and name not in extra:
                remedy = nearest(name, [*keys, *extra]) or f"keys are {', '.join([*keys, *extra])}"
                self.error(f"[{at}] {name}", "there is no such key", remedy, kind="unknown_key")
        values: dict[str, Any] = {}
        for name, key in keys.items():
            place = f"[{at}] {name}"
            if name in raw:
                values[name] = self.value(key, raw[name], place)
            else:
                values[name] = key.default
                if key.required:
                    self._missing(key, place)
        return values

    def value(self, key: Key, value: Any, at: str) -> Any:
        """Return the value given for one key at the place `at`; None or nothing where it is at fault, which is told."""
        return self._by_kind[key.holds](key, value, at)

    def _missing(self, key: Key, at: str) -> None:
        allowed = (
            f"one of {', '.join(map(show, key.choices))}" if key.choices else f"{key.name} = {key.example}"
        )
        remedy = f"add it, {allowed}" if key.choices else f"add it, for example {allowed}"
        self.error(at, f"the key is missing: {key.meaning}", remedy, kind="missing_key")

    def _wrong_type(self, key: Key, value: Any, at: str, allowed: str) -> None:
        given = _KINDS.get(type(value), "a date or time")
        remedy = (
            'write it with quotes, for example "..."' if "quotes" in allowed and given == "a number" else ""
        )
        if given == "text" and _is_number(value):
            remedy = f"write it without quotes: {key.name} = {value.strip()}"
        self.error(at, f"given {show(value)} ({given}), allowed: {allowed}", remedy or f"give {allowed}")

    def _text(self, key: Key, value: Any, at: str) -> str | None:
        if not isinstance(value, str):
            self._wrong_type(key, value, at, _ALLOWED[key.holds])
        elif not value.strip():
            self.error(
                at,
                "given an empty text",
                "write a name, or leave the key out" if not key.required else "fill it in",
            )
        else:
            return value
        return None

    def _path(self, key: Key, value: Any, at: str) -> Path | None:
        text = self._text(key, value, at)
        if text is None:
            return None
        try:
            path = self.path.parent / text
            exists = path.exists()
        except (OSError, ValueError):  # name too long, NUL in it
            path, exists = Path(), False
        if not exists:
            self.error(
                at,
                f"there is no file {show(value)}",
                f"paths are relative to the folder of {self.path.name}" + self._near_file(text),
                kind="missing_file",
            )
            return None
        return path

    def _near_file(self, text: str) -> str:
        try:
            folder = (self.path.parent / text).parent
            hint = nearest(Path(text).name, sorted(p.name for p in folder.iterdir()))
        except (OSError, ValueError):
            return ""
        return f"; {hint}" if hint else ""

    def _crs(self, key: Key, value: Any, at: str) -> str | None:
        if isinstance(value, int) and not isinstance(value, bool):
            self.error(
                at,
                f"given {value} (a number), allowed: {_ALLOWED['crs']}",
                f'write {key.name} = "EPSG:{value}"',
            )
            return None
        text = self._text(key, value, at)
        if text is None:
            return None
        try:
            parse_crs(text)
        except CRSError:
            self.error(
                at,
                f"given {show(value)}, which is no coordinate system known here",
                f"give {_ALLOWED['crs']}, WKT or a PROJ text",
                kind="unknown_crs",
            )
            return None
        return text

    def _choice(self, key: Key, value: Any, at: str) -> str | None:
        if value in key.choices:
            return str(value)
        remedy = nearest(value, key.choices) if isinstance(value, str) else ""
        allowed = ", ".join(map(show, key.choices))
        self.error(at, f"given {show(value)}, allowed: {allowed}", remedy or "give one of these")
        return None

    def _number(self, key: Key, value: Any, at: str) -> float | int | None:
        whole = key.holds == "integer"
        if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
            if whole and isinstance(value, float) and value.is_integer():
                return self._number(key, int(value), at)
            self._wrong_type(key, value, at, range_words(key))
            return None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        inside = (number > key.low if key.above else number >= key.low) and number <= key.high
        if not (math.isfinite(number) and inside):
            percent = (key.low, key.high) == (0.0, 1.0) and 1.0 < number <= 100.0
            remedy = f"divide per cent by 100: {number / 100:g}" if percent else f"give {range_words(key)}"
            self.error(at, f"given {show(value)}, allowed: {range_words(key)}", remedy, kind="out_of_range")
            return None
        return int(value) if whole else number

    def _number_or_column(self, key: Key, value: Any, at: str) -> float | int | str | None:
        if isinstance(value, str):
            return self._text(key, value, at)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._wrong_type(key, value, at, f"{range_words(key)}, or the name of a column in quotes")
            return None
        return self._number(key, value, at)

    def _ids(self, key: Key, value: Any, at: str) -> tuple[str, ...]:
        given = self._values(key, value, at)
        return tuple(id_text(v) for v in given)

    def _values(self, key: Key, value: Any, at: str) -> tuple[float | int | str, ...]:
        allowed = _ALLOWED[key.holds]
        if not isinstance(value, list):
            self.error(at, f"given {show(value)}, allowed: {allowed}", f"write {key.name} = [{show(value)}]")
            return ()
        wrong = [v for v in value if isinstance(v, bool) or not isinstance(v, int | float | str)]
        wrong += [v for v in value if isinstance(v, float) and not math.isfinite(v)]
        if wrong:
            self.error(
                at, f"given {show(wrong[0])} in the list, allowed: {allowed}", "give numbers or texts alone"
            )
            return ()
        return tuple(value)

    def _flag(self, key: Key, value: Any, at: str) -> bool | None:
        if isinstance(value, bool):
            return value
        self.error(at, f"given {show(value)}, allowed: true or false", f"write {key.name} = true")
        return None

    def _list(self, key: Key, value: Any, at: str) -> list[Any] | None:
        if isinstance(value, list) and (value or key.default == ()):
            return value
        allowed = key.example or show(key.default)
        message = f"given {show(value)}, allowed: {_ALLOWED[key.holds]} such as {allowed}"
        self.error(at, message, f"write {key.name} = {allowed}")
        return None

    def _subtable(self, key: Key, value: Any, at: str) -> dict[str, Any] | None:
        if isinstance(value, dict):
            return value
        message = f"given {show(value)}, allowed: a table such as {key.example}"
        self.error(at, message, f"write {key.name} = {key.example}")
        return None

    def _points(self, key: Key, value: Any, at: str) -> tuple[tuple[float, float], ...]:
        rows = value if isinstance(value, list) else [None]
        points: list[tuple[float, float]] = []
        for row in rows:
            pair = _pair(row)
            if pair is None:
                message = (
                    f"given {show(row if isinstance(value, list) else value)}, allowed: {_ALLOWED[key.holds]}"
                )
                self.error(at, message, f"write {key.name} = {key.example or '[[500000.0, 4600000.0]]'}")
                return ()
            points.append(pair)
        return tuple(points)


def _pair(row: Any) -> tuple[float, float] | None:
    if not isinstance(row, list) or len(row) != 2:
        return None
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in row):
        return None
    try:
        x, y = float(row[0]), float(row[1])
    except OverflowError:
        return None
    return (x, y) if math.isfinite(x) and math.isfinite(y) else None


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def id_text(value: float | int | str) -> str:
    """Return an id as text: integers without ``.0``, texts trimmed."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
