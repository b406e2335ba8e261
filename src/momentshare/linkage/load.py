"""Read the folder of a linkage; report every fault of every file together."""

from __future__ import annotations

import math
import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ModelError, UnknownNameError, nearest_name
from momentshare.linkage.entries import (
    BodyEntry,
    JointEntry,
    LinkageFile,
    LinkageSiteEntry,
    LinkageSurfaceEntry,
    RowEntry,
)
from momentshare.linkage.heads import build_heads, look_at_heads
from momentshare.linkage.schema import (
    JOINT_ROWS,
    Body,
    Joint,
    JointRow,
    Linkage,
    LinkageHead,
)
from momentshare.model import Number, Site, Surface, models_folder
from momentshare.model.folder import FolderReader
from momentshare.model.tables import make_site, make_surface
from momentshare.results import FrozenDict
from momentshare.units import to_si

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

__all__ = ["available_linkages", "load_linkage"]

_FILE = "linkage.toml"
_ALONG = 1e-6
"""Sine of the angle between two axes of a joint below which they are one."""


def available_linkages() -> tuple[str, ...]:
    """Return the names of the shipped linkages."""
    return tuple(sorted(p.parent.name for p in models_folder().glob(f"*/{_FILE}")))


def load_linkage(name_or_folder: str | Path) -> Linkage:
    """Load a shipped linkage by name, or the folder of one of your own by path.

    Parameters
    ----------
    name_or_folder : str or Path
        ``"textbook_arm"``, ``"leg"``, ``"finger"`` or ``"elbow_by_table"``; or a folder that holds
        ``linkage.toml``: a ``Path``, or text with a path separator or a dot in front. ``momentshare
        help linkage`` tells the files.

    Returns
    -------
    Linkage
        All numbers in SI, each with spread, source and kind.

    Raises
    ------
    ModelError
        With one line for each fault of any file.
    UnknownNameError
        When neither a shipped linkage nor a folder answers to the name.

    Examples
    --------
    >>> from momentshare import load_linkage
    >>> leg = load_linkage("leg")
    >>> [joint.type for joint in leg.joints]
    ['ball', 'hinge', 'pair']
    >>> leg.row_names[:2], leg.bodies["shank"].mass.kind
    (('hip_flexion', 'hip_adduction'), 'from memory')
    """
    return _assembled(FolderReader(_folder(name_or_folder)))


def _folder(name_or_folder: str | Path) -> Path:
    text = str(name_or_folder)
    known = available_linkages()
    if isinstance(name_or_folder, Path) or text.startswith(".") or any(c in text for c in "/\\"):
        folder = Path(name_or_folder)
        if not os.path.lexists(folder / _FILE):
            remedy = f"it holds no {_FILE}; shipped: {', '.join(known)}"
            if (folder / "limb.toml").is_file():
                remedy = f"it holds a limb.toml and no {_FILE}: load_model reads it"
            raise UnknownNameError("folder of a linkage", text, (), remedy=remedy)
        return folder
    if text in known:
        return models_folder() / text
    own = Path(text, _FILE).is_file()
    offer = f"for the folder of this name write './{text}'" if own else None
    raise UnknownNameError("linkage", text, known, remedy=offer)


def _assembled(reader: FolderReader) -> Linkage:
    """Put the tables of a folder together, or refuse it with all that is wrong."""
    file = reader.toml(_FILE, LinkageFile)
    entries = reader.table("joints.csv", JointEntry)
    joints = _joints(reader, entries, None if file is None else file.ground)
    rows = _rows(reader, joints)
    names = {joint.body for joint in joints.values()}
    bodies = _bodies(reader, names, None if file is None else file.ground)
    # A body that carries another is known, even where the file that names the ground is not.
    names |= {joint.parent for joint in joints.values()} if file is None else {file.ground}
    sites, surfaces = _sites(reader, names), _surfaces(reader, names)
    postures = {} if file is None else _postures(reader, file, rows)
    ball = {row.name for row in rows.values() if joints[row.joint].type == "ball"}
    heads: tuple[LinkageHead, ...] = ()
    if file is None:
        look_at_heads(reader, rows)
    else:
        heads = build_heads(reader, file, sites, surfaces, rows, ball)
    end = "" if file is None else file.end
    if end and end not in sites and not reader.may_hold("sites.csv", site=end):
        reader.fault(_FILE, f"field 'end': unknown site {end!r}; {nearest_name(end, sites)}")
    if reader.faults or file is None:
        raise ModelError(f"linkage {reader.folder} does not load:", reader.faults)
    return Linkage(
        name=file.name,
        version=file.version,
        description=file.description,
        path=reader.folder,
        digest=reader.digest.hexdigest()[:16],
        ground=file.ground,
        up=(file.up[0], file.up[1], file.up[2]),
        end=file.end,
        joints=tuple(joints.values()),
        rows=tuple(rows.values()),
        bodies=FrozenDict(bodies),
        sites=FrozenDict(sites),
        surfaces=FrozenDict(surfaces),
        heads=heads,
        postures=FrozenDict(postures),
        references=FrozenDict(reader.references),
    )


