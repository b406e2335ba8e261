"""The single entry point for input files.

Every input must be a plain file (no pipe, no device) of a sensible size, and text must be UTF-8. A
fault names the file, what is wrong and what to do; it is of the class the caller asks for.
"""

from __future__ import annotations

import csv
import io
import os
import re
import stat
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError, nearest_name
from momentshare.text import for_terminal

if TYPE_CHECKING:
    from typing import BinaryIO

__all__ = [
    "BIBLIOGRAPHY",
    "MODEL",
    "MOMENTS",
    "PUBLISHED",
    "RECORD",
    "RECORDING",
    "STUDY",
    "TABLE",
    "Kind",
    "csv_rows",
    "decoded",
    "read_bytes",
    "read_text",
    "require_text",
    "shown",
    "toml_data",
]

_MEGABYTE = 1_000_000

LONGEST_CELL = 10_000
"""Characters of one cell; a note of two pages has 4000 (common practice, no source)."""

MOST_LINES = 1_000_000
"""Lines of a CSV text, almost three hours of frames at 100 Hz; assumed."""

DEADLINE = 120.0
"""Seconds in which a file must have come, 2 MB a second for the largest recording; assumed."""

_PIECE = 1 << 20

_LONGEST_NAME = 300

_MOST_PARTS = 64
"""Parts of a TOML key, such as ``a.b.c``; assumed. Reading one takes the square of their number."""

