"""A table of published moments and postures, transcribed into a CSV file."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import BALANCED
from momentshare.errors import InputError, nearest_name
from momentshare.inputs import PUBLISHED, csv_rows, read_text, shown
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from numpy.typing import NDArray


__all__ = ["ANGLE_NAMES", "PublishedLine", "PublishedTable", "read_published"]

KNOWN = ("read", "from memory", "common practice", "invented")
"""How the numbers of a line are known."""

ANGLE_NAMES = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")

_ANGLE_RANGE = {
    "plane": (-180.0, 180.0),
    "elevation": (0.0, 180.0),
    "axial": (-180.0, 180.0),
    "elbow_flexion": (-20.0, 180.0),
    "forearm_rotation": (-30.0, 180.0),
}
"""Angles that a file may state [deg]; beyond them, unit or sign is wrong (common practice, no
source). Draws keep to the narrower limits of the limb's model."""

_GREATEST_MOMENT = 2000.0
"""Net moment [N·m] beyond which the unit must be wrong (common practice, no source)."""

_GREATEST_SPREAD = 90.0
"""Standard deviation of an angle [deg] beyond which the unit must be wrong (common practice, no
source)."""

_MOST_PEOPLE = 1_000_000
_MOST_LINES = 2000

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_LABELS = ("condition", "point", "source", "known", "note")
_SHOWN = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PublishedLine(ReadOnly):
    """One condition at one point of a lift; arrays are read-only.

    Attributes
    ----------
    condition, point : str
    people : int
        Number of people that the paper averaged over.
    moments, moment_sd : float array, shape (4,)
        In the order of :data:`momentshare.balance.BALANCED` [N·m]; NaN where not given.
    angles, angle_sd : float array, shape (5,)
        Plane, elevation, axial, elbow flexion, forearm rotation [rad]; a spread that was not
        given is NaN.
    source : str
        Where the numbers come from.
    known : str
        One of :data:`KNOWN`.
    note : str
    row : int
        Of the file, the header being row 1.
    """

    condition: str
    point: str
    people: int
    moments: NDArray[np.float64]
    moment_sd: NDArray[np.float64]
    angles: NDArray[np.float64]
    angle_sd: NDArray[np.float64]
    source: str
    known: str
    note: str
    row: int

    __repr__ = brief

    @property
    def balanced(self) -> tuple[str, ...]:
        """Moment rows that the paper reports; only these are balanced."""
        given = ~np.isnan(self.moments)
        return tuple(name for name, has in zip(BALANCED, given, strict=True) if has)

    @property
    def place(self) -> str:
        """Condition and point in words."""
        return f"{self.condition}, {self.point}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedTable:
    """A checked table of moments; ``source`` is the name of its file."""

    source: str
    lines: tuple[PublishedLine, ...]

    __repr__ = brief

    @property
    def citations(self) -> tuple[str, ...]:
        """Sources of the lines with how they are known, without duplicates."""
        return tuple(dict.fromkeys(f"{x.source} ({x.known})" for x in self.lines))


def read_published(path: str | Path) -> PublishedTable:
    r"""Read a table of published moments.

    Parameters
    ----------
    path : str or Path
        CSV, UTF-8, cells separated by commas, with a decimal point. Columns ``condition``;
        ``point``, a label such as ``sticking region`` or a percent of the lift; ``n``, people;
        ``source``; ``known``, one of ``read``, ``from memory``, ``common practice``, ``invented``;
        ``plane_deg``, ``elevation_deg``, ``axial_deg``, ``elbow_flexion_deg``,
        ``forearm_rotation_deg``; any of ``shoulder_internal_rotation_nm``,
        ``shoulder_elevation_nm``, ``shoulder_horizontal_adduction_nm``, ``elbow_extension_nm``. For
        each of the last two groups a standard deviation may be given in ``…_sd_deg`` or
        ``…_sd_nm``; ``note`` is free text. A moment left blank was not reported and is not
        balanced; a blank standard deviation was not given.

    Returns
    -------
    PublishedTable

    Raises
    ------
    InputError
        One line for each fault: row, column, value and remedy.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import read_published
    >>> columns = "condition,point,n,elbow_extension_nm,plane_deg,elevation_deg,axial_deg,"
    >>> columns += "elbow_flexion_deg,forearm_rotation_deg,source,known"
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "moments.csv"
    ...     line = "narrow,sticking region,12,28,35,70,10,75,130,made up here,invented"
    ...     _ = path.write_text(f"{columns}\n{line}\n", encoding="utf-8")
    ...     table = read_published(path)
    >>> table.source, len(table.lines), table.lines[0].condition
    ('moments.csv', 1, 'narrow')
    """
    place = Path(path)
    header, records = _records(place, read_text(place, PUBLISHED))
    faults = _header_faults(header)
    if faults:
        raise InputError(f"{place}: row 1:", faults)
    lines: list[PublishedLine] = []
    seen: dict[tuple[str, str], int] = {}
    for row, cells in records:
        if len(cells) != len(header):
            faults.append(
                f"row {row}: has {len(cells)} cells, the header {len(header)}; put text that "
                "contains a comma in quotes"
            )
            continue
        line, own = _line(row, dict(zip(header, cells, strict=True)))
        faults += own
        if line is None:
            continue
        key = (line.condition, line.point)
        if key in seen:
            faults.append(
                f"row {row}: condition {key[0]!r} at point {key[1]!r} is given in row {seen[key]} "
                "already; keep one, or give them different names"
            )
        seen.setdefault(key, row)
        lines.append(line)
    if not records:
        faults.append("row 2: there is no line below the header; add one for each condition")
    if faults:
        raise InputError(f"{place}:", faults)
    return PublishedTable(source=place.name, lines=tuple(lines))


