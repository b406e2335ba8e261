"""Run a study: every person, condition and treatment of the lateral force."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from momentshare.analysis import (
    Lateral,
    LiftResult,
    Prepared,
    prepare,
    solve_lift,
    with_greatest_loads,
)
from momentshare.errors import InputError, PostureError, StudyError, UnknownNameError
from momentshare.limb import Limb, build_limb
from momentshare.model import load_model
from momentshare.muscle.curves import CURVE_SETS
from momentshare.study.exercises import EXERCISES, Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from momentshare.exercise import Exercise
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.study.schema import ConditionEntry, PersonEntry, SettingsEntry, Study

__all__ = [
    "Case",
    "CaseSet",
    "Refusal",
    "StudyResult",
    "exercise_of",
    "lateral_of",
    "limb_of",
    "run_study",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One person in one condition, with an answer for each treatment of the lateral force.

    ``constrained`` holds the same answers with the contact force kept within the stability
    limits of the glenoid, where the settings ask for it.
    """

    person: str
    condition: str
    prepared: Prepared
    results: tuple[LiftResult, ...]
    constrained: tuple[LiftResult, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A person and condition without any reachable posture, and why."""

    person: str
    condition: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseSet:
    """Cases of one limb model, planned or measured; what the readings are made of."""

    model: Model
    cases: tuple[Case, ...]

    def pairs(self) -> Iterator[tuple[Case, LiftResult]]:
        """Every case with each of its results."""
        for case in self.cases:
            for result in case.results:
                yield case, result


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResult(CaseSet):
    """All cases of a study with what made them."""

    study: Study
    limbs: tuple[Limb, ...]
    refusals: tuple[Refusal, ...]


def limb_of(entry: PersonEntry, settings: SettingsEntry, model: Model) -> Limb:
    """Build the limb of a person of the study."""
    policy = settings.scapula or model.default_scapula
    shifted = {}
    for name, shift in settings.scapula_shift_deg.model_dump().items():
        key = f"scapula_{policy}_{name}"
        if shift and key in model.quantities:
            shifted[key] = model.number(key) + math.radians(shift)
    return build_limb(
        entry.person(),
        model,
        scapula=settings.scapula,
        strengths=[test.measured() for test in entry.strength],
        quantities=shifted,
        curves=settings.curves,
        elastic_tendon=settings.elastic_tendon,
        passive=settings.passive_force,
    )


def exercise_of(
    condition: ConditionEntry, entry: PersonEntry, person: Person, model: Model, frames: int
) -> Exercise:
    """Turn a condition into an exercise for a person, in SI."""
    setting = Setting(condition=condition, entry=entry, person=person, model=model, frames=frames)
    return EXERCISES[condition.exercise].build(setting)


def lateral_of(condition: ConditionEntry, modes: list[str]) -> tuple[Lateral, ...]:
    """Treatments of the lateral force that make sense for a condition.

    What cannot be pushed along, such as dumbbells, is always ``zero``. A bar without a given
    ratio has no ``measured``.
    """
    ratio = condition.lateral_ratio
    return treatments(
        modes,
        one_bar=EXERCISES[condition.exercise].lateral,
        measured=None if ratio is None else Lateral(mode="measured", ratio=ratio),
        bounds=condition.lateral_bounds,
    )


def treatments(
    modes: Sequence[str],
    *,
    one_bar: bool,
    measured: Lateral | None,
    bounds: tuple[float, float] | None,
) -> tuple[Lateral, ...]:
    """Treatments of the lateral force, in the order of ``modes``, as far as they make sense.

    Without anything that both hands can push along there is ``zero`` only; ``measured`` is left
    out where nothing was measured.
    """
    if not one_bar:
        return (Lateral(mode="zero"),)
    known = {
        "measured": measured,
        "zero": Lateral(mode="zero"),
        "free": Lateral(mode="free", bounds=bounds),
    }
    return tuple(found for mode in modes if (found := known[mode]) is not None)


def run_study(
    study: Study, *, progress: Callable[[int, int, str], None] | None = None
) -> StudyResult:
    """Run every person in every condition.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with the number done, the number of all cases, and what comes next.

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
    """
    file, settings = study.file, study.file.settings
    model = load_model(file.model)
    if settings.curves not in CURVE_SETS:
        raise StudyError(
            f"{study.source}: settings → curves: {settings.curves!r} is unknown; "
            f"known: {', '.join(CURVE_SETS)}"
        )
    if settings.scapula is not None and settings.scapula not in model.scapula_policies:
        raise UnknownNameError(
            "scapula policy",
            settings.scapula,
            model.scapula_policies,
            where=f"{study.source}: settings → scapula",
        )
    limbs: list[Limb] = []
    cases: list[Case] = []
    refusals: list[Refusal] = []
    total = len(file.person) * len(file.condition)
    for entry in file.person:
        try:
            limb = limb_of(entry, settings, model)
        except UnknownNameError:
            raise
        except InputError as err:
            field = "strength → moment_nm" if entry.strength else "sizes"
            raise StudyError(f"{study.source}: person {entry.name!r} → {field}: {err}") from err
        limbs.append(limb)
        for condition in file.condition:
            if progress is not None:
                progress(len(cases) + len(refusals), total, f"{entry.name}: {condition.name}")
            try:
                exercise = exercise_of(
                    condition, entry, limb.skeleton.person, model, settings.frames
                )
            except InputError as err:
                raise StudyError(f"{study.source}: condition {condition.name!r}: {err}") from err
            try:
                lift = exercise.lift(limb.skeleton)
            except PostureError as err:
                refusals.append(
                    Refusal(person=entry.name, condition=condition.name, reason=str(err))
                )
                continue
            prepared = prepare(limb, lift)
            treatments = lateral_of(condition, list(settings.lateral))
            criterion = settings.criterion()
            results = tuple(
                solve_lift(prepared, lateral, criterion, greatest_load=False)
                for lateral in treatments
            )
            constrained: tuple[LiftResult, ...] = ()
            if settings.glenoid_constraint:
                constrained = tuple(
                    solve_lift(prepared, lateral, criterion, greatest_load=False, glenoid=True)
                    for lateral in treatments
                )
            cases.append(
                Case(
                    person=entry.name,
                    condition=condition.name,
                    prepared=prepared,
                    results=results,
                    constrained=constrained,
                )
            )
    if progress is not None:
        progress(total, total, "")
    if not cases:
        reasons = [f"{r.person}, {r.condition}: {r.reason}" for r in refusals]
        raise PostureError(f"{study.source}: no condition can be performed:", reasons)
    return StudyResult(
        study=study,
        model=model,
        limbs=tuple(limbs),
        cases=_add_greatest_loads(cases),
        refusals=tuple(refusals),
    )


def _add_greatest_loads(cases: list[Case]) -> tuple[Case, ...]:
    """Find the greatest loads of all cases as one batch."""
    flat = iter(with_greatest_loads([r for case in cases for r in case.results]))
    return tuple(replace(case, results=tuple(next(flat) for _ in case.results)) for case in cases)
