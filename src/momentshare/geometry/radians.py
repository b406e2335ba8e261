"""Angles come in radians; a value beyond a whole turn is degrees by mistake."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["WHOLE_TURN", "degree_faults", "require_radians"]

WHOLE_TURN = 2.0 * np.pi
"""Greatest angle that is taken for one in radians."""

_WANTED, _REMEDY = "radians within a whole turn", "degrees? numpy.radians converts them"


def require_radians(name: str, values: ArrayLike) -> None:
    """Refuse angles beyond a whole turn; those that are not known pass.

    ``values`` have the frames last.

    Raises
    ------
    ShapeError
        Naming the value and its frame.
    """
    size = np.abs(np.asarray(values, dtype=np.float64))
    if size.size and np.fmax.reduce(size, axis=None) > WHOLE_TURN:
        worst = int(np.nanargmax(size))
        frame = f" in frame {worst % size.shape[-1]}" if size.ndim else ""
        found = np.asarray(values, dtype=np.float64).reshape(-1)[worst]
        raise ShapeError(name, _WANTED, f"{found:g}{frame}", _REMEDY)


def degree_faults(**angles: ArrayLike | None) -> list[str]:
    """Say which named angles lie beyond a whole turn; what is None does not count."""
    faults = []
    for name, given in angles.items():
        if given is None:
            continue
        size = np.abs(np.asarray(given, dtype=np.float64))
        if size.max(initial=0.0) > WHOLE_TURN:
            faults.append(f"{name}: must be {_WANTED}; got {size.max():g}; {_REMEDY}")
    return faults
