"""Types of the arguments of compiled loops; the functions need numba."""

from __future__ import annotations

from typing import Any

from momentshare.sharing._backends.kernels.frame import Limits


def read(*axes: int) -> tuple[Any, ...]:
    """Arrays of so many axes that are read, writable or not, so that a loop is compiled once."""
    from numba import types

    return tuple(types.Array(types.float64, count, "C", readonly=True) for count in axes)


def written(*axes: int, dtype: Any = None) -> tuple[Any, ...]:
    """Arrays of so many axes that are written to, of numbers where no type is given."""
    from numba import types

    kind = types.float64 if dtype is None else dtype
    return tuple(types.Array(kind, count, "C") for count in axes)


def numbers_of_method() -> Any:
    """Give the type of ``Limits``."""
    from numba import typeof

    return typeof(Limits(*(0.0,) * len(Limits._fields)))  # type: ignore[no-untyped-call]
