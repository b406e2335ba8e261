"""Outcomes of a trial: every repetition up and down, of one arm or both."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare import reading
from momentshare.cohort.outcomes.measure import measure_outcomes, measured_directions
from momentshare.errors import InputError
from momentshare.geometry.rotation import rotated
from momentshare.runs import CaseSet, solve_setup
from momentshare.signals import at_positions, find_repetitions
from momentshare.trial.motion.lift import track_lift

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.cohort.outcomes.measure import MeasuredDirection
    from momentshare.cohort.schema import CohortStudy
    from momentshare.runs import Case, Setup, Task
    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.track import ArmTrack
    from momentshare.trial.process import ProcessedTrial

__all__ = ["arm_outcomes", "descent_tasks", "sagittal_path"]


def sagittal_path(track: ArmTrack, positions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Grip in the sagittal plane of the room, shape (frames, 2): to the feet, and up [m]."""
    hand = track.shoulder + rotated(track.trunk, track.hand)
    return np.asarray(at_positions(hand[:, :2], positions))


def descent_tasks(
    study: CohortStudy,
    number: int,
    trial: ProcessedTrial,
    skeleton: Skeleton,
    tasks: Sequence[Task],
) -> list[tuple[Task, NDArray[np.float64]]]:
    """Return the lowering before each repetition as a task, with the samples of its frames.

    A descent is an ascent with the height inverted; one that was not recorded completely, or that
    contains a gap, is left out. A measured lateral ratio is that of the descent.
    """
    entry, track = study.file.trial[number - 1], trial.track
    condition = study.condition(entry.condition)
    least = study.file.processing.least_rise_cm / 100.0
    down = [d for d in find_repetitions(-track.height, track.rate, least_rise=least) if d.completed]
    force = trial.forces.get("right", next(iter(trial.forces.values()), None))
    found = []
    earlier = 0
    for task, item in zip(tasks, trial.repetitions, strict=True):
        mine = [d for d in down if earlier <= d.chest and d.lockout <= item.repetition.chest]
        earlier = item.repetition.lockout - 1
        if not mine:
            continue
        span = mine[-1]
        positions = np.linspace(span.chest, span.lockout, len(item.positions))
        try:
            measured = track_lift(
                track,
                skeleton,
                positions,
                load_mass=None if entry.load_kg is None else entry.load_kg / 2.0,
                hand_force=force,
                one_bar=condition.one_bar,
                ground=condition.ground,
            )
        except InputError:
            continue
        treatments = tuple(
            measured.lateral if lt.mode == "measured" and measured.lateral is not None else lt
            for lt in task.treatments
        )
        found.append((replace(task, lift=measured.lift, treatments=treatments), positions))
    return found


def arm_outcomes(
    study: CohortStudy, number: int, trial: ProcessedTrial, setup: Setup, solved: CaseSet, side: str
) -> pd.DataFrame:
    """Outcomes of one arm of a trial: the ascents that are solved, and the descents.

    Parameters
    ----------
    study : CohortStudy
    number : int
        Of the trial, from 1.
    trial : ProcessedTrial
        Of this arm.
    setup : Setup
        Of the ascents.
    solved : CaseSet
        The setup solved.
    side : {"right", "left"}
        Whose arm it is.
    """
    limb = solved.cases[0].prepared.limb
    entry = study.file.trial[number - 1]
    tests = [test.measured() for test in study.person(entry.person).strength]
    tested = measured_directions(tests)
    parts = []
    for item, case in zip(trial.repetitions, solved.cases, strict=True):
        parts.append(_outcomes(case, trial.track, item.positions, tested, "ascent", solved))
    if study.file.statistics.descents:
        down = descent_tasks(study, number, trial, limb.skeleton, setup.tasks)
        if down:
            lowered = solve_setup(
                replace(setup, tasks=tuple(task for task, _ in down)), greatest_load=False
            )
            for case in lowered.cases:
                positions = next(p for t, p in down if t.repetition == case.repetition)
                parts.append(_outcomes(case, trial.track, positions, tested, "descent", lowered))
    table = pd.concat(parts, ignore_index=True)
    table.insert(0, "trial", number)
    table["side"] = side
    return table


def _outcomes(
    case: Case,
    track: ArmTrack,
    positions: NDArray[np.float64],
    tested: Sequence[MeasuredDirection],
    phase: str,
    solved: CaseSet,
) -> pd.DataFrame:
    postures = reading.posture_table(CaseSet(model=solved.model, cases=(case,)))
    angles = {
        name.removesuffix("_deg"): postures[name].to_numpy(dtype=float)
        for name in postures.columns
        if name.endswith("_deg")
    }
    table = measure_outcomes(
        case, bar=sagittal_path(track, positions), angles=angles, tested=tested, phase=phase
    )
    table.insert(0, "repetition", case.repetition)
    return table
