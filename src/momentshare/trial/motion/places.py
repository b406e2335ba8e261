"""Where trunk, joint centre and grip are, from what a laboratory could see of them.

A bench hides the back of the trunk, and no marker sits in a joint. What was not seen follows from
what was, in one of several ways; which one was taken is part of the answer, and so is what another
would change (:mod:`~momentshare.trial.motion.others`).

**trunk**

- ``landmarks``: IJ, PX, C7 and T8 (Wu et al. 2005).
- ``sternum``: IJ and PX, and both acromia or both ends of the bar for the sides; the sternum slopes
  by a stated angle. On a bench its mean is held.
- ``condition``: held at the angle that the condition states.

**joint centre**

- ``landmark``: a landmark of its own.
- ``acromion``: follows the acromion at a constant offset in the trunk. A trial of the person's own
  tells the offset; otherwise it is fitted to the trial together with the length of the upper arm,
  beginning with the person's sizes. The upper arm keeps its length.
- ``trunk``: placed in the trunk by the person's sizes, from the jugular notch, by the course of the
  girdle with the arm.

**grip**

- ``bar``: on the line of the bar, where lines along the forearm through its end and through the
  landmark of the hand meet it (their mean).
- ``landmark``: the landmark of the hand as it is.
- ``forearm``: on the forearm at the person's grip length.

**girdle**: what the lifter adds to its course (:mod:`~momentshare.trial.motion.girdle`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.geometry.rotation import cross, dot, norm, rotation_from_axes, unit
from momentshare.girdle import GirdlePose, girdle_pose
from momentshare.posture import Posture
from momentshare.trial.recording import BAR_LANDMARKS, TRUNK_LANDMARKS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.recording import Recording

__all__ = [
    "ACROMION_LANDMARK",
    "STERNUM_SLOPE",
    "WORDS",
    "Calibration",
    "GirdleWay",
    "GripWay",
    "JointWay",
    "Placed",
    "TrunkWay",
    "Ways",
    "acromion_to_joint",
    "calibration_of",
    "chosen_way",
    "grip_of",
    "joint_centre_of",
    "possible_ways",
    "trunk_of",
    "without_stretch",
]

STERNUM_SLOPE = float(np.radians(16.0))
"""Slope of the line from PX up to IJ against the thorax's y axis, PX in front [rad]. Assumed,
spread 5 degrees; no source. A static trial in which C7 and T8 are seen measures it."""

_OFFSET_SPREAD = 0.010
"""Spread of the joint centre about its place below the acromion in each direction [m]; assumed."""

_LENGTH_SPREAD = 0.012
"""Spread of the upper arm about the person's length [m]: what stature leaves open; assumed."""

_SKIN = 0.005
"""Spread of the distance between landmarks on the skin of shoulder and elbow [m]; assumed."""

_VIEWS = 10.0
"""Independent looks that a trial is worth, as skin moves with the lift; assumed."""

ACROMION_LANDMARK = "deltoid_acromial_origin"
"""Site of the limb that stands for the acromion landmark."""

_MOVES = 0.15
"""Range of the elbow [m] from which a trial shows the point about which it turns; chosen here."""

_FUNCTIONAL = 2.0
"""How much better a functional trial shows that point than a lift, which has one direction;
assumed."""

_ON_THE_BAR = 0.003
"""Distance from the bar's line up to which the landmark of the hand is the centre of the grip
itself [m]; chosen here."""

_ROUNDS = 60
_SETTLED = 1e-12
"""Rounds of adjusting joint centre and arm to each other, and when they are [m]."""

_ACROMION_SHARE = 2.0 / 3.0
"""Share of a change of the upper arm's length that the acromion takes: one landmark there, the mean
of two at the elbow."""

TrunkWay = Literal["auto", "landmarks", "sternum", "condition"]
JointWay = Literal["auto", "landmark", "acromion", "trunk"]
GripWay = Literal["auto", "bar", "landmark", "forearm"]
GirdleWay = Literal["auto", "landmarks", "condition"]