def _joints(
    reader: FolderReader, entries: Sequence[tuple[str, JointEntry]], ground: str | None
) -> dict[str, Joint]:
    """Joints in an order in which each comes behind that of its parent."""
    read: dict[str, Joint] = {}
    places: dict[str, str] = {}
    hung: set[str] = set()
    for place, entry in entries:
        scale = reader.attempt(place, partial(to_si, 1.0, entry.unit, "length"))
        if entry.body in hung:
            reader.fault(
                place, f"body {entry.body!r} hangs from two joints; remove one of the rows"
            )
        elif entry.body == ground:
            reader.fault(place, f"body {entry.body!r} is the ground and hangs from nothing")
        hung.add(entry.body)
        if scale is None:
            reader.refuse("joints.csv", entry.model_dump())
            continue
        places[entry.joint] = place
        joint = Joint(
            name=entry.joint,
            type=entry.type,
            parent=entry.parent,
            body=entry.body,
            position=(entry.x * scale, entry.y * scale, entry.z * scale),
            spread=entry.spread * scale,
            source=entry.source,
            kind=entry.kind,
            note=entry.note,
        )
        reader.keep(read, entry.joint, joint, place)
    if not entries and not reader.may_hold("joints.csv"):
        reader.fault("joints.csv", "holds no joints; add a row")
    placed = {} if ground is None else {ground: ""}
    found: dict[str, Joint] = {}

    def hangs(joint: Joint) -> bool:
        # From a body whose own row was refused it may: that row is told, not what follows from it.
        refused = ground is None or reader.may_hold("joints.csv", body=joint.parent)
        return joint.parent in placed or refused

    while more := [j for j in read.values() if j.name not in found and hangs(j)]:
        found |= {joint.name: joint for joint in more}
        placed |= {joint.body: joint.name for joint in more}
    for name in [name for name in read if name not in found]:
        joint = read[name]
        what = "leads round in a circle" if joint.parent in hung else "is not known"
        reader.fault(
            places[name],
            f"field 'parent': body {joint.parent!r} {what}; every chain begins at the ground "
            f"{ground!r}",
        )
        found[name] = joint
    return found


def _rows(reader: FolderReader, joints: Mapping[str, Joint]) -> dict[str, JointRow]:
    """Rows by name, those of a joint in the order of the file, joints in their own order."""
    read: dict[str, JointRow] = {}
    for place, entry in reader.table("rows.csv", RowEntry):
        if entry.joint not in joints and not reader.may_hold("joints.csv", joint=entry.joint):
            near = nearest_name(entry.joint, joints)
            reader.fault(place, f"field 'joint': unknown joint {entry.joint!r}; {near}")
        if entry.joint not in joints:
            reader.refuse("rows.csv", entry.model_dump())
        row = JointRow(
            name=entry.row,
            joint=entry.joint,
            axis=entry.axis,
            low=math.radians(entry.low_deg),
            high=math.radians(entry.high_deg),
            balanced=entry.balanced == "yes",
            source=entry.source,
            kind=entry.kind,
            note=entry.note,
        )
        reader.keep(read, entry.row, row, place)
    found: dict[str, JointRow] = {}
    for name, joint in joints.items():
        own = [row for row in read.values() if row.joint == name]
        found |= {row.name: row for row in own}
        wanted = JOINT_ROWS[joint.type]
        if len(own) != wanted:
            if not reader.may_hold("rows.csv", joint=name):
                reader.fault(
                    "rows.csv",
                    f"joint {name!r} is a {joint.type}, so it must have {wanted} rows; "
                    f"got {len(own)}",
                )
            continue
        axes = np.array([row.axis for row in own])
        across = axes @ axes.T - np.eye(wanted)
        if joint.type == "ball" and np.abs(across).max() > _ALONG:
            reader.fault("rows.csv", f"joint {name!r}: the axes of a ball must be at right angles")
        if joint.type == "pair" and np.linalg.norm(np.cross(*axes)) < _ALONG:
            reader.fault("rows.csv", f"joint {name!r}: the two axes of a pair must differ")
    if found and not any(row.balanced for row in found.values()):
        reader.fault("rows.csv", "no row is balanced; put 'yes' where the heads meet the moment")
    return found


