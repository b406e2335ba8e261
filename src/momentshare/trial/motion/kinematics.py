"""From landmarks or joint angles to the posture and motion of trunk and arm.

Frames of Wu et al. (2005), right arm. Thorax: y from the middle of PX and T8 to the middle of IJ
and C7, z perpendicular to the plane of IJ, C7 and the middle of PX and T8, x = y × z. Humerus: y
from the middle of the epicondyles to the joint centre; z along the hinge, which is either the line
of the epicondyles made perpendicular to y (their first option) or the normal of upper arm and
forearm (their second), on the side to which the epicondyles point; near a straight elbow that
normal gives way to the epicondyles. Forearm rotation is the turn of the styloids about the forearm,
0 when supine.

Positions and motion are given as seen from the trunk: components in the thorax frame, from the
joint centre. The trunk's own acceleration is given separately.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.chain import chain_from_posture
from momentshare.geometry.rotation import (
    cross,
    dot,
    norm,
    perpendicular,
    rotated,
    rotation_from_axes,
    unit,
)
from momentshare.posture import Posture, posture_from_angles
from momentshare.trial.motion.girdle import StatedGirdle, shown_girdle
from momentshare.trial.motion.grip import place_grip
from momentshare.trial.motion.joint_centre import place_joint_centre, without_stretch
from momentshare.trial.motion.static import Calibration
from momentshare.trial.motion.track import ArmTrack
from momentshare.trial.motion.trunk import place_trunk
from momentshare.trial.motion.upper_arm import JOINT_BREADTH
from momentshare.trial.motion.ways import Placed, Ways
from momentshare.trial.recording import ANGLES, Recording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton


__all__ = ["HingeChoice", "track_arm", "trunk_rotation"]

HingeChoice = Literal["epicondyles", "forearm"]

_STRAIGHT, _BENT = np.radians(5.0), np.radians(20.0)
"""Bend of the elbow up to which the normal of upper arm and forearm is ignored, and from which it
alone counts; between them it blends smoothly with the epicondyles; assumed."""

_ARM_SEGMENT = (0.15, 0.50)
"""Range of mean length [m] of an adult's upper arm and forearm; assumed, wide enough for every
person and narrow enough to reveal a factor of ten."""


def trunk_rotation(trunk_angle: float, *, face_down: bool = False) -> NDArray[np.float64]:
    """Rotation from thorax to world of a trunk that stays still, shape (3, 3).

    Parameters
    ----------
    trunk_angle : float
        Trunk above the horizontal, head up: 0 lying, 90 degrees upright [rad].
    face_down : bool
        Lying on the front, as in a push-up.
    """
    sign = -1.0 if face_down else 1.0
    up = np.array([sign * np.cos(trunk_angle), np.sin(trunk_angle), 0.0])
    right = np.array([0.0, 0.0, 1.0])
    # Rows: world x, y, z in thorax axes; y is up and z is to the right in both frames.
    return np.stack([cross(up, right), up, right])


def track_arm(
    recording: Recording,
    skeleton: Skeleton,
    *,
    trunk_angle: float = 0.0,
    ground: bool = False,
    hinge: HingeChoice = "epicondyles",
    ways: Ways | None = None,
    calibration: Calibration | None = None,
    stated: StatedGirdle | None = None,
) -> ArmTrack:
    """Reconstruct posture and positions of the right arm.

    Parameters
    ----------
    recording : Recording
        Landmarks or joint angles of the right arm on one clock and rate, filtered.
    skeleton : Skeleton
        Fills in what was not recorded: the joint centre, the length from elbow to grip.
    trunk_angle : float
        Of :func:`trunk_rotation`, for a trunk without landmarks.
    ground : bool
        The hands rest on the ground and the trunk moves, face down.
    hinge : {"epicondyles", "forearm"}
        Source of the axis of the elbow.
    ways : Ways, optional
        How trunk, joint centre and grip are found; by default decided by what was recorded.
    calibration : Calibration, optional
        What separate trials show about the person.
    stated : StatedGirdle, optional
        What the lifter adds to the course of the girdle, for a joint centre that was not seen.

    Returns
    -------
    ArmTrack
        What the lifter adds to the girdle is part of its posture where landmarks show it.

    Raises
    ------
    InputError
        When neither landmarks nor angles suffice, naming what is missing; when a segment of the
        arm has a length that points to a wrong unit; when elevation is negative.
    """
    named = [f"right_{name}" for name in ANGLES]
    own = stated or StatedGirdle()
    added = own.on(skeleton, trunk_angle=trunk_angle, ground=ground).mean()
    if recording.has(*named[:4]):
        still = trunk_rotation(trunk_angle, face_down=ground)
        track = _from_angles(recording, skeleton, still, added, ground=ground)
        return _risen(track) if ground else track
    needed = ("right_el", "right_em", "right_rs", "right_us")
    missing = [role for role in needed if not recording.has(role)]
    if missing:
        raise InputError(
            f"{recording.source}: neither joint angles nor enough landmarks of the arm; missing "
            f"{', '.join(missing)} (or the angles {', '.join(named[:4])}); name them in the layout"
            + _there_on_the_other_side(recording, needed)
        )
    still = trunk_rotation(trunk_angle, face_down=ground)
    chosen = ways or Ways()
    known = calibration or Calibration()
    trunk = place_trunk(
        recording,
        still,
        chosen.trunk,
        ground=ground,
        slope=known.sternum_slope,
        likely=known.likely_slope,
    )
    track = _from_landmarks(recording, skeleton, trunk, hinge, chosen, known, added)
    track = shown_girdle(track, recording, skeleton, chosen.girdle)
    return _risen(track) if ground else track


def _there_on_the_other_side(recording: Recording, needed: tuple[str, ...]) -> str:
    other = tuple(role.replace("right_", "left_") for role in needed)
    return (
        "; those of the left arm are there, so is the side stated?" if recording.has(*other) else ""
    )


def _risen(track: ArmTrack) -> ArmTrack:
    """Measure height as that of the shoulder over the hand, which stays in place."""
    return replace(track, height=-rotated(track.trunk, track.hand)[:, 1])


def _from_landmarks(
    recording: Recording,
    skeleton: Skeleton,
    lying: Placed,
    hinge: HingeChoice,
    ways: Ways,
    known: Calibration,
    added: NDArray[np.float64],
) -> ArmTrack:
    at = {role: channel.values for role, channel in recording.channels.items()}
    first = recording.channels["right_el"]
    trunk = lying.values
    lateral_condyle, medial_condyle = at["right_el"], at["right_em"]
    elbow = 0.5 * (lateral_condyle + medial_condyle)
    wrist = 0.5 * (at["right_rs"] + at["right_us"])
    centre = place_joint_centre(recording, skeleton, trunk, elbow, ways.joint_centre, known, added)
    shoulder = centre.values
    upper_length, forearm_length = norm(elbow - shoulder), norm(wrist - elbow)
    breadths = {
        "elbow (right_el to right_em)": norm(lateral_condyle - medial_condyle),
        "wrist (right_rs to right_us)": norm(at["right_rs"] - at["right_us"]),
    }
    _require_length(recording, "upper arm (joint centre to elbow)", upper_length, _ARM_SEGMENT)
    _require_length(recording, "forearm (elbow to wrist)", forearm_length, _ARM_SEGMENT)
    for joint, breadth in breadths.items():
        _require_length(recording, joint, breadth, JOINT_BREADTH)
    if centre.way == "acromion":
        length = centre.numbers.get("upper_arm_m")
        shoulder, elbow = without_stretch(shoulder, elbow, length)
    direction, forearm = unit(elbow - shoulder), unit(wrist - elbow)
    grip = place_grip(recording, skeleton, elbow, forearm, ways.grip)
    hand = grip.values
    placed = {"trunk": lying, "joint_centre": centre, "grip": grip}
    notes = [note for item in placed.values() for note in item.notes]
    y = -direction
    z = perpendicular(lateral_condyle - medial_condyle, y)
    off_hinge = np.arcsin(np.clip(dot(forearm, z), -1.0, 1.0))
    if hinge == "forearm":
        z, blended = _hinge_of_forearm(direction, forearm, z)
        if blended:
            notes.append(
                f"hinge of the elbow: in {blended} samples with a bend below "
                f"{np.degrees(_BENT):.0f} degrees wholly or partly from the epicondyles"
            )
    humerus = rotation_from_axes(cross(y, z), y, z)
    # The forearm in the plane of the hinge, since the limb's elbow has one axis.
    flexion = np.arctan2(dot(forearm, humerus[..., :, 0]), dot(forearm, direction))
    thumb = at["right_rs"] - at["right_us"]
    z_fore = perpendicular(z, -forearm)
    rotation = np.arctan2(dot(cross(-forearm, z_fore), thumb), dot(z_fore, thumb))
    rotation = np.where(rotation < -np.pi / 2, rotation + 2.0 * np.pi, rotation)
    outward, height, said = _bar(at, trunk, hand)
    notes += said
    seen = np.swapaxes(trunk, -1, -2)
    return ArmTrack(
        rate=first.rate,
        start=first.start,
        posture=Posture(humerus=seen @ humerus, elbow_flexion=flexion, forearm_rotation=rotation),
        trunk=trunk,
        shoulder=shoulder,
        elbow=rotated(seen, elbow - shoulder),
        hand=rotated(seen, hand - shoulder),
        lateral_axis=rotated(seen, outward),
        height=height,
        upper_arm=upper_length,
        forearm=forearm_length,
        notes=tuple(notes),
        notch=at["ij"] if lying.way != "condition" else np.zeros((0, 3)),
        off_hinge=off_hinge,
        placed=placed,
    )


def _require_length(
    recording: Recording, segment: str, length: NDArray[np.float64], limits: tuple[float, float]
) -> None:
    """Refuse a segment of the arm that no person has, before anything is built on it."""
    known = length[np.isfinite(length)]
    low, high = limits
    if known.size and not low <= float(known.mean()) <= high:
        raise InputError(
            f"{recording.source}: {segment}: the landmarks lie {100 * known.mean():.3g} "
            f"cm apart on average; must be {100 * low:.0f} to {100 * high:.0f} cm; is the unit "
            "right? (units of the layout, or the file's own; else check the labels)"
        )


def _hinge_of_forearm(
    direction: NDArray[np.float64], forearm: NDArray[np.float64], epicondyles: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int]:
    """Hinge perpendicular to upper arm and forearm; count of samples that needed the epicondyles.

    The normal flips when the elbow goes beyond straight; the epicondyles do not, so they decide
    which way it points.
    """
    normal = cross(direction, forearm)
    bend = np.arctan2(norm(normal), dot(direction, forearm))
    side = np.where(dot(normal, epicondyles) < 0.0, -1.0, 1.0)
    normal = unit(normal) * side[:, None]
    share = np.clip((bend - _STRAIGHT) / (_BENT - _STRAIGHT), 0.0, 1.0)
    weight = (share**2 * (3.0 - 2.0 * share))[:, None]
    # A straight arm has no normal; its weight is zero there.
    blend = (1.0 - weight) * epicondyles + weight * np.where(weight > 0.0, normal, 0.0)
    return unit(blend), int(np.count_nonzero(share < 1.0))


def _from_angles(
    recording: Recording,
    skeleton: Skeleton,
    still: NDArray[np.float64],
    added: NDArray[np.float64],
    *,
    ground: bool,
) -> ArmTrack:
    values = {
        name: recording.channels[f"right_{name}"].values
        for name in ANGLES
        if recording.has(f"right_{name}")
    }
    first = recording.channels["right_elevation"]
    count = len(first.values)
    elevation = first.values[np.isfinite(first.values)]
    if np.count_nonzero(elevation < 0.0) > 0.5 * len(elevation):
        # ISB papers write it negative: Y-X-Y of Wu et al. 2005, from memory.
        raise InputError(
            f"{recording.source}: {first.label!r}: elevation is negative in most samples (mean "
            f"{np.degrees(elevation.mean()):.0f} degrees); elevation is positive here; turn its "
            "sign"
        )
    notes = ["joint angles were recorded: positions follow from the person's segment lengths"]
    if "forearm_rotation" not in values:
        values["forearm_rotation"] = np.full(count, np.pi / 2)
        notes.append("forearm rotation: not recorded, taken as 90 degrees")
    posture = posture_from_angles(**values)
    girdle = np.broadcast_to(added, (count, 2))
    chain = chain_from_posture(skeleton, replace(posture, girdle=girdle))
    trunk = np.broadcast_to(still, (count, 3, 3)).copy()
    joint = np.asarray(chain.shoulder)
    hand = chain.hand - joint
    at = {role: channel.values for role, channel in recording.channels.items()}
    outward, _, said = _bar({k: v for k, v in at.items() if k.startswith("bar_")}, trunk, hand)
    height = rotated(trunk, chain.hand)[:, 1]
    if {"bar_right", "bar_left"} <= set(at):
        height = 0.5 * (at["bar_right"] + at["bar_left"])[:, 1]
    return ArmTrack(
        rate=first.rate,
        start=first.start,
        posture=posture,
        trunk=trunk,
        # With the hands on the ground the hand is the origin and the trunk moves.
        shoulder=rotated(trunk, -hand if ground else joint),
        elbow=chain.elbow - joint,
        hand=hand,
        lateral_axis=rotated(np.swapaxes(trunk, -1, -2), outward),
        height=height,
        upper_arm=np.zeros(0),
        forearm=np.zeros(0),
        notes=(*notes, *said),
    )


def _bar(
    at: dict[str, NDArray[np.float64]], trunk: NDArray[np.float64], hand: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Outward direction and height of what the hands hold, world frame."""
    for right, left in (("bar_right", "bar_left"), ("right_grip", "left_grip")):
        if right in at and left in at:
            far = norm(hand - at[right]) - norm(hand - at[left])
            if right == "bar_right" and float(np.nanmean(far)) > 0.0:
                raise InputError(
                    "bar_right is farther from the right hand than bar_left; exchange the labels "
                    "of the bar, or of the two arms"
                )
            return unit(at[right] - at[left]), 0.5 * (at[right] + at[left])[:, 1], []
    height = at["bar_right"][:, 1] if "bar_right" in at else hand[:, 1]
    return trunk[:, :, 2], height, ["outward direction: the trunk's, no bar was recorded"]
