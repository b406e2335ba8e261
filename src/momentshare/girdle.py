"""Where clavicle, scapula and glenohumeral centre are, given the arm.

The clavicle has a fixed length and turns about the sternoclavicular joint; the scapula turns about
the acromioclavicular joint at its end and carries the glenohumeral centre along. Both follow the
arm: with ``d`` the direction of the upper arm in the thorax and ``e`` its elevation, each angle is

    angle = rest + rise · (√(e² + s²) - s) + reach · d_x,

where ``s`` makes the first part of an elevation add little (the setting phase) and the course
smooth in every posture, the hanging arm included. Rises and reaches come from published ranges of
girdle motion in abduction, in the scapular plane and in flexion; they are listed in the model's
table as ``girdle_…``. A task adds its own protraction and elevation of the clavicle
(:attr:`~momentshare.posture.Posture.girdle`); the scapula takes part in them in fixed proportions.

Angles of the clavicle: protraction, elevation, backward axial rotation. Of the scapula: internal
rotation, upward rotation, backward tilt. All are in the thorax, in the sequence Y-X-Z of Wu et al.
2005.

The model has no muscle between trunk and girdle: those muscles are assumed to hold it on its
course, and moment arms are those of the glenohumeral joint alone. The girdle transmits to the trunk
the load of that joint together with the pull of the heads that originate on clavicle and scapula.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import rotated, rotation_from_yxz, yxz_from_rotation
from momentshare.model.schema import GIRDLE_ANGLES
from momentshare.results import brief

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.posture import Posture

__all__ = [
    "ANGLES",
    "Girdle",
    "GirdlePose",
    "added_to",
    "angles_with",
    "girdle_angles",
    "girdle_pose",
    "highest_elevation",
    "internal_rotation",
    "join_girdle",
    "pose_at",
    "scapula_rotation",
    "upward_rotation",
]

ANGLES = GIRDLE_ANGLES
"""Angles of the girdle in the order of every array of them."""

_SIGNS = np.array([1.0, -1.0, 1.0, 1.0, -1.0, 1.0])
"""From anatomical senses to turns about y, x and z."""

_FINE, _EACH = 18000, 100
"""Steps of elevation in half a turn (hundredths of a degree), and how many make a coarse step."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Girdle:
    """Joints and course of a person's girdle, or of several limbs side by side.

    Attributes
    ----------
    root : float array, shape (..., 3)
        Sternoclavicular joint, thorax frame [m].
    length : float array, shape (...)
        From there to the acromioclavicular joint [m].
    corner : float array, shape (..., 3)
        Acromioclavicular joint in the scapula's frame, whose origin is the glenohumeral
        centre [m].
    hanging, rise, reach : float array, shape (..., 6)
        Angles with the arm hanging [rad], and what they gain with elevation [rad/rad] and with
        the forward part of the arm's direction [rad].
    follow : float array, shape (..., 2, 6)
        What they gain for each radian of protraction and of elevation that a task adds.
    setting : float array, shape (...)
        Elevation within which the girdle moves little [rad].
    """

    root: NDArray[np.float64]
    length: NDArray[np.float64]
    corner: NDArray[np.float64]
    hanging: NDArray[np.float64]
    rise: NDArray[np.float64]
    reach: NDArray[np.float64]
    follow: NDArray[np.float64]
    setting: NDArray[np.float64]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GirdlePose:
    """The girdle in a batch of postures, thorax frame.

    Attributes
    ----------
    clavicle, scapula : float array, shape (..., 3, 3)
        Rotations from the body's frame to the thorax.
    corner : float array, shape (..., 3)
        Acromioclavicular joint [m].
    joint : float array, shape (..., 3)
        Glenohumeral centre [m].
    """

    clavicle: NDArray[np.float64]
    scapula: NDArray[np.float64]
    corner: NDArray[np.float64]
    joint: NDArray[np.float64]


