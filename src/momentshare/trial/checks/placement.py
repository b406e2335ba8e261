"""Checks of where trunk and arm are: swapped labels, turned axes, a posture that no arm has.

Frames built from swapped landmarks are as orthonormal as correct ones, and segments keep their
lengths, so these faults show only when the posture is compared with what a body can do and what the
condition states.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import (
    Chain,
)
from momentshare.geometry.rotation import dot, unit
from momentshare.trial.checks.verdict import LIMITS, Check, impossible, judge
from momentshare.trial.motion.kinematics import trunk_rotation

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.person import Sizes
    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.motion.track import ArmTrack

__all__ = [
    "between_repetitions",
    "constant_length",
    "frames_beyond",
    "grip_against_person",
    "grip_off_the_bar",
    "hand_spacing",
    "hinge",
    "joint_limits",
    "side_of_arm",
    "trunk_posture",
    "upper_arm_against_person",
]

_BEYOND = 5.0
"""Angle beyond a joint's limit that landmarks on the skin and an elbow slightly past straight may
produce [deg]; a swap produces tens of degrees. Common practice, no source."""

_NO_LANDMARKS = "joint angles were recorded, not landmarks"
_NO_TRUNK = "too few landmarks of the trunk were recorded"


def frames_beyond(skeleton: Skeleton, lift: Lift) -> NDArray[np.float64]:
    """By how much the worst joint is beyond its limit in each frame [deg], shape (frames,)."""
    excess = np.zeros(len(lift.fraction))
    if not lift.breaches:
        return excess
    for frame in range(len(excess)):
        one = slice(frame, frame + 1)
        chain = Chain(
            posture=lift.posture[one],
            shoulder=lift.shoulder[one],
            hand=lift.hand[one],
            elbow=lift.elbow[one],
            forearm=unit(lift.hand[one] - lift.elbow[one]),
            gap=lift.gap[one],
        )
        excess[frame] = max((b.excess for b in find_breaches(skeleton, chain, None)), default=0.0)
    return excess


def between_repetitions(
    track: ArmTrack,
    used: Sequence[MeasuredRepetition],
    values: Sequence[NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time and values of the frames of several repetitions, with a gap between them to draw."""
    time, drawn = [], []
    for item, part in zip(used, values, strict=True):
        time += [track.start + item.positions / track.rate]
        time += [time[-1][-1:]]
        drawn += [part, np.array([np.nan])]
    return np.concatenate(time), np.concatenate(drawn)


def joint_limits(track: ArmTrack, skeleton: Skeleton, used: Sequence[MeasuredRepetition]) -> Check:
    """Share of the frames in which a joint is clearly beyond its limit."""
    name = "joint limits"
    if not used:
        return impossible(name, "no repetition could be used")
    excess = [frames_beyond(skeleton, item.measured.lift) for item in used]
    value = 100.0 * float(np.mean(np.concatenate(excess) > _BEYOND))
    time, drawn = between_repetitions(track, used, excess)
    note = ""
    if value > 0.0:
        texts = [
            f"repetition {item.number}: {breach.text()}"
            for item in used
            for breach in item.measured.lift.breaches
        ]
        note = (
            f"by more than {_BEYOND:g} degrees; look for swapped landmarks (lateral and medial, "
            f"radial and ulnar, front and back of the trunk) or the sign of an angle; "
            f"{'; '.join(texts)}"
        )
    return judge(
        name,
        value,
        note=note,
        time=time,
        curves={"worst joint": drawn},
        axis="beyond its limit [deg]",
    )


def trunk_posture(
    time: NDArray[np.float64],
    track: ArmTrack,
    window: NDArray[np.bool_],
    *,
    trunk_angle: float,
    ground: bool,
) -> Check:
    """Angle between the vertical seen from the trunk and that of the condition."""
    name = "trunk posture"
    if not track.notch.size:
        return impossible(name, _NO_TRUNK)
    stated = trunk_rotation(trunk_angle, face_down=ground)[1]
    angle = np.degrees(np.arccos(np.clip(dot(track.up, stated), -1.0, 1.0)))
    mean = unit(np.mean(track.up[window], axis=0))
    value = float(np.degrees(np.arccos(np.clip(mean @ stated, -1.0, 1.0))))
    return judge(
        name,
        value,
        above="the trunk is not oriented as the condition says: check trunk_angle_deg, the up "
        "axis of "
        "the layout, and IJ, C7, PX and T8",
        time=time,
        curves={"trunk": angle},
        axis="vertical against the condition's [deg]",
    )


def side_of_arm(time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_]) -> Check:
    """How far shoulder or hand lie beyond the midline, on the side of the other arm."""
    name = "side of the arm"
    if not track.notch.size:
        return impossible(name, _NO_TRUNK)
    shoulder = dot(track.shoulder - track.notch, track.trunk[..., :, 2])
    hand = shoulder + track.hand[:, 2]
    means = {
        "shoulder": 100.0 * float(np.mean(shoulder[window])),
        "hand": 100.0 * float(np.mean(hand[window])),
    }
    least = min(means, key=lambda part: means[part])
    value = -means[least]
    return judge(
        name,
        value,
        above=f"the {least} lies {means[least]:.1f} cm from the midline to its own side: check "
        "right and left labels, side of the trial, and IJ, C7, PX and T8",
        time=time,
        curves={"hand": 100.0 * hand, "shoulder": 100.0 * shoulder},
        axis="from the midline outward [cm]",
    )


