"""One trial of a cohort, read and checked, and the tasks to solve."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.balance import Lateral
from momentshare.cohort.electromyograms import LEFT_OUT
from momentshare.errors import InputError, ProcessError
from momentshare.runs import Task
from momentshare.study.exercises import make_profile
from momentshare.study.run import treatments
from momentshare.trial.formats.layout import FLOOR_ROLES, MARKER_ROLES
from momentshare.trial.formats.read import merge_recordings, read_recording
from momentshare.trial.motion.girdle import StatedGirdle
from momentshare.trial.motion.static import Calibration, read_calibration
from momentshare.trial.motion.ways import Ways
from momentshare.trial.process import (
    ProcessedTrial,
    Processing,
    process_trial,
)
from momentshare.trial.recording import mirrored

if TYPE_CHECKING:
    from momentshare.cohort.schema import (
        CohortFile,
        CohortStudy,
        MeasuredCondition,
        TrialEntry,
    )
    from momentshare.limb import Limb
    from momentshare.skeleton import Skeleton
    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.recording import Recording


__all__ = [
    "force_measures",
    "processed_trial",
    "static_calibration",
    "trial_calibration",
    "trial_processing",
    "trial_recording",
    "trial_tasks",
    "weighed",
]


def trial_processing(
    file: CohortFile, layout: LayoutEntry | None = None, condition: MeasuredCondition | None = None
) -> Processing:
    """Turn the settings of a study, and of a trial's layout and condition, into SI."""
    given = file.processing
    return Processing(
        cutoff=given.cutoff_hz,
        force_cutoff=given.force_cutoff_hz,
        order=given.filter_order,
        fill_gaps=given.fill_gaps_s,
        least_rise=given.least_rise_cm / 100.0,
        frames=file.settings.frames,
        hinge=given.hinge,
        ways=Ways() if layout is None else Ways(**layout.places.model_dump()),
        girdle=StatedGirdle() if condition is None else _stated(condition),
    )


def _stated(condition: MeasuredCondition) -> StatedGirdle:
    """Return what a condition states about the girdle, in SI."""
    fields = {"protraction": condition.protraction_deg, "shrug": condition.shrug_deg}
    degree = math.pi / 180.0
    return StatedGirdle(**{k: make_profile(v, degree) for k, v in fields.items() if v is not None})


def processed_trial(
    study: CohortStudy,
    number: int,
    limb: Limb,
    *,
    frames: int | None = None,
    side: Literal["right", "left"] | None = None,
) -> tuple[ProcessedTrial, Calibration | None]:
    """Read and check one trial.

    Parameters
    ----------
    study : CohortStudy
    number : int
        Number of the trial in the study file, from 1.
    limb : Limb
        Of its person.
    frames : int, optional
        Frames of a repetition, in place of those of the settings.
    side : {"right", "left"}, optional
        Arm, overriding the one that the study names.

    Raises
    ------
    MomentshareError
        The trial cannot be used; the message names file and field.
    """
    entry = study.file.trial[number - 1]
    condition = study.condition(entry.condition)
    calibration = trial_calibration(study, entry, limb.skeleton)
    processing = trial_processing(study.file, study.layout(entry.layout), condition)
    trial = process_trial(
        trial_recording(study, entry),
        limb.skeleton,
        processing if frames is None else replace(processing, frames=frames),
        side=side or entry.side,
        load=entry.load_kg,
        one_bar=condition.one_bar,
        trunk_angle=math.radians(condition.trunk_angle_deg),
        ground=condition.ground,
        repetitions=entry.repetitions,
        calibration=calibration,
    )
    if not trial.repetitions:
        raise InputError(f"{entry.file}: no repetition can be used:", trial.refused)
    return trial, calibration


def trial_recording(study: CohortStudy, entry: TrialEntry, *, emg: bool = True) -> Recording:
    """Read all files of a trial, on one clock.

    A further file that holds nothing but electromyograms and cannot be read costs these, not the
    trial; a note says so. Without ``emg`` such a file is not read.
    """
    layout = study.layout(entry.layout, entry.person)
    first = read_recording(
        study.path(entry.file), layout, roles=_of_a_lift(layout), offset=entry.offset_s
    )
    later = {"_hand_force": entry.force_offset_s, "emg/": entry.emg_offset_s}
    channels = {
        role: replace(c, start=c.start + sum(s for part, s in later.items() if part in role))
        for role, c in first.channels.items()
    }
    first = replace(first, channels=channels)
    more, lost = [], []
    for m in entry.more:
        layout = study.layout(m.layout, entry.person)
        only_emg = all(role.startswith("emg/") for role in layout.roles())
        if only_emg and not emg:
            continue
        try:
            path = study.path(m.file)
            more.append(read_recording(path, layout, roles=_of_a_lift(layout), offset=m.offset_s))
        except InputError as err:
            if not only_emg:
                raise
            fault = " ".join(str(err).removeprefix(f"{study.path(m.file)}: ").split())
            lost.append(f"{m.file}{LEFT_OUT}{fault}")
    whole = merge_recordings(first, *more)
    return replace(whole, notes=(*whole.notes, *lost))