_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_ENDLESS_KEY = re.compile(
    rf"(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{_MOST_PARTS}}}", re.ASCII
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file: what messages call it and how large it may be [bytes].

    ``size`` is how the limit is written; ``remedy`` says what to do with a larger one.
    """

    name: str
    most: int
    size: str
    remedy: str


STUDY = Kind(name="study file", most=1 << 20, size="1 MB", remedy=", too large for a study file")
MODEL = Kind(name="model file", most=1 << 20, size="1 MB", remedy=", too large for a model file")
TABLE = Kind(
    name="table of a model",
    most=16 * _MEGABYTE,
    size="16 MB",
    remedy=", too large for such a table",
)
BIBLIOGRAPHY = Kind(
    name="bibliography",
    most=16 * _MEGABYTE,
    size="16 MB",
    remedy="; keep the entries that the model names",
)
MOMENTS = Kind(
    name="CSV file",
    most=16 * _MEGABYTE,
    size="16 MB",
    remedy="; give one line per condition and row",
)
PUBLISHED = Kind(
    name="CSV file",
    most=5 * _MEGABYTE,
    size="5 MB",
    remedy="; give one line per condition and point; check that it is the right file",
)
RECORDING = Kind(name="recording", most=256 << 20, size="256 MB", remedy="; export a shorter part")
RECORD = Kind(
    name="record of a run", most=64 * _MEGABYTE, size="64 MB", remedy=", too large for a record"
)


def shown(path: str | Path) -> str:
    """Name of a file for messages: no control characters, and of limited length."""
    return for_terminal(str(path), _LONGEST_NAME)


def read_bytes(path: str | Path, kind: Kind, error: type[InputError] = InputError) -> bytes:
    """Read a plain file of a sensible size, within :data:`DEADLINE`.

    Parameters
    ----------
    path : str or Path
    kind : Kind
    error : type
        Class of the fault.

    Raises
    ------
    InputError
        Of class ``error``; the message names the file.
    """
    place, name = Path(path), shown(path)
    require_text(place, error)
    try:
        # A pipe would block, so the kind of file is determined before anything is read.
        handle = os.open(place, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
    except FileNotFoundError as err:
        if place.is_symlink():
            raise error(f"{name}: is a link to a missing file; correct it") from err
        raise error(f"{name}: no such file{_nearby(place)}") from err
    except (OSError, ValueError, RuntimeError) as err:
        if _is_folder(place):
            raise error(f"{name}: is a folder; give the {kind.name} inside it") from err
        reason = getattr(err, "strerror", None) or err
        raise error(f"{name}: cannot be read ({reason}); check name and permissions") from err
    try:
        with os.fdopen(handle, "rb") as file:
            about = os.fstat(handle)
            if stat.S_ISDIR(about.st_mode):
                raise error(f"{name}: is a folder; give the {kind.name} inside it")
            if not stat.S_ISREG(about.st_mode):
                raise error(f"{name}: is not a plain file; give the {kind.name} itself")
            raw = _in_time(file, kind.most + 1)
    except TimeoutError as err:
        raise error(f"{name}: {err}; copy it to a disk of this machine") from err
    except OSError as err:
        if _is_folder(place):
            raise error(f"{name}: is a folder; give the {kind.name} inside it") from err
        raise error(f"{name}: cannot be read ({err.strerror}); check its permissions") from err
    if len(raw) > kind.most:
        raise error(f"{name}: is larger than {kind.size}{kind.remedy}")
    return raw


def _in_time(file: BinaryIO, most: int) -> bytes:
    """Read at most so many bytes, piece by piece.

    Raises
    ------
    TimeoutError
        After :data:`DEADLINE`.
    """
    end, pieces, left = time.monotonic() + DEADLINE, [], most
    while left:
        piece = file.read(min(left, _PIECE))
        if not piece:
            break
        if time.monotonic() > end:
            raise TimeoutError(f"has not come within {DEADLINE:.0f} s")
        pieces.append(piece)
        left -= len(piece)
    return b"".join(pieces)


def require_text(place: Path, error: type[InputError] = InputError) -> None:
    """Refuse a path whose bytes are not UTF-8: no table, page or record could show it."""
    try:
        str(place).encode()
    except UnicodeEncodeError as err:
        raise error(f"{shown(place)}: its name is not valid UTF-8; rename it") from err


_BINARY = getattr(os, "O_BINARY", 0)


def _is_folder(place: Path) -> bool:
    try:
        return place.is_dir()
    except (OSError, ValueError):
        return False


_ALIKE = 0.7
"""How alike the name of a file must be to one that is not there; the ending alone is alike."""


def _nearby(place: Path) -> str:
    """Suggest files with the same ending in the same folder."""
    try:
        ending = place.suffix.casefold()
        names = [p.name for p in place.parent.iterdir() if p.suffix.casefold() == ending]
    except OSError:
        return "; check the path"
    if not names:
        return "; check the path"
    alike = [name for name in names if name.casefold() == place.name.casefold()]
    near = nearest_name(place.name, alike or names, 0.0 if alike else _ALIKE)
    if not near.startswith("did you mean"):
        return "; check the path"
    return f"; {for_terminal(near, _LONGEST_NAME)}"


def read_text(path: str | Path, kind: Kind, error: type[InputError] = InputError) -> str:
    """Read a text, UTF-8 with or without a byte order mark; see :func:`read_bytes`."""
    return decoded(read_bytes(path, kind, error), shown(path), error)


def decoded(raw: bytes, name: str, error: type[InputError] = InputError) -> str:
    """Decode the bytes of a file; messages begin with ``name``."""
    front = f"{name}: " if name else ""
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise error(f"{front}is not UTF-8 but UTF-16 text; save the file as UTF-8 text")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        row = raw.count(b"\n", 0, err.start) + 1
        raise error(
            f"{front}row {row}: byte {err.start} is not UTF-8; save the file as UTF-8 text"
        ) from err
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise error(f"{front}row {row}: contains zero bytes, so it is not text; save it as text")
    return text


def csv_rows(
    text: str, name: str, error: type[InputError] = InputError
) -> list[tuple[int, list[str]]]:
    """Return number and cells of each row of a CSV text, empty rows left out.

    The number is that of the row's last line, as an editor counts.

    Raises
    ------
    InputError
        Of class ``error``, when quotes are left open, a cell is too long or lines are too many.
    """
    if max(text.count("\n"), text.count("\r")) > MOST_LINES:
        raise error(f"{name}: has more than {MOST_LINES} lines; split it")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = []
    too_long = f"a cell has more than {LONGEST_CELL} characters; is a quotation mark left open?"
    try:
        for cells in reader:
            if max(map(len, cells), default=0) > LONGEST_CELL:
                raise error(f"{name}: row {reader.line_num}: {too_long}")
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num, cells))
    except csv.Error as err:  # cells beyond the reader's own limit, which is higher, included
        told = too_long if "field limit" in str(err) else f"{err}; check the quotes"
        raise error(f"{name}: row {reader.line_num}: {told}") from err
    return rows


def toml_data(text: str) -> dict[str, Any]:
    """Read the text of a TOML file.

    Raises
    ------
    ValueError
        What is not TOML, a key of very many parts, or an integer of more than 64 bits, which TOML
        does not ask for and which cannot be shown.
    RecursionError
        Nested too deep.
    """
    endless = _ENDLESS_KEY.search(text)
    if endless:
        line = text.count("\n", 0, endless.start()) + 1
        raise ValueError(f"A key has more than {_MOST_PARTS} parts (at line {line})")
    data = tomllib.loads(text.replace("\r\n", "\n"))
    ahead: list[tuple[str, Any]] = list(data.items())
    while ahead:
        key, value = ahead.pop()
        if isinstance(value, dict):
            ahead += value.items()
        elif isinstance(value, list):
            ahead += [(key, item) for item in value]
        elif isinstance(value, int) and value.bit_length() >= 64:
            raise ValueError(f"The integer of {key!r} has more than 64 bits")
    return data
