"""The house: who may import whom, what kernels may use, how long things may grow."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "barrierrank"
ORDER = ["inputs", "network", "habitat", "passage", "access", "worth", "ranking", "plan", "siting"]
ORDER += ["outputs", "workbench"]
RUNNERS = ("basin", "weighing", "spreading", "learning", "run", "checking", "cli", "__main__")
RUNNERS += ("planning", "planning_draws", "planning_front", "planning_stop", "planning_tables")
RUNNERS += ("cli_parser", "cli_tell", "cli_work")
BASE = ("problems", "jit", "project", "project_")
FILES = sorted(PACKAGE.rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Return the modules a file imports, in full."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(str(node.module))
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    stage = path.relative_to(PACKAGE).parts[0]
    for name in imported(path):
        parts = name.split(".")
        if parts[0] != "barrierrank" or len(parts) < 2:
            continue
        if stage.removesuffix(".py") in RUNNERS:
            continue
        assert parts[1] not in RUNNERS, f"{path}: the stages know nothing of what runs them"
        if stage.startswith(BASE):
            assert parts[1].startswith(BASE) or parts[1] == "__version__", f"{path} imports {name}"
        elif parts[1] in ORDER and stage in ORDER:
            assert ORDER.index(parts[1]) <= ORDER.index(stage), f"{path} imports {name}, which comes later"


@pytest.mark.parametrize(
    "path", [p for p in FILES if p.name.startswith("kernels")], ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_kernels_use_arrays_and_kernels_only(path: Path) -> None:
    for name in imported(path):
        parts = name.split(".")
        allowed = parts[0] in ("__future__", "numpy") or parts[:2] == ["barrierrank", "jit"]
        allowed = allowed or (parts[0] == "barrierrank" and len(parts) > 2 and parts[2].startswith("kernels"))
        assert allowed, f"{path} imports {name}"


def test_no_heavy_import_for_the_help_of_the_command_line() -> None:
    heavy = {"numpy", "pandas", "geopandas", "numba", "folium"}
    for name in ("cli", "cli_parser", "cli_tell", "cli_work"):
        assert not {n.split(".")[0] for n in imported_at_top(PACKAGE / f"{name}.py")} & heavy


def imported_at_top(path: Path) -> set[str]:
    """Return the modules imported outside of functions."""
    body = ast.parse(path.read_text(encoding="utf-8")).body
    names: set[str] = set()
    for node in body:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(str(node.module))
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_and_functions_stay_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= 420, f"{path} is too long: split it"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            docstring = ast.get_docstring(node) or ""
            size = (node.end_lineno or 0) - node.lineno - docstring.count("\n")
            assert size <= 60, f"{path}: {node.name} has {size} lines"
