"""Whatever bytes a table holds, what comes back is a table or a list of problems, never a crash."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from barrierrank.inputs.actions import read_actions
from barrierrank.inputs.cells import numbers_of
from barrierrank.inputs.propose import propose_project
from barrierrank.inputs.sites import read_sites
from barrierrank.problems import InputError, Problem, Problems
from barrierrank.project import Project, load_project

QUICK = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
CELLS = st.sampled_from(
    [
        "",
        "D1",
        "D2",
        "0.5",
        "1",
        "-1",
        "0,5",
        "1,200",
        "$5",
        "50%",
        "poor",
        "nan",
        "inf",
        "1e999",
        "=1+1",
        "\t",
        '"',
    ]
) | st.text(max_size=6)
SITES_HEAD = ["site", "name", "x", "y", "p_lamprey", "p_walleye"]
ACTIONS_HEAD = [
    "site",
    "action",
    "cost",
    "upkeep",
    "life_years",
    "failure_probability",
    "passability_lamprey",
]


@pytest.fixture
def project(case: Any) -> Project:
    """Return a sound project; its tables are overwritten by each example."""
    loaded: Project = case.load()
    return loaded


def told_by(read: Callable[[], Any]) -> tuple[Problem, ...] | None:
    """Return the problems told, or None where the table was read."""
    try:
        read()
    except InputError as error:
        return error.problems
    return None


def table(head: list[str], rows: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([head, *rows])
    return out.getvalue()


@QUICK
@given(data=st.binary(max_size=300))
def test_random_bytes_as_sites(project: Project, data: bytes) -> None:
    project.sites.path.write_bytes(data)
    told = told_by(lambda: read_sites(project, Problems()))
    assert told, "bytes without the columns needed are never sound"
    assert all("\n" not in p.line() and p.where and p.remedy for p in told)


@QUICK
@given(rows=st.lists(st.lists(CELLS, min_size=6, max_size=6), min_size=1, max_size=4))
def test_random_cells_as_sites(project: Project, rows: list[list[str]]) -> None:
    project.sites.path.write_text(table(SITES_HEAD, rows), encoding="utf-8", errors="replace", newline="")
    problems = Problems()
    told = told_by(lambda: read_sites(project, problems))
    if told is None:
        sites = read_sites(project, Problems())
        assert np.isfinite(sites.x).all()
        assert np.isfinite(sites.y).all()
        assert ((sites.passability >= 0) & (sites.passability <= 1)).all()
        assert "" not in sites.site.tolist()
    else:
        assert all(p.severity == "error" and p.remedy for p in told)


@QUICK
@given(rows=st.lists(st.lists(CELLS, min_size=7, max_size=7), min_size=1, max_size=4))
def test_random_cells_as_actions(project: Project, rows: list[list[str]]) -> None:
    sites = read_sites(project, Problems())
    assert project.actions is not None
    project.actions.path.write_text(table(ACTIONS_HEAD, rows), encoding="utf-8", errors="replace", newline="")
    told = told_by(lambda: read_actions(project, sites, Problems()))
    if told is None:
        actions = read_actions(project, sites, Problems())
        assert (actions.site_index >= 0).all()
        assert (actions.cost >= 0).all()
        assert not (actions.life_years <= 0).any()
        assert ((actions.passability >= 0) & (actions.passability <= 1)).all()
        assert ((actions.failure_probability >= 0) & (actions.failure_probability <= 1)).all()
    else:
        assert all(p.severity == "error" and p.remedy for p in told)


@settings(QUICK, max_examples=40)
@given(
    head=st.lists(st.text(max_size=8), min_size=1, max_size=5),
    rows=st.lists(st.lists(CELLS, max_size=5), max_size=4),
)
def test_a_project_proposed_for_any_table_is_valid_toml(
    project: Project, head: list[str], rows: list[list[str]]
) -> None:
    folder: Path = project.path.parent
    (folder / "any.csv").write_text(table(head, rows), encoding="utf-8", errors="replace", newline="")
    try:
        text = propose_project(project.hydrography.path, folder / "any.csv", None, folder=folder)
    except InputError:
        return
    (folder / "any.toml").write_text(text, encoding="utf-8")
    proposed = load_project(folder / "any.toml", Problems())
    assert proposed.sites.path == folder / "any.csv"
    assert {s.role for s in proposed.species} == {"invasive", "native"}


@given(value=st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_survive_text(value: float) -> None:
    read = numbers_of(np.array([repr(value), ""], dtype=object), amounts=True)
    assert read.value[0] == value
    assert np.isnan(read.value[1])
    assert not read.wrong
