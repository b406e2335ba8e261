"""Pressing on the bench, with a bar or with dumbbells.

The trunk lies on a bench; its angle turns gravity in the sagittal plane of the thorax. Four
conditions close the chain at every height of the hand:

- the hand is at its spacing from the midline and at its height above the shoulder;
- the upper arm stands at the tuck angle from the trunk, or the hand where the bar path has it;
- the forearm leans by the tilt angle out of the vertical plane across the body;
- upper arm and forearm keep their lengths.

With the upper arm at tuck e from the trunk, its direction is
``-cos e · Y + sin e (cos α · Z - sin α · X)``; α (0 to the side, positive behind) is the one
unknown left, and the elbow is the solution on the outer side of the line from shoulder to hand.
Along a bar path the same holds with the level towards the head in place of Y and the vertical in
place of X: hand d footward of the joint and tilt t make cos e = (d + forearm sin t) / upper arm.

Bar and chest stay with the trunk while the joint moves with the girdle: heights and touch points
count from where the joint is with the arm hanging, the place at lock-out from where it is there.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError, PostureError
from momentshare.exercise.bar_path import BarPath, bar_on_chest
from momentshare.exercise.chain import (
    Chain,
    breaches_of,
    chain_of_lengths,
    find_lockout,
    minimum_jerk,
    motion_along,
    require_reach,
    settle,
    solve_angle,
)
from momentshare.exercise.lift import Lift
from momentshare.exercise.profile import Profile
from momentshare.geometry.rotation import norm
from momentshare.girdle import Girdle

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton

__all__ = [
    "ENDS",
    "SIDEWAYS",
    "Arm",
    "BenchPress",
    "close_press",
    "lockout_square",
    "straighten",
    "touch_down",
]

_UPRIGHT = Profile.constant(0.0)

ENDS = 1e-9
"""Elbow flexion by which lock-out may miss the angle asked for [rad]."""

SIDEWAYS = np.array([0.0, 0.0, 1.0])
"""Along the bar, outward for the right hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPress:
    """One way of pressing; SI and radians.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    spacing : Profile
        Distance between the grips [m].
    tuck : Profile, optional
        Upper arm from the trunk [rad]; by default it follows from the bar path.
    tilt : Profile
        Forearm out of the vertical plane across the body, positive when the hand is nearer the
        head than the elbow [rad].
    path : BarPath, optional
        Way of the hands in the sagittal plane where no tuck is given; by default from where the
        forearm is upright on the chest to above the shoulder joint.
    protraction, shrug : Profile, optional
        What the lifter adds to protraction and elevation of the clavicle [rad]; by default the
        model's: shoulder blades pulled together on the chest and partly let go to lock-out.
    bench_angle : float
        0 flat, positive with the head up (incline) [rad].
    implement : {"bar", "dumbbells"}
        A rigid bar lets the hands push along it; dumbbells do not.
    grip : {"pronated", "neutral"}
        Thumbs towards each other, or towards the head.
    chest_height, lockout_height : float, optional
        Height of the grip above the shoulder joint centre [m]; by default the chest surface,
        on a bar path at the touch point, and the height where the elbow reaches
        ``lockout_flexion``.
    lockout_flexion : float
        Elbow flexion at lock-out [rad].
    duration : float, optional
        Time from chest to lock-out [s], along a minimum-jerk curve (Flash and Hogan 1985,
        from memory); quasi-static when not given.
    frames : int

    Raises
    ------
    InputError
        A load, size or angle out of range, a tuck and a path together, naming field and value.

    Examples
    --------
    >>> from momentshare import BenchPress, Person, Profile, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> lift = press.lift(limb.skeleton)
    >>> lift.hand.shape, bool(lift.reachable.all()), lift.lateral_free
    ((5, 3), True, True)
    """

    load_mass: float
    spacing: Profile
    tuck: Profile | None = None
    tilt: Profile = _UPRIGHT
    path: BarPath | None = None
    protraction: Profile | None = None
    shrug: Profile = _UPRIGHT
    bench_angle: float = 0.0
    implement: Literal["bar", "dumbbells"] = "bar"
    grip: Literal["pronated", "neutral"] = "pronated"
    chest_height: float | None = None
    lockout_height: float | None = None
    lockout_flexion: float = float(np.radians(12.0))
    duration: float | None = None
    frames: int = 51

    def __post_init__(self) -> None:
        faults = []
        if not np.isfinite(self.load_mass) or self.load_mass < 0.0:
            faults.append(f"load_mass: wanted zero or more [kg], got {self.load_mass!r}")
        if self.frames < 2:
            faults.append(f"frames: wanted 2 or more, got {self.frames!r}")
        if self.duration is not None and not (np.isfinite(self.duration) and self.duration > 0.0):
            faults.append(f"duration: wanted a positive time [s], got {self.duration!r}")
        if not abs(self.bench_angle) <= np.radians(80.0):
            faults.append(
                "bench_angle: wanted -80 to 80 degrees; press overhead is another exercise"
            )
        if not 0.0 < self.lockout_flexion < np.pi:
            faults.append(f"lockout_flexion: wanted an angle above 0, got {self.lockout_flexion!r}")
        if self.implement not in {"bar", "dumbbells"}:
            faults.append(f"implement: wanted 'bar' or 'dumbbells', got {self.implement!r}")
        if self.grip not in {"pronated", "neutral"}:
            faults.append(f"grip: wanted 'pronated' or 'neutral', got {self.grip!r}")
        if any(value <= 0.0 for _, value in self.spacing.points):
            faults.append("spacing: wanted positive distances [m]")
        for name in ("chest_height", "lockout_height"):
            value = getattr(self, name)
            if value is not None and not np.isfinite(value):
                faults.append(f"{name}: wanted a height [m], got {value!r}")
        if self.tuck is not None and self.path is not None:
            faults.append("tuck: a bar path is given too, which decides the tuck; give one of them")
        if self.implement == "bar" and len(self.spacing.points) > 1:
            faults.append("spacing: the hands cannot slide on a bar; give one value")
        if faults:
            raise InputError("bench press:", faults)

    @property
    def has_closed_form(self) -> bool:
        """Whether the height of lock-out follows from the posture there without a search."""
        level = self.tuck is None or self.bench_angle == 0.0
        return level and self.lockout_height is None

    @property
    def profiles(self) -> tuple[str, ...]:
        """Names of the fields that may change along the lift."""
        return ("tilt", "spacing") if self.tuck is None else ("tuck", "tilt", "spacing")

    @property
    def way(self) -> BarPath:
        """The bar path where no tuck is given, filled in."""
        return self.path or BarPath()

    @property
    def up(self) -> NDArray[np.float64]:
        """Vertical in the thorax frame."""
        return np.array([np.cos(self.bench_angle), np.sin(self.bench_angle), 0.0])

    @property
    def headward(self) -> NDArray[np.float64]:
        """Horizontal towards the head in the thorax frame."""
        return np.array([-np.sin(self.bench_angle), np.cos(self.bench_angle), 0.0])

    def lift(self, skeleton: Skeleton) -> Lift:
        """Solve the posture of every frame.

        Raises
        ------
        PostureError
            When not even one height between chest and lock-out can be reached.
        """
        low, high, notes, solve = self.course(skeleton)
        fraction, timed = minimum_jerk(self.frames, self.duration)
        here = solve(fraction)
        require_reach(here, self._end_spacing())
        motion = None
        if timed is not None:
            motion = motion_along(solve, fraction, timed[1], timed[2])
        bar = self.implement == "bar"
        return Lift(
            fraction=fraction,
            height=low + fraction * (high - low),
            time=None if timed is None else timed[0],
            posture=here.posture,
            shoulder=here.shoulder,
            hand=here.hand,
            elbow=here.elbow,
            up=self.up,
            load_mass=self.load_mass / 2.0,
            lateral_axis=SIDEWAYS,
            lateral_free=bar,
            reachable=here.gap == 0.0,
            gap=here.gap,
            breaches=breaches_of(skeleton, here, SIDEWAYS if bar else None),
            motion=motion,
            notes=notes,
        )

    def course(
        self, skeleton: Skeleton
    ) -> tuple[float, float, tuple[str, ...], Callable[[NDArray[np.float64]], Chain]]:
        """Heights of chest and lock-out [m], notes, and the chain as a function of the fraction."""
        arm = Arm.of(skeleton)
        (chest,), (low,) = touch_down(self, arm)
        high, lockout, notes = self._lockout(arm, low)

        def solve(at: NDArray[np.float64]) -> Chain:
            given = {name: getattr(self, name)(at) for name in self.profiles}
            if self.tuck is None:
                given["footward"] = replace(self.way, lockout=lockout).footward(chest, at)
            return close_press(
                self, arm, add=self.added(arm.habit, at), height=low + at * (high - low), **given
            )

        return low, high, notes, solve

    def added(self, habit: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what the lifter adds to protraction and elevation at height fractions [rad].

        ``habit`` is that of the lifter's :class:`Arm`, shape (2,).
        """
        own = Profile(((0.0, float(habit[0])), (1.0, float(habit[1]))))
        protraction = own if self.protraction is None else self.protraction
        return np.stack([protraction(at), self.shrug(at)], axis=-1)

    def _lockout(self, arm: Arm, low: float) -> tuple[float, float, tuple[str, ...]]:
        """Height of lock-out, place of the hands there, and what was decided."""
        # Nothing but the height changes in the search; a profile keeps its last value.
        end = {name: getattr(self, name).points[-1][1] for name in self.profiles}
        add = self.added(arm.habit, np.ones(1))
        above = {"footward": self.way.lockout} if self.tuck is None else {}

        def close(heights: NDArray[np.float64]) -> Chain:
            given = {name: np.full_like(heights, value) for name, value in {**end, **above}.items()}
            return close_press(
                self, arm, add=np.repeat(add, len(heights), axis=0), height=heights,
                over_joint=True, **given,
            )  # fmt: skip

        def place(high: float) -> float:
            """Footward of where the joint hangs, for a bar footward of the joint."""
            moved = close(np.array([high])).shoulder[0] - arm.rest.reshape(3)
            return self.way.lockout - float(moved @ self.headward)

        if self.lockout_height is not None:
            if self.lockout_height <= low:
                raise PostureError(
                    f"lock-out at {self.lockout_height:.3f} m above the shoulder is not above the "
                    f"chest at {low:.3f} m; raise lockout_height (lockout_height_cm in a study "
                    "file) or lower the chest"
                )
            return self.lockout_height, place(self.lockout_height), ()
        if self.has_closed_form and self.tuck is None:
            high, chain = straighten(self, arm)
            bend = chain.posture.elbow_flexion[0]
            if high[0] > low and chain.gap[0] == 0.0 and abs(bend - self.lockout_flexion) < ENDS:
                moved = chain.shoulder[0] - arm.rest.reshape(3)
                return float(high[0]), self.way.lockout - float(moved @ self.headward), ()
        found, notes = find_lockout(
            close,
            low=low,
            span=1.5 * float(arm.upper + arm.fore),
            flexion=self.lockout_flexion,
            spacing=self._end_spacing(),
        )
        return found, place(found), notes

    def _end_spacing(self) -> float:
        return float(self.spacing.points[-1][1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """Lengths and girdle of one limb or of several, for closing presses.

    Attributes
    ----------
    rest : float array, shape (..., 3)
        Joint centre with the arm hanging [m].
    upper, fore : float array, shape (...)
        Shoulder to elbow, elbow to grip [m].
    girdle : Girdle
    chest : float array, shape (..., 2)
        Centre of a bar on the chest in front of ``rest``, and usual touch point footward [m].
    habit : float array, shape (..., 2)
        Protraction that a lifter adds on the chest and at lock-out [rad].
    """

    rest: NDArray[np.float64]
    upper: NDArray[np.float64]
    fore: NDArray[np.float64]
    girdle: Girdle
    chest: NDArray[np.float64]
    habit: NDArray[np.float64]

    @classmethod
    def of(cls, skeleton: Skeleton) -> Arm:
        """Arm of a skeleton."""
        return cls(
            rest=np.asarray(skeleton.joint_centre),
            upper=np.asarray(skeleton.humerus_length),
            fore=np.asarray(skeleton.grip_length),
            girdle=skeleton.girdle,
            chest=np.stack([skeleton.chest_height, skeleton.touch_point], axis=-1),
            habit=skeleton.press_protraction,
        )

    def of_each(self, count: int) -> Arm:
        """Return the limbs there are, or the one there is for each of so many presses."""
        if self.upper.ndim:
            return self
        return self._changed(lambda values: np.broadcast_to(values, (count, *values.shape)))

    def take(self, limb: int | NDArray[np.intp]) -> Arm:
        """Pick one limb of several, or one for each entry of an index array."""
        return self._changed(lambda values: np.asarray(values[limb])) if self.upper.ndim else self

    def _changed(self, change: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Arm:
        girdle = {f.name: change(getattr(self.girdle, f.name)) for f in fields(Girdle)}
        rest = {f.name: change(getattr(self, f.name)) for f in fields(Arm) if f.name != "girdle"}
        return Arm(girdle=Girdle(**girdle), **rest)


def _each(
    press: BenchPress, arm: Arm, presses: Sequence[BenchPress] | None
) -> tuple[Sequence[BenchPress], Arm]:
    """Return the presses and, in the same order, their limbs; one press is that of one limb."""
    every = [press] if presses is None else presses
    return every, arm.of_each(len(every))


def _prescribed(
    every: Sequence[BenchPress], arms: Arm, fraction: float
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Return what presses prescribe at a height fraction: profiles by name, girdle [rad]."""
    at = np.array([fraction])
    values = {
        name: np.array([getattr(each, name)(at)[0] for each in every]) for name in every[0].profiles
    }
    lifters = zip(every, arms.habit, strict=True)
    return values, np.concatenate([each.added(habit, at) for each, habit in lifters])


def touch_down(
    press: BenchPress, arm: Arm, presses: Sequence[BenchPress] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the hands are on the chest: footward on a bar path, and their height [m].

    From where the joint is with the arm hanging; shape (presses,), as for :func:`straighten`. By
    default the touch point is that of an upright forearm, so it goes with the joint, which goes
    with the arm.
    """
    every, arms = _each(press, arm, presses)
    rest, chest, upper, fore = arms.rest, arms.chest, arms.upper, arms.fore
    height = np.array([np.nan if x.chest_height is None else x.chest_height for x in every])
    if press.tuck is not None:
        return np.full(len(every), np.nan), np.where(np.isfinite(height), height, chest[:, 0])
    begin, add = _prescribed(every, arms, 0.0)
    touch = np.array([np.nan if x.way.touch is None else x.way.touch for x in every])
    shift = np.array([x.way.touch_shift for x in every])

    def place(joint: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        moved = joint - rest
        return bar_on_chest(
            bench_angle=press.bench_angle,
            upper=upper,
            fore=fore,
            aside=0.5 * begin["spacing"] - joint[:, 2],
            chest=(chest[:, 0] - moved[:, 0], chest[:, 1] + moved[:, 1]),
            touch=touch + moved[:, 1],
            shift=shift,
            height=height - moved @ press.up,
        )

    def close(
        joint: NDArray[np.float64], near: NDArray[np.float64] | None
    ) -> tuple[Chain, NDArray[np.float64]]:
        footward, above = place(joint)
        return _close(press, upper, fore, joint, near, footward=footward, height=above, **begin)

    joint = settle(close, arm.girdle, add, rest).shoulder
    footward, above = place(joint)
    moved = joint - rest
    return footward - moved @ press.headward, above + moved @ press.up


def straighten(
    press: BenchPress, arm: Arm, presses: Sequence[BenchPress] | None = None
) -> tuple[NDArray[np.float64], Chain]:
    """Height above where the joint hangs at which the elbow has its flexion at lock-out [m].

    The hand's place along the body is known there: on a flat bench, or on a bar path. ``presses``
    are those of the limbs of ``arm`` in turn, of one kind; else there is one press and one limb.

    Returns
    -------
    height : float array, shape (presses,)
        NaN where there is none.
    chain : Chain
        Closed at that height.
    """
    every, arms = _each(press, arm, presses)
    rest, upper, fore = arms.rest, arms.upper, arms.fore
    end, add = _prescribed(every, arms, 1.0)
    if press.tuck is None:
        along = np.array([each.way.lockout for each in every])
        end["footward"] = along
    else:
        along = upper * np.cos(end["tuck"]) - fore * np.sin(end["tilt"])

    def above(joint: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Height of the hand above a joint centre, and where there is one."""
        aside = 0.5 * end["spacing"] - joint[:, 2]
        square = lockout_square(upper, fore, press.lockout_flexion, along=along, aside=aside)
        return np.sqrt(np.maximum(square, 0.0)), square > 0.0

    def close(
        joint: NDArray[np.float64], near: NDArray[np.float64] | None
    ) -> tuple[Chain, NDArray[np.float64]]:
        return _close(press, upper, fore, joint, near, height=above(joint)[0], **end)

    chain = settle(close, arm.girdle, add, rest)
    height, found = above(chain.shoulder)
    rise = (chain.shoulder - rest) @ press.up
    return np.where(found, height + rise, np.nan), chain


def lockout_square(
    upper: NDArray[np.float64],
    fore: NDArray[np.float64],
    flexion: float,
    *,
    along: NDArray[np.float64] | float,
    aside: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Square of the height above the joint at which the elbow has a flexion [m²].

    ``along`` and ``aside`` are how far the hand is from the joint along the body and to the side.
    """
    whole = upper**2 + fore**2 + 2.0 * upper * fore * np.cos(flexion)
    return np.asarray(whole - np.square(along) - aside**2)


def close_press(
    press: BenchPress,
    arm: Arm,
    *,
    add: NDArray[np.float64],
    tilt: NDArray[np.float64],
    spacing: NDArray[np.float64],
    height: NDArray[np.float64],
    tuck: NDArray[np.float64] | None = None,
    footward: NDArray[np.float64] | None = None,
    over_joint: bool = False,
) -> Chain:
    """Close the chain for given angles, spacings and heights, each of shape (frames,).

    ``tuck`` or, along a bar path, how far the hand is ``footward`` of the joint is given.

    Parameters
    ----------
    press : BenchPress
        Gives bench angle and grip.
    arm : Arm
        One limb, or that of each frame.
    add : float array, shape (frames, 2)
        What the lifter adds to protraction and elevation of the clavicle [rad].
    over_joint : bool
        Whether ``footward`` counts from where the joint is, and not from where it hangs.
    """
    rest = np.broadcast_to(arm.rest, (len(height), 3))

    def close(
        joint: NDArray[np.float64], near: NDArray[np.float64] | None
    ) -> tuple[Chain, NDArray[np.float64]]:
        moved = joint - rest
        along = footward
        if footward is not None and not over_joint:
            along = footward + moved @ press.headward
        return _close(
            press, arm.upper, arm.fore, joint, near, tilt=tilt, spacing=spacing, tuck=tuck,
            footward=along, height=height - moved @ press.up,
        )  # fmt: skip

    return settle(close, arm.girdle, add, rest)


def _close(
    press: BenchPress,
    upper: NDArray[np.float64],
    fore_length: NDArray[np.float64],
    joint: NDArray[np.float64],
    near: NDArray[np.float64] | None,
    *,
    tilt: NDArray[np.float64],
    spacing: NDArray[np.float64],
    height: NDArray[np.float64],
    tuck: NDArray[np.float64] | None = None,
    footward: NDArray[np.float64] | None = None,
) -> tuple[Chain, NDArray[np.float64]]:
    """Close the chain about a joint centre of each frame, from which everything counts."""
    up, headward = press.up, press.headward
    lateral = 0.5 * spacing - joint[..., 2]
    along, front = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])
    missed: NDArray[np.float64] | float = 0.0
    if tuck is None:
        along, front = headward, up
        cosine_of = (np.asarray(footward) + fore_length * np.sin(tilt)) / upper
        missed = upper * np.maximum(np.abs(cosine_of) - 1.0, 0.0)
        tuck = np.arccos(np.clip(cosine_of, -1.0, 1.0))
    reach = fore_length * np.cos(tilt)

    # Square of the distance elbow-hand across the body less that of the forearm's part,
    #     (drop + fore sin α)² + (lateral - side cos α)² - reach²,
    # multiplied out, so that each angle of the search costs few operations.
    upright = front is up or press.bench_angle == 0.0
    side = upper * np.sin(tuck)
    fore = side if upright else side * (front @ up)
    drop = height + (0.0 if upright else upper * np.cos(tuck) * (along @ up))
    square, still = fore**2 - side**2, drop**2 + lateral**2 + side**2 - reach**2
    lean, swing = 2.0 * drop * fore, 2.0 * lateral * side

    def excess(sine: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((square * sine + lean) * sine - swing * cosine + still)

    def slope(sine: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((2.0 * square * sine + lean) * cosine + swing * sine)

    # Outer solution: the excess turns from negative to positive as the elbow goes back.
    if upright:  # what is left is lean sin α - swing cos α + still
        size = np.hypot(lean, swing)
        cosine = still / np.where(size > 0.0, size, np.inf)
        found = (np.abs(cosine) <= 1.0) & (size > 0.0)
        angle = np.arccos(np.clip(cosine, -1.0, 1.0)) - np.arctan2(lean, swing)
    else:
        angle, found = solve_angle(
            excess, slope, near=near, low=-np.pi, high=np.pi, rising=True, prefer=np.cos
        )
    sine, cosine = np.sin(angle), np.cos(angle)
    distance = np.sqrt(np.maximum(excess(sine, cosine) + reach**2, 0.0))
    gap = np.maximum(np.where(found, 0.0, np.abs(distance - reach)), missed)
    direction = (
        (-np.sin(tuck) * sine)[:, None] * front
        - np.cos(tuck)[:, None] * along
        + (np.sin(tuck) * cosine)[:, None] * SIDEWAYS
    )
    across = (height - upper * (direction @ up))[:, None] * up
    across[:, 2] += lateral - upper * direction[:, 2]
    across *= (reach / np.maximum(norm(across), 1e-12))[:, None]
    upper, fore_length = np.reshape(upper, (-1, 1)), np.reshape(fore_length, (-1, 1))
    forearm = (across + fore_length * np.sin(tilt)[:, None] * headward) / fore_length
    thumb = -SIDEWAYS if press.grip == "pronated" else headward
    chain = chain_of_lengths(joint, upper, fore_length, direction, forearm, gap, thumb)
    return chain, angle
