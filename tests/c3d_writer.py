"""Write C3D files byte by byte, with every oddity asked for, and say exactly what they hold.

After the public C3D user guide (c3d.org; from memory). Numbers are chosen so that they are exact in
each of the encodings: small whole numbers and powers of two.
"""

import struct
from dataclasses import dataclass, field

import numpy as np

BLOCK = 512
LITTLE, VAX, BIG = 84, 85, 86


def word(number, processor=LITTLE):
    """Sixteen bits, whatever the sign."""
    return struct.pack(">H" if processor == BIG else "<H", int(number) & 0xFFFF)


def real(number, processor=LITTLE):
    """Thirty-two bits; a VAX has another exponent and the halves exchanged."""
    if processor == VAX:
        four = struct.pack("<f", 4.0 * number)
        return four[2:] + four[:2]
    return struct.pack(">f" if processor == BIG else "<f", number)


def record(name, group, data=b"", *, processor=LITTLE, offset=None, text=b""):
    """One record of the chain: a group where its number is negative, else a parameter."""
    body = data + bytes([len(text)]) + text
    step = len(body) + 2 if offset is None else offset
    return struct.pack("bb", len(name), group) + name.encode() + word(step, processor) + body


@dataclass
class File:
    """What goes into a file; ``parts`` may be changed before it is written."""

    processor: int = LITTLE
    real: bool = False
    frames: int = 6
    points: int = 2
    channels: int = 3
    ratio: int = 4
    first: int = 1
    unsigned: bool = False
    scale: float = 0.125
    rate: float = 50.0
    offsets: tuple = (0, 0, 0, 0, 0, 0, 0, 0)
    scales: tuple = (1.0, 0.5, 0.25, 2.0, 1.0, 1.0, 0.5, 0.5)
    general: float = 1.0
    plates: tuple = ()
    more: list = field(default_factory=list)
    """Further records, made up with :func:`record`."""
    leave_out: tuple = ()
    """Parameters that are not written, as ``GROUP:NAME``."""
    change: dict = field(default_factory=dict)
    """Parameter → other number; ``header:N`` is a word of the header."""
    padding: int = 0
    """Blocks between the parameters and the data."""
    blocks_stated: int | None = None
    end: bytes = b"\0\0"
    tail: int = BLOCK
    """The file is filled up to a multiple of this many bytes."""
    largest: int = 65535
    """Of unsigned samples."""
    seed: int = 1

    def __post_init__(self):
        rng = np.random.default_rng(self.seed)
        shape = (self.frames, self.points, 3)
        self.steps = rng.integers(-9000, 9000, shape)
        self.steps[:, :, 0] |= 1  # never all zero
        self.lost = rng.random(shape[:2]) < 0.2
        low, high = (0, self.largest + 1) if self.unsigned else (-32768, 32768)
        if self.real:
            low, high = -1000, 1000
        self.samples = rng.integers(low, high, (self.frames * self.ratio, self.channels))

    # What it holds

    def places(self):
        """Points, shape (frames, points, 3)."""
        places = self.steps * self.scale
        places[self.lost] = np.nan
        return places

    def signals(self):
        """Channels, shape (samples, channels)."""
        offsets = np.array(self.offsets[: self.channels], dtype=float)
        if not self.unsigned:
            offsets = np.where(offsets > 32767, offsets - 65536, offsets)
        return (self.samples - offsets) * np.array(self.scales[: self.channels]) * self.general

    # How it is written

    def numbers(self):
        """Parameters by group, in the order of the file: kind, shape, numbers or text."""
        labels = [f"P{n + 1}" for n in range(self.points)]
        channels = [f"C{n + 1}" for n in range(self.channels)]
        groups = {
            "POINT": {
                "USED": (2, (), [self.points]),
                "SCALE": (4, (), [-self.scale if self.real else self.scale]),
                "RATE": (4, (), [self.rate]),
                "DATA_START": (2, (), [0]),
                "FRAMES": (2, (), [self.frames]),
                "LABELS": text_values(labels),
                "UNITS": text_values(["mm"], flat=True),
            },
            "ANALOG": {
                "USED": (2, (), [self.channels]),
                "RATE": (4, (), [self.rate * self.ratio]),
                "GEN_SCALE": (4, (), [self.general]),
                "FORMAT": text_values(["UNSIGNED" if self.unsigned else "SIGNED"], flat=True),
                "OFFSET": (2, (self.channels,), self.offsets[: self.channels]),
                "SCALE": (4, (self.channels,), self.scales[: self.channels]),
                "LABELS": text_values(channels),
                "UNITS": text_values(["N"] * self.channels),
            },
        }
        if self.plates:
            count, matrices = len(self.plates), [p for p in self.plates if "matrix" in p]
            groups["FORCE_PLATFORM"] = {
                "USED": (2, (), [count]),
                "TYPE": (2, (count,), [p["type"] for p in self.plates]),
                "ZERO": (2, (2,), [1, 0]),
                "CORNERS": (
                    4,
                    (3, 4, count),
                    np.concatenate([np.ravel(p["corners"]) for p in self.plates]),
                ),
                "ORIGIN": (4, (3, count), [0.0] * (3 * count)),
                "CHANNEL": (
                    2,
                    (max(len(p["channels"]) for p in self.plates), count),
                    [c for p in self.plates for c in p["channels"]],
                ),
            }
            if matrices:
                groups["FORCE_PLATFORM"]["CAL_MATRIX"] = (
                    4,
                    (6, 6, count),
                    np.concatenate([np.ravel(p["matrix"], order="F") for p in self.plates]),
                )
        return groups

    def chain(self, data_block):
        """All records of parameters."""
        out = b""
        for number, (group, parameters) in enumerate(self.numbers().items(), start=1):
            out += record(group, -number, processor=self.processor)
            for name, (kind, shape, stated) in parameters.items():
                if f"{group}:{name}" in self.leave_out:
                    continue
                values = [data_block] if name == "DATA_START" else stated
                if f"{group}:{name}" in self.change:
                    values = [self.change[f"{group}:{name}"]]
                out += record(
                    name, number, self.packed(kind, shape, values), processor=self.processor
                )
        return out + b"".join(self.more) + self.end

    def packed(self, kind, shape, values):
        """Values of a parameter with their type and shape."""
        head = struct.pack("bB", kind, len(shape)) + bytes(shape)
        if kind == -1:
            return head + values
        pack = {2: word, 4: real}[kind]
        return head + b"".join(pack(v, self.processor) for v in values)

    def data(self):
        """Frames of points and samples."""
        pack = real if self.real else word
        out = []
        for frame in range(self.frames):
            for point in range(self.points):
                places = self.steps[frame, point] * (self.scale if self.real else 1)
                mark = -1 if self.lost[frame, point] else 3
                out += [pack(n, self.processor) for n in (*places, mark)]
            rows = self.samples[frame * self.ratio : (frame + 1) * self.ratio]
            out += [pack(n, self.processor) for n in rows.ravel()]
        return b"".join(out)

    def written(self):
        """Bytes of the file."""
        length = 4 + len(self.chain(0))
        blocks = -(-length // BLOCK)
        data_block = 2 + blocks + self.padding
        stated = blocks if self.blocks_stated is None else self.blocks_stated
        section = bytes([1, 0x50, stated, self.processor]) + self.chain(data_block)
        words = [self.points, self.channels * self.ratio, self.first]
        words += [self.first + self.frames - 1, 10]
        head = bytes([2, 0x50]) + b"".join(word(n, self.processor) for n in words)
        head += real(-self.scale if self.real else self.scale, self.processor)
        head += word(data_block, self.processor) + word(self.ratio, self.processor)
        head = bytearray((head + real(self.rate, self.processor)).ljust(BLOCK, b"\0"))
        for key, value in self.change.items():
            if key.startswith("header:"):
                place = 2 * int(key.removeprefix("header:"))
                head[place : place + 2] = word(value, self.processor)
        raw = bytes(head) + section.ljust((blocks + self.padding) * BLOCK, b"\0") + self.data()
        return raw.ljust(-(-len(raw) // self.tail) * self.tail, b"\0")


def text_values(texts, *, flat=False):
    """Texts of one width, side by side."""
    width = max([1, *map(len, texts)])
    data = b"".join(t.encode().ljust(width) for t in texts)
    return -1, (width,) if flat else (width, len(texts)), data
