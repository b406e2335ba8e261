"""Push-ups: the bench press turned over, with the ground in place of the bar.

The hands stay where they are and the trunk rises. The ground pushes each hand up with half of
its share of body weight; it can also push across the body, bounded by friction, and this is treated
like the lateral force of a bar: measured, zero or free.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.breaches import breaches_in
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile, require_profiles
from momentshare.exercise.wrist import ground_checks
from momentshare.geometry.radians import degree_faults
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from momentshare.exercise.lift import Lift, LimitBreach
    from momentshare.skeleton import Skeleton

__all__ = ["PushUp"]

_NONE = Profile.constant(0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PushUp:
    """One way of doing push-ups; SI and radians.

    Parameters
    ----------
    spacing, tuck, tilt : Profile
        As for :class:`~momentshare.exercise.BenchPress`.
    protraction, shrug : Profile
        Protraction and elevation of the clavicle that the lifter adds [rad].
    hand_share : Profile, optional
        Fraction of body weight on both hands; by default the static values of Mier (2014) for the
        person's sex, chest down to arms straight, from the model's table. They are used because the
        share from statics (:func:`momentshare.exercise.static_hand_share`) misses them, especially
        in women; ``momentshare validate`` shows by how much.
    extra_mass : float
        Mass carried on the upper back, all of it on the hands [kg].
    body_angle : float
        Head above the feet: 0 with the trunk level [rad].
    chest_height : float, optional
        Shoulder joint centre above the hand at the lowest point [m].
    lockout_flexion, duration, frames
        As for the bench press.

    Raises
    ------
    InputError
        A mass, size or angle out of range, naming field and value.

    Examples
    --------
    >>> from momentshare import Person, Profile, PushUp, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> push_up = PushUp(
    ...     spacing=Profile.constant(0.5),
    ...     tuck=Profile(((0.0, 0.8), (1.0, 1.3))),
    ...     tilt=Profile.constant(0.0),
    ...     frames=5,
    ... )
    >>> lift = push_up.lift(limb.skeleton)
    >>> lift.load_force.shape, lift.lateral_free  # the ground bears the hand
    ((5, 3), True)
    """

    spacing: Profile
    tuck: Profile
    tilt: Profile
    protraction: Profile = _NONE
    shrug: Profile = _NONE
    hand_share: Profile | None = None
    extra_mass: float = 0.0
    body_angle: float = 0.0
    chest_height: float | None = None
    lockout_flexion: float = float(np.radians(12.0))
    duration: float | None = None
    frames: int = 51

    def __post_init__(self) -> None:
        require_profiles(
            spacing=self.spacing, tuck=self.tuck, tilt=self.tilt,
            protraction=self.protraction, shrug=self.shrug,
        )  # fmt: skip
        faults = degree_faults(
            tuck=self.tuck.values, tilt=self.tilt.values, protraction=self.protraction.values,
            shrug=self.shrug.values, body_angle=self.body_angle,
            lockout_flexion=self.lockout_flexion,
        )  # fmt: skip
        if not (np.isfinite(self.extra_mass) and self.extra_mass >= 0.0):
            faults.append(f"extra_mass: must be zero or more [kg]; got {self.extra_mass!r}")
        if faults:
            raise InputError("push-up:", faults)

    def lift(self, skeleton: Skeleton) -> Lift:
        """Solve the posture of every frame; see :class:`~momentshare.exercise.Exercise`."""
        press = BenchPress(
            load_mass=0.0,
            spacing=self.spacing,
            tuck=self.tuck,
            tilt=self.tilt,
            protraction=self.protraction,
            shrug=self.shrug,
            bench_angle=-self.body_angle,
            implement="dumbbells",
            chest_height=self.chest_height,
            lockout_flexion=self.lockout_flexion,
            duration=self.duration,
            frames=self.frames,
        )
        lift = press.lift(skeleton)
        down = press.up
        share = self._share(skeleton)(lift.fraction)
        body = skeleton.person.body_mass
        # Per kilogram of the person and of what is on the back.
        part = (share * body + self.extra_mass) / (body + self.extra_mass)
        motion, rise = lift.motion, np.zeros_like(share)
        if motion is not None:
            motion = replace(motion, trunk_acceleration=-motion.hand_acceleration)
            rise = motion.trunk_acceleration @ -down
        force = (part * (GRAVITY + rise))[:, None] * -down
        return replace(
            lift,
            up=-down,
            push_axis=down,
            load_mass=(body + self.extra_mass) / 2.0,
            load_force=force,
            lateral_free=True,
            breaches=(*lift.breaches, *_palm(lift, press, skeleton)),
            motion=motion,
        )

    def _share(self, skeleton: Skeleton) -> Profile:
        if self.hand_share is not None:
            return self.hand_share
        number, sex = skeleton.model.number, skeleton.person.sex
        return Profile(
            (
                (0.0, number(f"push_up_share_down_{sex}")),
                (1.0, number(f"push_up_share_up_{sex}")),
            )
        )


def _palm(lift: Lift, press: BenchPress, skeleton: Skeleton) -> list[LimitBreach]:
    """Wrist beyond its limit with the palm on the ground, fingers towards the head."""
    forearm = lift.hand - lift.elbow
    forearm = forearm / np.linalg.norm(forearm, axis=-1, keepdims=True)
    return breaches_in(ground_checks(forearm, press.headward, skeleton.model), lift.reachable)
