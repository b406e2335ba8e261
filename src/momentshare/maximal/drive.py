"""How hard a limb can drive a load at each height and speed.

The path fixes every posture by one number, the height y of the hand, so velocity v and
acceleration a of the hand fix the motion of the whole arm. All net moments are linear in a and in
v², and the capacities of the heads follow from v alone. With a mass M on each hand they are

    m(y, v, a) = A(y) + v² B(y) + a C(y) + M (D(y) + v² E(y) + a G(y)),

A and D from weight, B and E from the curvature of the path, C and G from acceleration along it. The
limit of the limb is then the linear programme of the greatest load, with the apparent gravity s = g
+ a in the place of the load: the greatest s ≥ 0 for which the heads can meet m(y, v, s - g), all
balanced rows at once. M s is the vertical force of the hand, which therefore never pulls the load
down; friction bounds a free lateral force as a part of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.analysis import lengthening_speed, prepare
from momentshare.balance import Balance, Criterion, GlenoidLimit, Lateral, LoadMoments
from momentshare.directions import ROWS
from momentshare.errors import InputError, PostureError
from momentshare.exercise.chain import motion_along
from momentshare.exercise.demand import demand
from momentshare.exercise.hand import hand_limits
from momentshare.results import ReadOnly, brief
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise import Exercise
    from momentshare.exercise.demand import Demand
    from momentshare.exercise.lift import Lift
    from momentshare.limb import Limb

    Floats = NDArray[np.float64]

__all__ = ["DriveField", "DrivenPath", "driven_path"]

HEIGHTS = 61
"""Number of heights from the lowest place to lock-out at which the drive is found."""

SPEEDS = 25
"""Number of speeds at which it is found, denser towards low speeds."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveField(ReadOnly):
    """Greatest upward acceleration of one load by height and speed.

    Attributes
    ----------
    load : float
        [kg], both hands.
    height : float array, shape (heights,)
        Of the hand above its lowest place [m].
    speed : float array, shape (speeds,)
        [m/s], from zero.
    acceleration : float array, shape (heights, speeds)
        [m/s²]; minus g where the limb cannot push at all, or cannot follow at that speed.
    """

    load: float
    height: Floats
    speed: Floats
    acceleration: Floats

    __repr__ = brief

    def force(self) -> Floats:
        """Vertical force of both hands [N], shape (heights, speeds)."""
        return np.asarray(self.load * (GRAVITY + self.acceleration))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrivenPath(ReadOnly):
    """A limb along the path of an exercise: everything independent of load, speed and push.

    Attributes
    ----------
    limb : Limb
        A single one.
    lift : Lift
        Heights from the lowest place to lock-out, quasi-static.
    travel : float
        [m]
    arms : float array, shape (heights, rows, heads)
        [m]
    length, lengthening : float array, shape (heights, heads)
        Of the paths [m]; the second for each metre that the hand rises [m/m].
    still, curved, pushed : Demand
        Demands at rest; at a speed of 1 m/s; at 1 m/s² from rest.
    criterion : Criterion
        Says which rows are balanced.
    glenoid : GlenoidLimit or None
        At every height at rest, if the limits of the glenoid are kept.
    """

    limb: Limb
    lift: Lift
    travel: float
    arms: Floats
    length: Floats
    lengthening: Floats
    still: Demand
    curved: Demand
    pushed: Demand
    criterion: Criterion
    glenoid: GlenoidLimit | None = None

    __repr__ = brief

    def field(
        self, load: float, lateral: Lateral, *, fastest: float = 3.5, speeds: int = SPEEDS
    ) -> DriveField:
        """Find the greatest acceleration of a load.

        Parameters
        ----------
        load : float
            [kg], both hands; above zero.
        lateral : Lateral
        fastest : float
            Greatest speed [m/s].
        speeds : int
        """
        speed = fastest * (np.arange(speeds) / (speeds - 1.0)) ** 2
        count = len(self.lift.fraction)
        return DriveField(
            load=load,
            height=self.travel * self.lift.fraction,
            speed=speed,
            acceleration=self.acceleration(
                np.tile(np.arange(count), speeds), np.repeat(speed, count), load, lateral
            )
            .reshape(speeds, count)
            .T,
        )

    def acceleration(
        self, at: NDArray[np.intp], speed: Floats, load: float, lateral: Lateral
    ) -> Floats:
        """Greatest acceleration [m/s²] at some of the heights and speeds, shape of both."""
        if not load > 0.0:
            raise InputError(f"load: must be more than zero [kg]; got {load!r}")
        ratio = lateral.ratios(len(self.lift.fraction), self.lift.fraction)[at]
        given = lateral if lateral.mode != "measured" else replace(lateral, ratio=tuple(ratio))
        balance = self._balance(at, speed, load).treated(given)
        found = balance.greatest_load(glenoid=self.glenoid is not None)
        # Where the arm cannot be held, the load cannot be driven.
        felt = np.where(np.isfinite(found.factor), found.factor, 0.0)
        return np.asarray(felt - GRAVITY)

    def standing(self) -> Balance:
        """Balance of every height at rest, with the load of the greatest load as its load."""
        rows = [ROWS.index(name) for name in self.criterion.rows]
        need = self.still
        return self._with(
            np.arange(len(self.lift.fraction)),
            0.0,
            LoadMoments(
                fixed=need.limb_moments[:, rows],
                each=0.5 * need.load_moments[:, rows],
                vertical=0.5 * need.vertical_force,
            ),
            (need.joint_force_limb, 0.5 * need.joint_force_load),
        )

    def _balance(self, at: NDArray[np.intp], speed: Floats, load: float) -> Balance:
        """Balance with the apparent gravity [m/s²] in the place of the load."""
        rows = [ROWS.index(name) for name in self.criterion.rows]
        mass = 0.5 * load

        def asked(limb: str, hand: str) -> tuple[Floats, Floats]:
            """Value at zero apparent gravity, and the change per m/s² of it."""
            still, curved, pushed = (
                getattr(need, limb)[at] + mass * getattr(need, hand)[at]
                for need in (self.still, self.curved, self.pushed)
            )
            bent, each = curved - still, pushed - still
            return still + speed[:, None] ** 2 * bent - GRAVITY * each, each

        fixed, each = asked("limb_moments", "load_moments")
        moments = LoadMoments(
            fixed=fixed[:, rows], each=each[:, rows], vertical=np.full(len(at), mass)
        )
        return self._with(
            at, speed[:, None], moments, asked("joint_force_limb", "joint_force_load")
        )

    def _with(
        self,
        at: NDArray[np.intp],
        speed: Floats | float,
        load: LoadMoments,
        joint: tuple[Floats, Floats],
    ) -> Balance:
        """Balance at some heights; ``joint`` is the net force across the shoulder as ``load``."""
        rows = [ROWS.index(name) for name in self.criterion.rows]
        state = self.limb.capacity(self.length[at], self.lengthening[at] * speed)
        limits = hand_limits(self.limb.skeleton, self.lift)
        return Balance(
            head_names=self.limb.head_names,
            row_names=self.criterion.rows,
            arms=self.arms[at][:, rows],
            capacity=state.active_capacity,
            passive=state.passive_force,
            moments=load.fixed,
            lever=self.still.lateral_moments[at][:, rows],
            vertical=load.vertical,
            ratio=np.zeros(len(at)),
            posed=np.ones(len(at), dtype=bool),
            volume_weights=self.limb.volume_weights,
            area_weights=self.limb.area_weights,
            friction=limits.friction[at],
            couple_lever=self.still.couple_moments[at][:, rows],
            couple_limit=limits.couple[at],
            load=load,
            glenoid=self._glenoid_at(at, *joint),
        )

    def _glenoid_at(self, at: NDArray[np.intp], fixed: Floats, each: Floats) -> GlenoidLimit | None:
        held = self.glenoid
        if held is None:
            return None
        return replace(
            held,
            lines=held.lines[at],
            across=fixed,
            push_axis=held.push_axis[at],
            frame=held.frame[at],
            fixed=fixed,
            each=each,
        )