def _records(place: Path, text: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    rows = csv_rows(text, shown(place))
    header = [cell.strip() for cell in rows[0][1]] if rows else []
    records = [(row, [cell.strip() for cell in cells]) for row, cells in rows[1:]]
    if len(records) > _MOST_LINES:
        raise InputError(f"{place}: has more than {_MOST_LINES} lines; split it")
    if not any(header):
        raise InputError(f"{place}: row 1: is empty; must hold the names of the columns")
    if len(header) == 1 and any(sign in header[0] for sign in ";\t|"):
        raise InputError(f"{place}: row 1: must have a comma between names; save it as comma CSV")
    return header, records


def _columns() -> dict[str, bool]:
    """Names that a header may hold → whether they are required."""
    out = {"condition": True, "point": True, "n": True, "source": True, "known": True}
    for name in ANGLE_NAMES:
        out |= {f"{name}_deg": True, f"{name}_sd_deg": False}
    for name in BALANCED:
        out |= {f"{name}_nm": False, f"{name}_sd_nm": False}
    return out | {"note": False}


def _header_faults(header: list[str]) -> list[str]:
    known = _columns()
    faults = [
        f"column {_short(name)} is unknown; {nearest_name(name, known)}"
        for name in header
        if name not in known
    ]
    faults += [
        f"column {name!r} appears {times} times; keep one"
        for name, times in Counter(header).items()
        if times > 1 and name in known
    ]
    faults += [
        f"column {name!r} is missing; add it"
        for name, must in known.items()
        if must and name not in header
    ]
    if not any(f"{name}_nm" in header for name in BALANCED):
        wanted = ", ".join(f"{name}_nm" for name in BALANCED)
        faults.append(f"there is no column of moments; add one or more of {wanted}")
    return faults


def _short(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "…")


class _Cells:
    """Cells of one row with the faults found in them."""

    def __init__(self, row: int, cells: dict[str, str]) -> None:
        self.row, self.cells = row, cells
        self.faults: list[str] = []

    def fault(self, column: str, text: str) -> None:
        self.faults.append(f"row {self.row}, column {column!r}: {text}")

    def label(self, column: str, *, must: bool = True, longest: int = 80) -> str:
        from momentshare.study.schema import plain_text

        text = self.cells.get(column, "")
        if must and not text:
            remedy = "say where the numbers come from" if column == "source" else "fill it in"
            self.fault(column, f"is blank; {remedy}")
        if len(text) > longest:
            self.fault(
                column, f"has {len(text)} characters; must have at most {longest}; shorten it"
            )
        try:
            return plain_text(text)
        except ValueError as err:
            self.fault(column, str(err))
            return ""

    def number(self, column: str, low: float, high: float, remedy: str) -> float:
        """Read a number within limits; NaN where the cell is blank or at fault."""
        text = self.cells.get(column, "")
        if not text:
            return math.nan
        if not _NUMBER.fullmatch(text):
            hint = "write a number with a decimal point"
            if "−" in text or "–" in text:
                hint = "write the minus sign as a plain hyphen"
            elif "±" in text:
                hint = "put the spread in the column of the standard deviation"
            self.fault(column, f"must be a number; got {_short(text)}; {hint}")
            return math.nan
        value = float(text)
        if not low <= value <= high:
            self.fault(column, f"must be between {low:g} and {high:g}; got {value:g}; {remedy}")
            return math.nan
        return value


def _line(row: int, named: dict[str, str]) -> tuple[PublishedLine | None, list[str]]:
    """One line of the table, or its faults."""
    cells = _Cells(row, named)
    longest = {"condition": 80, "point": 80}
    texts = {
        name: cells.label(name, must=name != "note", longest=longest.get(name, 1000))
        for name in _LABELS
    }
    if texts["known"] and texts["known"] not in KNOWN:
        cells.fault("known", f"must be one of {', '.join(KNOWN)}; got {_short(texts['known'])}")
    people = cells.number("n", 1, _MOST_PEOPLE, "give the number of people")
    if not named["n"]:
        cells.fault("n", "is blank; give the number of people")
    elif people % 1.0 > 0.0:
        cells.fault("n", f"must be a whole number; got {people:g}; give the number of people")
    unit, most = "check the unit, N*m", _GREATEST_MOMENT
    moments = [cells.number(f"{name}_nm", -most, most, unit) for name in BALANCED]
    moment_sd = [cells.number(f"{name}_sd_nm", 0.0, most, unit) for name in BALANCED]
    unit = "check unit and sign, degrees"
    angles = [cells.number(f"{name}_deg", *_ANGLE_RANGE[name], unit) for name in ANGLE_NAMES]
    angle_sd = [cells.number(f"{name}_sd_deg", 0.0, _GREATEST_SPREAD, unit) for name in ANGLE_NAMES]
    for name in ANGLE_NAMES:
        if not named[f"{name}_deg"]:
            cells.fault(
                f"{name}_deg",
                "is blank; moment arms need the posture, so state the best estimate and say so in "
                "note",
            )
    for name in BALANCED:
        if named.get(f"{name}_sd_nm") and not named.get(f"{name}_nm"):
            cells.fault(f"{name}_sd_nm", "has no mean beside it; give the moment or remove it")
    if not any(named.get(f"{name}_nm") for name in BALANCED):
        cells.faults.append(f"row {row}: no moment is given; give one or remove the row")
    if cells.faults:
        return None, cells.faults
    line = PublishedLine(
        condition=texts["condition"],
        point=texts["point"],
        people=int(people),
        moments=np.array(moments),
        moment_sd=np.array(moment_sd),
        angles=np.radians(angles),
        angle_sd=np.radians(angle_sd),
        source=texts["source"],
        known=texts["known"],
        note=texts["note"],
        row=row,
    )
    return line, []
