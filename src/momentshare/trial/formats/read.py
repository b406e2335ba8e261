"""From a file of the laboratory to a :class:`Recording`: SI units, world frame, one clock.

Whatever cannot be used is refused with file, place, value and remedy, all faults together.
Decisions that had to be made are in the notes of the recording.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError, nearest_name
from momentshare.inputs import RECORDING, read_bytes, shown
from momentshare.trial.formats.c3d_file import read_c3d
from momentshare.trial.formats.layout import MARKER_ROLES, directions
from momentshare.trial.formats.signal_units import SI, unit_factor
from momentshare.trial.formats.table_file import read_csv, read_parquet
from momentshare.trial.formats.wanted import LEFT_OUT
from momentshare.trial.recording import Channel, Recording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.formats.wanted import Raw, Wanted

__all__ = ["file_bytes", "merge_recordings", "read_recording"]

FARTHEST_MARKER = 20.0
"""Distance from the origin [m] beyond which a marker's unit is doubted: no laboratory for lifting
is that long (common practice, no source)."""

CLOSEST_MARKERS = 0.02
"""Extent [m] of all markers together below which their unit is doubted: even the two epicondyles
lie farther apart (common practice, no source)."""

LARGEST_FORCE = 10_000.0
"""Force on one hand [N] beyond which the unit is doubted: a ton (common practice, no source)."""

SMALLEST_FORCE = 5.0
"""Greatest force of a trial [N] below which the unit is doubted: half a kilogram (common practice,
no source)."""

LARGEST_ANGLE = 2.0 * np.pi
"""Joint angle [rad] beyond which the unit is doubted: a whole turn."""

SMALLEST_ANGLE = LARGEST_ANGLE * np.pi / 180.0
"""Greatest angle [rad] below which degrees may be meant: 2π read as degrees."""

LARGEST_EMG = 1.0
"""Electromyogram [V] beyond which the gain of an amplifier must be in it (common practice, no
source)."""

ABSURD_EMG = 100.0
"""Electromyogram [V] that no amplifier gives either: microvolts or millivolts read as volts
(common practice, no source)."""

RATES = (10.0, 100_000.0)
"""Sample rates [Hz] that a laboratory uses (common practice, no source)."""


def read_recording(
    path: str | Path,
    layout: LayoutEntry,
    *,
    offset: float = 0.0,
    roles: Sequence[str] | None = None,
    absent: Literal["fault", "leave out"] = "fault",
) -> Recording:
    r"""Read one file.

    Parameters
    ----------
    path : str or Path
        A C3D, CSV or Parquet file.
    layout : LayoutEntry
        How the laboratory lays out its files.
    offset : float
        Added to the file's clock [s]. Frame 1 of a C3D file is at time 0, and so is the first row
        of a table without a time column.
    roles : sequence of str, optional
        Read these only, as a recording names them (``emg/…`` for electromyograms); by default all
        that the layout names.
    absent : {"fault", "leave out"}
        What a label does that the file lacks: a fault, or its signal is left out and noted.

    Returns
    -------
    Recording
        SI, world frame, forces on the hand. A signal without a single sample is left out and
        noted.

    Raises
    ------
    InputError
        One line for each fault, with the file's name, the place in it, the value and the remedy.
    MissingExtraError
        For a C3D file when the library that reads it is not installed.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import LayoutEntry, read_recording
    >>> layout = LayoutEntry(
    ...     name="force table",
    ...     format="csv",
    ...     up="+z",
    ...     right="+x",
    ...     force_on="hand",
    ...     delimiter=",",
    ...     rate_hz=100.0,
    ...     units={"forces": "N"},
    ...     forces={"right_hand_force": ["Fx", "Fy", "Fz"]},
    ... )
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "force.csv"
    ...     _ = path.write_text("Fx,Fy,Fz\n" + "3,0,150\n" * 20, encoding="utf-8")
    ...     recording = read_recording(path, layout)
    >>> recording.channels["right_hand_force"].values[0]  # world frame: forward, up, right [N]
    array([  0., 150.,   3.])
    """
    place = Path(path)
    if not np.isfinite(offset):
        raise InputError(
            f"{shown(place)}: offset: must be a finite number of seconds; got {offset}"
        )
    raw, notes = file_bytes(place)
    file_format = layout.format_for(place.suffix)
    if file_format is None:
        raise InputError(
            f"{shown(place)}: the ending {place.suffix!r} names no format; state format = 'c3d', "
            f"'csv' or 'parquet' in layout {layout.name!r}"
        )
    if faults := layout.faults(file_format):
        raise InputError(f"{shown(place)}: layout {layout.name!r} does not fit this file:", faults)
    wanted = _chosen(place, layout, layout.wanted(file_format), roles)
    if absent == "leave out":
        wanted = [replace(want, optional=True) for want in wanted]
    # Absurd numbers overflow here; they end as faults, not as warnings.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        try:
            reader = {"c3d": read_c3d, "csv": read_csv, "parquet": read_parquet}[file_format]
            found, faults, more = reader(raw, layout, wanted)
        except InputError as err:
            first, _, _ = str(err).partition("\n")
            raise InputError(f"{shown(place)}: {first}", err.faults) from err
        notes += more
        channels = {}
        for signal in found:
            channel = _channel(signal, layout, offset)
            doubts, remarks = _doubts(signal, channel)
            faults += doubts
            notes += remarks
            if np.isfinite(channel.values).any():
                channels[signal.wanted.role] = channel
            else:
                notes.append(f"{signal.wanted.name}: has no sample; left out")
        faults += _odd_rates(found) + _crowded(channels)
    if faults:
        raise InputError(f"{shown(place)}: the recording cannot be used:", faults)
    if not channels:
        why = [note for note in notes if note.endswith(LEFT_OUT)]
        raise InputError(
            f"{shown(place)}: none of the signals has a sample; give another file", why
        )
    digest = hashlib.sha256(raw).hexdigest()[:16]
    return Recording(source=str(place), digest=digest, channels=channels, notes=tuple(notes))


def merge_recordings(first: Recording, *others: Recording) -> Recording:
    """Join files of one trial that share a clock (see ``offset`` of :func:`read_recording`).

    Parameters
    ----------
    first, *others : Recording

    Returns
    -------
    Recording
        All channels; the digest is that of the digests in this order.

    Raises
    ------
    InputError
        When two files hold the same role.
    """
    every = (first, *others)
    if len(every) == 1:
        return first
    channels: dict[str, Channel] = {}
    home: dict[str, str] = {}
    faults = []
    for recording in every:
        for role, channel in recording.channels.items():
            if role in channels:
                faults.append(
                    f"{role}: is in {home[role]} and in {recording.source}; take it out of "
                    "the layout of one"
                )
                continue
            channels[role], home[role] = channel, recording.source
    source = " + ".join(r.source for r in every)
    if faults:
        raise InputError(f"{source}: the files cannot be joined:", faults)
    digest = hashlib.sha256("".join(r.digest for r in every).encode()).hexdigest()[:16]
    notes = tuple(f"{Path(r.source).name}: {note}" for r in every for note in r.notes)
    return Recording(source=source, digest=digest, channels=channels, notes=notes)


def file_bytes(place: Path) -> tuple[bytes, list[str]]:
    """Contents of a plain file of a sensible size, and notes."""
    raw = read_bytes(place, RECORDING)
    if not raw.strip(b"\0 \t\r\n"):
        raise InputError(f"{shown(place)}: is empty; copy or export it again")
    return raw, [f"{place} is a link to {place.resolve()}"] if place.is_symlink() else []


def _chosen(
    place: Path, layout: LayoutEntry, wanted: Sequence[Wanted], roles: Sequence[str] | None
) -> list[Wanted]:
    """Signals to read."""
    if roles is None:
        return list(wanted)
    known = {want.role: want for want in wanted}
    if unknown := [role for role in dict.fromkeys(roles) if role not in known]:
        faults = [
            f"{role}: layout {layout.name!r} gives no label for it; {nearest_name(role, known)}"
            for role in unknown
        ]
        raise InputError(f"{shown(place)}: the recording cannot be used:", faults)
    if not roles:
        raise InputError(f"{shown(place)}: roles: name at least one, or leave it out for all")
    return [known[role] for role in dict.fromkeys(roles)]


def _channel(signal: Raw, layout: LayoutEntry, offset: float) -> Channel:
    """Convert to SI, the world frame and forces on the hand."""
    want = signal.wanted
    values = np.where(np.isfinite(signal.values), signal.values, np.nan)
    values = values * (unit_factor(want.kind, signal.unit) or 1.0)
    if want.axes is not None:
        values = _turned(values, directions(want.axes))
    if want.kind in {"markers", "forces"}:
        values = layout.to_world(values)
    if want.kind == "forces" and layout.force_on == "bar":
        values = -values
    return Channel(
        label=f"platform {want.plate}" if want.plate else " ".join(filter(None, want.labels)),
        values=values,
        rate=signal.rate,
        start=signal.start + offset,
        unit=SI[want.kind],
    )


def _turned(values: NDArray[np.float64], axes: NDArray[np.float64]) -> NDArray[np.float64]:
    """From a sensor's axes to the laboratory's; a missing component stays one."""
    order = np.abs(axes).argmax(axis=1)
    turned: NDArray[np.float64] = values[..., order] * axes[np.arange(3), order]
    return turned


def _doubts(signal: Raw, channel: Channel) -> tuple[list[str], list[str]]:
    """Return faults and notes where a value shows that a unit is wrong."""
    want, name = signal.wanted, signal.wanted.name
    faults: list[str] = []
    notes: list[str] = []
    size = np.abs(channel.values)
    if size.ndim == 2:
        size = np.sqrt(np.nansum(size**2, axis=1))  # infinite where it overflows
    if not np.isfinite(size).any():
        return faults, notes
    most = float(np.nanmax(size))
    when = channel.time[int(np.nanargmax(size))]
    value = most / (unit_factor(want.kind, signal.unit) or 1.0)
    seen = f"{name}: reaches {value:.4g} {signal.unit} at {when:.3f} s"
    if want.kind == "markers" and most > FARTHEST_MARKER:
        faults.append(
            f"{seen}, {most:.4g} m from the origin (limit {FARTHEST_MARKER:g} m); is the unit "
            "right? If it is lost there, leave those samples empty"
        )
    if want.kind == "forces" and most > LARGEST_FORCE:
        faults.append(f"{seen}, more than {LARGEST_FORCE:g} N on one hand; is the unit right?")
    if want.kind == "forces" and most < SMALLEST_FORCE:
        notes.append(f"{seen} at most; is the unit right, was the hand loaded?")
    if want.kind == "angles" and most > LARGEST_ANGLE:
        faults.append(f"{seen}, more than a whole turn; is the unit right?")
    if want.kind == "angles" and most < SMALLEST_ANGLE and signal.unit == "deg":
        notes.append(f"{seen} at most; are these radians?")
    if want.kind == "emg" and most > ABSURD_EMG:
        faults.append(f"{seen}, more than {ABSURD_EMG:g} V; is the unit right?")
    elif want.kind == "emg" and most > LARGEST_EMG:
        notes.append(
            f"{seen}, more than an electrode gives: the amplifier's gain is in it, so only shares "
            "of a maximal contraction recorded alike mean something"
        )
    return faults, notes


def _odd_rates(found: Sequence[Raw]) -> list[str]:
    low, high = RATES
    return [
        f"sample rate: {rate:g} Hz lies outside {low:g} to {high:g} Hz; is the time in seconds, "
        "the rate in hertz?"
        for rate in sorted({signal.rate for signal in found})
        if not low <= rate <= high
    ]


def _crowded(channels: dict[str, Channel]) -> list[str]:
    """Name the fault that all markers lie within a thumb's breadth of each other."""
    markers = [c for role, c in channels.items() if role in MARKER_ROLES]
    known = [c.values for c in markers if np.isfinite(c.values).any(0).all()]
    places: list[NDArray[np.float64]] = []
    extent = np.inf
    for values in known:
        # The median that copes with gaps takes ten times as long.
        middle = np.nanmedian if np.isnan(values).any() else np.median
        places.append(middle(values, axis=0))
        if len(places) > 1:
            extent = float(np.linalg.norm(np.ptp(places, axis=0)))
            if extent >= CLOSEST_MARKERS:
                break
    if extent >= CLOSEST_MARKERS:
        return []
    names = ", ".join(c.label for c in markers[:4]) + (" …" if len(markers) > 4 else "")
    fault = f"all lie within {extent * 1000:.2g} mm of each other; is the unit of markers right?"
    return [f"markers {names}: {fault}"]
