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

from momentshare.geometry.rotation import cross, dot
from momentshare.paths import ROWS
from momentshare.posture import arm_frame
from momentshare.skeleton import body_poses
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.posture import Posture
    from momentshare.skeleton import BodyPoses, Skeleton

__all__ = ["Demand", "demand", "segment_masses"]


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
    lateral_axis : float array, shape (3,)
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
    poses = body_poses(skeleton, lift.posture)
    shoulder, elbow, hand = skeleton.joint_centre, lift.elbow, lift.hand
    weight = -GRAVITY * lift.up
    zero = np.zeros_like(hand)
    motion = lift.motion
    hand_acceleration = zero if motion is None else motion.hand_acceleration
    elbow_acceleration = zero if motion is None else motion.elbow_acceleration
    # The weight as the arm feels it: a trunk that accelerates upward adds to gravity.
    weight = np.broadcast_to(weight, hand.shape)
    if motion is not None:
        weight = weight - motion.trunk_acceleration
    masses = segment_masses(skeleton)

    def share(segment: str) -> float:
        return skeleton.model.inertia[skeleton.person.sex, segment, "centre_fraction"].value

    # A centre on the line between two points of a rigid segment moves in proportion.
    part = share("forearm") * skeleton.sizes.forearm_length / skeleton.sizes.grip_length
    forearm = elbow + part * (hand - elbow)
    forearm_acceleration = elbow_acceleration + part * (hand_acceleration - elbow_acceleration)
    upper = shoulder + share("upper_arm") * (elbow - shoulder)
    upper_acceleration = share("upper_arm") * elbow_acceleration

    hand_pull = masses["hand"] * (hand_acceleration - weight)
    forearm_pull = masses["forearm"] * (forearm_acceleration - weight)
    upper_pull = masses["upper_arm"] * (upper_acceleration - weight)
    load_pull = hand_acceleration - weight if lift.load_force is None else -lift.load_force

    # Elbow: forearm and hand.
    elbow_limb = cross(forearm - elbow, forearm_pull) + cross(hand - elbow, hand_pull)
    elbow_load = cross(hand - elbow, load_pull)
    if motion is not None:
        elbow_limb = elbow_limb + _spin(
            skeleton,
            "forearm",
            skeleton.sizes.forearm_length,
            masses["forearm"],
            poses.rotation["ulna"],
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
            skeleton,
            "upper_arm",
            skeleton.sizes.humerus_length,
            masses["upper_arm"],
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

    def rows(
        at_shoulder: NDArray[np.float64],
        at_elbow: NDArray[np.float64],
        beyond: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        out = _project(lift.posture, poses, at_shoulder, at_elbow, beyond)
        out[lost] = np.nan
        return out

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(lost.reshape(-1, *[1] * (values.ndim - 1)), np.nan, values)

    return Demand(
        limb_moments=rows(shoulder_limb, elbow_limb, below),
        load_moments=rows(shoulder_load, elbow_load, load_pull),
        lateral_moments=rows(lateral_shoulder, lateral_elbow, -push),
        vertical_force=known(load_pull @ push_axis),
        gravity_arms=rows(
            -cross(hand - shoulder, unit_load), -cross(hand - elbow, unit_load), -unit_load
        ),
        joint_force_limb=known(below + upper_pull),
        joint_force_load=known(np.broadcast_to(load_pull, hand.shape)),
        lateral_axis=lift.lateral_axis.copy(),
        load_mass=lift.load_mass,
    )


def _project(
    posture: Posture,
    poses: BodyPoses,
    at_shoulder: NDArray[np.float64],
    at_elbow: NDArray[np.float64],
    beyond: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Moment vectors onto the rows: arm frame, elbow extension, forearm pronation.

    The axis of forearm rotation passes beside the elbow; ``beyond`` is the force that the
    elbow passes on to the forearm, which moves the moment from one point to the other.
    """
    out = np.empty((*posture.shape, len(ROWS)))
    out[..., :3] = (arm_frame(posture.humerus) @ at_shoulder[..., None])[..., 0]
    out[..., 3] = -dot(posture.humerus[..., :, 2], at_elbow)
    aside = poses.forearm_axis_point - poses.origin["ulna"]
    out[..., 4] = dot(poses.forearm_axis, at_elbow - cross(aside, beyond))
    return out


def _spin(
    skeleton: Skeleton,
    segment: str,
    length: float,
    mass: float,
    rotation: NDArray[np.float64],
    velocity: NDArray[np.float64],
    acceleration: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rate of change of the spin of a segment about its own centre [N·m], thorax frame."""
    inertia = skeleton.model.inertia
    sex = skeleton.person.sex
    # Body axes x (forward), y (along), z (to the side): radii about x, y, z.
    radii = np.array(
        [
            inertia[sex, segment, f"radius_{name}"].value * length
            for name in ("sagittal", "longitudinal", "transverse")
        ]
    )
    tensor = (rotation * (mass * radii**2)) @ np.swapaxes(rotation, -1, -2)
    spin = (tensor @ velocity[..., None])[..., 0]
    return (tensor @ acceleration[..., None])[..., 0] + cross(velocity, spin)
