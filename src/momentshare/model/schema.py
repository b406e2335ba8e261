"""What a model holds, and the rules that each row of its files must satisfy.

The ``*Row`` classes check one row of a CSV file each; the frozen dataclasses are what the
rest of the library sees, in SI.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field, fields, is_dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from momentshare.limits import Limits
from momentshare.units import to_si

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

    from momentshare.model.number_row import NumberRow
    from momentshare.model.sources import Reference

__all__ = [
    "ANCHORS",
    "ARM_SEGMENTS",
    "BODIES",
    "GIRDLE_ANGLES",
    "CalibratedRow",
    "Fit",
    "FitRow",
    "GroupRow",
    "Head",
    "HeadRow",
    "InertiaRow",
    "LimbFile",
    "LimitRow",
    "Model",
    "Number",
    "PathStep",
    "QuantityRow",
    "Site",
    "SiteRow",
    "Surface",
    "SurfaceRow",
    "content_digest",
    "lines_by_head",
    "settle_digest",
]

BODIES = ("thorax", "clavicle", "scapula", "humerus", "ulna", "radius")
"""Bodies in order from the trunk to the hand."""

GIRDLE_ANGLES = (
    "clavicle_protraction",
    "clavicle_elevation",
    "clavicle_axial",
    "scapula_internal",
    "scapula_upward",
    "scapula_tilt",
)
"""Angles of the girdle; the axial rotation and the tilt are positive backward."""

ANCHORS = ("bone", "proximal", "along", "distal")
"""How a site follows a person's size.

