"""Contents of a laboratory's file: labels, units, rates, platforms, gaps; without a layout."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError
from momentshare.trial.formats.c3d_data import C3d
from momentshare.trial.formats.c3d_plates import plate_channels, plate_count
from momentshare.trial.formats.layout import format_by_ending
from momentshare.trial.formats.read import file_bytes
from momentshare.trial.formats.signal_units import KINDS, unit_factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["Contents", "Platform", "Signal", "Text", "file_contents"]

_DELIMITERS = (",", ";", "\t", "|")
_MOST_ABOVE = 60
"""Rows among which the first row of data is looked for (common practice, no source)."""

_LEAST_ROWS = 3

_LONGEST_CELL = 60
"""Characters of a cell that a message shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One label of a file.

    ``missing`` counts samples that are lost or empty, ``longest_gap`` is their longest run [s];
    ``least`` and ``greatest`` are in the file's unit, of a marker over its three coordinates;
    ``middle`` is the median, of a marker one for each coordinate.
    """

    kind: str
    label: str
    unit: str
    rate: float
    samples: int
    missing: int
    longest_gap: float
    least: float
    greatest: float
    middle: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Platform:
    """One force platform."""

    number: int
    type: int
    channels: tuple[str, ...]
    fault: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """How a text file is laid out, as far as its rows show."""

    delimiter: str
    decimal: str
    header_rows: tuple[int, ...]
    units_row: int | None
    first_row: int
    time_column: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """Everything that a file holds."""

    source: str
    format: str
    start: float
    duration: float
    signals: tuple[Signal, ...]
    platforms: tuple[Platform, ...] = ()
    upward: str = ""
    text: Text | None = None
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return a record ready for JSON."""
        return asdict(self)


def file_contents(path: str | Path) -> Contents:
    """Inspect a C3D, CSV or Parquet file.

    Raises
    ------
    InputError
        If it cannot be read; the message names it.
    """
    place = Path(path)
    if place.suffix.lower() == ".toml" and place.is_file():
        raise InputError(
            f"{place}: is a study file or a layout, not a measured one; 'momentshare check' reads "
            "and checks the trials of a cohort study"
        )
    raw, notes = file_bytes(place)
    file_format = "c3d" if raw[1:2] == b"\x50" and raw[0] < 10 else format_by_ending(place.suffix)
    if raw[:4] == b"PAR1":
        file_format = "parquet"
    reader = {"c3d": _of_c3d, "parquet": _of_parquet}.get(str(file_format), _of_text)
    try:
        with np.errstate(all="ignore"):  # absurd numbers overflow and are shown as they are
            return reader(str(place), raw, notes)
    except InputError as err:
        raise InputError(f"{place}: {err}", err.faults) from err


def _of_c3d(source: str, raw: bytes, notes: Sequence[str]) -> Contents:
    file = C3d.read(raw)
    signals = [
        _signal("marker", label, file.point_unit, file.rate, file.point(n))
        for n, label in enumerate(file.point_labels)
    ]
    signals += [
        _signal("channel", label, unit, file.analog_rate, file.analog(n))
        for n, (label, unit) in enumerate(zip(file.analog_labels, file.analog_units, strict=True))
    ]
    platforms = []
    for number in range(1, min(plate_count(file), 100) + 1):
        kind, channels, fault = plate_channels(file, number)
        labels = tuple(file.analog_labels[c] for c in channels if c < len(file.analog_labels))
        platforms.append(Platform(number=number, type=kind, channels=labels, fault=fault))
    screen = file.accounts.parameters.texts("POINT", "Y_SCREEN")
    upward = screen[0].lower() if screen and screen[0].lower() in _AXES else ""
    return Contents(
        source=source,
        format="c3d",
        start=file.start,
        duration=file.accounts.frames / file.rate,
        signals=tuple(signals),
        platforms=tuple(platforms),
        upward=upward,
        notes=(*notes, *file.notes),
    )


_AXES = ("+x", "-x", "+y", "-y", "+z", "-z")


def _signal(kind: str, label: str, unit: str, rate: float, values: NDArray[np.float64]) -> Signal:
    flat = values if values.ndim == 1 else values.reshape(len(values), -1)
    lost = ~np.isfinite(flat) if flat.ndim == 1 else ~np.isfinite(flat).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], lost.astype(int), [0]))))
    longest = int(np.diff(edges)[::2].max()) if len(edges) else 0
    seen = values[np.isfinite(values)]
    return Signal(
        kind=kind,
        label=label,
        unit=unit,
        rate=rate,
        samples=len(values),
        missing=int(lost.sum()),
        longest_gap=longest / rate if rate > 0.0 else 0.0,
        least=float(seen.min()) if seen.size else float("nan"),
        greatest=float(seen.max()) if seen.size else float("nan"),
        middle=tuple(_middle(column) for column in np.atleast_2d(flat.T)),
    )


