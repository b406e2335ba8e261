"""What a C3D file says about itself, walked before any library reads it.

Every count is held against the others and against the length of the file. Layout of the format:
the public C3D user guide (c3d.org; from memory): a header of 512 bytes, a chain of parameters, then
frames of points and analogue samples.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from momentshare.errors import InputError

__all__ = ["AGAIN", "Accounts", "walk"]

AGAIN = "the file is damaged; copy or export it again"

_BLOCK = 512
_WIDTH = {-1: 1, 1: 1, 2: 2, 4: 4}
_COUNT_FULL = 65535
"""Sixteen bits hold no more; a longer file states its length elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """What the header and the parameters say about the data."""

    points: int
    channels: int
    samples_per_frame: int
    frames: int
    first: int
    notes: tuple[str, ...] = ()


def walk(raw: bytes) -> Accounts:
    """Walk the file; raise when a count does not fit another or the length of the file."""
    if len(raw) < 2 * _BLOCK or raw[1] != 0x50:
        raise InputError("is not a C3D file (its second byte is not 0x50); give the C3D export")
    start = (raw[0] - 1) * _BLOCK
    if start < _BLOCK or start + 4 > len(raw):
        raise InputError(f"its parameters should start in block {raw[0]}; {AGAIN}")
    processor = raw[start + 3]
    if processor == 86:
        raise InputError("is big-endian (processor type 86), which is not read; convert it")
    if processor not in {84, 85}:
        raise InputError(f"processor type {processor} is none of 84, 85; {AGAIN}")
    head = struct.unpack_from("<10H", raw, 0)
    points, per_frame, first, last = head[1:5]
    data_block, samples = head[8:10]
    stop = start + raw[start + 2] * _BLOCK
    if stop > len(raw):
        raise InputError(f"is cut short within its parameters; {AGAIN}")
    values = _parameters(raw, start + 4, stop, vax=processor == 85)
    for name in ("POINT:USED", "POINT:SCALE", "POINT:RATE", "POINT:DATA_START"):
        if name not in values:
            raise InputError(f"parameter {name} is missing; {AGAIN}")
    _agree("number of points", points, values["POINT:USED"])
    channels = int(values.get("ANALOG:USED", 0.0))
    _agree("analogue samples per frame", per_frame, channels * samples)
    data_start = int(values["POINT:DATA_START"]) or data_block
    if data_block:
        _agree("first block of data", data_block, data_start)
    frames, first = _frames(values, first, last)
    width = 2 if values["POINT:SCALE"] > 0.0 else 4
    size = width * (4 * points + per_frame)
    begin = (data_start - 1) * _BLOCK
    if size == 0:
        raise InputError("holds neither points nor analogue channels; give a file with data")
    if begin < stop - _BLOCK or begin < start:
        raise InputError(f"its data should start in block {data_start}; {AGAIN}")
    held = max(0, len(raw) - begin) // size
    if held < frames:
        raise InputError(
            f"is cut short: it promises {frames} frames and holds {held}; copy or export it again"
        )
    notes = []
    if held - frames > math.ceil(_BLOCK / size):
        if frames >= _COUNT_FULL:
            raise InputError(
                f"holds {held} frames, but its counts end at {frames}; export it in shorter parts"
            )
        notes.append(f"the file has room for {held} frames and says it holds {frames}; those count")
    return Accounts(
        points=points,
        channels=channels,
        samples_per_frame=samples if channels else 0,
        frames=frames,
        first=first,
        notes=tuple(notes),
    )


def _agree(what: str, header: float, parameter: float) -> None:
    if header != parameter:
        raise InputError(
            f"{what}: {header:g} in the header, {parameter:g} in the parameters; {AGAIN}"
        )


def _frames(values: dict[str, float], first: int, last: int) -> tuple[int, int]:
    """Return the number of frames, and of the first, where sixteen bits do not do either."""
    start, end = (values.get(f"TRIAL:ACTUAL_{n}_FIELD", 0.0) for n in ("START", "END"))
    counts = [last - first + 1]
    if "POINT:FRAMES" in values:
        counts.append(int(values["POINT:FRAMES"]))
    if max(*counts, last) >= _COUNT_FULL:
        if "POINT:LONG_FRAMES" in values:
            counts = [int(values["POINT:LONG_FRAMES"])]
        elif end >= start > 0.0:
            counts = [int(end - start) + 1]
        first = int(start) or first
    if len(set(counts)) > 1:
        raise InputError(
            f"number of frames: {counts[0]} in the header, {counts[1]} in POINT:FRAMES; {AGAIN}"
        )
    if counts[0] < 1:
        raise InputError(f"holds no frame (first {first}, last {last}); {AGAIN}")
    return counts[0], first


def _parameters(raw: bytes, place: int, stop: int, *, vax: bool) -> dict[str, float]:
    """Walk the chain of parameters; return the first number of each, as ``GROUP:NAME``."""
    groups: dict[int, str] = {}
    found: list[tuple[int, str, float]] = []
    damaged = InputError(f"its chain of parameters breaks at byte {place}; {AGAIN}")
    while True:
        if place + 2 > stop:
            raise damaged
        length, group = struct.unpack_from("bb", raw, place)
        if length == 0:
            break
        after_name = place + 2 + abs(length)
        if group == 0 or after_name + 3 > stop:
            raise InputError(f"its chain of parameters breaks at byte {place}; {AGAIN}")
        name = raw[place + 2 : after_name].decode("latin-1").strip().upper()
        offset = struct.unpack_from("<H", raw, after_name)[0]
        following = after_name + offset if offset else stop
        end = after_name + 2
        if group < 0:
            groups[-group] = name
        else:
            end, number = _number(raw, end, stop, vax=vax)
            found.append((group, name, number))
        if end + 1 > stop or end + 1 + raw[end] > min(following, stop):
            raise InputError(f"parameter {name!r} does not fit its place; {AGAIN}")
        if offset == 0:
            break
        if following >= stop:
            raise damaged
        place = following
    if unknown := {g for g, _, _ in found} - set(groups):
        raise InputError(f"parameters belong to a group {min(unknown)} that is not there; {AGAIN}")
    names = [f"{groups[g]}:{name}" for g, name, _ in found]
    if len(set(names)) < len(names):
        raise InputError(f"a parameter stands twice; {AGAIN}")
    return {name: number for name, (_, _, number) in zip(names, found, strict=True)}


def _number(raw: bytes, place: int, stop: int, *, vax: bool) -> tuple[int, float]:
    """End of a parameter's values, and the first of them as a number."""
    kind, dimensions = struct.unpack_from("bB", raw, place)
    if kind not in _WIDTH or place + 2 + dimensions > stop:
        raise InputError(f"a parameter has the unknown type {kind} at byte {place}; {AGAIN}")
    shape = raw[place + 2 : place + 2 + dimensions]
    begin = place + 2 + dimensions
    count = math.prod(shape)
    end = begin + count * _WIDTH[kind]
    if end > stop:
        raise InputError(f"a parameter reaches beyond its block at byte {place}; {AGAIN}")
    if not count or kind == -1:
        return end, 0.0
    if kind == 4 and vax:
        # The exponent of these machines counts from another number, and the halves are swapped.
        swapped = raw[begin + 2 : begin + 4] + raw[begin : begin + 2]
        return end, struct.unpack("<f", swapped)[0] / 4.0
    return end, float(struct.unpack_from("<" + {1: "B", 2: "H", 4: "f"}[kind], raw, begin)[0])
