"""Read a table, CSV or Parquet: columns by name, every cell a number or empty.

Rows are counted as an editor counts them: in a CSV file the header is row 1. The reading itself is
done by pyarrow; this module says which cell is wrong and what to do.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError
from momentshare.inputs import RECORDING
from momentshare.inputs import decoded as utf8
from momentshare.trial.formats.columns import column_places
from momentshare.trial.formats.corrections import Column, combined, resolved
from momentshare.trial.formats.signal_units import unit_factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.formats.wanted import Raw, Wanted

__all__ = ["decoded", "parquet_columns", "read_csv", "read_parquet"]

UNEVEN = 0.25
"""Part of a sample interval by which a time may lie off an even grid: times written to a
millisecond at 240 Hz lie off by 0.12, a lost sample by half an interval or more (common
practice, no source)."""

RATE_TOLERANCE = 0.005
"""Relative difference allowed between ``rate_hz`` and the time column (common practice, no
source)."""

MOST_CELLS = RECORDING.most // 8
"""Greatest number of cells of a table, as many as fit at eight bytes each into the largest file
that is read: a Parquet file of a few hundred kilobytes can hold any number."""

_SHOWN = 5
"""Number of faults of one kind that are spelled out."""

_LONGEST_CELL = 60

_DELIMITERS = {",": "','", ";": "';'", "\t": "a tab", "|": "'|'"}


def read_csv(
    raw: bytes, layout: LayoutEntry, wanted: Sequence[Wanted]
) -> tuple[list[Raw], list[str], list[str]]:
    """Read what a layout requests from a CSV file.

    Parameters
    ----------
    raw : bytes
        The whole file, UTF-8 with or without a byte order mark, any line ends.
    layout : LayoutEntry
        Delimiter, decimal sign, time column or rate.
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
        When nothing of the file can be read; the message does not name it.
    """
    text = decoded(raw)
    names = _header(text, layout)
    delimiter = layout.delimiter or ","
    hint = ""
    if len(names.labels) == 1:
        only = names.labels[0]
        others = [d for d in _DELIMITERS if d in only and d != delimiter]
        if others:
            hint = f"; the header has {_DELIMITERS[others[0]]} between names: state it as delimiter"
    wanted, notes = _resolved(wanted, names.labels)
    places, faults = column_places(names.labels, layout, wanted, hint)
    if faults:
        return [], faults, []
    cells = _cells(names.body, len(names.labels), layout, places)
    source = _CsvColumns(
        cells=cells, header=names.labels, decimal=layout.decimal, first=layout.data_row
    )
    found, faults, told = _signals(source, layout, wanted, places, names.units)
    return found, faults, [*notes, *told]


def _resolved(wanted: Sequence[Wanted], labels: list[str]) -> tuple[list[Wanted], list[str]]:
    """Replace labels by their other names, and leave out what may be lacking and is."""
    found, notes = [], []
    for asked in wanted:
        want, told = resolved(asked, labels)
        lacking = want.lacking(labels)
        notes += [*told, *filter(None, [lacking])]
        if not lacking:
            found.append(want)
    return found, notes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Header:
    """Names and units of the columns of a text, and the rows below them."""

    labels: list[str]
    units: list[str]
    body: str


def _header(text: str, layout: LayoutEntry) -> _Header:
    """Read the rows above the data."""
    *above, body = text.split("\n", layout.data_row - 1)
    if len(above) < layout.data_row - 1:
        if layout.data_row == 2:
            raise InputError("has a header and no rows")
        raise InputError(f"has {len(above) + 1} rows; its data should begin in {layout.data_row}")
    if not body.strip():
        raise InputError("has a header and no rows")
    if (gap := f"\n{body}".find("\n\n")) >= 0:
        row = body.count("\n", 0, gap) + layout.data_row
        raise InputError(f"row {row}: is empty; remove the empty row")
    rows = [_split(above[row - 1], row, layout) for row in layout.header_rows]
    units = (
        []
        if layout.units_row is None
        else _split(above[layout.units_row - 1], layout.units_row, layout)
    )
    width = max(map(len, rows))
    if layout.header_rows != (1,):  # names of markers may be given over their first column only
        width = max(width, len(_split(body.split("\n", 1)[0], layout.data_row, layout)))
    rows = [[*row, *[""] * width][:width] for row in rows]
    for upper in rows[:-1]:
        for place in range(1, width):
            upper[place] = upper[place] or upper[place - 1]
    labels = [" ".join(filter(None, parts)) for parts in zip(*rows, strict=True)]
    return _Header(
        labels=labels, units=[*(u.strip("[]()") for u in units), *[""] * width][:width], body=body
    )


def _split(line: str, row: int, layout: LayoutEntry) -> list[str]:
    try:
        cells = next(csv.reader([line], delimiter=layout.delimiter or ","), [])
    except csv.Error as err:
        raise InputError(f"row {row}: the header cannot be read ({err})") from err
    return [cell.strip() for cell in cells]


def read_parquet(
    raw: bytes, layout: LayoutEntry, wanted: Sequence[Wanted]
) -> tuple[list[Raw], list[str], list[str]]:
    """Read what a layout requests from a Parquet file; see :func:`read_csv`."""
    import pyarrow as pa

    file, schema, rows = _parquet(raw)
    wanted, notes = _resolved(wanted, list(schema.names))
    places, faults = column_places(list(schema.names), layout, wanted, "")
    for name, place in places.items():
        kind = schema.field(place).type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or _is_decimal(pa, kind)):
            faults.append(f"column {name!r}: holds {kind}; must hold numbers; convert it")
    if faults:
        return [], faults, []
    try:
        table = file.read(columns=list(places))
        columns = {
            place: np.asarray(table.column(name).cast(pa.float64(), safe=False).to_numpy())
            for name, place in places.items()
        }
    except _broken() as err:
        raise InputError(f"is not readable as Parquet ({_brief(err)}); export it again") from err
    if any(len(column) != rows for column in columns.values()):
        raise InputError(f"promises {rows} rows and holds others; export it again")
    source = _NumberColumns(columns=columns, names=list(schema.names))
    found, faults, told = _signals(source, layout, wanted, places)
    return found, faults, [*notes, *told]


def _parquet(raw: bytes) -> tuple[Any, Any, int]:
    """Open a Parquet file; return it, its columns and the number of its rows."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(pa.BufferReader(raw))
        schema, rows = file.schema_arrow, file.metadata.num_rows
    except _broken() as err:
        raise InputError(f"is not readable as Parquet ({_brief(err)}); export it again") from err
    if not 0 <= rows * max(1, len(schema.names)) <= MOST_CELLS:
        raise InputError(f"promises {rows} rows, more than are read; split it")
    return file, schema, rows


