"""The exercises a study file can name, and how each is built from a condition.

To add one: write an exercise (any object with ``lift(skeleton)``), a builder for it, and an
entry in :data:`EXERCISES` that lists the fields its conditions must and may have.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import nearest_name
from momentshare.exercise import (
    BarPath,
    BenchPress,
    OverheadPress,
    Profile,
    PushUp,
    lying_elbow_extension,
    overhead_elbow_extension,
    straight_arm_pull_down,
)
from momentshare.person import sizes

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.exercise import Exercise
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.study.schema import ConditionEntry, PersonEntry, Varying

__all__ = ["EXERCISES", "ExerciseKind", "Setting", "condition_faults", "make_profile"]

GIRDLE = ("protraction", "shrug")
"""Additions of any lifter to the course of the girdle, fields in degrees."""

_DEGREE = float(np.pi / 180.0)
_LOADS = ("load_kg", "load_share", "load_per_body_mass")
_SPACINGS = ("spacing_biacromial", "spacing_cm")
_LATERAL = ("lateral_ratio", "lateral_bounds")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A condition together with the person it is built for."""

    condition: ConditionEntry
    entry: PersonEntry
    person: Person
    model: Model
    frames: int

    def load(self) -> float:
        """Whole load, both hands [kg]; zero if the condition gives none."""
        c = self.condition
        if c.load_kg is not None:
            return c.load_kg
        if c.load_per_body_mass is not None:
            return c.load_per_body_mass * self.entry.body_mass_kg
        return (c.load_share or 0.0) * (self.entry.reference_load_kg or 0.0)

    def spacing(self) -> Profile:
        """Distance between the grips [m]."""
        if self.condition.spacing_cm is not None:
            return make_profile(self.condition.spacing_cm, 0.01)
        breadth = sizes(self.person, self.model).biacromial_breadth
        return make_profile(self.condition.spacing_biacromial, breadth)

    def angle(self, name: str, default: float = 0.0) -> Profile:
        """Profile of an angle [rad] from a field in degrees."""
        value = getattr(self.condition, f"{name}_deg")
        return make_profile(default if value is None else value, _DEGREE)

    def girdle(self) -> dict[str, Any]:
        """Return what the lifter adds to the course of the girdle, if given."""
        return {
            name: self.angle(name)
            for name in GIRDLE
            if getattr(self.condition, f"{name}_deg") is not None
        }

    def common(self) -> dict[str, Any]:
        """Duration and frames, which every exercise accepts."""
        return {"duration": self.condition.duration_s, "frames": self.frames}

    def lockout(self) -> dict[str, Any]:
        """Elbow flexion at lock-out, if given."""
        value = self.condition.lockout_flexion_deg
        return {} if value is None else {"lockout_flexion": value * _DEGREE}


