"""Exercises with given joint angles: elbow extension lying and overhead, pull-down.

The chain is open, so there is nothing to close; the load hangs from the hand or pulls along a
cable.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import (
    Chain,
    chain_from_posture,
    minimum_jerk,
    motion_along,
    require_reach,
)
from momentshare.exercise.profile import Profile, require_profiles
from momentshare.geometry.radians import degree_faults
from momentshare.posture import posture_from_angles
from momentshare.results import brief
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = [
    "GuidedArm",
    "lying_elbow_extension",
    "overhead_elbow_extension",
    "straight_arm_pull_down",
]

_NONE = Profile.constant(0.0)
_DEGREE = float(np.pi / 180.0)

_ROUNDS, _TURN, _FLAT = 30, 1e-5, 1e-9
"""Steps at most, turn for a slope [rad], and square of a slope below which a step is held back
[m²/rad²]."""

_MOST = float(np.pi / 6.0)
"""Turn from the given angles that a hand spacing may ask for [rad]; assumed."""

_THERE, _CLOSED = 1e-14, 1e-9
"""Distance at which a hand is not moved any more, and at which it counts as in place [m]."""

CLOSE_GRIP = 0.17
"""Distance between the hands of an overhead elbow extension [m]; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidedArm:
    """A repetition along given joint angles; SI and radians.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg]; with a cable, the mass whose weight the cable carries.
    plane, elevation, axial, elbow_flexion, forearm_rotation : Profile
        Angles of :func:`momentshare.posture.posture_from_angles` along the repetition.
    protraction, shrug : Profile
        Protraction and elevation of the clavicle that the lifter adds [rad].
    trunk_angle : float
        Trunk above the horizontal, face up: 0 lying, 90 degrees upright [rad].
    cable : tuple of float, optional
        Direction from the hand along the cable in the thorax frame; None for a weight.
    one_bar : bool
        Whether both hands hold one rigid bar, along which they can push.
    spacing : float, optional
        Distance between the hands that the arms keep [m]: in every frame plane and axial rotation
        leave the given ones by as little as that takes, at most 30 degrees each.
    duration : float, optional
        [s]; quasi-static when not given.
    frames : int

    Raises
    ------
    InputError
        A load or angle out of range, naming field and value.

    Examples
    --------
    >>> from momentshare import GuidedArm, Person, Profile, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> raise_forward = GuidedArm(
    ...     load_mass=4.0,
    ...     plane=Profile.constant(1.57),
    ...     elevation=Profile(((0.0, 0.3), (1.0, 1.4))),
    ...     axial=Profile.constant(0.0),
    ...     elbow_flexion=Profile.constant(0.2),
    ...     forearm_rotation=Profile.constant(1.57),
    ...     trunk_angle=1.57,
    ...     frames=5,
    ... )
    >>> lift = raise_forward.lift(limb.skeleton)
    >>> lift.posture.shape, bool((lift.height[1:] > lift.height[:-1]).all())
    ((5,), True)
    """

    load_mass: float
    plane: Profile
    elevation: Profile
    axial: Profile
    elbow_flexion: Profile
    forearm_rotation: Profile
    protraction: Profile = _NONE
    shrug: Profile = _NONE
    trunk_angle: float = 0.0
    cable: tuple[float, float, float] | None = None
    one_bar: bool = False
    spacing: float | None = None
    duration: float | None = None
    frames: int = 51

    __repr__ = brief

    def __post_init__(self) -> None:
        if not np.isfinite(self.load_mass) or self.load_mass < 0.0:
            raise InputError(f"load_mass must be zero or more [kg]; got {self.load_mass!r}")
        require_profiles(
            plane=self.plane, elevation=self.elevation, axial=self.axial,
            elbow_flexion=self.elbow_flexion, shrug=self.shrug,
            forearm_rotation=self.forearm_rotation, protraction=self.protraction,
        )  # fmt: skip
        faults = degree_faults(
            plane=self.plane.values, elevation=self.elevation.values, axial=self.axial.values,
            elbow_flexion=self.elbow_flexion.values, shrug=self.shrug.values,
            forearm_rotation=self.forearm_rotation.values, protraction=self.protraction.values,
            trunk_angle=self.trunk_angle,
        )  # fmt: skip
        if faults:
            raise InputError("guided arm:", faults)
        if self.spacing is not None and not (np.isfinite(self.spacing) and self.spacing > 0.0):
            raise InputError(f"spacing must be above zero [m]; got {self.spacing!r}")
        if self.cable is not None and not np.linalg.norm(self.cable) > 0.0:
            raise InputError("cable: the direction must not be zero")

    def lift(self, skeleton: Skeleton) -> Lift:
        """Place the arm in every frame; see :class:`~momentshare.exercise.Exercise`."""
        fraction, timed = minimum_jerk(self.frames, self.duration)

        def solve(at: NDArray[np.float64]) -> Chain:
            elevation, bend = self.elevation(at), self.elbow_flexion(at)
            turn = self.forearm_rotation(at)
            add = np.stack([self.protraction(at), self.shrug(at)], axis=-1)

            def placed(plane: NDArray[np.float64], axial: NDArray[np.float64]) -> Chain:
                posture = posture_from_angles(plane, elevation, axial, bend, turn)
                return chain_from_posture(skeleton, replace(posture, girdle=add))

            if self.spacing is None:
                return placed(self.plane(at), self.axial(at))
            return _spaced(placed, self.plane(at), self.axial(at), self.spacing / 2.0)

        here = solve(fraction)
        if self.spacing is not None:
            require_reach(here, self.spacing)
        up = np.array([np.cos(self.trunk_angle), np.sin(self.trunk_angle), 0.0])
        force = axis = None
        if self.cable is not None:
            pull = np.array(self.cable) / np.linalg.norm(self.cable)
            force = np.broadcast_to(GRAVITY * pull, here.hand.shape).copy()
            axis = -pull
        return here.lift(
            fraction=fraction,
            height=(here.hand - skeleton.joint_centre) @ up,
            time=None if timed is None else timed[0],
            up=up,
            load_mass=self.load_mass / 2.0,
            lateral_axis=np.array([0.0, 0.0, 1.0]),
            lateral_free=self.one_bar,
            breaches=find_breaches(skeleton, here, None),
            motion=None if timed is None else motion_along(solve, fraction, timed[1], timed[2]),
            load_force=force,
            push_axis=axis,
        )


