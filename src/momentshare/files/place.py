"""Requirements on a place before a run writes there, and how bytes reach the disk."""

from __future__ import annotations

import errno
import os
import shutil
import time
from contextlib import contextmanager, suppress
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from momentshare.errors import InputError, StorageError
from momentshare.files.lock import HeldError, held
from momentshare.files.manifest import path_digest
from momentshare.inputs import require_text, shown

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = [
    "check_place",
    "hold_lock",
    "link_within",
    "missing_made",
    "moved",
    "require_room",
    "settled_digest",
    "storage_error",
    "sync_folder",
    "written",
]

_LEAST = 1 << 20
"""Room that any run needs [bytes]."""

_MEGABYTE = 1e6

_PAUSES = (0.05, 0.1, 0.2, 0.4)
"""Waits before a refused move is tried again [s]; common practice, no source."""


def check_place(place: Path) -> None:
    """Refuse a place where no folder can be written.

    Raises
    ------
    InputError
        Naming what is in the way.
    """
    if not str(place).strip() or str(place) == ".":
        raise InputError("the folder for the results has no name; give one")
    require_text(place)
    parent = place
    while not os.path.lexists(parent):
        parent = parent.parent
    if not parent.is_dir():
        raise InputError(f"{shown(place)}: {shown(parent)} is not a folder; choose another place")
    if not os.access(parent, os.W_OK):
        raise InputError(
            f"{shown(place)}: {shown(parent)} cannot be written to; choose another folder"
        )


def link_within(folder: Path, name: str) -> Path | None:
    """First link on the way from a folder to a file of it, the file included."""
    place = folder
    for step in PurePosixPath(name).parts:
        place = place / step
        if place.is_symlink():
            return place
    return None


def storage_error(place: Path, err: OSError) -> StorageError:
    """Make the error of a disk that refuses a write."""
    full = err.errno in {errno.ENOSPC, errno.EDQUOT}
    what = (
        "make room and run again" if full else "correct it and run again, or choose another folder"
    )
    return StorageError(
        f"{shown(place)}: cannot be written ({err.strerror or err}); {what}: what is finished is "
        "kept"
    )


def missing_made(path: Path) -> list[Path]:
    """Make a folder; return those that were missing, the innermost first."""
    missing = [p for p in (path, *path.parents) if not os.path.lexists(p)]
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise storage_error(path, err) from err
    return missing


@contextmanager
def hold_lock(path: Path, place: Path) -> Iterator[None]:
    """Hold the lock of what a run writes, or report who has it."""
    lock = held(place)
    try:
        lock.__enter__()
    except HeldError as err:
        holder = f"process {err.holder}" if err.holder else "unknown process"
        raise InputError(
            f"{shown(path)}: another run ({holder}) is writing here; wait until it has ended, or "
            "choose another folder for --out"
        ) from err
    except OSError as err:
        raise storage_error(path, err) from err
    try:
        yield
    finally:
        lock.__exit__(None, None, None)


def require_room(path: Path, folder: Path, room: int) -> None:
    """Refuse a disk without enough free bytes for what goes to ``path``."""
    wanted = max(room, _LEAST)
    free = shutil.disk_usage(folder).free
    if free < wanted:
        raise StorageError(
            f"{shown(path)}: the run writes about {wanted / _MEGABYTE:.0f} MB, its disk has "
            f"{free / _MEGABYTE:.1f} MB left; make room, or choose another folder for --out"
        )


def written(path: Path, data: bytes) -> None:
    """Write bytes and make sure that they are on the disk."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def moved(source: Path, target: Path) -> None:
    """Move a file to its place at once, over one that is there.

    Windows refuses while another program, such as a virus scanner or a synchronised folder, has
    one of them open; what passes within a second is waited for.
    """
    for pause in _PAUSES:
        with suppress(PermissionError):
            os.replace(source, target)  # noqa: PTH105 - replaces on every platform
            return
        time.sleep(pause)
    os.replace(source, target)  # noqa: PTH105


def settled_digest(path: Path) -> str:
    """Return the digest of a file once its bytes are on the disk."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    return path_digest(path)


def sync_folder(path: Path) -> None:
    """Make sure that the names in a folder are on the disk, if the system can."""
    with suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
