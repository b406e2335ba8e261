"""Joint angles over time and what acts on the hand: a lift in one call."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import InputError, ShapeError, UnknownNameError, require_kind
from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import Chain, chain_from_posture
from momentshare.exercise.given import GIVEN_ANGLES
from momentshare.exercise.lift import Lift, Motion
from momentshare.geometry.radians import require_radians
from momentshare.geometry.rotation import dot
from momentshare.posture import posture_from_angles
from momentshare.signals import (
    angular_acceleration,
    angular_velocity,
    derivative,
    second_derivative,
)
from momentshare.skeleton import Skeleton
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

__all__ = ["lift_from_angles"]

_NAMES = (*GIVEN_ANGLES, "protraction", "shrug")
_FEWEST = 4
"""Frames from which second derivatives can be taken."""


def lift_from_angles(
    skeleton: Skeleton,
    angles: Mapping[str, ArrayLike],
    *,
    rate: float | None = None,
    load_mass: float = 0.0,
    hand_force: ArrayLike | Callable[[Floats, Floats], ArrayLike] | None = None,
    trunk_angle: float = 0.5 * np.pi,
) -> Lift:
    """Make a lift from joint angles over time and the load or force on the hand.

    Parameters
    ----------
    skeleton : Skeleton
        Of one person.
    angles : mapping
        Angle → values [rad], shape () or (frames,); those left out are zero. Shoulder: ``plane``,
        ``elevation`` and ``axial`` of :func:`momentshare.posture_from_angles`; elbow:
        ``elbow_flexion``; forearm: ``forearm_rotation``, 0 supine; girdle: ``protraction`` and
        ``shrug``, added to its course.
    rate : float, optional
        Frames per second [Hz]. Velocities and accelerations then follow by central differences,
        so filter measured angles first; at least four frames. Without it each frame is held still.
    load_mass : float
        Mass in one hand [kg].
    hand_force : float array, shape (3,) or (frames, 3), or callable, optional
        Further force on the hand [N], thorax frame (x forward, y towards the head, z to the
        right). A callable is called with ``time`` (frames,) [s], the number of the frame without
        a rate, and the place of the ``hand`` (frames, 3) [m], and returns the force (frames, 3).
    trunk_angle : float
        Trunk above the horizontal, face up: 0 lying, π/2 upright [rad].

    Returns
    -------
    Lift
        For :func:`momentshare.prepare`. With a hand force, ``load_mass`` is the mass whose weight
        equals the mean of the whole force on the hand, so that a greatest load scales that force.

    Raises
    ------
    UnknownNameError
        An angle that there is not.
    ShapeError
        Arrays of different lengths, values that are not finite, or degrees instead of radians
        (the trunk angle too).
    InputError
        A negative load, a force on the hand that is zero throughout, or a limb in place of its
        skeleton.

    Notes
    -----
    Shoulder and elbow moments are the derivatives of the work of weights and forces by a turn about
    their axes. The row of the forearm is that about the axis through the heads of radius and ulna,
    which passes 15 mm beside the centre of the grip: 5 kg ask for up to 0.7 N·m. The angle
    ``forearm_rotation`` turns the bones under the muscles and moves no mass, since the hand keeps
    to the line of the forearm; spin of hand and load about that line is left out.

    Examples
    --------
    A forearm that swings, with 3 kg in the hand:

    >>> import numpy as np
    >>> from momentshare import Lateral, Person, build_limb, lift_from_angles, load_model
    >>> from momentshare import prepare, solve_lift
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> time = np.arange(51) / 50.0
    >>> lift = lift_from_angles(
    ...     limb.skeleton,
    ...     {"elbow_flexion": np.radians(70.0 - 30.0 * np.cos(np.pi * time)), "elevation": 0.2},
    ...     rate=50.0,
    ...     load_mass=3.0,
    ... )
    >>> lift
    Lift(frames=51, timed, out of reach=0, load per hand=3 kg)
    >>> result = solve_lift(prepare(limb, lift), Lateral(mode="zero"))
    >>> result.force.shape == (51, len(limb.head_names))
    True
    """
    require_kind("skeleton", skeleton, Skeleton, "that of a limb is limb.skeleton")
    require_kind("angles", angles, Mapping, "such as {'elbow_flexion': 0.5}")
    values = _angles(angles, rate)
    if not _number("load_mass", load_mass) >= 0.0:
        raise InputError(f"load_mass must be 0 kg or more; got {load_mass!r}")
    require_radians("trunk_angle", _number("trunk_angle", trunk_angle))
    posture = posture_from_angles(*(values[name] for name in GIVEN_ANGLES))
    girdle = np.stack([values["protraction"], values["shrug"]], axis=-1)
    chain = chain_from_posture(skeleton, replace(posture, girdle=girdle))
    frames = len(girdle)
    motion = None if rate is None else _motion(chain, values, rate)
    up = np.array([np.cos(trunk_angle), np.sin(trunk_angle), 0.0])
    time = np.arange(frames) / (1.0 if rate is None else rate)
    carried, force, axis = load_mass, None, None
    if hand_force is not None:
        pull = hand_force(time, chain.hand) if callable(hand_force) else hand_force
        whole = _vectors(pull, frames) - load_mass * (
            GRAVITY * up + (0.0 if motion is None else motion.hand_acceleration)
        )
        mean = whole.mean(axis=0)
        size = float(np.linalg.norm(mean))
        if not size > 0.0:
            raise InputError("hand_force: it is zero on average; leave it out, or use load_mass")
        carried, axis = size / GRAVITY, -mean / size
        force = whole / carried
    return chain.lift(
        fraction=np.linspace(0.0, 1.0, frames) if frames > 1 else np.zeros(1),
        height=np.asarray(dot(chain.hand - skeleton.joint_centre, up)),
        time=None if rate is None else time,
        up=up,
        load_mass=carried,
        lateral_axis=np.array([0.0, 0.0, 1.0]),
        lateral_free=False,
        breaches=find_breaches(skeleton, chain, None),
        motion=motion,
        load_force=force,
        push_axis=axis,
    )


def _number(name: str, given: ArrayLike) -> float:
    value = numbers(name, given)
    if value.ndim or not np.isfinite(value):
        got = repr(given) if value.ndim == 0 else f"shape {value.shape}"
        raise ShapeError(name, "one finite number", got, "it is the same in every frame")
    return float(value)


def _angles(given: Mapping[str, ArrayLike], rate: float | None) -> dict[str, Floats]:
    """Values of every angle in every frame [rad]."""
    found: dict[str, Floats] = {}
    for name, value in given.items():
        if name not in _NAMES:
            raise UnknownNameError("angle", name, _NAMES)
        array = numbers(f"angles[{name!r}]", value)
        if array.ndim > 1:
            raise ShapeError(
                f"angles[{name!r}]", "shape () or (frames,)", f"shape {array.shape}",
                "give one angle for all frames, or one for each",
            )  # fmt: skip
        if not np.isfinite(array).all():
            raise ShapeError(
                f"angles[{name!r}]", "finite numbers", "NaN, infinity or a mask",
                "leave such frames out, or fill the gaps",
            )  # fmt: skip
        require_radians(f"angles[{name!r}]", array)
        found[name] = array
    counts = {name: len(array) for name, array in found.items() if array.ndim}
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{name} {count}" for name, count in counts.items())
        raise ShapeError(
            "angles", "the same number of values for every angle", told,
            "sample them at the same instants, or give one value where an angle stays",
        )  # fmt: skip
    frames = next(iter(counts.values()), 1)
    if frames == 0:
        raise ShapeError("angles", "at least one frame long", "no frame", "give an angle")
    if rate is not None and frames < _FEWEST:
        raise ShapeError(
            "angles", "at least four frames long with a rate", f"{frames}", "drop the rate"
        )
    return {name: np.broadcast_to(found.get(name, np.zeros(1)), frames) for name in _NAMES}


def _vectors(given: ArrayLike, frames: int) -> Floats:
    force = numbers("hand_force", given)
    if force.shape not in {(3,), (frames, 3)}:
        raise ShapeError(
            "hand_force", f"shape (3,) or ({frames}, 3)", f"shape {force.shape}",
            "give x, y and z along the last axis, once or for each frame",
        )  # fmt: skip
    if not np.isfinite(force).all():
        advice = "leave such frames out, or fill the gaps"
        raise ShapeError("hand_force", "finite numbers", "NaN, infinity or a mask", advice)
    return np.broadcast_to(force, (frames, 3))


def _motion(chain: Chain, values: Mapping[str, Floats], rate: float) -> Motion:
    """Motion relative to a trunk that stays still."""
    shoulder = np.array(chain.shoulder)
    humerus, ulna = chain.posture.humerus, chain.ulna
    girdle = np.stack([values["protraction"], values["shrug"]], axis=-1)
    return Motion(
        hand_velocity=derivative(chain.hand, rate),
        hand_acceleration=second_derivative(chain.hand, rate),
        elbow_velocity=derivative(chain.elbow, rate),
        elbow_acceleration=second_derivative(chain.elbow, rate),
        humerus_angular_velocity=angular_velocity(humerus, rate),
        humerus_angular_acceleration=angular_acceleration(humerus, rate),
        ulna_angular_velocity=angular_velocity(ulna, rate),
        ulna_angular_acceleration=angular_acceleration(ulna, rate),
        elbow_flexion_velocity=derivative(values["elbow_flexion"], rate),
        forearm_rotation_velocity=derivative(values["forearm_rotation"], rate),
        shoulder_acceleration=second_derivative(shoulder, rate),
        girdle_velocity=derivative(girdle, rate),
        trunk_acceleration=np.zeros_like(shoulder),
    )
