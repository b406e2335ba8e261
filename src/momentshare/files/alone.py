"""A single file that a command writes: completely or not at all, by one run at a time.

It is made in a folder beside its destination, hence on the same disk, and moved there in one step.
That folder holds the lock of the run; it is removed with the run, or with the next one if the run
was killed.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.errors import InputError
from momentshare.files.folder import CONTROL
from momentshare.files.place import (
    check_place,
    hold_lock,
    missing_made,
    moved,
    require_room,
    storage_error,
    written,
)
from momentshare.inputs import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["lone_file"]

_HEAD = 4096
"""Bytes at the beginning of a file within which its mark is looked for."""


@contextmanager
def lone_file(
    place: str | Path, *, room: int = 0, mark: bytes = b""
) -> Iterator[Callable[[bytes], None]]:
    """Reserve the place of one file, checked before anything is computed.

    Parameters
    ----------
    place : str or Path
        An existing file is replaced if it bears the mark.
    room : int
        Bytes that it will take.
    mark : bytes
        What every file of the command holds near its beginning; an existing file without it may be
        somebody's work.

    Yields
    ------
    callable
        Puts bytes into place.

    Raises
    ------
    InputError
        There is a folder, a link or a file without the mark in its place, the enclosing folder
        cannot be written to, or another run is writing the same file.
    StorageError
        The disk refuses the write.
    """
    path = Path(place)
    if path.is_symlink() or path.is_dir():
        kind = "link" if path.is_symlink() else "folder"
        raise InputError(f"{shown(path)}: is a {kind} where a file should go; choose another name")
    _refuse_unmarked(path, mark)
    around = path.parent if str(path.parent) != "." else Path.cwd()
    check_place(around)
    made = missing_made(around)
    control = around / f".{path.name}{CONTROL}"
    if control.is_symlink() or (control.exists() and not control.is_dir()):
        raise InputError(f"{shown(control)}: is not a folder of momentshare; remove it")
    try:
        with hold_lock(path, control / "lock"):
            require_room(path, around, room)

            def write(data: bytes) -> None:
                part = control / "part"
                try:
                    written(part, data)
                    moved(part, path)
                except OSError as err:
                    raise storage_error(path, err) from err

            try:
                yield write
            finally:
                with suppress(OSError):
                    (control / "part").unlink()
    finally:
        if control.is_dir() and not any(control.iterdir()):
            shutil.rmtree(control, ignore_errors=True)
        for folder in made:
            with suppress(OSError):
                folder.rmdir()


def _refuse_unmarked(path: Path, mark: bytes) -> None:
    """Refuse to replace what the command did not write, pipes and devices included."""
    if not os.path.lexists(path):
        return
    if path.is_file():
        with path.open("rb") as file:
            if mark in file.read(_HEAD):
                return
    raise InputError(
        f"{shown(path)}: is in the way and was not written by this command; move it away, or "
        "choose another name"
    )
