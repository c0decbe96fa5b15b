"""The command line, run inside the test's own process."""

from __future__ import annotations

import hashlib
import io
import json
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio

from barrierrank.cli import main
from support.small_basin import SmallBasin


@dataclass(frozen=True)
class Said:
    """What a command returned and printed."""

    code: int
    out: str
    err: str


def run(*words: str | Path) -> Said:
    """Run a command; no exception gets out of it."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(w) for w in words])
    return Said(code, out.getvalue(), err.getvalue())


@dataclass(frozen=True)
class Ranked:
    """A folder of results and what was said while they were made."""

    folder: Path
    said: Said

    def csv(self) -> pd.DataFrame:
        """Return the priority list as the CSV has it."""
        return pd.read_csv(self.folder / "priority_list.csv", keep_default_na=False, na_values=[""])

    def layer(self, name: str) -> gpd.GeoDataFrame:
        """Return a layer of the GeoPackage."""
        return pyogrio.read_dataframe(self.folder / "results.gpkg", layer=name)

    def record(self) -> dict[str, Any]:
        """Return run.json."""
        return dict(json.loads((self.folder / "run.json").read_text(encoding="utf-8")))


def rank(small: SmallBasin) -> Ranked:
    """Rank a small project, which must work without a word."""
    said = run("rank", small.project, "--out", small.out, "--quiet")
    assert (said.code, said.out, said.err) == (0, "", "")
    return Ranked(small.out, said)


def state_of(folder: Path) -> dict[str, str]:
    """Return the hash of every file in a folder."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }
