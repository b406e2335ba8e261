"""Variations: one named thing changed, everything solved again.

A :class:`Variation` says what it changes at each step: how limbs are built, the exercise or lift,
the treatment of the lateral force, the criterion, the balance of moments. The same variations
serve planned presses, measured trials and published tables; one that cannot act on a setup, such
as another tempo on a measured lift, is not listed for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from momentshare.exercise import Profile
from momentshare.exercise.lift import with_girdle
from momentshare.girdle import added_to
from momentshare.model.numbers import Numbers
from momentshare.runs.cases import (
    CaseSet,
    LimbPlan,
    PreparedSetup,
    Setup,
    Task,
    prepare_setup,
    solve_setup,
)
from momentshare.skeleton import build_skeletons

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.balance import Balance, Criterion, Lateral
    from momentshare.exercise import Exercise, Lift
    from momentshare.girdle import Girdle
    from momentshare.limb import LimbOptions

__all__ = [
    "Variation",
    "bound_couples",
    "freed_couples",
    "held_glenoid",
    "longer_arms",
    "moved_girdle",
    "other_criterion",
    "other_muscles",
    "other_options",
    "other_tempo",
    "shifted_ratio",
    "solve_variations",
    "stronger",
    "turned_scapula",
]

_T = TypeVar("_T")


def _same(value: _T) -> _T:
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """One thing changed; each function returns its argument unchanged if it changes nothing.

    Parameters
    ----------
    name : str
        Name in tables and figures.
    limbs : callable
        Change of how limbs are built.
    exercise : callable
        Change of a planned exercise; a measured lift has none.
    lift : callable
        Change of a measured lift, given the girdle of its limb.
    lateral : callable
        Change of a treatment of the lateral force.
    criterion : callable
    balance : callable
        Change of the balance of moments of every frame.
    glenoid : bool, optional
        Whether the limits of the glenoid are kept; None leaves it as it is.
    """

    name: str
    limbs: Callable[[LimbPlan], LimbPlan] = _same
    exercise: Callable[[Exercise], Exercise] = _same
    lift: Callable[[Lift, Girdle], Lift] | None = None
    lateral: Callable[[Lateral], Lateral] = _same
    criterion: Callable[[Criterion], Criterion] = _same
    balance: Callable[[Balance], Balance] | None = None
    glenoid: bool | None = None

    def applied(self, setup: Setup) -> Setup:
        """Return the setup with the change; the same object if nothing changes.

        Treatments of the lateral force that the change does not affect are left out if nothing else
        changes, since their answers would be the same.
        """
        limbs, criterion = self.limbs(setup.limbs), self.criterion(setup.criterion)
        glenoid = setup.glenoid if self.glenoid is None else self.glenoid
        whole = (
            limbs is not setup.limbs
            or criterion != setup.criterion
            or self.balance is not None
            or glenoid != setup.glenoid
        )
        tasks = []
        lifts = self._lifts(setup)
        for task, lift in zip(setup.tasks, lifts, strict=True):
            exercise = None if task.exercise is None else self.exercise(task.exercise)
            moved = whole or exercise is not task.exercise or lift is not task.lift
            treatments = tuple(
                changed
                for lateral in task.treatments
                if (changed := self.lateral(lateral)) is not lateral or moved
            )
            if treatments:
                tasks.append(replace(task, exercise=exercise, lift=lift, treatments=treatments))
        if not whole and not any(_differs(a, b) for a, b in _pairs(tasks, setup)):
            return setup
        balance = self.balance if self.balance is not None else setup.balance
        return replace(
            setup, limbs=limbs, criterion=criterion, tasks=tuple(tasks), balance=balance,
            glenoid=glenoid,
        )  # fmt: skip

    def _lifts(self, setup: Setup) -> list[Lift | None]:
        """Measured lifts of all tasks, changed where the variation changes them."""
        if self.lift is None or all(task.lift is None for task in setup.tasks):
            return [task.lift for task in setup.tasks]
        plan, change = setup.limbs, self.lift
        bones = build_skeletons(plan.people, plan.model, scapula=plan.scapula, numbers=plan.numbers)
        return [
            None if task.lift is None else change(task.lift, bones.take(task.limb).girdle)
            for task in setup.tasks
        ]


def _pairs(tasks: Sequence[Task], setup: Setup) -> list[tuple[Task, Task]]:
    known = {task.key: task for task in setup.tasks}
    return [(task, known[task.key]) for task in tasks]


def _shares_limbs_and_lifts(changed: Setup, setup: Setup) -> bool:
    """Whether what was prepared for a setup can be reused for a changed one."""
    return changed.limbs is setup.limbs and all(
        a.exercise is b.exercise and a.lift is b.lift for a, b in _pairs(changed.tasks, setup)
    )


def _differs(a: Task, b: Task) -> bool:
    same = a.exercise is b.exercise and a.lift is b.lift
    return not same or a.treatments != b.treatments


def solve_variations(
    setup: Setup,
    variations: Sequence[Variation],
    *,
    greatest_load: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> list[tuple[Variation, CaseSet]]:
    """Solve a setup under each variation that changes something in it.

    Parameters
    ----------
    setup : Setup
    variations : sequence of Variation
    greatest_load : bool
    progress : callable, optional
        Called with the number done, the total, and what comes next.
    """
    out = []
    kept: PreparedSetup | None = None
    for done, variation in enumerate(variations):
        if progress is not None:
            progress(done, len(variations), variation.name)
        changed = variation.applied(setup)
        if changed is setup:
            continue
        same = _shares_limbs_and_lifts(changed, setup)
        if same and kept is None:
            first = prepare_setup(setup)
            kept = replace(first, blocks=tuple(first.blocks))
        found = solve_setup(
            changed,
            prepared=kept if same else None,
            greatest_load=greatest_load,
            compared=False,
        )
        out.append((variation, found))
    if progress is not None:
        progress(len(variations), len(variations), "")
    return out


def _numbers(plan: LimbPlan, **quantities: Any) -> LimbPlan:
    """Limb plan with changed quantities of the model."""
    kept = {item.name: getattr(plan.numbers, item.name) for item in fields(Numbers)}
    kept["quantities"] = {**plan.numbers.quantities, **quantities}
    return replace(plan, numbers=Numbers(**kept))


def other_options(name: str, **options: Any) -> Variation:
    """Other options of capacity: ``curves``, ``elastic_tendon`` or ``passive``."""

    def change(plan: LimbPlan) -> LimbPlan:
        changed: LimbOptions = replace(plan.options, **options)
        return plan if changed == plan.options else replace(plan, options=changed)

    return Variation(name=name, limbs=change)


def other_muscles(name: str, numbers: Numbers) -> Variation:
    """Other attachments and numbers of the heads; the other numbers of the limbs stay."""

    def change(plan: LimbPlan) -> LimbPlan:
        own = replace(plan.numbers, offsets=numbers.offsets, head_factors=numbers.head_factors)
        return replace(plan, numbers=own, shorten=True)

    return Variation(name=name, limbs=change)


def turned_scapula(name: str, angle: str, degrees: float) -> Variation:
    """Rotate the scapula from its place; the arm stays where it was.

    ``angle`` is ``internal``, ``upward`` or ``anterior_tilt``.
    """

    def change(plan: LimbPlan) -> LimbPlan:
        key = f"scapula_{plan.scapula or plan.model.default_scapula}_{angle}"
        now = plan.numbers.quantity(plan.model, key)
        return _numbers(plan, **{key: now + math.radians(degrees)})

    return Variation(name=name, limbs=change)


def moved_girdle(name: str, setup: Setup, protraction: float | None) -> Variation:
    """Change what lifters add to the course of the girdle; the arm keeps its exercise or posture.

    Parameters
    ----------
    name : str
    setup : Setup
        Setup to be varied; its model defines what a press adds where a plan leaves that open.
    protraction : float or None
        Added to the existing protraction [rad]; None removes everything that lifters add.
    """
    plan = setup.limbs
    habit = tuple(
        (at, float(np.asarray(plan.numbers.quantity(plan.model, f"press_protraction_{end}"))))
        for at, end in ((0.0, "chest"), (1.0, "lockout"))
    )

    def change(exercise: Any) -> Any:
        if not hasattr(exercise, "protraction"):
            return exercise
        points = habit if exercise.protraction is None else exercise.protraction.points
        if protraction is not None:
            added = {"protraction": Profile(tuple((f, v + protraction) for f, v in points))}
        elif any(v for _, v in (*points, *exercise.shrug.points)):
            added = dict.fromkeys(("protraction", "shrug"), Profile.constant(0.0))
        else:
            return exercise
        return replace(exercise, **added)

    def moved(lift: Lift, girdle: Girdle) -> Lift:
        if protraction is not None:
            return with_girdle(lift, girdle, added_to(lift.posture, protraction=protraction))
        own = lift.posture.girdle
        rests = own is None or not np.any(own)
        return lift if rests else with_girdle(lift, girdle, np.zeros_like(own))

    return Variation(name=name, exercise=change, lift=moved)


def stronger(name: str, group: str, factor: float) -> Variation:
    """Change active and passive force of a strength group's heads by a factor."""

    def change(balance: Balance) -> Balance:
        scale = np.where(np.array(balance.groups) == group, factor, 1.0)
        return replace(balance, capacity=balance.capacity * scale, passive=balance.passive * scale)

    return Variation(name=name, balance=change)


