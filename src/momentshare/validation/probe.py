"""Everything that validation needs from the limb, in one place: limbs, lifts and their results.

No other module of this package builds a limb or solves a lift. Numbers in place of the model's make
a null limb or a drawn one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis import LiftResult, prepare, solve_lift
from momentshare.balance import Lateral
from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.exercise import (
    BenchPress,
    Lift,
    OverheadPress,
    Profile,
    PushUp,
    ground_push_up,
    static_hand_share,
)
from momentshare.exercise.held import held_lift
from momentshare.limb import Limb, build_limb, build_limbs
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.model.numbers import Numbers
    from momentshare.muscle.capacity import HeadState
    from momentshare.paths import Paths

__all__ = [
    "Press",
    "Probe",
    "Sight",
    "Tasks",
    "View",
    "average_person",
    "course",
    "sight",
    "static_push_up",
    "weakest",
]

_DEGREE = np.pi / 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """One press to solve: person, conditions and load; hashable, so that it is solved once."""

    sex: str = "male"
    scapula: str = ""
    body_mass: float = 0.0
    stature: float = 0.0
    training: float = 0.0
    exercise: str = "bench"
    implement: str = "bar"
    spacing: float = 1.4
    tuck: float | None = None
    bench: float = 0.0
    load: float = 70.0
    relative: float = 0.0
    lateral: str = "free"
    ratio: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """A limb in some postures: paths, capacity, and orientation of the girdle."""

    limb: Limb
    found: Paths
    state: HeadState
    scapula: NDArray[np.float64]
    clavicle: NDArray[np.float64]

    def part(self, where: slice) -> View:
        """Return the postures of a slice."""
        return View(
            names=self.limb.head_names,
            arms=self.found.moment_arms[where],
            length=self.found.length[where],
            pull=self.found.line_of_action[where],
            active=self.state.active_capacity[where],
            passive=self.state.passive_force[where],
            fibre=self.state.fibre_length_normalised[where],
            pennation=self.state.pennation[where],
            scapula=self.scapula[where],
            clavicle=self.clavicle[where],
            limb=self.limb,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """Arrays of a few postures, first axis postures, second heads."""

    names: tuple[str, ...]
    arms: NDArray[np.float64]
    length: NDArray[np.float64]
    pull: NDArray[np.float64]
    active: NDArray[np.float64]
    passive: NDArray[np.float64]
    fibre: NDArray[np.float64]
    pennation: NDArray[np.float64]
    scapula: NDArray[np.float64]
    clavicle: NDArray[np.float64]
    limb: Limb

    @property
    def optimal(self) -> NDArray[np.float64]:
        """Peak fibre length of each head [m]."""
        return self.limb.peak_fibre_length

    @property
    def largest(self) -> NDArray[np.float64]:
        """Greatest isometric force of each head [N]."""
        return self.limb.greatest_isometric_force

    @property
    def volume(self) -> NDArray[np.float64]:
        """Volume of each head [m³]."""
        return self.limb.volume

    def active_at(self, velocity: NDArray[np.float64]) -> NDArray[np.float64]:
        """Active capacity while the paths change at this velocity [N]."""
        return self.limb.capacity(self.length, velocity).active_capacity


def average_person(model: Model, sex: str, training: float = 1.0) -> Person:
    """Return a person of mean stature and mass, everything else estimated."""
    return Person(
        name=f"average {'woman' if sex == 'female' else 'man'}",
        sex="female" if sex == "female" else "male",
        stature=model.fits[sex, "stature"].mean,
        body_mass=model.fits[sex, "body_mass"].mean,
        training_factor=training,
    )


def sight(
    limb: Limb, angles: NDArray[np.float64], protraction: NDArray[np.float64] | None = None
) -> Sight:
    """Examine a limb in some postures.

    Parameters
    ----------
    limb : Limb
    angles : float array, shape (postures, 5)
        Plane, elevation and axial rotation, elbow flexion, forearm rotation [deg].
    protraction : float array, shape (postures,), optional
        Protraction of the clavicle beyond the course on which it follows the arm [deg].
    """
    posture = posture_from_angles(*np.radians(angles).T)
    if protraction is not None:
        own = np.radians(protraction)
        posture = replace(posture, girdle=np.stack([own, np.zeros_like(own)], axis=-1))
    found = limb.paths(posture)
    poses = body_poses(limb.skeleton, posture)
    shape = (len(angles), 3, 3)
    return Sight(
        limb=limb,
        found=found,
        state=limb.capacity(found.length),
        scapula=np.broadcast_to(poses.rotation["scapula"], shape),
        clavicle=np.broadcast_to(poses.rotation["clavicle"], shape),
    )


@dataclass(slots=True)
class Tasks:
    """Motions that do not depend on muscles, kept for every limb of the same bones."""

    lifts: dict[tuple[object, ...], Lift] = field(default_factory=dict)
    push_ups: dict[str, dict[str, float]] = field(default_factory=dict)


@dataclass(slots=True)
class Probe:
    """Limbs and solved lifts of one model, or of a limb with other numbers; each made once.

    Attributes
    ----------
    model : Model
    numbers : callable, optional
        ``numbers(sex)`` returns what takes the place of the model's numbers in every limb of a
        sex: those of a null limb, or of a drawn one. Fibres too long for their paths are shortened.
    frames : int
        Heights of a press.
    drives : dict
        Maximal lifts, kept.
    tasks : Tasks
        Several probes of the same model and frames share one.
    """

    model: Model
    numbers: Callable[[str], Numbers] | None = None
    frames: int = 21
    tasks: Tasks = field(default_factory=Tasks)
    drives: dict[tuple[object, ...], Any] = field(default_factory=dict)
    _limbs: dict[tuple[object, ...], Limb] = field(default_factory=dict)
    _presses: dict[tuple[Press, bool], LiftResult] = field(default_factory=dict)

    def limb(
        self,
        sex: str,
        scapula: str,
        body_mass: float = 0.0,
        stature: float = 0.0,
        training: float = 1.0,
    ) -> Limb:
        """Return a limb; mass [kg] and stature [m] of the average person where zero."""
        key = (sex, scapula, body_mass, stature, training)
        if key not in self._limbs:
            average = average_person(self.model, sex)
            person = Person(
                name=average.name,
                sex=average.sex,
                stature=stature or average.stature,
                body_mass=body_mass or average.body_mass,
                training_factor=training,
            )
            self._limbs[key] = _built(person, self.model, scapula, self.numbers)
        return self._limbs[key]

    def press(self, wanted: Press, *, greatest: bool = False) -> LiftResult:
        """Solve a press, with its greatest loads if asked.

        ``relative`` loads it with that fraction of its own greatest load.
        """
        for have in (True, False) if not greatest else (True,):
            if (wanted, have) in self._presses:
                return self._presses[wanted, have]
        self._presses[wanted, greatest] = self._solved(wanted, greatest)
        return self._presses[wanted, greatest]

    def contact(
        self, sex: str, scapula: str, angles: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Force of the glenoid on the arm held still without a load, upright.

        Returns
        -------
        compression, shear : float array, shape (postures,)
            Across and along the plane of the scapula's glenoid side [N].
        """
        limb = self.limb(sex, scapula)
        result = _held(limb, angles)
        posture = posture_from_angles(*np.radians(angles).T)
        rotation = np.broadcast_to(
            body_poses(limb.skeleton, posture).rotation["scapula"], (len(angles), 3, 3)
        )
        outward = rotation[..., :, 2]
        compression = np.einsum("fk,fk->f", result.contact, outward)
        shear = np.linalg.norm(result.contact - compression[:, None] * outward, axis=-1)
        return compression, shear

    def push_up_share(self, sex: str, scapula: str) -> dict[str, float]:
        """Fraction of body weight on both hands, chest ``down`` and arms straight (``up``)."""
        key = f"{sex} {scapula}"
        if key not in self.tasks.push_ups:
            self.tasks.push_ups[key] = static_push_up(self.limb(sex, scapula))
        return self.tasks.push_ups[key]

    def _solved(self, wanted: Press, greatest: bool) -> LiftResult:
        limb = self.limb(
            wanted.sex,
            wanted.scapula or self.model.default_scapula,
            wanted.body_mass,
            wanted.stature,
            wanted.training or self.model.number("volume_athlete_over_student"),
        )
        free = wanted.implement != "dumbbells"
        lateral = Lateral(
            mode=wanted.lateral if free else "zero",  # type: ignore[arg-type]
            ratio=wanted.ratio,
        )
        load = wanted.load
        if wanted.relative:
            whole = replace(wanted, relative=0.0)
            load = wanted.relative * weakest(self.press(whole, greatest=True))[0]
            if not load > 0.0:
                raise InputError("press: no load can be held, so no part of it can be pressed")
        ready = prepare(limb, self._lift(limb, wanted, load))
        return solve_lift(ready, lateral, greatest_load=greatest, glenoid=True)

    def _lift(self, limb: Limb, wanted: Press, load: float) -> Lift:
        """Lift of a press; its motion is solved once, for a kilogram, and reused for every load."""
        key = (
            limb.skeleton.person,
            wanted.scapula,
            wanted.exercise,
            wanted.implement,
            wanted.spacing,
            wanted.tuck,
            wanted.bench,
            self.frames,
        )
        if key not in self.tasks.lifts:
            exercise = _exercise(limb, wanted, self.frames)
            self.tasks.lifts[key] = exercise.lift(limb.skeleton)
        one = self.tasks.lifts[key]
        return replace(one, load_mass=load * one.load_mass)


