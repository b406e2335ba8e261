"""Sternums of a cohort: what each person's slope is likely to be, beside those of the others."""

from __future__ import annotations

import math
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import static_calibration, trial_processing, trial_recording
from momentshare.errors import MomentshareError, ProcessError
from momentshare.model import load_model
from momentshare.processes import collect_answers
from momentshare.trial.motion.girdle import OVERHEAD
from momentshare.trial.motion.slopes import Lying, estimate_slopes, sternum_lying
from momentshare.trial.motion.ways import chosen_way
from momentshare.trial.recording import TRUNK_LANDMARKS

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.cohort.schema import CohortStudy, TrialEntry

__all__ = ["person_lying", "with_slopes"]


def with_slopes(
    study: CohortStudy,
    *,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> CohortStudy:
    """Read how every sternum lies and return the study with the likely slope of each.

    All used trials on a bench count, of people left out of the run too, so the answer to a trial
    does not depend on which others are run. Nothing is read where every layout shows C7 and T8, or
    where the study asks for the assumed slope.

    Parameters
    ----------
    study : CohortStudy
    workers : int, optional
        Processes; by default one per core.
    progress : callable, optional
        Called with the number of people done, of all, and who was done last.

    Raises
    ------
    ProcessError
        A process died; without its person the answers of all others would be different ones.
    """
    people = list(dict.fromkeys(t.person for t in study.file.trial if _lies(study, t)))
    if study.file.processing.sternum_slope == "assumed" or len(people) < 2:
        return replace(study, slopes={})
    bare = replace(study, slopes={}, upper_arms={})
    found: dict[int, tuple[tuple[Lying, ...], float | None]] = {}
    tasks = [(k, (bare, name)) for k, name in enumerate(people)]
    with closing(collect_answers(person_lying, tasks, workers)) as answers:
        for done, (k, answer) in enumerate(answers, start=1):
            if answer is None:
                raise ProcessError(
                    f"{people[k]}: the process that read how the sternum lies died, perhaps for "
                    "lack of memory; run again, with fewer --workers"
                )
            found[k] = answer
            if progress is not None:
                progress(done, len(people), f"sternum of {people[k]}")
    lying = [trial for k in range(len(people)) for trial in found[k][0]]
    measured = {people[k]: slope for k, (_, slope) in found.items() if slope is not None}
    return replace(study, slopes=estimate_slopes(lying, measured))


def _lies(study: CohortStudy, entry: TrialEntry) -> bool:
    """Whether a trial can show how a sternum lies on a bench, by its layout and condition."""
    layout, condition = study.layout(entry.layout), study.condition(entry.condition)
    wanted = layout.places.trunk
    seen = {"ij", "px"} <= set(layout.markers) and not set(TRUNK_LANDMARKS) <= set(layout.markers)
    return (
        entry.use
        and (seen if wanted == "auto" else wanted == "sternum")
        and not condition.ground
        and math.radians(condition.trunk_angle_deg) <= OVERHEAD
    )


def person_lying(study: CohortStudy, person: str) -> tuple[tuple[Lying, ...], float | None]:
    """How the sternum of one person lies in every trial, and its slope if a static trial tells it.

    Trials that cannot be read are left out here and reported where they are solved. Runs in any
    process.
    """
    found = []
    for entry in study.file.trial:
        if entry.person != person or not _lies(study, entry):
            continue
        condition, layout = study.condition(entry.condition), study.layout(entry.layout)
        ways = trial_processing(study.file, layout, condition).ways
        try:
            recording = trial_recording(study, entry, emg=False)
            if chosen_way(recording, "trunk", ways.trunk) != "sternum":
                continue
            angle = sternum_lying(recording, math.radians(condition.trunk_angle_deg))
        except (MomentshareError, OSError):
            continue
        if angle is not None:
            found.append(Lying(person=person, condition=entry.condition, angle=angle))
    return tuple(found), _measured_slope(study, person) if found else None


def _measured_slope(study: CohortStudy, person: str) -> float | None:
    """Slope that static trials of a person tell [rad]; None where they do not."""
    if not any(static.person == person for static in study.file.static):
        return None
    limbs, faults = cohort_limbs(study, [person], load_model(study.file.model)).build()
    if faults:
        return None
    try:
        told = static_calibration(study, person, limbs.take(0).skeleton)
    except (MomentshareError, OSError):
        return None
    return None if told is None else told.sternum_slope
