"""Files that a pattern with placeholders matches, and the text at each placeholder.

``{name}`` stands for at least one character of one part of a path, ``*`` for any number; a
placeholder that is repeated stands for the same text. Of several ways to read a name the one with
the shortest first placeholder counts. How long a pattern may take is bounded.
"""

from __future__ import annotations

import os
import re
import unicodedata
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.files.names import found_as
from momentshare.text import for_terminal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = ["PLACEHOLDER", "fitting_files"]

PLACEHOLDER = re.compile(r"\{([A-Za-z_]\w*)\}")
_PIECE = re.compile(r"(\{[A-Za-z_]\w*\}|\*)")
_TOUCHING = re.compile(r"(?:\{[A-Za-z_]\w*\}|\*){2,}")

_SHOWN = 200
"""Characters of a pattern that a fault shows."""

_LONGEST = 255
"""Characters of the longest name that any file system has."""

_MOST_FOLDERS = 64
"""Folders within each other that a pattern may name; assumed."""

_MOST_SEEN = 1_000_000
"""Files and folders that a search may look at, a few seconds; links can lead round for ever."""

_MOST_FILES = 20_000
"""Greatest number of files that a pattern may match; assumed."""

_MOST_STEPS = 1_000_000
"""Steps that reading the names of a pattern may take, about a second; a name takes some ten."""


class _TooManyWaysError(Exception):
    """The names can be read in more ways than can be tried."""


class _TooMuchSeenError(Exception):
    """There are more files and folders than can be looked at."""


def fitting_files(
    pattern: str, folder: Path, block: str, faults: list[str]
) -> list[tuple[str, dict[str, str]]]:
    """Files that match a pattern, with the text at its placeholders; in the order of names.

    Parameters
    ----------
    pattern : str
        Relative to ``folder``, with ``/`` between folders.
    folder : Path
    block : str
        What faults call the block that holds the pattern.
    faults : list of str
        Takes what is wrong with the pattern.
    """
    refusal = _refusal(pattern)
    if refusal:
        faults.append(f"{block} → pattern: {refusal}")
        return []
    pieces = [unicodedata.normalize("NFC", piece) for piece in _PIECE.split(pattern) if piece]
    try:
        every = list(islice(_files(folder, pattern), _MOST_FILES + 1))
    except (OSError, ValueError) as err:  # a folder that is locked, a name too long for this disk
        told = getattr(err, "strerror", None) or str(err)
        place = getattr(err, "filename", None)
        where = "" if place is None else f"{for_terminal(str(place), _SHOWN)}: "
        faults.append(
            f"{block} → pattern: {for_terminal(pattern, _SHOWN)!r} cannot be looked for "
            f"({where}{told}); correct it, or give access"
        )
        return []
    except _TooMuchSeenError:
        faults.append(
            f"{block} → pattern: {for_terminal(pattern, _SHOWN)!r} leads through more than "
            f"{_MOST_SEEN} files and folders; name more of the folders"
        )
        return []
    if len(every) > _MOST_FILES:
        faults.append(f"{block} → pattern: {pattern!r} fits more than {_MOST_FILES} files")
        return []
    # The order of names must not depend on the platform, whose paths may sort in lower case.
    names = sorted(p.relative_to(folder).as_posix() for p in every)
    try:
        found = _read(pieces, names)
    except _TooManyWaysError:
        faults.append(
            f"{block} → pattern: {pattern!r} can be read in too many ways; put more fixed text "
            "between its placeholders"
        )
        return []
    if not found:
        faults.append(
            f"{block} → pattern: {pattern!r} fits no file below {folder or Path()}; check folder, "
            "ending and capitals"
        )
    return found