def _exercise(limb: Limb, wanted: Press, frames: int) -> BenchPress | OverheadPress:
    width = Profile.constant(wanted.spacing * limb.skeleton.sizes.biacromial_breadth)
    if wanted.exercise == "overhead":
        return OverheadPress(
            load_mass=1.0,
            spacing=width,
            plane=Profile.constant(30 * _DEGREE),
            tilt=Profile.constant(0.0),
            implement="dumbbells" if wanted.implement == "dumbbells" else "bar",
            frames=frames,
        )
    return BenchPress(
        load_mass=1.0,
        spacing=width,
        tuck=None
        if wanted.tuck is None
        else Profile(((0.0, wanted.tuck * _DEGREE), (1.0, 82 * _DEGREE))),
        bench_angle=wanted.bench * _DEGREE,
        implement="dumbbells" if wanted.implement == "dumbbells" else "bar",
        frames=frames,
    )


def weakest(result: LiftResult) -> tuple[float, float]:
    """Greatest load through the whole lift [kg], and the fraction of the travel that limits it."""
    if result.greatest is None or np.all(np.isnan(result.greatest.factor)):
        return float("nan"), float("nan")
    k = int(np.nanargmin(result.greatest.factor))
    return float(result.greatest.factor[k]), float(result.prepared.lift.fraction[k])


