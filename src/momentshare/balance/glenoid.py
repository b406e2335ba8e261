"""What keeps the contact force within the stability limits of the glenoid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.sharing import (
    Cone,
    contact_cone,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["GlenoidLimit", "stability_cone"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GlenoidLimit:
    """What keeps the contact force within the stability limits of the glenoid.

    Attributes
    ----------
    lines : float array, shape (..., heads, 3)
        Force on the arm for a pull of 1 N, thorax frame.
    across : float array, shape (..., 3)
        Net force across the shoulder on the arm without lateral force [N].
    fixed, each : float array, shape (..., 3), optional
        The part of it without any load [N], and what one more kilogram in both hands together adds
        [N/kg]; needed for greatest loads within the limits.
    push_axis : float array, shape (..., 3)
        Outward direction of the lateral force.
    frame : float array, shape (..., 3, 3)
        Rows forward, upward and outward of the glenoid.
    turns, limits : float array, shape (facets,)
        Directions of the facets from forward [rad], right-handed about the inward normal, and
        the stability ratio in each.
    """

    lines: Floats
    across: Floats
    push_axis: Floats
    frame: Floats
    turns: Floats
    limits: Floats
    fixed: Floats | None = None
    each: Floats | None = None


def stability_cone(held: GlenoidLimit, lines: Floats, across: Floats) -> Cone:
    """Planes of the stability limits for heads with these lines and a force across the joint."""
    return contact_cone(
        lines,
        -across,
        held.limits,
        axis=-held.frame[..., 2, :],
        towards=held.frame[..., 0, :],
        turns=held.turns,
    )