def _broken() -> tuple[type[Exception], ...]:
    """Return the errors that a damaged Parquet file makes its reader raise."""
    import pyarrow as pa

    return (pa.ArrowException, OSError, ValueError, KeyError, MemoryError, OverflowError)


def parquet_columns(raw: bytes) -> dict[str, NDArray[np.float64]]:
    """All columns of numbers of a Parquet file, NaN where a cell is empty."""
    import pyarrow as pa

    file, schema, rows = _parquet(raw)
    names = [
        name
        for place, name in enumerate(schema.names)
        if schema.names.count(name) == 1
        and (pa.types.is_floating(kind := schema.field(place).type) or pa.types.is_integer(kind))
    ]
    try:
        table = file.read(columns=names)
        columns = {
            name: np.asarray(table.column(name).cast(pa.float64(), safe=False).to_numpy())
            for name in names
        }
    except _broken() as err:
        raise InputError(f"is not readable as Parquet ({_brief(err)}); export it again") from err
    if any(len(column) != rows for column in columns.values()):
        raise InputError(f"promises {rows} rows and holds others; export it again")
    return columns


def _is_decimal(pa: Any, kind: Any) -> bool:
    return bool(pa.types.is_decimal(kind))


def _brief(err: BaseException) -> str:
    return repr((str(err) or type(err).__name__).strip().split("\n")[0][:160])


def decoded(raw: bytes) -> str:
    """Text of the file with plain line ends and without empty lines at the end."""
    text = utf8(raw, "").replace("\r\n", "\n").replace("\r", "\n").rstrip("\n")
    if not text.strip():
        raise InputError("is empty; give a table with a header and rows")
    return text


