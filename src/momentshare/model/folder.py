"""Read the files of a model folder, row by row, and keep every fault with its place."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING, TypeVar

from pydantic import BaseModel, ValidationError

from momentshare.errors import ModelError, nearest_name
from momentshare.inputs import MODEL, TABLE, csv_rows, decoded, read_bytes, shown, toml_data
from momentshare.model.schema import PathStep
from momentshare.model.sources import Reference, scan_bibliography
from momentshare.text import schema_message, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

__all__ = ["FolderReader", "read_line"]

RowT = TypeVar("RowT", bound=BaseModel)
T = TypeVar("T")
K = TypeVar("K")


class FolderReader:
    """Collects faults while it reads; whoever assembles the model refuses it at the end.

    Attributes
    ----------
    folder : Path
    faults : list of str
        One line for each fault, with file, row, field, value and remedy.
    references : dict
        Source key → reference, of ``references.bib`` in the folder or one above.
    digest
        SHA-256 over the bytes of the files in the order of reading.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.faults: list[str] = []
        self.digest = hashlib.sha256()
        self._refused: dict[str, list[dict[str, str]]] = {}
        self._unread: set[str] = set()
        bibliography = folder / "references.bib"
        if not os.path.lexists(bibliography):
            bibliography = folder.parent / "references.bib"
        self.references: dict[str, Reference] = {}
        try:
            self.references, faults = scan_bibliography(bibliography)
        except ModelError as err:
            faults = (str(err),)
        front = f"{bibliography}: "
        for text in faults:
            self.fault("references.bib", text.removeprefix(front))
        self._all_sources_known = not faults

    def fault(self, place: str, what: str) -> None:
        """Keep a fault."""
        self.faults.append(f"{place}: {what}")

    def attempt(self, place: str, make: Callable[[], T]) -> T | None:
        """Make something; keep the fault and return None where that raises ``ValueError``."""
        try:
            return make()
        except ValueError as err:
            self.fault(place, str(err))
            return None

    def keep(self, table: dict[K, T], key: K, item: T | None, place: str) -> None:
        """Put an item under its key; a second one of the same key is a fault."""
        if item is None:
            return
        if key in table:
            self.fault(place, f"{key!r} is duplicated; remove one of the rows")
            return
        table[key] = item

    def may_hold(self, name: str, **cells: str) -> bool:
        """Whether a table could have a row with these cells, were it not refused or unread."""
        return name in self._unread or any(
            all(row.get(column, "").strip() == cell for column, cell in cells.items())
            for row in self._refused.get(name, ())
        )

    def toml(self, name: str, kind: type[RowT]) -> RowT | None:
        """Read and check the TOML file of the folder; None where it does not hold."""
        path = self.folder / name
        try:
            raw = read_bytes(path, MODEL, ModelError)
            self.digest.update(raw)
            data = toml_data(decoded(raw, "", ModelError))
        except ModelError as err:
            self.fault(name, _bare(path, err))
            return None
        except (ValueError, RecursionError) as err:
            self.fault(name, f"not readable as TOML: {err}")
            return None
        try:
            return kind.model_validate(data)
        except ValidationError as err:
            for item in err.errors():
                field = ".".join(str(part) for part in item["loc"])
                got = None if item["type"] == "missing" else item["input"]
                self.fault(name, _refusal(field, item["msg"], got))
            return None

    def table(self, name: str, kind: type[RowT]) -> list[tuple[str, RowT]]:
        """Read and check the rows of a CSV file; each comes with its place."""
        path = self.folder / name
        try:
            raw = read_bytes(path, TABLE, ModelError)
            self.digest.update(raw)
            rows = csv_rows(decoded(raw, "", ModelError), name, ModelError)
        except ModelError as err:
            self.fault(name, _bare(path, err).removeprefix(f"{name}: "))
            self._unread.add(name)
            return []
        found = []
        header = rows[0][1] if rows else []
        lacking = self._lacking_columns(name, header, kind)
        known = kind.model_fields
        for number, cells in rows[1:]:
            row = dict(zip(header, cells, strict=False))
            place = f"{name} row {number}"
            if len(cells) != len(header):
                self.fault(place, "has another number of columns than the header; check the commas")
                self._unread.add(name)
                continue
            # A blank cell is left out where the column may be.
            given = {
                key: cell
                for key, cell in row.items()
                if key in known and (cell.strip() or known[key].is_required())
            }
            try:
                checked = kind.model_validate(given)
            except ValidationError as err:
                for item in err.errors():
                    field = ".".join(str(part) for part in item["loc"])
                    if field not in lacking:
                        got = row.get(field, "") if field else None
                        self.fault(place, _refusal(field, item["msg"], got))
                self.refuse(name, row)
                continue
            self.check_source(place, getattr(checked, "source", None))
            found.append((place, checked))
        return found

    def _lacking_columns(self, name: str, header: Sequence[str], kind: type[RowT]) -> set[str]:
        """Columns that a table lacks; these and unknown ones are a fault, once for all rows."""
        known = kind.model_fields
        for column in dict.fromkeys(c for c in header if c not in known):
            self.fault(f"{name} row 1", f"unknown column {column!r}; {nearest_name(column, known)}")
        lacking = [c for c, field in known.items() if field.is_required() and c not in header]
        if lacking and header:
            several = "s" if len(lacking) > 1 else ""
            self.fault(f"{name} row 1", f"lacks the column{several} {', '.join(lacking)}")
            self._unread.add(name)
        return set(lacking)

    def refuse(self, name: str, row: Mapping[str, object]) -> None:
        """Remember a row that was refused, so that it is not reported as missing too."""
        cells = {key: str(value) for key, value in row.items()}
        self._refused.setdefault(name, []).append(cells)

    def check_source(self, place: str, source: str | None) -> None:
        """Keep a fault where a source key is not in the bibliography."""
        if source is None or source in self.references or not self._all_sources_known:
            return
        self.fault(
            place,
            f"field 'source': {source!r} is not in references.bib; "
            + nearest_name(source, self.references),
        )


