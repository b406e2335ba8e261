"""Write a tutorial into a folder: its text, and what its commands need."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from momentshare.demo import demo_text
from momentshare.errors import UnknownNameError
from momentshare.files import given_files
from momentshare.study import parse_study

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["TEXT", "TUTORIALS", "write_tutorial"]

TEXT = "tutorial.md"
"""Name of the text among the files of a tutorial."""

TUTORIALS = {
    "student": "three questions about the bench press, predicted and checked (10 minutes)",
    "researcher": "from C3D files to a table of a paper (20 minutes)",
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
        Made if needed; files of the user are never replaced.

    Returns
    -------
    list of str
        Names of the files written, the text first.

    Raises
    ------
    UnknownNameError
        No tutorial has the name.
    InputError
        Something of the same name and other contents is there.
    MissingExtraError
        The researcher's tutorial needs ezc3d to write C3D files.
    """
    if name not in TUTORIALS:
        raise UnknownNameError("tutorial", name, TUTORIALS)
    source = resources.files("momentshare.tutorials") / "files" / name
    files = {item.name: item.read_bytes() for item in source.iterdir() if item.is_file()}
    if name != "researcher":
        with given_files(folder, files):
            pass
        return [TEXT, *sorted(files.keys() - {TEXT})]
    from momentshare.demo.lab import COHORT_FILE, lab_study, make_lab

    entries = parse_study(demo_text()).file.person[:_PEOPLE]
    files[COHORT_FILE] = lab_study(entries).encode()
    with given_files(folder, files) as made:
        make_lab(made, entries, _REPETITIONS)
    return [TEXT, *sorted(files.keys() - {TEXT}), "lab", "truth.json"]
