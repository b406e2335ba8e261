"""Temporary files of a run: in its own folder, where the next run finds what a killed one left."""

from __future__ import annotations

import tempfile
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["temporary_folder", "temporary_within"]

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
