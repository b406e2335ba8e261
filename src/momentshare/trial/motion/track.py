"""Posture of trunk and right arm over a whole recording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.posture import Posture
    from momentshare.trial.motion.ways import Placed

__all__ = ["ArmTrack"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmTrack(ReadOnly):
    """Posture of trunk and right arm over a whole recording; arrays over samples.

    Attributes
    ----------
    rate, start : float
        Samples per second [Hz] and time of the first one [s].
    posture : Posture
        Humerus relative to the thorax.
    trunk : float array, shape (samples, 3, 3)
        Rotation from the thorax frame to the world frame.
    shoulder : float array, shape (samples, 3)
        Joint centre, world frame [m]; from joint angles, relative to a joint centre that stays in
        place or, with the hands on the ground, to the hand.
    elbow, hand : float array, shape (samples, 3)
        From the joint centre, thorax axes [m].
    lateral_axis : float array, shape (samples, 3)
        Outward along what the hands hold, thorax axes, unit vectors.
    height : float array, shape (samples,)
        Height of what the hand holds, world frame [m]; relative to the shoulder where joint
        angles were recorded instead of landmarks. With the hands on the ground: height of the
        shoulder over the hand.
    upper_arm, forearm : float array, shape (samples,)
        Measured lengths, joint centre to elbow and elbow to wrist [m]; empty without landmarks.
    notes : tuple of str
        What had to be decided.
    notch : float array, shape (samples, 3)
        Jugular notch, origin of the thorax frame, world frame [m]; empty where the trunk has no
        landmarks.
    off_hinge : float array, shape (samples,)
        Angle of the forearm out of the plane perpendicular to the line of the epicondyles, outward
        positive [rad], whatever the source of the hinge; empty without landmarks.
    placed : mapping
        ``trunk``, ``joint_centre``, ``grip`` and ``girdle`` → how each was found, as found; empty
        without landmarks.
    """

    rate: float
    start: float
    posture: Posture
    trunk: NDArray[np.float64]
    shoulder: NDArray[np.float64]
    elbow: NDArray[np.float64]
    hand: NDArray[np.float64]
    lateral_axis: NDArray[np.float64]
    height: NDArray[np.float64]
    upper_arm: NDArray[np.float64]
    forearm: NDArray[np.float64]
    notes: tuple[str, ...]
    notch: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))
    off_hinge: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    placed: Mapping[str, Placed] = field(default_factory=dict)

    __repr__ = brief

    @property
    def up(self) -> NDArray[np.float64]:
        """Vertical in the thorax frame, shape (samples, 3)."""
        return self.trunk[:, 1, :]
