"""One trial of a cohort: from its files to tidy tables."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare import reading
from momentshare.balance import Lateral
from momentshare.cohort.emg_lag import emg_lag
from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.sensitivity import sensitivity_table
from momentshare.directions import row_named
from momentshare.emg import (
    EmgSettings,
    Envelope,
    Maximum,
    envelope,
    maximum_of,
    normalise,
    pull_to_emg,
)
from momentshare.errors import InputError, StudyError
from momentshare.runs import CaseSet, Setup, Task, solve_setup
from momentshare.signals import resample
from momentshare.study.run import treatments
from momentshare.trial.checks.verdict import OF_LIMB, Check, count_possible, judge
from momentshare.trial.formats.read import merge_recordings, read_recording
from momentshare.trial.motion.places import Calibration, Ways, calibration_of
from momentshare.trial.process import (
    ProcessedTrial,
    Processing,
    process_trial,
)
from momentshare.trial.recording import mirrored

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.cohort.schema import (
        CohortFile,
        CohortStudy,
        MaximalEntry,
        TrialEntry,
    )
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.runs import Case
    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.recording import Channel, Recording

__all__ = [
    "LEAST_UNMET",
    "TABLES",
    "TrialAnswer",
    "electromyograms",
    "emg_settings",
    "greatest_unmet",
    "processed_trial",
    "processing_of",
    "short_of",
    "solve_trial",
    "tasks_of",
]

LEAST_UNMET = 0.5
"""Moment [N·m] from which a frame counts as falling short; chosen here."""

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
)
"""Tables of a trial, in the order in which they are kept."""

_NOTHING = 1e-6
"""Unmet moment [N·m] that is rounding."""

_CURVE_POINTS = 400
"""Points kept of a check's curve, for its figure."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialAnswer:
    """Tables of one trial by name, and the record of what was done."""

    tables: Mapping[str, pd.DataFrame]
    record: Mapping[str, Any] = field(default_factory=dict)


def processing_of(file: CohortFile, layout: LayoutEntry | None = None) -> Processing:
    """Turn the settings of a study, and of a trial's layout, into those of a trial, in SI."""
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
    )


def emg_settings(file: CohortFile) -> EmgSettings:
    """Turn the settings of a study into those of electromyograms, in SI."""
    given = file.emg
    return EmgSettings(
        low=given.band_hz[0],
        high=given.band_hz[1],
        cutoff=given.envelope_hz,
        method=given.method,
        delay_s=given.delay_ms / 1000.0,
    )


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
    emg, emg_notes = electromyograms(study, entry, trial, limb)
    parts: dict[str, list[pd.DataFrame]] = {name: [] for name in TABLES}
    setup = Setup(
        limbs=plan,
        tasks=tasks_of(study, number, trial),
        criterion=file.settings.criterion(),
        glenoid=file.settings.glenoid_constraint,
    )
    whole = solve_setup(setup, greatest_load=False)
    for repetition, case in zip(trial.repetitions, whole.cases, strict=True):
        solved = CaseSet(model=model, cases=(case,))
        keys = {"trial": number, "repetition": repetition.number}
        for name, table in _tables(study, trial, repetition, solved, emg).items():
            for at, (key, value) in enumerate(keys.items()):
                table.insert(at, key, value)
            parts[name].append(table)
    if file.statistics.sensitivity:
        changed = sensitivity_table(setup, whole)
        changed.insert(0, "trial", number)
        parts["sensitivity"].append(changed)
    identity = {"trial": number, "person": entry.person, "condition": entry.condition}
    limb_check = _moments_met(parts["moments"])
    checks = (*trial.checks, limb_check)
    parts["checks"].append(pd.DataFrame([identity | _check_row(c) for c in checks]))
    parts["places"].append(_places(trial, identity))
    parts["check_curves"].append(_check_curves(trial, identity))
    tables = {
        name: pd.concat(found, ignore_index=True) if found else pd.DataFrame()
        for name, found in parts.items()
    }
    record = dict(trial.record) | {
        **identity,
        "file": entry.file,
        "load_kg": entry.load_kg,
        "verdict": trial.verdict,
        "failed_checks": [c.name for c in trial.checks if c.verdict == "fail"],
        "limb_verdict": limb_check.verdict,
        **_signed_measures(trial, whole, emg, limb),
        "checks_possible": list(count_possible(checks)),
        "calibration": [] if calibration is None else list(calibration.notes),
        "emg": emg_notes,
        "strength_factors": dict(limb.strength_changes[0]),
        "doubtful_heads": sorted(_doubtful(parts)),
    }
    return TrialAnswer(tables=tables, record=record)


