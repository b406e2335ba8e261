"""Temporary files of a run: in its own folder, where the next run finds what a killed one left."""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["is_here", "system_folder", "temporary_folder", "temporary_within"]

_USUAL = ("/tmp", "/var/tmp", "/usr/tmp")  # noqa: S108 - names to compare with, nothing is made


_PLACE: ContextVar[Callable[[], str] | None] = ContextVar("place", default=None)


@contextmanager
def temporary_within(place: Callable[[], str]) -> Iterator[None]:
    """Have temporary folders made within a folder, which ``place`` gives when one is needed."""
    token = _PLACE.set(place)
    try:
        yield
    finally:
        _PLACE.reset(token)


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """Make a folder in that of the run under way, else where the system has its own; remove it."""
    place = _PLACE.get()
    with tempfile.TemporaryDirectory(
        prefix="momentshare-",
        dir=None if place is None else Path(place()).absolute(),
        ignore_cleanup_errors=True,
    ) as folder:
        yield Path(folder)


def system_folder() -> Path:
    """Give the folder that this system keeps for temporary files.

    Where there is none that can be written to, Python takes the current folder. That holds a
    user's data and must neither get temporary files nor give compiled code.

    Raises
    ------
    OSError
        If there is none.
    """
    found = tempfile.gettempdir()
    named = [os.environ.get(name) for name in ("TMPDIR", "TEMP", "TMP")]
    meant = {os.path.realpath(place) for place in (*named, *_USUAL) if place}
    if is_here(found) and os.path.realpath(found) not in meant:
        raise OSError("no folder for temporary files can be written to")
    return Path(found)


def is_here(path: str) -> bool:
    """Whether a path, or an entry of a module path, leads to the current folder."""
    try:
        return not path or os.path.realpath(path) == os.path.realpath(Path.cwd())
    except OSError:  # the current folder is gone
        return False
