"""Read a model folder; report every fault of every file together."""

from __future__ import annotations

import os
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.errors import ModelError, UnknownNameError
from momentshare.limits import Limits
from momentshare.model.folder import FolderReader, read_line
from momentshare.model.limit_rows import assemble_limits, target_ids
from momentshare.model.needed import check_complete
from momentshare.model.schema import GroupRow, Head, LimbFile, LimitRow, Model
from momentshare.model.tables import (
    head_numbers,
    read_fits,
    read_inertia,
    read_quantities,
    read_sites,
    read_surfaces,
    replace_fitted,
)
from momentshare.results import FrozenDict

if TYPE_CHECKING:
    from collections.abc import Mapping

    from momentshare.model.schema import Number, Site, Surface

__all__ = ["available_models", "load_model", "models_folder"]


def models_folder() -> Path:
    """Return the folder of the shipped models.

    In an installed wheel it is inside the package; in a checkout or an editable install it is at
    the top of the source tree.
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
        text with a path separator or a dot in front (``./my_limb``), so that no folder can silently
        replace a shipped model.
    calibrated : bool
        Whether the fitted numbers of ``calibrated.csv``, if the folder has that file, replace those
        they were fitted from.

    Returns
    -------
    Model
        All numbers in SI, each with spread, source and kind.

    Raises
    ------
    ModelError
        With one line per fault of any file: a number without unit, spread, source
        or kind, an unknown source key, a path over a missing site, and so on.
    UnknownNameError
        When the name is neither a shipped model nor a folder.

    Examples
    --------
    >>> from momentshare import load_model
    >>> load_model().name
    'reference_limb'
    """
    folder = _folder(name_or_folder)
    return _assembled(FolderReader(folder), calibrated=calibrated)


def _folder(name_or_folder: str | Path) -> Path:
    """Folder of a model that was asked for."""
    text = str(name_or_folder)
    if isinstance(name_or_folder, Path) or text.startswith(".") or any(c in text for c in "/\\"):
        folder = Path(name_or_folder)
        if not os.path.lexists(folder / "limb.toml"):
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


def _assembled(reader: FolderReader, *, calibrated: bool) -> Model:
    """Put the tables of a folder together, or refuse it with all that is wrong."""
    limb = reader.toml("limb.toml", LimbFile)
    quantities, sites, surfaces = read_quantities(reader), read_sites(reader), read_surfaces(reader)
    numbers = head_numbers(reader, None if limb is None else limb.paths)
    described = {
        item.source for table in (quantities, sites, surfaces, numbers) for item in table.values()
    }
    if calibrated and os.path.lexists(reader.folder / "calibrated.csv"):
        replace_fitted(reader, quantities, sites, surfaces, numbers)
    heads = () if limb is None else _heads(reader, limb, sites, surfaces, numbers)
    fits, inertia = read_fits(reader), read_inertia(reader)
    limits = _limits(reader, limb)
    check_complete(
        reader, limb, heads, quantities=quantities, sites=sites, fits=fits, inertia=inertia
    )
    if reader.faults or limb is None:
        raise ModelError(f"model {reader.folder} does not load:", reader.faults)
    return Model(
        name=limb.name,
        version=limb.version,
        description=limb.description,
        limits=limits,
        path=reader.folder,
        digest=reader.digest.hexdigest()[:16],
        scapula_policies=tuple(limb.scapula.policies),
        moving_scapulae=tuple(limb.scapula.moving),
        described_sources=tuple(sorted(described)),
        default_scapula=limb.scapula.default,
        reference_scapula=limb.scapula.reference,
        reference_postures=FrozenDict(
            {k: FrozenDict(v.model_dump()) for k, v in limb.reference_postures.items()}
        ),
        quantities=FrozenDict(quantities),
        sites=FrozenDict(sites),
        surfaces=FrozenDict(surfaces),
        heads=heads,
        fits=FrozenDict(fits),
        inertia=FrozenDict(inertia),
        references=FrozenDict(reader.references),
    )


def _limits(reader: FolderReader, limb: LimbFile | None) -> Limits:
    """Read what the limb does not support, where the folder says it."""
    if limb is None or not os.path.lexists(reader.folder / "limits.csv"):
        return Limits()
    rows = reader.table("limits.csv", LimitRow)
    return assemble_limits(
        rows, list(limb.paths), target_ids(reader.folder, reader.fault), reader.fault
    )


def _heads(
    reader: FolderReader,
    limb: LimbFile,
    sites: Mapping[str, Site],
    surfaces: Mapping[str, Surface],
    numbers: Mapping[tuple[str, str], Number],
) -> tuple[Head, ...]:
    """Heads with their numbers, groups and lines; what one of them lacks is a fault."""
    groups = {row.head: row.group for _, row in reader.table("groups.csv", GroupRow)}
    shapes = {name: surface.shape for name, surface in surfaces.items()}
    heads = []
    for name, steps in limb.lines.items():
        place = f"limb.toml path {name!r}"
        lines = [read_line(reader, place, line, sites, shapes) for line in steps]
        postures = [p for p in limb.reference_postures if (name, f"fibre_length_{p}") in numbers]
        missing = [
            quantity
            for quantity in ("volume", "peak_fibre_length", "pennation")
            if (name, quantity) not in numbers
        ]
        if len(postures) != 1:
            missing.append("one fibre_length_<reference posture>")
        if name not in groups and not reader.may_hold("groups.csv", head=name):
            reader.fault("groups.csv", f"head {name!r} has no group; add a row")
        if missing and not reader.may_hold("heads.csv", head=name):
            reader.fault("heads.csv", f"head {name!r} lacks {', '.join(missing)}; add the rows")
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
