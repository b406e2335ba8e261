"""Where the joint centre is, in every sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import norm, rotated, unit
from momentshare.girdle import GirdlePose, girdle_pose
from momentshare.posture import Posture
from momentshare.trial.motion.ways import Placed, chosen_way

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.recording import Recording


__all__ = [
    "ACROMION_LANDMARK",
    "SKIN",
    "acromion_to_joint",
    "pivot",
    "place_joint_centre",
    "without_stretch",
]

_OFFSET_SPREAD = 0.010
"""Spread of the joint centre about its place below the acromion in each direction [m]; assumed."""

_LENGTH_SPREAD = 0.012
"""Spread of the upper arm about the person's length [m]: what stature leaves open; assumed."""

SKIN = 0.005
"""Spread of the distance between landmarks on the skin of shoulder and elbow [m]; assumed."""

_VIEWS = 10.0
"""Number of independent observations that a trial is worth, since skin moves with the lift;
assumed."""

ACROMION_LANDMARK = "acromion_landmark"
"""Site of the limb that represents the acromion landmark."""

_ROUNDS = 60

_SETTLED = 1e-12
"""Rounds of adjusting joint centre and arm to each other, and the movement at which they end
[m]."""

_ACROMION_SHARE = 2.0 / 3.0
"""Share of a change of the upper arm's length that the acromion takes: one landmark there, the mean
of two at the elbow."""


def place_joint_centre(
    recording: Recording,
    skeleton: Skeleton,
    trunk: NDArray[np.float64],
    elbow: NDArray[np.float64],
    way: str = "auto",
    offset: NDArray[np.float64] | None = None,
    added: NDArray[np.float64] | None = None,
) -> Placed:
    """Glenohumeral centre in the world frame over the samples, shape (samples, 3) [m].

    Parameters
    ----------
    recording : Recording
    skeleton : Skeleton
        Of the person.
    trunk : float array, shape (samples, 3, 3)
    elbow : float array, shape (samples, 3)
        Middle of the epicondyles, world frame [m].
    way : str
    offset : float array, shape (3,), optional
        From the acromion, thorax axes, where it was calibrated [m].
    added : float array, shape (2,), optional
        What the lifter adds to the course of the girdle [rad].
    """
    at = recording.channels
    chosen = chosen_way(recording, "joint_centre", way)
    if chosen == "landmark":
        return Placed(way=chosen, values=at["right_gh"].values)
    if chosen == "trunk":
        note = "joint centre: placed in the trunk by the person's sizes, from the jugular notch"
        notch = at["ij"].values
        seen = np.swapaxes(trunk, -1, -2)
        joint = _joint_with_the_arm(skeleton, rotated(seen, elbow - notch), added)
        return Placed(way=chosen, values=notch + rotated(trunk, joint), notes=(note,))
    acromion = at["right_acromion"].values
    seen = np.swapaxes(trunk, -1, -2)
    if offset is not None:
        return Placed(
            way=chosen,
            values=acromion + rotated(trunk, np.broadcast_to(offset, acromion.shape)),
            notes=("joint centre: follows the acromion at the offset of the person's own trial",),
        )
    away = rotated(seen, elbow - acromion)
    first = acromion_to_joint(skeleton, away, added)
    offset, length = pivot(away, first, skeleton.sizes.humerus_length)
    moved = 1000.0 * float(norm(offset - first))
    note = (
        "joint centre: follows the acromion; its offset, from the person's sizes, was moved by "
        f"{moved:.0f} mm so that the upper arm keeps its length"
    )
    return Placed(
        way=chosen,
        values=acromion + rotated(trunk, np.broadcast_to(offset, acromion.shape)),
        notes=(note,),
        numbers={"offset_moved_mm": moved, "upper_arm_m": length},
    )


def acromion_to_joint(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Joint centre from the acromion landmark by the person's sizes, thorax axes [m].

    ``elbow`` is measured from the acromion, thorax axes, shape (samples, 3): the scapula is as on
    average over those directions of the arm, including what the lifter has ``added``.
    """
    below = skeleton.site[ACROMION_LANDMARK]
    away = -rotated(_girdle_towards(skeleton, elbow, added).scapula, below)
    for _ in range(_ROUNDS):
        found = -rotated(_girdle_towards(skeleton, elbow - away, added).scapula, below)
        gap, away = np.abs(found - away), found
        if not np.nanmax(gap, initial=0.0) > _SETTLED:
            break
    known = away[np.isfinite(away).all(axis=1)]
    return known.mean(axis=0) if len(known) else np.full(3, np.nan)


def _joint_with_the_arm(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    """Joint centre where the girdle has it for an arm that points from there to the elbow [m].

    ``elbow`` is measured from the jugular notch, thorax axes, as is the answer.
    """
    joint = np.broadcast_to(skeleton.joint_centre, elbow.shape)
    for _ in range(_ROUNDS):
        found = _girdle_towards(skeleton, elbow - joint, added).joint
        gap, joint = np.abs(found - joint), found
        if not np.nanmax(gap, initial=0.0) > _SETTLED:
            break
    return joint


def _girdle_towards(
    skeleton: Skeleton, arm: NDArray[np.float64], added: NDArray[np.float64] | None
) -> GirdlePose:
    """Girdle for directions of the arm, thorax axes; its axial rotation has no effect."""
    y = -unit(arm)
    humerus = np.zeros((*y.shape, 3))
    humerus[..., :, 1] = y
    still = np.zeros(y.shape[:-1])
    own = None if added is None else np.broadcast_to(added, (*y.shape[:-1], 2))
    posture = Posture(humerus=humerus, elbow_flexion=still, forearm_rotation=still, girdle=own)
    return girdle_pose(skeleton.girdle, posture)


def pivot(
    elbow: NDArray[np.float64], offset: NDArray[np.float64], length: float, skin: float = SKIN
) -> tuple[NDArray[np.float64], float]:
    """Offset and length for which the elbow stays on a sphere, from sizes and trial combined.

    Least squares with the person's sizes as prior, by Gauss-Newton; ``elbow`` is measured from the
    acromion, thorax axes.
    """
    known = elbow[np.isfinite(elbow).all(axis=1)]
    prior = np.append(offset, length)
    spread = np.array([_OFFSET_SPREAD] * 3 + [_LENGTH_SPREAD])
    if len(known) < 10:
        return offset, length
    weight = np.sqrt(min(_VIEWS, len(known)) / len(known)) / skin
    found = prior.copy()
    for _ in range(20):
        arm = known - found[:3]
        far = norm(arm)
        rows = weight * np.column_stack([-arm / far[:, None], -np.ones(len(known))])
        off = weight * (far - found[3])
        matrix = np.vstack([rows, np.diag(1.0 / spread)])
        wanted = np.concatenate([off, (found - prior) / spread])
        step = np.linalg.lstsq(matrix, wanted, rcond=None)[0]
        found = found - step
        if float(np.abs(step).max()) < 1e-9:
            break
    return found[:3], float(found[3])


def without_stretch(
    shoulder: NDArray[np.float64], elbow: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the upper arm its mean length in every sample, along its own line.

    Skin slides at both ends; the apparent change of length is divided among the landmarks there.

    Returns
    -------
    shoulder, elbow : float array, shape (samples, 3)
    """
    arm = elbow - shoulder
    excess = norm(arm) - float(np.nanmean(norm(arm)))
    along = unit(arm) * excess[:, None]
    return shoulder + _ACROMION_SHARE * along, elbow - (1.0 - _ACROMION_SHARE) * along
