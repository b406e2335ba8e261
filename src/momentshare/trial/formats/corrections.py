"""A layout's corrections of a signal: name, unit, gain, zero, delay.

A corrected value is (value − zero) × factor ÷ gain, in the unit the layout gives or the file's. A
delay is how much later the signal appears in the file than it happened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.trial.formats.signal_units import SI, of_another_kind, unit_factor
from momentshare.trial.formats.wanted import Raw, SignalEntry, Wanted

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray


__all__ = ["Column", "combined", "common_unit", "corrected", "resolved"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a file: values and the unit the file states, or an empty text."""

    label: str
    values: NDArray[np.float64]
    unit: str = ""
    fix: SignalEntry | None = None


def resolved(want: Wanted, labels: Collection[str]) -> tuple[Wanted, list[str]]:
    """Replace a label by another of its names, if the file has one of those; return notes too."""
    names = list(want.labels)
    notes = []
    for index, (label, fix) in enumerate(zip(want.labels, want.fixes, strict=True)):
        if not label or label in labels or fix is None:
            continue
        ending = label.removeprefix(want.stem) if want.stem and fix is want.stem_fix else ""
        other = next((o + ending for o in fix.also if o + ending in labels), None)
        if other is not None:
            names[index] = other
            notes.append(f"{want.role}: {label!r} appears as {other!r} in this file")
    return replace(want, labels=tuple(names)), notes


def corrected(
    column: Column, rate: float, start: float
) -> tuple[NDArray[np.float64], str, list[str], list[str]]:
    """Apply the layout's correction.

    Parameters
    ----------
    column : Column
    rate : float
        [Hz]
    start : float
        Time of the first value on the file's clock [s].

    Returns
    -------
    values : float array
    unit : str
        The layout's or the file's.
    faults, notes : list of str
    """
    fix, values, unit = column.fix, column.values, column.unit
    if fix is None:
        return values, unit, [], []
    notes = []
    if fix.unit is not None:
        if unit and unit != fix.unit:
            notes.append(
                f"{column.label!r}: the file says {unit!r}; {fix.unit} is taken from the layout"
            )
        unit = fix.unit
    zero = fix.zero or 0.0
    if fix.zero_s is not None:
        first, last = (round((t - start) * rate) for t in fix.zero_s)
        stretch = values[max(first, 0) : max(last, 0)]
        held = np.isfinite(stretch).any(axis=0) if len(stretch) else np.array(False)
        if not np.all(held):
            begin, end = fix.zero_s
            return values, unit, [f"{column.label!r}: has no value from {begin:g} to {end:g} s"], []
        zero = np.nanmean(stretch, axis=0)
    return (values - zero) * ((fix.factor or 1.0) / (fix.gain or 1.0)), unit, [], notes


def combined(
    want: Wanted, columns: Sequence[Column], rate: float, start: float, count: int
) -> tuple[Raw | None, list[str], list[str]]:
    """Assemble the columns of a signal; an empty label is a component that was not measured.

    Returns
    -------
    signal : Raw or None
    faults, notes : list of str
    """
    faults: list[str] = []
    notes: list[str] = []
    parts, units = [], []
    for column in columns:
        values, unit, wrong, told = corrected(column, rate, start)
        parts.append(values)
        units.append(unit)
        faults += [f"{want.role}: {fault}" for fault in wrong]
        notes += [f"{want.role}: {note}" for note in told]
    delays = {0.0 if c.fix is None else c.fix.delay_s for c in columns}
    if len(delays) > 1:
        shown = ", ".join(f"{d:g}" for d in sorted(delays))
        faults.append(f"{want.name}: its components have different delays: {shown} s")
    if faults:
        return None, faults, []
    known = [unit_factor(want.kind, unit) for unit in units]
    if any(c.fix is not None and c.fix.unit for c in columns) and None not in known:
        parts = [p * f for p, f in zip(parts, known, strict=True) if f is not None]
        unit = SI[want.kind]
    else:
        unit, faults, told = common_unit(want, units)
        notes += told
        if faults:
            return None, faults, []
    found = iter(parts)
    if len(want.labels) > 1:
        empty = np.full(count, np.nan)
        values = np.stack([next(found) if label else empty for label in want.labels], axis=-1)
    else:
        values = next(found)
    signal = Raw(
        wanted=want, values=np.array(values), rate=rate, start=start - delays.pop(), unit=unit
    )
    return signal, [], notes


def common_unit(want: Wanted, given: Sequence[str]) -> tuple[str, list[str], list[str]]:
    """Return the unit of a signal, faults and notes.

    The unit is the file's, or the layout's if the file has none or an unknown one.
    """
    stated = sorted({unit for unit in given if unit})
    factors = {unit_factor(want.kind, unit) for unit in stated}
    listed = ", ".join(map(repr, stated))
    if not stated and want.unit:
        return (
            want.unit,
            [],
            [f"{want.name}: the file states no unit; {want.unit} is taken from the layout"],
        )
    if not stated:
        fault = f"the file states no unit; add units.{want.kind} to the layout"
    elif None in factors and any(of_another_kind(want.kind, unit) for unit in stated):
        fault = (
            f"the file's unit {listed} is not known for {want.kind}; if the label is right, give "
            'unit and factor under signals."LABEL" in the layout'
        )
    elif None in factors and want.unit and len(stated) == 1:
        note = f"the file's unit {listed} is not known; {want.unit} is taken from the layout"
        return want.unit, [], [f"{want.name}: {note}"]
    elif None in factors:
        fault = (
            f"the file's unit {listed} is not known for {want.kind}; add units.{want.kind} to the "
            "layout"
        )
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
