"""Tables that a cohort study names: rows of people, strength tests and trials, as read."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare.errors import StudyError, nearest_name
from momentshare.inputs import MOMENTS, csv_rows, read_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["Row", "contradictions", "listed_twice", "read_rows"]

_TRUTH = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_WORDS = {
    "name",
    "person",
    "condition",
    "file",
    "layout",
    "side",
    "sex",
    "direction",
    "reason",
    "file_label",
    "best_lift_condition",
    "code",
}
"""Columns that hold text, whatever it looks like."""


_WHOLE = re.compile(r"[+-]?[0-9]{1,18}")
"""Whole numbers; of more digits Python makes none."""


class Row(NamedTuple):
    """Cells of a row of a table, and its number in the file."""

    number: int
    cells: dict[str, Any]


def read_rows(
    value: Any,
    name: str,
    folder: Path,
    known: Sequence[str],
    faults: list[str],
    words: Sequence[str] = (),
) -> list[Row]:
    """Rows of a CSV file as the fields of blocks; empty cells are left out.

    ``words`` are further columns that hold text.
    """
    if value is None:
        return []
    if not isinstance(value, str):
        faults.append(f"{name}: must be the name of a CSV file; got {value!r}")
        return []
    text = read_text(folder / value, MOMENTS, StudyError)
    lines = csv_rows(_with_commas(text), value, StudyError)
    if not lines:
        faults.append(f"{value}: is empty; the first row names the columns")
        return []
    head = [cell.strip() for cell in lines[0][1]]
    if len(lines) == 1 and name == "people":
        faults.append(f"{value}: describes nobody: there is no row below the names; add people")
    for place, column in enumerate(head):
        if not column:
            faults += _nameless(value, place, lines[1:])
        elif column not in known:
            faults.append(f"{value}: unknown column {column!r}; {nearest_name(column, known)}")
        elif head.count(column) > 1:
            faults.append(f"{value}: column {column!r} is duplicated; remove one")
    rows = []
    for number, cells in lines[1:]:
        if len(cells) > len(head) and any(c.strip() for c in cells[len(head) :]):
            faults.append(
                f"{value}: row {number}: {len(cells)} cells, the first row names {len(head)} "
                "columns; is a decimal comma in an unquoted cell?"
            )
            continue
        pairs = zip(head, cells, strict=False)
        filled = {k: c.strip() for k, c in pairs if c.strip() and k in known}
        typed = {k: c if k in words else _value(k, c) for k, c in filled.items()}
        rows.append(Row(number, typed))
    return rows


def _nameless(value: str, place: int, lines: Sequence[tuple[int, list[str]]]) -> list[str]:
    """Fault of a column without a name; none where it is empty, as spreadsheets leave some."""
    for number, cells in lines:
        if len(cells) > place and (cell := cells[place].strip()):
            told = f"column {place + 1} has no name, but row {number} holds {cell!r} there"
            return [f"{value}: {told}; name the column, or empty it"]
    return []


def _with_commas(text: str) -> str:
    """Put commas in place of semicolons or tabs, which some spreadsheets write."""
    first = text.splitlines()[0] if text.strip() else ""
    delimiter = next((d for d in ";\t" if d in first), None)
    if delimiter is None or "," in first:
        return text
    rows = csv.reader(text.splitlines(), delimiter=delimiter)
    quoted = ([f'"{c.replace(chr(34), chr(34) * 2)}"' for c in row] for row in rows)
    try:
        return "\n".join(",".join(row) for row in quoted)
    except csv.Error:  # a cell beyond the reader's limit; it is refused by its length
        return text


def _value(column: str, cell: str) -> Any:
    if column in _WORDS:
        return cell
    if column == "use":
        return _TRUTH.get(cell.lower(), cell)
    if column == "repetitions":
        parts = cell.replace(",", " ").split()
        return [int(p) if _WHOLE.fullmatch(p) else p for p in parts]
    if _WHOLE.fullmatch(cell):
        return int(cell)
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        cell = cell.replace(",", ".")
    try:
        return cell if "_" in cell else float(cell)  # 1_0 is ten to Python, and to nobody else
    except ValueError:
        return cell


def listed_twice(table: str, people: Sequence[Row]) -> list[str]:
    """People who are in a table of people more than once."""
    first: dict[Any, int] = {}
    return [
        f"{table}: row {row.number}: {row.cells['name']!r} is in row {number} already; take out one"
        for row in people
        if "name" in row.cells
        and (number := first.setdefault(row.cells["name"], row.number)) != row.number
    ]


def contradictions(table: str, rows: Sequence[Row], free: Sequence[str]) -> list[str]:
    """Rows that name the same trials and say different things of them."""
    names, faults = ("person", "condition", "file", *free), []
    seen: dict[tuple[Any, ...], tuple[int, Any]] = {}
    for row in rows:
        key = tuple(row.cells.get(name) for name in names)
        for field in [f for f in row.cells if f not in names and (row.cells.get("file") is None)]:
            number, value = seen.setdefault((key, field), (row.number, row.cells[field]))
            if value != row.cells[field]:
                faults.append(
                    f"{table}: row {row.number} → {field}: {row.cells[field]!r}, but row {number} "
                    f"names the same trials and says {value!r}; keep one"
                )
    return faults
