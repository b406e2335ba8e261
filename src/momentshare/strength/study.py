"""Strength of every person of a study, along the lift and in the test's posture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from momentshare.directions import DIRECTIONS, ROWS, row_named
from momentshare.errors import InputError, StudyError, UnknownNameError
from momentshare.results import brief
from momentshare.strength.capacity import (
    DEFINITIONS,
    StrengthTest,
    joint_strength,
    posture_strength,
)
from momentshare.strength.curves import curve_table
from momentshare.strength.utilisation import NetMoment, corrected_utilisation
from momentshare.study.run import condition_exercise, plan_study

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.analysis import LiftResult, Prepared
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.posture import Posture
    from momentshare.runs import CaseSet
    from momentshare.study.schema import ConditionEntry, PersonEntry, Study

__all__ = [
    "StrengthReport",
    "TaskMode",
    "cases_strength",
    "moments_report",
    "study_strength",
]

TaskMode = Literal["isometric", "lift"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrengthReport:
    """Tables of strength; all tidy, with units in the column names.

    Attributes
    ----------
    test : StrengthTest
    task_mode : str
        ``isometric``, or ``lift`` for the fibre velocities of a timed lift.
    along : DataFrame
        Greatest moment per person, condition, frame, direction and definition.
    frames : DataFrame
        Net moment, utilisation and bias per person, condition, lateral mode, frame, balanced row
        and definition.
    utilisation : DataFrame
        The same at the frame of greatest utilisation, with lift means.
    tests : DataFrame
        Greatest moment in the test's posture per person, direction and definition.
    curves : DataFrame
        See :func:`curve_table`.
    refusals : tuple of str
        Persons and conditions without a reachable posture.
    """

    test: StrengthTest
    task_mode: str
    along: pd.DataFrame
    frames: pd.DataFrame
    utilisation: pd.DataFrame
    tests: pd.DataFrame
    curves: pd.DataFrame
    refusals: tuple[str, ...]

    __repr__ = brief


def study_strength(
    study: Study,
    test: StrengthTest,
    *,
    people: Sequence[str] = (),
    conditions: Sequence[str] = (),
    task_mode: TaskMode = "isometric",
    frames: int = 21,
    progress: Callable[[int, int, str], None] | None = None,
) -> StrengthReport:
    """Strength along each lift and in the test's posture, with utilisation and bias.

    Parameters
    ----------
    study : Study
    test : StrengthTest
    people, conditions : sequence of str
        Names to keep; all where none is named.
    task_mode : {"isometric", "lift"}
        Capacity along the lift for an arm at rest, or at the lift's own fibre velocities.
    frames : int
        Frames along each lift.
    progress : callable, optional
        Called with the number done, the total number of cases, and what comes next.

    Returns
    -------
    StrengthReport

    Raises
    ------
    PostureError
        No condition can be performed.
    StudyError
        ``lift`` is requested for a study without timed lifts.

    Examples
    --------
    >>> from momentshare import StrengthTest, study_strength
    >>> from momentshare.demo import small_study
    >>> report = study_strength(
    ...     small_study(), StrengthTest(elevation_deg=45.0), conditions=["narrow"], frames=3
    ... )
    >>> sorted(set(report.along["others"]))
    ['balanced', 'braced']
    >>> bool((report.tests["greatest_moment_nm"] > 0.0).any())
    True
    """
    planned = plan_study(study, people=people, conditions=conditions, frames=frames)
    if task_mode == "lift" and all(c.duration_s is None for c in planned.conditions):
        raise StudyError(
            f"{study.source}: task mode 'lift' needs duration_s in a condition; "
            "add it or use 'isometric'"
        )
    return cases_strength(
        planned.solve(greatest_load=False), test, task_mode=task_mode, progress=progress
    )


def cases_strength(
    solved: CaseSet,
    test: StrengthTest,
    *,
    task_mode: TaskMode = "isometric",
    progress: Callable[[int, int, str], None] | None = None,
) -> StrengthReport:
    """Do the same for solved lifts, planned or measured.

    Parameters
    ----------
    solved : CaseSet
        One case per person and condition.
    test : StrengthTest
    task_mode : {"isometric", "lift"}
    progress : callable, optional
        As for :func:`study_strength`.
    """
    tests: dict[str, pd.DataFrame] = {}
    curves = []
    for limb in solved.limbs:
        tests[limb.skeleton.person.name] = _test_table(limb, test)
        curves.append(curve_table(limb, test))
    along, lines = [], []
    for done, case in enumerate(solved.cases):
        if progress is not None:
            progress(done, len(solved.cases), f"{case.person}: {case.condition}")
        here = _along(case.prepared, case.condition, task_mode)
        along.append(here)
        lines += [
            _lines(case.condition, result, here, tests[case.person]) for result in case.results
        ]
    if progress is not None:
        progress(len(solved.cases), len(solved.cases), "")
    table = pd.concat(lines, ignore_index=True)
    return StrengthReport(
        test=test,
        task_mode=task_mode,
        along=pd.concat(along, ignore_index=True),
        frames=table,
        utilisation=_peaks(table),
        tests=pd.concat(list(tests.values()), ignore_index=True),
        curves=pd.concat(curves, ignore_index=True),
        refusals=tuple(f"{r.person}, {r.condition}: {r.reason}" for r in solved.refusals),
    )


def moments_report(
    study: Study,
    moments: Sequence[NetMoment],
    test: StrengthTest,
    *,
    people: Sequence[str] = (),
) -> pd.DataFrame:
    """Corrected utilisation of given net moments for people of a study.

    Moments with a height fraction take their posture from the study's condition of that name.

    Raises
    ------
    InputError
        A height fraction for a condition that the study does not have or that is out of reach
        there.
    """
    planned = plan_study(study, people=people)
    tasks = {c.name: c for c in study.file.condition}
    for item in moments:
        if item.height_fraction is not None and item.condition not in tasks:
            raise UnknownNameError("condition", item.condition, tasks, "height_fraction")
    parts = []
    limbs = planned.limbs()
    for row, entry in enumerate(planned.people):
        limb = limbs.take(row)
        placed = {
            index: _posture_at(limb, entry, tasks, item, planned.model)
            for index, item in enumerate(moments)
            if item.height_fraction is not None
        }
        parts.append(corrected_utilisation(limb, moments, test, postures=placed))
    return pd.concat(parts, ignore_index=True)


_FINE = 101
"""Number of frames in which a given height fraction is searched for."""


def _posture_at(
    limb: Limb,
    entry: PersonEntry,
    tasks: dict[str, ConditionEntry],
    item: NetMoment,
    model: Model,
) -> Posture:
    task, fraction = tasks[item.condition], item.height_fraction or 0.0
    exercise = condition_exercise(task, entry, limb.skeleton.person, model, _FINE)
    lift = exercise.lift(limb.skeleton)
    frame = int(np.argmin(np.abs(lift.fraction - fraction)))
    if not lift.reachable[frame]:
        raise InputError(
            f"person {entry.name!r}, condition {item.condition!r}: height_fraction "
            f"{fraction:g} is out of reach by {lift.gap[frame]:.3f} m; give another height or "
            "the angles"
        )
    return lift.posture[frame]


def _test_table(limb: Limb, test: StrengthTest) -> pd.DataFrame:
    records = [
        {
            "person": limb.skeleton.person.name,
            "direction": direction,
            "others": others,
            "greatest_moment_nm": float(
                joint_strength(limb, test.posture(), direction, others=others, speed=test.speed)
            ),
        }
        for direction in (side.name for side in DIRECTIONS.values())
        for others in DEFINITIONS
    ]
    return pd.DataFrame(records)


def _along(prepared: Prepared, condition: str, task_mode: str) -> pd.DataFrame:
    """Greatest moments in every frame, direction and definition; NaN out of reach."""
    lift = prepared.lift
    state = prepared.state
    if task_mode == "isometric" and lift.motion is not None:
        state = prepared.limb.capacity(prepared.paths.length)
    parts = []
    for direction in DIRECTIONS:
        for others in DEFINITIONS:
            value = posture_strength(prepared.paths, state, direction, others=others)
            parts.append(
                pd.DataFrame(
                    {
                        "person": prepared.limb.skeleton.person.name,
                        "condition": condition,
                        "frame": np.arange(len(lift.fraction)),
                        "height_fraction": lift.fraction,
                        "direction": direction,
                        "others": others,
                        "greatest_moment_nm": np.where(lift.reachable, value, np.nan),
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _lines(
    condition: str, result: LiftResult, here: pd.DataFrame, tests: pd.DataFrame
) -> pd.DataFrame:
    """Utilisation and bias in every frame and balanced row."""
    grid = {
        key: part["greatest_moment_nm"].to_numpy()
        for key, part in here.groupby(["direction", "others"], sort=False)
    }
    tested = tests.set_index(["direction", "others"])["greatest_moment_nm"].to_dict()
    lift = result.prepared.lift
    frame = np.arange(len(lift.fraction))
    parts = []
    for row in result.criterion.rows:
        moment = result.moments[:, ROWS.index(row)]
        plus, minus = row_named(row).positive.name, row_named(row).negative.name
        forward = ~(moment < 0.0)
        for others in DEFINITIONS:
            capacity = np.where(forward, grid[plus, others], grid[minus, others])
            test = np.where(forward, tested[plus, others], tested[minus, others])
            usable = np.where(capacity > 0.0, capacity, np.nan)
            usable_test = np.where(test > 0.0, test, np.nan)
            parts.append(
                pd.DataFrame(
                    {
                        "person": result.prepared.limb.skeleton.person.name,
                        "condition": condition,
                        "lateral": result.lateral.mode,
                        "frame": frame,
                        "height_fraction": lift.fraction,
                        "row": row,
                        "direction": np.where(forward, plus, minus),
                        "others": others,
                        "moment_nm": moment,
                        "greatest_here_nm": capacity,
                        "greatest_test_nm": test,
                        "utilisation_here": np.abs(moment) / usable,
                        "utilisation_tested": np.abs(moment) / usable_test,
                        "test_posture_bias": usable / usable_test,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _peaks(table: pd.DataFrame) -> pd.DataFrame:
    """Frame of greatest utilisation of each case and row, with the means along the lift."""
    keys = ["person", "condition", "lateral", "row", "others"]
    records = []
    for key, part in table.groupby(keys, sort=False):
        known = part.dropna(subset=["utilisation_here"])
        record = dict(zip(keys, key, strict=True))
        record["frames_without_strength"] = int(part["moment_nm"].notna().sum() - len(known))
        if len(known):
            peak = known.iloc[int(np.argmax(known["utilisation_here"]))]
            for name in (
                "height_fraction",
                "direction",
                "moment_nm",
                "greatest_here_nm",
                "greatest_test_nm",
                "utilisation_here",
                "utilisation_tested",
                "test_posture_bias",
            ):
                record[name] = peak[name]
            record["mean_utilisation_here"] = known["utilisation_here"].mean()
            record["mean_utilisation_tested"] = known["utilisation_tested"].mean()
        records.append(record)
    return pd.DataFrame(records)
