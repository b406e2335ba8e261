"""What a layout requests from a file, its corrections, and what was found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from momentshare.study.schema import Entry, Finite, plain_text
from momentshare.trial.formats.signal_units import KINDS, known_units, unit_factor

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy as np
    from numpy.typing import NDArray

__all__ = ["LEFT_OUT", "Kind", "Raw", "SignalEntry", "Wanted"]

Kind = Literal["markers", "forces", "angles", "emg"]

LEFT_OUT = "not in the file; left out"
"""End of the note on an optional signal that a file lacks."""

_ALSO = Annotated[str, Field(min_length=1, max_length=200)]


class SignalEntry(Entry):
    """One ``[layout.signals."LABEL"]``: corrections of what the file states."""

    also: Annotated[list[_ALSO], Field(max_length=20, default_factory=list)]
    unit: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    gain: Annotated[Finite, Field(gt=0.0)] | None = None
    factor: Finite | None = None
    zero: Finite | None = None
    zero_s: tuple[Finite, Finite] | None = None
    delay_s: Annotated[Finite, Field(ge=-10.0, le=10.0)] = 0.0

    @model_validator(mode="after")
    def _sensible(self) -> SignalEntry:
        for name in self.also:
            plain_text(name)
        if self.unit is not None and all(unit_factor(k, self.unit) is None for k in KINDS):
            known = ", ".join(unit for kind in KINDS for unit in known_units(kind))
            raise ValueError(f"unit: must be one of {known}; got {self.unit!r}")
        if self.factor == 0.0:
            raise ValueError("factor: must not be 0")
        if self.zero is not None and self.zero_s is not None:
            raise ValueError("give either zero or zero_s; got both")
        if self.zero_s is not None and not self.zero_s[0] < self.zero_s[1]:
            raise ValueError(
                f"zero_s: must be the beginning and end of a stretch in seconds; got {self.zero_s}"
            )
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One signal that a layout requests from a file.

    ``labels`` are one label, or three for the components along the laboratory's x, y and z;
    an empty one was not measured. ``plate`` is the number of a force platform instead, from 1.
    ``unit`` is the layout's, or empty. ``stem`` is the layout's label if ``labels`` are made of it
    and the layout's endings (``axes``). ``fixes`` are the layout's corrections of each label,
    ``stem_fix`` of all of them. ``axes`` are the directions of a sensor's axes.
    An ``optional`` signal that a file lacks is no fault.
    """

    role: str
    kind: Kind
    labels: tuple[str, ...] = ()
    plate: int = 0
    unit: str = ""
    stem: str = ""
    fixes: tuple[SignalEntry | None, ...] = ()
    stem_fix: SignalEntry | None = None
    axes: tuple[str, str, str] | None = None
    optional: bool = False

    @property
    def name(self) -> str:
        """Name for messages: role and where it comes from."""
        source = f"platform {self.plate}" if self.plate else ", ".join(map(repr, self.labels))
        return f"{self.role} ({source})"

    def lacking(self, labels: Collection[str]) -> str:
        """Note that an optional signal is not in a file with these labels; empty if it is."""
        lost = [x for x in self.labels if x and x not in labels]
        if not (self.optional and lost):
            return ""
        return f"{self.role}: {', '.join(map(repr, lost))} {LEFT_OUT}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raw:
    """One signal as in the file: the file's unit, the laboratory's axes.

    ``values`` has shape (samples,) or (samples, 3), NaN where nothing was recorded.
    """

    wanted: Wanted
    values: NDArray[np.float64]
    rate: float
    start: float
    unit: str
