"""What each modelling choice does to a study: one switch at a time, everything solved anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.balance import BALANCED
from momentshare.demand import demand
from momentshare.reading import condition_table, head_table
from momentshare.study import Study, run_study

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.exercise import BenchPress
    from momentshare.limb import Limb
    from momentshare.study import StudyFile

__all__ = ["Switch", "effect_tables", "quasi_static_errors", "switches"]

_TEMPO = 1.5
"""Duration of the lift [s] that a quasi-static condition is given to show what speed does."""

_SCAPULA = 10.0
"""Shift of each scapula angle [deg], the size of published regression errors of 6.9 to 10.4
degrees (Xu et al., abstract read)."""


@dataclass(frozen=True, slots=True)
class Switch:
    """One choice turned over: what it is called, and how it changes the study."""

    name: str
    change: Callable[[StudyFile], StudyFile]


def switches(study: Study) -> tuple[Switch, ...]:
    """Return the switches that make sense for a study."""
    settings = study.file.settings
    timed = any(c.duration_s is not None for c in study.file.condition)
    found = [
        Switch(
            "no passive force" if settings.passive_force else "passive force",
            _setting(passive_force=not settings.passive_force),
        ),
        Switch(
            "rigid tendon" if settings.elastic_tendon else "elastic tendon",
            _setting(elastic_tendon=not settings.elastic_tendon),
        ),
        Switch(
            "curves DeGroote2016" if settings.curves == "Thelen2003" else "curves Thelen2003",
            _setting(curves="DeGroote2016" if settings.curves == "Thelen2003" else "Thelen2003"),
        ),
        Switch("quasi-static", _tempo(None))
        if timed
        else Switch(f"timed, {_TEMPO:g} s", _tempo(_TEMPO)),
    ]
    shift = settings.scapula_shift_deg
    for angle in ("internal", "upward", "anterior_tilt"):
        for sign in (1.0, -1.0):
            value = getattr(shift, angle) + sign * _SCAPULA
            label = angle.replace("_", " ")
            moved = shift.model_copy(update={angle: value})
            found.append(
                Switch(
                    f"scapula {label} {sign * _SCAPULA:+g} deg",
                    _setting(scapula_shift_deg=moved),
                )
            )
    return tuple(found)


def _setting(**changes: object) -> Callable[[StudyFile], StudyFile]:
    def change(file: StudyFile) -> StudyFile:
        return file.model_copy(update={"settings": file.settings.model_copy(update=changes)})

    return change


def _tempo(duration: float | None) -> Callable[[StudyFile], StudyFile]:
    def change(file: StudyFile) -> StudyFile:
        conditions = [c.model_copy(update={"duration_s": duration}) for c in file.condition]
        return file.model_copy(update={"condition": conditions})

    return change


def effect_tables(
    study: Study, *, progress: Callable[[int, int, str], None] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Run a study as it is and with each switch turned over.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with the number done, the number of all runs, and what comes next.

    Returns
    -------
    heads : DataFrame
        One row a switch × condition × lateral mode × head: lift-mean effort as it is and
        changed, and the difference.
    conditions : DataFrame
        One row a switch × condition × lateral mode: greatest load and peak moments as they
        are and changed, means over people.
    """
    turned = switches(study)
    keys = ["condition", "lateral", "head"]
    base = run_study(study)
    base_heads = head_table(base).set_index(keys)["mean_activation"]
    base_lifts = _lifts(condition_table(base))
    heads, lifts = [], []
    for done, switch in enumerate(turned):
        if progress is not None:
            progress(done, len(turned), switch.name)
        result = run_study(replace(study, file=switch.change(study.file)))
        changed = head_table(result).set_index(keys)["mean_activation"]
        both = pd.DataFrame({"mean_effort": base_heads, "mean_effort_changed": changed})
        both["difference"] = both["mean_effort_changed"] - both["mean_effort"]
        both.insert(0, "switch", switch.name)
        heads.append(both.reset_index())
        changed_lifts = _lifts(condition_table(result)).add_suffix("_changed")
        part = base_lifts.join(changed_lifts)
        part.insert(0, "switch", switch.name)
        lifts.append(part.reset_index())
    if progress is not None:
        progress(len(turned), len(turned), "")
    order = ["switch", *keys, "mean_effort", "mean_effort_changed", "difference"]
    return pd.concat(heads, ignore_index=True)[order], pd.concat(lifts, ignore_index=True)


def quasi_static_errors(
    limb: Limb, exercise: BenchPress, durations: Sequence[float]
) -> dict[float, float]:
    """How far net moments without inertia are from those with it.

    Parameters
    ----------
    limb : Limb
    exercise : BenchPress
        Its own duration does not matter.
    durations : sequence of float
        Times from chest to lock-out [s].

    Returns
    -------
    dict
        Duration → greatest difference of any balanced moment over the greatest moment of
        that row without inertia, along a minimum-jerk lift.
    """
    found = {}
    for duration in durations:
        timed = replace(exercise, duration=duration).lift(limb.skeleton)
        full = demand(limb.skeleton, timed).moments()[:, : len(BALANCED)]
        still = demand(limb.skeleton, replace(timed, motion=None)).moments()[:, : len(BALANCED)]
        scale = np.abs(still).max(axis=0)
        found[duration] = float((np.abs(full - still) / scale).max())
    return found


def _lifts(table: pd.DataFrame) -> pd.DataFrame:
    wanted = [
        "greatest_load_kg",
        "peak_shoulder_horizontal_adduction_nm",
        "peak_elbow_extension_nm",
    ]
    have = [name for name in wanted if name in table]
    return table.groupby(["condition", "lateral"], sort=False)[have].mean()
