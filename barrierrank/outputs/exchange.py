"""Folders that change places in one step, and folders that one process holds: what Python leaves to the
system."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_AT_FDCWD = -100  # Linux: paths are taken from the working folder
_RENAME_EXCHANGE = 2  # Linux, renameat2(2)
_RENAME_SWAP = 2  # macOS, renamex_np(2)


def exchange(a: Path, b: Path) -> bool:
    """Let two existing entries of one file system change places in one step.

    Parameters
    ----------
    a, b : Path

    Returns
    -------
    bool
        False, with nothing changed, where the system or the file system cannot do that.
    """
    first, second = os.fsencode(a), os.fsencode(b)
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "linux":
            return bool(libc.renameat2(_AT_FDCWD, first, _AT_FDCWD, second, _RENAME_EXCHANGE) == 0)
        if sys.platform == "darwin":
            return bool(libc.renamex_np(first, second, _RENAME_SWAP) == 0)
    except (AttributeError, OSError, TypeError):
        return False
    return False


@contextmanager
def hold(folder: Path) -> Iterator[bool]:
    """Hold a folder against other processes; the system lets go of it when this one ends, however it ends.

    Parameters
    ----------
    folder : Path
        Must exist.

    Yields
    ------
    bool
        False where another process holds it. True also where the system has no such locks (Windows, some
        network drives).
    """
    try:
        import fcntl  # noqa: PLC0415 - not on Windows

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, PermissionError):
        yield True
        return
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        except OSError:
            pass
        yield True
    finally:
        os.close(handle)
