"""Run a study: every person, condition and treatment of the lateral force."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.balance import Lateral
from momentshare.errors import InputError, PostureError, StudyError, UnknownNameError
from momentshare.limb import Limb, build_limb, build_limbs
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.muscle.curves import CURVE_SETS
from momentshare.runs import blocks_of
from momentshare.study.exercises import EXERCISES, Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from momentshare.analysis import LiftResult, Prepared
    from momentshare.exercise import Exercise, Lift
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
    "scapula_shift",
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
    return build_limb(
        entry.person(),
        model,
        scapula=settings.scapula,
        strengths=[test.measured() for test in entry.strength],
        numbers=Numbers(quantities=scapula_shift(settings, model)),
        options=settings.limb_options(),
    )


def scapula_shift(settings: SettingsEntry, model: Model) -> dict[str, float]:
    """Scapula angles that the settings shift from those of their policy [rad]."""
    policy = settings.scapula or model.default_scapula
    shifted = {}
    for name, shift in settings.scapula_shift_deg.model_dump().items():
        key = f"scapula_{policy}_{name}"
        if shift and key in model.quantities:
            shifted[key] = model.number(key) + math.radians(shift)
    return shifted


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
    limbs = _limbs(study, model)
    inputs: list[tuple[PersonEntry, ConditionEntry, int, Lift]] = []
    refusals: list[Refusal] = []
    total = len(file.person) * len(file.condition)
    for row, entry in enumerate(file.person):
        skeleton = limbs.skeleton.take(row)
        for condition in file.condition:
            if progress is not None:
                progress(len(inputs) + len(refusals), total, f"{entry.name}: {condition.name}")
            try:
                exercise = exercise_of(condition, entry, skeleton.person, model, settings.frames)
            except InputError as err:
                raise StudyError(f"{study.source}: condition {condition.name!r}: {err}") from err
            try:
                lift = exercise.lift(skeleton)
            except PostureError as err:
                refusals.append(
                    Refusal(person=entry.name, condition=condition.name, reason=str(err))
                )
                continue
            inputs.append((entry, condition, row, lift))
    if not inputs:
        reasons = [f"{r.person}, {r.condition}: {r.reason}" for r in refusals]
        raise PostureError(f"{study.source}: no condition can be performed:", reasons)
    cases = _solved(limbs, inputs, settings)
    if progress is not None:
        progress(total, total, "")
    return StudyResult(
        study=study,
        model=model,
        limbs=tuple(limbs.take(row) for row in range(len(file.person))),
        cases=tuple(cases),
        refusals=tuple(refusals),
    )


def _limbs(study: Study, model: Model) -> Limb:
    """Limbs of all people of a study."""
    file, settings = study.file, study.file.settings
    limbs, faults = build_limbs(
        [entry.person() for entry in file.person],
        model,
        scapula=settings.scapula,
        strengths=[[test.measured() for test in entry.strength] for entry in file.person],
        numbers=Numbers(quantities=scapula_shift(settings, model)),
        options=settings.limb_options(),
    )
    for row, err in faults.items():
        if isinstance(err, UnknownNameError):
            raise err
        entry = file.person[row]
        field = "strength → moment_nm" if entry.strength else "sizes"
        raise StudyError(f"{study.source}: person {entry.name!r} → {field}: {err}") from err
    return limbs


def _solved(
    limbs: Limb,
    inputs: Sequence[tuple[PersonEntry, ConditionEntry, int, Lift]],
    settings: SettingsEntry,
) -> list[Case]:
    """Solve all lifts in blocks; cases in the order of the inputs."""
    criterion = settings.criterion()
    found: dict[int, Case] = {}
    for block in blocks_of(limbs, [lift for *_, lift in inputs], [row for _, _, row, _ in inputs]):
        wanted = [
            (k, lateral)
            for k, number in enumerate(block.numbers)
            for lateral in lateral_of(inputs[number][1], list(settings.lateral))
        ]
        free = block.results(wanted, criterion)
        held = (
            block.results(wanted, criterion, greatest_load=False, glenoid=True)
            if settings.glenoid_constraint
            else []
        )
        for k, number in enumerate(block.numbers):
            entry, condition, _, _ = inputs[number]
            mine = [at for at, (place, _) in enumerate(wanted) if place == k]
            found[number] = Case(
                person=entry.name,
                condition=condition.name,
                prepared=free[mine[0]].prepared,
                results=tuple(free[at] for at in mine),
                constrained=tuple(held[at] for at in mine) if held else (),
            )
    return [found[number] for number in sorted(found)]