def _bodies(reader: FolderReader, names: Collection[str], ground: str | None) -> dict[str, Body]:
    """Bodies by name; a mass of zero has to be said."""
    numbers: dict[tuple[str, str], Number] = {}
    for place, row in reader.table("bodies.csv", BodyEntry):
        dimension = "mass" if row.quantity == "mass" else "length"
        number = reader.attempt(place, partial(Number.read, row, dimension))
        if number is None:
            reader.refuse("bodies.csv", row.model_dump())
        if row.body == ground:
            reader.fault(
                place, f"field 'body': {ground!r} is the ground and has no mass; remove it"
            )
        elif row.body not in names and not reader.may_hold("joints.csv", body=row.body):
            reader.fault(
                place,
                f"field 'body': {row.body!r} hangs from no joint; {nearest_name(row.body, names)}",
            )
        reader.keep(numbers, (row.body, row.quantity), number, place)
    found = {}
    for name in sorted(names):
        mass = numbers.get((name, "mass"))
        parts = {}
        for what in ("centre", "radius"):
            three = [numbers.get((name, f"{what}_{axis}")) for axis in "xyz"]
            given = [number for number in three if number is not None]
            parts[what] = (given[0], given[1], given[2]) if len(given) == 3 else None
            lacking = 0 < len(given) < 3
            lacking |= what == "centre" and not given and mass is not None and mass.value > 0.0
            if lacking and not reader.may_hold("bodies.csv", body=name):
                reader.fault(
                    "bodies.csv",
                    f"body {name!r} lacks some of {what}_x, {what}_y, {what}_z; add the rows",
                )
        if mass is None:
            if not reader.may_hold("bodies.csv", body=name, quantity="mass"):
                reader.fault(
                    "bodies.csv",
                    f"body {name!r} has no mass; add a row, with 0 for one without weight",
                )
            continue
        found[name] = Body(name=name, mass=mass, centre=parts["centre"], radii=parts["radius"])
    return found


def _require_body(reader: FolderReader, place: str, body: str, names: Collection[str]) -> None:
    if body not in names and not reader.may_hold("joints.csv", body=body):
        reader.fault(place, f"field 'body': unknown body {body!r}; {nearest_name(body, names)}")


def _sites(reader: FolderReader, names: Collection[str]) -> dict[str, Site]:
    found: dict[str, Site] = {}
    for place, row in reader.table("sites.csv", LinkageSiteEntry):
        _require_body(reader, place, row.body, names)
        site = reader.attempt(place, partial(make_site, row))
        if site is None:
            reader.refuse("sites.csv", row.model_dump())
        else:
            reader.keep(found, row.site, site, place)
    return found


def _surfaces(reader: FolderReader, names: Collection[str]) -> dict[str, Surface]:
    found: dict[str, Surface] = {}
    if not os.path.lexists(reader.folder / "surfaces.csv"):
        return found
    for place, row in reader.table("surfaces.csv", LinkageSurfaceEntry):
        _require_body(reader, place, row.body, names)
        surface = reader.attempt(place, partial(make_surface, row))
        if surface is None:
            reader.refuse("surfaces.csv", row.model_dump())
        else:
            reader.keep(found, row.surface, surface, place)
    return found


def _postures(
    reader: FolderReader, file: LinkageFile, rows: Mapping[str, JointRow]
) -> dict[str, Mapping[str, float]]:
    """Postures [rad]; rows left out are at zero."""
    found: dict[str, Mapping[str, float]] = {}
    for name, angles in file.postures.items():
        for row in angles:
            if row not in rows and not reader.may_hold("rows.csv", row=row):
                reader.fault(
                    _FILE,
                    f"field 'postures.{name}': unknown row {row!r}; {nearest_name(row, rows)}",
                )
        found[name] = FrozenDict({row: math.radians(deg) for row, deg in angles.items()})
    return found
