"""The heads of a linkage: paths or tables of moment arms, and the numbers of their fibres."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from momentshare.errors import nearest_name
from momentshare.linkage.entries import (
    HEAD_QUANTITIES,
    ArmEntry,
    CapacityEntry,
    LinkageFile,
    LinkageHeadEntry,
)
from momentshare.linkage.fibres import LONGEST_FIBRE
from momentshare.linkage.schema import (
    AngleTable,
    LinkageHead,
)
from momentshare.model import Number
from momentshare.model.folder import read_line
from momentshare.results import FrozenDict
from momentshare.units import to_si

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from momentshare.model import Site, Surface
    from momentshare.model.folder import FolderReader

__all__ = ["build_heads", "look_at_heads"]

_FILE = "linkage.toml"
_ALL = "*"
_FIBRE = "fibre_length_"

EntryT = TypeVar("EntryT", ArmEntry, CapacityEntry)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What heads may speak of."""

    sites: Mapping[str, Site]
    shapes: Mapping[str, str]
    rows: Collection[str]
    ball: Collection[str]
    postures: Collection[str]


def build_heads(
    reader: FolderReader,
    file: LinkageFile,
    sites: Mapping[str, Site],
    surfaces: Mapping[str, Surface],
    rows: Collection[str],
    ball: Collection[str],
) -> tuple[LinkageHead, ...]:
    """Heads in the order of the paths, then of the tables; what one of them lacks is a fault.

    Parameters
    ----------
    reader : FolderReader
    file : LinkageFile
    sites, surfaces : mapping
    rows : collection of str
        Known rows.
    ball : collection of str
        Those of ball joints.
    """
    shapes = {name: surface.shape for name, surface in surfaces.items()}
    known = _Known(sites=sites, shapes=shapes, rows=rows, ball=ball, postures=set(file.postures))
    arms = _tables(reader, known, "arms.csv", ArmEntry)
    capacities = _tables(reader, known, "capacities.csv", CapacityEntry)
    names = list(dict.fromkeys([*file.paths, *(head for head, _ in arms)]))
    numbers = _numbers(reader, known, names)
    if not names and not reader.may_hold("arms.csv"):
        reader.fault(_FILE, "field 'paths': there are no heads; add paths, or arms.csv")
    for head, _ in capacities:
        if head not in names:
            reader.fault("capacities.csv", f"head {head!r} has neither path nor arms; add them")
    lines = file.lines
    found = []
    for name in names:
        place = f"{_FILE} path {name!r}"
        own = [read_line(reader, place, x, sites, shapes) for x in lines.get(name, [])]
        tabled = tuple(table for (head, _), table in arms.items() if head == name)
        if own and tabled:
            reader.fault("arms.csv", f"head {name!r} has a path as well; leave one of them out")
        force = [table for (head, _), table in capacities.items() if head == name]
        if len(force) > 1:
            reader.fault("capacities.csv", f"head {name!r} has more than one row; keep one of them")
        of_head = {q: n for (head, q), n in numbers.items() if head == _ALL} | {
            q: n for (head, q), n in numbers.items() if head == name
        }
        posture = _posture(reader, name, of_head) if not force else ""
        _check(reader, known, name, of_head, tabled=tabled, force=force, posture=posture)
        found.append(
            LinkageHead(
                name=name,
                lines=tuple(line for line in own if line is not None),
                numbers=FrozenDict(of_head),
                arms=tabled,
                capacity=force[0] if force else None,
                reference_posture=posture,
            )
        )
    return tuple(found)


def look_at_heads(reader: FolderReader, rows: Collection[str]) -> None:
    """Tell what is wrong in the tables of heads by itself, where the file that names heads is."""
    known = _Known(sites={}, shapes={}, rows=rows, ball=(), postures=())
    _tables(reader, known, "arms.csv", ArmEntry)
    _tables(reader, known, "capacities.csv", CapacityEntry)
    _numbers(reader, None, ())


def _numbers(
    reader: FolderReader, known: _Known | None, names: Collection[str]
) -> dict[tuple[str, str], Number]:
    """Numbers of ``heads.csv`` by head and quantity; ``known`` is None where heads are not."""
    found: dict[tuple[str, str], Number] = {}
    if not os.path.lexists(reader.folder / "heads.csv"):
        return found
    for place, row in reader.table("heads.csv", LinkageHeadEntry):
        dimension = HEAD_QUANTITIES.get(row.quantity, "number")
        number = reader.attempt(place, partial(_number, row, dimension))
        if number is None:
            reader.refuse("heads.csv", row.model_dump())
        if known is None:
            continue
        if row.head != _ALL and row.head not in names:
            near = nearest_name(row.head, names)
            reader.fault(place, f"field 'head': {row.head!r} has neither path nor arms; {near}")
        if row.quantity.startswith(_FIBRE):
            posture = row.quantity.removeprefix(_FIBRE)
            if posture not in known.postures:
                reader.fault(
                    place,
                    f"field 'quantity': {_FILE} has no posture {posture!r}; add "
                    f"[postures.{posture}]",
                )
        reader.keep(found, (row.head, row.quantity), number, place)
    return found


