"""How a laboratory lays out its files: axes, units, and which label is what.

One ``[[layout]]`` of a cohort file serves all trials exported in the same way. Nothing is guessed:
what a file does not state itself (axes, units of a table, delimiter) is stated here.
"""

from __future__ import annotations

import difflib
import unicodedata
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    StringConstraints,
    field_validator,
    model_validator,
)

from momentshare.errors import nearest_name
from momentshare.study.schema import Entry, Finite, Name, plain_text
from momentshare.trial.formats.signal_units import SI, known_units, unit_factor
from momentshare.trial.formats.wanted import Kind, SignalEntry, Wanted
from momentshare.trial.motion.ways import GirdleWay, GripWay, JointWay, TrunkWay
from momentshare.trial.recording import (
    ANGLES,
    ARM_LANDMARKS,
    BAR_LANDMARKS,
    SIDES,
    TRUNK_LANDMARKS,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

__all__ = [
    "ANGLE_ROLES",
    "FLOOR_ROLES",
    "FORCE_ROLES",
    "MARKER_ROLES",
    "SI",
    "ForceEntry",
    "LayoutEntry",
    "PlacesEntry",
    "UnitsEntry",
    "directions",
    "format_by_ending",
    "suggestion",
    "unit_factor",
]

MARKER_ROLES = (
    *TRUNK_LANDMARKS,
    *(f"{side}_{name}" for side in SIDES for name in ARM_LANDMARKS),
    *BAR_LANDMARKS,
)
"""Roles a marker may play."""

FLOOR_ROLES = tuple(f"{side}_floor_force" for side in SIDES)
"""Forces under a standing person: together they weigh the body, in a static trial only."""

FORCE_ROLES = (*(f"{side}_hand_force" for side in SIDES), *FLOOR_ROLES)
"""Roles a force may play."""

ANGLE_ROLES = tuple(f"{side}_{name}" for side in SIDES for name in ANGLES)
"""Roles a joint angle may play."""

FileFormat = Literal["c3d", "csv", "parquet"]

_LONGEST_LIST = 200
"""Characters of known labels that a message shows (common practice, no source)."""

_CSV_ONLY = ("delimiter", "decimal", "header_rows", "units_row", "first_row")
_TABLE_ONLY = ("time_column", "time_unit", "rate_hz", "axes", *_CSV_ONLY)
_ENDINGS: dict[str, FileFormat] = {
    ".c3d": "c3d",
    ".csv": "csv",
    ".txt": "csv",
    ".tsv": "csv",
    ".parquet": "parquet",
}


def suggestion(label: str, known: Iterable[str], what: str) -> str:
    """Return a phrase that offers labels like ``label``, in the order of the file.

    Case and spaces count in files.
    """
    names = list(dict.fromkeys(name for name in known if name))
    if not names:
        return f"there are no {what} in the file"
    folded = _folded(label)
    if alike := [name for name in names if _folded(name) == folded]:
        return f"did you mean {alike[0]!r}? Capitals, spaces and accents count"
    close = set(difflib.get_close_matches(label, names, n=3, cutoff=0.5))
    offered = " or ".join(repr(name) for name in names if name in close)
    phrase = f"did you mean {offered}?" if offered else f"known: {', '.join(names)}"
    if len(phrase) > _LONGEST_LIST:
        phrase = f"{phrase[:_LONGEST_LIST]}… ({len(names)} in all)"
    return phrase.encode("unicode_escape").decode() if not phrase.isprintable() else phrase


def _folded(label: str) -> str:
    return "".join(unicodedata.normalize("NFKC", label).casefold().split()).replace("_", "")


def _role(what: str, known: tuple[str, ...]) -> AfterValidator:
    def check(value: str) -> str:
        if value not in known:
            raise ValueError(f"unknown {what} {value!r}; {nearest_name(value, known)}")
        return value

    return AfterValidator(check)


def _head(value: str) -> str:
    if any(not part.strip() for part in value.split("/")) or value.count("/") > 1:
        raise ValueError(f"must be a head, such as 'triceps_brachii/lateral'; got {value!r}")
    return value


def _as_table(value: object) -> object:
    """Let a force be one label, a list of labels, or ``{plate = 1}``."""
    if isinstance(value, str):
        return {"labels": [value]}
    if isinstance(value, list):
        return {"labels": value}
    return value


def _as_labels(value: object) -> object:
    """Let a marker be one label or a list of three."""
    return [value] if isinstance(value, str) else value


def _one_or_three(labels: tuple[str, ...]) -> tuple[str, ...]:
    if len(labels) not in {1, 3} or not all(labels) or len(set(labels)) < len(labels):
        raise ValueError(
            "must be one label, or a list of three different ones for x, y and z in a table; got "
            f"{list(labels)}"
        )
    return labels


Label = Annotated[str, Field(max_length=200), AfterValidator(plain_text)]
Ending = Annotated[str, StringConstraints(strip_whitespace=False, max_length=20)]
"""An ending may start with a space, as in ``IJ X``."""
FullLabel = Annotated[Label, Field(min_length=1)]
MarkerLabels = Annotated[
    tuple[Label, ...], BeforeValidator(_as_labels), AfterValidator(_one_or_three)
]
Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]