def processed_trial(
    study: CohortStudy, number: int, limb: Limb, *, frames: int | None = None
) -> tuple[ProcessedTrial, Calibration | None]:
    """Read and check one trial.

    Parameters
    ----------
    study : CohortStudy
    number : int
        Of the trial in the study file, from 1.
    limb : Limb
        Of its person.
    frames : int, optional
        Frames of a repetition, in place of those of the settings.

    Raises
    ------
    MomentshareError
        The trial cannot be used; the message names file and field.
    """
    entry = study.file.trial[number - 1]
    condition = study.condition(entry.condition)
    calibration = _calibration(study, entry, limb)
    processing = processing_of(study.file, study.layout(entry.layout))
    trial = process_trial(
        _recording(study, entry),
        limb.skeleton,
        processing if frames is None else replace(processing, frames=frames),
        side=entry.side,
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


def _recording(study: CohortStudy, entry: TrialEntry) -> Recording:
    first = read_recording(
        study.path(entry.file), study.layout(entry.layout, entry.person), offset=entry.offset_s
    )
    later = {"_hand_force": entry.force_offset_s, "emg/": entry.emg_offset_s}
    channels = {
        role: replace(c, start=c.start + sum(s for part, s in later.items() if part in role))
        for role, c in first.channels.items()
    }
    first = replace(first, channels=channels)
    more = [
        read_recording(study.path(m.file), study.layout(m.layout, entry.person), offset=m.offset_s)
        for m in entry.more
    ]
    return merge_recordings(first, *more) if more else first


def _calibration(study: CohortStudy, entry: TrialEntry, limb: Limb) -> Calibration | None:
    """Return what static and functional trials of the person tell; None without any."""
    found = None
    for static in study.file.static:
        if static.person != entry.person:
            continue
        recording = read_recording(
            study.path(static.file), study.layout(static.layout, static.person)
        )
        if static.side == "left":
            recording = mirrored(recording)
        told = calibration_of(recording, limb.skeleton)
        found = told if found is None else found.joined(told)
    return found


def _signed_measures(
    trial: ProcessedTrial,
    solved: CaseSet,
    emg: Mapping[str, NDArray[np.float64]],
    limb: Limb,
) -> dict[str, float]:
    """Return what tells of a zero error of the forces and of clocks that differ, with its sign."""
    found: dict[str, float] = {}
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


def _places(trial: ProcessedTrial, identity: dict[str, Any]) -> pd.DataFrame:
    """Tell what another way of placing trunk, joint centre or grip would change."""
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


def tasks_of(study: CohortStudy, number: int, trial: ProcessedTrial) -> tuple[Task, ...]:
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
            )
        )
    return tuple(tasks)


