"""Read a model folder; report every fault of every file together."""

from __future__ import annotations

import hashlib
import math
import os
import tomllib
from dataclasses import replace
from functools import partial
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from pydantic import BaseModel, ValidationError

from momentshare.errors import ModelError, UnknownNameError, nearest_name
from momentshare.inputs import MODEL, TABLE, csv_rows, decoded, read_bytes, shown
from momentshare.limits import Limits
from momentshare.model.limit_rows import limits_of, target_ids
from momentshare.model.schema import (
    GIRDLE_ANGLES,
    CalibratedRow,
    Fit,
    FitRow,
    GroupRow,
    Head,
    HeadRow,
    InertiaRow,
    LimbFile,
    LimitRow,
    Model,
    Number,
    PathStep,
    QuantityRow,
    Site,
    SiteRow,
    Surface,
    SurfaceRow,
)
from momentshare.sources import read_bibliography
from momentshare.text import shortened
from momentshare.units import FACTORS, to_si

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

__all__ = ["available_models", "load_model", "models_folder"]

RowT = TypeVar("RowT", bound=BaseModel)
T = TypeVar("T")
K = TypeVar("K")

_SCAPULA_ANGLES = ("internal", "upward", "anterior_tilt")
_CLAVICLE_ANGLES = ("protraction", "elevation", "axial")
_COURSE = ("rise", "reach", "with_protraction", "with_elevation")
_SITES = {"sternoclavicular_joint", "radial_head", "ulnar_head"}
_MEASURES = {
    "stature",
    "body_mass",
    "biacromial_breadth",
    "chest_depth",
    "acromion_radiale_length",
    "radiale_stylion_length",
    "elbow_grip_length",
    "suprasternale_height",
}
_SOLID = (
    "mass_fraction",
    "centre_fraction",
    "radius_sagittal",
    "radius_transverse",
    "radius_longitudinal",
)
_LINE = ("mass_fraction", "centre_fraction", "length_fraction")
_INERTIA = {
    "upper_arm": _SOLID,
    "forearm": _SOLID,
    "hand": ("mass_fraction",),
    "head": _LINE,
    "trunk": _LINE,
    "thigh": _LINE,
    "shank": _LINE[:2],
    "foot": _LINE,
}
_QUANTITIES = {
    "reference_stature",
    "reference_biacromial_breadth",
    "reference_chest_depth",
    "reference_humerus_length",
    "reference_forearm_length",
    "reference_clavicle_length",
    "acromion_to_joint_centre",
    "radiale_below_elbow_axis",
    "olecranon_behind_elbow_axis",
    "joint_centre_lateral_fraction",
    "joint_centre_forward",
    "joint_centre_up",
    "acromioclavicular_joint_x",
    "acromioclavicular_joint_y",
    "acromioclavicular_joint_z",
    "girdle_setting_elevation",
    "specific_tension",
    "greatest_shortening_speed",
    "volume_size_exponent",
    "volume_athlete_over_student",
    "bar_radius",
    "bar_friction",
    "ground_friction",
    "hand_couple_female",
    "hand_couple_male",
    "chest_to_joint_fraction",
    "usual_touch_point",
    "limit_elbow_flexion_min",
    "limit_elbow_flexion_max",
    "limit_elevation_max",
    "limit_glenohumeral_elevation_max",
    "limit_glenohumeral_plane_min",
    "limit_glenohumeral_plane_min_raised",
    "limit_plane_narrows_from",
    "limit_plane_max",
    "limit_axial_min",
    "limit_axial_min_hanging",
    "limit_axial_max",
    "limit_axial_max_hanging",
    "limit_axial_max_raised",
    "limit_forearm_rotation_min",
    "limit_forearm_rotation_max",
    "limit_wrist_ulnar",
    "limit_wrist_radial",
    "limit_wrist_flexion",
    "limit_wrist_extension",
    "grip_oblique_max",
    "push_up_share_down_male",
    "push_up_share_up_male",
    "push_up_share_down_female",
    "push_up_share_up_female",
    "ankle_height_fraction",
    "heel_behind_ankle_fraction",
    "ball_before_ankle_fraction",
    "glenoid_retroversion",
    "glenoid_inclination",
    "stability_superior",
    "stability_inferior",
    "stability_anterior",
    "stability_posterior",
}
"""Quantities that the library asks a model for by name."""