class ForceEntry(Entry):
    """Where a force is found: one label, three labels, or a force platform."""

    labels: Annotated[list[Label], Field(max_length=3, default_factory=list)]
    plate: Annotated[int, Field(ge=1, le=100)] | None = None
    axes: tuple[Axis, Axis, Axis] | None = None
    """Directions of the sensor's x, y and z along the laboratory's axes, where they differ."""

    @field_validator("axes")
    @classmethod
    def _three_axes(cls, value: tuple[str, str, str] | None) -> tuple[str, str, str] | None:
        if value is not None and len({axis[1] for axis in value}) < 3:
            raise ValueError(f"must have a direction along each of x, y and z; got {list(value)}")
        return value

    @model_validator(mode="after")
    def _one_source(self) -> ForceEntry:
        if self.plate is not None and self.labels:
            raise ValueError("give either labels or a plate, not both")
        if self.plate is None and (len(self.labels) not in {1, 3} or not any(self.labels)):
            raise ValueError(
                'must be one label, a list of three ("" where a component was not measured), or '
                f"{{plate = 1}}; got {self.labels}"
            )
        return self


class UnitsEntry(Entry):
    """Units of the kinds of signal."""

    markers: Literal["mm", "cm", "m"] | None = None
    forces: Literal["N", "kN"] | None = None
    angles: Literal["deg", "rad"] | None = None
    emg: Literal["V", "mV", "uV", "\u00b5V", "\u03bcV"] | None = None


class PlacesEntry(Entry):
    """Ways to find trunk, joint centre, grip and girdle.

    See :class:`~momentshare.trial.motion.ways.Ways`.
    """

    trunk: TrunkWay = "auto"
    joint_centre: JointWay = "auto"
    grip: GripWay = "auto"
    girdle: GirdleWay = "auto"


def _as_rows(value: object) -> object:
    return [value] if isinstance(value, int) and not isinstance(value, bool) else value


Row = Annotated[int, Field(ge=1, le=1000)]


