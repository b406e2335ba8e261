"""The signals that a layout requests from a C3D file, found by their labels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from momentshare.trial.formats.c3d_data import C3d
from momentshare.trial.formats.c3d_plates import plate_channels, plate_count, plate_force
from momentshare.trial.formats.corrections import Column, combined, common_unit, corrected, resolved
from momentshare.trial.formats.layout import directions, suggestion
from momentshare.trial.formats.wanted import Raw

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.formats.wanted import SignalEntry, Wanted

__all__ = ["read_c3d"]


def read_c3d(
    raw: bytes, layout: LayoutEntry, wanted: Sequence[Wanted]
) -> tuple[list[Raw], list[str], list[str]]:
    """Read what a layout requests.

    Parameters
    ----------
    raw : bytes
        The whole file.
    layout : LayoutEntry
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
    finder = _Finder(file=C3d.read(raw), fixes=layout.signals)
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
    """Finds signals in a file; ``fixes`` are the layout's corrections, by label."""

    file: C3d
    fixes: Mapping[str, SignalEntry]

    def find(self, want: Wanted) -> tuple[Raw | None, list[str], list[str]]:
        """Return one signal, faults and notes."""
        if want.plate:
            return self._platform(want)
        marker = want.kind == "markers"
        labels = self.file.point_labels if marker else self.file.analog_labels
        want, notes = resolved(want, labels)
        if lacking := want.lacking(labels):
            return None, [], [lacking]
        columns: list[Column] = []
        faults: list[str] = []
        for label, fix in zip(want.labels, want.fixes, strict=True):
            if not label:
                continue
            place, fault = _place(want, label, labels, "marker" if marker else "analogue channel")
            faults += fault
            if place is not None:
                columns.append(self._column(place, fix, marker=marker))
        if faults:
            return None, faults, []
        rate = self.file.rate if marker else self.file.analog_rate
        count = self.file.accounts.frames * (1 if marker else self.file.accounts.samples_per_frame)
        signal, faults, told = combined(want, columns, rate, self.file.start, count)
        return signal, faults, [*notes, *told]

    def _column(self, place: int, fix: SignalEntry | None, *, marker: bool) -> Column:
        file = self.file
        if marker:
            label, unit = file.point_labels[place], file.point_unit
            return Column(label=label, values=file.point(place), unit=unit, fix=fix)
        label, unit = file.analog_labels[place], file.analog_units[place]
        return Column(label=label, values=file.analog(place), unit=unit, fix=fix)

    def _platform(self, want: Wanted) -> tuple[Raw | None, list[str], list[str]]:
        file, count = self.file, plate_count(self.file)
        if want.plate > count:
            held = f"it holds {count}" if count else "it holds none"
            return None, [f"{want.role}: there is no platform {want.plate}; {held}"], []
        kind, channels, fault = plate_channels(file, want.plate)
        if fault:
            return None, [f"{want.role}: platform {want.plate} {fault}"], []
        rate, start = file.analog_rate, file.start
        values: dict[int, NDArray[np.float64]] = {}
        delays, units, faults, notes = set(), [], [], []
        for place in channels:
            fix = self._fix(file.analog_labels[place])
            column = self._column(place, fix, marker=False)
            values[place], unit, wrong, told = corrected(column, rate, start)
            faults += [f"{want.role}: {f}" for f in wrong]
            notes += [f"{want.role}: {t}" for t in told]
            units.append(unit)
            delays.add(0.0 if fix is None else fix.delay_s)
        if len(delays) > 1:
            faults.append(f"{want.name}: its channels have different delays")
        axes = None if want.axes is None else directions(want.axes)
        force, fault = plate_force(file, want.plate, values.__getitem__, axes)
        if fault:
            faults.append(f"{want.role}: platform {want.plate} {fault}")
        # The calibration matrix of type 4 converts volts into forces.
        unit, wrong, told = common_unit(want, [] if kind == 4 else units)
        if faults or wrong:
            return None, [*faults, *wrong], []
        signal = Raw(
            wanted=replace(want, axes=None),  # along the laboratory's axes already
            values=force,
            rate=rate,
            start=start - delays.pop(),
            unit=unit,
        )
        return signal, [], [*notes, *told]

    def _fix(self, label: str) -> SignalEntry | None:
        """Return the layout's correction of a channel, under one of its names."""
        if label in self.fixes:
            return self.fixes[label]
        return next((fix for fix in self.fixes.values() if label in fix.also), None)


def _place(
    want: Wanted, label: str, labels: Sequence[str], what: str
) -> tuple[int | None, list[str]]:
    """Index of a label, or a fault."""
    count = labels.count(label)
    if count == 1:
        return labels.index(label), []
    if count:
        fault = f"{count} {what}s are called {label!r}; rename them in the file"
    else:
        fault = f"there is no {what} {label!r}; {suggestion(label, labels, f'{what}s')}"
    return None, [f"{want.role}: {fault}"]