def read_line(
    reader: FolderReader,
    place: str,
    steps: Sequence[str],
    sites: Mapping[str, object],
    shapes: Mapping[str, str],
) -> tuple[PathStep, ...] | None:
    """Read the steps of one line of a head; None where any does not hold.

    Parameters
    ----------
    reader : FolderReader
        Keeps what is wrong. A site or surface whose own row was refused is not unknown too.
    place : str
        Stands in front of what is wrong.
    steps : sequence of str
        Sites by name; ``round:`` with a surface between two of them, a cylinder with ``+`` or
        ``-`` behind it.
    sites : mapping
        Known sites.
    shapes : mapping
        Surface → ``"sphere"`` or ``"cylinder"``.
    """
    found: list[PathStep] = []
    good = True
    for step in steps:
        if step.startswith("round:"):
            name, sense = step.removeprefix("round:"), 0
            if name[-1:] in "+-":
                name, sense = name[:-1], 1 if name[-1:] == "+" else -1
            if name not in shapes:
                good = False
                if not reader.may_hold("surfaces.csv", surface=name):
                    reader.fault(place, f"unknown surface {name!r}; {nearest_name(name, shapes)}")
            elif (shapes[name] == "cylinder") != (sense != 0):
                good = False
                reader.fault(place, f"{step!r}: a cylinder needs a sense + or -, a sphere none")
            found.append(PathStep(name, is_surface=True, sense=sense))
        else:
            if step not in sites:
                good = False
                if not reader.may_hold("sites.csv", site=step):
                    reader.fault(place, f"unknown site {step!r}; {nearest_name(step, sites)}")
            found.append(PathStep(step, is_surface=False))
    if found[0].is_surface or found[-1].is_surface:
        reader.fault(place, "must begin and end at a site")
        good = False
    return tuple(found) if good else None


def _refusal(field: str, message: str, got: object) -> str:
    """Say what a schema refuses; without a field it is a whole row, and names its values."""
    place = f"field {field!r}: " if field else ""
    tail = "" if got is None else f"; got {shortened(repr(got), 160)}"
    return f"{place}{schema_message(message)}{tail}"


def _bare(path: Path, err: ModelError) -> str:
    """Drop the path of a file before its fault."""
    return str(err).removeprefix(f"{shown(path)}: ")