def _middle(values: NDArray[np.float64]) -> float:
    seen = values[np.isfinite(values)]
    return float(np.median(seen)) if seen.size else float("nan")


def _of_parquet(source: str, raw: bytes, notes: Sequence[str]) -> Contents:
    from momentshare.trial.formats.table_file import parquet_columns

    columns = parquet_columns(raw)
    return _of_columns(source, "parquet", columns, dict.fromkeys(columns, ""), None, notes)


def _of_text(source: str, raw: bytes, notes: Sequence[str]) -> Contents:
    from momentshare.trial.formats.table_file import decoded

    lines = decoded(raw).split("\n")
    delimiter, decimal, first = _first_row(lines)
    above = [_cells(line, delimiter) for line in lines[:first]]
    width = len(_cells(lines[first], delimiter))
    rows = [n for n, cells in enumerate(above) if sum(map(bool, cells)) > width / 4]
    units_row = None
    if len(rows) > 1 and _are_units(above[rows[-1]]):
        units_row = rows.pop()
    if not rows:
        raise InputError("there is no row of names above the numbers; add one")
    _refuse_numbers(above, rows, decimal)
    names = rows[-2:] if len(rows) > 1 and rows[-2] == rows[-1] - 1 else rows[-1:]
    if len(names) == 2 and len(set(filter(None, above[names[1]]))) > width / 2:
        names = names[1:]  # the lower row distinguishes the columns on its own
    filled = [[*above[n], *[""] * width][:width] for n in names]
    for upper in filled[:-1]:
        for place in range(1, width):
            upper[place] = upper[place] or upper[place - 1]
    labels = [" ".join(filter(None, parts)) for parts in zip(*filled, strict=True)]
    told = _Told(labels=labels)
    body = np.array(
        [
            _numbers(_cells(line, delimiter), decimal, told, number)
            for number, line in enumerate(lines[first:], start=first + 1)
        ]
    )
    columns = {label: body[:, n] for n, label in enumerate(labels) if label}
    units = {}
    if units_row is not None:
        stated = [*above[units_row], *[""] * width]
        units = {label: stated[n].strip("[]()") for n, label in enumerate(labels) if label}
    text = Text(
        delimiter=delimiter,
        decimal=decimal,
        header_rows=tuple(n + 1 for n in names),
        units_row=None if units_row is None else units_row + 1,
        first_row=first + 1,
        time_column=_time_column(columns),
    )
    notes = [*notes, *told.notes(), *_time_notes(columns, text)]
    return _of_columns(source, "csv", columns, units, text, notes)


def _refuse_numbers(above: Sequence[Sequence[str]], rows: Sequence[int], decimal: str) -> None:
    """Refuse a row of numbers with something else among them: it would name the columns.

    Such a row begins with a number; one that begins with a word may state rates, say.
    """
    cells = [cell for cell in above[rows[-1]] if cell]
    words = [cell for cell in cells if not _is_number(cell, decimal)]
    if len(rows) > 1 and cells[0] not in words and 2 * len(words) < len(cells):
        which = f"row {rows[-1] + 1}"
        raise InputError(
            f"{which}: {words[0][:_LONGEST_CELL]!r} is not a number; write a number or leave the "
            "cell empty"
            if words
            else f"{which}: has {len(above[rows[-1]])} cells, the rows below it others; complete "
            "or remove it"
        )


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter))]
    except (csv.Error, StopIteration):
        return []


def _number(cell: str, decimal: str) -> float:
    """Return the number of a cell, NaN where it is empty; ``ValueError`` where it is neither."""
    if not cell:
        return float("nan")
    if "_" in cell or (decimal == "," and "." in cell):
        raise ValueError(cell)
    return float(cell.replace(decimal, "."))


def _is_number(cell: str, decimal: str) -> bool:
    try:
        return not np.isnan(_number(cell, decimal))
    except ValueError:
        return False


@dataclass(slots=True, kw_only=True)
class _Told:
    """What the rows of a text hold besides numbers: the first of each kind, and how many."""

    labels: Sequence[str]
    words: str = ""
    lengths: str = ""
    count: int = 0
    others: int = 0

    def notes(self) -> list[str]:
        """One note for each kind; such rows are refused when the file is read by a layout."""
        more = (self.count - 1, self.others - 1)
        texts = zip((self.words, self.lengths), more, ("cells", "rows"), strict=True)
        return [f"{t}; and {n} more such {kind}" if n > 0 else t for t, n, kind in texts if t]


