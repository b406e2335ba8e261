"""Files that a command gives to its user, such as a tutorial: all of them, over none of the user's.

They are made in a folder inside the user's, hence on the same disk, and moved there once all are
made. A file that is there already with the same bytes is left alone, so that a command that was
killed is run again; one with other bytes may be somebody's work and is refused.
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
    link_within,
    missing_made,
    moved,
    storage_error,
    written,
)
from momentshare.inputs import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["given_files"]

_MADE = "given"


@contextmanager
def given_files(place: str | Path, texts: Mapping[str, bytes]) -> Iterator[Path]:
    """Move files into a folder of the user, unless anything of the user's is in their way.

    Parameters
    ----------
    place : str or Path
        Made if needed.
    texts : mapping
        Name within the folder → bytes, of files that are known before anything is computed.

    Yields
    ------
    Path
        Folder for further files; they go to the same places below ``place``.

    Raises
    ------
    InputError
        A file with other bytes, a folder or a link is in the way, the folder cannot be written
        to, or another run is writing there.
    StorageError
        The disk refuses the write.
    """
    folder = Path(place)
    check_place(folder)
    for name, data in texts.items():
        _there(folder, name, data)
    made = missing_made(folder)
    control = folder / CONTROL
    try:
        if control.is_symlink() or (control.exists() and not control.is_dir()):
            raise InputError(f"{shown(control)}: is not a folder of momentshare; remove it")
        with hold_lock(folder, control / "lock"):
            stage = control / _MADE
            shutil.rmtree(stage, ignore_errors=True)
            try:
                stage.mkdir()
                yield stage
                for name, data in texts.items():
                    written(stage / name, data)
                _move_all(stage, folder)
            except OSError as err:
                raise storage_error(folder, err) from err
            finally:
                shutil.rmtree(stage, ignore_errors=True)
    finally:
        for empty in made:
            with suppress(OSError):
                empty.rmdir()


def _move_all(stage: Path, folder: Path) -> None:
    names = sorted(p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file())
    missing = [name for name in names if not _there(folder, name, (stage / name).read_bytes())]
    for name in missing:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        moved(stage / name, folder / name)


def _there(folder: Path, name: str, data: bytes) -> bool:
    """Whether a file is there already; anything else in its way is refused."""
    target, link = folder / name, link_within(folder, name)
    if link is not None:
        raise InputError(
            f"{shown(link)}: is a link where a file should go; remove it, or choose another folder"
        )
    if not os.path.lexists(target):
        return False
    if not target.is_file() or target.read_bytes() != data:
        raise InputError(f"{shown(target)}: exists with other contents; choose another folder")
    return True
