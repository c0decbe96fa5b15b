"""Kernels where there is no folder to keep compiled code in."""

from __future__ import annotations

from typing import Any

import pytest

import barrierrank.jit


def test_kernels_run_where_nothing_can_be_cached(monkeypatch: pytest.MonkeyPatch) -> None:
    true_njit = barrierrank.jit.njit

    def without_cache(*functions: Any, **options: Any) -> Any:
        if options.get("cache"):
            raise RuntimeError("cannot cache function 'twice': no locator available for file 'kernels.py'")
        return true_njit(*functions, **options)

    monkeypatch.setattr(barrierrank.jit, "njit", without_cache)

    def twice(x: float) -> float:
        return 2.0 * x

    assert barrierrank.jit.kernel(twice)(3.0) == 6.0
