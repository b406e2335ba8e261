"""Net joint moments that the heads have to supply, by recursion from hand to shoulder.

For each segment with mass m, centre c, acceleration a of the centre, gravity g and force F
from the hand on,

    moment about the near joint = Σ (c - joint) × m (a - g) + I α + ω × I ω - (hand - joint) × F.

The hand's mass counts as a point at the centre of the grip. Net moments are those of the
muscles (and other tissue) on the far segment.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, dot, rotation_about
from momentshare.paths import ROWS
from momentshare.posture import arm_frame
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

    Number = float | NDArray[np.float64]

__all__ = [
    "Arm",
    "Demand",
    "arm_of",
    "arms_of_frames",
    "demand",
    "demand_on",
    "segment_masses",
]

_RADII = ("sagittal", "longitudinal", "transverse")
"""Names of the radii of gyration about x, y and z."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demand:
    """Net moments of one lift, split by what causes them; row order of ``ROWS``.

    Attributes
    ----------
    limb_moments : float array, shape (frames, rows)
        From weight and inertia of the segments alone [N·m].
    load_moments : float array, shape (frames, rows)
        From one kilogram in the hand, its weight and acceleration (or the force that stands
        for it), without lateral force [N·m/kg].
    lateral_moments : float array, shape (frames, rows)
        From one newton that the hand pushes outward along the bar [N·m/N].
    vertical_force : float array, shape (frames,)
        Force of the hand against the load for each kilogram it carries [N/kg]; vertical
        wherever the load is a weight.
    gravity_arms : float array, shape (frames, rows)
        Moment of one newton of load in the hand, segments and inertia left out [m].
    joint_force_limb, joint_force_load : float array, shape (frames, 3)
        Net force across the shoulder on the arm from segments, and for each kilogram of
        load [N, N/kg], thorax frame.
    lateral_axis : float array, shape (3,) or (frames, 3)
    load_mass : float
        [kg] in one hand.
    """

    limb_moments: NDArray[np.float64]
    load_moments: NDArray[np.float64]
    lateral_moments: NDArray[np.float64]
    vertical_force: NDArray[np.float64]
    gravity_arms: NDArray[np.float64]
    joint_force_limb: NDArray[np.float64]
    joint_force_load: NDArray[np.float64]
    lateral_axis: NDArray[np.float64]
    load_mass: float

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def lateral_axis_in(self, frames: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Outward direction in the frames of a mask, shape (count, 3)."""
        return np.broadcast_to(self.lateral_axis, (len(frames), 3))[frames]

    def hand_force(self) -> NDArray[np.float64]:
        """Force of the hand against the load [N], shape (frames,)."""
        return np.asarray(self.load_mass * self.vertical_force)

    def moments(self, lateral_force: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
        """Net moments [N·m], shape (frames, rows), for an outward push [N] of each frame."""
        push = np.broadcast_to(np.asarray(lateral_force, dtype=float), self.vertical_force.shape)
        return np.asarray(
            self.limb_moments
            + self.load_mass * self.load_moments
            + push[:, None] * self.lateral_moments
        )


def segment_masses(skeleton: Skeleton) -> dict[str, float]:
    """Masses of upper arm, forearm and hand [kg]."""
    inertia, person = skeleton.model.inertia, skeleton.person
    return {
        name: person.body_mass * inertia[person.sex, name, "mass_fraction"].value
        for name in ("upper_arm", "forearm", "hand")
    }


def demand(skeleton: Skeleton, lift: Lift) -> Demand:
    """Compute the net joint moments of a lift.

    Parameters
    ----------
    skeleton : Skeleton
    lift : Lift
        With motion for the full dynamics, without it for the quasi-static ones.

    Returns
    -------
    Demand
        NaN in frames that are out of reach.
    """
    return demand_on(arm_of(skeleton), lift)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """Sizes and inertia of an arm; of one, or of another one in each frame.

    Attributes
    ----------
    joint_centre : float array, shape (3,) or (frames, 3)
        Thorax frame [m].
    humerus_length, forearm_length, grip_length : float or float array, shape (frames, 1)
        [m]
    mass, centre : mapping
        Segment → mass [kg] and distance of its centre over its length; as the lengths.
    radii : mapping
        Segment → radii of gyration about x (forward), y (along), z (to the side) over its
        length, shape (3,) or (frames, 3).
    forearm_axis, radial_head : float array, shape (3,) or (frames, 3)
        Axis of pronation, unit vector, and a point of it; ulna frame [m].
    """

    joint_centre: NDArray[np.float64]
    humerus_length: Number
    forearm_length: Number
    grip_length: Number
    mass: Mapping[str, Number]
    centre: Mapping[str, Number]
    radii: Mapping[str, NDArray[np.float64]]
    forearm_axis: NDArray[np.float64]
    radial_head: NDArray[np.float64]


def arm_of(skeleton: Skeleton, inertia: Mapping[tuple[str, str], float] | None = None) -> Arm:
    """Arm of a skeleton.

    Parameters
    ----------
    skeleton : Skeleton
    inertia : mapping, optional
        (Segment, quantity) → number to use in place of the model's.
    """
    model, person, size = skeleton.model, skeleton.person, skeleton.sizes
    changed = inertia or {}

    def number(segment: str, name: str) -> float:
        drawn = changed.get((segment, name))
        return model.inertia[person.sex, segment, name].value if drawn is None else drawn

    along = skeleton.site["radial_head"] - skeleton.site["ulnar_head"]
    moving = ("upper_arm", "forearm")
    return Arm(
        joint_centre=skeleton.joint_centre,
        humerus_length=size.humerus_length,
        forearm_length=size.forearm_length,
        grip_length=size.grip_length,
        mass={s: person.body_mass * number(s, "mass_fraction") for s in (*moving, "hand")},
        centre={s: number(s, "centre_fraction") for s in moving},
        radii={s: np.array([number(s, f"radius_{axis}") for axis in _RADII]) for s in moving},
        forearm_axis=along / np.linalg.norm(along),
        radial_head=skeleton.site["radial_head"],
    )


def arms_of_frames(arms: Sequence[Arm], frames: int) -> Arm:
    """Stack arms, each for so many frames in a row."""

    def column(values: Sequence[Number]) -> NDArray[np.float64]:
        return np.repeat(np.array(values, dtype=np.float64), frames)[:, None]

    def vector(values: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
        return np.repeat(np.array(values), frames, axis=0)

    first = arms[0]
    return Arm(
        joint_centre=vector([a.joint_centre for a in arms]),
        humerus_length=column([a.humerus_length for a in arms]),
        forearm_length=column([a.forearm_length for a in arms]),
        grip_length=column([a.grip_length for a in arms]),
        mass={s: column([a.mass[s] for a in arms]) for s in first.mass},
        centre={s: column([a.centre[s] for a in arms]) for s in first.centre},
        radii={s: vector([a.radii[s] for a in arms]) for s in first.radii},
        forearm_axis=vector([a.forearm_axis for a in arms]),
        radial_head=vector([a.radial_head for a in arms]),
    )


def demand_on(arm: Arm, lift: Lift) -> Demand:
    """Compute the net joint moments of a lift on a given arm.

    The vertical and the axes of the lift may differ from frame to frame here, shape
    (frames, 3).
    """
    shoulder, elbow, hand = arm.joint_centre, lift.elbow, lift.hand
    weight = -GRAVITY * lift.up
    zero = np.zeros_like(hand)
    motion = lift.motion
    hand_acceleration = zero if motion is None else motion.hand_acceleration
    elbow_acceleration = zero if motion is None else motion.elbow_acceleration
    # The weight as the arm feels it: a trunk that accelerates upward adds to gravity.
    weight = np.broadcast_to(weight, hand.shape)
    if motion is not None:
        weight = weight - motion.trunk_acceleration
    masses, centre = arm.mass, arm.centre

    # A centre on the line between two points of a rigid segment moves in proportion.
    part = centre["forearm"] * arm.forearm_length / arm.grip_length
    forearm = elbow + part * (hand - elbow)
    forearm_acceleration = elbow_acceleration + part * (hand_acceleration - elbow_acceleration)
    upper = shoulder + centre["upper_arm"] * (elbow - shoulder)
    upper_acceleration = centre["upper_arm"] * elbow_acceleration

    hand_pull = masses["hand"] * (hand_acceleration - weight)
    forearm_pull = masses["forearm"] * (forearm_acceleration - weight)
    upper_pull = masses["upper_arm"] * (upper_acceleration - weight)
    load_pull = hand_acceleration - weight if lift.load_force is None else -lift.load_force

    hinge = rotation_about(np.array([0.0, 0.0, 1.0]), lift.posture.elbow_flexion)
    ulna = lift.posture.humerus @ hinge

    # Elbow: forearm and hand.
    elbow_limb = cross(forearm - elbow, forearm_pull) + cross(hand - elbow, hand_pull)
    elbow_load = cross(hand - elbow, load_pull)
    if motion is not None:
        elbow_limb = elbow_limb + _spin(
            masses["forearm"] * (arm.forearm_length * arm.radii["forearm"]) ** 2,
            ulna,
            motion.ulna_angular_velocity,
            motion.ulna_angular_acceleration,
        )
    # Shoulder: what the elbow passes on, and the upper arm.
    below = forearm_pull + hand_pull
    shoulder_limb = (
        elbow_limb + cross(elbow - shoulder, below) + cross(upper - shoulder, upper_pull)
    )
    shoulder_load = elbow_load + cross(elbow - shoulder, load_pull)
    if motion is not None:
        shoulder_limb = shoulder_limb + _spin(
            masses["upper_arm"] * (arm.humerus_length * arm.radii["upper_arm"]) ** 2,
            lift.posture.humerus,
            motion.humerus_angular_velocity,
            motion.humerus_angular_acceleration,
        )
    # Pushing the bar outward loads the hand inward.
    push = np.broadcast_to(-lift.lateral_axis, hand.shape)
    lateral_elbow = -cross(hand - elbow, push)
    lateral_shoulder = -cross(hand - shoulder, push)
    push_axis = lift.up if lift.push_axis is None else lift.push_axis
    unit_load = np.broadcast_to(-push_axis, hand.shape)

    lost = ~lift.reachable
    anatomical = arm_frame(lift.posture.humerus)
    pronation = _turned(ulna, arm.forearm_axis)
    aside = _turned(ulna, arm.radial_head)

    def rows(
        at_shoulder: NDArray[np.float64],
        at_elbow: NDArray[np.float64],
        beyond: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        # The axis of forearm rotation passes beside the elbow; ``beyond`` is the force that
        # the elbow passes on, which moves the moment from one point to the other.
        out = np.empty((len(hand), len(ROWS)))
        out[:, :3] = _turned(anatomical, at_shoulder)
        out[:, 3] = -dot(lift.posture.humerus[..., :, 2], at_elbow)
        out[:, 4] = dot(pronation, at_elbow - cross(aside, beyond))
        out[lost] = np.nan
        return out

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(lost.reshape(-1, *[1] * (values.ndim - 1)), np.nan, values)

    return Demand(
        limb_moments=rows(shoulder_limb, elbow_limb, below),
        load_moments=rows(shoulder_load, elbow_load, load_pull),
        lateral_moments=rows(lateral_shoulder, lateral_elbow, -push),
        vertical_force=known(dot(load_pull, push_axis)),
        gravity_arms=rows(
            -cross(hand - shoulder, unit_load), -cross(hand - elbow, unit_load), -unit_load
        ),
        joint_force_limb=known(below + upper_pull),
        joint_force_load=known(np.broadcast_to(load_pull, hand.shape)),
        lateral_axis=lift.lateral_axis.copy(),
        load_mass=lift.load_mass,
    )


def _turned(rotation: NDArray[np.float64], vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((rotation @ vector[..., None])[..., 0])


def _spin(
    inertia: NDArray[np.float64],
    rotation: NDArray[np.float64],
    velocity: NDArray[np.float64],
    acceleration: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rate of change of the spin of a segment about its own centre [N·m], thorax frame.

    ``inertia`` is that about the body axes, shape (3,) or (frames, 3).
    """
    tensor = (rotation * inertia[..., None, :]) @ np.swapaxes(rotation, -1, -2)
    spin = _turned(tensor, velocity)
    return _turned(tensor, acceleration) + cross(velocity, spin)
