"""Maximal lifts of a study: people × conditions × treatments of the lateral force."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.errors import MomentshareError, PostureError
from momentshare.maximal.drive import driven_path
from momentshare.maximal.motion import drive_load, find_dip, greatest_passing_load, held_load
from momentshare.results import brief
from momentshare.study import plan_study
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.balance import Lateral
    from momentshare.maximal.drive import DrivenPath
    from momentshare.maximal.motion import Drive
    from momentshare.study import Study

__all__ = ["MAXIMAL", "SHARES", "MaximalReport", "maximal_lifts"]

SHARES = (0.5, 0.7, 0.8, 0.9)
"""Fractions of the greatest load that are driven in addition to the maximal lift."""

MAXIMAL = "maximal"
"""Name of the maximal lift among the loads."""

HALF_STEP = 1.25
"""The maximal lift is this much lighter than the greatest load that passes [kg], which would take
for ever: loads increase in steps of 2.5 kg, so the heaviest lifted is on average half a step below
(common practice, no source)."""

_LEAST_PART = 0.95
"""But no lighter than this fraction of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MaximalReport:
    """Loads that the limbs of a study can drive.

    Attributes
    ----------
    loads : DataFrame
        One row per person × condition × lateral mode: greatest load that passes, greatest that can
        be held at every height and where, travel.
    lifts : DataFrame
        The same × load: duration, speeds, forces, powers, and the dip of the speed.
    curves : DataFrame
        The same × height: speed, and force over weight.
    held : DataFrame
        One row per person × condition × lateral mode × height: greatest load that can be held.
    refusals : tuple of str
    """

    loads: pd.DataFrame
    lifts: pd.DataFrame
    curves: pd.DataFrame
    held: pd.DataFrame
    refusals: tuple[str, ...]

    __repr__ = brief


def maximal_lifts(
    study: Study,
    *,
    people: Sequence[str] = (),
    conditions: Sequence[str] = (),
    shares: Sequence[float] = SHARES,
    progress: Callable[[int, int, str], None] | None = None,
) -> MaximalReport:
    """Drive every press of a study with the greatest load that passes, and with fractions of it.

    The load of a condition and its duration are ignored: both are results.

    Parameters
    ----------
    study : Study
    people, conditions : sequence of str
        Names to keep; all where none is named.
    shares : sequence of float
        Fractions of the greatest load to drive in addition to the maximal lift.
    progress : callable, optional
        Called with the number done, the total number of cases, and what comes next.

    Returns
    -------
    MaximalReport

    Raises
    ------
    PostureError
        No condition can be driven.

    Examples
    --------
    >>> from momentshare import maximal_lifts
    >>> from momentshare.demo import small_study
    >>> report = maximal_lifts(small_study(), conditions=["narrow"], shares=(0.5,))
    >>> sorted(set(report.lifts["lift"]))
    ['50 %', 'maximal']
    >>> bool((report.loads["greatest_load_kg"] > 0.0).all())
    True
    """
    planned = plan_study(study, people=people, conditions=conditions)
    limbs, setup = planned.limbs(), planned.setup
    tasks = setup.tasks
    loads: list[dict[str, Any]] = []
    lifts: list[dict[str, Any]] = []
    curves, held, refusals = [], [], []
    for done, task in enumerate(tasks):
        if progress is not None:
            progress(done, len(tasks), f"{task.person}: {task.condition}")
        try:
            if task.exercise is None:
                continue
            path = driven_path(
                limbs.take(task.limb), task.exercise, setup.criterion, glenoid=setup.glenoid
            )
        except MomentshareError as err:
            refusals.append(f"{task.person}, {task.condition}: {err}")
            continue
        for lateral in task.treatments:
            keys = {"person": task.person, "condition": task.condition, "lateral": lateral.mode}
            load, drives, standing = _driven(path, lateral, shares)
            loads.append(keys | load)
            held.append(pd.DataFrame(keys | standing))
            for name, drive in drives.items():
                lifts.append(keys | _told(name, drive, path, float(load["greatest_load_kg"])))
                curves.append(pd.DataFrame(keys | _curve(name, drive, path)))
    if progress is not None:
        progress(len(tasks), len(tasks), "")
    if not loads:
        raise PostureError(f"{study.source}: no condition can be driven:", refusals)
    return MaximalReport(
        loads=pd.DataFrame(loads),
        lifts=pd.DataFrame(lifts),
        curves=pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(),
        held=pd.concat(held, ignore_index=True),
        refusals=tuple(refusals),
    )


def _driven(
    path: DrivenPath, lateral: Lateral, shares: Sequence[float]
) -> tuple[dict[str, Any], dict[str, Drive], dict[str, Any]]:
    """Greatest load, the lifts of its fractions, and the load that can be held along the path."""
    greatest, least = greatest_passing_load(path, lateral)
    standing = held_load(path, lateral)
    weak = int(np.nanargmin(standing)) if np.isfinite(standing).any() else 0
    load = {
        "greatest_load_kg": greatest,
        "held_load_kg": least,
        "weak_height_fraction": float(path.lift.fraction[weak]),
        "travel_m": path.travel,
    }
    drives: dict[str, Drive] = {}
    if greatest > 0.0:
        wanted = {f"{100 * share:g} %": share * greatest for share in shares}
        wanted[MAXIMAL] = max(greatest - HALF_STEP, _LEAST_PART * greatest)
        for name, value in wanted.items():
            drives[name] = drive_load(path.field(value, lateral))
    return load, drives, {"height_fraction": path.lift.fraction, "held_load_kg": standing}


def _told(name: str, drive: Drive, path: DrivenPath, greatest: float) -> dict[str, Any]:
    """One lift in a row."""
    dip = find_dip(drive, path.travel)
    power = drive.force * drive.speed
    weight = drive.load * GRAVITY
    work = float(np.trapezoid(drive.force, drive.height))
    return {
        "lift": name,
        "load_kg": drive.load,
        "load_share": drive.load / greatest,
        "passed": drive.passed,
        "duration_s": drive.duration,
        "mean_speed_mps": drive.mean_speed,
        "peak_speed_mps": float(drive.speed.max()),
        "mean_power_w": work / drive.duration if drive.duration > 0.0 else 0.0,
        "peak_power_w": float(power.max()),
        "peak_force_over_weight": float(drive.force.max() / weight),
        "dip": dip.present,
        "first_peak_fraction": dip.first_peak,
        "first_peak_mps": dip.first_peak_speed,
        "first_peak_s": dip.first_peak_time,
        "minimum_fraction": dip.minimum,
        "minimum_mps": dip.minimum_speed,
        "minimum_s": dip.minimum_time,
        "second_peak_fraction": dip.second_peak,
        "second_peak_mps": dip.second_peak_speed,
    }


def _curve(name: str, drive: Drive, path: DrivenPath) -> dict[str, Any]:
    return {
        "lift": name,
        "load_kg": drive.load,
        "time_s": drive.time,
        "height_fraction": drive.height / path.travel,
        "speed_mps": drive.speed,
        "force_n": drive.force,
        "force_over_weight": drive.force / (drive.load * GRAVITY),
    }