_HEAD_DIMENSION = {
    "volume": "volume",
    "peak_fibre_length": "length",
    "pennation": "angle",
    "fibre_length_arm_at_side": "number",
    "fibre_length_mid_range": "number",
}


def models_folder() -> Path:
    """Return the folder of the shipped models.

    In an installed wheel it lies inside the package; in a checkout or an editable
    install it lies at the top of the source tree.
    """
    inside = Path(str(resources.files("momentshare"))) / "models"
    if inside.is_dir():
        return inside
    beside = Path(__file__).resolve().parents[3] / "models"
    if beside.is_dir():
        return beside
    raise ModelError(
        f"the shipped models were looked for in {inside} and {beside} and not found; "
        "install the package again"
    )


def available_models() -> tuple[str, ...]:
    """Return the names of the shipped models."""
    return tuple(sorted(p.parent.name for p in models_folder().glob("*/limb.toml")))


def load_model(name_or_folder: str | Path = "reference_limb", *, calibrated: bool = True) -> Model:
    """Load a shipped model by name, or a model folder by path.

    Parameters
    ----------
    name_or_folder : str or Path
        A name from :func:`available_models`, or a folder that holds ``limb.toml``: a ``Path``, or
        text with a path separator or a dot in front (``./my_limb``), so that no folder takes the
        place of a shipped model unnoticed.
    calibrated : bool
        Whether the fitted numbers of ``calibrated.csv``, where the folder has that file, take
        the place of those they were fitted from.

    Returns
    -------
    Model
        All numbers in SI, each with spread, source and kind.

    Raises
    ------
    ModelError
        With one line for each fault of any file: a number without unit, spread, source
        or kind, an unknown source key, a path over a missing site, and so on.
    UnknownNameError
        When neither a shipped model nor a folder answers to the name.

    Examples
    --------
    >>> from momentshare import load_model
    >>> load_model().name
    'reference_limb'
    """
    folder = _folder(name_or_folder)
    return _Reader(folder).model(calibrated=calibrated)


def _folder(name_or_folder: str | Path) -> Path:
    """Folder of a model that was asked for."""
    text = str(name_or_folder)
    if isinstance(name_or_folder, Path) or text.startswith(".") or any(c in text for c in "/\\"):
        folder = Path(name_or_folder)
        if not (folder / "limb.toml").is_file():
            known = ", ".join(available_models())
            raise UnknownNameError(
                "model folder", text, (), remedy=f"it holds no limb.toml; shipped: {known}"
            )
        return folder
    if text in available_models():
        return models_folder() / text
    remedy = None
    if (Path(text) / "limb.toml").is_file():
        remedy = f"for the folder of this name write './{text}'"
    raise UnknownNameError("model", text, available_models(), remedy=remedy)


def _bare(path: Path, err: ModelError) -> str:
    """Leave out the path of a file in front of its fault."""
    return str(err).removeprefix(f"{shown(path)}: ")


