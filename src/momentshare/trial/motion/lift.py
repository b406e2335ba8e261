"""From a measured arm to a lift, so that the same steps follow as for a planned press."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import Lateral
from momentshare.errors import InputError
from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import (
    Chain,
)
from momentshare.exercise.lift import Lift, Motion
from momentshare.geometry.rotation import dot, rotated, rotation_about
from momentshare.girdle import girdle_pose
from momentshare.posture import Posture
from momentshare.signals import (
    angular_acceleration,
    angular_velocity,
    at_positions,
    derivative,
    second_derivative,
)
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.track import ArmTrack

__all__ = ["MeasuredLift", "ascent_speed", "track_lift"]

_BESIDE = 40
"""Samples before and after a repetition that take part in its splines. With every sample between,
the influence of another one falls to 2 − √3, so those beyond are lost in rounding."""

_LEAST_FORCE = 1.0
"""Mean vertical force on one hand below which there is practically no load [N]; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredLift:
    """One repetition of a trial as a lift.

    Attributes
    ----------
    lift : Lift
        Frames even in time from chest to lock-out.
    lateral : Lateral or None
        The measured ratio frame by frame; None where the force along the bar was not measured.
    push : float array, shape (frames,)
        Measured outward push of the hand [N]; NaN where not measured.
    speed : float array, shape (frames,)
        Upward speed of what the hand holds [m/s].
    """

    lift: Lift
    lateral: Lateral | None
    push: NDArray[np.float64]
    speed: NDArray[np.float64]


def ascent_speed(track: ArmTrack) -> NDArray[np.float64]:
    """Upward speed of what the hand holds [m/s], shape (samples,)."""
    return derivative(track.height, track.rate)


def track_lift(
    track: ArmTrack,
    skeleton: Skeleton,
    positions: NDArray[np.float64],
    *,
    load_mass: float | None,
    hand_force: NDArray[np.float64] | None,
    one_bar: bool,
    ground: bool = False,
    notes: tuple[str, ...] = (),
) -> MeasuredLift:
    """Extract one repetition of a track.

    Parameters
    ----------
    track : ArmTrack
        Filtered.
    skeleton : Skeleton
    positions : float array, shape (frames,)
        Samples, fractions of them included, at which the frames lie.
    load_mass : float or None
        What one hand carries [kg]. With a measured force, None and 0 take the mean vertical
        force over g. With the hands on the ground the force alone counts: the load then lies on
        the back.
    hand_force : float array, shape (samples, 3), or None
        Force on the hand, world frame [N], on the clock of the track. NaN in x (along the
        body) or z (along the bar) where that part was not measured. None: the load's weight
        and inertia.
    one_bar : bool
        Whether the hands can push along what they hold.
    ground : bool
        Whether the hands press down on the ground instead of up against a load.
    notes : tuple of str
        Joined to the notes of the track.

    Raises
    ------
    InputError
        A gap lies within the repetition, or neither load nor force is known.
    """
    near, frames = _near(track, positions)
    moving = _moving(near)
    own = {
        "humerus": near.posture.humerus,
        "elbow_flexion": near.posture.elbow_flexion,
        "forearm_rotation": near.posture.forearm_rotation,
        "up": near.up,
        "lateral_axis": near.lateral_axis,
        "hand": near.hand,
        "elbow": near.elbow,
        "height": near.height,
        "speed": ascent_speed(near),
    }
    if near.posture.girdle is not None:
        own["girdle"] = near.posture.girdle
    at = _cut({**own, **moving}, frames)
    motion = Motion(
        # The trunk of this calculation moves with the joint.
        shoulder_acceleration=np.zeros((len(positions), 3)),
        **({} if "girdle" in own else {"girdle_velocity": np.zeros((len(positions), 2))}),
        **{name: at[name] for name in moving},
    )
    posture = Posture(
        humerus=_orthonormal(at["humerus"]),
        elbow_flexion=at["elbow_flexion"],
        forearm_rotation=at["forearm_rotation"],
        girdle=at.get("girdle"),
    )
    up, outward = _normal(at["up"]), _normal(at["lateral_axis"])
    # A bar that tips a little has a vertical component; the push is the horizontal one.
    outward = _normal(outward - dot(outward, up)[:, None] * up)
    joint = girdle_pose(skeleton.girdle, posture).joint
    hand, elbow, height = joint + at["hand"], joint + at["elbow"], at["height"]
    parts = (hand, elbow, height, posture.humerus, posture.forearm_rotation, up, outward)
    if not all(np.isfinite(a).all() for a in (*parts, *(at[name] for name in moving))):
        raise InputError(
            "a gap lies within the repetition; fill short gaps (fill_gaps_s) or leave the "
            "repetition out"
        )
    press = -up if ground else up
    on_hand = None
    carried = load_mass
    if hand_force is not None:
        on_hand = _force_on_hand(track, positions, hand_force, press)
        notes = (*notes, *on_hand.notes)
        if ground or not carried:
            carried = on_hand.mean / GRAVITY
        if one_bar:
            on_hand = on_hand.split_along(outward)
    if ground and on_hand is None:
        raise InputError("hand force: the hands are on the ground, so their force must be measured")
    if carried is None:
        raise InputError("load: neither a load nor a hand force is known; give load_kg")
    rise = float(height[-1] - height[0])
    chain = Chain(
        posture=posture,
        shoulder=np.broadcast_to(joint, hand.shape),
        hand=hand,
        elbow=elbow,
        forearm=_normal(hand - elbow),
        gap=np.zeros(len(positions)),
    )
    lift = chain.lift(
        fraction=(height - height[0]) / rise,
        height=np.asarray(dot(hand - joint, up)),
        time=(positions - positions[0]) / track.rate,
        up=up,
        load_mass=carried,
        lateral_axis=outward,
        lateral_free=one_bar,
        breaches=find_breaches(skeleton, chain, None),
        motion=motion,
        notes=(*notes, *track.notes),
        load_force=None if on_hand is None else on_hand.force / carried,
        push_axis=None if on_hand is None else press,
    )
    return MeasuredLift(
        lift=lift,
        lateral=None if on_hand is None else on_hand.lateral,
        push=np.full(len(positions), np.nan) if on_hand is None else on_hand.push,
        speed=at["speed"],
    )