class LayoutEntry(Entry):
    """One ``[[layout]]`` of a cohort file.

    ``up`` and ``right`` are needed for markers and forces, ``force_on`` for forces, ``units`` for
    every kind read from a table, ``time_column`` or ``rate_hz`` for tables; :meth:`faults` checks
    this. Names of a text table are in ``header_rows`` (several are read as one, an empty cell of an
    upper row takes the name to its left), its units may be in ``units_row``, and its data begin in
    ``first_row``; rows in between are skipped. ``signals`` corrects what a file says about a label.

    Attributes
    ----------
    name : str
    format : {"c3d", "csv", "parquet"}, optional
        Inferred from the file's extension if left out.
    up, right : str, optional
        Axis of the laboratory against gravity, and to the person's right, such as ``"+z"``.
    force_on : {"hand", "bar"}, optional
        What measured forces act on.
    time_column, time_unit, rate_hz
        Clock of a table: a column in s or ms, or a rate [Hz].
    delimiter, decimal, header_rows, units_row, first_row
        How a text table is written; rows count from 1.
    axes : tuple of str
        Endings of the three columns of a vector.
    units : UnitsEntry
        Units of markers, forces, angles and EMG of a table.
    markers, forces, angles, emg : dict
        Role → label in the file.
    signals : dict
        Label → correction of what the file states about it.
    places : PlacesEntry
        Where trunk, joint centre and grip are taken from.
    label_prefix : str
        Precedes every marker label in the file; ``{person}`` in it stands for the person's
        ``file_label`` or name.

    Examples
    --------
    >>> from momentshare import LayoutEntry
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
    >>> layout.faults()
    []
    """

    name: Name
    format: FileFormat | None = None
    up: Axis | None = None
    right: Axis | None = None
    force_on: Literal["hand", "bar"] | None = None
    time_column: FullLabel | None = None
    time_unit: Literal["s", "ms"] = "s"
    rate_hz: Annotated[Finite, Field(gt=0.0)] | None = None
    delimiter: Literal[",", ";", "\t", "|", " "] | None = None
    decimal: Literal[".", ","] = "."
    header_rows: Annotated[
        tuple[Row, ...], BeforeValidator(_as_rows), Field(min_length=1, max_length=4)
    ] = (1,)
    units_row: Row | None = None
    first_row: Row | None = None
    axes: tuple[Ending, Ending, Ending] = ("_x", "_y", "_z")
    units: UnitsEntry = UnitsEntry()
    markers: dict[Annotated[str, _role("landmark role", MARKER_ROLES)], MarkerLabels] = Field(
        default_factory=dict
    )
    forces: dict[
        Annotated[str, _role("force role", FORCE_ROLES)],
        Annotated[ForceEntry, BeforeValidator(_as_table)],
    ] = Field(default_factory=dict)
    angles: dict[Annotated[str, _role("angle role", ANGLE_ROLES)], FullLabel] = Field(
        default_factory=dict
    )
    emg: dict[Annotated[Name, AfterValidator(_head)], FullLabel] = Field(default_factory=dict)
    signals: dict[FullLabel, SignalEntry] = Field(default_factory=dict)
    places: PlacesEntry = PlacesEntry()
    label_prefix: Annotated[str, Field(max_length=100), AfterValidator(plain_text)] = ""

    @property
    def data_row(self) -> int:
        """Row in which the data of a text begin, from 1."""
        return self.first_row or max(*self.header_rows, self.units_row or 0) + 1

    @field_validator("axes")
    @classmethod
    def _axes_differ(cls, value: tuple[str, str, str]) -> tuple[str, str, str]:
        if len(set(value)) < 3:
            raise ValueError(f"the three endings must differ; got {list(value)}")
        return value

    @field_validator("markers", "angles")
    @classmethod
    def _labels_differ(cls, value: dict[str, Any]) -> dict[str, Any]:
        """One electrode may represent several heads; a marker or an angle represents one thing."""
        seen: dict[str, str] = {}
        for role, labels in value.items():
            for label in [labels] if isinstance(labels, str) else labels:
                if label in seen:
                    raise ValueError(
                        f"label {label!r} stands for both {seen[label]!r} and {role!r}; "
                        "give each its own; got the same label twice"
                    )
                seen[label] = role
        return value

    def faults(self, file_format: FileFormat | None = None) -> list[str]:
        """Return what is inconsistent or missing, one line each: field and remedy.

        Parameters
        ----------
        file_format : str, optional
            Format of the file about to be read; by default the stated one, if any.
        """
        faults = []
        if not (self.markers or self.forces or self.angles or self.emg):
            faults.append("markers: is missing; name a signal under markers, forces, angles or emg")
        if self.markers or self.forces:
            faults += [
                f"{field}: is missing; name the laboratory's axis {words}, such as '{example}'"
                for field, words, example in (
                    ("up", "against gravity", "+z"),
                    ("right", "towards the person's right", "+x"),
                )
                if getattr(self, field) is None
            ]
        if self.up and self.right and self.up[1] == self.right[1]:
            faults.append(
                f"right: must lie on another axis than up; got {self.right!r} beside {self.up!r}"
            )
        if self.forces and self.force_on is None:
            faults.append(
                "force_on: is missing; say whether measured forces act on the 'hand' or on the "
                "'bar' (what the hand holds)"
            )
        faults += self._signal_faults()
        file_format = file_format or self.format
        return faults if file_format is None else faults + self._format_faults(file_format)

    def _signal_faults(self) -> list[str]:
        """Return corrections of labels that nothing uses; platform channels are unknown here."""
        if any(force.plate is not None for force in self.forces.values()):
            return []
        wanted = [*self.wanted("c3d"), *self.wanted("csv")]
        found = {label for want in wanted for label in (*want.labels, want.stem)}
        used = {label.removeprefix(self.label_prefix) for label in found} | found
        return [
            f"signals.{label!r}: is not a label of this layout; {suggestion(label, used, 'labels')}"
            for label in self.signals
            if label not in used
        ]

    def _format_faults(self, file_format: FileFormat) -> list[str]:
        faults: list[str] = []
        if file_format == "c3d":
            faults += [
                f"{field}: is for tables; take it out for C3D files, which state it themselves"
                for field in _TABLE_ONLY
                if field in self.model_fields_set
            ]
            faults += [
                f"markers.{role}: a C3D file holds a marker under one label; give one; got "
                f"{list(labels)}"
                for role, labels in self.markers.items()
                if len(labels) != 1
            ]
            faults += [
                f"forces.{role}: must be three analogue channels or {{plate = 1}} for a C3D file; "
                f"got {force.labels}"
                for role, force in self.forces.items()
                if force.plate is None and len(force.labels) != 3
            ]
            return faults
        if self.time_column is None and self.rate_hz is None:
            faults.append("time_column: is missing; a table needs it or rate_hz")
        faults += [
            f"forces.{role}: a table has no force platform; give one label or three"
            for role, force in self.forces.items()
            if force.plate is not None
        ]
        faults += [
            f"units.{kind}: is missing; a table does not state its units (known: "
            f"{', '.join(known_units(kind))})"
            for kind in ("markers", "forces", "angles", "emg")
            if getattr(self.units, kind) is None
            and any(
                fix is None or fix.unit is None
                for want in self.wanted(file_format)
                if want.kind == kind
                for fix in want.fixes
            )
            if file_format != "csv" or self.units_row is None
        ]
        rows = [*self.header_rows, *([self.units_row] if self.units_row else [])]
        if file_format == "csv" and (len(set(rows)) < len(rows) or max(rows) >= self.data_row):
            faults.append(
                f"first_row: must come after the rows of names and units, each its own; got "
                f"{self.data_row} after {rows}"
            )
        if file_format == "csv" and self.delimiter is None:
            faults.append("delimiter: is missing; say what stands between the columns, such as ','")
        if file_format == "csv" and self.delimiter == self.decimal == ",":
            faults.append("decimal: must differ from delimiter; got ',' for both")
        if self.format == "parquet":
            faults += [
                f"{field}: is for CSV; take it out for Parquet files"
                for field in _CSV_ONLY
                if field in self.model_fields_set
            ]
        return faults

    def format_for(self, ending: str) -> FileFormat | None:
        """Return the stated format, or that of a file's extension, or ``None``."""
        return self.format or format_by_ending(ending)

    def roles(self) -> tuple[str, ...]:
        """Return the roles this layout gives labels for, as a recording names them."""
        return tuple(want.role for want in self.wanted("c3d"))

    def wanted(self, file_format: FileFormat) -> tuple[Wanted, ...]:
        """Return every signal to look for; labels of tables are names of columns."""

        def signal(role: str, kind: Kind, labels: tuple[str, ...], **more: Any) -> Wanted:
            stem = ""
            if len(labels) == 1 and kind in {"markers", "forces"} and file_format != "c3d":
                stem = labels[0]
                labels = tuple(stem + ending for ending in self.axes)
            of_all = self.signals.get(stem)
            bare, prefix = labels, self.label_prefix if kind == "markers" else ""
            return Wanted(
                role=role,
                kind=kind,
                labels=tuple(prefix + label for label in labels),
                unit=getattr(self.units, kind) or "",
                stem=prefix + stem if stem else "",
                fixes=tuple(self.signals.get(label, of_all) for label in bare),
                stem_fix=of_all,
                **more,
            )

        return (
            *(signal(role, "markers", labels) for role, labels in self.markers.items()),
            *(
                signal(role, "forces", tuple(force.labels), plate=force.plate or 0, axes=force.axes)
                for role, force in self.forces.items()
            ),
            *(signal(role, "angles", (label,)) for role, label in self.angles.items()),
            *(signal(f"emg/{head}", "emg", (label,)) for head, label in self.emg.items()),
        )

    def to_world(self, vectors: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn vectors, shape (..., 3), from the laboratory's axes to the world frame.

        A missing component stays one missing component: axes are exchanged, never combined.
        """
        if self.up is None or self.right is None:
            raise ValueError("the layout states neither up nor right; see LayoutEntry.faults")
        up, right = _direction(self.up), _direction(self.right)
        rows = np.array([np.cross(up, right), up, right])
        order = np.abs(rows).argmax(axis=1)
        turned: NDArray[np.float64] = vectors[..., order] * rows[np.arange(3), order]
        return turned


def format_by_ending(ending: str) -> FileFormat | None:
    """Return the format of a file's extension, or ``None``."""
    return _ENDINGS.get(ending.lower())


def directions(axes: tuple[str, str, str]) -> NDArray[np.float64]:
    """Directions of three axes as the columns of a matrix."""
    return np.stack([_direction(axis) for axis in axes], axis=-1)


def _direction(axis: str) -> NDArray[np.float64]:
    direction = np.zeros(3)
    direction["xyz".index(axis[1])] = 1.0 if axis[0] == "+" else -1.0
    return direction
