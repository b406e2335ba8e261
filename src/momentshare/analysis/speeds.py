"""How fast the paths of a timed lift lengthen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import rotation_about
from momentshare.paths import paths
from momentshare.posture import Posture

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.limb import Limb
    from momentshare.paths import Paths
    from momentshare.skeleton import Skeleton

__all__ = ["lengthening_speed", "path_velocity"]

_MOMENT = 1e-5
"""Time step of central differences [s]."""


def lengthening_speed(limb: Limb, lift: Lift, found: Paths) -> NDArray[np.float64]:
    """Lengthening speed of the paths of a timed lift [m/s], shape (frames, heads)."""
    motion = lift.motion
    assert motion is not None  # noqa: S101 - called for timed lifts only
    if limb.skeleton.moves or np.any(motion.girdle_velocity):
        return path_velocity(limb.skeleton, lift)
    # Shortening speed from the moment arms: dL/dt = -(arm vector · ω + arms · rates).
    turn = np.einsum("fhk,fk->fh", found.shoulder_moment, motion.humerus_angular_velocity)
    hinge = -found.moment_arms[:, 3] * motion.elbow_flexion_velocity[:, None]
    spin = found.moment_arms[:, 4] * motion.forearm_rotation_velocity[:, None]
    return np.asarray(-(turn + hinge + spin))


def path_velocity(skeleton: Skeleton, lift: Lift) -> NDArray[np.float64]:
    """Lengthening speed of every path [m/s] by central differences, shape (frames, heads).

    Unlike the moment arms, which hold the girdle still, it includes what the motion of the girdle,
    with the arm and on its own, adds to dL/dq.
    """
    motion, posture = lift.motion, lift.posture
    assert motion is not None  # noqa: S101 - called for timed lifts only
    speed = np.linalg.norm(motion.humerus_angular_velocity, axis=-1)
    axis = motion.humerus_angular_velocity / np.where(speed > 0.0, speed, 1.0)[:, None]
    axis[speed == 0.0] = [1.0, 0.0, 0.0]

    def length(step: float) -> NDArray[np.float64]:
        moved = Posture(
            humerus=rotation_about(axis, step * speed) @ posture.humerus,
            elbow_flexion=posture.elbow_flexion + step * motion.elbow_flexion_velocity,
            forearm_rotation=posture.forearm_rotation + step * motion.forearm_rotation_velocity,
            girdle=None
            if posture.girdle is None
            else posture.girdle + step * motion.girdle_velocity,
        )
        return paths(skeleton, moved, limb=lift.limb_in(skeleton)).length

    return np.asarray((length(_MOMENT) - length(-_MOMENT)) / (2.0 * _MOMENT))