def _in_trunk(track: ArmTrack, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return rotated(np.swapaxes(track.trunk, -1, -2), values)


def _near(track: ArmTrack, positions: NDArray[np.float64]) -> tuple[ArmTrack, NDArray[np.float64]]:
    """Return a track around the frames, and their positions in it."""
    first = max(math.floor(positions[0]) - _BESIDE, 0)
    part = slice(first, math.ceil(positions[-1]) + _BESIDE + 1)
    names = ("trunk", "shoulder", "elbow", "hand", "lateral_axis", "height")
    arrays = {name: getattr(track, name)[part] for name in names}
    return replace(track, posture=track.posture[part], **arrays), positions - first


def _cut(
    signals: Mapping[str, NDArray[np.float64]], positions: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    """Return every signal of a track at the frames, by splines through all of them at once."""
    flat = [values.reshape(len(values), -1) for values in signals.values()]
    ends = np.cumsum([part.shape[1] for part in flat])[:-1]
    parts = np.split(at_positions(np.concatenate(flat, axis=1), positions), ends, axis=1)
    return {
        name: part.reshape(len(positions), *values.shape[1:])
        for (name, values), part in zip(signals.items(), parts, strict=True)
    }


def _moving(track: ArmTrack) -> dict[str, NDArray[np.float64]]:
    """Velocities and accelerations of a track, by their names in :class:`Motion`."""
    world = {
        "shoulder": track.shoulder,
        "elbow": track.shoulder + rotated(track.trunk, track.elbow),
        "hand": track.shoulder + rotated(track.trunk, track.hand),
    }
    own = {k: _in_trunk(track, second_derivative(v, track.rate)) for k, v in world.items()}
    humerus, flexion = track.posture.humerus, track.posture.elbow_flexion
    ulna = humerus @ rotation_about(np.array([0.0, 0.0, 1.0]), flexion)
    found = {
        "hand_velocity": derivative(track.hand, track.rate),
        "hand_acceleration": own["hand"] - own["shoulder"],
        "elbow_velocity": derivative(track.elbow, track.rate),
        "elbow_acceleration": own["elbow"] - own["shoulder"],
        "humerus_angular_velocity": angular_velocity(humerus, track.rate),
        "humerus_angular_acceleration": angular_acceleration(humerus, track.rate),
        "ulna_angular_velocity": angular_velocity(ulna, track.rate),
        "ulna_angular_acceleration": angular_acceleration(ulna, track.rate),
        "elbow_flexion_velocity": derivative(flexion, track.rate),
        "forearm_rotation_velocity": derivative(track.posture.forearm_rotation, track.rate),
        "trunk_acceleration": own["shoulder"],
    }
    if track.posture.girdle is not None:
        found["girdle_velocity"] = derivative(track.posture.girdle, track.rate)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ForceOnHand:
    """Measured force on the hand, thorax frame [N], and what it says about the push along a bar."""

    force: NDArray[np.float64]
    vertical: NDArray[np.float64]
    partial: bool
    """The part along the bar was not measured."""
    push: NDArray[np.float64]
    lateral: Lateral | None = None
    notes: tuple[str, ...] = ()

    @property
    def mean(self) -> float:
        """Mean vertical force [N]."""
        return float(np.mean(self.vertical))

    def split_along(self, outward: NDArray[np.float64]) -> _ForceOnHand:
        """Extract the push along the bar from the force.

        Raises
        ------
        InputError
            The vertical force nearly vanishes, so the ratio to it is meaningless.
        """
        if self.partial:
            return self
        if float(np.min(self.vertical)) < _LEAST_FORCE:
            raise InputError(
                f"hand force: the vertical force falls to {np.min(self.vertical):.3g} N in frame "
                f"{int(np.argmin(self.vertical))}, so its ratio to the force along the bar says "
                "nothing; leave the repetition out, or check the zero of the force"
            )
        push = -dot(self.force, outward)
        return replace(
            self,
            force=self.force + push[:, None] * outward,
            push=push,
            lateral=Lateral(mode="measured", ratio=tuple(map(float, push / self.vertical))),
        )


def _force_on_hand(
    track: ArmTrack,
    positions: NDArray[np.float64],
    hand_force: NDArray[np.float64],
    press: NDArray[np.float64],
) -> _ForceOnHand:
    """Express the measured force in the trunk; the hand presses along ``press``.

    Raises
    ------
    InputError
        The vertical part was not measured, a gap lies within, or the force does not resist.
    """
    whole = hand_force.copy()
    lacking = np.asarray(np.isnan(whole).all(axis=0))
    if lacking[1]:
        raise InputError("hand force: its vertical part was not measured; it is needed")
    notes: tuple[str, ...] = ()
    if lacking[0]:
        notes = ("hand force: its part along the body was not measured; counts as zero",)
    whole[:, lacking] = 0.0
    force = at_positions(_in_trunk(track, whole), positions)
    if not np.isfinite(force).all():
        raise InputError("hand force: a gap lies within the repetition; leave the repetition out")
    vertical = np.asarray(-dot(force, press))
    mean = float(np.mean(vertical))
    if mean < _LEAST_FORCE:
        raise InputError(
            f"hand force: resists the push of the hand with {mean:.3g} N on "
            "average; must be a load; check the sign (force_on of the layout), the side, the "
            "axes and the implement"
        )
    return _ForceOnHand(
        force=force,
        vertical=vertical,
        partial=bool(lacking[2]),
        push=np.full(len(positions), np.nan),
        notes=notes,
    )


def _normal(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))


def _orthonormal(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Nearest rotation to each matrix, to remove the error of interpolation."""
    if not np.isfinite(matrix).all():
        return matrix
    u, _, vt = np.linalg.svd(matrix)
    return np.asarray(u @ vt)
