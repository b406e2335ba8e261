"""What a C3D file says about its data, each statement checked against the others.

The header, the parameters and the length of the file all say how many points, channels and frames
there are and where they begin. Where two of them differ, the one that the length of the file
confirms counts, and a note says so; if the length does not decide, the file is damaged. Layout of
the format: the public C3D user guide (c3d.org; from memory): a header of 512 bytes, a chain of
parameters, then frames of points and analogue samples.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from itertools import product

from momentshare.errors import InputError
from momentshare.trial.formats.c3d_parameters import AGAIN, Encoding, Parameters, read_parameters

__all__ = ["AGAIN", "Accounts", "walk"]

_BLOCK = 512
_COUNT_FULL = 65535
"""Sixteen bits hold no more; a longer file states its length elsewhere."""

_TOLERANCE = 1e-3
"""Relative difference of two statements of one number that is rounding (common practice, no
source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """What the file says about the data, after resolving contradictions.

    ``scale`` is the size of one step of whole numbers in the unit of points, or 0 where the data
    are real numbers; ``begin`` is the first byte of the data.
    """

    points: int
    channels: int
    samples_per_frame: int
    frames: int
    first: int
    begin: int
    scale: float
    rate: float
    parameters: Parameters
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Header:
    """The counts of the header."""

    points: int
    per_frame: int
    first: int
    last: int
    data_block: int
    samples: int
    scale: float
    rate: float


@dataclass(frozen=True, slots=True)
class _Shape:
    """One possible arrangement of the data in the file."""

    points: int
    per_frame: int
    frames: int
    begin: int
    width: int

    @property
    def size(self) -> int:
        """Bytes of a frame."""
        return self.width * (4 * self.points + self.per_frame)

    def fits(self, raw: bytes, after: int, *, closely: bool) -> bool:
        """Whether the file ends with the block in which these data end.

        Strictly: nothing but zeros follows them, so that no frame is left over.
        """
        left = len(raw) - self.begin - self.frames * self.size
        if self.size == 0 or self.begin < after or left < 0:
            return False
        return (left < _BLOCK and not closely) or raw.count(0, len(raw) - left) == left


def walk(raw: bytes) -> Accounts:
    """Return what the file says about its data.

    Raises
    ------
    InputError
        If it is not a C3D file, or a statement contradicts another or the length of the file.
    """
    if len(raw) < 2 * _BLOCK or raw[1] != 0x50:
        raise InputError("is not a C3D file (its second byte is not 0x50); give the C3D export")
    start = (raw[0] - 1) * _BLOCK
    if start < _BLOCK or start + 4 > len(raw):
        raise InputError(f"its parameters should start in block {raw[0]}; {AGAIN}")
    processor = raw[start + 3]
    if processor not in {84, 85, 86}:
        raise InputError(f"processor type {processor} is none of 84, 85, 86; {AGAIN}")
    encoding = Encoding.of(processor)
    header = _header(raw, encoding)
    stated = start + raw[start + 2] * _BLOCK
    parameters = read_parameters(raw, start, stated, encoding)
    notes = list(parameters.notes)
    scales = _scales(header, parameters)
    frames, first = _frames(header, parameters)
    channels, per_frame = _channels(header, parameters)
    blocks = [header.data_block, parameters.whole("POINT", "DATA_START") or 0]
    used = parameters.whole("POINT", "USED")
    said = {
        "number of points": _each(header.points, used),
        "analogue samples per frame": per_frame,
        "number of frames": frames,
        "first block of data": _each(*([b for b in blocks if b] or [0])),
        "bytes of a number": _each(*(2 if scale > 0.0 else 4 for scale in scales)),
    }
    shape = _settled(raw, parameters.end, said, notes)
    if shape.begin < stated:
        notes.append("the data begin within the room stated for parameters, after their end")
    if shape.per_frame and not channels:  # the header says more than the parameters
        channels = shape.per_frame // max(header.samples, 1)
    channels = channels if shape.per_frame else 0
    if channels and shape.per_frame % channels:
        raise InputError(
            f"{shape.per_frame} analogue samples per frame are no multiple of {channels} channels; "
            f"{AGAIN}"
        )
    samples = shape.per_frame // channels if channels else 0
    return Accounts(
        points=shape.points,
        channels=channels,
        samples_per_frame=samples,
        frames=shape.frames,
        first=first,
        begin=shape.begin,
        scale=_step(scales, shape.width),
        rate=_rate(header, parameters, samples, notes),
        parameters=parameters,
        notes=tuple(notes),
    )


def _header(raw: bytes, encoding: Encoding) -> _Header:
    words = struct.unpack_from(f"{encoding.order}12H", raw, 0)
    return _Header(
        points=words[1],
        per_frame=words[2],
        first=words[3],
        last=words[4],
        data_block=words[8],
        samples=words[9],
        scale=float(encoding.reals(raw[12:16])[0]),
        rate=float(encoding.reals(raw[20:24])[0]),
    )


def _each(*accounts: int | None) -> list[int]:
    """Differing statements, the first one first."""
    return list(dict.fromkeys(a for a in accounts if a is not None))


def _scales(header: _Header, parameters: Parameters) -> list[float]:
    """Size of a step of whole numbers as stated; negative if the data are real numbers."""
    stated = [parameters.first("POINT", "SCALE") or 0.0, header.scale]
    scales = [s for s in stated if math.isfinite(s) and s != 0.0]
    if not scales:
        raise InputError(f"states a scale of points of {stated[0]:g}; {AGAIN}")
    return scales


def _step(scales: list[float], width: int) -> float:
    """Size of a step of whole numbers, or 0 for real ones."""
    steps = [s for s in scales if s > 0.0]
    if width == 4:
        return 0.0
    if not math.isclose(min(steps), max(steps), rel_tol=_TOLERANCE):
        raise InputError(
            f"scale of points: {steps[1]:g} in the header, {steps[0]:g} in the parameters; {AGAIN}"
        )
    return steps[0]


def _channels(header: _Header, parameters: Parameters) -> tuple[int, list[int]]:
    """Return the number of analogue channels, and the stated numbers of samples per frame."""
    used = parameters.whole("ANALOG", "USED")
    if used is None:  # no parameters of channels: only the header
        samples = max(header.samples, 1)
        return header.per_frame // samples, [header.per_frame]
    return used, _each(used * header.samples, header.per_frame)


def _frames(header: _Header, parameters: Parameters) -> tuple[list[int], int]:
    """Return the stated numbers of frames, and the number of the first.

    Where sixteen bits are not enough, another parameter states both.
    """
    first = header.first
    counts = [header.last - first + 1]
    stated = parameters.whole("POINT", "FRAMES")
    if stated is not None:
        counts.append(stated)
    if max(*counts, header.last) >= _COUNT_FULL:
        start, end = (_long(parameters, f"ACTUAL_{n}_FIELD") for n in ("START", "END"))
        long = parameters.whole("POINT", "LONG_FRAMES")
        if long is not None:
            counts = [long]
        elif end >= start > 0:
            counts = [end - start + 1]
        first = start or first
    counts = _each(*counts)
    if max(counts) < 1:
        raise InputError(f"holds no frame (first {header.first}, last {header.last}); {AGAIN}")
    return [c for c in counts if c > 0], first


def _long(parameters: Parameters, name: str) -> int:
    """Whole number of 32 bits, kept as two of 16, the low one first."""
    parts = parameters.numbers("TRIAL", name, signed=False)
    if not parts.size or not all(map(math.isfinite, parts[:2])):
        return 0
    if parts.size == 1:
        return int(parts[0])
    return int(parts[0]) + 65536 * int(parts[1])


def _settled(raw: bytes, after: int, said: dict[str, list[int]], notes: list[str]) -> _Shape:
    """Shape of the data; where statements differ, the one that the length of the file confirms."""

    def shape(points: int, per_frame: int, frames: int, block: int, width: int) -> _Shape:
        return _Shape(points, per_frame, frames, (block - 1) * _BLOCK, width)

    differing = [what for what, accounts in said.items() if len(accounts) > 1]
    found = shape(*(accounts[0] for accounts in said.values()))
    if differing:
        every = list(product(*said.values()))
        ways = [v for v in every if shape(*v).fits(raw, after, closely=True)]
        if len({(v[0], v[1], *v[3:]) for v in ways}) == 1:
            ways = [min(ways, key=lambda v: v[2])]  # frames of zeros alone fill up the block
        if len(ways) != 1:
            ways = [v for v in every if shape(*v).fits(raw, after, closely=False)]
        what = differing[0]
        if len(ways) != 1:
            listed = " and ".join(map(str, said[what]))
            raise InputError(
                f"{what}: {listed} are stated in the file, and its length does not decide between "
                f"them; {AGAIN}"
            )
        chosen = dict(zip(said, ways[0], strict=True))
        notes += [
            f"{what}: {' and '.join(map(str, said[what]))} are stated in the file; its length "
            f"agrees with {chosen[what]}"
            for what in differing
        ]
        found = shape(*ways[0])
    if found.size == 0:
        raise InputError("holds neither points nor analogue channels; give a file with data")
    if found.begin < after:
        raise InputError(f"its data should start in block {found.begin // _BLOCK + 1}; {AGAIN}")
    held = max(0, len(raw) - found.begin) // found.size
    if held < found.frames:
        raise InputError(
            f"is cut short: it promises {found.frames} frames and holds {held}; copy or export it "
            "again"
        )
    if held - found.frames > math.ceil(_BLOCK / found.size):
        if found.frames >= _COUNT_FULL:
            raise InputError(
                f"holds {held} frames, but its counts end at {found.frames}; export it in shorter "
                "parts"
            )
        notes.append(
            f"the file has room for {held} frames and says it holds {found.frames}; those count"
        )
    return found


def _rate(header: _Header, parameters: Parameters, samples: int, notes: list[str]) -> float:
    """Frames per second, on which the analogue rate and one more statement agree."""
    stated = parameters.first("POINT", "RATE") or 0.0
    analogue = parameters.first("ANALOG", "RATE") or 0.0
    rates = [r for r in (stated, header.rate) if math.isfinite(r) and r > 0.0]
    third = analogue / samples if samples and math.isfinite(analogue) and analogue > 0.0 else 0.0
    if third:
        agreeing = [r for r in rates if math.isclose(r, third, rel_tol=_TOLERANCE)]
        if rates and not agreeing:
            raise InputError(
                f"its rates do not fit: {rates[0]:g} Hz for frames of {samples} samples at "
                f"{analogue:g} Hz; {AGAIN}"
            )
        rates = agreeing or [third]
    if not rates:
        raise InputError(f"states a sample rate of {stated:g} Hz; {AGAIN}")
    if stated and not math.isclose(rates[0], stated, rel_tol=_TOLERANCE):
        notes.append(
            f"sample rate: {stated:g} Hz in the parameters; {rates[0]:g} Hz, as the header and the "
            "analogue rate have it, counts"
        )
    return rates[0]