def _spaced(
    placed: Callable[[NDArray[np.float64], NDArray[np.float64]], Chain],
    plane: NDArray[np.float64],
    axial: NDArray[np.float64],
    half: float,
) -> Chain:
    """Turn the arm by as little as brings the hand to ``half`` beside the middle [m].

    Gauss-Newton steps of least length in plane and axial rotation; a frame that is there is left
    alone, so that it does not depend on its neighbours. What such turns do not reach stays a gap.
    """

    def beside(plane: NDArray[np.float64], axial: NDArray[np.float64]) -> NDArray[np.float64]:
        return placed(plane, axial).hand[:, 2] - half

    given = plane, axial
    for _ in range(_ROUNDS):
        off = beside(plane, axial)
        away = np.abs(off) > _THERE
        if not away.any():
            break
        by_plane = (beside(plane + _TURN, axial) - beside(plane - _TURN, axial)) / (2.0 * _TURN)
        by_axial = (beside(plane, axial + _TURN) - beside(plane, axial - _TURN)) / (2.0 * _TURN)
        step = np.where(away, off / (by_plane**2 + by_axial**2 + _FLAT), 0.0)
        plane = np.clip(plane - step * by_plane, given[0] - _MOST, given[0] + _MOST)
        axial = np.clip(axial - step * by_axial, given[1] - _MOST, given[1] + _MOST)
    found = placed(plane, axial)
    left = np.abs(found.hand[:, 2] - half)
    return replace(found, gap=np.where(left > _CLOSED, left, 0.0))