def _cells(text: str, width: int, layout: LayoutEntry, places: dict[str, int]) -> dict[int, Any]:
    """Read the requested columns as text; refuse rows that are too short or too long."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    ragged: list[Any] = []

    def note(row: Any) -> str:
        ragged.append(row)
        return "skip"

    names = [f"c{n}" for n in range(width)]
    chosen = [names[place] for place in sorted(set(places.values()))]
    data = text.encode()
    delimiter = layout.delimiter or ","
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(data),
            # One thread, so that rows can be counted; a block must hold the longest row.
            read_options=arrow_csv.ReadOptions(
                column_names=names, use_threads=False, block_size=1 << 24
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=note
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()),
                strings_can_be_null=False,
                include_columns=chosen,
            ),
        )
    except (pa.ArrowException, ValueError, MemoryError, OverflowError) as err:
        raise InputError(f"is not readable as CSV ({_brief(err)}); export it again") from err
    if ragged:
        raise InputError("rows do not fit the header:", _ragged(ragged, layout))
    return {int(name[1:]): table.column(name) for name in chosen}


def _ragged(rows: list[Any], layout: LayoutEntry) -> list[str]:
    faults = []
    for row in rows[:_SHOWN]:
        hint = ""
        if layout.delimiter == "," and row.actual_columns > row.expected_columns:
            hint = "; are there decimal commas? Then export with ';' and state both"
        elif row.text.count('"') % 2:
            hint = "; a quotation mark is left open"
        faults.append(
            f"row {row.number + layout.data_row - 1}: has {row.actual_columns} cells, the header "
            f"{row.expected_columns}{hint or '; complete or remove the row'}"
        )
    if len(rows) > _SHOWN:
        faults.append(f"and {len(rows) - _SHOWN} more rows of the wrong length")
    return faults


@dataclass(frozen=True, slots=True, kw_only=True)
class _CsvColumns:
    """Columns of text."""

    cells: dict[int, Any]
    header: list[str]
    decimal: str
    first: int

    def row(self, index: int) -> int:
        """Return the number of a row as an editor shows it."""
        return index + self.first

    def numbers(self, place: int) -> tuple[NDArray[np.float64], list[str]]:
        """Numbers of a column, NaN where a cell is empty; and faults."""
        import pyarrow as pa
        from pyarrow import compute

        text = compute.utf8_trim_whitespace(self.cells[place])
        if self.decimal == "," and not compute.any(compute.match_substring(text, ".")).as_py():
            text = compute.replace_substring(text, ",", ".")
        elif self.decimal == ",":
            return np.empty(0), self._wrong(place)
        empty = compute.or_(compute.equal(text, ""), compute.equal(compute.utf8_lower(text), "nan"))
        text = compute.if_else(empty, None, text)
        try:
            values = text.cast(pa.float64())
        except pa.ArrowException:
            return np.empty(0), self._wrong(place)
        return np.array(values.to_numpy(), dtype=float), []

    def _wrong(self, place: int) -> list[str]:
        """Name the cells of a column that are not numbers."""
        faults, count = [], 0
        other = "." if self.decimal == "," else ","
        for index, cell in enumerate(self.cells[place].to_pylist()):
            bare = cell.strip()
            if not bare or bare.lower() == "nan":
                continue
            if other not in bare and _is_number(bare.replace(self.decimal, ".")):
                continue
            count += 1
            if count > _SHOWN:
                continue
            remedy = "write a number or leave the cell empty"
            if _is_number(bare.replace(other, ".")):
                sign = "comma" if other == "," else "point"
                remedy = f"it has a decimal {sign}; set decimal = '{other}' in the layout"
            faults.append(
                f"row {self.row(index)}, column {self.header[place]!r}: "
                f"{bare[:_LONGEST_CELL]!r} is not a number; {remedy}"
            )
        if count > _SHOWN:
            faults.append(f"column {self.header[place]!r}: and {count - _SHOWN} more such cells")
        return faults or [f"column {self.header[place]!r}: holds a cell that is not a number"]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return "_" not in text


@dataclass(frozen=True, slots=True, kw_only=True)
class _NumberColumns:
    """Columns that hold numbers already."""

    columns: dict[int, NDArray[np.float64]]
    names: list[str]

    def row(self, index: int) -> int:
        """Return the number of a row, from 1."""
        return index + 1

    def numbers(self, place: int) -> tuple[NDArray[np.float64], list[str]]:
        """Numbers of a column, NaN where it has none."""
        return self.columns[place], []


def _signals(
    source: _CsvColumns | _NumberColumns,
    layout: LayoutEntry,
    wanted: Sequence[Wanted],
    places: dict[str, int],
    units: Sequence[str] = (),
) -> tuple[list[Raw], list[str], list[str]]:
    """Assemble columns into signals on the file's clock; ``units`` are those the file states."""
    columns: dict[str, NDArray[np.float64]] = {}
    faults: list[str] = []
    for label, place in places.items():
        columns[label], wrong = source.numbers(place)
        faults += wrong
        if infinite := np.flatnonzero(np.isinf(columns[label])).tolist():
            row = source.row(infinite[0])
            faults.append(f"row {row}, column {label!r}: is not finite; leave the cell empty")
    if faults:
        return [], faults, []
    count = len(next(iter(columns.values()), ()))
    rate, start, faults = _clock(source, layout, columns, count)
    if faults:
        return [], faults, []
    signals, notes = [], []
    for want in wanted:
        parts = [
            Column(
                label=label,
                values=columns[label],
                unit=units[places[label]] if units else want.unit,
                fix=fix,
            )
            for label, fix in zip(want.labels, want.fixes, strict=True)
            if label
        ]
        signal, wrong, told = combined(want, parts, rate, start, count)
        faults += wrong
        notes += told
        if signal is not None:
            signals.append(signal)
    return signals, faults, notes


