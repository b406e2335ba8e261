"""Load of the glenoid: compression, shear, and the margin before the head would slip.

The head presses on the glenoid with the opposite of the contact force that the glenoid puts
on it. Stability ratios (shear that dislocates over compression) differ by direction; between the
four directions of the model's table, each quadrant is a quarter ellipse (assumed).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import rotated, rotation_about
from momentshare.girdle import scapula_rotation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = [
    "FACETS",
    "GlenoidLoad",
    "glenoid_frame",
    "glenoid_load",
    "stability_facets",
    "stability_limits",
]

DIRECTIONS = (
    "anterior",
    "anterior-superior",
    "superior",
    "posterior-superior",
    "posterior",
    "posterior-inferior",
    "inferior",
    "anterior-inferior",
)
"""Directions of the shear on the glenoid, each an eighth of a turn from the one before."""

FACETS = 16
"""Number of facets of the cone that represents the stability limit as a constraint."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GlenoidLoad:
    """Force of the humeral head on the glenoid, shape (...).

    Attributes
    ----------
    compression : float array
        Into the glenoid [N]; negative where the head would lift off.
    anterior, superior : float array
        Shear on the glenoid [N].
    ratio : float array
        Shear over compression; infinite without compression.
    limit : float array
        Stability ratio in the direction of the shear.
    margin : float array
        1 - ratio / limit: 1 centred, 0 at the limit, negative beyond it.
    """

    compression: NDArray[np.float64]
    anterior: NDArray[np.float64]
    superior: NDArray[np.float64]
    ratio: NDArray[np.float64]
    limit: NDArray[np.float64]
    margin: NDArray[np.float64]

    @property
    def share_of_limit(self) -> NDArray[np.float64]:
        """Shear ratio over the stability ratio: 0 centred, 1 at the limit, more beyond it."""
        return np.asarray(self.ratio / self.limit)

    @property
    def inside_limit_by(self) -> NDArray[np.float64]:
        """Angle from the force to the limit in the direction of its shear [rad].

        Positive inside the limit, negative beyond it. Without compression, the true angle between
        the force and the inward normal is taken, at least a right angle.
        """
        shear = np.hypot(self.anterior, self.superior)
        return np.asarray(np.arctan(self.limit) - np.arctan2(shear, self.compression))

    @property
    def direction(self) -> NDArray[np.str_]:
        """Where the shear pushes the humeral head on the glenoid, in words.

        One of eight directions, the nearest; ``centred`` without shear, ``unknown`` where the
        load is not known.
        """
        turn = np.arctan2(self.superior, self.anterior)
        known = np.isfinite(turn)
        eighth = np.round(np.where(known, turn, 0.0) / (np.pi / 4.0)).astype(int) % 8
        words = np.array(DIRECTIONS)[eighth]
        words = np.where((self.anterior == 0.0) & (self.superior == 0.0), "centred", words)
        return np.asarray(np.where(known, words, "unknown"))


def glenoid_frame(
    skeleton: Skeleton, posture: Posture, limb: NDArray[np.intp] | None = None
) -> NDArray[np.float64]:
    """Return unit vectors forward, upward and outward of the glenoid, rows, thorax frame.

    The shape is (..., 3, 3), led by that of the postures; ``limb`` is the limb of each
    posture where the skeleton holds several.

    The outward normal is the scapula's z axis turned back by the retroversion and up by the
    inclination.
    """
    number = skeleton.model.number
    turn = rotation_about([0.0, 1.0, 0.0], -number("glenoid_retroversion"))
    tip = rotation_about([1.0, 0.0, 0.0], -number("glenoid_inclination"))
    scapula = scapula_rotation(skeleton.limb_girdle(limb), posture)
    return np.asarray(np.swapaxes(scapula @ turn @ tip, -1, -2))


def stability_limits(
    model: Model, anterior: NDArray[np.float64], superior: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Stability ratio in the direction in which the head is pushed, any shape."""
    number = model.number
    forward = np.where(anterior >= 0.0, number("stability_anterior"), number("stability_posterior"))
    upward = np.where(superior >= 0.0, number("stability_superior"), number("stability_inferior"))
    size = np.hypot(anterior, superior)
    safe = np.where(size > 0.0, size, 1.0)
    a, b = anterior / safe / forward, superior / safe / upward
    return np.asarray(np.where(size > 0.0, 1.0 / np.sqrt(np.maximum(a**2 + b**2, 1e-12)), upward))


def stability_facets(model: Model) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Facets that touch the stability limit from outside, forward, down, back, up.

    They exclude no force that is within the limit; between two of them the limit may be exceeded by
    2 %.

    Returns
    -------
    turns : float array, shape (FACETS,)
        Where the normals point [rad], right-handed about the inward normal from forward.
    ratios : float array, shape (FACETS,)
        Shear along the normal over compression at which each facet stands.
    """
    angle = 2.0 * np.pi * np.arange(FACETS) / FACETS
    forward, upward = np.cos(angle), -np.sin(angle)
    number = model.number
    a = np.where(forward >= 0.0, number("stability_anterior"), number("stability_posterior"))
    b = np.where(upward >= 0.0, number("stability_superior"), number("stability_inferior"))
    turns = np.arctan2(-upward / b, forward / a)
    return turns, np.hypot(a * np.cos(turns), b * np.sin(turns))


def glenoid_load(skeleton: Skeleton, contact: NDArray[np.float64], posture: Posture) -> GlenoidLoad:
    """Split the contact force into compression and shear and compare them with the limit.

    Parameters
    ----------
    skeleton : Skeleton
    contact : float array, shape (..., 3)
        Force of the glenoid on the humeral head [N], thorax frame.
    posture : Posture
    """
    frame = glenoid_frame(skeleton, posture)
    on_glenoid = -rotated(frame, contact)
    anterior, superior, compression = (
        on_glenoid[..., 0],
        on_glenoid[..., 1],
        -on_glenoid[..., 2],
    )
    shear = np.hypot(anterior, superior)
    pressed = compression > 0.0
    ratio = np.where(pressed, shear / np.where(pressed, compression, 1.0), np.inf)
    ratio = np.where(np.isnan(compression), np.nan, ratio)
    limit = stability_limits(skeleton.model, anterior, superior)
    return GlenoidLoad(
        compression=compression,
        anterior=anterior,
        superior=superior,
        ratio=ratio,
        limit=limit,
        margin=1.0 - ratio / limit,
    )
