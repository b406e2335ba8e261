"""All measured lifts of a cohort as one setup, for everything that is solved across trials.

Uncertainty and effects of modelling choices solve every lift many times over; each trial is read
and checked once for all of them. What does not enter the means of a cohort (trials that cannot be
used, failed checks or are switched off) does not enter here.
"""

from __future__ import annotations

import hashlib
from contextlib import closing
from dataclasses import dataclass, replace
from importlib import metadata
from typing import TYPE_CHECKING

from momentshare.balance import APART
from momentshare.cohort.best_lift import with_best_lifts
from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import processed_trial, trial_tasks
from momentshare.cohort.preflight import check_cohort, trial_tag
from momentshare.cohort.run import fault_of_trial
from momentshare.cohort.slopes import with_slopes
from momentshare.cohort.trials import file_digest
from momentshare.cohort.upper_arms import with_upper_arms
from momentshare.errors import MomentshareError, StudyError
from momentshare.model import load_model
from momentshare.processes import collect_answers
from momentshare.published import read_published
from momentshare.published.solve import given_moments
from momentshare.runs import CaseSet, Setup, Task, solve_setup
from momentshare.study.run import limb_plan, study_model
from momentshare.study.schema import check_names
from momentshare.trial.checks.verdict import failed_checks

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.cohort.schema import CohortStudy
    from momentshare.published import PublishedTable

