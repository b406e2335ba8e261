"""Pressing overhead, sitting or standing, with a bar or with dumbbells.

As on the bench, the hand is at its spacing and height and the forearm leans by the tilt; here,
however, the plane of elevation of the upper arm is given, and its elevation closes the chain:
``direction = -cos e · Y + sin e (cos p · Z + sin p · X)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError, PostureError
from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import (
    Chain,
    chain_of_lengths,
    find_lockouts,
    minimum_jerk,
    motion_along,
    require_reach,
    settle,
    solve_angle,
)
from momentshare.exercise.profile import Profile
from momentshare.geometry.radians import degree_faults
from momentshare.geometry.rotation import norm

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["OverheadPress"]

_NONE = Profile.constant(0.0)
_SIDEWAYS = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class OverheadPress:
    """One way of pressing overhead; SI and radians.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    spacing, plane, tilt : Profile
        Distance between the grips [m]; plane of elevation of the upper arm, 0 to the side and
        90 degrees forward; forearm out of the vertical plane across the body, positive when
        the hand is behind the elbow [rad].
    trunk_angle : float
        Trunk above the horizontal; 90 degrees is upright [rad].
    implement : {"bar", "dumbbells"}
    grip : {"pronated", "neutral"}
    start_height : float
        Height of the grip above the shoulder joint centre at the beginning [m].
    lockout_flexion : float
        Elbow flexion at lock-out [rad].
    protraction, shrug : Profile
        Protraction and elevation of the clavicle that the lifter adds [rad].
    duration : float, optional
        [s]; quasi-static when not given.
    frames : int

    Raises
    ------
    InputError
        A load, size or angle out of range, naming field and value.

    Examples
    --------
    >>> from momentshare import OverheadPress, Person, Profile, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = OverheadPress(
    ...     load_mass=10.0,
    ...     spacing=Profile.constant(0.5),
    ...     plane=Profile.constant(0.8),
    ...     tilt=Profile.constant(0.0),
    ...     frames=5,
    ... )
    >>> press.lift(limb.skeleton).posture.shape
    (5,)
    """

    load_mass: float
    spacing: Profile
    plane: Profile
    tilt: Profile
    protraction: Profile = _NONE
    shrug: Profile = _NONE
    trunk_angle: float = float(np.radians(90.0))
    implement: Literal["bar", "dumbbells"] = "bar"
    grip: Literal["pronated", "neutral"] = "pronated"
    start_height: float = 0.06
    lockout_flexion: float = float(np.radians(12.0))
    duration: float | None = None
    frames: int = 51

    def __post_init__(self) -> None:
        if not np.isfinite(self.load_mass) or self.load_mass < 0.0:
            raise InputError(
                f"overhead press: load_mass must be zero or more; got {self.load_mass!r}"
            )
        faults = degree_faults(
            plane=self.plane.values, tilt=self.tilt.values, protraction=self.protraction.values,
            shrug=self.shrug.values, trunk_angle=self.trunk_angle,
            lockout_flexion=self.lockout_flexion,
        )  # fmt: skip
        if faults:
            raise InputError("overhead press:", faults)
        if self.implement == "bar" and len(self.spacing.points) > 1:
            raise InputError("overhead press: the hands cannot slide on a bar; give one spacing")

    def lift(self, skeleton: Skeleton) -> Lift:
        """Solve the posture of every frame; see :class:`~momentshare.exercise.Exercise`."""
        low, high, notes, solve = self.course(skeleton)
        fraction, timed = minimum_jerk(self.frames, self.duration)
        here = solve(fraction)
        require_reach(here, float(self.spacing(np.ones(1))[0]))
        bar = self.implement == "bar"
        return here.lift(
            fraction=fraction,
            height=low + fraction * (high - low),
            time=None if timed is None else timed[0],
            up=self._up(),
            load_mass=self.load_mass / 2.0,
            lateral_axis=_SIDEWAYS,
            lateral_free=bar,
            breaches=find_breaches(skeleton, here, _SIDEWAYS if bar else None),
            motion=None if timed is None else motion_along(solve, fraction, timed[1], timed[2]),
            notes=notes,
        )

    def course(
        self, skeleton: Skeleton
    ) -> tuple[float, float, tuple[str, ...], Callable[[NDArray[np.float64]], Chain]]:
        """Heights of start and lock-out [m], notes, and the chain as a function of the fraction."""
        low = self.start_height
        reach = skeleton.sizes.humerus_length + skeleton.sizes.grip_length
        (found,) = find_lockouts(
            lambda heights, _: self._close(skeleton, np.ones(heights.size), heights.ravel()),
            low=np.array([low]),
            span=np.array([1.2 * reach]),
            flexion=self.lockout_flexion,
            spacing=[float(self.spacing(np.ones(1))[0])],
        )
        if isinstance(found, PostureError):
            raise found
        high, notes = found

        def solve(at: NDArray[np.float64]) -> Chain:
            return self._close(skeleton, at, low + at * (high - low))

        return low, high, notes, solve

    def _up(self) -> NDArray[np.float64]:
        return np.array([np.cos(self.trunk_angle), np.sin(self.trunk_angle), 0.0])

    def _close(
        self, skeleton: Skeleton, fraction: NDArray[np.float64], height: NDArray[np.float64]
    ) -> Chain:
        rest = np.broadcast_to(skeleton.joint_centre, (len(fraction), 3))
        add = np.stack([self.protraction(fraction), self.shrug(fraction)], axis=-1)

        def close(
            joint: NDArray[np.float64], near: NDArray[np.float64] | None
        ) -> tuple[Chain, NDArray[np.float64]]:
            above = height - (joint - rest) @ self._up()
            return self._close_about(skeleton, joint, near, fraction, above)

        return settle(close, skeleton.girdle, add, rest)

    def _close_about(
        self,
        skeleton: Skeleton,
        joint: NDArray[np.float64],
        near: NDArray[np.float64] | None,
        fraction: NDArray[np.float64],
        height: NDArray[np.float64],
    ) -> tuple[Chain, NDArray[np.float64]]:
        """Close the chain about a joint centre in each frame, from which heights are measured."""
        size, up = skeleton.sizes, self._up()
        back = np.array([-up[1], up[0], 0.0])
        plane, tilt = self.plane(fraction), self.tilt(fraction)
        lateral = 0.5 * self.spacing(fraction) - joint[..., 2]
        reach = size.grip_length * np.cos(tilt)
        upper = size.humerus_length
        side, rise = upper * np.cos(plane), upper * np.sin(plane) * up[0]

        def excess(sine: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
            above = height + upper * up[1] * cosine - rise * sine
            return np.asarray(above**2 + (lateral - side * sine) ** 2 - reach**2)

        def slope(sine: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
            above = height + upper * up[1] * cosine - rise * sine
            return np.asarray(
                2 * above * (-upper * up[1] * sine - rise * cosine)
                - 2 * (lateral - side * sine) * side * cosine
            )

        # The elbow approaches the hand as it rises: take the first fall through zero.
        angle, found = solve_angle(
            excess, slope, near=near, low=0.02, high=2.8, rising=False, prefer=lambda a: -a
        )
        sine, cosine = np.sin(angle), np.cos(angle)
        distance = np.sqrt(np.maximum(excess(sine, cosine) + reach**2, 0.0))
        direction = np.stack([np.sin(plane) * sine, -cosine, np.cos(plane) * sine], axis=-1)
        across = (height - upper * (direction @ up))[:, None] * up
        across[:, 2] += lateral - upper * direction[:, 2]
        across *= (reach / np.maximum(norm(across), 1e-12))[:, None]
        forearm = (across + (size.grip_length * np.sin(tilt))[:, None] * back) / size.grip_length
        gap = np.where(found, 0.0, np.maximum(np.abs(distance - reach), 1e-9))
        thumb = -_SIDEWAYS if self.grip == "pronated" else back
        chain = chain_of_lengths(joint, upper, size.grip_length, direction, forearm, gap, thumb)
        return chain, angle
