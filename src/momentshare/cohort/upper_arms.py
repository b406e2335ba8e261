"""Upper arms of a cohort: where all trials of a person together put the joint centre."""

from __future__ import annotations

import math
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import trial_calibration, trial_processing, trial_recording
from momentshare.errors import MomentshareError
from momentshare.model import load_model
from momentshare.processes import collect_answers
from momentshare.trial.motion.together import arm_paths
from momentshare.trial.motion.upper_arm import fit_upper_arm

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.cohort.schema import CohortStudy, TrialEntry
    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.upper_arm import UpperArm

__all__ = ["person_upper_arm", "with_own_arm", "with_upper_arms"]


def with_upper_arms(
    study: CohortStudy,
    *,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> CohortStudy:
    """Read the trials of every person and return the study with their upper arms.

    All used trials of a person count, left out of the run or not, so the answer to a trial does not
    depend on which others are run. People without two trials in which the joint centre follows the
    acromion are left to their trials. Where the process that worked on a person died, the study
    holds ``None`` for that person, and none of the trials can be used.

    Parameters
    ----------
    study : CohortStudy
    workers : int, optional
        Processes; by default one per core.
    progress : callable, optional
        Called with the number of people done, of all, and who was done last.
    """
    here = dict.fromkeys(study.file.trial[number - 1].person for number in study.numbers)
    people = [name for name in here if len(_trials(study, name)) > 1]
    bare = replace(study, upper_arms={})
    found: dict[str, UpperArm | None] = {}
    tasks = [(k, (bare, name)) for k, name in enumerate(people)]
    with closing(collect_answers(person_upper_arm, tasks, workers)) as answers:
        for done, (k, arms) in enumerate(answers, start=1):
            for arm in (None,) if arms is None else arms:
                found[people[k]] = arm
            if progress is not None:
                progress(done, len(people), f"upper arm of {people[k]}")
    return replace(study, upper_arms=found)


def with_own_arm(study: CohortStudy, person: str, skeleton: Skeleton) -> CohortStudy:
    """Return the study with the upper arm of one person alone, as :func:`with_upper_arms` has it.

    ``skeleton`` is that of the person.
    """
    arm = _fitted(study, person, skeleton) if len(_trials(study, person)) > 1 else None
    return replace(study, upper_arms={} if arm is None else {person: arm})


def _trials(study: CohortStudy, person: str) -> list[int]:
    """Numbers of the person's used trials whose joint centre follows the acromion."""
    return [
        number
        for number, entry in enumerate(study.file.trial, start=1)
        if entry.use and entry.person == person and _by_acromion(study, entry)
    ]


def _by_acromion(study: CohortStudy, entry: TrialEntry) -> bool:
    layout = study.layout(entry.layout)
    own = {"auto": f"{entry.side}_gh" not in layout.markers, "acromion": True}
    return f"{entry.side}_acromion" in layout.markers and own.get(layout.places.joint_centre, False)


def person_upper_arm(study: CohortStudy, person: str) -> tuple[UpperArm, ...]:
    """Fit the upper arm of one person; empty where nothing shows it. Runs in any process.

    Trials that cannot be read are left out here and reported where they are solved.
    """
    model = load_model(study.file.model)
    limbs, faults = cohort_limbs(study, [person], model).build()
    if faults:
        return ()
    arm = _fitted(study, person, limbs.take(0).skeleton)
    return () if arm is None else (arm,)


def _fitted(study: CohortStudy, person: str, skeleton: Skeleton) -> UpperArm | None:
    """Upper arm that fits all trials of a person; None where nothing shows it."""
    paths = []
    for number in _trials(study, person):
        entry = study.file.trial[number - 1]
        condition = study.condition(entry.condition)
        given = trial_processing(study.file, study.layout(entry.layout), condition)
        try:
            paths += arm_paths(
                trial_recording(study, entry, emg=False),
                skeleton,
                given.girdle,
                side=entry.side,
                ways=given.ways,
                calibration=trial_calibration(study, entry, skeleton),
                trunk_angle=math.radians(condition.trunk_angle_deg),
                ground=condition.ground,
            )
        except (MomentshareError, OSError):
            continue
    return fit_upper_arm(paths, skeleton)