__all__ = [
    "MeasuredLifts",
    "measured_lifts",
    "one_repetition",
    "published_lifts",
    "published_table",
    "repetition_setup",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredLifts:
    """Lifts of a cohort, from trials or from published tables, and what was left out.

    Attributes
    ----------
    setup : Setup
        Repetitions of a person and condition are numbered across all their trials.
    skipped : tuple of str
        Trials that are left out, and why.
    inputs : str
        Digest of everything they were made from: study entries, files, model, version.
    """

    setup: Setup
    skipped: tuple[str, ...]
    inputs: str


def measured_lifts(
    study: CohortStudy,
    *,
    frames: int | None = None,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> MeasuredLifts:
    """Read and check all trials of a cohort.

    Parameters
    ----------
    study : CohortStudy
    frames : int, optional
        Frames of a repetition, in place of those of the settings.
    workers : int, optional
        Processes; by default one per core.
    progress : callable, optional
        Called with the number of trials done, of all, and what was done last.

    Raises
    ------
    StudyError
        No trial can be used.
    """
    model = study_model(study.file.model, study.source)
    check_cohort(study, model)
    study = with_upper_arms(with_slopes(study, workers=workers), workers=workers)
    study, _ = with_best_lifts(study, workers=workers)
    numbers = [n for n in study.numbers if study.file.trial[n - 1].use]
    found: dict[int, tuple[Task, ...] | str] = {}
    to_read = [(number, (study, number, frames)) for number in numbers]
    with closing(collect_answers(read_tasks, to_read, workers)) as answers:
        for number, answer in answers:
            found[number] = "the process that read it died" if answer is None else answer
            if progress is not None:
                progress(len(found), len(numbers), study.file.trial[number - 1].file)
    skipped = [
        f"{study.file.trial[n - 1].file}: {why}"
        for n in numbers
        if isinstance(why := found[n], str)
    ]
    tasks = [task for n in numbers if not isinstance(lifts := found[n], str) for task in lifts]
    if not tasks:
        raise StudyError(f"{study.source}: no trial can be used:", skipped)
    settings = study.file.settings
    with_lifts = {task.person for task in tasks}
    people = [p for p in study.file.person if p.name in with_lifts]
    tags = " ".join(trial_tag(study, n, model) for n in numbers)
    return MeasuredLifts(
        setup=Setup(
            limbs=cohort_limbs(study, [p.name for p in people], model),
            tasks=_in_order(
                tasks, [p.name for p in people], [c.name for c in study.file.condition]
            ),
            criterion=settings.criterion(),
            glenoid=settings.glenoid_constraint,
        ),
        skipped=tuple(skipped),
        inputs=hashlib.sha256(tags.encode()).hexdigest()[:16],
    )


def one_repetition(study: CohortStudy, number: int, *, frames: int | None = None) -> CaseSet:
    """Solve one repetition of every person and condition of a cohort.

    Parameters and errors are those of :func:`repetition_setup`.
    """
    setup = repetition_setup(study, number, frames=frames)
    return solve_setup(setup, greatest_load=False)


def repetition_setup(
    study: CohortStudy, number: int, *, frames: int | None = None, workers: int | None = None
) -> Setup:
    """Take one repetition of every person and condition of a cohort, before it is solved.

    Parameters
    ----------
    study : CohortStudy
    number : int
        Counted from 1 across all trials of a person and condition that count.
    frames, workers : int, optional
        As for :func:`measured_lifts`.

    Raises
    ------
    StudyError
        No trial can be used, or nobody has so many repetitions.
    """
    setup = measured_lifts(study, frames=frames, workers=workers).setup
    tasks = tuple(task for task in setup.tasks if task.repetition == number)
    if not tasks:
        most = max(task.repetition for task in setup.tasks)
        raise StudyError(
            f"{study.source}: --repetition: must be between 1 and {most}; got {number}"
        )
    return replace(setup, tasks=tasks)


def published_lifts(study: CohortStudy, conditions: Sequence[str] = ()) -> MeasuredLifts:
    """Turn the published tables of a cohort into lifts; the lines of a condition are its points.

    Parameters
    ----------
    study : CohortStudy
    conditions : sequence of str
        Names of the tables to keep; all where none is named.

    Raises
    ------
    StudyError
        There is no table; a setting that does not apply to tables; a condition that two tables of a
        person share.
    InputError
        A table cannot be read.
    """
    file, model = study.file, study_model(study.file.model, study.source)
    check_cohort(study, model)
    if not file.published:
        raise StudyError(f"{study.source}: published: there is none; add a [[published]]")
    if file.settings.glenoid_constraint and "glenoid_constraint" in file.settings.model_fields_set:
        raise StudyError(
            f"{study.source}: settings → glenoid_constraint: true: a published table does not "
            "state the force across the joint; remove it"
        )
    names = dict.fromkeys(entry.person for entry in file.published)
    limbs = limb_plan([study.person(name) for name in names], file.settings, model)
    built, faults = limbs.build()
    for err in faults.values():
        raise err
    rows = {name: row for row, name in enumerate(names)}
    tasks: dict[tuple[str, str], Task] = {}
    for entry in file.published:
        limb = built.take(rows[entry.person])
        table = published_table(study, entry.file)
        for condition in dict.fromkeys(line.condition for line in table.lines):
            if (entry.person, condition) in tasks:
                raise StudyError(
                    f"{study.source}: published: two tables give {condition!r} for "
                    f"{entry.person!r}; keep one, or apply the other to another person"
                )
            lines = [line for line in table.lines if line.condition == condition]
            given = given_moments(lines, limb, spread=entry.spread)
            tasks[entry.person, condition] = Task(
                person=entry.person,
                condition=condition,
                limb=rows[entry.person],
                treatments=(APART,),
                lift=given.lift(limb.skeleton),
                given=given,
            )
    check_names("condition", conditions, dict.fromkeys(c for _, c in tasks), study.source)
    chosen = [t for t in tasks.values() if not conditions or t.condition in conditions]
    parts = [
        model.digest,
        metadata.version("momentshare"),
        *(file_digest(study.path(entry.file)) for entry in file.published),
    ]
    return MeasuredLifts(
        setup=Setup(limbs=limbs, tasks=tuple(chosen), criterion=file.settings.criterion()),
        skipped=(),
        inputs=hashlib.sha256(" ".join(parts).encode()).hexdigest()[:16],
    )


def published_table(study: CohortStudy, name: str) -> PublishedTable:
    """Read a published table of a study, with codes for people if the study asks for them."""
    coded = study.pseudonyms
    with coded.in_faults():
        table = read_published(study.path(name))
    if not coded:
        return table
    lines = tuple(
        replace(
            line,
            condition=coded.text(line.condition),
            point=coded.text(line.point),
            source=coded.text(line.source),
            note=coded.text(line.note),
        )
        for line in table.lines
    )
    return replace(table, source=coded.file(table.source), lines=lines)


def _in_order(tasks: Sequence[Task], people: list[str], conditions: list[str]) -> tuple[Task, ...]:
    """Sort by person and condition as in the study, numbering limbs and repetitions throughout."""
    ordered = sorted(
        tasks, key=lambda task: (people.index(task.person), conditions.index(task.condition))
    )
    count: dict[tuple[str, str], int] = {}
    out = []
    for task in ordered:
        key = (task.person, task.condition)
        count[key] = count.get(key, 0) + 1
        out.append(replace(task, limb=people.index(task.person), repetition=count[key]))
    return tuple(out)


def read_tasks(study: CohortStudy, number: int, frames: int | None) -> tuple[Task, ...] | str:
    """Tasks of a trial, or why it is left out. Runs in any process."""
    entry = study.file.trial[number - 1]
    model = load_model(study.file.model)
    try:
        limbs, faults = cohort_limbs(study, [entry.person], model).build()
        if faults:
            return str(faults[0])
        trial, _ = processed_trial(study, number, limbs.take(0), frames=frames)
        tasks = trial_tasks(study, number, trial)
    except MomentshareError as err:
        return fault_of_trial(study, number, str(err))
    out = study.file.processing.excluding(failed_checks(trial.checks))
    return f"left out, failed checks: {', '.join(out)}" if out else tasks
