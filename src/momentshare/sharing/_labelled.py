"""A result with names of axes and units, in plain Python values and in JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

UNITS = {
    "activation": ("head", "1"),
    "active_force": ("head", "N"),
    "force": ("head", "N"),
    "multipliers": ("row", "1/(N m)"),
    "unmet": ("row", "N m"),
    "free_values": ("free_value", ""),
    "inequality_multipliers": ("facet", "1/N"),
    "shortfall_prices": ("facet", "1"),
}
"""Axis after those of the frames, and unit; a free value has that of its column."""

CERTIFICATE = {
    "moment_residual": "N m",
    "bound_violation": "1",
    "stationarity": "1",
    "duality_gap": "1",
}


MOST = {
    "factor": ("", "1"),
    "moment": ("", "N m"),
    "limiting": ("head", ""),
    "multipliers": ("row", "1/(N m)"),
    "activation": ("head", "1"),
    "inequality_multipliers": ("facet", "1/N"),
    "residual": ("", "1"),
}
"""The same for the greatest factor and the greatest moment; what has no axis has one value."""


def labelled(answer: Any, statuses: Sequence[str]) -> dict[str, Any]:
    """See `Sharing.to_dict`; ``statuses`` are the names of the codes, from zero."""
    frames = _frame_axes(answer.status)
    heads = answer.head_names or tuple(f"head {i}" for i in range(answer.activation.shape[-1]))
    rows = answer.row_names or tuple(f"row {i}" for i in range(answer.unmet.shape[-1]))
    coords: dict[str, Any] = {
        "head": {"dims": ("head",), "data": list(heads)},
        "row": {"dims": ("row",), "data": list(rows)},
    }
    if answer.frame_index is not None:
        coords |= _frame_labels(answer.frame_index, {*coords, *UNITS, *CERTIFICATE, "status"})
    found: dict[str, Any] = {}
    for name, (axis, unit) in UNITS.items():
        values = getattr(answer, name)
        if values is not None and (axis in coords or values.shape[-1] > 0):
            attrs = {"units": unit} if unit else {}
            found[name] = {"dims": (*frames, axis), "data": values.tolist(), "attrs": attrs}
    for name, unit in CERTIFICATE.items():
        found[name] = {
            "dims": frames,
            "data": getattr(answer.certificate, name).tolist(),
            "attrs": {"units": unit},
        }
    found["status"] = _status(answer.status, frames, statuses)
    made: dict[str, Any] = {"exponent": answer.exponent, "method": answer.method}
    return {"coords": coords, "data_vars": found, "attrs": made}


def labelled_most(limit: Any, statuses: Sequence[str], attrs: dict[str, Any]) -> dict[str, Any]:
    """See `GreatestFactor.to_dict`; ``attrs`` say how the answer was made."""
    frames = _frame_axes(limit.status)
    found: dict[str, Any] = {}
    for name, (axis, unit) in MOST.items():
        values = getattr(limit, name, None)
        if values is not None and (axis != "facet" or values.shape[-1] > 0):
            dims = (*frames, axis) if axis else frames
            units = {"units": unit} if unit else {}
            found[name] = {"dims": dims, "data": values.tolist(), "attrs": units}
    found["status"] = _status(limit.status, frames, statuses)
    return {"coords": {}, "data_vars": found, "attrs": attrs}


def _frame_axes(status: Any) -> tuple[str, ...]:
    return ("frame",) if status.ndim == 1 else tuple(f"axis_{i}" for i in range(status.ndim))


def _status(status: Any, frames: tuple[str, ...], statuses: Sequence[str]) -> dict[str, Any]:
    words = {"flag_values": list(range(len(statuses))), "flag_meanings": " ".join(statuses)}
    return {"dims": frames, "data": status.tolist(), "attrs": words}


def _frame_labels(index: pd.Index[Any], taken: set[str]) -> dict[str, Any]:
    """Coordinates of the frames: one, or one for each level of the index."""
    if index.nlevels == 1:
        return {"frame": {"dims": ("frame",), "data": index.tolist()}}
    found: dict[str, Any] = {}
    for level, given in enumerate(index.names):
        name = str(given)
        if given is None or name in taken or name in found:
            name = f"level_{level}"
        found[name] = {"dims": ("frame",), "data": index.get_level_values(level).tolist()}
    return found


def labelled_json(whole: dict[str, Any]) -> str:
    """See `Sharing.to_json`."""
    import json

    return json.dumps(_strict(whole), allow_nan=False, default=str)


def _strict(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _strict(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_strict(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else str(value)
    return value


def read_labels(
    capacity: Any, moments: Any
) -> tuple[tuple[str, ...], tuple[str, ...], pd.Index[Any] | None]:
    """Names of heads and rows and the index of the frames, from tables of pandas.

    Raises
    ------
    ShapeError
        Moments and capacities are tables with different indices.
    """
    heads, index = _labels(capacity)
    rows, frames = _labels(moments)
    if index is not None and frames is not None and not frames.equals(index):
        raise ShapeError(
            "active_capacity",
            "the index of joint_moments",
            "another index",
            "align the tables, or give arrays",
        )
    return heads, rows, index if frames is None else frames


def _labels(table: Any) -> tuple[tuple[str, ...], pd.Index[Any] | None]:
    """Names along the last axis and index of the frames; nothing where it is no table."""
    if type(table).__module__.partition(".")[0] != "pandas":
        return (), None
    whole = getattr(table, "columns", None)
    names = table.index if whole is None else whole
    given = tuple(names) if all(isinstance(name, str) for name in names) else ()
    return given, None if whole is None else table.index


def require_names(argument: str, given: Sequence[str], wanted: int | None) -> tuple[str, ...]:
    """Names of heads or rows: none, or as many as there are.

    Raises
    ------
    ShapeError
        Another number of names, or one text.
    """
    advice = "give a list with one name for each, or leave it out"
    count = "" if wanted is None else f"{wanted} "
    if isinstance(given, str):
        raise ShapeError(argument, f"{count}names", repr(given), advice)
    names = tuple(given)
    if wanted is not None and len(names) not in {0, wanted}:
        raise ShapeError(argument, f"{wanted} names", f"{len(names)}", advice)
    return names


def frames_index(index: Any, batch: tuple[int, ...]) -> Any:
    """Give the index where it labels the one axis of the frames."""
    return index if index is not None and batch == (len(index),) else None
