"""The one way kernels are compiled: by numba, cached beside the code, with their types kept for checkers."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

Kernel = TypeVar("Kernel", bound=Callable[..., object])


def kernel(function: Kernel) -> Kernel:
    """Compile a function of arrays and numbers when it is first called.

    Parameters
    ----------
    function : callable
        Uses numpy and other kernels only; with NUMBA_DISABLE_JIT=1 it runs as plain Python.
    """
    return cast(Kernel, njit(cache=True)(function))
