"""Run a study: every person, condition and treatment of the lateral force."""

from __future__ import annotations

import math
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from momentshare.balance import APART, Lateral
from momentshare.errors import InputError, PostureError, StudyError, UnknownNameError
from momentshare.exercise import Profile
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.muscle.curves import CURVE_SETS
from momentshare.results import brief
from momentshare.runs import (
    CaseSet,
    LimbPlan,
    Setup,
    Task,
    begin_band,
    built_limbs,
    prepare_setup,
    solve_band,
    solve_setup,
)
from momentshare.runs.cases import LimbError, block_frames
from momentshare.study.exercises import EXERCISES, Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from momentshare.exercise import Exercise
    from momentshare.files import Shelf
    from momentshare.helpers import Helpers
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.runs import Band, Refusal
    from momentshare.study.schema import ConditionEntry, PersonEntry, SettingsEntry, Study

__all__ = [
    "PlannedStudy",
    "StudyResult",
    "check_settings",
    "condition_exercise",
    "condition_laterals",
    "limb_faults",
    "limb_plan",
    "nothing_to_solve",
    "person_limb",
    "plan_study",
    "run_study",
    "scapula_shift",
    "study_model",
    "treatments",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StudyResult(CaseSet):
    """All cases of a study with their inputs.

    Attributes
    ----------
    study : Study
    model : Model
    cases : tuple of Case
        Person × condition; ``case.results`` holds a :class:`~momentshare.LiftResult` for each
        treatment of the lateral force.
    limbs : tuple of Limb
        One per person.
    refusals : tuple of Refusal
        Cases out of reach, with the reason.
    band : Band or None
        What the posture rule and the couples of the hands change, if requested.
    shelf : Shelf or None
        Where the arrays of the cases are kept on disk, if they are not in memory.

    Examples
    --------
    >>> from momentshare import run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> result
    StudyResult('reference_limb', cases=2, refusals=0)
    >>> [(case.condition, answer.lateral.mode) for case, answer in result.pairs()]
    [('narrow', 'zero'), ('narrow', 'free'), ('wide', 'zero'), ('wide', 'free')]
    """

    study: Study
    band: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedStudy:
    """A study, or part of one, ready to be solved.

    Attributes
    ----------
    study : Study
    model : Model
    people, conditions : tuple
        Entries that were chosen.
    setup : Setup
    """

    study: Study
    model: Model
    people: tuple[PersonEntry, ...]
    conditions: tuple[ConditionEntry, ...]
    setup: Setup

    __repr__ = brief

    def solve(
        self,
        *,
        greatest_load: bool = True,
        band: bool = False,
        shelf: Shelf | None = None,
        helpers: Helpers | None = None,
        solved: Callable[[StudyResult], None] | None = None,
        progress: Callable[[int, int, str], None] | None = None,
    ) -> StudyResult:
        """Solve all cases; see :func:`momentshare.runs.solve_setup`.

        With ``band`` the variations of the posture rule are solved too
        (:func:`momentshare.runs.solve_band`), with ``helpers`` in other processes as well, which
        begin before anything is solved here; ``solved`` is called with the cases before it is
        finished.

        Raises
        ------
        PostureError
            No condition can be performed.
        StudyError
            A limb cannot be built from what the study says about a person.
        """
        with limb_faults(self.study.source, self.people):
            limbs = built_limbs(self.setup.limbs)
            prepared = prepare_setup(self.setup, limbs=limbs, frames=block_frames(shelf))
            begun = None
            if band:
                begun = begin_band(
                    self.setup, prepared.reach, limbs, greatest_load=greatest_load, helpers=helpers
                )
            found = solve_setup(
                self.setup,
                prepared=prepared,
                greatest_load=greatest_load,
                shelf=shelf,
                progress=progress,
            )
        if not found.cases:
            raise nothing_to_solve(self.study.source, found.refusals)
        result = StudyResult(
            study=self.study,
            model=found.model,
            cases=found.cases,
            limbs=found.limbs,
            refusals=found.refusals,
            shelf=shelf,
        )
        if solved is not None:
            solved(result)
        if not band:
            return result
        varied = solve_band(
            self.setup,
            result,
            limbs=limbs,
            greatest_load=greatest_load,
            begun=begun,
            progress=progress,
        )
        return replace(result, band=varied)

    def limbs(self) -> Limb:
        """Build the limbs of the people chosen."""
        with limb_faults(self.study.source, self.people):
            return built_limbs(self.setup.limbs)


def plan_study(
    study: Study,
    *,
    people: Sequence[str] = (),
    conditions: Sequence[str] = (),
    frames: int | None = None,
) -> PlannedStudy:
    """Turn a study into a setup, checking everything that can be checked before solving.

    Parameters
    ----------
    study : Study
    people, conditions : sequence of str
        Names to keep; all where none is named.
    frames : int, optional
        Frames along each lift, in place of those of the settings.

    Returns
    -------
    PlannedStudy
        ``setup`` holds everything to be solved, as for :func:`momentshare.effect_tables`;
        ``solve()`` solves it.

    Raises
    ------
    StudyError, UnknownNameError
        A name or value in the study does not fit the model; names file and field.

    Examples
    --------
    >>> from momentshare import plan_study
    >>> from momentshare.demo import small_study
    >>> planned = plan_study(small_study(), conditions=["wide"], frames=3)
    >>> [task.condition for task in planned.setup.tasks]
    ['wide']
    """
    file, settings = study.file, study.file.settings
    model = study_model(file.model, study.source)
    check_settings(settings, model, study.source)
    kept = study.only(people, conditions).file
    chosen, tasks = kept.person, kept.condition
    limbs = limb_plan(chosen, settings, model)
    found = []
    for row, entry in enumerate(chosen):
        for condition in tasks:
            try:
                exercise = condition_exercise(
                    condition, entry, limbs.people[row], model, frames or settings.frames
                )
            except InputError as err:
                raise StudyError(f"{study.source}: condition {condition.name!r}: {err}") from err
            found.append(
                Task(
                    person=entry.name,
                    condition=condition.name,
                    limb=row,
                    treatments=condition_laterals(condition, settings),
                    exercise=exercise,
                    exercise_for=_ForPerson(condition, entry, frames or settings.frames),
                )
            )
    return PlannedStudy(
        study=study,
        model=model,
        people=tuple(chosen),
        conditions=tuple(tasks),
        setup=Setup(
            limbs=limbs,
            tasks=tuple(found),
            criterion=settings.criterion(),
            glenoid=settings.glenoid_constraint,
        ),
    )


@dataclass(frozen=True, slots=True)
class _ForPerson:
    """Makes the exercise of a condition for a person of other sizes; can be sent to a process."""

    condition: ConditionEntry
    entry: PersonEntry
    frames: int

    def __call__(self, person: Person, model: Model) -> Exercise:
        return condition_exercise(self.condition, self.entry, person, model, self.frames)


def study_model(name: str, source: str) -> Model:
    """Load the model that a study names.

    Raises
    ------
    StudyError
        No model has that name, and no model is in a folder of that name.
    ModelError
        The model does not load; the message names its files.
    """
    try:
        return load_model(name)
    except UnknownNameError as err:
        raise StudyError(f"{source}: the study cannot be used:", [f"model: {err}"]) from err


def check_settings(settings: SettingsEntry, model: Model, source: str) -> None:
    """Raise ``UnknownNameError`` for a setting that names what the model does not have."""
    if settings.curves not in CURVE_SETS:
        raise UnknownNameError(
            "curve set", settings.curves, CURVE_SETS, f"{source}: settings → curves"
        )
    if settings.scapula is not None and settings.scapula not in model.scapula_policies:
        raise UnknownNameError(
            "scapula policy",
            settings.scapula,
            model.scapula_policies,
            f"{source}: settings → scapula",
        )


def limb_plan(people: Sequence[PersonEntry], settings: SettingsEntry, model: Model) -> LimbPlan:
    """How the limbs of people of a study are built."""
    return LimbPlan(
        people=tuple(entry.person() for entry in people),
        model=model,
        scapula=settings.scapula,
        strengths=tuple([test.measured() for test in entry.strength] for entry in people),
        numbers=Numbers(quantities=scapula_shift(settings, model)),
        options=settings.limb_options(),
    )


@contextmanager
def limb_faults(source: str, people: Sequence[PersonEntry]) -> Iterator[None]:
    """State which field of the study prevents a limb from being built."""
    try:
        yield
    except LimbError as err:
        if isinstance(err.reason, UnknownNameError):
            raise err.reason from err
        entry = people[err.row]
        field = "strength → moment_nm" if entry.strength else "sizes"
        raise StudyError(f"{source}: person {entry.name!r} → {field}: {err.reason}") from err.reason


def nothing_to_solve(source: str, refusals: Sequence[Refusal]) -> PostureError:
    """Return the error of a study in which no condition can be performed, with the reasons."""
    reasons = [f"{r.person}, {r.condition}: {r.reason}" for r in refusals]
    return PostureError(f"{source}: no condition can be performed:", reasons)


def person_limb(entry: PersonEntry, settings: SettingsEntry, model: Model) -> Limb:
    """Build the limb of a person of the study."""
    limbs, faults = limb_plan([entry], settings, model).build()
    for err in faults.values():
        raise err
    return limbs.take(0)


def scapula_shift(settings: SettingsEntry, model: Model) -> dict[str, float]:
    """Scapula angles that the settings shift from those of their policy [rad]."""
    policy = settings.scapula or model.default_scapula
    shifted = {}
    for name, shift in settings.scapula_shift_deg.model_dump().items():
        key = f"scapula_{policy}_{name}"
        if shift and key in model.quantities:
            shifted[key] = model.number(key) + math.radians(shift)
    return shifted


def condition_exercise(
    condition: ConditionEntry, entry: PersonEntry, person: Person, model: Model, frames: int
) -> Exercise:
    """Turn a condition into an exercise for a person, in SI."""
    setting = Setting(condition=condition, entry=entry, person=person, model=model, frames=frames)
    return EXERCISES[condition.exercise].build(setting)


def condition_laterals(condition: ConditionEntry, settings: SettingsEntry) -> tuple[Lateral, ...]:
    """Treatments of the lateral force that make sense for a condition.

    What cannot be pushed along, such as dumbbells, is always ``zero``. A bar without a given
    ratio has no ``measured``.
    """
    given = condition.lateral_ratio
    ratio = Profile(tuple(given)) if isinstance(given, list) else given
    return treatments(
        settings,
        one_bar=EXERCISES[condition.exercise].lateral,
        measured=None if ratio is None else Lateral(mode="measured", ratio=ratio),
        bounds=condition.lateral_bounds,
    )


def treatments(
    settings: SettingsEntry,
    *,
    one_bar: bool,
    measured: Lateral | None,
    bounds: tuple[float, float] | None,
) -> tuple[Lateral, ...]:
    """Treatments of the lateral force that make sense, in the order of the settings.

    Without anything that both hands can push along, there is only ``zero``; ``measured`` is left
    out where nothing was measured.
    """
    if not one_bar:
        return (APART,)
    known = {
        "measured": measured,
        "zero": Lateral(mode="zero"),
        "free": Lateral(mode="free", bounds=bounds),
    }
    return tuple(
        replace(found, couples=settings.hand_couples)
        for mode in settings.lateral
        if (found := known[mode]) is not None
    )


def run_study(
    study: Study,
    *,
    band: bool = True,
    progress: Callable[[int, int, str], None] | None = None,
) -> StudyResult:
    """Run every person in every condition.

    Parameters
    ----------
    study : Study
    band : bool
        Whether the result carries the band of the posture rule, some ten times as many lifts.
    progress : callable, optional
        Called after every block of lifts with the number of cases done, the total, and what is
        being done.

    Returns
    -------
    StudyResult
        Cases out of reach are refusals with a reason, never an exception.

    Raises
    ------
    PostureError
        No condition can be performed.
    StudyError
        A name or value in the study does not fit the model.

    Examples
    --------
    >>> from momentshare import run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> [case.condition for case in result.cases], result.refusals
    (['narrow', 'wide'], ())
    """
    return plan_study(study).solve(band=band, progress=progress)
