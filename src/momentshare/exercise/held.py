"""An arm held still, upright and without a load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.lift import Lift
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = ["held_lift"]


def held_lift(skeleton: Skeleton, posture: Posture) -> Lift:
    """Hold the arm of an upright person in the given postures, one per frame."""
    poses = body_poses(skeleton, posture)
    elbow = poses.origin["ulna"]
    hand = elbow - skeleton.sizes.grip_length * poses.rotation["ulna"][..., :, 1]
    count = len(hand)
    return Lift(
        fraction=np.linspace(0.0, 1.0, count),
        height=hand[:, 1],
        time=None,
        posture=posture,
        shoulder=poses.origin["humerus"],
        hand=hand,
        elbow=elbow.copy(),
        up=np.array([0.0, 1.0, 0.0]),
        load_mass=0.0,
        lateral_axis=np.array([0.0, 0.0, 1.0]),
        lateral_free=False,
        reachable=np.ones(count, dtype=bool),
        gap=np.zeros(count),
        breaches=(),
        motion=None,
    )
