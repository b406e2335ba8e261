"""Parameters of a C3D file: a chain of records, each pointing to the next.

Layout of the format: the public C3D user guide (c3d.org; from memory). A departure that does not
affect the data is a note; only what leaves a number in doubt is damage, and that is decided when
the number is requested.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["AGAIN", "Encoding", "Parameters", "read_parameters"]

AGAIN = "the file is damaged; copy or export it again"

_WIDTH = {-1: 1, 1: 1, 2: 2, 4: 4}

_MATTERS = ("POINT", "ANALOG", "FORCE_PLATFORM", "TRIAL")
"""Groups that define how the data are read; the others are the exporter's own."""

_MOST_RECORDS = 20_000
"""Number of records that are followed; 127 groups of 150 (common practice, no source)."""

_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How the computer that wrote the file stored numbers."""

    order: str
    vax: bool

    @classmethod
    def of(cls, processor: int) -> Encoding:
        """Return the encoding of a processor type, 84 to 86."""
        return cls(order=">" if processor == 86 else "<", vax=processor == 85)

    def words(self, raw: bytes, *, signed: bool) -> NDArray[np.float64]:
        """Numbers of 16 bits."""
        return np.frombuffer(raw, dtype=f"{self.order}{'i' if signed else 'u'}2").astype(float)

    def reals(self, raw: bytes) -> NDArray[np.float64]:
        """Numbers of 32 bits."""
        if not self.vax:
            return np.frombuffer(raw, dtype=f"{self.order}f4").astype(float)
        return self.from_vax(np.frombuffer(raw, dtype="<u4"))

    @staticmethod
    def from_vax(bits: NDArray[np.uint32]) -> NDArray[np.float64]:
        """Numbers of a machine that swaps the halves and uses another exponent bias.

        Two less in the exponent is a quarter; zero has no sign of its own.
        """
        swapped = (bits << np.uint32(16)) | (bits >> np.uint32(16))
        return np.ascontiguousarray(swapped).view("<f4").astype(float) / 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parameter:
    """Values of one record; ``raw`` ends where its space ends."""

    kind: int
    shape: tuple[int, ...]
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """All parameters of a file, by group and name, and where their chain ends."""

    encoding: Encoding
    records: dict[tuple[str, str], _Parameter]
    end: int
    notes: tuple[str, ...]

    def __contains__(self, key: tuple[str, str]) -> bool:
        return key in self.records

    def numbers(self, group: str, name: str, *, signed: bool = True) -> NDArray[np.float64]:
        """Numbers of a parameter and of those that continue it (``NAME2``, ``NAME3``)."""
        parts = []
        for record in self._every(group, name):
            if record.kind == -1:
                raise InputError(f"parameter {group}:{name} holds text; must hold numbers; {AGAIN}")
            if record.kind == 1:
                parts.append(np.frombuffer(record.raw, dtype=np.uint8).astype(float))
            elif record.kind == 2:
                parts.append(self.encoding.words(record.raw, signed=signed))
            else:
                parts.append(self.encoding.reals(record.raw))
        return np.concatenate(parts) if parts else np.empty(0)

    def first(self, group: str, name: str) -> float | None:
        """First number of a parameter, whole numbers without sign; ``None`` when it has none."""
        if (group, name) not in self.records:
            return None
        found = self.numbers(group, name, signed=False)
        return float(found[0]) if found.size else None

    def whole(self, group: str, name: str) -> int | None:
        """First number of a parameter as a count; ``None`` when it has none."""
        found = self.first(group, name)
        if found is None:
            return None
        if not math.isfinite(found) or found < 0.0:
            raise InputError(f"parameter {group}:{name} is {found:g}; must be a count; {AGAIN}")
        return int(found)

    def shape(self, group: str, name: str) -> tuple[int, ...]:
        """Lengths of a parameter's axes, the fastest first."""
        record = self.records.get((group, name))
        return () if record is None else record.shape

    def texts(self, group: str, name: str) -> list[str]:
        """Texts of a parameter and of those that continue it."""
        found: list[str] = []
        for record in self._every(group, name):
            width = record.shape[0] if record.shape else 1
            if record.kind != -1 or not width:
                continue
            count = len(record.raw) // width
            found += [_text(record.raw[n * width : (n + 1) * width]) for n in range(count)]
        return found

    def _every(self, group: str, name: str) -> list[_Parameter]:
        found = []
        number = 1
        while record := self.records.get((group, name if number == 1 else f"{name}{number}")):
            found.append(record)
            number += 1
        return found


def _text(raw: bytes) -> str:
    """Text of a label; old files write umlauts in one byte each."""
    raw = raw.split(b"\0")[0]
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.strip()