``bone``: all coordinates with the size of the bone; ``proximal``: the same, on a long bone;
``along``: the long coordinate with the bone's length; ``distal``: the long coordinate keeps
its distance from the far joint.
"""

ARM_SEGMENTS = ("upper_arm", "forearm", "hand")
"""Segments whose inertia enters net moments; the others serve the static push-up only."""

Kind = Literal["measured", "derived", "calibrated", "assumed", "from memory"]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Spread = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1)]
Lines = Annotated[list[Annotated[list[Name], Field(min_length=2)]], Field(min_length=1)]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class _Sourced(_Row):
    source: Name
    kind: Kind
    note: str = ""


class QuantityRow(_Sourced):
    """One row of ``quantities.csv``."""

    quantity: Name
    value: Finite
    unit: Name
    spread: Spread


class SiteRow(_Sourced):
    """One row of ``sites.csv``: a point fixed to a body."""

    site: Name
    body: Literal["thorax", "clavicle", "scapula", "humerus", "ulna", "radius"]
    x: Finite
    y: Finite
    z: Finite
    unit: Name
    spread: Spread
    anchor: Literal["bone", "proximal", "along", "distal"]


class SurfaceRow(_Sourced):
    """One row of ``surfaces.csv``: a sphere or an infinite cylinder fixed to a body."""

    surface: Name
    shape: Literal["sphere", "cylinder"]
    body: Literal["thorax", "clavicle", "scapula", "humerus", "ulna", "radius"]
    x: Finite
    y: Finite
    z: Finite
    axis_x: Finite
    axis_y: Finite
    axis_z: Finite
    radius: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread
    anchor: Literal["bone", "proximal", "along", "distal"]
    largest_turn_deg: Annotated[float, Field(gt=0.0, le=180.0)] = 180.0
    borne_by: Literal["", "thorax", "clavicle", "scapula", "humerus", "ulna", "radius"] = ""

    @property
    def axis(self) -> tuple[float, float, float]:
        """Components of the axis."""
        return self.axis_x, self.axis_y, self.axis_z

    @model_validator(mode="after")
    def _axis_fits_the_shape(self) -> SurfaceRow:
        norm = float(np.linalg.norm(self.axis))
        if self.shape == "cylinder" and abs(norm - 1.0) > 1e-6:
            raise ValueError(f"the axis of a cylinder must have length 1; got {norm:.6g}")
        return self


class HeadRow(_Sourced):
    """One row of ``heads.csv``: one quantity of one head."""

    head: Name
    quantity: Literal[
        "volume",
        "peak_fibre_length",
        "pennation",
        "fibre_length_arm_at_side",
        "fibre_length_mid_range",
    ]
    value: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread


class GroupRow(_Row):
    """One row of ``groups.csv``: the strength group of a head."""

    head: Name
    group: Name


class FitRow(_Row):
    """One row of ``anthropometry.csv``: statistics and linear fit to stature."""

    sex: Literal["male", "female"]
    measure: Name
    mean: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    sd: Spread
    slope: Finite
    intercept: Finite
    unit: Name
    source: Name
    kind: Kind


class CalibratedRow(_Sourced):
    """One row of ``calibrated.csv``: a fitted number that replaces one of another table."""

    table: Literal["sites", "surfaces", "heads", "quantities"]
    name: Name
    field: Literal[
        "x", "y", "z", "radius", "value",
        "peak_fibre_length", "fibre_length_arm_at_side", "fibre_length_mid_range",
    ]  # fmt: skip
    value: Finite
    unit: Name
    spread: Spread


class InertiaRow(_Sourced):
    """One row of ``inertia.csv``: one inertial quantity of one segment."""

    sex: Literal["male", "female"]
    segment: Literal["upper_arm", "forearm", "hand", "head", "trunk", "thigh", "shank", "foot"]
    quantity: Name
    value: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread


class LimitRow(_Sourced):
    """One row of ``limits.csv``: what the limb does not support, and where."""

    key: Annotated[str, Field(pattern=r"^[A-Z][0-9]{1,3}$")]
    title: Annotated[str, Field(max_length=200)]
    head: Name
    quantity: Name
    exercise: Name
    part: Name
    claim: Name
    condition: str
    value: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] | None
    unit: str
    reason: Annotated[str, Field(max_length=400)]
    targets: str

    @field_validator("value", mode="before")
    @classmethod
    def _blank(cls, value: object) -> object:
        return None if value == "" else value


class _Posture(BaseModel):
    model_config = ConfigDict(extra="forbid")
    plane_deg: Finite
    elevation_deg: Finite
    axial_deg: Finite
    elbow_flexion_deg: Finite
    forearm_rotation_deg: Finite


class _ReferencePerson(BaseModel):
    model_config = ConfigDict(extra="forbid")
    sex: Literal["male", "female"]


class _Scapula(BaseModel):
    model_config = ConfigDict(extra="forbid")
    policies: list[Name]
    moving: list[Name]
    default: Name
    reference: Name


class LimbFile(BaseModel):
    """The file ``limb.toml``."""

    model_config = ConfigDict(extra="forbid")
    name: Name
    version: Name
    description: Name
    reference_person: _ReferencePerson
    scapula: _Scapula
    reference_postures: dict[str, _Posture]
    paths: dict[str, Annotated[list[Name], Field(min_length=2)] | Lines]

    @property
    def lines(self) -> dict[str, list[list[str]]]:
        """Steps of every line of every head; a head may be written as one line."""
        return lines_by_head(self.paths)


def lines_by_head(paths: Mapping[str, Any]) -> dict[str, list[list[str]]]:
    """Write every head as several lines of steps; a file may write one line alone."""
    return {
        head: [[str(step) for step in line] for line in lines]
        if isinstance(lines[0], list)
        else [[str(step) for step in lines]]
        for head, lines in paths.items()
    }


def content_digest(thing: object, leave: Collection[str] = ()) -> str:
    """Fingerprint of a value or of the fields of a dataclass, but for those left out."""
    if is_dataclass(thing) and not isinstance(thing, type):
        thing = [(f.name, getattr(thing, f.name)) for f in fields(thing) if f.name not in leave]
    return hashlib.sha256(repr(thing).encode()).hexdigest()[:16]


def settle_digest(model: Any) -> None:
    """Give a frozen model the digest of its files, or another where it was changed since.

    To be called when it is made; ``as_read`` keeps the digests of files and content as read.
    """
    content = content_digest(model, leave=("path", "digest", "references", "as_read"))
    if not model.as_read:
        object.__setattr__(model, "as_read", (model.digest, content))
    files, read = model.as_read
    digest = files if content == read else content_digest((files, content))
    object.__setattr__(model, "digest", digest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A value [SI] with its spread [SI, one standard deviation], source and kind."""

    value: float
    spread: float
    unit: str
    source: str
    kind: str
    note: str = ""

    @classmethod
    def read(cls, row: NumberRow, dimension: str) -> Number:
        """Convert a checked row; raise ``ValueError`` when the unit does not fit."""
        return cls(
            value=to_si(row.value, row.unit, dimension),
            spread=to_si(row.spread, row.unit, dimension),
            unit=row.unit,
            source=row.source,
            kind=row.kind,
            note=row.note,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A point fixed to a body [m, body frame, reference person]."""

    name: str
    body: str
    position: tuple[float, float, float]
    spread: float
    anchor: str
    source: str
    kind: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A sphere or infinite cylinder fixed to a body [m, body frame, reference person].

    ``largest_turn`` is the wrap angle at which a path comes off a cylinder [rad]; ``borne_by``
    is the body on which a path presses, its own unless the table says otherwise.
    """

    name: str
    shape: str
    body: str
    centre: tuple[float, float, float]
    axis: tuple[float, float, float]
    radius: float
    spread: float
    anchor: str
    source: str
    kind: str
    note: str = ""
    largest_turn: float = math.pi
    borne_by: str = ""


@dataclass(frozen=True, slots=True)
class PathStep:
    """One step of a path: a site, or a surface with the sense in which it is rounded."""

    name: str
    is_surface: bool
    sense: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One muscle head: architecture, strength group and the lines along which it pulls.

    The lines share one activation and one fibre length, and each carries the same part of the
    force; so length, moment arm and line of action of the head are the means of its lines.
    """

    name: str
    group: str
    volume: Number
    peak_fibre_length: Number
    pennation: Number
    reference_fibre_length: Number
    reference_posture: str
    lines: tuple[tuple[PathStep, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Body dimension by stature: ``slope * stature + intercept`` [SI]."""

    mean: float
    sd: float
    slope: float
    intercept: float
    source: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """A limb for the reference person, all numbers in SI with their provenance.

    Attributes
    ----------
    name, version, description : str
    limits : Limits
        What the model does not support.
    path : Path
        Folder that it was read from.
    digest : str
        Fingerprint of the files, and of what was changed in Python since they were read.
    scapula_policies, moving_scapulae : tuple of str
        Names of the scapula's policies, and of those in which it follows the arm.
    default_scapula, reference_scapula : str
        The policy of a limb when none is named, and the one in which slack lengths are determined.
    reference_postures : mapping
        Name → angles [deg] in which fibre lengths are known.
    quantities, sites, surfaces : mapping
        Name → number, attachment site or surface.
    heads : tuple of Head
        In the order of every array.
    fits : mapping
        (sex, size) → regression of a body size on stature.
    inertia : mapping
        (sex, segment, quantity) → number.
    references : mapping
        Source key → reference.
    described_sources : tuple of str
        Sources of the described numbers, including those that fitted numbers replaced.
    as_read : tuple of str
        Fingerprints of the files and of what was read from them.

    Examples
    --------
    >>> from momentshare import load_model
    >>> model = load_model()
    >>> "triceps_brachii/long" in model.head_names
    True
    >>> tension = model.quantities["specific_tension"]
    >>> bool(tension.value > 0.0), tension.kind, tension.source in model.references
    (True, 'measured', True)
    """

    name: str
    version: str
    description: str
    limits: Limits = field(default_factory=Limits)
    path: Path = field(repr=False, compare=False)
    digest: str
    scapula_policies: tuple[str, ...]
    moving_scapulae: tuple[str, ...]
    default_scapula: str
    reference_scapula: str
    reference_postures: Mapping[str, Mapping[str, float]]
    quantities: Mapping[str, Number]
    sites: Mapping[str, Site]
    surfaces: Mapping[str, Surface]
    heads: tuple[Head, ...]
    fits: Mapping[tuple[str, str], Fit]
    inertia: Mapping[tuple[str, str, str], Number]
    references: Mapping[str, Reference] = field(repr=False)
    described_sources: tuple[str, ...] = ()
    as_read: tuple[str, ...] = field(default=(), repr=False, compare=False)

    def __post_init__(self) -> None:
        settle_digest(self)

    def __repr__(self) -> str:
        return f"Model({self.name!r}, version={self.version!r}, heads={len(self.heads)})"

    @property
    def head_names(self) -> tuple[str, ...]:
        """Names of the heads in the order of every array."""
        return tuple(head.name for head in self.heads)

    def number(self, quantity: str) -> float:
        """Return the SI value of a quantity."""
        return self.quantities[quantity].value

    def source_keys(self) -> tuple[str, ...]:
        """Return every source key the model uses, sorted."""
        keys = set(self.described_sources)
        keys |= {n.source for n in self.quantities.values()}
        keys |= {s.source for s in self.sites.values()}
        keys |= {s.source for s in self.surfaces.values()}
        keys |= {f.source for f in self.fits.values()}
        keys |= {n.source for n in self.inertia.values()}
        for head in self.heads:
            keys |= {head.volume.source, head.peak_fibre_length.source}
            keys |= {head.pennation.source, head.reference_fibre_length.source}
        return tuple(sorted(keys))
