"""Whatever bytes a project file holds, what comes back is a list of problems, never a crash."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from barrierrank.problems import InputError, Problem, Problems
from barrierrank.project import load_project
from barrierrank.project_schema import SCHEMA

_VALUES = st.recursive(
    st.one_of(st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.just("EPSG:32616")),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
_NAMES = st.sampled_from([k.name for keys in SCHEMA.values() for k in keys]) | st.text(max_size=5)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    return json.dumps(value).replace("\x7f", "\\u007f") if isinstance(value, str) else str(value)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=200))
def test_random_bytes_never_give_anything_but_an_input_error(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "random.toml"
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"random\.toml"):
        load_project(path)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    tables=st.dictionaries(
        st.sampled_from([*SCHEMA, "ratings"]) | st.text(max_size=5),
        st.dictionaries(_NAMES, _VALUES, max_size=6) | _VALUES,
        max_size=8,
    )
)
def test_random_toml_never_gives_anything_but_an_input_error(tmp_path: Path, tables: dict[str, Any]) -> None:
    path = tmp_path / "random.toml"
    text = "\n".join(f"{_toml(k)} = {_toml(v)}" for k, v in tables.items())
    path.write_text(text, encoding="utf-8", errors="replace")
    told: tuple[Problem, ...] = ()
    try:
        load_project(path, Problems())
    except InputError as error:
        told = error.problems
    assert told  # no basin, no streams: never sound
    assert all(p.severity == "error" and p.message for p in told)
