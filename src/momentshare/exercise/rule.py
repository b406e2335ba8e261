"""The posture rule of a planned exercise: what it assumes, and how far that may be off.

A plan says where hands and elbows go; no measurements by hand spacing were found. Each rule here
moves one such assumption to either side by an amount by which two careful people could differ
(assumed; the girdle's is what the clavicle reaches from rest, 10 degrees forward and 9 back in
cadavers, abstract read).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.exercise.guided import GuidedArm
from momentshare.exercise.overhead import OverheadPress
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.exercise.pushup import PushUp

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from momentshare.exercise.lift import Exercise
    from momentshare.model.schema import Number

__all__ = ["SIGNS", "Rule", "posture_rules", "ruled"]

TUCK = float(np.radians(10.0))
"""Of tuck, plane and elevation of the upper arm [rad]."""

TILT = float(np.radians(5.0))
"""Of the forearm out of the vertical [rad]."""

TOUCH, LOCKOUT = 0.04, 0.03
"""Of the touch point, and of the place of the bar at lock-out [m]."""

GIRDLE = float(np.radians(10.0))
"""Of the protraction that the lifter adds [rad]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One thing that a posture rule decides.

    Parameters
    ----------
    name : str
        With its amount, as in sentences.
    moved : callable
        Exercise moved by plus or minus one amount.
    """

    name: str
    moved: Callable[[Any, float], Any]


def _signs(rules: int) -> tuple[tuple[int, ...], ...]:
    """Edges and corners: one thing moved to either side, and all at once in every combination."""
    edges = [
        tuple(sign if k == rule else 0 for k in range(rules))
        for rule in range(rules)
        for sign in (1, -1)
    ]
    corners = list(product((1, -1), repeat=rules)) if rules > 1 else []
    return (*edges, *corners)


SIGNS = {rules: _signs(rules) for rules in range(5)}
"""Number of rules → the combinations in which they are moved."""


def posture_rules(
    exercise: Exercise, quantities: Mapping[str, Number] | None = None
) -> tuple[Rule, ...]:
    """Rules of an exercise; none for an unknown one.

    Parameters
    ----------
    exercise : Exercise
    quantities : mapping, optional
        Quantities of the model, for what the exercise leaves to it.
    """
    found: tuple[Rule, ...] = ()
    if isinstance(exercise, BenchPress):
        if exercise.tuck is None:
            found = (
                Rule(name=f"touch point ±{100 * TOUCH:g} cm", moved=_touch),
                Rule(name=f"bar at lock-out ±{100 * LOCKOUT:g} cm", moved=_lockout),
            )
        else:
            found = (_angle("tuck", TUCK), _angle("tilt", TILT, "forearm tilt"))
    elif isinstance(exercise, PushUp):
        found = (_angle("tuck", TUCK), _angle("tilt", TILT, "forearm tilt"))
    elif isinstance(exercise, OverheadPress):
        found = (_angle("plane", TUCK, "plane of elevation"), _angle("tilt", TILT, "forearm tilt"))
    elif isinstance(exercise, GuidedArm):
        found = (_angle("plane", TUCK, "plane of elevation"), _angle("elevation", TUCK))
    girdle = _girdle(exercise, quantities or {})
    return found if girdle is None else (*found, girdle)


def ruled(exercise: Exercise, rules: tuple[Rule, ...], signs: tuple[int, ...]) -> Exercise:
    """Return the exercise with its rules moved."""
    for rule, sign in zip(rules, signs, strict=True):
        if sign:
            exercise = rule.moved(exercise, float(sign))
    return exercise


def _shifted(profile: Profile, by: float) -> Profile:
    return Profile(tuple((f, v + by) for f, v in profile.points))


def _angle(field: str, amount: float, name: str = "") -> Rule:
    def moved(exercise: Any, sign: float) -> Any:
        return replace(exercise, **{field: _shifted(getattr(exercise, field), sign * amount)})

    return Rule(name=f"{name or field} ±{np.degrees(amount):.0f}°", moved=moved)


def _touch(press: BenchPress, sign: float) -> BenchPress:
    way = press.way
    return replace(press, path=replace(way, touch_shift=way.touch_shift + sign * TOUCH))


def _lockout(press: BenchPress, sign: float) -> BenchPress:
    way = press.way
    return replace(press, path=replace(way, lockout=way.lockout + sign * LOCKOUT))


def _girdle(exercise: Any, quantities: Mapping[str, Number]) -> Rule | None:
    """Protraction that the lifter adds, if the exercise has any."""
    ends = [quantities.get(f"press_protraction_{end}") for end in ("chest", "lockout")]
    own = getattr(exercise, "protraction", None)
    if own is None and hasattr(exercise, "protraction") and None not in ends:
        own = Profile(tuple((float(k), n.value) for k, n in enumerate(ends) if n is not None))
    if not isinstance(own, Profile):
        return None
    base = own

    def moved(one: Any, sign: float) -> Any:
        return replace(one, protraction=_shifted(base, sign * GIRDLE))

    return Rule(name=f"protraction of the girdle ±{np.degrees(GIRDLE):.0f}°", moved=moved)
