"""Arrays as they are given, as numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["numbers"]

_WANTED = "an array of numbers"
_UNEVEN = "give numbers in lists of equal length, or an array"
_MASK = "convert a mask that stands for 0 and 1 with .astype(float)"
_OTHER = "give real numbers; .astype(float) converts text that holds them"
_MOST_AXES = 32
"""NumPy broadcasts no more."""


def numbers(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Give the values as float64; a masked one counts as missing, whatever its data.

    Raises
    ------
    ShapeError
        Where there are truth values, text, dates or complex numbers among them, where they do
        not form an array, or one of more than 32 axes.
    """
    if isinstance(values, np.ndarray) and values.dtype == np.float64:
        plain: NDArray[np.generic] = values
    else:
        try:
            plain = np.asarray(values)
        except (TypeError, ValueError) as error:
            raise ShapeError(name, _WANTED, _kind(values), _UNEVEN) from error
        if plain.dtype.kind not in "iufO":
            raise ShapeError(
                name,
                _WANTED,
                f"values of type {plain.dtype}",
                _MASK if plain.dtype.kind == "b" else _OTHER,
            )
        if other := _no_number(values if isinstance(values, (list, tuple)) else plain):
            advice = _MASK if other in {"True", "False", "truth values"} else _OTHER
            raise ShapeError(name, _WANTED, f"{other} among the values", advice)
    parts = values if isinstance(values, (list, tuple)) else (values,)
    try:
        if any(isinstance(part, np.ma.MaskedArray) for part in parts):
            hidden = np.ma.getmaskarray(np.ma.array(values))
            found = np.where(hidden, np.nan, np.asarray(plain, dtype=np.float64))
        else:
            found = np.asarray(plain, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise ShapeError(name, _WANTED, _kind(values), _UNEVEN) from error
    if found.ndim > _MOST_AXES:
        raise ShapeError(
            name, f"an array of at most {_MOST_AXES} axes", f"{found.ndim} axes",
            "reshape leading axes into one of frames",
        )  # fmt: skip
    return found


def _kind(values: Any) -> str:
    return f"{'an' if type(values).__name__[0] in 'aeio' else 'a'} {type(values).__name__}"


def _no_number(values: Any) -> str:
    """Name a truth value or text in lists or in an array of objects, which NumPy would convert."""
    if isinstance(values, (list, tuple)):
        return next((found for part in values if (found := _no_number(part))), "")
    if isinstance(values, np.ndarray):
        if values.dtype.kind == "b":
            return "truth values"
        return _no_number(values.ravel().tolist()) if values.dtype.kind == "O" else ""
    if isinstance(values, (bool, np.bool_)):
        return str(values)
    return repr(values) if isinstance(values, (str, bytes)) else ""
