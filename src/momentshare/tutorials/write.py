"""Write a tutorial into a folder: its text, and what its commands need."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from momentshare.errors import InputError, UnknownNameError
from momentshare.inputs import shown

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["TEXT", "TUTORIALS", "write_tutorial"]

TEXT = "tutorial.md"
"""Name of the text among the files of a tutorial."""

TUTORIALS = {
    "student": "three questions about the bench press, predicted and checked (10 minutes)",
    "researcher": "from C3D files to a table of a paper (15 minutes)",
    "developer": "the solver in a service and in a notebook (10 minutes)",
}
"""Name → what it teaches."""

_PEOPLE, _REPETITIONS = 4, 1
"""Size of the invented laboratory of the researcher's tutorial."""


def write_tutorial(name: str, folder: Path) -> list[str]:
    """Write a tutorial.

    Parameters
    ----------
    name : str
        A key of :data:`TUTORIALS`.
    folder : Path
        Created if needed; files of the user are never replaced.

    Returns
    -------
    list of str
        Names of the files written, the text first.

    Raises
    ------
    UnknownNameError
        No tutorial has the name.
    InputError
        A file of the same name and other contents is there.
    MissingExtraError
        The researcher's tutorial needs ezc3d to write C3D files.
    """
    if name not in TUTORIALS:
        raise UnknownNameError("tutorial", name, TUTORIALS)
    source = resources.files("momentshare.tutorials") / "files" / name
    files = {item.name: item.read_bytes() for item in source.iterdir() if item.is_file()}
    for file, data in files.items():
        place = folder / file
        if place.exists() and (not place.is_file() or place.read_bytes() != data):
            raise InputError(f"{shown(place)}: exists with other contents; choose another folder")
    folder.mkdir(parents=True, exist_ok=True)
    written = sorted(files)
    if name == "researcher":
        from momentshare.demo.lab import write_lab

        for made in ("lab", "cohort.toml", "truth.json"):
            if (folder / made).exists():
                raise InputError(f"{shown(folder / made)}: exists; choose another folder")
        study = write_lab(folder, people=_PEOPLE, repetitions=_REPETITIONS)
        written += [study.name, "lab", "truth.json"]
    for file, data in files.items():
        (folder / file).write_bytes(data)
    return [TEXT, *(file for file in written if file != TEXT)]
