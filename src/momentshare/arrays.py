"""Arrays as they are given, as numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["numbers"]


def numbers(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Give the values as float64; a masked one counts as missing, whatever its data.

    Raises
    ------
    ShapeError
        Where the values are truth values, text, dates or complex numbers, or do not form an array.
    """
    if isinstance(values, np.ndarray) and values.dtype == np.float64:
        plain: NDArray[np.generic] = values
    else:
        try:
            plain = np.asarray(values)
        except (TypeError, ValueError) as error:
            raise ShapeError(name, "an array of numbers", type(values).__name__) from error
        if plain.dtype.kind not in "iufO":
            advice = "convert a mask that stands for 0 and 1 with .astype(float)"
            raise ShapeError(
                name,
                "an array of numbers",
                f"values of type {plain.dtype}",
                advice if plain.dtype.kind == "b" else "",
            )
    parts = values if isinstance(values, (list, tuple)) else (values,)
    try:
        if any(isinstance(part, np.ma.MaskedArray) for part in parts):
            hidden = np.ma.getmaskarray(np.ma.array(values))
            return np.where(hidden, np.nan, np.asarray(plain, dtype=np.float64))
        return np.asarray(plain, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise ShapeError(name, "an array of numbers", type(values).__name__) from error
