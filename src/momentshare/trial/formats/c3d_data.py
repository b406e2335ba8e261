"""Data of a C3D file: points and analogue samples, whichever machine wrote them.

Whole numbers are scaled here: a point by the scale of points, a sample by
(number − offset) × scale of the channel × general scale. Layout of the format: the public C3D user
guide (c3d.org; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.trial.formats.c3d_header import AGAIN, Accounts, walk

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["C3d"]


@dataclass(frozen=True, kw_only=True, eq=False)
class C3d:
    """A C3D file whose columns are decoded on demand."""

    accounts: Accounts
    words: NDArray[np.generic]
    point_labels: tuple[str, ...]
    analog_labels: tuple[str, ...]
    analog_units: tuple[str, ...]
    point_unit: str
    notes: tuple[str, ...]

    @classmethod
    def read(cls, raw: bytes) -> C3d:
        """Read a file.

        Raises
        ------
        InputError
            If it is damaged; the message does not name it.
        """
        accounts = walk(raw)
        parameters = accounts.parameters
        width = 4 * accounts.points + accounts.channels * accounts.samples_per_frame
        encoding = parameters.encoding
        kind = "i2" if accounts.scale else "f4"
        order = encoding.order
        if kind == "f4" and encoding.vax:
            kind = "u4"
        words = np.frombuffer(
            raw, dtype=f"{order}{kind}", count=accounts.frames * width, offset=accounts.begin
        ).reshape(accounts.frames, width)
        notes = list(accounts.notes)
        units = parameters.texts("POINT", "UNITS")
        return cls(
            accounts=accounts,
            words=words,
            point_labels=_labels(parameters.texts("POINT", "LABELS"), accounts.points, notes),
            analog_labels=_labels(parameters.texts("ANALOG", "LABELS"), accounts.channels, notes),
            analog_units=_filled(parameters.texts("ANALOG", "UNITS"), accounts.channels),
            point_unit=units[0] if units else "",
            notes=tuple(notes),
        )

    @property
    def rate(self) -> float:
        """Frames per second [Hz]."""
        return self.accounts.rate

    @property
    def analog_rate(self) -> float:
        """Analogue samples per second [Hz]."""
        return self.accounts.rate * self.accounts.samples_per_frame

    @property
    def start(self) -> float:
        """Time of the first frame [s]; frame 1 is at 0."""
        return max(self.accounts.first - 1, 0) / self.rate

    def point(self, index: int) -> NDArray[np.float64]:
        """Course of a point, shape (frames, 3), in the file's unit; NaN where it was lost."""
        words = self.words[:, 4 * index : 4 * index + 4]
        numbers = self._reals(words)
        lost = numbers[:, 3] <= -1.0  # the fourth number has a sign for this
        places = numbers[:, :3] * (self.accounts.scale or 1.0)
        lost |= ~np.isfinite(places).all(axis=1) | (places == 0.0).all(axis=1)
        places[lost] = np.nan
        return places

    def analog(self, index: int) -> NDArray[np.float64]:
        """Course of a channel, shape (samples,), in the file's unit."""
        accounts = self.accounts
        words = self.words[:, 4 * accounts.points + index :: accounts.channels]
        if accounts.scale and self._unsigned:
            words = words.view(f"{accounts.parameters.encoding.order}u2")
        numbers = self._reals(words).ravel()
        offsets, scales, general = self._transform
        scaled: NDArray[np.float64] = (numbers - offsets[index]) * scales[index] * general
        return scaled

    def _reals(self, words: NDArray[np.generic]) -> NDArray[np.float64]:
        if words.dtype.kind == "u" and words.dtype.itemsize == 4:
            return self.accounts.parameters.encoding.from_vax(words.astype("<u4"))
        return words.astype(float)

    @cached_property
    def _unsigned(self) -> bool:
        """Whether analogue numbers of 16 bits, offsets too, have no sign."""
        texts = self.accounts.parameters.texts("ANALOG", "FORMAT")
        return bool(texts) and texts[0].upper() == "UNSIGNED"

    @cached_property
    def _transform(self) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        """Offset and scale of every channel, and the scale of all."""
        parameters, count = self.accounts.parameters, self.accounts.channels
        found = []
        for name, default in (("OFFSET", 0.0), ("SCALE", 1.0)):
            values = parameters.numbers("ANALOG", name, signed=not self._unsigned)
            if not values.size:
                values = np.full(count, default)
            if values.size < count:
                raise InputError(
                    f"ANALOG:{name} has {values.size} values for {count} channels; {AGAIN}"
                )
            found.append(values)
        general = parameters.first("ANALOG", "GEN_SCALE")
        return found[0], found[1], 1.0 if general is None else general


def _labels(found: list[str], count: int, notes: list[str]) -> tuple[str, ...]:
    if len(found) < count:
        notes.append(f"{count - len(found)} of {count} columns have no label")
    return _filled(found, count)


def _filled(texts: list[str], count: int) -> tuple[str, ...]:
    return tuple([*texts, *[""] * count][:count])
