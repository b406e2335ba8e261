"""A measured lift as it would be if its posture had been measured slightly differently."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import rotation_about
from momentshare.girdle import added_to, girdle_pose

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise import Lift
    from momentshare.girdle import Girdle

__all__ = ["MEASURED_ANGLES", "turned_lift"]

MEASURED_ANGLES = ("plane", "elevation", "pitch", "axial")
"""Errors of a measured posture; see :func:`turned_lift`."""

_FRONT = np.array([1.0, 0.0, 0.0])
_LONG = np.array([0.0, 1.0, 0.0])
_SIDE = np.array([0.0, 0.0, 1.0])


def turned_lift(
    lift: Lift,
    girdle: Girdle,
    *,
    plane: float,
    elevation: float,
    axial: float,
    pitch: float = 0.0,
    protraction: float = 0.0,
) -> Lift:
    """Rotate the trunk under a measured arm, and the upper arm about its own axis.

    The trunk's landmarks lie on soft tissue and those of the elbow close together, so these are the
    least certain rotations in a laboratory. What was measured of the arm in the room (positions,
    forces, motion) keeps its size: seen from a differently oriented trunk, all of it rotates
    together, and the moments with it.

    Parameters
    ----------
    lift : Lift
        Measured, of one limb.
    girdle : Girdle
        Of the limb to be used; the arm moves with its joint.
    plane, elevation : float
        Turn of all that was measured about the trunk's long axis and about its front axis [rad].
    pitch : float
        Likewise about its side axis, as a sternum seems to have it that slopes more than assumed.
    axial : float
        Further turn of the upper arm about its own axis, internal positive [rad]; elbow and hand
        stay.
    protraction : float
        Further protraction of the girdle [rad]; the arm keeps its posture and moves with the joint.

    Returns
    -------
    Lift
    """
    turn = (
        rotation_about(_LONG, np.asarray(plane))
        @ rotation_about(_FRONT, np.asarray(elevation))
        @ rotation_about(_SIDE, np.asarray(pitch))
    )

    def seen(vector: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(vector @ turn.T)

    motion = lift.motion
    if motion is not None:
        vectors = {
            item.name: seen(value)
            for item in fields(motion)
            if (value := getattr(motion, item.name)).shape[-1:] == (3,) and value.ndim == 2
        }
        motion = replace(motion, **vectors)
    posture = replace(
        lift.posture,
        humerus=turn @ lift.posture.humerus @ rotation_about(_LONG, np.asarray(axial)),
        girdle=added_to(lift.posture, protraction=protraction),
    )
    shoulder = np.broadcast_to(girdle_pose(girdle, posture).joint, lift.shoulder.shape)
    return replace(
        lift,
        posture=posture,
        shoulder=shoulder,
        hand=shoulder + seen(lift.hand - lift.shoulder),
        elbow=shoulder + seen(lift.elbow - lift.shoulder),
        up=seen(lift.up),
        lateral_axis=seen(lift.lateral_axis),
        load_force=None if lift.load_force is None else seen(lift.load_force),
        push_axis=None if lift.push_axis is None else seen(lift.push_axis),
        motion=motion,
    )