def _number(row: LinkageHeadEntry, dimension: str) -> Number:
    value = to_si(row.value, row.unit, dimension)
    if row.quantity in {"peak_fibre_length", "greatest_shortening_speed"} and value <= 0.0:
        raise ValueError(f"field 'value': {row.quantity} must be above zero; got {row.value:g}")
    if row.quantity == "pennation" and value >= math.radians(80.0):
        raise ValueError(f"field 'value': pennation must be below 80 degrees; got {row.value:g}")
    if row.quantity.startswith(_FIBRE) and not 0.0 < value <= LONGEST_FIBRE:
        raise ValueError(
            f"field 'value': must be above 0 and at most {LONGEST_FIBRE:g} peak fibre lengths; "
            f"got {row.value:g}"
        )
    return Number(
        value=value,
        spread=to_si(row.spread, row.unit, dimension),
        unit=row.unit,
        source=row.source,
        kind=row.kind,
        note=row.note,
    )


def _posture(reader: FolderReader, name: str, numbers: Mapping[str, Number]) -> str:
    """Posture in which the fibre length of a head is known; empty where slack length takes over."""
    given = [q.removeprefix(_FIBRE) for q in numbers if q.startswith(_FIBRE)]
    if len(given) + ("slack_length" in numbers) > 1:
        reader.fault(
            "heads.csv",
            f"head {name!r} has more than one of slack_length and fibre_length_<posture>; "
            "keep one of them",
        )
    return given[0] if given else ""


def _check(
    reader: FolderReader,
    known: _Known,
    name: str,
    numbers: Mapping[str, Number],
    *,
    tabled: tuple[AngleTable, ...],
    force: list[AngleTable],
    posture: str,
) -> None:
    """Name what a head lacks for its capacity."""
    if force or reader.may_hold("heads.csv", head=name) or reader.may_hold("heads.csv", head=_ALL):
        return
    lacks = [q for q in ("peak_fibre_length", "pennation") if q not in numbers]
    by_volume = {"volume", "specific_tension"} <= set(numbers)
    if "greatest_isometric_force" not in numbers and not by_volume:
        lacks.append("greatest_isometric_force (or volume and specific_tension)")
    if not posture and "slack_length" not in numbers:
        lacks.append("slack_length or fibre_length_<posture>")
    if lacks:
        reader.fault("heads.csv", f"head {name!r} lacks {', '.join(lacks)}; add the rows")
    if not tabled:
        return
    if not posture and "slack_length" in numbers:
        reader.fault(
            "heads.csv",
            f"head {name!r}: tables of arms give changes of length only, so slack_length says "
            "nothing; give fibre_length_<posture>, or its forces in capacities.csv",
        )
    turned = [table.row for table in tabled if table.row in known.ball]
    if turned:
        reader.fault(
            "arms.csv",
            f"head {name!r}: arms about {', '.join(turned)} belong to a ball joint and give no "
            "length; give its forces in capacities.csv",
        )


def _tables(
    reader: FolderReader, known: _Known, name: str, kind: type[EntryT]
) -> dict[tuple[str, str], AngleTable]:
    """Tables over an angle by head and row; two angles or more each."""
    found: dict[tuple[str, str], AngleTable] = {}
    if not os.path.lexists(reader.folder / name):
        return found
    points: dict[tuple[str, str], dict[float, tuple[float, str, str]]] = {}
    dimension = "length" if kind is ArmEntry else "force"
    for place, row in reader.table(name, kind):
        raw = row.arm if isinstance(row, ArmEntry) else row.force
        value = reader.attempt(place, partial(to_si, raw, row.unit, dimension))
        if row.row not in known.rows and not reader.may_hold("rows.csv", row=row.row):
            near = nearest_name(row.row, known.rows)
            reader.fault(place, f"field 'row': unknown row {row.row!r}; {near}")
        if value is None:
            reader.refuse(name, row.model_dump())
            continue
        own = points.setdefault((row.head, row.row), {})
        if row.angle_deg in own:
            reader.fault(
                place, f"field 'angle_deg': {row.angle_deg:g} is duplicated; remove one of the rows"
            )
        own[row.angle_deg] = (value, row.source, row.kind)
    for (head, row_name), own in points.items():
        if len(own) < 2 and not reader.may_hold(name, head=head, row=row_name):
            reader.fault(name, f"head {head!r}, row {row_name!r}: must have at least two angles")
        angles = sorted(own)
        found[head, row_name] = AngleTable(
            row=row_name,
            angles=tuple(map(math.radians, angles)),
            values=tuple(own[angle][0] for angle in angles),
            sources=tuple(sorted({source for _, source, _ in own.values()})),
            kinds=tuple(kind for _, _, kind in own.values()),
        )
    return found
