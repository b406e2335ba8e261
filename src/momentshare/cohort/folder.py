"""The folder of a cohort: one run at a time, one study."""

from __future__ import annotations

import errno
import json
import os
from contextlib import contextmanager
from importlib import import_module, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from momentshare.cohort.schema import CohortStudy

__all__ = ["claim_folder", "hold_folder"]

_LOCK = ".lock"
_STUDY = "study.json"
_RESULTS = "run.json"


@contextmanager
def hold_folder(place: Path) -> Iterator[None]:
    """Keep other runs out of a folder for as long as this lasts.

    The lock is the system's, on ``trials/.lock``, so it ends with the process, whatever way. The
    file holds the number of the process and stays; without a lock it means nothing. Where the
    system or the disk has no locks, nothing is kept out.

    Raises
    ------
    InputError
        Another run has the folder.
    """
    path = place / "trials" / _LOCK
    path.parent.mkdir(parents=True, exist_ok=True)
    if util.find_spec("fcntl") is None:
        yield
        return
    fcntl: Any = import_module("fcntl")
    with path.open("a+", encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as err:
            if err.errno in {errno.EWOULDBLOCK, errno.EACCES}:
                file.seek(0)
                holder = file.read(40).strip() or "unknown"
                raise InputError(
                    f"{place}: another run (process {holder}) is writing here; wait until it has "
                    "ended, or choose another folder"
                ) from err
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


def claim_folder(place: Path, study: CohortStudy) -> None:
    """Write down whose folder this is.

    A study may be renamed or moved, and its title edited; one that differs in both is another
    study, and would remove the trials of the first.

    Raises
    ------
    InputError
        The folder holds the trials or results of another study.
    """
    path = place / "trials" / _STUDY
    source = str(Path(study.source).resolve())
    mine = {"title": study.file.title, "study": source}
    if path.exists():
        found = _read(path)
        if found and all(found.get(key) != value for key, value in mine.items()):
            raise InputError(
                f"{place}: holds the trials of another study, {found.get('title')!r} "
                f"({found.get('study')}); choose another folder, or empty this one to give them up"
            )
    else:
        title = _read(place / _RESULTS).get("title", mine["title"])
        if title != mine["title"]:
            raise InputError(
                f"{place}: holds the results of another study, {title!r}; choose another folder, "
                "or empty this one to give them up"
            )
    if not path.exists() or _read(path) != mine:
        partial = path.with_suffix(".part")
        partial.write_text(json.dumps(mine, ensure_ascii=False) + "\n", encoding="utf-8")
        partial.replace(path)


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
