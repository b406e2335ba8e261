"""Net joint moments that the heads must supply, by recursion from hand to shoulder.

For each segment with mass m, centre c, acceleration a of the centre, gravity g and force F of the
hand onward,

    moment about the near joint = Σ (c - joint) × m (a - g) + I α + ω × I ω - (hand - joint) × F.

The hand's mass counts as a point at the centre of the grip. Net moments are those of the
muscles (and other tissue) on the far segment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.geometry.rotation import cross, dot, rotated, rotation_about
from momentshare.posture import arm_frame
from momentshare.results import ReadOnly, brief
from momentshare.skeleton import forearm_axis
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["Demand", "demand"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demand(ReadOnly):
    """Net moments of lifts, split by cause; rows in the order of ``ROWS``.

    Attributes
    ----------
    limb_moments : float array, shape (frames, rows)
        From weight and inertia of the segments alone [N·m].
    load_moments : float array, shape (frames, rows)
        From one kilogram in the hand, its weight and acceleration (or the force that stands
        for it), without lateral force [N·m/kg].
    lateral_moments : float array, shape (frames, rows)
        From one newton that the hand pushes outward along the bar [N·m/N].
    couple_moments : float array, shape (frames, rows, 2)
        From one newton metre with which the hand turns the bar about each of
        :data:`momentshare.exercise.hand.COUPLES` [N·m/N·m].
    vertical_force : float array, shape (frames,)
        Force of the hand against the load for each kilogram it carries [N/kg]; vertical
        wherever the load is a weight.
    gravity_arms : float array, shape (frames, rows)
        Moment of one newton of load in the hand, segments and inertia left out [m].
    joint_force_limb, joint_force_load : float array, shape (frames, 3)
        Net force across the shoulder on the arm from segments, and for each kilogram of
        load [N, N/kg], thorax frame.
    lateral_axis : float array, shape (frames, 3)
        Outward direction along which the hand may push.
    load_mass : float array, shape (frames,)
        [kg] in one hand.
    """

    limb_moments: NDArray[np.float64]
    load_moments: NDArray[np.float64]
    lateral_moments: NDArray[np.float64]
    couple_moments: NDArray[np.float64]
    vertical_force: NDArray[np.float64]
    gravity_arms: NDArray[np.float64]
    joint_force_limb: NDArray[np.float64]
    joint_force_load: NDArray[np.float64]
    lateral_axis: NDArray[np.float64]
    load_mass: NDArray[np.float64]

    __repr__ = brief

    def hand_force(self) -> NDArray[np.float64]:
        """Force of the hand against the load [N], shape (frames,)."""
        return np.asarray(self.load_mass * self.vertical_force)

    def moments(
        self,
        lateral_force: NDArray[np.float64] | float = 0.0,
        couple: NDArray[np.float64] | None = None,
    ) -> NDArray[np.float64]:
        """Net moments [N·m], shape (frames, rows).

        Parameters
        ----------
        lateral_force : float array, shape () or (frames,)
            Outward push of the hand [N].
        couple : float array, shape (2,) or (frames, 2), optional
            Couples with which the hand turns the bar [N·m]; none where not given.
        """
        return np.asarray(self.limb_moments + self.hand_moments(lateral_force, couple))

    def hand_moments(
        self,
        lateral_force: NDArray[np.float64] | float = 0.0,
        couple: NDArray[np.float64] | None = None,
    ) -> NDArray[np.float64]:
        """Do the same without the contribution of the segments themselves."""
        push = np.broadcast_to(np.asarray(lateral_force, dtype=float), self.vertical_force.shape)
        found = self.load_mass[:, None] * self.load_moments + push[:, None] * self.lateral_moments
        if couple is not None:
            found = found + np.sum(self.couple_moments * np.asarray(couple)[..., None, :], axis=-1)
        return np.asarray(found)

    def joint_force(self, lateral_force: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
        """Net force across the shoulder on the arm [N], shape (frames, 3), thorax frame."""
        push = np.broadcast_to(np.asarray(lateral_force, dtype=float), self.vertical_force.shape)
        return np.asarray(
            self.joint_force_limb
            + self.load_mass[:, None] * self.joint_force_load
            + push[:, None] * self.lateral_axis
        )


def demand(skeleton: Skeleton, lift: Lift) -> Demand:
    """Compute the net joint moments of a lift, or of the lifts of several limbs in a row.

    Parameters
    ----------
    skeleton : Skeleton
        One limb, or the limbs that ``lift.limb`` indexes.
    lift : Lift
        Full dynamics where it carries motion, quasi-static otherwise.

    Returns
    -------
    Demand
        NaN in frames that are out of reach. Where the net moments are given, they are stored as
        those of the limb, and no load is known.
    """
    if lift.net_moments is not None:
        return _given(lift, lift.net_moments)
    index = lift.limb_in(skeleton)

    def of(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.broadcast_to(values if index is None else values[index], lift.reachable.shape)

    def column(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return of(values)[:, None]

    def vector(values: NDArray[np.float64]) -> NDArray[np.float64]:
        chosen = values if index is None else values[index]
        return np.broadcast_to(chosen, (*lift.reachable.shape, 3))

    segment = skeleton.segment
    shoulder, elbow, hand = lift.shoulder, lift.elbow, lift.hand
    weight = -GRAVITY * lift.up
    motion = lift.motion
    shoulder_acceleration, elbow_acceleration, hand_acceleration = _accelerations(lift)
    # The weight as the arm feels it: a trunk that accelerates upward adds to gravity.
    weight = np.broadcast_to(weight, hand.shape)
    if motion is not None:
        weight = weight - motion.trunk_acceleration
    masses = {name: column(part.mass) for name, part in segment.items()}
    humerus_length, forearm_length = (
        column(skeleton.humerus_length),
        column(skeleton.forearm_length),
    )

    # A centre on the line between two points of a rigid segment moves in proportion to both.
    part = column(segment["forearm"].centre) * forearm_length / column(skeleton.grip_length)
    forearm = elbow + part * (hand - elbow)
    forearm_acceleration = elbow_acceleration + part * (hand_acceleration - elbow_acceleration)
    upper_centre = column(segment["upper_arm"].centre)
    upper = shoulder + upper_centre * (elbow - shoulder)
    upper_acceleration = shoulder_acceleration + upper_centre * (
        elbow_acceleration - shoulder_acceleration
    )

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
            masses["forearm"] * (forearm_length * vector(segment["forearm"].radii)) ** 2,
            ulna,
            motion.ulna_angular_velocity,
            motion.ulna_angular_acceleration,
        )
    # Shoulder: what the elbow transmits, and the upper arm.
    below = forearm_pull + hand_pull
    shoulder_limb = (
        elbow_limb + cross(elbow - shoulder, below) + cross(upper - shoulder, upper_pull)
    )
    shoulder_load = elbow_load + cross(elbow - shoulder, load_pull)
    if motion is not None:
        shoulder_limb = shoulder_limb + _spin(
            masses["upper_arm"] * (humerus_length * vector(segment["upper_arm"].radii)) ** 2,
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
    axis, radial_head = forearm_axis(skeleton)
    pronation = rotated(ulna, vector(axis))
    aside = rotated(ulna, vector(radial_head))

    def rows(
        at_shoulder: NDArray[np.float64],
        at_elbow: NDArray[np.float64],
        beyond: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        # The axis of forearm rotation passes beside the elbow; ``beyond`` is the force that
        # the elbow transmits, which shifts the moment from one point to the other.
        out = np.empty((len(hand), len(ROWS)))
        out[:, :3] = rotated(anatomical, at_shoulder)
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
        couple_moments=np.stack(
            [
                rows(axis, axis, np.zeros_like(hand))
                for axis in _couple_axes(lift.lateral_axis, push_axis, hand.shape)
            ],
            axis=-1,
        ),
        vertical_force=known(dot(load_pull, push_axis)),
        gravity_arms=rows(
            -cross(hand - shoulder, unit_load), -cross(hand - elbow, unit_load), -unit_load
        ),
        joint_force_limb=known(below + upper_pull),
        joint_force_load=known(np.broadcast_to(load_pull, hand.shape)),
        lateral_axis=np.broadcast_to(lift.lateral_axis, hand.shape).copy(),
        load_mass=np.broadcast_to(np.asarray(lift.load_mass, dtype=float), lost.shape).copy(),
    )


def _accelerations(
    lift: Lift,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Accelerations of shoulder, elbow and hand [m/s²]; zeros without motion."""
    motion = lift.motion
    if motion is None:
        zero = np.zeros_like(lift.hand)
        return zero, zero, zero
    return motion.shoulder_acceleration, motion.elbow_acceleration, motion.hand_acceleration


