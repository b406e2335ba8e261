"""A file of joint angles over time, with forces or net moments beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, nearest_name
from momentshare.inputs import Kind, csv_rows, read_text, shown
from momentshare.text import shortened

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from momentshare.linkage.schema import Linkage

    Floats = NDArray[np.float64]

__all__ = ["LinkageMotion", "read_motion"]

_KIND = Kind(
    name="file of angles",
    most=64_000_000,
    size="64 MB",
    remedy="; give fewer frames",
)
_TIME = "time_s"
_FORCE = tuple(f"force_{axis}_n" for axis in "xyz")
_LARGEST_TURN = 360.0
_GREATEST = {"deg": _LARGEST_TURN, "nm": 5000.0, "n": 50000.0}
"""Values beyond which the unit must be wrong, by ending of the column (common practice, no
source)."""
_UNEVEN = 1e-3
"""Part of a step of time by which steps may differ."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkageMotion:
    """What a file of angles holds.

    Attributes
    ----------
    angles : dict
        Row → angle [rad], shape (frames,); NaN where blank.
    rate : float or None
        Frames a second [Hz]; None without times.
    force : float array, shape (frames, 3), or None
        Force on the limb, ground frame [N].
    moments : dict or None
        Row → net moment [N·m], shape (frames,).
    """

    angles: dict[str, Floats]
    rate: float | None
    force: Floats | None
    moments: dict[str, Floats] | None


def read_motion(path: str | Path, linkage: Linkage) -> LinkageMotion:
    """Read a file of angles.

    Parameters
    ----------
    path : str or Path
        CSV, UTF-8, one row a frame. Columns ``<row>_deg``, any of them; ``time_s``, even steps;
        ``force_x_n``, ``force_y_n``, ``force_z_n``; or ``<row>_nm``. A blank angle, force or moment
        is not known, and the frame is not answered.
    linkage : Linkage
        Its rows name the columns.

    Raises
    ------
    InputError
        With one line for each fault, with file, row, column, value and remedy.
    """
    name = shown(path)
    rows = csv_rows(read_text(path, _KIND), name)
    if len(rows) < 2:
        raise InputError(f"{name}: holds no frames; give a header and one row a frame")
    header = [cell.strip() for cell in rows[0][1]]
    faults = _header_faults(header, linkage)
    columns: dict[str, list[float]] = {column: [] for column in header}
    for number, cells in rows[1:]:
        if len(cells) != len(header):
            faults.append(
                f"row {number}: {len(cells)} cells, and the header has {len(header)}; check the "
                "commas"
            )
            continue
        for column, cell in zip(header, cells, strict=True):
            value, fault = _value(column, cell.strip())
            columns[column].append(value)
            if fault:
                faults.append(f"row {number}: column {column!r}: {fault}")
    rate = None
    if _TIME in header and not faults:
        rate, fault = _rate(np.array(columns[_TIME]), [number for number, _ in rows[1:]])
        faults += [fault] if fault else []
    if faults:
        raise InputError(f"{name} cannot be used:", faults)
    arrays = {column: np.array(values) for column, values in columns.items()}
    moments = {r: arrays[f"{r}_nm"] for r in linkage.row_names if f"{r}_nm" in arrays}
    return LinkageMotion(
        angles={
            row: np.radians(arrays[f"{row}_deg"])
            for row in linkage.row_names
            if f"{row}_deg" in arrays
        },
        rate=rate,
        force=np.stack([arrays[column] for column in _FORCE], axis=1)
        if _FORCE[0] in arrays
        else None,
        moments=moments or None,
    )


def _header_faults(header: list[str], linkage: Linkage) -> list[str]:
    """Say what is wrong with the names of the columns."""
    rows = linkage.row_names
    angles, moments = [f"{row}_deg" for row in rows], [f"{row}_nm" for row in rows]
    known = [_TIME, *angles, *moments, *_FORCE]
    faults = []
    for column in dict.fromkeys(header):
        if header.count(column) > 1:
            faults.append(f"row 1: column {column!r} is duplicated; remove one of them")
        if column not in known:
            offer = nearest_name(column, known)
            faults.append(f"row 1: unknown column {shortened(repr(column), 80)}; {offer}")
    if not set(angles) & set(header):
        faults.append(f"row 1: there is no angle; add a column such as {angles[0]!r}")
    forces = [column for column in _FORCE if column in header]
    if 0 < len(forces) < len(_FORCE):
        missing = next(column for column in _FORCE if column not in header)
        faults.append(f"row 1: column {missing!r} is missing; give all three parts of the force")
    if forces and set(moments) & set(header):
        faults.append(
            "row 1: there are forces and net moments, and only one of them can count; remove the "
            "columns of the other"
        )
    return faults


def _value(column: str, cell: str) -> tuple[float, str]:
    """Read a cell, or say what is wrong with it."""
    if not cell and column != _TIME:
        return math.nan, ""
    try:
        value = math.nan if "_" in cell else float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        told = shortened(repr(cell), 80)
        return math.nan, f"must be a number; got {told}; leave the cell blank where it is not known"
    greatest = _GREATEST.get(column.rsplit("_", 1)[-1], math.inf)
    if abs(value) > greatest:
        return value, f"{value:g} is beyond {greatest:g}; check the unit"
    return value, ""


def _rate(time: Floats, numbers: list[int]) -> tuple[float | None, str]:
    """Frames a second of even times, or what is wrong with them."""
    if len(time) < 4:
        return None, (
            f"column {_TIME!r}: velocities need four frames or more; got {len(time)}; leave the "
            "column out to hold each frame still"
        )
    steps = np.diff(time)
    whole = (time[-1] - time[0]) / (len(time) - 1)
    if not whole > 0.0:
        return None, f"column {_TIME!r}: time does not rise; sort the rows"
    off = np.abs(steps - whole) > _UNEVEN * whole
    if off.any():
        k = int(np.argmax(off))
        return None, (
            f"row {numbers[k + 1]}: column {_TIME!r}: a step of {steps[k]:.6g} s where "
            f"{whole:.6g} s is usual; resample to even steps"
        )
    return 1.0 / whole, ""