def course(result: LiftResult, row: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fraction of the travel, and size of the gravity-only arm of the load in a row [m]."""
    arms = result.prepared.demand.gravity_arms[:, ROWS.index(row)]
    return result.prepared.lift.fraction, np.abs(arms)


def static_push_up(limb: Limb) -> dict[str, float]:
    """Fraction of body weight on both hands of a push-up held still.

    The hands are 1.4 biacromial breadths apart, on the level of the feet; the arms follow the
    course of the press, which is assumed.
    """
    skeleton = limb.skeleton
    move = PushUp(
        spacing=Profile.constant(1.4 * skeleton.sizes.biacromial_breadth),
        tuck=Profile(((0.0, 60 * _DEGREE), (1.0, 82 * _DEGREE))),
        tilt=Profile(((0.0, 7 * _DEGREE), (1.0, -6 * _DEGREE))),
    )
    down, up = ground_push_up(skeleton, move)
    return {
        "down": float(static_hand_share(skeleton, down)[0]),
        "up": float(static_hand_share(skeleton, up)[-1]),
    }


def _held(limb: Limb, angles: NDArray[np.float64]) -> LiftResult:
    """Solve the arm held still in some postures, upright, without a load."""
    lift = held_lift(limb.skeleton, posture_from_angles(*np.radians(angles).T))
    return solve_lift(prepare(limb, lift), Lateral(mode="zero"), greatest_load=False, glenoid=True)


def _built(
    person: Person, model: Model, scapula: str, numbers: Callable[[str], Numbers] | None
) -> Limb:
    if numbers is None:
        return build_limb(person, model, scapula=scapula)
    own = numbers(person.sex)
    limbs, faults = build_limbs([person], model, scapula=scapula, numbers=own, shorten=True)
    if faults:
        raise faults[0]
    return limbs.take(0)
