"""Read and check every trial of a cohort without solving any."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from momentshare.errors import MomentshareError
from momentshare.study.run import limb_plan

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from momentshare.cohort.schema import CohortStudy
    from momentshare.trial.checks.verdict import Check
    from momentshare.trial.process import ProcessedTrial

__all__ = ["TrialCheck", "check_trials"]


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


def check_trials(study: CohortStudy) -> Iterator[TrialCheck]:
    """Read every file of a study and check every trial, one after the other.

    Nothing is solved, so this takes a fraction of a second per trial. A trial that cannot be used
    is reported with its fault.

    Raises
    ------
    MomentshareError
        The model of the study cannot be loaded.
    """
    from momentshare.cohort.copies import Copies, marks
    from momentshare.cohort.electromyograms import electromyograms, emg_courses, raw_envelopes
    from momentshare.cohort.measured import force_measures, processed_trial, weighed
    from momentshare.cohort.preflight import check_cohort
    from momentshare.cohort.run import fault_of_trial
    from momentshare.cohort.slopes import with_slopes
    from momentshare.cohort.upper_arms import with_upper_arms
    from momentshare.study.run import study_model

    model = study_model(study.file.model, study.source)
    check_cohort(study, model)
    study = with_upper_arms(with_slopes(study, workers=1), workers=1)
    limbs, coded, copies = {}, study.pseudonyms, Copies()
    for number in study.numbers:
        entry = study.file.trial[number - 1]
        same = TrialCheck(
            number=number, person=entry.person, condition=entry.condition, file=entry.file
        )
        if not entry.use:
            yield replace(same, used=False, fault=f"not used: {entry.reason}")
            continue
        try:
            if entry.person not in limbs:
                plan = limb_plan([study.person(entry.person)], study.file.settings, model)
                built, faults = plan.build()
                if faults:
                    raise faults[0]
                limbs[entry.person] = built.take(0)
            limb = limbs[entry.person]
            trial, calibration = processed_trial(study, number, limb, frames=21)
            shapes = raw_envelopes(study, entry, trial)
            _, emg = electromyograms(study, entry, trial, limb, shapes)
        except MomentshareError as err:
            yield replace(same, fault=fault_of_trial(study, number, str(err)))
            continue
        if fault := copies.fault(number, entry, marks(trial.checks)):
            yield replace(same, fault=fault)
            continue
        told = () if calibration is None else calibration.notes
        yield replace(
            same,
            repetitions=len(trial.repetitions),
            refused=coded.data(trial.refused),
            verdict=trial.verdict,
            checks=tuple(replace(c, note=coded.text(c.note)) for c in trial.checks),
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