def _of_a_lift(layout: LayoutEntry) -> list[str] | None:
    """Roles of a layout that a lift shows: nobody stands on a platform then; None for all."""
    roles = layout.roles()
    return [r for r in roles if r not in FLOOR_ROLES] if set(roles) & set(FLOOR_ROLES) else None


def trial_calibration(
    study: CohortStudy, entry: TrialEntry, skeleton: Skeleton
) -> Calibration | None:
    """Return what the person's trials show, static or all together; None if nothing.

    Raises
    ------
    ProcessError
        The process that fitted the person's upper arm to all trials died.
    """
    found = None
    if entry.person in study.upper_arms:
        arm = study.upper_arms[entry.person]
        if arm is None:
            raise ProcessError(
                f"{entry.person}: the process that fitted the upper arm to all trials died, "
                "perhaps for lack of memory; run again, with fewer --workers"
            )
        found = Calibration(upper_arm=arm)
    if entry.person in study.slopes:
        found = replace(found or Calibration(), likely_slope=study.slopes[entry.person])
    told = static_calibration(study, entry.person, skeleton)
    return found if told is None else told if found is None else found.joined(told)


def static_calibration(study: CohortStudy, person: str, skeleton: Skeleton) -> Calibration | None:
    """Return what static and functional trials of a person show; None if there is none."""
    found = None
    for static in study.file.static:
        if static.person != person:
            continue
        # A standing person shows the trunk and perhaps the arm; a layout may name the bar too.
        layout = study.layout(static.layout, static.person)
        recording = read_recording(
            study.path(static.file),
            layout,
            roles=[r for r in layout.roles() if r in {*MARKER_ROLES, *FLOOR_ROLES}] or None,
            absent="leave out",
        )
        if static.side == "left":
            recording = mirrored(recording)
        told = read_calibration(recording, skeleton)
        found = told if found is None else found.joined(told)
    return found


def force_measures(trial: ProcessedTrial) -> dict[str, float]:
    """Signed measures of a zero error of the forces and of exchanged hands.

    ``force_offset_n`` is the vertical force of both hands less load × (g + a), over the
    repetitions [N]; ``lateral_ratio_percent`` the mean outward push over the vertical force.
    Either is left out where it was not measured.
    """
    found: dict[str, float] = {}
    lateral = [item.measured.lateral for item in trial.repetitions]
    ratios = [np.asarray(given.ratio) for given in lateral if given is not None]
    if ratios:
        found["lateral_ratio_percent"] = 100.0 * float(np.mean(np.concatenate(ratios)))
    balance = next(check for check in trial.checks if check.name == "force balance")
    if balance.curves:
        measured, expected = balance.curves.values()
        inside = np.concatenate(
            [
                np.arange(item.repetition.chest, item.repetition.lockout + 1)
                for item in trial.repetitions
            ]
        )
        found["force_offset_n"] = float(np.nanmean((measured - expected)[inside]))
    return found


def weighed(calibration: Calibration | None) -> dict[str, float]:
    """Record the mass that a static trial weighed; nothing where it did not."""
    mass = None if calibration is None else calibration.body_mass
    return {} if mass is None else {"weighed_kg": mass}


def trial_tasks(study: CohortStudy, number: int, trial: ProcessedTrial) -> tuple[Task, ...]:
    """Return a task for each repetition of a trial, on the first limb."""
    settings, entry = study.file.settings, study.file.trial[number - 1]
    condition = study.condition(entry.condition)
    tasks = []
    for repetition in trial.repetitions:
        given = repetition.measured.lateral
        if given is None and condition.lateral_ratio is not None:
            given = Lateral(mode="measured", ratio=condition.lateral_ratio)
        chosen = treatments(
            settings,
            one_bar=condition.one_bar,
            measured=given,
            bounds=condition.lateral_bounds,
        )
        if not chosen:
            raise InputError(
                f"{entry.file}: settings → lateral asks for 'measured' only, but neither the "
                "force along the bar nor lateral_ratio is known; add 'zero' or 'free'"
            )
        tasks.append(
            Task(
                person=entry.person,
                condition=entry.condition,
                repetition=repetition.number,
                limb=0,
                treatments=chosen,
                lift=repetition.measured.lift,
                slope_spread=trial.slope_spread,
                slope_shared=trial.slope_shared,
            )
        )
    return tuple(tasks)
