"""The tables of a limb's folder, each read into what the model holds."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from momentshare.model.schema import (
    CalibratedRow,
    Fit,
    FitRow,
    HeadRow,
    InertiaRow,
    Number,
    QuantityRow,
    Site,
    SiteRow,
    Surface,
    SurfaceRow,
)
from momentshare.units import FACTORS, to_si

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from momentshare.model.folder import FolderReader, K, RowT, T

__all__ = [
    "head_numbers",
    "make_site",
    "make_surface",
    "read_fits",
    "read_inertia",
    "read_quantities",
    "read_sites",
    "read_surfaces",
    "replace_fitted",
    "unit_dimension",
]

_HEAD_DIMENSION = {
    "volume": "volume",
    "peak_fibre_length": "length",
    "pennation": "angle",
    "fibre_length_arm_at_side": "number",
    "fibre_length_mid_range": "number",
}


def read_quantities(reader: FolderReader) -> dict[str, Number]:
    """Scalars of ``quantities.csv`` by name."""

    def read(row: QuantityRow) -> Number:
        return Number.read(row, unit_dimension(row.unit))

    return _keyed(reader, "quantities.csv", QuantityRow, read, lambda row: row.quantity)


def read_sites(reader: FolderReader) -> dict[str, Site]:
    """Points of ``sites.csv`` by name."""
    return _keyed(reader, "sites.csv", SiteRow, make_site, lambda row: row.site)


def read_surfaces(reader: FolderReader) -> dict[str, Surface]:
    """Spheres and cylinders of ``surfaces.csv`` by name."""
    return _keyed(reader, "surfaces.csv", SurfaceRow, make_surface, lambda row: row.surface)


def _keyed(
    reader: FolderReader,
    file: str,
    kind: type[RowT],
    read: Callable[[RowT], T],
    key: Callable[[RowT], K],
) -> dict[K, T]:
    """Entries of a table of one row each, by what names them."""
    found: dict[K, T] = {}
    for place, row in reader.table(file, kind):
        entry = reader.attempt(place, partial(read, row))
        if entry is None:
            reader.refuse(file, row.model_dump())
        reader.keep(found, key(row), entry, place)
    return found


def head_numbers(
    reader: FolderReader, paths: Collection[str] | None
) -> dict[tuple[str, str], Number]:
    """Numbers of ``heads.csv`` by head and quantity; ``paths`` names the heads there are."""
    found: dict[tuple[str, str], Number] = {}
    for place, row in reader.table("heads.csv", HeadRow):
        number = reader.attempt(place, partial(Number.read, row, _HEAD_DIMENSION[row.quantity]))
        if number is None:
            reader.refuse("heads.csv", row.model_dump())
        reader.keep(found, (row.head, row.quantity), number, place)
        if paths is not None and row.head not in paths:
            reader.fault(place, f"head {row.head!r} has no path in limb.toml")
    return found


def read_fits(reader: FolderReader) -> dict[tuple[str, str], Fit]:
    """Body dimensions of ``anthropometry.csv`` by sex and measure."""
    return _keyed(reader, "anthropometry.csv", FitRow, _fit, lambda row: (row.sex, row.measure))


def read_inertia(reader: FolderReader) -> dict[tuple[str, str, str], Number]:
    """Numbers of ``inertia.csv`` by sex, segment and quantity."""

    def read(row: InertiaRow) -> Number:
        return Number.read(row, "number")

    return _keyed(
        reader, "inertia.csv", InertiaRow, read, lambda row: (row.sex, row.segment, row.quantity)
    )


def replace_fitted(
    reader: FolderReader,
    quantities: dict[str, Number],
    sites: dict[str, Site],
    surfaces: dict[str, Surface],
    heads: dict[tuple[str, str], Number],
) -> None:
    """Put the fitted numbers of ``calibrated.csv`` in the place of those they were fitted from."""
    rows = reader.table("calibrated.csv", CalibratedRow)
    if not rows and not reader.faults:
        reader.fault("calibrated.csv", "holds no rows; remove the file or fit the limb again")
    known: dict[str, Mapping[str, Collection[str]]] = {
        "sites": dict.fromkeys(sites, ("x", "y", "z")),
        "surfaces": dict.fromkeys(surfaces, ("radius",)),
        "quantities": dict.fromkeys(quantities, ("value",)),
        "heads": {head: [q for name, q in heads if name == head] for head, _ in heads},
    }
    seen: set[tuple[str, str, str]] = set()
    for place, row in rows:
        key = (row.table, row.name, row.field)
        if key in seen:
            reader.fault(place, f"{key!r} is duplicated; remove one of the rows")
        seen.add(key)
        if not _replaces(reader, place, row, known[row.table]):
            continue
        dimension = "length"
        if row.table == "quantities":
            dimension = unit_dimension(quantities[row.name].unit)
        elif row.table == "heads":
            dimension = _HEAD_DIMENSION[row.field]
        scale = reader.attempt(place, partial(to_si, 1.0, row.unit, dimension))
        if scale is None:
            continue
        if row.table == "quantities":
            quantities[row.name] = _fitted_number(quantities[row.name], row, scale)
        elif row.table == "heads":
            number = heads[row.name, row.field]
            heads[row.name, row.field] = _fitted_number(number, row, scale)
        elif row.table == "surfaces":
            surfaces[row.name] = _fitted_surface(surfaces[row.name], row, scale)
        else:
            sites[row.name] = _fitted_site(sites[row.name], row, scale)


def _replaces(
    reader: FolderReader, place: str, row: CalibratedRow, known: Mapping[str, Collection[str]]
) -> bool:
    """Whether there is a number that a fitted one replaces; that there is none is a fault.

    Not where the row of the described number was refused, so that the fault is known.
    """
    if row.field in known.get(row.name, ()):
        return True
    column = {"sites": "site", "surfaces": "surface", "quantities": "quantity", "heads": "head"}
    if not reader.may_hold(f"{row.table}.csv", **{column[row.table]: row.name}):
        if row.name in known:
            reader.fault(place, f"field 'field': {row.field!r} does not belong to {row.table}")
        else:
            reader.fault(place, f"unknown {row.table} entry {row.name!r}; remove the row")
    return False


def _fitted_number(number: Number, row: CalibratedRow, scale: float) -> Number:
    return replace(
        number,
        value=row.value * scale,
        spread=row.spread * scale,
        source=row.source,
        kind=row.kind,
        note=row.note,
    )


def _fitted_surface(surface: Surface, row: CalibratedRow, scale: float) -> Surface:
    radius = row.value * scale
    return replace(surface, radius=radius, source=row.source, kind=row.kind, note=row.note)


def _fitted_site(site: Site, row: CalibratedRow, scale: float) -> Site:
    x, y, z = site.position
    value = row.value * scale
    place_of = {"x": (value, y, z), "y": (x, value, z), "z": (x, y, value)}
    return replace(
        site, position=place_of[row.field], source=row.source, kind=row.kind, note=row.note
    )


def unit_dimension(unit: str) -> str:
    """Return what a unit measures; an unknown one is refused when its value is read."""
    return FACTORS.get(unit, ("", 1.0))[0]


def make_site(row: Any) -> Site:
    """Point of a row of ``sites.csv``, in SI."""
    scale = to_si(1.0, row.unit, "length")
    return Site(
        name=row.site,
        body=row.body,
        position=(row.x * scale, row.y * scale, row.z * scale),
        spread=row.spread * scale,
        anchor=row.anchor,
        source=row.source,
        kind=row.kind,
        note=row.note,
    )


def make_surface(row: Any) -> Surface:
    """Surface of a row of ``surfaces.csv``, in SI; borne by its own body where none is named."""
    scale = to_si(1.0, row.unit, "length")
    return Surface(
        name=row.surface,
        shape=row.shape,
        body=row.body,
        centre=(row.x * scale, row.y * scale, row.z * scale),
        axis=row.axis,
        radius=row.radius * scale,
        spread=row.spread * scale,
        anchor=row.anchor,
        source=row.source,
        kind=row.kind,
        note=row.note,
        largest_turn=math.radians(row.largest_turn_deg),
        borne_by=row.borne_by or row.body,
    )


def _fit(row: FitRow) -> Fit:
    scale = to_si(1.0, row.unit, unit_dimension(row.unit))
    return Fit(
        mean=row.mean * scale,
        sd=row.sd * scale,
        slope=row.slope,
        intercept=row.intercept * scale,
        source=row.source,
        kind=row.kind,
    )
