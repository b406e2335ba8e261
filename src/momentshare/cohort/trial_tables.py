"""Tables of one repetition of a trial, and of its checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare import reading
from momentshare.cohort.electromyograms import emg_table
from momentshare.trial.checks.verdict import OF_LIMB, Check

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.cohort.schema import (
        CohortStudy,
    )
    from momentshare.runs import Case, CaseSet
    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.process import (
        ProcessedTrial,
    )


__all__ = ["check_curves", "check_row", "place_table", "repetition_tables"]

_CURVE_POINTS = 400
"""Number of points kept of a check's curve, for its figure."""


def place_table(trial: ProcessedTrial, identity: dict[str, Any]) -> pd.DataFrame:
    """List what another way of locating trunk, joint centre or grip would change."""
    return pd.DataFrame(
        [
            identity
            | {
                "place": item.place,
                "way": item.way,
                "other": item.other,
                "row": item.row,
                "mean_change_nm": item.mean_change,
                "rms_change_nm": item.rms_change,
                "note": item.note,
            }
            for item in trial.others
        ]
    )


def repetition_tables(
    study: CohortStudy,
    trial: ProcessedTrial,
    repetition: MeasuredRepetition,
    solved: CaseSet,
    emg: Mapping[str, NDArray[np.float64]],
) -> dict[str, pd.DataFrame]:
    """Tables of one repetition; those of the whole trial are added later."""
    case = solved.cases[0]
    frames = reading.frame_table(solved)
    moments = reading.moment_table(solved)
    count = len(repetition.positions)
    percent = 100.0 * np.arange(count) / (count - 1)
    for table in (frames, moments):
        table.insert(4, "lift_percent", percent[table["frame"].to_numpy()])
    tables = {
        "frames": frames,
        "moments": moments,
        "motion": _motion(repetition, solved, percent),
        "heads": reading.head_table_by_person(solved),
        "regions": _regions(repetition, frames, moments),
        "emg": emg_table(study, repetition, case, emg, percent),
        "events": _event_row(trial, repetition, case),
        "conditions": reading.condition_table(solved),
        "glenoid": reading.glenoid_table(solved),
    }
    if case.without_limit:
        tables["glenoid_heads"] = reading.glenoid_head_table(solved).assign(person=case.person)
    return tables


def _motion(
    repetition: MeasuredRepetition, solved: CaseSet, percent: NDArray[np.float64]
) -> pd.DataFrame:
    table = reading.posture_table(solved).drop(columns=["reachable"])
    table.insert(2, "lift_percent", percent)
    table["speed_mps"] = repetition.measured.speed
    table["measured_push_n"] = repetition.measured.push
    return table


def _frame_regions(repetition: MeasuredRepetition) -> NDArray[Any]:
    """Region of every frame; none where the lift has no sticking region."""
    at = repetition.positions
    region = np.full(len(at), "", dtype=object)
    for name, (_, last) in reversed(repetition.events.regions().items()):
        region[at <= last] = name
    return region


def _regions(
    repetition: MeasuredRepetition,
    frames: pd.DataFrame,
    moments: pd.DataFrame,
) -> pd.DataFrame:
    """Mean of every quantity within each region of the lift, long form."""
    region = _frame_regions(repetition)
    first = moments[moments["row"] == moments["row"].iloc[0]].assign(hand="hand")
    table = pd.concat(
        [
            _region_means(frames, region, "head", ["activation", "force_n"]),
            _region_means(moments, region, "row", ["moment_nm"]),
            _region_means(
                first, region, "hand", ["lateral_ratio", "lateral_force_n", "vertical_force_n"]
            ),
        ],
        ignore_index=True,
    )
    for key in ("person", "condition", "lateral", "item"):
        table[key] = table[key].astype(str)
    return table


def _region_means(
    table: pd.DataFrame, region: NDArray[Any], item: str, columns: list[str]
) -> pd.DataFrame:
    """Mean of some columns of every item within each region and over the whole lift."""
    keys = ["person", "condition", "lateral", "region", item]
    part = table.assign(region=region[table["frame"].to_numpy()])
    both = pd.concat([part[part["region"] != ""], part.assign(region="whole lift")])
    return (
        both.groupby(keys, sort=False, observed=True)[columns]
        .mean()
        .reset_index()
        .melt(id_vars=keys, var_name="quantity", value_name="mean")
        .rename(columns={item: "item"})
    )


def _event_row(trial: ProcessedTrial, repetition: MeasuredRepetition, case: Case) -> pd.DataFrame:
    events, track = repetition.events, trial.track
    count = len(repetition.positions) - 1
    span = events.lockout - events.chest
    row: dict[str, Any] = {
        "person": case.person,
        "condition": case.condition,
        "duration_s": span / track.rate,
        "rise_m": float(track.height[events.lockout] - track.height[events.chest]),
        "peak_speed_mps": float(np.max(repetition.measured.speed)),
        "mean_speed_mps": float(np.mean(repetition.measured.speed)),
    }
    for name in ("chest", "first_peak", "minimum", "second_peak", "lockout"):
        sample = getattr(events, name)
        known = sample is not None
        row[f"{name}_s"] = track.start + sample / track.rate if known else np.nan
        row[f"{name}_percent"] = 100.0 * (sample - events.chest) / span if known else np.nan
        frame = round(count * (sample - events.chest) / span) if known else 0
        row[f"{name}_speed_mps"] = repetition.measured.speed[frame] if known else np.nan
        row[f"{name}_height_m"] = (
            float(track.height[sample] - track.height[events.chest]) if known else np.nan
        )
    row["sticking_region"] = events.has_sticking_region
    row["note"] = events.note
    return pd.DataFrame([row])


def check_row(check: Check) -> dict[str, Any]:
    """Columns of one check."""
    return {
        "check": check.name,
        "about": "limb" if check.name == OF_LIMB else "measurement",
        "value": check.value,
        "limit": check.limit,
        "worst": check.worst,
        "unit": check.unit,
        "verdict": check.verdict,
        "note": check.note,
    }


def check_curves(trial: ProcessedTrial, identity: dict[str, Any]) -> pd.DataFrame:
    """Curves behind the checks, thinned for their figures."""
    parts = []
    for check in trial.checks:
        step = max(1, len(check.time) // _CURVE_POINTS)
        for label, values in check.curves.items():
            parts.append(
                pd.DataFrame(
                    identity
                    | {
                        "check": check.name,
                        "axis": check.axis,
                        "curve": label,
                        "time_s": check.time[::step],
                        "value": values[::step],
                    }
                )
            )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
