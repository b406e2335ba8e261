"""Where the joint centre is, in every sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import norm, rotated, unit
from momentshare.trial.motion.upper_arm import (
    ROUNDS,
    SETTLED,
    elbow_paths,
    fit_upper_arm,
    girdle_towards,
)
from momentshare.trial.motion.ways import Placed, chosen_way

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.static import Calibration
    from momentshare.trial.motion.upper_arm import UpperArm
    from momentshare.trial.recording import Recording


__all__ = ["place_joint_centre", "without_stretch"]

_ACROMION_SHARE = 2.0 / 3.0
"""Share of a change of the upper arm's length that the acromion takes: one landmark there, the mean
of two at the elbow."""


def place_joint_centre(
    recording: Recording,
    skeleton: Skeleton,
    trunk: NDArray[np.float64],
    elbow: NDArray[np.float64],
    way: str = "auto",
    known: Calibration | None = None,
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
    known : Calibration, optional
        What separate trials, or all trials together, show about the person; without it this
        recording alone counts.
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
    if known is not None and known.joint_offset is not None:
        return Placed(
            way=chosen,
            values=acromion + rotated(trunk, np.broadcast_to(known.joint_offset, acromion.shape)),
            notes=("joint centre: follows the acromion at the offset of the person's own trial",),
        )
    paths = elbow_paths(recording, trunk, added)
    common = None if known is None else known.upper_arm
    arm: UpperArm | None
    if common is not None and all(common.fits(path) for path in paths[:1]):
        arm, where = common, "every trial of the person"
    else:
        arm, where = fit_upper_arm(paths, skeleton), "this trial"
        if common is not None:
            where += ", where it differs by too much from the other trials"
    if arm is None:
        return Placed(way=chosen, values=np.full_like(acromion, np.nan))
    moved = 1000.0 * arm.moved
    note = (
        "joint centre: follows the acromion; its offset, from the person's sizes, was moved by "
        f"{moved:.0f} mm so that the upper arm keeps its length in {where}"
    )
    return Placed(
        way=chosen,
        values=acromion + rotated(trunk, np.broadcast_to(arm.offset, acromion.shape)),
        notes=(note,),
        numbers={"offset_moved_mm": moved, "upper_arm_m": arm.length},
    )


def _joint_with_the_arm(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    """Joint centre where the girdle has it for an arm that points from there to the elbow [m].

    ``elbow`` is measured from the jugular notch, thorax axes, as is the answer.
    """
    joint = np.broadcast_to(skeleton.joint_centre, elbow.shape)
    for _ in range(ROUNDS):
        found = girdle_towards(skeleton, elbow - joint, added).joint
        gap, joint = np.abs(found - joint), found
        if not np.nanmax(gap, initial=0.0) > SETTLED:
            break
    return joint


def without_stretch(
    shoulder: NDArray[np.float64], elbow: NDArray[np.float64], length: float | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the upper arm one length in every sample, along its own line.

    Skin slides at both ends; the apparent change of length is divided among the landmarks there.
    The length is the mean where none is given [m].

    Returns
    -------
    shoulder, elbow : float array, shape (samples, 3)
    """
    arm = elbow - shoulder
    excess = norm(arm) - (float(np.nanmean(norm(arm))) if length is None else length)
    along = unit(arm) * excess[:, None]
    return shoulder + _ACROMION_SHARE * along, elbow - (1.0 - _ACROMION_SHARE) * along