def longer_arms(name: str, group: str, factor: float) -> Variation:
    """Change the moment arms of a group's heads by a factor, lengths and speeds kept."""

    def change(balance: Balance) -> Balance:
        scale = np.where(np.array(balance.groups) == group, factor, 1.0)
        return replace(balance, arms=balance.arms * scale)

    return Variation(name=name, balance=change)


def shifted_ratio(name: str, by: float) -> Variation:
    """Shift a measured lateral ratio; other treatments do not change."""

    def change(given: Lateral) -> Lateral:
        if given.mode != "measured":
            return given
        return given.shifted(by)

    return Variation(name=name, lateral=change)


def freed_couples() -> Variation:
    """Let the optimiser choose the couples of the hands on a bar, within what a hand can hold."""

    def change(given: Lateral) -> Lateral:
        return replace(given, couples="free") if given.couples == "zero" else given

    return Variation(name="couples of the hands", lateral=change)


def bound_couples() -> Variation:
    """Remove free couples of the hands."""

    def change(given: Lateral) -> Lateral:
        return replace(given, couples="zero") if given.free_couples else given

    return Variation(name="no couples of the hands", lateral=change)


def other_criterion(name: str, **changes: Any) -> Variation:
    """Another exponent or other weights."""
    return Variation(name=name, criterion=lambda given: replace(given, **changes))


def held_glenoid(name: str, held: bool) -> Variation:
    """Keep the contact force within the stability limits of the glenoid, or no longer."""
    return Variation(name=name, glenoid=held)


def other_tempo(name: str, duration: float | None) -> Variation:
    """Give planned exercises another duration [s], or none for a quasi-static lift."""

    def change(exercise: Exercise) -> Exercise:
        if getattr(exercise, "duration", None) == duration:
            return exercise
        return replace(exercise, duration=duration)  # type: ignore[type-var]

    return Variation(name=name, exercise=change)
