"""The account of a run folder: whose it is, its files and their digests.

``manifest.json`` is the account of a run at rest. While a run is under way each part that is
finished adds a line to a journal, so that a long run does not rewrite the whole account for every
part; the next run that opens the folder takes the journal over. Account and journal are kept twice
and carry their own digests, so that damage to one of the two costs nothing.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError
from momentshare.files.names import unportable
from momentshare.files.writer import json_text
from momentshare.inputs import RECORD, read_text, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

__all__ = [
    "COPY",
    "FORMAT",
    "MANIFEST",
    "Manifest",
    "Part",
    "bytes_digest",
    "journal_entries",
    "journal_line",
    "path_digest",
    "read_account",
]

FORMAT = 4
"""Version of run folders; a folder of another version is refused."""

MANIFEST = "manifest.json"

COPY = ".momentshare.json"
"""The same text; it takes the place of a manifest that is damaged or missing."""


@dataclass(frozen=True, slots=True)
class Part:
    """Files that were finished together, under a tag that represents everything behind them.

    Attributes
    ----------
    tag : str
    files : mapping
        Name of each file in the folder → SHA-256 of its bytes.
    """

    tag: str
    files: Mapping[str, str]


@dataclass(slots=True)
class Manifest:
    """Account of a run folder.

    Attributes
    ----------
    command : str
        Which command writes here.
    study : dict
        What it was asked to do, as far as that distinguishes one run from another.
    parts : dict
        What a long run has finished, by name.
    files : dict
        Results: name → SHA-256.
    results_of : str
        Digest of the study that all results belong to; empty while they change.
    """

    command: str
    study: dict[str, Any] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    results_of: str = ""

    def owned(self) -> set[str]:
        """Names of all files that the command wrote or was about to write."""
        return {*self.files, *(name for part in self.parts.values() for name in part.files)}

    def study_digest(self) -> str:
        """Digest of what the run is asked to do."""
        return bytes_digest(json_text(self.study).encode())

    def text(self) -> str:
        """Text of ``manifest.json``; the same account has the same text."""
        about: dict[str, Any] = {"command": self.command, "format": FORMAT}
        record = {
            "momentshare": about,
            "study": self.study,
            "results_of": self.results_of,
            "parts": {k: _record(self.parts[k]) for k in sorted(self.parts)},
            "files": {k: self.files[k] for k in sorted(self.files)},
        }
        about["digest"] = _record_digest(record)
        return json_text(record)

    def enter(self, name: str, part: Part | None) -> None:
        """Enter a part, or remove it."""
        if part is None:
            self.parts.pop(name, None)
        else:
            self.parts[name] = part


def _record(part: Part) -> dict[str, Any]:
    return {"tag": part.tag, "files": dict(sorted(part.files.items()))}


def read_account(folder: Path) -> tuple[Manifest | None, str]:
    """Read the account of a folder.

    Returns
    -------
    Manifest or None
        None if the folder has none.
    str
        What is wrong with the manifest if the account is that of its copy.

    Raises
    ------
    InputError
        The account has another format, or both texts are damaged; the message names file and
        remedy.
    """
    try:
        if os.path.lexists(folder / MANIFEST):
            return _read(folder / MANIFEST), ""
    except InputError:
        with suppress(InputError):
            return _read(folder / COPY), "was damaged"
        raise
    if not os.path.lexists(folder / COPY):
        return None, ""
    account = _read(folder / COPY)
    if any(os.path.lexists(folder / name) for name in account.owned()):
        return account, "was missing"
    return None, ""  # the user removed the results


def _read(path: Path) -> Manifest:
    wrong = (
        f"{shown(path)}: is damaged, or is not a manifest of momentshare; choose another folder "
        "for --out"
    )
    try:
        found = json.loads(read_text(path, RECORD))
    except (ValueError, RecursionError) as err:
        if isinstance(err, InputError):
            raise
        raise InputError(wrong) from err
    if not isinstance(found, dict):
        raise InputError(wrong)
    about = found.get("momentshare")
    earlier = found.get("format")  # of uncertainty, before every command kept one
    number = about.get("format") if isinstance(about, dict) else earlier
    if isinstance(number, int) and number != FORMAT:
        age = "an earlier" if number < FORMAT else "a later"
        raise InputError(
            f"{shown(path.parent)}: holds a run of {age} version of momentshare (format {number}, "
            f"this one writes {FORMAT}); choose another folder for --out"
        )
    try:
        return _account(found)
    except (KeyError, TypeError, AttributeError, ValueError, RecursionError) as err:
        raise InputError(wrong) from err


def _account(found: dict[str, Any]) -> Manifest:
    """Account from its record, if that is as it was written."""
    if found["momentshare"].pop("digest") != _record_digest(found):
        raise ValueError
    return Manifest(
        command=_text(found["momentshare"]["command"]),
        study=dict(found["study"]),
        results_of=_text(found["results_of"]),
        parts={_text(name): _part(value) for name, value in found["parts"].items()},
        files=_texts(found["files"]),
    )


def _record_digest(record: dict[str, Any]) -> str:
    return bytes_digest(json_text(record).encode())


def journal_line(number: int, name: str, part: Part | None) -> bytes:
    """Line that adds a part to the account, or removes it; lines of a run are numbered."""
    entry = {"number": number, "part": name, "is": None if part is None else _record(part)}
    sealed = {**entry, "digest": _record_digest(entry)}
    return (json.dumps(sealed, ensure_ascii=False) + "\n").encode()


def journal_entries(journals: Iterable[bytes]) -> list[tuple[str, Part | None]]:
    """Read the lines of a journal and its copy, in their order; see :func:`journal_line`.

    A run may have been killed while writing a line: damaged lines are ignored.
    """
    found: dict[int, tuple[str, Part | None]] = {}
    for line in (line for journal in journals for line in journal.splitlines()):
        with suppress(KeyError, TypeError, AttributeError, ValueError, RecursionError):
            entry = json.loads(line)
            if entry.pop("digest") != _record_digest(entry):
                continue
            part = None if entry["is"] is None else _part(entry["is"])
            found[int(entry["number"])] = _text(entry["part"]), part
    return [found[number] for number in sorted(found)]


def _part(value: Any) -> Part:
    """Part from its record."""
    return Part(tag=_text(value["tag"]), files=_texts(value["files"]))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def _texts(value: Any) -> dict[str, str]:
    return {_inside(_text(name)): _text(digest) for name, digest in value.items()}


def _inside(name: str) -> str:
    """Name of a file that a run may have written; no other is looked at, let alone removed."""
    place = PurePosixPath(name)
    if not place.parts or place.is_absolute() or ".." in place.parts or unportable(name):
        raise ValueError
    return name


def bytes_digest(data: bytes) -> str:
    """SHA-256 of bytes."""
    return hashlib.sha256(data).hexdigest()


def path_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, or a description of what prevents reading it."""
    try:
        if path.is_symlink() or not path.is_file():
            return "no plain file"
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as err:
        return str(err.strerror)
