"""A body held straight between hands and toes: the load on the hands, by statics.

Head, trunk, thighs, shanks and feet lie on one line through the shoulder joints, parallel to
the long axis of the thorax; the foot is perpendicular to it and the toes touch the ground under the
ball of the foot. The ground pushes straight up, so that with x the horizontal distance from the
toes

    share = Σ m x / (M x_hand),

where the arms are wherever the posture puts them. Friction, which balances itself on level ground,
is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import PostureError
from momentshare.exercise.profile import Profile
from momentshare.geometry.rotation import dot, norm

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.exercise.pushup import PushUp
    from momentshare.skeleton import Skeleton

__all__ = ["Plank", "build_plank", "ground_push_up", "static_hand_share"]

_FIRST_PITCH = float(np.radians(20.0))
"""Body angle from which the search with straight arms starts [rad]; any nearby value works."""

_PLACED = 1e-8
"""Distance between a hand and its place at which it counts as found [m]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plank:
    """The body without its arms, in the thorax frame.

    Attributes
    ----------
    mass : float array, shape (5,)
        Head, trunk, both thighs, both shanks, both feet, over body mass.
    place : float array, shape (5, 3)
        Their centres of mass [m]; on the midline, since everything comes in pairs.
    toes : float array, shape (3,)
        Where the feet touch the ground [m].
    """

    mass: NDArray[np.float64]
    place: NDArray[np.float64]
    toes: NDArray[np.float64]


def build_plank(skeleton: Skeleton) -> Plank:
    """Lay out trunk, head and legs of a person as one straight line.

    Notes
    -----
    Masses and centres are those of de Leva (1996), recalled; lengths are fractions of
    stature of the same table. The shank is the remainder of the height of the jugular notch.
    """
    model, sex, stature = skeleton.model, skeleton.person.sex, skeleton.sizes.stature

    def part(segment: str, quantity: str) -> float:
        return model.inertia[sex, segment, quantity].value

    notch_fit = model.fits[sex, "suprasternale_height"]
    notch = notch_fit.slope * stature + notch_fit.intercept
    length = {s: part(s, "length_fraction") * stature for s in ("head", "trunk", "thigh", "foot")}
    hip = -length["trunk"]
    knee = hip - length["thigh"]
    ankle = -notch + stature * model.number("ankle_height_fraction")
    heel = -stature * model.number("heel_behind_ankle_fraction")
    along = [
        stature - notch - part("head", "centre_fraction") * length["head"],
        -part("trunk", "centre_fraction") * length["trunk"],
        hip - part("thigh", "centre_fraction") * length["thigh"],
        knee + part("shank", "centre_fraction") * (ankle - knee),
        0.5 * (ankle - notch),
    ]
    line = skeleton.joint_centre[0]
    front = [0.0, 0.0, 0.0, 0.0, heel + part("foot", "centre_fraction") * length["foot"]]
    pairs = np.array([1.0, 1.0, 2.0, 2.0, 2.0])
    return Plank(
        mass=pairs
        * [part(s, "mass_fraction") for s in ("head", "trunk", "thigh", "shank", "foot")],
        place=np.stack([line + np.array(front), np.array(along), np.zeros(5)], axis=-1),
        toes=np.array(
            [line + stature * model.number("ball_before_ankle_fraction"), -notch, 0.0],
        ),
    )


