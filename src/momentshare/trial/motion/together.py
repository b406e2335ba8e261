"""What all trials of a person show together about the upper arm."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.trial.motion.kinematics import trunk_rotation
from momentshare.trial.motion.static import Calibration
from momentshare.trial.motion.trunk import place_trunk
from momentshare.trial.motion.upper_arm import elbow_paths
from momentshare.trial.motion.ways import Ways, chosen_way
from momentshare.trial.recording import mirrored

if TYPE_CHECKING:
    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.girdle import StatedGirdle
    from momentshare.trial.motion.upper_arm import ElbowPath
    from momentshare.trial.recording import Recording

__all__ = ["arm_paths"]

_UPSIDE_DOWN = np.radians(45.0)
"""Angle of the trunk from that of the condition beyond which its landmarks, or those of the arms,
are exchanged [rad]; the check of trunk posture fails there."""


def arm_paths(
    recording: Recording,
    skeleton: Skeleton,
    stated: StatedGirdle,
    *,
    side: str = "right",
    ways: Ways | None = None,
    calibration: Calibration | None = None,
    trunk_angle: float = 0.0,
    ground: bool = False,
) -> list[ElbowPath]:
    """Arms of one trial for :func:`~momentshare.trial.motion.upper_arm.fit_upper_arm`.

    Empty where the joint centre follows from something else than the acromion, and where the trunk
    does not lie as the condition says: a trial with exchanged labels must not move the others.

    Parameters
    ----------
    recording : Recording
        As read; landmarks need no filter here.
    skeleton : Skeleton
        Of the person.
    stated : StatedGirdle
        What the condition states about the girdle.
    side, ways, calibration, trunk_angle, ground
        As for :func:`~momentshare.trial.process.process_trial`.
    """
    chosen, known = ways or Ways(), calibration or Calibration()
    own = mirrored(recording) if side == "left" else recording
    seen = {role: c for role, c in own.channels.items() if c.unit == "m"}
    own = replace(own, channels=seen)
    if known.joint_offset is not None or len({len(c.values) for c in seen.values()}) != 1:
        return []
    still = trunk_rotation(trunk_angle, face_down=ground)
    try:
        if chosen_way(own, "joint_centre", chosen.joint_centre) != "acromion":
            return []
        trunk = place_trunk(
            own,
            still,
            chosen.trunk,
            ground=ground,
            slope=known.sternum_slope,
            likely=known.likely_slope,
        )
    except InputError:  # the trial itself reports it
        return []
    up = np.nanmean(trunk.values[:, 1, :], axis=0)
    if up @ still[1] < np.cos(_UPSIDE_DOWN) * np.linalg.norm(up):
        return []
    girdle = stated.on(skeleton, trunk_angle=trunk_angle, ground=ground).mean()
    return elbow_paths(own, trunk.values, girdle)