def make_profile(value: Varying, factor: float) -> Profile:
    """Profile of a field that may change along the lift, times a factor of its unit."""
    if isinstance(value, list):
        return Profile(tuple((f, v * factor) for f, v in value))
    return Profile.constant((value or 0.0) * factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExerciseKind:
    """One exercise of a study file.

    Parameters
    ----------
    build : callable
        From a :class:`Setting` to an exercise.
    require_choice : tuple of tuple of str
        Of each group exactly one field must be given.
    needs, may : tuple of str
        Fields that must and that may be given.
    lateral : bool
        Whether the hands can push along what they hold.
    sliding : bool
        Whether the hand spacing may change along the lift.
    """

    build: Callable[[Setting], Exercise]
    require_choice: tuple[tuple[str, ...], ...] = ()
    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    lateral: bool = False
    sliding: bool = False
    fields: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        own = (f"{name}_deg" for name in GIRDLE)
        known = {
            *self.needs,
            *self.may,
            *own,
            "duration_s",
            *(f for group in self.require_choice for f in group),
        }
        if self.lateral:
            known |= set(_LATERAL)
        object.__setattr__(self, "fields", frozenset(known))


def _sagittal(s: Setting) -> dict[str, Any]:
    """Tuck or bar path of a bench press."""
    if s.condition.tuck_deg is not None:
        return {"tuck": s.angle("tuck")}
    touch = s.condition.touch_point_cm
    return {
        "path": BarPath(
            touch=None if touch is None else touch / 100.0,
            lockout=(s.condition.lockout_over_shoulder_cm or 0.0) / 100.0,
        )
    }


def _bench(implement: str) -> Callable[[Setting], Exercise]:
    def build(s: Setting) -> Exercise:
        def metres(value: float | None) -> float | None:
            return None if value is None else value / 100.0

        return BenchPress(
            load_mass=s.load(),
            spacing=s.spacing(),
            tilt=s.angle("forearm_tilt"),
            **_sagittal(s),
            **s.girdle(),
            bench_angle=(s.condition.bench_angle_deg or 0.0) * _DEGREE,
            implement="bar" if implement == "bar" else "dumbbells",
            grip=s.condition.grip or "pronated",
            chest_height=metres(s.condition.chest_height_cm),
            lockout_height=metres(s.condition.lockout_height_cm),
            **s.common(),
            **s.lockout(),
        )

    return build


def _overhead(implement: str) -> Callable[[Setting], Exercise]:
    def build(s: Setting) -> Exercise:
        trunk = s.condition.trunk_angle_deg
        return OverheadPress(
            load_mass=s.load(),
            spacing=s.spacing(),
            plane=s.angle("plane", 45.0),
            tilt=s.angle("forearm_tilt"),
            **s.girdle(),
            trunk_angle=(90.0 if trunk is None else trunk) * _DEGREE,
            implement="bar" if implement == "bar" else "dumbbells",
            grip=s.condition.grip or "pronated",
            **s.common(),
            **s.lockout(),
        )

    return build


def _push_up(s: Setting) -> Exercise:
    share = s.condition.hand_share
    return PushUp(
        spacing=s.spacing(),
        tuck=s.angle("tuck"),
        tilt=s.angle("forearm_tilt"),
        **s.girdle(),
        hand_share=None if share is None else make_profile(share, 1.0),
        extra_mass=s.load(),
        body_angle=(s.condition.trunk_angle_deg or 0.0) * _DEGREE,
        **s.common(),
        **s.lockout(),
    )


def _guided(make: Callable[..., Exercise]) -> Callable[[Setting], Exercise]:
    names = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")

    def build(s: Setting) -> Exercise:
        changes: dict[str, Any] = s.common() | s.girdle()
        for name in names:
            if getattr(s.condition, f"{name}_deg") is not None:
                changes[name] = s.angle(name)
        if s.condition.given() & set(_SPACINGS):
            changes["spacing"] = s.spacing().values[0]
        if s.condition.trunk_angle_deg is not None:
            changes["trunk_angle"] = s.condition.trunk_angle_deg * _DEGREE
        if s.condition.cable_angle_deg is not None:
            up = s.condition.cable_angle_deg * _DEGREE
            changes["cable"] = (float(np.cos(up)), float(np.sin(up)), 0.0)
        return make(s.load(), **changes)

    return build


_PATH = ("touch_point_cm", "lockout_over_shoulder_cm")
_BENCH = (
    "tuck_deg",
    *_PATH,
    "forearm_tilt_deg",
    "bench_angle_deg",
    "grip",
    "chest_height_cm",
    "lockout_height_cm",
    "lockout_flexion_deg",
)
_GUIDED = (
    "plane_deg",
    "elevation_deg",
    "axial_deg",
    "elbow_flexion_deg",
    "forearm_rotation_deg",
    "trunk_angle_deg",
    *_SPACINGS,
)

EXERCISES: dict[str, ExerciseKind] = {
    "bar_press": ExerciseKind(
        build=_bench("bar"),
        require_choice=(_SPACINGS, _LOADS),
        may=_BENCH,
        lateral=True,
    ),
    "dumbbell_press": ExerciseKind(
        build=_bench("dumbbells"),
        require_choice=(_SPACINGS, _LOADS),
        may=_BENCH,
        sliding=True,
    ),
    "push_up": ExerciseKind(
        build=_push_up,
        require_choice=(_SPACINGS,),
        needs=("tuck_deg",),
        may=("forearm_tilt_deg", "hand_share", "trunk_angle_deg", "lockout_flexion_deg", *_LOADS),
        lateral=True,
    ),
    "overhead_press": ExerciseKind(
        build=_overhead("bar"),
        require_choice=(_SPACINGS, _LOADS),
        may=("plane_deg", "forearm_tilt_deg", "trunk_angle_deg", "grip", "lockout_flexion_deg"),
        lateral=True,
    ),
    "overhead_dumbbell_press": ExerciseKind(
        build=_overhead("dumbbells"),
        require_choice=(_SPACINGS, _LOADS),
        may=("plane_deg", "forearm_tilt_deg", "trunk_angle_deg", "grip", "lockout_flexion_deg"),
        sliding=True,
    ),
    "lying_elbow_extension": ExerciseKind(
        build=_guided(lying_elbow_extension), require_choice=(_LOADS,), may=_GUIDED, lateral=True
    ),
    "overhead_elbow_extension": ExerciseKind(
        build=_guided(overhead_elbow_extension), require_choice=(_LOADS,), may=_GUIDED, lateral=True
    ),
    "straight_arm_pull_down": ExerciseKind(
        build=_guided(straight_arm_pull_down),
        require_choice=(_LOADS,),
        may=(*_GUIDED, "cable_angle_deg"),
        lateral=True,
    ),
}
"""Every exercise a study file can name."""


def condition_faults(condition: ConditionEntry) -> list[str]:
    """Faults of a condition that depend on its exercise, one line each."""
    place = f"condition {condition.name!r}"
    if condition.exercise not in EXERCISES:
        hint = nearest_name(condition.exercise, EXERCISES)
        return [f"{place} → exercise: {condition.exercise!r} is unknown; {hint}"]
    kind, given = EXERCISES[condition.exercise], condition.given()
    faults = [
        f"{place} → {name}: is missing, {condition.exercise} needs it; add it"
        for name in kind.needs
        if name not in given
    ]
    for group in kind.require_choice:
        count = len(given & set(group))
        if count != 1:
            both = " and ".join(name for name in group if name in given)
            faults.append(
                f"{place}: {both} are given together; keep one of them"
                if both
                else f"{place}: {group[0]} is missing; give exactly one of {', '.join(group)}"
            )
    for name in sorted(given - kind.fields):
        if name in _LATERAL:
            faults.append(
                f"{place} → {name}: {condition.exercise} carries no lateral force; remove it"
            )
        else:
            faults.append(
                f"{place} → {name}: does not belong to {condition.exercise}; remove it or choose "
                f"among {', '.join(sorted(kind.fields))}"
            )
    if "tuck_deg" in given:
        faults.extend(
            f"{place} → {name}: tuck_deg is given too, which decides the bar path; remove one of "
            "them"
            for name in _PATH
            if name in given & kind.fields
        )
    for name in set(_SPACINGS) & given:
        value = getattr(condition, name)
        if isinstance(value, list) and len(value) > 1 and not kind.sliding:
            faults.append(f"{place} → {name}: the hands cannot slide here; give one hand spacing")
    for group, what in ((_LOADS, "the load"), (_SPACINGS, "the hand spacing")):
        if len(given & set(group)) > 1 and group not in kind.require_choice:
            faults.append(
                f"{place}: {what} is given more than once; keep one of {', '.join(group)}"
            )
    return faults
