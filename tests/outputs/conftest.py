"""Shared by the tests of outputs: `small_model` builds finished results of an invented basin."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from barrierrank.outputs.model import OutputModel


def _load() -> ModuleType:
    """Import the builder beside this file by its path: tests are no package."""
    name = "outputs_model_fixture"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("model_fixture.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def model_fixture() -> ModuleType:
    """The whole module: `small_model`, `HOSTILE`, `SPECIES`."""
    return _load()


@pytest.fixture(scope="session")
def small_model(model_fixture: ModuleType) -> Callable[..., OutputModel]:
    """The builder: ``small_model(seed=1, n_reaches=300, n_sites=40, hostile=False, units=..., ...)``."""
    builder: Callable[..., OutputModel] = model_fixture.small_model
    return builder