def hinge(time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_]) -> Check:
    """How far the forearm lies out of the plane of elbow flexion, root mean square."""
    name = "hinge"
    if not track.off_hinge.size:
        return impossible(name, _NO_LANDMARKS)
    angle = np.degrees(track.off_hinge)
    value = float(np.sqrt(np.mean(angle[window] ** 2)))
    return judge(
        name,
        value,
        above="root mean square; misplaced epicondyles or styloids, or a large carrying angle; "
        'hinge = "forearm" takes the axis from upper arm and forearm',
        time=time,
        curves={"forearm, outward": angle},
        axis="out of the plane of the hinge [deg]",
    )


def constant_length(
    name: str, time: NDArray[np.float64], length: NDArray[np.float64], window: NDArray[np.bool_]
) -> Check:
    """Whether a segment keeps its length."""
    if not length.size:
        return impossible(name, _NO_LANDMARKS)
    part = length[window]
    value = 100.0 * float(np.std(part) / np.mean(part))
    return judge(
        name,
        value,
        above="landmarks that slide or are mixed up, or a misplaced joint centre",
        time=time,
        curves={name.removesuffix(" constant"): 100.0 * length},
        axis="length [cm]",
    )


def upper_arm_against_person(
    time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_], sizes: Sizes
) -> Check:
    """Length of the upper arm against that of the person."""
    return _against_person(
        "upper arm against the person",
        "humerus_length",
        "moments use the landmarks and muscle paths the person's length: check landmarks and joint "
        "centre, or",
        time,
        track.upper_arm,
        window,
        sizes,
    )


def grip_against_person(
    time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_], sizes: Sizes
) -> Check:
    """Distance from elbow to grip against the person's; reveals swapped grips and bar ends."""
    if "grip" in track.placed and track.placed["grip"].way == "forearm":
        return impossible("grip against the person", "the grip was placed by this very length")
    length = np.linalg.norm(track.hand - track.elbow, axis=-1)
    return _against_person(
        "grip against the person",
        "grip_length",
        "check the label of the grip, or",
        time,
        length if track.upper_arm.size else track.upper_arm,
        window,
        sizes,
    )


def grip_off_the_bar(
    time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_]
) -> Check:
    """Distance of the landmark of the hand from the line of the bar, median."""
    name = "grip off the bar"
    grip = track.placed.get("grip")
    if grip is None or grip.off is None:
        return impossible(name, "the hand's landmark and both ends of the bar are needed")
    value = 100.0 * float(np.median(grip.off[window]))
    return judge(
        name,
        value,
        note="the force acts on the line of the bar, so the landmark only says where along it",
        above="check the labels of hand and bar; a knuckle lies 2 to 5 cm off",
        time=time,
        curves={"landmark of the hand": 100.0 * grip.off},
        axis="from the line of the bar [cm]",
    )


def hand_spacing(track: ArmTrack, grips: Mapping[str, NDArray[np.float64]]) -> float | None:
    """Distance between the hands, median over the samples [m]; None where it was not recorded.

    Where one hand was seen, twice its distance from the midline of the trunk.

    Parameters
    ----------
    track : ArmTrack
    grips : mapping
        "right" and "left", where recorded → grip, world frame [m], shape (samples, 3).
    """
    if {"right", "left"} <= set(grips):
        apart = np.linalg.norm(grips["right"] - grips["left"], axis=-1)
    elif track.notch.size:
        apart = dot(track.shoulder - track.notch, track.trunk[..., :, 2]) + track.hand[:, 2]
        apart = 2.0 * apart
    else:
        return None
    known = apart[np.isfinite(apart)]
    return float(np.median(known)) if known.size else None


def _against_person(
    name: str,
    quantity: str,
    remedy: str,
    time: NDArray[np.float64],
    length: NDArray[np.float64],
    window: NDArray[np.bool_],
    sizes: Sizes,
) -> Check:
    """Mean of a measured length against one of the person's sizes."""
    if not length.size:
        return impossible(name, _NO_LANDMARKS)
    known = float(getattr(sizes, quantity))
    measured = float(np.mean(length[window]))
    value = 100.0 * abs(measured / known - 1.0)
    how = "estimated from stature" if quantity in sizes.estimated else "measured"
    note = f"landmarks give {100 * measured:.1f} cm, the person {100 * known:.1f} cm ({how})"
    if value > LIMITS[name][0]:
        note += f"; {remedy} set {quantity}_cm = {100 * measured:.1f} for this person"
    return judge(
        name,
        value,
        note=note,
        time=time,
        curves={"landmarks": 100.0 * length, "person": np.full(len(time), 100.0 * known)},
        axis="length [cm]",
    )
