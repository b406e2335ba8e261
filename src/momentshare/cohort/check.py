"""Read and check every trial of a cohort without solving any."""

from __future__ import annotations

import math
import os
from collections import defaultdict
from contextlib import closing
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from momentshare.errors import MomentshareError
from momentshare.processes import collect_answers

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from momentshare.cohort.electromyograms import Maxima
    from momentshare.cohort.schema import CohortStudy
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.trial.checks.verdict import Check
    from momentshare.trial.process import ProcessedTrial

__all__ = ["TRIALS_EACH", "TrialCheck", "check_person", "check_trials"]

TRIALS_EACH = 20
"""Trials for which a process of their own is worth its start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialCheck:
    """Outcome of reading one trial.

    ``fault`` says why it cannot be used; ``notes`` hold what reading had to decide, maximal
    contractions included. ``hand_spacing`` is the distance between the hands [m], if it was
    recorded, and ``record`` holds the signed measures of the forces and
    the courses of the electromyograms. ``steeper_nm`` is what a sternum steeper by the spread of
    its slope would change in the elevation moment, root mean square; None where the slope was
    measured. ``slope_spread`` is that spread [rad], and ``slope_people`` the number of people from
    whom the slope was estimated, 0 where it is assumed.
    """

    number: int
    person: str
    condition: str
    file: str
    fault: str = ""
    used: bool = True
    repetitions: int = 0
    refused: tuple[str, ...] = ()
    verdict: str = ""
    checks: tuple[Check, ...] = ()
    notes: tuple[str, ...] = field(default=())
    hand_spacing: float | None = None
    record: Mapping[str, Any] = field(default_factory=dict)
    steeper_nm: float | None = None
    slope_spread: float = 0.0
    slope_people: int = 0


def check_trials(
    study: CohortStudy,
    *,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> list[TrialCheck]:
    """Read every file of a study and check every trial, in the order of the study.

    Nothing is solved, so this takes a fraction of a second per trial. A trial that cannot be used
    is reported with its fault.

    Parameters
    ----------
    study : CohortStudy
    workers : int, optional
        Processes; by default one for every :data:`TRIALS_EACH` trials, and at most one per core.
    progress : callable, optional
        Called with the number of trials done, of all, and whose were done last.

    Raises
    ------
    MomentshareError
        The model of the study cannot be loaded.
    """
    from momentshare.cohort.copies import Copies, marks
    from momentshare.cohort.preflight import check_cohort
    from momentshare.cohort.slopes import with_slopes
    from momentshare.study.run import study_model

    model = study_model(study.file.model, study.source)
    check_cohort(study, model)
    study = with_slopes(study, workers=1)
    numbers: dict[str, list[int]] = defaultdict(list)
    for number in study.numbers:
        numbers[study.file.trial[number - 1].person].append(number)
    if workers is None:
        workers = min(os.cpu_count() or 1, math.ceil(len(study.numbers) / TRIALS_EACH))
    found: dict[int, TrialCheck] = {}
    tasks = [(person, (study, mine, model)) for person, mine in numbers.items()]
    with closing(collect_answers(check_person, tasks, workers)) as answers:
        for person, answer in answers:
            checked = _lost(study, numbers[person]) if answer is None else answer
            found.update((item.number, item) for item in checked)
            if progress is not None:
                progress(len(found), len(study.numbers), f"trials of {person}")
    copies, told = Copies(), []
    for number in study.numbers:
        item, entry = found[number], study.file.trial[number - 1]
        copied = "" if item.fault else copies.fault(number, entry, marks(item.checks))
        told.append(replace(_bare(study, number), fault=copied) if copied else item)
    return told


def _bare(study: CohortStudy, number: int) -> TrialCheck:
    """Name a trial of which nothing is known yet."""
    entry = study.file.trial[number - 1]
    return TrialCheck(
        number=number, person=entry.person, condition=entry.condition, file=entry.file
    )


def _lost(study: CohortStudy, numbers: Sequence[int]) -> list[TrialCheck]:
    """Trials whose process died."""
    fault = (
        "the process that read it died, perhaps for lack of memory; run again, with fewer --workers"
    )
    return [replace(_bare(study, number), fault=fault) for number in numbers]


def check_person(study: CohortStudy, numbers: Sequence[int], model: Model) -> list[TrialCheck]:
    """Check trials of one person, by their numbers; runs in any process."""
    from momentshare.cohort.limbs import cohort_limbs
    from momentshare.cohort.run import fault_of_trial
    from momentshare.cohort.upper_arms import with_own_arm

    person = study.file.trial[numbers[0] - 1].person
    limbs, faults = cohort_limbs(study, [person], model).build()
    limb = None if faults else limbs.take(0)
    if limb is not None:
        study = with_own_arm(study, person, limb.skeleton)
    maxima: Maxima = {}
    found = []
    for number in numbers:
        entry, item = study.file.trial[number - 1], _bare(study, number)
        if not entry.use:
            found.append(replace(item, used=False, fault=f"not used: {entry.reason}"))
            continue
        try:
            if limb is None:
                raise faults[0]
            found.append(_checked(study, item, limb, maxima))
        except MomentshareError as err:
            found.append(replace(item, fault=fault_of_trial(study, number, str(err))))
    return found


def _checked(study: CohortStudy, item: TrialCheck, limb: Limb, maxima: Maxima) -> TrialCheck:
    """Read and check one trial of a person."""
    from momentshare.cohort.electromyograms import electromyograms, emg_courses, raw_envelopes
    from momentshare.cohort.measured import force_measures, processed_trial, weighed

    entry, coded = study.file.trial[item.number - 1], study.pseudonyms
    trial, calibration = processed_trial(study, item.number, limb, frames=21)
    shapes = raw_envelopes(study, entry, trial)
    _, emg = electromyograms(study, entry, trial, limb, shapes, maxima)
    told = () if calibration is None else calibration.notes
    return replace(
        item,
        repetitions=len(trial.repetitions),
        refused=coded.data(trial.refused),
        verdict=trial.verdict,
        checks=tuple(replace(c, note=coded.text(c.note), curves={}) for c in trial.checks),
        notes=coded.data((*trial.record["notes"], *told, *emg)),
        hand_spacing=trial.record["hand_spacing_m"],
        record=force_measures(trial)
        | weighed(calibration)
        | {"emg_courses": emg_courses(trial, shapes)},
        steeper_nm=_steeper(trial),
        slope_spread=trial.slope_spread,
        slope_people=int(trial.record["places"].get("trunk", {}).get("slope_people", 0)),
    )


def _steeper(trial: ProcessedTrial) -> float | None:
    """Change of the elevation moment with a sternum steeper by the spread of its slope [N·m]."""
    from momentshare.trial.motion.others import STEEPER

    for way in trial.others:
        if way.other == STEEPER and "elevation" in way.row and math.isfinite(way.rms_change):
            return way.rms_change
    return None
