"""Electromyograms of a trial, normalised to maximal contractions, beside predicted activation."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.emg import (
    EmgSettings,
    Envelope,
    Maximum,
    envelope,
    maximal_level,
    normalise,
    pull_to_emg,
)
from momentshare.errors import InputError, StudyError
from momentshare.signals import resample
from momentshare.trial.formats.read import read_recording

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
    from momentshare.runs import Case
    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.process import (
        ProcessedTrial,
    )
    from momentshare.trial.recording import Recording


__all__ = [
    "LEFT_OUT",
    "POINTS",
    "Maxima",
    "electromyograms",
    "emg_courses",
    "emg_settings",
    "emg_table",
    "raw_envelopes",
]

Maxima = dict[tuple[str, EmgSettings], Maximum | float | None]
"""Level of the maximal contraction of each head of a person, by how its envelope is made."""

LEFT_OUT = ": left out: "
"""What stands between a head and the reason why its electromyogram does not count."""

POINTS = 10
"""Stretches of the lift whose mean envelopes are compared."""


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


def raw_envelopes(
    study: CohortStudy, entry: TrialEntry, trial: ProcessedTrial
) -> dict[str, Envelope | InputError]:
    """Envelope of each head's channel [V], or why it has none."""
    settings = emg_settings(study.file)
    found: dict[str, Envelope | InputError] = {}
    for role, channel in trial.recording.channels.items():
        if not role.startswith("emg/"):
            continue
        label = f"{entry.file}: {channel.label}"
        try:
            shape: Envelope | InputError = envelope(
                channel.values, channel.rate, settings, label=label
            )
        except InputError as err:  # a bad electrode costs the electrode, not the trial
            shape = err
        found[role.removeprefix("emg/")] = shape
    return found


def electromyograms(
    study: CohortStudy,
    entry: TrialEntry,
    trial: ProcessedTrial,
    limb: Limb,
    shapes: Mapping[str, Envelope | InputError],
    maxima: Maxima | None = None,
) -> tuple[dict[str, NDArray[np.float64]], list[str]]:
    """Normalised envelopes by head on the track's clock, and notes (see :data:`LEFT_OUT`).

    ``shapes`` are the :func:`raw_envelopes` of the trial. ``maxima`` takes what maximal
    contractions of this person showed, so that further trials need not read them again.
    """
    found: dict[str, NDArray[np.float64]] = {}
    notes: list[str] = []
    files: dict[tuple[str, str], Recording] = {}
    maxima = {} if maxima is None else maxima
    time = trial.track.start + np.arange(len(trial.track.height)) / trial.track.rate
    for head, shape in shapes.items():
        channel = trial.recording.channels[f"emg/{head}"]
        if head not in limb.head_names:
            raise InputError(
                f"{entry.file}: layout → emg: {head!r} is not a head of the limb; known: "
                f"{', '.join(limb.head_names)}"
            )
        try:
            level = _level(study, entry, head, shape, files, maxima)
        except InputError as err:
            notes.append(f"{head}{LEFT_OUT}{err}")
            continue
        if level is None:
            notes.append(f"{head}{LEFT_OUT}no maximal contraction is stated for {entry.person!r}")
            continue
        notes += [f"{head}: {note}" for note in level.notes]
        values = resample(level.values, level.rate, channel.start, time)
        if np.isnan(values).all():
            notes.append(f"{head}{LEFT_OUT}its clock has no time in common with the motion")
            continue
        found[head] = values
    return found, notes


def emg_courses(
    trial: ProcessedTrial, shapes: Mapping[str, Envelope | InputError]
) -> dict[str, dict[str, Any]]:
    """Mean envelope of each channel along the lift, for :class:`ElectrodeTrial`.

    By head: the label of its ``channel`` and its ``course`` [V], over the repetitions. Needs no
    maximal contraction; channels without an envelope (:func:`raw_envelopes`) are left out.
    """
    found = {}
    for head, level in shapes.items():
        if isinstance(level, InputError):
            continue
        channel = trial.recording.channels[f"emg/{head}"]
        clock = channel.start + np.arange(len(level.values)) / level.rate
        courses = []
        for item in trial.repetitions:
            begin, end = item.repetition.chest, item.repetition.lockout
            marks = trial.track.start + np.linspace(begin, end, POINTS + 1) / trial.track.rate
            edges = np.searchsorted(clock, marks)
            if edges[0] > 0 and edges[-1] < len(clock) and (np.diff(edges) > 0).all():
                pieces = np.split(level.values, edges)[1:-1]
                courses.append([piece.mean() for piece in pieces])
        if courses:
            course = np.mean(courses, axis=0).tolist()
            found[head] = {"channel": channel.label, "course": course}
    return found


def _level(
    study: CohortStudy,
    entry: TrialEntry,
    head: str,
    shape: Envelope | InputError,
    files: dict[tuple[str, str], Recording],
    maxima: Maxima,
) -> Envelope | None:
    """Envelope over the maximal contraction; None where no contraction is stated."""
    if isinstance(shape, InputError):
        raise shape
    if (head, shape.settings) not in maxima:
        found = _maximum(study, entry.person, head, shape.settings, files)
        maxima[head, shape.settings] = found
    maximum = maxima[head, shape.settings]
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
            maximal_level(channel.values, channel.rate, settings, label=f"{file}: {channel.label}")
        )
    if not levels:
        raise StudyError(
            f"{', '.join(entry.every_file)}: maximal_contraction: layout {entry.layout!r} names no "
            f"electromyogram of {head!r}, or the file does not hold it; add it to layout → emg"
        )
    return max(levels, key=float)


def emg_table(
    study: CohortStudy,
    repetition: MeasuredRepetition,
    case: Case,
    emg: Mapping[str, NDArray[np.float64]],
    percent: NDArray[np.float64],
) -> pd.DataFrame:
    """Measured envelope beside predicted activation, and pulled activation if requested."""
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