def join_girdle(
    root: NDArray[np.float64],
    joint: NDArray[np.float64],
    corner: NDArray[np.float64],
    scapula: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Length and angles of a clavicle that ends where a scapula at rest has its corner.

    Parameters
    ----------
    root, joint, corner : float array, shape (..., 3)
        Sternoclavicular joint and glenohumeral centre in the thorax, acromioclavicular joint in
        the scapula's frame [m].
    scapula : float array, shape (..., 3)
        Internal, upward and backward rotation at rest [rad].

    Returns
    -------
    length : float array, shape (...)
        [m]
    angles : float array, shape (..., 3)
        Protraction and elevation [rad]; the axial rotation counts from here.
    """
    turned = _rotation(scapula, _SIGNS[3:])
    span = joint + rotated(turned, corner) - root
    length = np.linalg.norm(span, axis=-1)
    along = span / length[..., None]
    side = np.cross(np.array([0.0, 1.0, 0.0]), along)
    side /= np.linalg.norm(side, axis=-1, keepdims=True)
    frame = np.stack([side, np.cross(along, side), along], axis=-1)
    angles = np.stack(yxz_from_rotation(frame), axis=-1) * _SIGNS[:3]
    return length, angles


def _lifted(girdle: Girdle, elevation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Elevation less the part lost to the setting phase [rad]."""
    return np.asarray(np.sqrt(elevation**2 + girdle.setting**2) - girdle.setting)


def girdle_angles(girdle: Girdle, posture: Posture) -> NDArray[np.float64]:
    """Angles of clavicle and scapula [rad], shape (..., 6), for :func:`pose_at`."""
    shaft = -posture.humerus[..., :, 1]
    lifted = _lifted(girdle, np.arccos(np.clip(-shaft[..., 1], -1.0, 1.0)))
    out = girdle.hanging + lifted[..., None] * girdle.rise + shaft[..., 0, None] * girdle.reach
    return out if posture.girdle is None else angles_with(girdle, out, posture.girdle)


def angles_with(
    girdle: Girdle, angles: NDArray[np.float64], added: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Angles of clavicle and scapula with additions to protraction and elevation [rad]."""
    return np.asarray(angles + np.einsum("...k,...ka->...a", added, girdle.follow))


def girdle_pose(girdle: Girdle, posture: Posture) -> GirdlePose:
    """Place clavicle, scapula and glenohumeral centre for a batch of postures.

    Parameters
    ----------
    girdle : Girdle
        Of one limb, or of the limb of each posture.
    posture : Posture

    Returns
    -------
    GirdlePose
        Of the shape of the postures.
    """
    return pose_at(girdle, girdle_angles(girdle, posture))


def pose_at(girdle: Girdle, angles: NDArray[np.float64]) -> GirdlePose:
    """Place clavicle, scapula and glenohumeral centre at their angles [rad], shape (..., 6)."""
    clavicle = _rotation(angles[..., :3], _SIGNS[:3])
    scapula = _rotation(angles[..., 3:], _SIGNS[3:])
    corner = girdle.root + girdle.length[..., None] * clavicle[..., :, 2]
    return GirdlePose(
        clavicle=clavicle,
        scapula=scapula,
        corner=np.broadcast_to(corner, clavicle.shape[:-1]),
        joint=np.asarray(corner - rotated(scapula, girdle.corner)),
    )


def scapula_rotation(girdle: Girdle, posture: Posture) -> NDArray[np.float64]:
    """Rotation of the scapula alone, as in :func:`girdle_pose`, shape (..., 3, 3)."""
    return _rotation(girdle_angles(girdle, posture)[..., 3:], _SIGNS[3:])


def added_to(posture: Posture, *, protraction: float) -> NDArray[np.float64]:
    """Return what a task adds to the girdle, with more protraction [rad], shape (..., 2)."""
    own = np.zeros((*posture.shape, 2)) if posture.girdle is None else posture.girdle
    return np.asarray(own + np.array([protraction, 0.0]))


def internal_rotation(
    girdle: Girdle, plane: NDArray[np.float64], elevation: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the scapula's internal rotation at planes and elevations of the arm [rad]."""
    forward = np.sin(elevation) * np.sin(plane)
    return np.asarray(
        girdle.hanging[..., 3]
        + _lifted(girdle, elevation) * girdle.rise[..., 3]
        + forward * girdle.reach[..., 3]
    )


def upward_rotation(girdle: Girdle, elevation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Upward rotation of the scapula at elevations of the arm in the scapular plane [rad]."""
    forward = np.sin(elevation) * np.sin(girdle.hanging[..., 3])
    return np.asarray(
        girdle.hanging[..., 4]
        + _lifted(girdle, elevation) * girdle.rise[..., 4]
        + forward * girdle.reach[..., 4]
    )


def highest_elevation(girdle: Girdle, at_joint: float) -> NDArray[np.float64]:
    """Greatest elevation that the glenohumeral joint allows [rad].

    The scapula contributes its upward rotation, which grows with elevation where it follows the
    arm; that rotation is taken to be in the plane of elevation. Degrees are tried first, then the
    hundredths before the first one that is too high.

    Parameters
    ----------
    girdle : Girdle
        Of one limb or of several.
    at_joint : float
        Greatest elevation against the scapula [rad].

    Returns
    -------
    float array, shape (...)
        A multiple of a hundredth of a degree within the limit, up to half a turn.
    """

    def within(steps: NDArray[np.intp]) -> NDArray[np.bool_]:
        elevation = np.asarray(steps * (np.pi / _FINE), dtype=np.float64)
        return np.asarray(elevation - upward_rotation(girdle, elevation) <= at_joint)

    shape = girdle.setting.shape
    coarse = np.arange(0, _FINE + 1, _EACH).reshape(-1, *(1 for _ in shape))
    good = within(coarse)
    last = np.where(good.all(axis=0), _FINE, _EACH * (np.argmin(good, axis=0) - 1))
    steps = np.minimum(last + np.arange(_EACH + 1).reshape(-1, *(1 for _ in shape)), _FINE)
    good = within(steps)
    found = np.where(good.all(axis=0), _EACH, np.argmin(good, axis=0) - 1) + last
    return np.asarray(np.clip(found, 0, _FINE) * (np.pi / _FINE))


def _rotation(angles: NDArray[np.float64], signs: NDArray[np.float64]) -> NDArray[np.float64]:
    turns = angles * signs
    return rotation_from_yxz(turns[..., 0], turns[..., 1], turns[..., 2])
