"""Reading the results of a run back from its folder, so that two runs can be set side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import pandas as pd

from barrierrank.habitat.amounts import habitat_unit
from barrierrank.inputs.sha import fingerprint
from barrierrank.outputs.cells import restore
from barrierrank.outputs.units import format_amount, format_money
from barrierrank.problems import InputError, Problems, some
from barrierrank.ranking.words import Units

LIST, RECORD, PASSAGE = "priority_list.csv", "run.json", "passage.csv"
TEXTS = ("site", "name", "action", "purpose")
NEEDED = ("rank", *TEXTS, "net_benefit", "benefit_per_cost", "best")
NUMBERS = ("cost", "present_worth_cost", "benefit", "net_benefit", "benefit_per_cost")
INTERVAL = ("rank_low", "rank_high", "chance_top", "expected_benefit", "chance_of_harm")
"""Columns that a run has only where it drew its inputs."""
AGAIN = "run `barrierrank rank` once more, with this version, and compare its folder"
GIVE = "give a folder that `barrierrank rank` wrote with --out"


@dataclass(frozen=True, eq=False)
class RunResult:
    """What one run left behind.

    Parameters
    ----------
    folder : Path
    listed : DataFrame
        The priority list by rank: `rank` (int), texts as the user wrote them, `best` (bool), numbers (NaN where
        missing, all of them present; so those of :data:`INTERVAL`), `passability_<species>` where the list has them.
    passage : DataFrame or None
        `site`, `species`, `passability` [share] of today; None where passability was given, not worked out.
    record : Mapping
        What ``run.json`` holds.
    touched : bool
        Whether the list is not the one that the run wrote, by its checksum.
    """

    folder: Path
    listed: pd.DataFrame
    passage: pd.DataFrame | None
    record: Mapping[str, Any]
    touched: bool

    @property
    def parameters(self) -> Mapping[str, Any]:
        """Every parameter of the run."""
        return dict(self.record["parameters"])

    @property
    def species(self) -> tuple[str, ...]:
        """Keys of the species, in the order of the list, those that it does not have last."""
        keys = _mapping(self.parameters.get("species"))
        told = [str(c).removeprefix("passability_") for c in self.listed if str(c).startswith("passability_")]
        return tuple(dict.fromkeys([*(k for k in told if k in keys), *keys]))

    @property
    def currency(self) -> str | None:
        """ISO code of the money; None where values are points."""
        found = _mapping(self.parameters.get("economy")).get("currency")
        return found if isinstance(found, str) and found else None

    @property
    def has_intervals(self) -> bool:
        """Whether any action has an interval of ranks."""
        ends = [c for c in ("rank_low", "rank_high") if c in self.listed]
        return len(ends) == 2 and bool(self.listed[ends].notna().all(axis=1).any())

    @property
    def draws(self) -> int | None:
        """How often the inputs were drawn; None where the run does not say."""
        return _whole(self._uncertainty.get("draws"))

    @property
    def level(self) -> float | None:
        """Share of the draws that an interval of ranks holds; None where the run does not say."""
        found = self._uncertainty.get("level")
        if isinstance(found, bool) or not isinstance(found, (int, float)) or not 0 < found <= 1:
            return None
        return float(found)

    @property
    def top(self) -> int | None:
        """Of how many first ranks `chance_top` tells the chance; None where the run does not say."""
        return _whole(self._uncertainty.get("top")) or None

    @property
    def _uncertainty(self) -> Mapping[str, Any]:
        return _mapping(self.parameters.get("uncertainty"))

    @property
    def units(self) -> Units:
        """Units that people want to read."""
        return "us" if _mapping(self.parameters.get("display")).get("units") == "us" else "metric"

    def label(self, species: str) -> str:
        """Return the name of a species for people."""
        found = _mapping(_mapping(self.parameters.get("species")).get(species)).get("label")
        return str(found or species)

    def amount(self, species: str, value: float) -> str:
        """Write an amount of habitat of a species in the unit that suits it."""
        spec = _mapping(_mapping(self.parameters.get("species")).get(species))
        measure = str(spec.get("habitat"))
        stage = _mapping(_mapping(spec.get("stages")).get(measure))
        return format_amount(value, habitat_unit(str(stage.get("measure", measure))), self.units)

    def money(self, value: float) -> str:
        """Write an amount of money, or points."""
        return format_money(value, self.currency)


def read_runs(a: Path, b: Path) -> tuple[RunResult, RunResult]:
    """Read two folders of results.

    Parameters
    ----------
    a, b : Path
        Folders that `rank` wrote.

    Raises
    ------
    InputError
        With everything that keeps either of them from being read.
    """
    problems = Problems()
    first, second = _read(a, problems), _read(b, problems)
    problems.stop_on_errors()
    assert first is not None
    assert second is not None
    return first, second


def _read(folder: Path, problems: Problems) -> RunResult | None:
    try:
        return _read_run(folder)
    except InputError as error:
        problems.found += [p for p in error.problems if p not in problems.found]  # A and B may be the same folder
    return None


def _fail(where: Path | str, message: str, remedy: str) -> InputError:
    problems = Problems()
    problems.error("compare", message, where=str(where), remedy=remedy)
    return InputError(problems)


def _read_run(folder: Path) -> RunResult:
    try:
        there, is_folder = folder.exists(), folder.is_dir()
    except (OSError, ValueError) as error:  # a name too long, a character no name can hold, no right to look
        raise _fail(str(folder)[:60], f"cannot be looked at ({_reason(error)})", GIVE) from None
    if not is_folder:
        raise _fail(folder, "is a file, not a folder of results" if there else "there is no such folder", GIVE)
    missing = [name for name in (RECORD, LIST) if not (folder / name).is_file()]
    if missing:
        raise _fail(folder, f"is no folder of results: {' and '.join(missing)} not there", GIVE)
    record = _read_record(folder / RECORD)
    listed = _read_list(folder / LIST)
    passage = _read_passage(folder / PASSAGE) if (folder / PASSAGE).is_file() else None
    return RunResult(folder, listed, passage, record, _touched(folder / LIST, record))


def _read_record(path: Path) -> dict[str, Any]:
    try:
        record = json.loads(path.read_bytes().decode("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise _fail(path, f"cannot be read ({_reason(error)})", AGAIN) from None
    kinds = {"version": str, "inputs": list, "parameters": dict}
    held = record if isinstance(record, dict) else {}
    wrong = [key for key, kind in kinds.items() if not isinstance(held.get(key), kind)]
    if not wrong and not all(isinstance(e, dict) and isinstance(e.get("path"), str) for e in record["inputs"]):
        wrong = ["inputs"]
    if wrong:
        raise _fail(path, f"is no record of a run: lacks {', '.join(wrong)} in the form that rank writes", AGAIN)
    return dict(record)


def _read_table(path: Path, needed: Sequence[str]) -> pd.DataFrame:
    """Read a CSV as texts, and refuse one that lacks a column."""
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except (OSError, ValueError, pd.errors.ParserError) as error:  # UnicodeDecodeError, EmptyDataError among them
        raise _fail(path, f"cannot be read ({_reason(error)})", AGAIN) from None
    missing = [name for name in needed if name not in table]
    if missing:
        message = f"has other columns than rank writes: lacks {', '.join(missing)}"
        raise _fail(path, message, f"leave the table as it was written, with commas between the cells, or {AGAIN}")
    return table


def _read_list(path: Path) -> pd.DataFrame:
    raw = _read_table(path, NEEDED)
    out: dict[str, Any] = {name: [restore(t) for t in raw[name]] for name in TEXTS}
    after = [str(c) for c in raw if str(c).startswith("passability_")]
    numbers = {n: _numbers(path, raw, n) for n in ("rank", *NUMBERS, *INTERVAL, *after) if n in raw}
    rank = numbers.pop("rank")
    bad = ~(np.isfinite(rank) & (rank >= 1) & (rank == np.floor(rank)))
    _refuse(path, raw["rank"], bad, "a whole number from 1 on")
    _check_intervals(path, raw, numbers)
    _refuse(path, raw["best"], ~raw["best"].isin(["True", "False"]).to_numpy(), "True or False")
    nothing = np.full(len(raw), np.nan)
    out |= {n: numbers.get(n, nothing) for n in (*NUMBERS, *INTERVAL, *after)}
    out |= {"rank": rank.astype(np.int64), "best": (raw["best"] == "True").to_numpy()}
    listed = pd.DataFrame(out).sort_values(["rank", "site", "action"], kind="stable", ignore_index=True)
    twice = listed.duplicated(["site", "action"])
    if twice.any():
        row = listed[twice].iloc[0]
        raise _fail(path, f'"{row["action"]}" stands twice at site "{row["site"]}"', AGAIN)
    return listed


def _check_intervals(path: Path, raw: pd.DataFrame, numbers: Mapping[str, Any]) -> None:
    """Refuse intervals that are none; an empty cell is no fault."""
    for name in ("rank_low", "rank_high"):
        if name in raw:
            end = numbers[name]
            whole = (end >= 1) & (end < 2.0**53) & (end == np.floor(end))
            _refuse(path, raw[name], ~np.isnan(end) & ~whole, "a whole number from 1 on")
    if "rank_low" in raw and "rank_high" in raw:
        turned = numbers["rank_high"] < numbers["rank_low"]
        _refuse(path, raw["rank_high"], turned, "no less than rank_low")
    for name in ("chance_top", "chance_of_harm"):
        if name in raw:
            _refuse(path, raw[name], (numbers[name] < 0) | (numbers[name] > 1), "from 0 to 1")


def _read_passage(path: Path) -> pd.DataFrame:
    raw = _read_table(path, ("site", "species", "passability"))
    table = pd.DataFrame({n: [restore(t) for t in raw[n]] for n in ("site", "species")})
    table["passability"] = _numbers(path, raw, "passability")
    return table.drop_duplicates(["site", "species"])


def _numbers(path: Path, raw: pd.DataFrame, name: str) -> Any:
    """Return a column as numbers, an empty cell as NaN."""
    values = pd.to_numeric(raw[name].where(raw[name] != ""), errors="coerce").to_numpy(dtype=np.float64)
    _refuse(path, raw[name], np.isnan(values) & (raw[name] != "").to_numpy(), "a number, with a point")
    return values


def _refuse(path: Path, column: pd.Series[Any], bad: Any, allowed: str) -> None:
    if bad.any():
        rows = some([int(i) + 2 for i in np.flatnonzero(bad)])
        given = str(column.iloc[int(np.argmax(bad))])[:40]
        raise _fail(path, f'row {rows}: {column.name} is "{given}", must be {allowed}', AGAIN)


def _touched(path: Path, record: Mapping[str, Any]) -> bool:
    outputs = record.get("outputs")
    for entry in outputs if isinstance(outputs, list) else []:
        if isinstance(entry, dict) and PurePosixPath(str(entry.get("path"))).name == LIST:
            return bool(entry.get("sha256") != fingerprint(path)["sha256"])
    return False


def _reason(error: BaseException) -> str:
    return str(getattr(error, "strerror", None) or getattr(error, "reason", None) or error or type(error).__name__)


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else None


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
