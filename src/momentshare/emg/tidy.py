"""Check a table of electromyograms and activation, and put its curves on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from momentshare.errors import InputError

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["COLUMNS", "Curve", "Curves", "read_curves"]

KEYS = ("person", "condition", "head")
NUMBERS = ("lift_percent", "emg", "activation")
COLUMNS = KEYS + NUMBERS
"""Columns that a table needs; others are ignored."""

_DIGITS = 6
"""Decimals of a lift percent that count; further ones are rounding."""

_EVEN = 0.01
"""Share by which steps of the grid may differ; rounding in files."""

_ROUNDING = 1e-6
"""Distance outside 0 to 1 at which an activation still counts as within."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """One head of one person in one condition; NaN where a sample is missing."""

    person: str
    condition: str
    head: str
    emg: NDArray[np.float64]
    activation: NDArray[np.float64]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where both are known."""
        return np.asarray(~np.isnan(self.emg))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """All curves on one grid of lift percent, heads and conditions as they first appear."""

    grid: NDArray[np.float64]
    heads: tuple[str, ...]
    conditions: tuple[str, ...]
    curves: tuple[Curve, ...]
    notes: tuple[str, ...]

    def of(self, head: str, condition: str) -> list[Curve]:
        """Curves of one head in one condition, people in order of their names."""
        return [c for c in self.curves if (c.head, c.condition) == (head, condition)]


def read_curves(table: pd.DataFrame) -> Curves:
    """Check every column and return the curves.

    A sample without EMG or without activation counts as missing, in both.

    Raises
    ------
    InputError
        Naming column, row (from 1) and value.
    """
    import pandas as pd

    if not isinstance(table, pd.DataFrame):
        raise InputError(f"table: must be a DataFrame; got {type(table).__name__}")
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise InputError(
            f"table: must have the columns {', '.join(COLUMNS)}; missing: {', '.join(missing)}"
        )
    if table.empty:
        raise InputError("table: must have at least one row; got none")
    names = {key: _names(table[key], key) for key in KEYS}
    numbers = {key: _numbers(table[key], key) for key in NUMBERS}
    _check_ranges(numbers)
    percent = np.round(numbers["lift_percent"], _DIGITS)
    frame = pd.DataFrame({**names, "lift_percent": percent})
    double = np.flatnonzero(frame.duplicated().to_numpy())
    if double.size:
        row = frame.iloc[double[0]]
        raise InputError(
            f"table: row {double[0] + 1}: a second sample of {row['person']!r}, "
            f"{row['condition']!r}, {row['head']!r} at {row['lift_percent']:g} %; average "
            "repetitions first and keep one treatment of the lateral force"
        )
    grid = np.unique(percent)
    _check_even(grid)
    return _laid_out(frame, numbers, grid)


def _laid_out(
    frame: pd.DataFrame, numbers: dict[str, NDArray[np.float64]], grid: NDArray[np.float64]
) -> Curves:
    heads = tuple(frame["head"].unique())
    conditions = tuple(frame["condition"].unique())
    place = np.searchsorted(grid, frame["lift_percent"].to_numpy())
    known = np.isfinite(numbers["emg"]) & np.isfinite(numbers["activation"])
    curves, notes = [], []
    groups = frame.groupby(list(KEYS), sort=True).indices
    for key, indices in groups.items():
        person, condition, head = (str(part) for part in cast("tuple[str, ...]", key))
        rows = np.asarray(indices)
        use = rows[known[rows]]
        name = f"{head}, {condition!r}, {person!r}"
        if use.size == 0:
            notes.append(f"{name}: no sample with both EMG and activation; left out")
            continue
        if use.size < grid.size:
            notes.append(f"{name}: {grid.size - use.size} of {grid.size} samples are missing")
        emg = np.full(grid.size, np.nan)
        activation = np.full(grid.size, np.nan)
        emg[place[use]] = numbers["emg"][use]
        activation[place[use]] = numbers["activation"][use]
        curves.append(
            Curve(
                person=person,
                condition=condition,
                head=head,
                emg=emg,
                activation=activation,
            )
        )
    if not curves:
        raise InputError("table: no row has both EMG and activation; nothing to compare")
    return Curves(
        grid=grid,
        heads=heads,
        conditions=conditions,
        curves=tuple(curves),
        notes=(*notes, *_lacking(curves, heads, conditions)),
    )


def _lacking(curves: list[Curve], heads: tuple[str, ...], conditions: tuple[str, ...]) -> list[str]:
    """Name the people who lack a condition that others have, head by head."""
    notes = []
    have = {(c.head, c.condition, c.person) for c in curves}
    for head in heads:
        people = sorted({c.person for c in curves if c.head == head})
        for condition in conditions:
            without = [p for p in people if (head, condition, p) not in have]
            if without:
                notes.append(f"{head}: {condition!r} was not measured in {', '.join(without)}")
    return notes


def _names(column: pd.Series, name: str) -> NDArray[np.object_]:
    empty = np.flatnonzero(column.isna().to_numpy())
    if empty.size:
        raise InputError(f"table: row {empty[0] + 1}: {name}: must be a name; got nothing")
    return np.array([str(value) for value in column], dtype=object)


def _numbers(column: pd.Series, name: str) -> NDArray[np.float64]:
    try:
        return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan))
    except (TypeError, ValueError):
        for row, value in enumerate(column, start=1):
            try:
                float(value)
            except (TypeError, ValueError) as error:
                raise InputError(
                    f"table: row {row}: {name}: must be a number; got {value!r}"
                ) from error
        raise


def _check_ranges(numbers: dict[str, NDArray[np.float64]]) -> None:
    emg, activation = numbers["emg"], numbers["activation"]
    percent = numbers["lift_percent"]
    outside = (activation < -_ROUNDING) | (activation > 1.0 + _ROUNDING)
    checks = (
        ("lift_percent", "between 0 and 100", ~((percent >= 0.0) & (percent <= 100.0)), ""),
        ("emg", "at least 0 and finite", (emg < 0.0) | np.isinf(emg), "; give the envelope"),
        ("activation", "between 0 and 1", outside, ""),
    )
    for name, rule, bad, remedy in checks:
        rows = np.flatnonzero(bad)
        if rows.size:
            raise InputError(
                f"table: row {rows[0] + 1}: {name}: must be {rule}; got "
                f"{float(numbers[name][rows[0]])!r} ({rows.size} such rows){remedy}"
            )


def _check_even(grid: NDArray[np.float64]) -> None:
    steps = np.diff(grid)
    if steps.size and steps.max() > (1.0 + _EVEN) * steps.min():
        raise InputError(
            f"table: lift_percent: must be one even grid for all curves; got {grid.size} different "
            f"values with steps from {steps.min():g} to {steps.max():g}; resample all curves to "
            "the same percents, such as 0, 1, … 100"
        )