def _line(*degrees: float) -> Profile:
    """Return a constant, or a straight line from chest to lock-out, from degrees."""
    if len(degrees) == 1:
        return Profile.constant(degrees[0] * _DEGREE)
    return Profile(((0.0, degrees[0] * _DEGREE), (1.0, degrees[1] * _DEGREE)))


def _on_a_bar(load_mass: float, **degrees: tuple[float, ...]) -> GuidedArm:
    """Hands on one bar, lying, forearms half turned, along angles in degrees."""
    lines = {name: _line(*values) for name, values in degrees.items()}
    return GuidedArm(
        load_mass=load_mass,
        forearm_rotation=_line(90.0),
        one_bar=True,
        **lines,  # type: ignore[arg-type]
    )


def lying_elbow_extension(load_mass: float, **changes: object) -> GuidedArm:
    """Elbow extension lying on the back, upper arm upright, forearm from beside the head.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    **changes : object
        Fields of :class:`GuidedArm` that replace the defaults (common practice, no source).

    Returns
    -------
    GuidedArm

    Raises
    ------
    InputError, TypeError
        A value out of range; a field that does not exist.

    Examples
    --------
    >>> from momentshare import lying_elbow_extension
    >>> exercise = lying_elbow_extension(15.0, frames=5)
    >>> exercise.load_mass, exercise.frames, exercise.cable is None
    (15.0, 5, True)
    """
    exercise = _on_a_bar(
        load_mass, plane=(90.0,), elevation=(90.0,), axial=(-90.0,), elbow_flexion=(115.0, 12.0)
    )
    return replace(exercise, **changes)  # type: ignore[arg-type]


def overhead_elbow_extension(load_mass: float, **changes: object) -> GuidedArm:
    """Elbow extension upright, upper arms raised before the head, hands close together on a bar.

    The elbows point a little outward behind the head and come together as they straighten, so that
    the hands keep their spacing (:data:`CLOSE_GRIP`).

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    **changes : object
        Fields of :class:`GuidedArm` that replace the defaults (common practice, no source).

    Returns
    -------
    GuidedArm

    Raises
    ------
    InputError, TypeError
        A value out of range; a field that does not exist.

    Examples
    --------
    >>> from momentshare import overhead_elbow_extension
    >>> exercise = overhead_elbow_extension(15.0, frames=5)
    >>> exercise.load_mass, exercise.frames, exercise.cable is None
    (15.0, 5, True)
    """
    exercise = _on_a_bar(
        load_mass,
        plane=(85.0, 99.0),
        elevation=(120.0,),
        axial=(-60.0,),
        elbow_flexion=(125.0, 12.0),
    )
    upright = replace(exercise, trunk_angle=90.0 * _DEGREE, spacing=CLOSE_GRIP)
    return replace(upright, **changes)  # type: ignore[arg-type]


def straight_arm_pull_down(load_mass: float, **changes: object) -> GuidedArm:
    """Pull-down with nearly straight arms, upright, against a cable from above and in front.

    Parameters
    ----------
    load_mass : float
        Mass whose weight the cable carries, both hands [kg].
    **changes : object
        Fields of :class:`GuidedArm` that replace the defaults (common practice, no source).

    Returns
    -------
    GuidedArm

    Raises
    ------
    InputError, TypeError
        A value out of range; a field that does not exist.

    Examples
    --------
    >>> from momentshare import straight_arm_pull_down
    >>> exercise = straight_arm_pull_down(15.0, frames=5)
    >>> exercise.load_mass, exercise.frames, exercise.cable is None
    (15.0, 5, False)
    """
    exercise = _on_a_bar(
        load_mass, plane=(90.0,), elevation=(125.0, 25.0), axial=(-60.0,), elbow_flexion=(15.0,)
    )
    upright = replace(exercise, trunk_angle=90.0 * _DEGREE, cable=(0.5, 0.87, 0.0))
    return replace(upright, **changes)  # type: ignore[arg-type]
