"""Types of the arguments of compiled loops; needs numba."""

from __future__ import annotations

from typing import Any

from numba import typeof, types

from momentshare.sharing._backends.kernels.frame import Limits


def read(*axes: int) -> tuple[Any, ...]:
    """Arrays of so many axes that are read, writable or not, so that a loop is compiled once."""
    return tuple(types.Array(types.float64, count, "C", readonly=True) for count in axes)


def written(*axes: int, dtype: Any = types.float64) -> tuple[Any, ...]:
    """Arrays of so many axes that are written to."""
    return tuple(types.Array(dtype, count, "C") for count in axes)


def numbers_of_method() -> Any:
    """Give the type of ``Limits``."""
    return typeof(Limits(*(0.0,) * len(Limits._fields)))  # type: ignore[no-untyped-call]
