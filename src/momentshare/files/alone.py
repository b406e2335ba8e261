"""A single file that a command writes: completely or not at all, by one run at a time.

It is made in a folder beside its destination, hence on the same disk, and moved there in one step.
That folder holds the lock of the run; it is removed with the run, or with the next one if the run
was killed.
"""

from __future__ import annotations

import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.errors import InputError
from momentshare.files.folder import CONTROL
from momentshare.files.place import (
    check_place,
    lock_of,
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


@contextmanager
def lone_file(place: str | Path, *, room: int = 0) -> Iterator[Callable[[bytes], None]]:
    """Reserve the place of one file, checked before anything is computed.

    Parameters
    ----------
    place : str or Path
        An existing file is replaced.
    room : int
        Bytes that it will take.

    Yields
    ------
    callable
        Puts bytes into place.

    Raises
    ------
    InputError
        There is a folder or a link in its place, the enclosing folder cannot be written to, or
        another run is writing the same file.
    StorageError
        The disk refuses the write.
    """
    path = Path(place)
    if path.is_symlink() or path.is_dir():
        kind = "link" if path.is_symlink() else "folder"
        raise InputError(f"{shown(path)}: is a {kind} where a file should go; choose another name")
    around = path.parent if str(path.parent) != "." else Path.cwd()
    check_place(around)
    made = missing_made(around)
    control = around / f".{path.name}{CONTROL}"
    if control.is_symlink() or (control.exists() and not control.is_dir()):
        raise InputError(f"{shown(control)}: is not a folder of momentshare; remove it")
    try:
        with lock_of(path, control / "lock"):
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
