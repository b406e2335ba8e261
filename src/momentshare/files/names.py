"""File names that Linux, macOS and Windows treat alike.

Windows reserves some names for devices, whatever their extension, and accepts no colon or trailing
dot; Windows and macOS ignore case, and macOS may return a name with decomposed accents. Written
names mean the same everywhere; names that are read may come from any of them.
"""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["as_one", "found_as", "unportable"]

_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])", re.IGNORECASE)
_FORBIDDEN = re.compile(r'[<>:"\\|?*\x00-\x1f]')

_LONGEST = 200
"""Characters of one part of a name; file systems end at 255 bytes."""


def as_one(name: str) -> str:
    """Return the form under which some file system takes two names for the same.

    Examples
    --------
    >>> as_one("Heads.CSV") == as_one("heads.csv")
    True
    """
    return unicodedata.normalize("NFC", name).casefold()


def unportable(name: str, others: Iterable[str] = ()) -> str:
    """Say why a name within a folder does not work everywhere; empty if it does.

    Parameters
    ----------
    name : str
        With ``/`` between folders.
    others : iterable of str
        Names that already exist in the same folder.

    Examples
    --------
    >>> unportable("figures/heads.svg"), unportable("aux.csv")
    ('', "'aux.csv' is kept for a device on Windows")
    """
    for part in PurePosixPath(name).parts:
        if _RESERVED.fullmatch(part.split(".")[0].rstrip()):
            return f"{part!r} is kept for a device on Windows"
        if found := _FORBIDDEN.search(part):
            return f"{part!r} holds {found[0]!r}, which Windows does not allow"
        if part.endswith((".", " ")):
            return f"{part!r} ends with a dot or a blank, which Windows drops"
        if len(part) > _LONGEST:
            return f"{part[:40]!r}… has {len(part)} characters"
    same = next((o for o in others if o != name and as_one(o) == as_one(name)), None)
    return "" if same is None else f"{name!r} and {same!r} are one file where case is ignored"


def found_as(folder: Path, name: str) -> Path:
    r"""Find a file of a study whose name may have been written on another platform.

    The name as given is tried first. If there is no such file, ``\`` is read as ``/``, and
    accents may be encoded in another way; case always matters.

    Parameters
    ----------
    folder : Path
    name : str

    Returns
    -------
    Path
        Under the name as given, if nothing else exists either.
    """
    asked = folder / name
    for candidate in (name, name.replace("\\", "/")):
        for form in (None, "NFC", "NFD"):
            place = folder / (candidate if form is None else unicodedata.normalize(form, candidate))
            try:
                if place.exists():
                    return place
            except (OSError, ValueError):
                return asked
    return asked