def _tables(
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
        "emg": _emg_table(study, repetition, case, emg, percent),
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


def greatest_unmet(moments: pd.DataFrame, keys: list[str]) -> pd.Series[float]:
    """Greatest unmet moment over the rows of each frame [N·m]; rounding counts as none."""
    size = moments["unmet_nm"].abs()
    size = size.where(size > _NOTHING, 0.0)
    return moments.assign(size=size).groupby(keys, sort=False, observed=True)["size"].max()


def short_of(moments: pd.DataFrame) -> str:
    """Name the moments that the limb falls short of: frames and greatest amount of each.

    Parameters
    ----------
    moments : DataFrame
        Rows of one treatment of the lateral force.
    """
    frames = len(moments[["repetition", "frame"]].drop_duplicates())
    told = []
    for row, part in moments.groupby("row", sort=False, observed=True):
        size = part["unmet_nm"].abs()
        if count := int((size > LEAST_UNMET).sum()):
            told.append(
                f"{row_named(str(row)).label} in {count} of {frames} frames, by up to "
                f"{size.max():.1f} N·m"
            )
    return "; ".join(told)


def _moments_met(moments: list[pd.DataFrame]) -> Check:
    """Share of frames in which the limb falls short of a moment, in the first treatment."""
    table = pd.concat(moments, ignore_index=True)
    first = table[table["lateral"] == table["lateral"].iloc[0]]
    size = greatest_unmet(first, ["repetition", "frame"])
    short = size > LEAST_UNMET
    note = ""
    if short.any():
        note = (
            f"short of {short_of(first)}, with lateral force {first['lateral'].iloc[0]}; the "
            "person is stronger than the limb, which strength tests and a best lift (best_lift) "
            "mend, or the posture is wrong. Moments, ratio, motion and EMG count whatever the limb "
            "can do"
        )
    return judge(OF_LIMB, 100.0 * float(short.mean()), note=note)


def _check_row(check: Check) -> dict[str, Any]:
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


def _check_curves(trial: ProcessedTrial, identity: dict[str, Any]) -> pd.DataFrame:
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


def electromyograms(
    study: CohortStudy, entry: TrialEntry, trial: ProcessedTrial, limb: Limb
) -> tuple[dict[str, NDArray[np.float64]], list[str]]:
    """Normalised envelopes by head on the track's clock, and what was noted."""
    settings = emg_settings(study.file)
    found: dict[str, NDArray[np.float64]] = {}
    notes: list[str] = []
    files: dict[tuple[str, str], Recording] = {}
    time = trial.track.start + np.arange(len(trial.track.height)) / trial.track.rate
    for role, channel in trial.recording.channels.items():
        if not role.startswith("emg/"):
            continue
        head = role.removeprefix("emg/")
        if head not in limb.head_names:
            raise InputError(
                f"{entry.file}: layout → emg: {head!r} is no head of the limb; known: "
                f"{', '.join(limb.head_names)}"
            )
        try:
            level = _level(study, entry, head, channel, settings, files)
        except InputError as err:  # a bad electrode costs the electrode, not the trial
            notes.append(f"{head}: left out: {err}")
            continue
        if level is None:
            notes.append(
                f"{head}: no maximal contraction is stated for {entry.person!r}; left out of the "
                "comparison with predicted activation"
            )
            continue
        notes += [f"{head}: {note}" for note in level.notes]
        values = resample(level.values, level.rate, channel.start, time)
        if np.isnan(values).all():
            notes.append(f"{head}: left out: its clock has no time in common with the motion")
            continue
        found[head] = values
    return found, notes


def _level(
    study: CohortStudy,
    entry: TrialEntry,
    head: str,
    channel: Channel,
    settings: EmgSettings,
    files: dict[tuple[str, str], Recording],
) -> Envelope | None:
    """Envelope over the maximal contraction; None where no contraction is stated."""
    label = f"{entry.file}: {channel.label}"
    shape = envelope(channel.values, channel.rate, settings, label=label)
    maximum = _maximum(study, entry.person, head, settings, files)
    return None if maximum is None else normalise(shape, maximum)


def _maximum(
    study: CohortStudy,
    person: str,
    head: str,
    settings: EmgSettings,
    files: dict[tuple[str, str], Recording],
) -> Maximum | float | None:
    """Level of the maximal contraction [V]; ``files`` keeps what was read for other heads."""
    stated = [m for m in study.file.maximal_contraction if (m.person, m.head) == (person, head)]
    if not stated:
        return None
    entry: MaximalEntry = stated[0]
    if entry.envelope_mv is not None:
        return entry.envelope_mv / 1000.0
    assert entry.layout is not None  # noqa: S101 - the schema sees to it
    role = f"emg/{head}"
    layout = study.layout(entry.layout, person)
    levels = []
    for file in entry.every_file:
        key = (file, entry.layout)
        if key not in files:  # electromyograms only: such files rarely hold markers
            wanted = [r for r in layout.roles() if r.startswith("emg/")]
            files[key] = read_recording(study.path(file), layout, roles=wanted)
        if not files[key].has(role):
            continue
        channel = files[key].channels[role]
        levels.append(
            maximum_of(channel.values, channel.rate, settings, label=f"{file}: {channel.label}")
        )
    if not levels:
        raise StudyError(
            f"{', '.join(entry.every_file)}: maximal_contraction: layout {entry.layout!r} names no "
            f"electromyogram of {head!r}, or the file does not hold it; add it to layout → emg"
        )
    return max(levels, key=float)


def _emg_table(
    study: CohortStudy,
    repetition: MeasuredRepetition,
    case: Case,
    emg: Mapping[str, NDArray[np.float64]],
    percent: NDArray[np.float64],
) -> pd.DataFrame:
    """Measured envelope beside predicted activation, and pulled activation where asked for."""
    if not emg:
        return pd.DataFrame()
    names = case.prepared.limb.head_names
    at = np.arange(len(next(iter(emg.values()))))
    level = {head: np.interp(repetition.positions, at, values) for head, values in emg.items()}
    level = {head: values for head, values in level.items() if np.isfinite(values).any()}
    if not level:
        return pd.DataFrame()
    weight = study.file.emg.pull_weight
    parts = []
    # The pull does not keep the limits of the glenoid.
    without = case.without_limit or case.results
    for result, pullable in zip(case.results, without, strict=True):
        pulled = None
        if weight is not None:
            measured = np.full((len(percent), len(names)), np.nan)
            for head, values in level.items():
                measured[:, names.index(head)] = values
            pulled = pull_to_emg(pullable, measured, weight)
        for head, values in level.items():
            index = names.index(head)
            parts.append(
                pd.DataFrame(
                    {
                        "person": case.person,
                        "condition": case.condition,
                        "lateral": result.lateral.mode,
                        "head": head,
                        "lift_percent": percent,
                        "emg": values,
                        "activation": result.activation[:, index],
                        "pulled_activation": np.nan
                        if pulled is None
                        else np.where(pulled.certified, pulled.activation[:, index], np.nan),
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _doubtful(parts: Mapping[str, list[pd.DataFrame]]) -> set[str]:
    return {
        head
        for table in parts["conditions"]
        for cell in table["heads_with_doubtful_path"]
        for head in str(cell).split()
    }
