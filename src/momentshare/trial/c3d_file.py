"""What a layout asks of a C3D file: markers, channels and platforms, found by their labels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.trial.c3d_data import C3d
from momentshare.trial.c3d_plates import plate_channels, plate_count, plate_force
from momentshare.trial.layout import Raw, suggestion, unit_factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.trial.layout import Wanted

__all__ = ["read_c3d"]


def read_c3d(raw: bytes, wanted: Sequence[Wanted]) -> tuple[list[Raw], list[str], list[str]]:
    """Read what a layout asks for.

    Parameters
    ----------
    raw : bytes
        The whole file.
    wanted : sequence of Wanted

    Returns
    -------
    signals : list of Raw
        In the file's units and the laboratory's axes.
    faults, notes : list of str
        What cannot be used, and what had to be decided.

    Raises
    ------
    InputError
        When the file is damaged; the message does not name it.
    """
    finder = _Finder(file=C3d.read(raw))
    signals: list[Raw] = []
    faults: list[str] = []
    notes = list(finder.file.notes)
    for want in wanted:
        found, fault, note = finder.find(want)
        faults += fault
        notes += note
        if found is not None:
            signals.append(found)
    return signals, faults, notes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finder:
    """Finds signals in a file."""

    file: C3d

    def find(self, want: Wanted) -> tuple[Raw | None, list[str], list[str]]:
        """Return one signal, faults and notes."""
        if want.plate:
            values, units, faults = self._platform(want)
        elif want.kind == "markers":
            values, units, faults = self._marker(want)
        else:
            values, units, faults = self._channels(want)
        if faults:
            return None, faults, []
        unit, faults, notes = _unit(want, units)
        if faults:
            return None, faults, []
        rate = self.file.rate if want.kind == "markers" else self.file.analog_rate
        signal = Raw(wanted=want, values=values, rate=rate, start=self.file.start, unit=unit)
        return signal, [], notes

    def _marker(self, want: Wanted) -> tuple[NDArray[np.float64], list[str], list[str]]:
        (label,) = want.labels
        place, faults = _place(want, label, self.file.point_labels, "marker")
        if place is None:
            return np.empty(0), [], faults
        return self.file.point(place), [self.file.point_unit], []

    def _channels(self, want: Wanted) -> tuple[NDArray[np.float64], list[str], list[str]]:
        columns, used, faults = [], [], []
        samples = self.file.accounts.frames * self.file.accounts.samples_per_frame
        for label in want.labels:
            if not label:
                columns.append(np.full(samples, np.nan))
                continue
            place, fault = _place(want, label, self.file.analog_labels, "analogue channel")
            faults += fault
            if place is not None:
                columns.append(self.file.analog(place))
                used.append(self.file.analog_units[place])
        if faults:
            return np.empty(0), [], faults
        return (columns[0] if len(columns) == 1 else np.stack(columns, axis=-1)), used, []

    def _platform(self, want: Wanted) -> tuple[NDArray[np.float64], list[str], list[str]]:
        count = plate_count(self.file)
        if want.plate > count:
            held = f"it holds {count}" if count else "it holds none"
            return np.empty(0), [], [f"{want.role}: there is no platform {want.plate}; {held}"]
        values, fault = plate_force(self.file, want.plate, self.file.analog)
        if fault:
            return np.empty(0), [], [f"{want.role}: platform {want.plate} {fault}"]
        kind, channels, _ = plate_channels(self.file, want.plate)
        # The calibration matrix of type 4 turns volts into forces.
        units = [] if kind == 4 else [self.file.analog_units[c] for c in channels]
        return values, units, []


def _place(
    want: Wanted, label: str, labels: Sequence[str], what: str
) -> tuple[int | None, list[str]]:
    """Place of a label, or a fault."""
    count = labels.count(label)
    if count == 1:
        return labels.index(label), []
    if count:
        fault = f"{count} {what}s are called {label!r}; rename them in the file"
    else:
        fault = f"there is no {what} {label!r}; {suggestion(label, labels, f'{what}s')}"
    return None, [f"{want.role}: {fault}"]


def _unit(want: Wanted, given: Sequence[str]) -> tuple[str, list[str], list[str]]:
    """Return the unit of a signal: the file's, or the layout's where the file has none."""
    stated = sorted({unit for unit in given if unit})
    factors = {unit_factor(want.kind, unit) for unit in stated}
    if not stated and want.unit:
        note = f"{want.name}: the file states no unit; {want.unit} is taken from the layout"
        return want.unit, [], [note]
    if not stated:
        fault = f"the file states no unit; add units.{want.kind} to the layout"
    elif None in factors:
        fault = f"the file's unit {', '.join(map(repr, stated))} is not known for {want.kind}"
    elif len(factors) > 1:
        fault = f"its components have different units: {', '.join(stated)}"
    elif want.unit and unit_factor(want.kind, want.unit) not in factors:
        fault = (
            f"the file says {stated[0]}, the layout {want.unit}; take units.{want.kind} out of "
            "the layout if the file is right"
        )
    else:
        return stated[0], [], []
    return "", [f"{want.name}: {fault}"], []
