"""Given postures and net moments, as in a published table: a lift without a hand load."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.exercise.chain import chain_from_posture
from momentshare.posture import posture_from_angles
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["GIVEN_ANGLES", "GIVEN_ROWS", "GivenMoments"]

GIVEN_ANGLES = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
"""Angles of a posture, in the order of the arrays."""

GIVEN_ROWS = ROWS[:4]
"""Rows of moments, in the order of the arrays; no table states a forearm moment."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenMoments(ReadOnly):
    """Net moments and postures at some points of a lift, each with its spread.

    Attributes
    ----------
    angles, angle_sd : float array, shape (points, 5)
        In the order of :data:`GIVEN_ANGLES` [rad].
    low, high : float array, shape (points, 5)
        Range within which a drawn posture stays [rad].
    moments, moment_sd : float array, shape (points, 4)
        In the order of :data:`GIVEN_ROWS` [N·m]; NaN where a moment is not known, and then not
        balanced.
    """

    angles: NDArray[np.float64]
    angle_sd: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    moments: NDArray[np.float64]
    moment_sd: NDArray[np.float64]

    __repr__ = brief

    def moved(self, angles: NDArray[np.float64], moments: NDArray[np.float64]) -> GivenMoments:
        """Shift by a number of spreads; an angle stops at the end of its range.

        Parameters
        ----------
        angles : float array, shape (5,)
        moments : float array, shape (4,)
        """
        return replace(
            self,
            angles=np.clip(self.angles + angles * self.angle_sd, self.low, self.high),
            moments=self.moments + moments * self.moment_sd,
        )

    def lift(self, skeleton: Skeleton) -> Lift:
        """Return the points as the frames of a lift of one limb, at zero speed."""
        posture = posture_from_angles(*self.angles.T)
        chain = chain_from_posture(skeleton, posture)
        count = len(self.angles)
        net = np.full((count, len(ROWS)), np.nan)
        net[:, : len(GIVEN_ROWS)] = self.moments
        up = np.array([0.0, 1.0, 0.0])
        return chain.lift(
            fraction=np.linspace(0.0, 1.0, count) if count > 1 else np.zeros(1),
            height=(chain.hand - skeleton.joint_centre) @ up,
            time=None,
            up=up,
            load_mass=0.0,
            lateral_axis=np.array([0.0, 0.0, 1.0]),
            lateral_free=False,
            breaches=(),
            motion=None,
            net_moments=net,
        )