def _clock(
    source: _CsvColumns | _NumberColumns,
    layout: LayoutEntry,
    columns: dict[str, NDArray[np.float64]],
    count: int,
) -> tuple[float, float, list[str]]:
    """Rate [Hz] and time of the first row [s], from the time column or the stated rate."""
    if count < 2:
        return 0.0, 0.0, [f"has {count} row{'s' * (count != 1)} of data; must have 2 or more"]
    if layout.time_column is None:
        return float(layout.rate_hz or 0.0), 0.0, []
    name = layout.time_column
    time = columns[name] * (unit_factor("time", layout.time_unit) or 1.0)
    missing = np.flatnonzero(np.isnan(time)).tolist()
    if missing:
        return 0.0, 0.0, [f"row {source.row(missing[0])}, column {name!r}: the time is missing"]
    steps = np.diff(time)
    back = np.flatnonzero(steps <= 0.0).tolist()
    if back:
        row = source.row(back[0] + 1)
        value = columns[name][back[0] + 1]
        fault = f"{value:g} does not come after the row before; times must rise"
        return 0.0, 0.0, [f"row {row}, column {name!r}: {fault}"]
    step = float(time[-1] - time[0]) / (count - 1)
    rate = 1.0 / step if step > 0.0 else math.inf
    if not (math.isfinite(rate) and math.isfinite(step)):
        return 0.0, 0.0, [f"column {name!r}: its times make no rate (step {step:g} s)"]
    off = np.abs(time - time[0] - np.arange(count) * step).max() / step
    if off > UNEVEN:
        worst = int(np.abs(steps - np.median(steps)).argmax())
        fault = (
            f"the step to this row is {steps[worst]:.6g} s, the usual one "
            f"{np.median(steps):.6g} s; export evenly, with empty cells for lost samples"
        )
        return 0.0, 0.0, [f"row {source.row(worst + 1)}, column {name!r}: {fault}"]
    if layout.rate_hz is not None and abs(layout.rate_hz / rate - 1.0) > RATE_TOLERANCE:
        fault = (
            f"rises at {rate:.6g} Hz, but rate_hz is {layout.rate_hz:g}; take one out of the "
            "layout, or correct time_unit"
        )
        return 0.0, 0.0, [f"column {name!r}: {fault}"]
    return rate, float(time[0]), []