def _refusal(pattern: str) -> str:
    """Say why a pattern cannot be used; empty if it can."""
    if not pattern.strip(" ./"):
        return (
            f"must have a name of files, such as data/{{person}}_{{condition}}.c3d; got {pattern!r}"
        )
    if Path(pattern).is_absolute():
        return f"must be a name relative to the study; got {pattern!r}"
    asked = PLACEHOLDER.sub("*", pattern).split("/")
    for wrong, told in (
        (max(map(len, asked)) > _LONGEST, f"a name has more than {_LONGEST} characters"),
        (len(asked) > _MOST_FOLDERS, f"more than {_MOST_FOLDERS} folders within each other"),
    ):
        if wrong:
            return f"{for_terminal(pattern, _SHOWN)!r} cannot be looked for ({told}); correct it"
    touching = _TOUCHING.search(pattern)
    if touching:
        return f"must have fixed text between placeholders and stars; got {touching[0]!r}"
    return ""


def _files(folder: Path, pattern: str) -> Iterator[Path]:
    """Find plain files that a pattern may fit, whatever stands at its placeholders.

    The search of the standard library takes for ever for some patterns (from Python 3.13 on), and
    what it tells of names that are too long depends on its version.
    """
    parts = [part for part in pattern.split("/") if part not in {"", "."}]
    fixed = [
        [unicodedata.normalize("NFC", text) for text in _PIECE.split(part)[::2]] for part in parts
    ]
    left = _MOST_SEEN
    ahead = [(folder, 0)]
    while ahead:
        place, at = ahead.pop()
        if at == len(parts):
            if place.is_file():
                yield place
        elif len(fixed[at]) == 1:
            child = found_as(place, parts[at])
            if child.exists():
                ahead.append((child, at + 1))
        elif place.is_dir():
            with os.scandir(place) as entries:
                for entry in entries:
                    left -= 1
                    if left < 0:
                        raise _TooMuchSeenError
                    if _may_fit(fixed[at], unicodedata.normalize("NFC", entry.name)):
                        ahead.append((place / entry.name, at + 1))


def _may_fit(fixed: Sequence[str], name: str) -> bool:
    """Whether a name holds the fixed texts of a pattern in their order, with anything between."""
    first, *middle, last = fixed
    end = len(name) - len(last)
    if len(first) > end or not (name.startswith(first) and name.endswith(last)):
        return False
    place = len(first)
    for text in middle:
        found = name.find(text, place, end)
        if found < 0:
            return False
        place = found + len(text)
    return True


def _read(pieces: Sequence[str], names: Iterable[str]) -> list[tuple[str, dict[str, str]]]:
    """Names that fit, with the text at each placeholder."""
    left = _MOST_STEPS
    found = []
    for name in names:
        text = unicodedata.normalize("NFC", name)
        ways = [(0, 0, dict[str, str]())]  # piece, place in the text, placeholders so far
        while ways:
            left -= 1
            if left < 0:
                raise _TooManyWaysError
            at, place, said = ways.pop()
            if at == len(pieces):
                if place == len(text):
                    found.append((name, said))
                    break
                continue
            piece = pieces[at]
            wild = piece == "*" or PLACEHOLDER.fullmatch(piece) is not None
            fixed = said.get(piece[1:-1]) if wild else piece
            if fixed is not None:
                if text.startswith(fixed, place):
                    ways.append((at + 1, place + len(fixed), said))
                continue
            following = pieces[at + 1] if at + 1 < len(pieces) else ""
            ends = _ends(text, place, int(piece != "*"), following)
            for end in ends if piece == "*" else reversed(ends):
                now = said if piece == "*" else {**said, piece[1:-1]: text[place:end]}
                ways.append((at + 1, end, now))
    return found


def _ends(text: str, place: int, least: int, following: str) -> list[int]:
    """Where at least so many characters from a place may end: at the end, or before fixed text."""
    stop = text.find("/", place)
    last = len(text) if stop < 0 else stop
    if not following:
        return [last] if last == len(text) and place + least <= last else []
    return [end for end in range(place + least, last + 1) if text.startswith(following, end)]
