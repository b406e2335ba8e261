"""One trial of a cohort: from its files to tidy tables."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from momentshare.cohort.copies import marks
from momentshare.cohort.electromyograms import electromyograms, emg_courses, raw_envelopes
from momentshare.cohort.emg_lag import emg_lag
from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import (
    force_measures,
    processed_trial,
    trial_tasks,
    weighed,
)
from momentshare.cohort.outcomes.trial import arm_outcomes
from momentshare.cohort.sensitivity import sensitivity_table
from momentshare.cohort.shortfall import moments_met
from momentshare.cohort.trial_tables import check_curves, check_row, place_table, repetition_tables
from momentshare.errors import InputError
from momentshare.runs import CaseSet, Setup, solve_setup
from momentshare.sharing import Status
from momentshare.trial.checks.verdict import count_possible, failed_checks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.cohort.schema import (
        CohortStudy,
    )
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.trial.process import (
        ProcessedTrial,
    )


__all__ = ["TABLES", "TrialAnswer", "solve_trial"]

TABLES = (
    "frames",
    "moments",
    "motion",
    "heads",
    "regions",
    "emg",
    "sensitivity",
    "checks",
    "check_curves",
    "events",
    "conditions",
    "glenoid",
    "glenoid_heads",
    "places",
    "outcomes",
)
"""Tables of a trial, in the order in which they are kept."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialAnswer:
    """Tables of one trial by name, and a record of what was done."""

    tables: Mapping[str, pd.DataFrame]
    record: Mapping[str, Any] = field(default_factory=dict)


def solve_trial(study: CohortStudy, number: int, model: Model) -> TrialAnswer:
    """Read, check and solve one trial.

    Parameters
    ----------
    study : CohortStudy
    number : int
        Of the trial in the study file, from 1.
    model : Model

    Raises
    ------
    MomentshareError
        The trial cannot be used; the message names file and field.
    """
    file = study.file
    entry = file.trial[number - 1]
    plan = cohort_limbs(study, [entry.person], model)
    limbs, faults = plan.build()
    if faults:
        raise faults[0]
    limb = limbs.take(0)
    trial, calibration = processed_trial(study, number, limb)
    shapes = raw_envelopes(study, entry, trial)
    emg, emg_notes = electromyograms(study, entry, trial, limb, shapes)
    parts: dict[str, list[pd.DataFrame]] = {name: [] for name in TABLES}
    setup = Setup(
        limbs=plan,
        tasks=trial_tasks(study, number, trial),
        criterion=file.settings.criterion(),
        glenoid=file.settings.glenoid_constraint,
    )
    whole = solve_setup(setup, greatest_load=False)
    for repetition, case in zip(trial.repetitions, whole.cases, strict=True):
        solved = CaseSet(model=model, cases=(case,))
        keys = {"trial": number, "repetition": repetition.number}
        for name, table in repetition_tables(study, trial, repetition, solved, emg).items():
            for at, (key, value) in enumerate(keys.items()):
                table.insert(at, key, value)
            parts[name].append(table)
    if file.statistics.sensitivity:
        changed = sensitivity_table(setup, whole)
        changed.insert(0, "trial", number)
        parts["sensitivity"].append(changed)
    parts["outcomes"] += _outcomes(study, number, trial, setup, whole, emg_notes)
    identity = {"trial": number, "person": entry.person, "condition": entry.condition}
    limb_check = moments_met(parts["moments"])
    checks = (*trial.checks, limb_check)
    parts["checks"].append(pd.DataFrame([identity | check_row(c) for c in checks]))
    parts["places"].append(place_table(trial, identity))
    parts["check_curves"].append(check_curves(trial, identity))
    tables = {
        name: pd.concat(found, ignore_index=True) if found else pd.DataFrame()
        for name, found in parts.items()
    }
    record = dict(trial.record) | {
        **identity,
        "file": entry.file,
        # As the study names them, wherever the trial is solved.
        "source": " + ".join([entry.file, *(m.file for m in entry.more)]),
        "load_kg": entry.load_kg,
        "verdict": trial.verdict,
        "failed_checks": failed_checks(trial.checks),
        "marks": marks(trial.checks),
        "limb_verdict": limb_check.verdict,
        **_signed_measures(trial, whole, emg, limb),
        "emg_courses": emg_courses(trial, shapes),
        "checks_possible": list(count_possible(checks)),
        "calibration": [] if calibration is None else list(calibration.notes),
        **weighed(calibration),
        "emg": emg_notes,
        "strength_factors": dict(limb.strength_changes[0]),
        "doubtful_heads": sorted(_doubtful(parts)),
        "frames_unproved": unproved_frames(whole),
    }
    return TrialAnswer(tables=tables, record=record)


def unproved_frames(solved: CaseSet) -> dict[str, int]:
    """Count the frames whose answer is not certified, by treatment, if there are any."""
    counts: dict[str, int] = {}
    for _, answer in solved.pairs():
        mode = answer.lateral.mode
        found = int(np.count_nonzero(answer.sharing.status == Status.UNCERTIFIED))
        counts[mode] = counts.get(mode, 0) + found
    return {mode: count for mode, count in counts.items() if count}


def _outcomes(
    study: CohortStudy,
    number: int,
    trial: ProcessedTrial,
    setup: Setup,
    solved: CaseSet,
    notes: list[str],
) -> list[pd.DataFrame]:
    """Outcomes of the arm under study, and of the other one if the study asks for both."""
    side = study.file.trial[number - 1].side
    found = [arm_outcomes(study, number, trial, setup, solved, side).assign(arm="studied")]
    if study.file.statistics.both_arms:
        other: Literal["left", "right"] = "left" if side == "right" else "right"
        try:
            mirror, _ = processed_trial(study, number, solved.cases[0].prepared.limb, side=other)
            beside = replace(setup, tasks=trial_tasks(study, number, mirror))
        except InputError as err:
            notes.append(f"{other} arm: left out: {err}")
            return found
        answer = solve_setup(beside, greatest_load=False)
        table = arm_outcomes(study, number, mirror, beside, answer, other)
        found.append(table.assign(arm="other"))
    return found


def _signed_measures(
    trial: ProcessedTrial,
    solved: CaseSet,
    emg: Mapping[str, NDArray[np.float64]],
    limb: Limb,
) -> dict[str, float]:
    """Return signed measures of a zero error, of exchanged hands and of differing clocks."""
    found = force_measures(trial)
    if emg:
        predicted = [
            (
                item.positions,
                {head: case.results[0].activation[:, limb.head_names.index(head)] for head in emg},
            )
            for item, case in zip(trial.repetitions, solved.cases, strict=True)
        ]
        force = next(iter(trial.forces.values()), None)
        lag = emg_lag(
            emg, predicted, None if force is None else np.abs(force[:, 1]), trial.track.rate
        )
        found |= {
            "emg_behind_prediction_ms": 1000.0 * lag.behind_prediction,
            "emg_match": lag.match,
            "emg_behind_force_ms": 1000.0 * lag.behind_force,
            "emg_force_match": lag.force_match,
        }
    return found


def _doubtful(parts: Mapping[str, list[pd.DataFrame]]) -> set[str]:
    return {
        head
        for table in parts["conditions"]
        for cell in table["heads_with_doubtful_path"]
        for head in str(cell).split()
    }
