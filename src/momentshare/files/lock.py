"""A lock on a folder, held by one process, that ends with it and leaves no file."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from filelock import lock_descriptor

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["HeldError", "held"]

_FLAGS = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)


class HeldError(Exception):
    """Another process holds the lock; ``holder`` is its process number, if known."""

    def __init__(self, holder: str) -> None:
        super().__init__(holder)
        self.holder = holder


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a lock file for the duration of the block; it and its folder are removed at the end.

    The lock belongs to the operating system, so it ends with the process, however that ends. Where
    the system or the disk has no locks, nothing is locked out.

    Parameters
    ----------
    path : Path
        Of the lock file; its folder is created, and removed if nothing else is in it.

    Raises
    ------
    HeldError
        Another process has it.
    OSError
        The file cannot be made.
    """
    handle = _locked(path)
    try:
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
        yield
    finally:
        # Removed while still held: a process that opened it earlier finds that it is gone.
        with suppress(OSError):
            path.unlink()
        os.close(handle)
        if os.name == "nt":  # where an open file cannot be removed, hence only by the last
            with suppress(OSError):
                path.unlink()
        with suppress(OSError):
            path.parent.rmdir()


def _locked(path: Path) -> int:
    """Open and lock a file that is still in place once it is locked."""
    while True:
        path.parent.mkdir(exist_ok=True)
        try:
            handle = os.open(path, _FLAGS, 0o644)
        except FileNotFoundError:  # the folder went with the run that held it
            continue
        if not _mine(handle):
            holder = _holder(handle)
            os.close(handle)
            raise HeldError(holder)
        with suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), path.stat(follow_symlinks=False)):
                return handle
        os.close(handle)


def _mine(handle: int) -> bool:
    try:
        return lock_descriptor(handle, blocking=False)
    except OSError:  # no locks here
        return True


def _holder(handle: int) -> str:
    try:
        os.lseek(handle, 0, os.SEEK_SET)
        return os.read(handle, 20).decode("ascii", "replace").strip()
    except OSError:
        return ""