def _numbers(cells: Sequence[str], decimal: str, told: _Told, row: int) -> list[float]:
    """Numbers of a row, NaN where there is none; ``told`` keeps what is none."""
    width, found = len(told.labels), []
    if len(cells) != width:
        told.others += 1
        told.lengths = told.lengths or f"row {row}: has {len(cells)} cells, the header {width}"
    for cell, label in zip([*cells, *[""] * width][:width], told.labels, strict=True):
        try:
            found.append(_number(cell, decimal))
        except ValueError:
            found.append(float("nan"))
            told.count += 1
            told.words = told.words or (
                f"row {row}, column {label!r}: {cell[:_LONGEST_CELL]!r} is not a number"
            )
    return found


def _first_row(lines: Sequence[str]) -> tuple[str, str, int]:
    """Delimiter, decimal sign and the first row (from 0) of the longest run of numbers."""
    best: tuple[int, str, str, int] | None = None
    for delimiter in _DELIMITERS:
        for decimal in ".,":
            if decimal == delimiter:
                continue
            for first, line in enumerate(lines[:_MOST_ABOVE]):
                cells = _cells(line, delimiter)
                if len(cells) < 2 or not _is_data(cells, decimal):
                    continue
                following = lines[first : first + _LEAST_ROWS]
                if all(
                    len(_cells(row, delimiter)) == len(cells)
                    and _is_data(_cells(row, delimiter), decimal)
                    for row in following
                ):
                    found = (len(cells), delimiter, decimal, first)
                    best = max(best, found, key=lambda f: f[0]) if best else found
                    break
    if best is None:
        raise InputError("no rows of numbers were found in it; is it a table?")
    return best[1:]


def _is_data(cells: Sequence[str], decimal: str) -> bool:
    """Whether a row holds numbers and nothing else, at least in half of its cells."""
    count = 0
    for cell in cells:
        try:
            count += not np.isnan(_number(cell, decimal))
        except ValueError:
            if cell.lower() != "nan":
                return False
    return count * 2 >= len(cells)


def _are_units(cells: Sequence[str]) -> bool:
    named = [cell.strip("[]()") for cell in cells if cell.strip("[]()")]
    kinds = (*KINDS, "time")
    known = sum(any(unit_factor(kind, unit) is not None for kind in kinds) for unit in named)
    return bool(named) and known * 2 > len(named)


def _time_column(columns: dict[str, NDArray[np.float64]]) -> str:
    """Name of the column that rises evenly and is named like a time, or of the first that rises."""
    rising = []
    for name, values in columns.items():
        steps = np.diff(values)
        if len(steps) and np.isfinite(steps).all() and (steps > 0.0).all():
            rising.append(name)
    return ([n for n in rising if _named_time(n)] or rising or [""])[0]


def _time_notes(columns: dict[str, NDArray[np.float64]], text: Text) -> list[str]:
    """Say where a column that is named like a time does not rise, if none does."""
    if _named_time(text.time_column):
        return []
    notes = []
    for name in filter(_named_time, columns):
        steps = np.diff(columns[name])
        if len(wrong := np.flatnonzero(steps <= 0.0)):
            row = int(wrong[0]) + text.first_row + 1
            notes.append(f"row {row}, column {name!r}: does not come after the row before")
    return notes


def _named_time(name: str) -> bool:
    return name.casefold().split("_")[0].split(" ")[0].strip("[]()") in _TIMES


_TIMES = {"t", "time", "zeit", "seconds", "sec"}


def _of_columns(
    source: str,
    file_format: str,
    columns: dict[str, NDArray[np.float64]],
    units: dict[str, str],
    text: Text | None,
    notes: Sequence[str],
) -> Contents:
    time = text.time_column if text else _time_column(columns)
    rate, start, count = 0.0, 0.0, len(next(iter(columns.values()), []))
    if time and count > 1:
        factor = unit_factor("time", units.get(time, "s") or "s") or 1.0
        step = float(columns[time][-1] - columns[time][0]) * factor / (count - 1)
        rate = 1.0 / step if step > 0.0 else 0.0
        start = float(columns[time][0]) * factor
    return Contents(
        source=source,
        format=file_format,
        start=start,
        duration=count / rate if rate else 0.0,
        signals=tuple(
            _signal("time" if name == time else "column", name, units.get(name, ""), rate, values)
            for name, values in columns.items()
        ),
        text=text
        or Text(
            delimiter="",
            decimal=".",
            header_rows=(1,),
            units_row=None,
            first_row=1,
            time_column=time,
        ),
        notes=tuple(notes),
    )
