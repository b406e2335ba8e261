"""What a lifter adds to the course of the girdle in a trial: from landmarks, or as stated.

The course of the girdle follows the arm (:mod:`momentshare.girdle`); a lifter who pulls the
shoulder blades together or shrugs adds to it. Where the trunk is known by its landmarks, the place
of the joint centre (a landmark of its own) or else of the acromion, from the jugular notch, shows
how much: protraction and elevation of the clavicle are those for which the person's girdle comes
nearest to it. Estimated lengths leave a few degrees undetermined: 5 mm at the end of a clavicle
of 15 cm are 2 degrees. Otherwise the condition states it, and by default a press on a bench has the
model's retraction and everything else nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.profile import Profile
from momentshare.girdle import angles_with, girdle_angles, pose_at
from momentshare.trial.motion.upper_arm import ACROMION_LANDMARK
from momentshare.trial.motion.ways import Placed, chosen_way

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.track import ArmTrack
    from momentshare.trial.recording import Recording

__all__ = [
    "OVERHEAD",
    "StatedGirdle",
    "seen_girdle",
    "shown_girdle",
    "with_stated",
]

OVERHEAD = float(np.radians(60.0))
"""Angle of the trunk [rad, lying 0, upright 90 degrees] from which a press counts as one overhead;
chosen here."""

_LEAST, _MOST = np.radians([[-20.0, -15.0], [25.0, 30.0]])
"""What a lifter can add to protraction and elevation [rad], as study files allow it."""

_NONE = Profile.constant(0.0)

_ROUNDS, _SETTLED = 12, 1e-10
"""Steps of Gauss-Newton, and when they end [rad]."""

_STEP = 1e-5
"""Of the difference quotients [rad]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedGirdle:
    """Additions of the lifter to the course of the girdle, as stated by a condition.

    Parameters
    ----------
    protraction : Profile, optional
        Of the clavicle [rad], by height fraction; by default that of a press on a bench, and none
        overhead or with the hands on the ground.
    shrug : Profile
        Elevation of the clavicle [rad].
    """

    protraction: Profile | None = None
    shrug: Profile = _NONE

    def on(self, skeleton: Skeleton, *, trunk_angle: float, ground: bool) -> StatedGirdle:
        """Fill in what is not stated, for a trunk at an angle [rad] or hands on the ground."""
        if self.protraction is not None:
            return self
        chest, lockout = (float(v) for v in np.asarray(skeleton.press_protraction))
        if ground or trunk_angle > OVERHEAD:
            chest = lockout = 0.0
        return replace(self, protraction=Profile(((0.0, chest), (1.0, lockout))))

    def at(self, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
        """Protraction and elevation at height fractions [rad], shape (..., 2)."""
        own = _NONE if self.protraction is None else self.protraction
        return np.stack([own(fraction), self.shrug(fraction)], axis=-1)

    def mean(self) -> NDArray[np.float64]:
        """Mean over the height of the lift [rad], shape (2,)."""
        return np.asarray(self.at(np.linspace(0.0, 1.0, 51)).mean(axis=0))


def shown_girdle(
    track: ArmTrack, recording: Recording, skeleton: Skeleton, way: str = "auto"
) -> ArmTrack:
    """Add to a track what its landmarks show about the lifter's additions to the girdle.

    Without a trunk that was seen the place of the girdle says nothing, and a girdle that is held
    still can take no addition.
    """
    moves = bool(np.any(skeleton.girdle.follow))
    known = track.placed["trunk"].way != "condition" and moves
    chosen = chosen_way(recording, "girdle", way) if known or way == "landmarks" else "condition"
    if chosen == "condition":
        none = Placed(way=chosen, values=np.zeros((len(track.height), 2)))
        return replace(track, placed={**track.placed, "girdle": none})
    if not known:
        why = "a trunk that was seen" if moves else "a girdle that moves"
        raise InputError(f"{recording.source}: girdle: 'landmarks' needs {why}; take 'condition'")
    joint = recording.has("right_gh")
    role = "right_gh" if joint else "right_acromion"
    place = recording.channels[role].values - track.notch
    place = (np.swapaxes(track.trunk, -1, -2) @ place[..., None])[..., 0]
    site = None if joint else skeleton.site[ACROMION_LANDMARK]
    added = seen_girdle(skeleton, track.posture, place, site)
    mean = np.degrees(np.nanmean(added, axis=0)) if np.isfinite(added).any() else np.zeros(2)
    ended = float(np.mean((np.isclose(added, _LEAST) | np.isclose(added, _MOST)).any(axis=1)))
    notes: tuple[str, ...] = ()
    if ended > 0.0:
        shows = "joint centre" if joint else "acromion"
        note = (
            f"girdle: in {100 * ended:.0f} % of the samples the {shows} shows more than a lifter "
            "can add (protraction -20 to 25 degrees, elevation -15 to 30), so it is held there: "
            "check the landmarks of the trunk and the person's sizes"
        )
        notes = (note,)
    placed = Placed(
        way=chosen,
        values=added,
        notes=notes,
        numbers={"protraction_deg": float(mean[0]), "elevation_deg": float(mean[1])},
    )
    return replace(
        track,
        posture=replace(track.posture, girdle=added),
        placed={**track.placed, "girdle": placed},
        notes=(*track.notes, *notes),
    )


def seen_girdle(
    skeleton: Skeleton,
    posture: Posture,
    place: NDArray[np.float64],
    site: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Protraction and elevation beyond the girdle's course that a landmark shows.

    Parameters
    ----------
    skeleton : Skeleton
        Of the person.
    posture : Posture
        Of the arm, batch shape (samples,); its own additions do not count.
    place : float array, shape (samples, 3)
        Of the joint centre or of a point of the scapula, thorax frame [m].
    site : float array, shape (3,), optional
        That point in the scapula's frame [m]; the joint centre when not given.

    Returns
    -------
    float array, shape (samples, 2)
        Least squares of the distance [rad], held within what a lifter can add; NaN where the
        landmark or the arm is not known.
    """
    girdle = skeleton.girdle
    course = girdle_angles(girdle, replace(posture, girdle=None))

    def point(added: NDArray[np.float64]) -> NDArray[np.float64]:
        pose = pose_at(girdle, angles_with(girdle, course, added))
        if site is None:
            return pose.joint
        return np.asarray(pose.joint + (pose.scapula @ site))

    one, two = _STEP * np.eye(2)
    around = np.stack([np.zeros(2), one, -one, two, -two])
    found = np.zeros((len(place), 2))
    for _ in range(_ROUNDS):
        here, *beside = point(found + around[:, None])
        off = place - here
        slope = np.stack(
            [(beside[k] - beside[k + 1]) / (2.0 * _STEP) for k in (0, 2)],
            axis=-1,
        )
        square = np.swapaxes(slope, -1, -2) @ slope
        pull = (np.swapaxes(slope, -1, -2) @ off[..., None])[..., 0]
        size = square[:, 0, 0] * square[:, 1, 1] - square[:, 0, 1] ** 2
        step = (
            np.stack(
                [
                    square[:, 1, 1] * pull[:, 0] - square[:, 0, 1] * pull[:, 1],
                    square[:, 0, 0] * pull[:, 1] - square[:, 0, 1] * pull[:, 0],
                ],
                axis=-1,
            )
            / size[:, None]
        )
        ahead = np.clip(found + step, _LEAST, _MOST)
        gap, found = np.abs(ahead - found), ahead
        if not np.nanmax(gap, initial=0.0) > _SETTLED:
            break
    return found


def with_stated(track: ArmTrack, stated: StatedGirdle, ends: Sequence[tuple[int, int]]) -> ArmTrack:
    """Add to a track what a condition states if its landmarks do not show the girdle.

    Parameters
    ----------
    track : ArmTrack
    stated : StatedGirdle
    ends : sequence of (int, int)
        Samples of chest and lock-out of the repetitions, between whose mean heights the fraction
        runs from 0 to 1.
    """
    if track.posture.girdle is not None:
        return track
    low, high = (float(np.mean(track.height[[pair[k] for pair in ends]])) for k in range(2))
    fraction = np.clip((track.height - low) / (high - low), 0.0, 1.0)
    posture = replace(track.posture, girdle=stated.at(np.nan_to_num(fraction)))
    return replace(track, posture=posture)
