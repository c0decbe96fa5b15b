"""The schema of the input tables, and fingerprints of input files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from barrierrank.inputs.schema import ACTIONS, SITES, TABLES, column, describe_inputs
from barrierrank.inputs.sha import fingerprint


def test_schema_describes_every_column() -> None:
    text = describe_inputs()
    for c in (*SITES, *ACTIONS):
        assert f"| `{c.name}` |" in text
    assert column("actions", "cost").required
    assert column("sites", "passability").allowed == "0 to 1, or a word of [ratings]"


def test_fingerprint_of_file_shapefile_and_folder(case: Any, tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_bytes(b"abc")
    # SHA-256 of "abc": FIPS 180-4, example of the standard
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint(tmp_path / "a.txt") == {"name": "a.txt", "bytes": 3, "sha256": known}
    path = case.lines({}, name="lines.shp")
    assert [f["name"] for f in fingerprint(path)["files"]] == [
        "lines.cpg",
        "lines.dbf",
        "lines.prj",
        "lines.shx",
    ]
    folder = tmp_path / "base.gdb"
    folder.mkdir()
    (folder / "t.table").write_bytes(b"abc")
    first = fingerprint(folder)
    assert first["files"] == [{"name": "t.table", "bytes": 3, "sha256": known}]
    (folder / "t.table").write_bytes(b"abd")
    assert fingerprint(folder)["sha256"] != first["sha256"]
    with pytest.raises(FileNotFoundError, match="nothing"):
        fingerprint(tmp_path / "nothing")


def test_every_table_is_described_with_its_words_and_days() -> None:
    text = describe_inputs()
    for name, columns in TABLES.items():
        assert f"### {name}\n" in text
        assert all(f"| `{c.name}` |" in text for c in columns)
    assert column("structures", "kind").allowed == "none, weir, dam, culvert, gate, sluice, fall"
    assert column("structures", "logs_in").allowed == "month-day, such as 04-15"
    assert column("structures", "barrels").allowed == "whole, 1 or more"
    assert column("trials", "offered").allowed == "whole, 0 or more"
    blanks = [c for columns in TABLES.values() for c in columns if not c.required and c.blank == "not allowed"]
    assert [c.name for c in blanks] == ["x", "y", "passability_down"]
