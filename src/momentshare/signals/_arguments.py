"""Arguments that every signal function takes, checked once."""

from __future__ import annotations

import math
import operator
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["as_count", "as_number", "as_rate", "as_series", "as_signal", "refuse_infinite"]


def as_signal(argument: str, values: ArrayLike) -> NDArray[np.float64]:
    """Return a signal, shape (samples,) or (samples, k); NaN is allowed, infinity is not."""
    array = _numbers(argument, values)
    if array.ndim not in {1, 2}:
        raise ShapeError(
            argument,
            "shape (samples,) or (samples, components)",
            f"shape {array.shape}",
            "put time on the first axis",
        )
    if array.size == 0:
        raise ShapeError(argument, "at least one sample long", f"shape {array.shape}")
    refuse_infinite(argument, array)
    return array


def as_series(argument: str, values: ArrayLike) -> NDArray[np.float64]:
    """Return a signal of one component, shape (samples,)."""
    array = as_signal(argument, values)
    if array.ndim != 1:
        raise ShapeError(
            argument, "shape (samples,)", f"shape {array.shape}", "give one component at a time"
        )
    return array


def refuse_infinite(argument: str, array: NDArray[np.float64]) -> None:
    """Raise if a value is infinite; NaN marks missing values."""
    endless = np.isinf(array)
    if endless.any():
        where = np.argwhere(endless)[0]
        raise InputError(
            f"{argument}: sample {int(where[0])} is {array[tuple(where)]:g}; must be finite, "
            "or NaN where nothing was recorded"
        )


def as_number(
    argument: str, value: float, unit: str, *, above: float = -math.inf, least: float = -math.inf
) -> float:
    """Return a finite number above a bound, or not below another."""
    try:
        number = float(value)
    except (TypeError, ValueError) as err:
        raise InputError(f"{argument}: must be a number; got {value!r}") from err
    if not math.isfinite(number) or number <= above or number < least:
        bound = f" above {above:g}" if above > -math.inf else ""
        bound += f" of at least {least:g}" if least > -math.inf else ""
        unit_text = f" {unit}" if unit else ""
        raise InputError(f"{argument}: must be a finite number{bound}{unit_text}; got {value!r}")
    return number


def as_rate(rate: float) -> float:
    """Return the sampling rate [Hz]."""
    return as_number("rate", rate, "Hz", above=0.0)


def as_count(argument: str, value: int, least: int) -> int:
    """Return a whole number of at least ``least``."""
    try:
        count = operator.index(value)
    except TypeError as err:
        raise InputError(f"{argument}: must be a whole number; got {value!r}") from err
    if count < least:
        raise InputError(f"{argument}: must be a whole number of at least {least}; got {count}")
    return count


def _numbers(argument: str, values: ArrayLike) -> NDArray[np.float64]:
    if np.iscomplexobj(values):
        raise ShapeError(argument, "real numbers", "complex numbers")
    try:
        if np.ma.isMaskedArray(values):
            return np.ma.filled(np.ma.asarray(values, dtype=np.float64), np.nan)
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as err:
        raise ShapeError(argument, "an array of numbers", type(values).__name__) from err