def driven_path(
    limb: Limb,
    exercise: Exercise,
    criterion: Criterion | None = None,
    *,
    heights: int = HEIGHTS,
    glenoid: bool = False,
) -> DrivenPath:
    """Prepare a limb along the path of an exercise.

    Parameters
    ----------
    limb : Limb
        A single one.
    exercise : Exercise
        One with a course, as presses on a bench and overhead have.
    criterion : Criterion, optional
        Says which rows are balanced.
    heights : int
    glenoid : bool
        Whether to keep the contact force within the stability limits of the glenoid.

    Returns
    -------
    DrivenPath
        ``field(load, lateral)`` gives the greatest acceleration by height and speed.

    Raises
    ------
    InputError
        The exercise has no course along which a load could be driven.
    PostureError
        Part of the course is out of reach.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, driven_path, load_model
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> press = BenchPress(load_mass=0.0, spacing=Profile.constant(0.5))
    >>> path = driven_path(build_limb(ada, load_model()), press, heights=11)
    >>> path.arms.shape[:2], bool(path.travel > 0.0)
    ((11, 5), True)
    >>> field = path.field(20.0, Lateral(mode="zero"), speeds=5)
    >>> field.acceleration.shape  # heights, speeds [m/s²]
    (11, 5)
    """
    course = getattr(exercise, "course", None)
    if course is None:
        raise InputError(
            f"{type(exercise).__name__}: a maximal lift needs a press with a bar or dumbbells"
        )
    lift = replace(exercise, frames=heights, duration=None).lift(limb.skeleton)  # type: ignore[type-var]
    if not lift.reachable.all():
        lost = int(np.count_nonzero(~lift.reachable))
        raise PostureError(
            f"{lost} of {heights} heights are out of reach, so no load can be driven through; "
            "change spacing, bar path or angles"
        )
    low, high, _, solve = course(limb.skeleton)
    travel = float(high - low)
    one, none = np.full(heights, 1.0 / travel), np.zeros(heights)

    def moving(rate: Floats, change: Floats) -> Lift:
        return replace(lift, motion=motion_along(solve, lift.fraction, rate, change))

    rising = moving(one, none)
    ready = prepare(limb, lift)
    found = ready.paths
    return DrivenPath(
        limb=limb,
        lift=lift,
        travel=travel,
        arms=found.moment_arms,
        length=found.length,
        lengthening=lengthening_speed(limb, rising, found),
        still=ready.demand,
        curved=demand(limb.skeleton, rising),
        pushed=demand(limb.skeleton, moving(none, one)),
        criterion=criterion or Criterion(),
        glenoid=ready.balance(criterion, glenoid=True).glenoid if glenoid else None,
    )