def static_hand_share(skeleton: Skeleton, lift: Lift) -> NDArray[np.float64]:
    """Fraction of body weight on both hands in each frame of a push-up held still.

    Parameters
    ----------
    skeleton : Skeleton
    lift : Lift
        Postures with the ground under the hands; ``lift.up`` is vertical.

    Returns
    -------
    float array, shape (frames,)
        Vertical force on both hands over body weight.

    Examples
    --------
    >>> from momentshare.exercise import Profile, PushUp
    >>> from momentshare.model import load_model
    >>> from momentshare.person import Person
    >>> from momentshare.skeleton import build_skeleton
    >>> bo = Person(name="Bo", sex="male", stature=1.78, body_mass=80.0)
    >>> skeleton = build_skeleton(bo, load_model())
    >>> flat = PushUp(
    ...     spacing=Profile.constant(0.6),
    ...     tuck=Profile.constant(1.2),
    ...     tilt=Profile.constant(0.0),
    ... ).lift(skeleton)
    >>> bool((static_hand_share(skeleton, flat) < 0.85).all())
    True
    """
    body = build_plank(skeleton)
    headward = _headward(lift.up)
    inertia, sex = skeleton.model.inertia, skeleton.person.sex

    def part(segment: str, quantity: str) -> float:
        return inertia[sex, segment, quantity].value

    upper = lift.shoulder + part("upper_arm", "centre_fraction") * (lift.elbow - lift.shoulder)
    forearm = (lift.hand - lift.elbow) / norm(lift.hand - lift.elbow)[:, None]
    reach = part("forearm", "centre_fraction") * skeleton.sizes.forearm_length
    arms = (
        (part("upper_arm", "mass_fraction"), upper),
        (part("forearm", "mass_fraction"), lift.elbow + reach * forearm),
        (part("hand", "mass_fraction"), lift.hand),
    )
    moment = body.mass @ ((body.place - body.toes) @ headward)
    total = body.mass.sum()
    for mass, place in arms:
        moment = moment + 2.0 * mass * ((place - body.toes) @ headward)
        total += 2.0 * mass
    return np.asarray(moment / (total * ((lift.hand - body.toes) @ headward)))


def ground_push_up(skeleton: Skeleton, push_up: PushUp) -> tuple[Lift, Lift]:
    """Put both ends of a push-up on level ground, the hands in one place.

    The body pivots about the toes, so it is steeper with straight arms than with the chest down.
    With straight arms the angles are as given; with the chest down the tuck is such that the hands
    stay in place.

    Parameters
    ----------
    skeleton : Skeleton
    push_up : PushUp
        Spacing, tuck, tilt and heights; its body angle is not used.

    Returns
    -------
    down, up : Lift
        One posture each: the first frame of one, the last of the other.

    Raises
    ------
    PostureError
        When no tuck or body angle achieves this.
    """
    toes = build_plank(skeleton).toes
    still = replace(push_up, hand_share=Profile.constant(0.0), duration=None, frames=2)

    def pitched(angle: float) -> Lift:
        return replace(still, body_angle=angle).lift(skeleton)

    def above(lift: Lift, frame: int) -> float:
        return float(dot(lift.hand[frame] - toes, lift.up))

    pitch = _solve(
        lambda x: [above(pitched(x[0]), -1)],
        [_FIRST_PITCH],
        "no body angle puts hands and toes on level ground with straight arms",
    )
    high = pitched(pitch[0])
    wanted = _distance(high.hand[-1] - toes, high)

    def lowered(tuck: float, angle: float) -> Lift:
        profile = Profile(((0.0, tuck), (1.0, float(push_up.tuck.points[-1][1]))))
        return replace(still, tuck=profile, body_angle=angle).lift(skeleton)

    def off(x: list[float]) -> list[float]:
        lift = lowered(x[0], x[1])
        return [above(lift, 0), _distance(lift.hand[0] - toes, lift) - wanted]

    end = _solve(
        off,
        [float(push_up.tuck.points[0][1]), 0.2 * pitch[0]],
        "no tuck with the chest down leaves the hands where they are with straight arms",
    )
    return lowered(end[0], end[1]), high


def _solve(
    off: Callable[[list[float]], list[float]], start: list[float], message: str
) -> list[float]:
    """Angles at which everything is in place; raise with the message if there are none."""
    from scipy.optimize import root

    def in_floats(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array(off([float(v) for v in x]))

    try:
        found = root(in_floats, np.array(start), tol=1e-12)
    except PostureError as err:
        raise PostureError(f"push-up: {message}: {err}") from err
    if not np.all(np.abs(found.fun) < _PLACED):
        raise PostureError(f"push-up: {message}; change spacing, tuck, tilt or heights")
    return [float(v) for v in found.x]


def _headward(up: NDArray[np.float64]) -> NDArray[np.float64]:
    """Horizontal from the feet to the head, in the sagittal plane of the thorax."""
    across = np.cross(up, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    return np.asarray(across if across[1] > 0.0 else -across)


def _distance(way: NDArray[np.float64], lift: Lift) -> float:
    """Horizontal distance from the toes to the hands [m]."""
    return float(way @ _headward(lift.up))