@dataclass(slots=True)
class _Walk:
    """What has been found along the chain."""

    groups: dict[int, str] = field(default_factory=dict)
    found: list[tuple[int, str, _Parameter]] = field(default_factory=list)
    over: list[tuple[int, str]] = field(default_factory=list)


def read_parameters(raw: bytes, start: int, stated: int, encoding: Encoding) -> Parameters:
    """Follow the chain of parameters.

    Parameters
    ----------
    raw : bytes
        The whole file.
    start, stated : int
        First byte of the section, and the one after its end as the section states it.
    encoding : Encoding

    Raises
    ------
    InputError
        If the chain is broken, or contradicts itself about the data.
    """
    walk = _Walk()
    place = start + 4
    for _ in range(_MOST_RECORDS):
        if place == stated:
            break
        if place + 2 > len(raw):
            raise InputError(f"is cut short within its parameters; {AGAIN}")
        following = _record(raw, place, encoding, walk)
        if following is None:
            break
        place = following
    else:
        raise InputError(f"has more than {_MOST_RECORDS} parameters; {AGAIN}")
    records, notes = _joined(walk)
    if place > stated:
        notes.insert(0, "the parameters take more room than the file states; they are whole")
    return Parameters(encoding=encoding, records=records, end=place, notes=tuple(notes))


def _joined(walk: _Walk) -> tuple[dict[tuple[str, str], _Parameter], list[str]]:
    """Sort records by group and name, and note what is odd about them.

    Raises
    ------
    InputError
        If two records contradict each other about the data.
    """
    notes = []
    records: dict[tuple[str, str], _Parameter] = {}
    doubled, unnamed = [], set()
    for number, name, record in walk.found:
        group = walk.groups.get(number, f"GROUP {number}")
        if number not in walk.groups:
            unnamed.add(number)
        earlier = records.setdefault((group, name), record)
        if earlier is record or earlier == record:
            continue
        if group in _MATTERS:
            raise InputError(
                f"parameter {group}:{name} is duplicated with different values; {AGAIN}"
            )
        doubled.append(f"{group}:{name}")
    over = [f"{walk.groups.get(g, f'GROUP {g}')}:{name}" for g, name in walk.over]
    if doubled:
        notes.append(f"duplicated parameters; the first counts: {_listed(doubled)}")
    if unnamed:
        notes.append(f"parameters of groups without a name: {_listed(map(str, sorted(unnamed)))}")
    if over:
        notes.append(f"parameters that are cut off by the next one: {_listed(over)}")
    return records, notes


def _broken(place: int) -> InputError:
    return InputError(f"its chain of parameters breaks at byte {place}; {AGAIN}")


def _listed(names: object) -> str:
    every = [ascii(name)[1:-1] for name in names]  # type: ignore[attr-defined]
    more = f" and {len(every) - _SHOWN} more" if len(every) > _SHOWN else ""
    return ", ".join(every[:_SHOWN]) + more


def _record(raw: bytes, place: int, encoding: Encoding, walk: _Walk) -> int | None:
    """Read one record; return the place of the next, or ``None`` at the end of the chain."""
    length: int
    group: int
    length, group = struct.unpack_from("bb", raw, place)
    if length == 0:
        return None
    after_name = place + 2 + abs(length)
    if group == 0 or after_name + 2 > len(raw):
        raise _broken(place)
    name = raw[place + 2 : after_name].decode("latin-1").strip().upper()
    offset: int = struct.unpack_from(f"{encoding.order}H", raw, after_name)[0]
    following = after_name + offset if offset else len(raw)
    if following > len(raw):
        raise InputError(f"is cut short within its parameters; {AGAIN}")
    if offset == 1:
        raise _broken(place)
    begin = after_name + 2
    if group < 0:
        walk.groups[-group] = name
    else:
        end = _values(raw, begin, following, (group, name), walk)
        if end + 1 + (raw[end] if end < following else 0) > following:
            walk.over.append((group, name))
    return following if offset else None


def _values(raw: bytes, place: int, stop: int, key: tuple[int, str], walk: _Walk) -> int:
    """Read the values of a record; return the place after them as they state it."""
    if place + 2 > stop:
        raise _broken(place)
    kind, dimensions = struct.unpack_from("bB", raw, place)
    begin: int = place + 2 + dimensions
    if kind not in _WIDTH or begin > stop:
        if walk.groups.get(key[0]) not in _MATTERS and begin <= stop:
            return begin  # irrelevant here
        raise InputError(f"a parameter has the unknown type {kind} at byte {place}; {AGAIN}")
    shape = tuple(raw[place + 2 : begin])
    end = begin + math.prod(shape) * _WIDTH[kind]
    held = raw[begin : min(end, stop)]
    whole = held[: len(held) // _WIDTH[kind] * _WIDTH[kind]]
    walk.found.append((*key, _Parameter(kind=kind, shape=shape, raw=whole)))
    return end