class _Reader:
    """Collects faults while it reads, and refuses the model at the end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.faults: list[str] = []
        bibliography = folder / "references.bib"
        if not bibliography.is_file():
            bibliography = folder.parent / "references.bib"
        self.references = read_bibliography(bibliography)
        self.digest = hashlib.sha256()

    def fault(self, place: str, what: str) -> None:
        self.faults.append(f"{place}: {what}")

    def attempt(self, place: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except ValueError as err:
            self.fault(place, str(err))
            return None

    def limb(self) -> LimbFile | None:
        path = self.folder / "limb.toml"
        try:
            raw = read_bytes(path, MODEL, ModelError)
            self.digest.update(raw)
            data = tomllib.loads(decoded(raw, "", ModelError))
        except ModelError as err:
            self.fault("limb.toml", _bare(path, err))
            return None
        except (ValueError, RecursionError) as err:
            self.fault("limb.toml", f"not readable as TOML: {err}")
            return None
        try:
            return LimbFile.model_validate(data)
        except ValidationError as err:
            for item in err.errors():
                field = ".".join(str(part) for part in item["loc"])
                self.fault(
                    "limb.toml",
                    f"field {field!r}: {item['msg']}, got {shortened(repr(item['input']), 160)}",
                )
            return None

    def table(self, name: str, kind: type[RowT]) -> list[tuple[str, RowT]]:
        path = self.folder / name
        try:
            raw = read_bytes(path, TABLE, ModelError)
            self.digest.update(raw)
            rows = csv_rows(decoded(raw, "", ModelError), name, ModelError)
        except ModelError as err:
            self.fault(name, _bare(path, err).removeprefix(f"{name}: "))
            return []
        found = []
        header = rows[0][1] if rows else []
        for number, cells in rows[1:]:
            row = dict(zip(header, cells, strict=False))
            place = f"{name} row {number}"
            if len(cells) != len(header):
                self.fault(place, "has another number of columns than the header; check the commas")
                continue
            try:
                checked = kind.model_validate(row)
            except ValidationError as err:
                for item in err.errors():
                    field = ".".join(str(part) for part in item["loc"]) or "row"
                    got = row.get(field, "")
                    self.fault(
                        place, f"field {field!r}: {item['msg']}, got {shortened(repr(got), 160)}"
                    )
                continue
            source = getattr(checked, "source", None)
            if source is not None and source not in self.references:
                self.fault(
                    place,
                    f"field 'source': {source!r} is not in references.bib; "
                    + nearest_name(source, self.references),
                )
            found.append((place, checked))
        return found

    def model(self, *, calibrated: bool) -> Model:
        limb = self.limb()
        quantities: dict[str, Number] = {}
        for place, row in self.table("quantities.csv", QuantityRow):
            number = self.attempt(place, partial(Number.read, row, _dimension(row.unit)))
            self.keep(quantities, row.quantity, number, place)
        sites: dict[str, Site] = {}
        for place, site_row in self.table("sites.csv", SiteRow):
            self.keep(sites, site_row.site, self.attempt(place, partial(_site, site_row)), place)
        surfaces: dict[str, Surface] = {}
        for place, form in self.table("surfaces.csv", SurfaceRow):
            self.keep(surfaces, form.surface, self.attempt(place, partial(_surface, form)), place)
        numbers = self.head_numbers(limb)
        described = {
            item.source
            for table in (quantities, sites, surfaces, numbers)
            for item in table.values()
        }
        if calibrated and os.path.lexists(self.folder / "calibrated.csv"):
            self.replace_fitted(quantities, sites, surfaces, numbers)
        heads = self.heads(limb, sites, surfaces, numbers)
        fits: dict[tuple[str, str], Fit] = {}
        for place, fit in self.table("anthropometry.csv", FitRow):
            self.keep(fits, (fit.sex, fit.measure), self.attempt(place, partial(_fit, fit)), place)
        inertia: dict[tuple[str, str, str], Number] = {}
        for place, part in self.table("inertia.csv", InertiaRow):
            number = self.attempt(place, partial(Number.read, part, "number"))
            self.keep(inertia, (part.sex, part.segment, part.quantity), number, place)
        limits = self.limits(limb)
        if not self.faults:  # a row that was refused is not also missing
            self.check_complete(limb, quantities, sites, fits, inertia, heads)
        if self.faults or limb is None:
            raise ModelError(f"model {self.folder} does not load:", self.faults)
        return Model(
            name=limb.name,
            version=limb.version,
            description=limb.description,
            limits=limits,
            path=self.folder,
            digest=self.digest.hexdigest()[:16],
            reference_sex=limb.reference_person.sex,
            scapula_policies=tuple(limb.scapula.policies),
            moving_scapulae=tuple(limb.scapula.moving),
            described_sources=tuple(sorted(described)),
            default_scapula=limb.scapula.default,
            reference_scapula=limb.scapula.reference,
            reference_postures=MappingProxyType(
                {k: MappingProxyType(v.model_dump()) for k, v in limb.reference_postures.items()}
            ),
            quantities=MappingProxyType(quantities),
            sites=MappingProxyType(sites),
            surfaces=MappingProxyType(surfaces),
            heads=heads,
            fits=MappingProxyType(fits),
            inertia=MappingProxyType(inertia),
            references=MappingProxyType(self.references),
        )

    def limits(self, limb: LimbFile | None) -> Limits:
        """Read what the limb does not support, where the folder says it."""
        if limb is None or not os.path.lexists(self.folder / "limits.csv"):
            return Limits()
        rows = self.table("limits.csv", LimitRow)
        return limits_of(rows, list(limb.paths), target_ids(self.folder, self.fault), self.fault)

    def keep(self, table: dict[K, T], key: K, item: T | None, place: str) -> None:
        if item is None:
            return
        if key in table:
            self.fault(place, f"{key!r} is duplicated; remove one of the rows")
            return
        table[key] = item

    def check_complete(
        self,
        limb: LimbFile | None,
        quantities: dict[str, Number],
        sites: dict[str, Site],
        fits: dict[tuple[str, str], Fit],
        inertia: dict[tuple[str, str, str], Number],
        heads: tuple[Head, ...],
    ) -> None:
        """Name everything the library will ask a model for and that is not there."""
        wanted = {*_QUANTITIES, *(f"strength_{head.group}" for head in heads)}
        by_group = ("volume_women_over_men", "training_exponent")
        wanted |= {f"{name}_{head.group}" for name in by_group for head in heads}
        if limb is not None:
            policies = limb.scapula.policies
            wanted |= {f"scapula_{p}_{a}" for p in policies for a in _SCAPULA_ANGLES}
            wanted |= {f"clavicle_{p}_{a}" for p in policies for a in _CLAVICLE_ANGLES}
            if limb.scapula.moving:
                wanted |= {f"girdle_{a}_{kind}" for a in GIRDLE_ANGLES for kind in _COURSE}
            named = [(f, getattr(limb.scapula, f)) for f in ("default", "reference")]
            for field, policy in (*named, *(("moving", name) for name in limb.scapula.moving)):
                if policy not in policies:
                    self.fault(
                        "limb.toml",
                        f"field 'scapula.{field}': {policy!r} is not among the policies {policies}",
                    )
        for name in sorted(wanted - set(quantities)):
            self.fault("quantities.csv", f"quantity {name!r} is missing; add a row")
        for name in sorted(_SITES - set(sites)):
            self.fault("sites.csv", f"site {name!r} is missing; add a row")
        for sex in ("female", "male"):
            for measure in sorted(_MEASURES):
                if (sex, measure) not in fits:
                    self.fault("anthropometry.csv", f"{measure!r} of sex {sex!r} is missing")
            for segment, needed in _INERTIA.items():
                for quantity in needed:
                    if (sex, segment, quantity) not in inertia:
                        self.fault(
                            "inertia.csv", f"{quantity!r} of {segment!r}, sex {sex!r}, is missing"
                        )

    def replace_fitted(
        self,
        quantities: dict[str, Number],
        sites: dict[str, Site],
        surfaces: dict[str, Surface],
        heads: dict[tuple[str, str], Number],
    ) -> None:
        """Put fitted numbers in the place of those they were fitted from."""
        rows = self.table("calibrated.csv", CalibratedRow)
        if not rows and not self.faults:
            self.fault("calibrated.csv", "holds no rows; remove the file or fit the limb again")
        seen: set[tuple[str, str, str]] = set()
        for place, row in rows:
            key = (row.table, row.name, row.field)
            if key in seen:
                self.fault(place, f"{key!r} is duplicated; remove one of the rows")
            seen.add(key)
            tables: dict[str, Collection[str]] = {
                "sites": sites,
                "surfaces": surfaces,
                "heads": {head for head, _ in heads},
                "quantities": quantities,
            }
            if row.name not in tables[row.table]:
                self.fault(place, f"unknown {row.table} entry {row.name!r}; remove the row")
                continue
            fields = {
                "sites": ("x", "y", "z"),
                "surfaces": ("radius",),
                "heads": tuple(quantity for head, quantity in heads if head == row.name),
                "quantities": ("value",),
            }
            if row.field not in fields[row.table]:
                self.fault(place, f"field 'field': {row.field!r} does not belong to {row.table}")
                continue
            dimension = "length"
            if row.table == "quantities":
                dimension = _dimension(quantities[row.name].unit)
            elif row.table == "heads":
                dimension = _HEAD_DIMENSION[row.field]
            scale = self.attempt(place, partial(to_si, 1.0, row.unit, dimension))
            if scale is None:
                continue
            value, source, kind, note = row.value * scale, row.source, row.kind, row.note
            if row.table == "quantities":
                spread = row.spread * scale
                quantities[row.name] = replace(
                    quantities[row.name],
                    value=value,
                    spread=spread,
                    source=source,
                    kind=kind,
                    note=note,
                )
            elif row.table == "heads":
                heads[row.name, row.field] = replace(
                    heads[row.name, row.field],
                    value=value,
                    spread=row.spread * scale,
                    source=source,
                    kind=kind,
                    note=note,
                )
            elif row.table == "surfaces":
                surfaces[row.name] = replace(
                    surfaces[row.name], radius=value, source=source, kind=kind, note=note
                )
            else:
                x, y, z = sites[row.name].position
                place_of = {"x": (value, y, z), "y": (x, value, z), "z": (x, y, value)}
                sites[row.name] = replace(
                    sites[row.name],
                    position=place_of[row.field],
                    source=source,
                    kind=kind,
                    note=note,
                )

    def head_numbers(self, limb: LimbFile | None) -> dict[tuple[str, str], Number]:
        """Numbers of ``heads.csv`` by head and quantity."""
        numbers: dict[tuple[str, str], Number] = {}
        for place, row in self.table("heads.csv", HeadRow):
            number = self.attempt(place, partial(Number.read, row, _HEAD_DIMENSION[row.quantity]))
            self.keep(numbers, (row.head, row.quantity), number, place)
            if limb is not None and row.head not in limb.paths:
                self.fault(place, f"head {row.head!r} has no path in limb.toml")
        return numbers

    def heads(
        self,
        limb: LimbFile | None,
        sites: dict[str, Site],
        surfaces: dict[str, Surface],
        numbers: dict[tuple[str, str], Number],
    ) -> tuple[Head, ...]:
        groups = {row.head: row.group for _, row in self.table("groups.csv", GroupRow)}
        if limb is None:
            return ()
        heads = []
        for name, steps in limb.lines.items():
            lines = [self.line(name, line, sites, surfaces) for line in steps]
            postures = [
                p for p in limb.reference_postures if (name, f"fibre_length_{p}") in numbers
            ]
            missing = [
                quantity
                for quantity in ("volume", "peak_fibre_length", "pennation")
                if (name, quantity) not in numbers
            ]
            if len(postures) != 1:
                missing.append("one fibre_length_<reference posture>")
            if name not in groups:
                self.fault("groups.csv", f"head {name!r} has no group; add a row")
            if missing:
                self.fault("heads.csv", f"head {name!r} lacks {', '.join(missing)}; add the rows")
            if missing or name not in groups or None in lines:
                continue
            heads.append(
                Head(
                    name=name,
                    group=groups[name],
                    volume=numbers[name, "volume"],
                    peak_fibre_length=numbers[name, "peak_fibre_length"],
                    pennation=numbers[name, "pennation"],
                    reference_fibre_length=numbers[name, f"fibre_length_{postures[0]}"],
                    reference_posture=postures[0],
                    lines=tuple(line for line in lines if line is not None),
                )
            )
        return tuple(heads)

    def line(
        self, head: str, steps: list[str], sites: dict[str, Site], surfaces: dict[str, Surface]
    ) -> tuple[PathStep, ...] | None:
        place = f"limb.toml path {head!r}"
        found: list[PathStep] = []
        good = True
        for step in steps:
            if step.startswith("round:"):
                name, sense = step.removeprefix("round:"), 0
                if name[-1:] in "+-":
                    name, sense = name[:-1], 1 if name[-1] == "+" else -1
                if name not in surfaces:
                    self.fault(place, f"unknown surface {name!r}; {nearest_name(name, surfaces)}")
                    good = False
                elif (surfaces[name].shape == "cylinder") != (sense != 0):
                    self.fault(place, f"{step!r}: a cylinder needs a sense + or -, a sphere none")
                    good = False
                found.append(PathStep(name, is_surface=True, sense=sense))
            else:
                if step not in sites:
                    self.fault(place, f"unknown site {step!r}; {nearest_name(step, sites)}")
                    good = False
                found.append(PathStep(step, is_surface=False))
        if found[0].is_surface or found[-1].is_surface:
            self.fault(place, "must begin and end at a site")
            good = False
        return tuple(found) if good else None


def _dimension(unit: str) -> str:
    """Return what a unit measures; an unknown one is refused when its value is read."""
    return FACTORS.get(unit, ("", 1.0))[0]


def _site(row: SiteRow) -> Site:
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


def _surface(row: SurfaceRow) -> Surface:
    scale = to_si(1.0, row.unit, "length")
    return Surface(
        name=row.surface,
        shape=row.shape,
        body=row.body,
        centre=(row.x * scale, row.y * scale, row.z * scale),
        axis=(row.axis_x, row.axis_y, row.axis_z),
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
    scale = to_si(1.0, row.unit, _dimension(row.unit))
    return Fit(
        mean=row.mean * scale,
        sd=row.sd * scale,
        slope=row.slope,
        intercept=row.intercept * scale,
        source=row.source,
        kind=row.kind,
    )
