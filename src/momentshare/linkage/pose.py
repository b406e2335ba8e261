"""Where the bodies of a linkage are, how they turn and how they are accelerated.

From the ground outward: with ω and α of the body before a joint, a turn about the unit axis e of
rate q̇, carried by a frame that turns with ω', adds

    ω += e q̇,    α += e q̈ + ω' × e q̇.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, rotated, rotation_about
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.linkage.schema import Linkage

    Floats = NDArray[np.float64]

__all__ = ["LinkagePoses", "place_bodies"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkagePoses(ReadOnly):
    """Bodies in the ground frame, and their motion.

    Attributes
    ----------
    rotation, origin : mapping
        Body → shape (frames, 3, 3) and (frames, 3) [m].
    spin, turning : mapping
        Body → angular velocity [rad/s] and acceleration [rad/s²], shape (frames, 3).
    acceleration : mapping
        Body → acceleration of its origin, the centre of its joint [m/s²], shape (frames, 3).
    axes : float array, shape (frames, rows, 3)
        Unit axis about which each row is the moment.
    """

    rotation: Mapping[str, Floats]
    origin: Mapping[str, Floats]
    spin: Mapping[str, Floats]
    turning: Mapping[str, Floats]
    acceleration: Mapping[str, Floats]
    axes: Floats

    __repr__ = brief

    def point(self, body: str, position: Floats) -> Floats:
        """Return a point of a body in the ground frame, shape (frames, 3)."""
        return self.origin[body] + rotated(self.rotation[body], position)

    def point_acceleration(self, body: str, position: Floats) -> Floats:
        """Return its acceleration [m/s²], shape (frames, 3)."""
        arm = rotated(self.rotation[body], position)
        spin = self.spin[body]
        return (
            self.acceleration[body] + cross(self.turning[body], arm) + cross(spin, cross(spin, arm))
        )


def place_bodies(
    linkage: Linkage, angles: Floats, rates: Floats | None = None, changes: Floats | None = None
) -> LinkagePoses:
    """Place the bodies in every frame.

    Parameters
    ----------
    linkage : Linkage
    angles : float array, shape (frames, rows)
        [rad].
    rates, changes : float array, shape (frames, rows), optional
        Their first and second derivative to time; zero where not given.
    """
    frames = len(angles)
    rates = np.zeros_like(angles) if rates is None else rates
    changes = np.zeros_like(angles) if changes is None else changes
    still = np.zeros((frames, 3))
    ground = linkage.ground
    rotation = {ground: np.broadcast_to(np.eye(3), (frames, 3, 3))}
    origin, spin, turning, acceleration = ({ground: still} for _ in range(4))
    axes = np.empty((frames, len(linkage.rows), 3))
    for joint in linkage.joints:
        parent, body = joint.parent, joint.body
        before = rotation[parent]
        reach = rotated(before, np.array(joint.position))
        velocity, change = spin[parent], turning[parent]
        origin[body] = origin[parent] + reach
        acceleration[body] = (
            acceleration[parent] + cross(change, reach) + cross(velocity, cross(velocity, reach))
        )
        turned = before
        for k in linkage.joint_rows(joint.name):
            own = np.array(linkage.rows[k].axis)
            axis = rotated(turned, own)
            axes[:, k] = rotated(before, own) if joint.type == "ball" else axis
            step = axis * rates[:, k, None]
            change = change + axis * changes[:, k, None] + cross(velocity, step)
            velocity = velocity + step
            turned = turned @ rotation_about(own, angles[:, k])
        rotation[body], spin[body], turning[body] = turned, velocity, change
    return LinkagePoses(
        rotation=rotation,
        origin=origin,
        spin=spin,
        turning=turning,
        acceleration=acceleration,
        axes=axes,
    )