def _couple_axes(
    lateral_axis: NDArray[np.float64], push_axis: NDArray[np.float64], shape: tuple[int, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Axes of the couples of the hands, perpendicular to the bar.

    A couple is the same moment about every joint.
    """
    outward = np.broadcast_to(lateral_axis, shape)
    upward = np.broadcast_to(push_axis, shape)
    upward = upward - dot(upward, outward)[:, None] * outward
    upward = upward / np.linalg.norm(upward, axis=-1, keepdims=True)
    return upward, cross(outward, upward)


def _given(lift: Lift, moments: NDArray[np.float64]) -> Demand:
    """Demand of a lift whose moments are given: no load, and no force across the joint."""
    frames = len(moments)
    none, unknown = np.zeros_like(moments), np.full((frames, 3), np.nan)
    return Demand(
        limb_moments=moments.copy(),
        load_moments=none,
        lateral_moments=none,
        couple_moments=np.zeros((*moments.shape, 2)),
        vertical_force=np.zeros(frames),
        gravity_arms=np.full_like(moments, np.nan),
        joint_force_limb=unknown,
        joint_force_load=unknown,
        lateral_axis=np.broadcast_to(lift.lateral_axis, (frames, 3)).copy(),
        load_mass=np.zeros(frames),
    )


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
    spin = rotated(tensor, velocity)
    return rotated(tensor, acceleration) + cross(velocity, spin)
