"""What a linkage holds, in SI.

A linkage is a limb of one's own: bodies that hang from a ground by joints, rows of the joint
moment, and heads that pull between the bodies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.model.schema import Number, PathStep, Site, Surface, settle_digest

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from momentshare.model.sources import Reference

__all__ = [
    "JOINT_ROWS",
    "AngleTable",
    "Body",
    "Joint",
    "JointRow",
    "Linkage",
    "LinkageHead",
]

JOINT_ROWS = {"hinge": 1, "pair": 2, "ball": 3}
"""Joint type → number of its rows.

``hinge``: one axis. ``pair``: two axes through one point, the first fixed to the body before the
joint, the second carried along by the turn about the first. ``ball``: three axes at right angles;
the angles are turns about them one after the other, each carried along by those before, and the
rows are the moment about the three axes as they are fixed to the body before the joint.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Where a body hangs from the one before it; the centre is the origin of the body [m]."""

    name: str
    type: str
    parent: str
    body: str
    position: tuple[float, float, float]
    spread: float
    source: str
    kind: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointRow:
    """One angle and moment: a turn about the axis, right-hand positive; limits [rad]."""

    name: str
    joint: str
    axis: tuple[float, float, float]
    low: float
    high: float
    balanced: bool
    source: str
    kind: str
    note: str = ""

    @property
    def limits_deg(self) -> tuple[float, float]:
        """Limits of the angle [deg], as the file has them but for rounding."""
        return round(math.degrees(self.low), 6), round(math.degrees(self.high), 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Mass [kg], centre of mass and radii of gyration about the body's axes [m]."""

    name: str
    mass: Number
    centre: tuple[Number, Number, Number] | None = None
    radii: tuple[Number, Number, Number] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleTable:
    """Values over the angle of one row [rad, SI], between which a curve is led."""

    row: str
    angles: tuple[float, ...]
    values: tuple[float, ...]
    sources: tuple[str, ...]
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkageHead:
    """One head: lines or tables of moment arms, and what its capacity follows from.

    Attributes
    ----------
    name : str
    lines : tuple of tuple of PathStep
        They share activation and fibre length, and each carries the same part of the force.
    numbers : mapping
        Quantity of ``heads.csv`` → number.
    arms : tuple of AngleTable
        Moment arms over the angle of a row [m], in place of lines.
    capacity : AngleTable or None
        Greatest active force over the angle of a row [N], in place of fibres.
    reference_posture : str
        Posture in which the fibre length is known; empty where the slack length is.

    Examples
    --------
    A second brachialis, beside the first:

    >>> from dataclasses import replace
    >>> from momentshare import load_linkage
    >>> arm = load_linkage("textbook_arm")
    >>> first = arm.heads[arm.head_names.index("brachialis")]
    >>> stronger = replace(arm, heads=(*arm.heads, replace(first, name="brachialis/second")))
    >>> len(stronger.heads), stronger.digest != arm.digest
    (9, True)
    """

    name: str
    lines: tuple[tuple[PathStep, ...], ...] = ()
    numbers: Mapping[str, Number] = field(default_factory=dict)
    arms: tuple[AngleTable, ...] = ()
    capacity: AngleTable | None = None
    reference_posture: str = ""

    def value(self, quantity: str, default: float = np.nan) -> float:
        """Return a number of the head [SI]."""
        found = self.numbers.get(quantity)
        return default if found is None else found.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Linkage:
    """A limb of one's own: bodies, joints, rows of the moment and heads, with provenance.

    Every body's frame has its origin in the centre of its joint; with all angles zero all frames
    are parallel to that of the ground.

    Attributes
    ----------
    name, version, description : str
    path : Path
        Folder that it was read from.
    digest : str
        Fingerprint of the files, and of what was changed in Python since they were read.
    ground : str
        Body that stays still, or moves evenly.
    up : tuple of float
        Upward, ground frame.
    end : str
        Site at which loads act that name no other; empty where there is none.
    joints : tuple of Joint
        Each behind the joint of its parent.
    rows : tuple of JointRow
        Angles and moments in the order of every array; those of a joint in the order of its turns.
    bodies : mapping
        Name → :class:`Body`, the ground left out.
    sites, surfaces : mapping
        Name → point or surface on a body.
    heads : tuple of LinkageHead
        In the order of every array.
    postures : mapping
        Name → row → angle [rad].
    references : mapping
        Source key → reference.
    as_read : tuple of str
        Fingerprints of the files and of what was read from them.

    Examples
    --------
    >>> from momentshare import load_linkage
    >>> arm = load_linkage("textbook_arm")
    >>> arm
    Linkage('textbook_arm', bodies=2, rows=2, heads=8)
    >>> arm.row_names
    ('shoulder_flexion', 'elbow_flexion')
    """

    name: str
    version: str
    description: str
    path: Path = field(repr=False, compare=False)
    digest: str
    ground: str
    up: tuple[float, float, float]
    end: str
    joints: tuple[Joint, ...]
    rows: tuple[JointRow, ...]
    bodies: Mapping[str, Body]
    sites: Mapping[str, Site]
    surfaces: Mapping[str, Surface]
    heads: tuple[LinkageHead, ...]
    postures: Mapping[str, Mapping[str, float]]
    references: Mapping[str, Reference] = field(repr=False)
    as_read: tuple[str, ...] = field(default=(), repr=False, compare=False)

    def __post_init__(self) -> None:
        settle_digest(self)

    def __repr__(self) -> str:
        return (
            f"Linkage({self.name!r}, bodies={len(self.bodies)}, rows={len(self.rows)}, "
            f"heads={len(self.heads)})"
        )

    @property
    def head_names(self) -> tuple[str, ...]:
        """Names of the heads in the order of every array."""
        return tuple(head.name for head in self.heads)

    @property
    def row_names(self) -> tuple[str, ...]:
        """Names of the rows in the order of every array."""
        return tuple(row.name for row in self.rows)

    @property
    def balanced(self) -> tuple[bool, ...]:
        """Whether the heads are asked to meet each row."""
        return tuple(row.balanced for row in self.rows)

    def joint_rows(self, joint: str) -> tuple[int, ...]:
        """Numbers of the rows of a joint, in the order of its turns."""
        return tuple(k for k, row in enumerate(self.rows) if row.joint == joint)

    def beyond(self, joint: Joint) -> frozenset[str]:
        """Bodies that a joint carries, its own body first of all."""
        found = {joint.body}
        for other in self.joints:
            if other.parent in found:
                found.add(other.body)
        return frozenset(found)

    def crossed(self, head: LinkageHead) -> tuple[str, ...]:
        """Joints that a head crosses, in their order."""
        if head.arms:
            rows = {table.row for table in head.arms}
            found = {row.joint for row in self.rows if row.name in rows}
        else:
            found = set()
            for joint in self.joints:
                beyond = self.beyond(joint)
                for line in head.lines:
                    steps = [
                        (self.surfaces if step.is_surface else self.sites)[step.name]
                        for step in line
                    ]
                    if len({step.body in beyond for step in steps}) > 1:
                        found.add(joint.name)
        return tuple(joint.name for joint in self.joints if joint.name in found)

    def kinds(self) -> dict[str, int]:
        """Count the numbers of the files by how they are known; a row of a site or axis is one."""
        items: list[Number | Joint | JointRow | Site | Surface] = [*self.joints, *self.rows]
        items += [*self.sites.values(), *self.surfaces.values()]
        for body in self.bodies.values():
            items += [body.mass, *(body.centre or ()), *(body.radii or ())]
        kinds = [item.kind for item in items]
        seen = {id(n): n.kind for head in self.heads for n in head.numbers.values()}
        kinds += seen.values()
        for head in self.heads:
            tables = head.arms if head.capacity is None else (*head.arms, head.capacity)
            kinds += [kind for table in tables for kind in table.kinds]
        return {kind: kinds.count(kind) for kind in sorted(set(kinds))}

    def source_keys(self) -> tuple[str, ...]:
        """Return every source key the linkage uses, sorted."""
        keys = {joint.source for joint in self.joints} | {row.source for row in self.rows}
        keys |= {site.source for site in self.sites.values()}
        keys |= {surface.source for surface in self.surfaces.values()}
        for body in self.bodies.values():
            numbers = (body.mass, *(body.centre or ()), *(body.radii or ()))
            keys |= {number.source for number in numbers}
        for head in self.heads:
            keys |= {number.source for number in head.numbers.values()}
            tables = head.arms if head.capacity is None else (*head.arms, head.capacity)
            keys |= {source for table in tables for source in table.sources}
        return tuple(sorted(keys))
