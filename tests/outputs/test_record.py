"""The record of a run: complete, valid JSON, the same for the same run."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from barrierrank import __version__
from barrierrank.outputs.record import LIBRARIES, plain, run_record, write_record
from barrierrank.problems import Problems

WHEN = dt.datetime(2024, 5, 1, 14, 0, tzinfo=dt.timezone(dt.timedelta(hours=2)))


def _record(tmp_path, **more):
    (tmp_path / "sites.csv").write_text("site\nA\n", encoding="utf-8")
    problems = Problems()
    problems.warning("snap", "site A is far off", where="sites.csv", ids=["A"], place=(1.0, 2.0))
    given = {
        "inputs": [tmp_path / "sites.csv"],
        "parameters": {"b": float("nan"), "a": np.float64(0.5), "path": Path("x/y.csv")},
        "timings": {"read": 0.25, "network": 0.5},
        "problems": problems,
        "command": ["barrierrank", "rank", "p.toml"],
        "date": WHEN,
    }
    return run_record(**(given | more))


def test_record_tells_inputs_with_size_and_hash(tmp_path):
    record = _record(tmp_path)
    raw = (tmp_path / "sites.csv").read_bytes()
    assert record["inputs"] == [
        {
            "path": (tmp_path / "sites.csv").as_posix(),
            "bytes": len(raw),
            "sha256": hashlib.sha256(raw).hexdigest(),
        }
    ]
    assert record["version"] == __version__
    assert record["date"] == "2024-05-01T12:00:00+00:00"
    assert record["command"] == ["barrierrank", "rank", "p.toml"]
    assert record["problems"][0]["place"] == [1.0, 2.0]
    assert set(LIBRARIES) < set(record["libraries"])
    assert record["libraries"]["numpy"] == np.__version__


def test_all_parts_of_a_shapefile_and_all_files_of_a_folder(tmp_path):
    for name in ("s.shp", "s.dbf", "s.shx", "s.txt", "other.dbf"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "f.gdb").mkdir()
    (tmp_path / "f.gdb" / "t").write_bytes(b"t")
    record = _record(
        tmp_path, inputs=[tmp_path / "s.shp", tmp_path / "f.gdb", tmp_path / "s.shp", "nowhere.csv"]
    )
    assert [Path(i["path"]).name for i in record["inputs"]] == ["s.shp", "f.gdb", "nowhere.csv"]
    assert [[f["name"] for f in i.get("files", [])] for i in record["inputs"]] == [["s.dbf", "s.shx"], ["t"], []]
    assert record["inputs"][-1]["sha256"] is None


def test_written_file_is_strict_json_in_one_order(tmp_path):
    record = _record(tmp_path)
    shuffled = dict(reversed(list(record.items())))
    shuffled["parameters"] = dict(reversed(list(record["parameters"].items())))
    write_record(tmp_path / "a.json", record)
    write_record(tmp_path / "b.json", shuffled)
    text = (tmp_path / "a.json").read_text("utf-8")
    assert text == (tmp_path / "b.json").read_text("utf-8")

    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    back = json.loads(text, parse_constant=refuse)
    assert list(back) == [
        "version",
        "date",
        "command",
        "inputs",
        "parameters",
        "problems",
        "timings",
        "libraries",
    ]
    assert back["parameters"] == {"a": 0.5, "b": None, "path": "x/y.csv"}
    assert list(back["timings"]) == ["read", "network"]  # the order run, not the alphabet


@dataclass(frozen=True)
class _Setting:
    rate: float
    years: int


def test_plain_forms():
    assert plain(
        {
            1: np.int64(2),
            "f": [np.float32(0.5), float("inf"), -np.inf, pd.NA, pd.NaT],
            "s": {"b", "a"},
            "d": _Setting(0.03, 30),
            "array": np.array([[1.0, np.nan]]),
            "t": (True, None),
            "day": dt.date(2024, 5, 1),
        }
    ) == {
        "1": 2,
        "f": [0.5, "inf", "-inf", None, None],
        "s": ["a", "b"],
        "d": {"rate": 0.03, "years": 30},
        "array": [[1.0, None]],
        "t": [True, None],
        "day": "2024-05-01",
    }


def test_what_has_no_plain_form_is_refused():
    with pytest.raises(TypeError, match="has no plain form"):
        plain({"x": object()})


def test_a_date_without_a_zone_is_refused(tmp_path):
    with pytest.raises(ValueError, match="give it a zone"):
        _record(tmp_path, date=dt.datetime(2024, 5, 1))


def test_text_in_any_script_and_broken_text(tmp_path):
    write_record(tmp_path / "r.json", {"command": ["北", "half \ud800"]})
    assert json.loads((tmp_path / "r.json").read_text("utf-8"))["command"] == ["北", "half ?"]
