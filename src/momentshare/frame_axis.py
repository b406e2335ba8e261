"""Dataclasses of arrays whose leading axes are frames: select frames, and put them back."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from numpy.typing import NDArray

__all__ = ["put_frames", "spread_frames", "take_frames"]

_T = TypeVar("_T")


def take_frames(values: _T, frames: Any, *, axes: int = 1, whole: Collection[str] = ()) -> _T:
    """Select frames of every array of a dataclass, including nested ones.

    Parameters
    ----------
    values : dataclass
    frames : int, slice, int or bool array
        Index into the leading axes; arrays are views where the index allows it.
    axes : int
        Number of leading axes; arrays with fewer stay whole.
    whole : collection of str
        Names of fields without frames.
    """
    parts = {
        item.name: _taken(getattr(values, item.name), frames, axes, whole)
        for item in fields(values)  # type: ignore[arg-type]
        if item.name not in whole
    }
    return replace(values, **parts)  # type: ignore[type-var]


def _taken(value: Any, frames: Any, axes: int, whole: Collection[str]) -> Any:
    if isinstance(value, np.ndarray):
        return np.asarray(value[frames]) if value.ndim >= axes else value
    if is_dataclass(value) and not isinstance(value, type):
        return take_frames(value, frames, axes=axes, whole=whole)
    if isinstance(value, tuple) and value and isinstance(value[0], np.ndarray):
        return tuple(_taken(item, frames, axes, whole) for item in value)
    return value


def put_frames(values: _T, frames: NDArray[np.bool_], part: _T) -> _T:
    """Overwrite the values of some frames; all fields are arrays."""
    found: dict[str, Any] = {}
    for item in fields(values):  # type: ignore[arg-type]
        value = np.array(getattr(values, item.name))
        value[frames] = getattr(part, item.name)
        found[item.name] = value
    return replace(values, **found)  # type: ignore[type-var]


def spread_frames(values: _T, among: NDArray[np.bool_], empty: Mapping[str, Any]) -> _T:
    """Scatter frames back among all frames.

    Parameters
    ----------
    values : dataclass
        Its arrays have one leading axis.
    among : bool array, shape (...)
        True where the frames of ``values`` belong.
    empty : mapping
        Field → value of other frames, where it is neither NaN nor false.
    """
    found: dict[str, Any] = {}
    for item in fields(values):  # type: ignore[arg-type]
        value = getattr(values, item.name)
        if isinstance(value, np.ndarray):
            filler = empty.get(item.name, False if value.dtype == np.bool_ else np.nan)
            out = np.full((*among.shape, *value.shape[1:]), filler, dtype=value.dtype)
            out[among] = value
            found[item.name] = out
        elif is_dataclass(value) and not isinstance(value, type):
            found[item.name] = spread_frames(value, among, empty)
    return replace(values, **found)  # type: ignore[type-var]
