"""The one way kernels are compiled, by numba, cached beside the code, and the one way they run on several cores."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar, cast

from numba import njit

Kernel = TypeVar("Kernel", bound=Callable[..., object])
Task = TypeVar("Task")
Result = TypeVar("Result")

SMALL = 20_000
"""Below this many things to do, threads cost more than they save."""


def kernel(function: Kernel) -> Kernel:
    """Compile a function of arrays and numbers when it is first called.

    Parameters
    ----------
    function : callable
        Uses numpy and other kernels only; with NUMBA_DISABLE_JIT=1 it runs as plain Python.
    """
    try:
        return cast(Kernel, njit(cache=True, nogil=True)(function))
    except RuntimeError:  # nowhere to keep compiled code, as in a read-only container: compile at each start
        return cast(Kernel, njit(nogil=True)(function))


def each(work: Callable[[Task], Result], tasks: Iterable[Task], *, threads: bool = True) -> list[Result]:
    """Do tasks side by side on the cores there are; results come in the order of the tasks.

    Parameters
    ----------
    work : callable
        Spends its time in kernels or numpy, which let other threads run meanwhile.
    tasks : iterable
    threads : bool
        False does them one after the other.
    """
    if not threads:
        return [work(task) for task in tasks]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(work, tasks))


def shares(n: int) -> list[tuple[int, int]]:
    """Cut ``range(n)`` in as many even shares as there are cores; one share where `n` is small."""
    count = 1 if n < SMALL else os.cpu_count() or 1
    return [(n * k // count, n * (k + 1) // count) for k in range(count)]