WORDS = {
    ("trunk", "landmarks"): "IJ, PX, C7 and T8",
    ("trunk", "sternum"): "IJ, PX and acromia",
    ("trunk", "condition"): "held at the angle of the condition",
    ("joint_centre", "landmark"): "a landmark of its own",
    ("joint_centre", "acromion"): "follows the acromion",
    ("joint_centre", "trunk"): "by the person's sizes, from the jugular notch",
    ("grip", "bar"): "on the line of the bar",
    ("grip", "landmark"): "the landmark of the hand",
    ("grip", "forearm"): "on the forearm, at the person's grip length",
    ("girdle", "landmarks"): "as joint centre or acromion shows it",
    ("girdle", "condition"): "as the condition states it",
}
"""What a way does, in the words of reports."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How each place is found; ``auto`` takes the first way that what was recorded allows."""

    trunk: TrunkWay = "auto"
    joint_centre: JointWay = "auto"
    grip: GripWay = "auto"
    girdle: GirdleWay = "auto"

    def __post_init__(self) -> None:
        faults = []
        for item in fields(self):
            known = ("auto", *(way for place, way in WORDS if place == item.name))
            if getattr(self, item.name) not in known:
                faults.append(
                    f"{item.name}: wanted one of {', '.join(known)}, got "
                    f"{getattr(self, item.name)!r}"
                )
        if faults:
            raise InputError("ways:", faults)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """What trials of their own tell of a person's trunk and shoulder.

    Parameters
    ----------
    sternum_slope : float or None
        See :data:`STERNUM_SLOPE` [rad]; None where it was not measured.
    joint_offset : float array, shape (3,), or None
        Joint centre from the acromion, thorax axes of a right arm [m].
    notes : tuple of str
    """

    sternum_slope: float | None = None
    joint_offset: NDArray[np.float64] | None = None
    notes: tuple[str, ...] = ()

    def joined(self, other: Calibration) -> Calibration:
        """Return what both tell; where both tell the same thing, the later one counts."""
        slope, offset = other.sternum_slope, other.joint_offset
        return Calibration(
            sternum_slope=self.sternum_slope if slope is None else slope,
            joint_offset=self.joint_offset if offset is None else offset,
            notes=(*self.notes, *other.notes),
        )


def calibration_of(recording: Recording, skeleton: Skeleton) -> Calibration:
    """Read a static or a functional trial of the right arm.

    The slope of the sternum needs IJ, PX, C7 and T8. The offset of the joint centre is that of
    ``right_gh`` from the acromion where both were recorded; where the arm moves about the shoulder
    instead, it is the point about which the elbow turns.

    Raises
    ------
    InputError
        Neither can be told from what was recorded.
    """
    at = {role: c.values for role, c in recording.channels.items() if not role.startswith("emg/")}
    slope, offset, notes = None, None, []
    if recording.has(*TRUNK_LANDMARKS):
        trunk = _thorax(at["ij"], at["px"], at["c7"], at["t8"])
        up = np.nanmean(_turn(np.swapaxes(trunk, -1, -2), unit(at["ij"] - at["px"])), axis=0)
        slope = float(np.arctan2(-up[0], up[1]))
        notes.append(f"sternum slope {np.degrees(slope):.1f} degrees")
    ways = possible_ways(recording)["trunk"]
    if recording.has("right_acromion") and ways[0] != "condition":
        trunk = trunk_of(
            recording, np.eye(3), ground=True, slope=STERNUM_SLOPE if slope is None else slope
        ).values
        seen = np.swapaxes(trunk, -1, -2)
        if recording.has("right_gh"):
            offset = np.nanmean(_turn(seen, at["right_gh"] - at["right_acromion"]), axis=0)
        elif recording.has("right_el", "right_em"):
            elbow = _turn(seen, 0.5 * (at["right_el"] + at["right_em"]) - at["right_acromion"])
            known = elbow[np.isfinite(elbow).all(axis=1)]
            if len(known) and float(np.ptp(known, axis=0).max()) > _MOVES:
                first = acromion_to_joint(skeleton, elbow)
                offset = _pivot(
                    elbow, first, skeleton.sizes.humerus_length, skin=_SKIN / _FUNCTIONAL
                )[0]
    if offset is not None:
        notes.append(
            "joint centre "
            + ", ".join(f"{1000 * v:+.0f}" for v in offset)
            + " mm from the acromion (forward, up, outward)"
        )
    if slope is None and offset is None:
        raise InputError(
            f"{recording.source}: tells nothing of the person: record IJ, PX, C7 and T8 for the "
            "slope of the sternum; right_acromion with right_gh, or an arm that moves by more than "
            f"{100 * _MOVES:.0f} cm, for the joint centre"
        )
    return Calibration(sternum_slope=slope, joint_offset=offset, notes=tuple(notes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """One place over the samples: how it was found and what had to be decided.

    ``off`` is the distance of the hand's landmark from the line of the bar [m], where both were
    recorded.
    """

    way: str
    values: NDArray[np.float64]
    notes: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)
    off: NDArray[np.float64] | None = None


def possible_ways(recording: Recording) -> dict[str, tuple[str, ...]]:
    """Ways that a recording of landmarks allows for each place, the first one by default."""
    sides = recording.has("right_acromion", "left_acromion") or recording.has(*BAR_LANDMARKS)
    both = recording.has(*BAR_LANDMARKS)
    shown = recording.has("ij", "right_gh") or recording.has("ij", "right_acromion")
    return {
        "trunk": (
            *(["landmarks"] if recording.has(*TRUNK_LANDMARKS) else []),
            *(["sternum"] if recording.has("ij", "px") and sides else []),
            "condition",
        ),
        "joint_centre": (
            *(["landmark"] if recording.has("right_gh") else []),
            *(["acromion"] if recording.has("right_acromion") else []),
            *(["trunk"] if recording.has("ij") else []),
        ),
        "grip": (
            *(["bar"] if both else []),
            *(["landmark"] if recording.has("right_grip") else []),
            "forearm",
        ),
        "girdle": (*(["landmarks"] if shown else []), "condition"),
    }


def chosen_way(recording: Recording, place: str, wanted: str) -> str:
    """Way of a place that is wanted, or the first one; refuse one that needs more than there is."""
    known = possible_ways(recording)[place]
    name = place.replace("_", " ")
    if not known:
        raise InputError(
            f"{recording.source}: the joint centre of the shoulder cannot be placed; record "
            "right_gh, right_acromion or ij and name it in the layout"
        )
    if wanted == "auto":
        return known[0]
    if wanted not in known:
        raise InputError(
            f"{recording.source}: {name}: {wanted!r} ({WORDS[place, wanted]}) needs landmarks that "
            f"were not recorded; possible here: {', '.join(known)}"
        )
    return wanted


def trunk_of(
    recording: Recording,
    still: NDArray[np.float64],
    way: str = "auto",
    *,
    ground: bool = False,
    slope: float = STERNUM_SLOPE,
) -> Placed:
    """Rotation from thorax to world over the samples, shape (samples, 3, 3).

    Parameters
    ----------
    recording : Recording
        On one clock.
    still : float array, shape (3, 3)
        Of a trunk that lies as the condition says.
    way : str
        Of :class:`Ways`.
    ground : bool
        The trunk moves; on a bench the mean of the sternum's directions is held.
    slope : float
        Of the sternum, see :data:`STERNUM_SLOPE` [rad].
    """
    at = {role: channel.values for role, channel in recording.channels.items()}
    chosen = chosen_way(recording, "trunk", way)
    if chosen == "landmarks":
        return Placed(way=chosen, values=_thorax(at["ij"], at["px"], at["c7"], at["t8"]))
    if chosen == "condition":
        count = len(next(iter(at.values())))
        note = (
            "trunk: not enough of IJ, PX, C7, T8 and the acromia was recorded, so it is held at "
            "the angle of the condition"
            if way == "auto"
            else "trunk: held at the angle of the condition, as the study says"
        )
        return Placed(
            way=chosen, values=np.broadcast_to(still, (count, 3, 3)).copy(), notes=(note,)
        )
    right, left = (
        ("right_acromion", "left_acromion")
        if recording.has("right_acromion", "left_acromion")
        else BAR_LANDMARKS
    )
    up = unit(at["ij"] - at["px"])
    z = _square(at[right] - at[left], up)
    y = np.cos(slope) * up + np.sin(slope) * cross(up, z)
    trunk = rotation_from_axes(cross(y, z), y, z)
    by = "the acromia" if right == "right_acromion" else "the ends of the bar"
    note = (
        f"trunk: C7 and T8 were not recorded, so it follows from IJ, PX and {by}, with a sternum "
        f"that slopes by {np.degrees(slope):.0f} degrees"
    )
    if not ground:
        trunk = np.broadcast_to(_mean_rotation(trunk), trunk.shape).copy()
        note += "; it lies on a bench, so its mean is held"
    return Placed(way=chosen, values=trunk, notes=(note,), numbers={"slope": float(slope)})


def joint_centre_of(
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
        joint = _joint_with_the_arm(skeleton, _turn(seen, elbow - notch), added)
        return Placed(way=chosen, values=notch + _turn(trunk, joint), notes=(note,))
    acromion = at["right_acromion"].values
    seen = np.swapaxes(trunk, -1, -2)
    if offset is not None:
        return Placed(
            way=chosen,
            values=acromion + _turn(trunk, np.broadcast_to(offset, acromion.shape)),
            notes=("joint centre: follows the acromion at the offset of the person's own trial",),
        )
    away = _turn(seen, elbow - acromion)
    first = acromion_to_joint(skeleton, away, added)
    offset, length = _pivot(away, first, skeleton.sizes.humerus_length)
    moved = 1000.0 * float(norm(offset - first))
    note = (
        "joint centre: follows the acromion; its offset, from the person's sizes, was moved by "
        f"{moved:.0f} mm so that the upper arm keeps its length"
    )
    return Placed(
        way=chosen,
        values=acromion + _turn(trunk, np.broadcast_to(offset, acromion.shape)),
        notes=(note,),
        numbers={"offset_moved_mm": moved, "upper_arm_m": length},
    )


def acromion_to_joint(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Joint centre from the acromion landmark by the person's sizes, thorax axes [m].

    ``elbow`` counts from the acromion, thorax axes, shape (samples, 3): the scapula stands as it
    does on average over those directions of the arm, and with what the lifter has ``added``.
    """
    below = skeleton.site[ACROMION_LANDMARK]
    away = -_turn(_girdle_of(skeleton, elbow, added).scapula, below)
    for _ in range(_ROUNDS):
        found = -_turn(_girdle_of(skeleton, elbow - away, added).scapula, below)
        gap, away = np.abs(found - away), found
        if not np.nanmax(gap, initial=0.0) > _SETTLED:
            break
    known = away[np.isfinite(away).all(axis=1)]
    return known.mean(axis=0) if len(known) else np.full(3, np.nan)


def _joint_with_the_arm(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    """Joint centre where the girdle has it for an arm that points from there to the elbow [m].

    ``elbow`` counts from the jugular notch, thorax axes, as the answer does.
    """
    joint = np.broadcast_to(skeleton.joint_centre, elbow.shape)
    for _ in range(_ROUNDS):
        found = _girdle_of(skeleton, elbow - joint, added).joint
        gap, joint = np.abs(found - joint), found
        if not np.nanmax(gap, initial=0.0) > _SETTLED:
            break
    return joint


def _girdle_of(
    skeleton: Skeleton, arm: NDArray[np.float64], added: NDArray[np.float64] | None
) -> GirdlePose:
    """Girdle for directions of the arm, thorax axes; its turn about itself says nothing."""
    y = -unit(arm)
    humerus = np.zeros((*y.shape, 3))
    humerus[..., :, 1] = y
    still = np.zeros(y.shape[:-1])
    own = None if added is None else np.broadcast_to(added, (*y.shape[:-1], 2))
    posture = Posture(humerus=humerus, elbow_flexion=still, forearm_rotation=still, girdle=own)
    return girdle_pose(skeleton.girdle, posture)


def _pivot(
    elbow: NDArray[np.float64], offset: NDArray[np.float64], length: float, skin: float = _SKIN
) -> tuple[NDArray[np.float64], float]:
    """Offset and length for which the elbow stays on a sphere, between what sizes and trial say.

    Least squares with the person's sizes as prior, by Gauss-Newton; ``elbow`` counts from the
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

    Skin slides at both ends; the change of length that it feigns is shared by the landmarks there.

    Returns
    -------
    shoulder, elbow : float array, shape (samples, 3)
    """
    arm = elbow - shoulder
    excess = norm(arm) - float(np.nanmean(norm(arm)))
    along = unit(arm) * excess[:, None]
    return shoulder + _ACROMION_SHARE * along, elbow - (1.0 - _ACROMION_SHARE) * along


def grip_of(
    recording: Recording,
    skeleton: Skeleton,
    elbow: NDArray[np.float64],
    forearm: NDArray[np.float64],
    way: str = "auto",
) -> Placed:
    """Point of the hand at which the force acts, world frame, shape (samples, 3) [m].

    Parameters
    ----------
    recording : Recording
    skeleton : Skeleton
    elbow : float array, shape (samples, 3)
    forearm : float array, shape (samples, 3)
        Unit vectors from elbow to wrist.
    way : str
    """
    at = {role: channel.values for role, channel in recording.channels.items()}
    chosen = chosen_way(recording, "grip", way)
    reach = elbow + skeleton.sizes.grip_length * forearm
    if chosen == "forearm":
        note = (
            "grip: not recorded, so it lies"
            if "right_grip" not in at
            else "grip: its landmark was left aside; it lies"
        )
        return Placed(
            way=chosen, values=reach, notes=(f"{note} on the forearm at the person's grip length",)
        )
    if chosen == "landmark":
        return Placed(way=chosen, values=at["right_grip"])
    line = unit(at["bar_right"] - at["bar_left"])
    middle = 0.5 * (at["bar_right"] + at["bar_left"])
    across = unit(forearm - dot(forearm, line)[:, None] * line)
    tilt = dot(forearm, line) / dot(forearm, across)

    def meets(point: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where along the bar a line through a point and along the forearm meets it."""
        away = point - middle
        return np.asarray(dot(away, line) - tilt * dot(away, across))

    # A knuckle lies beyond the bar along the hand; it and the wrist err independently.
    hand = at.get("right_grip")
    along = meets(reach) if hand is None else 0.5 * (meets(reach) + meets(hand))
    on_bar = middle + along[:, None] * line
    note, distance = "grip: on the line of the bar, where the forearm meets it", None
    if hand is not None:
        distance = norm(cross(hand - middle, line))
        off = float(np.nanmedian(distance))
        note = (
            "grip: on the line of the bar, where the forearm and a line along it through the "
            f"landmark of the hand meet it; that landmark lies {100 * off:.1f} cm off the line"
        )
        if off <= _ON_THE_BAR:
            on_bar = middle + dot(hand - middle, line)[:, None] * line
            note = ""
    return Placed(way=chosen, values=on_bar, notes=(note,) if note else (), off=distance)


def _mean_rotation(rotations: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation nearest to the mean of those that are known."""
    known = rotations[np.isfinite(rotations).all(axis=(1, 2))]
    if not len(known):
        return np.full((3, 3), np.nan)
    u, _, vt = np.linalg.svd(known.mean(axis=0))
    return np.asarray(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)


def _thorax(
    ij: NDArray[np.float64],
    px: NDArray[np.float64],
    c7: NDArray[np.float64],
    t8: NDArray[np.float64],
) -> NDArray[np.float64]:
    low = 0.5 * (px + t8)
    y = unit(0.5 * (ij + c7) - low)
    z = _square(cross(ij - low, c7 - low), y)
    return rotation_from_axes(cross(y, z), y, z)


def _square(vector: NDArray[np.float64], to: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit vector of the part of one vector that is square to a unit vector."""
    return unit(vector - dot(vector, to)[:, None] * to)


def _turn(rotation: NDArray[np.float64], vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((rotation @ vector[..., None])[..., 0])
