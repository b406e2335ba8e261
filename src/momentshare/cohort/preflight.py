"""Before a trial is solved: names, duplicated files, and everything that its answer depends on."""

from __future__ import annotations

import hashlib
import json
from importlib import metadata
from typing import TYPE_CHECKING, Any

from momentshare.cohort.head_ids import check_heads
from momentshare.cohort.trials import (
    file_digest,
)
from momentshare.errors import StudyError

if TYPE_CHECKING:
    from momentshare.cohort.schema import CohortStudy, TrialEntry
    from momentshare.model import Model

__all__ = ["check_cohort", "trial_tag"]


def _refuse_copies(study: CohortStudy) -> None:
    """Refuse the same measurement under two names, which would count a person twice."""
    seen: dict[str, list[tuple[int, TrialEntry]]] = {}
    faults = []
    for number, entry in enumerate(study.file.trial, start=1):
        path = study.path(entry.file)
        if not path.is_file():
            continue
        earlier = seen.setdefault(f"{file_digest(path)} {entry.side}", [])
        for other, given in earlier:
            mine, theirs = entry.repetitions, given.repetitions
            if mine is None or theirs is None or set(mine) & set(theirs):
                faults.append(
                    f"trial[{number}] {entry.file!r}: holds the same bytes and arm as "
                    f"trial[{other}] {given.file!r}; remove one, or give each its repetitions"
                )
                break
        earlier.append((number, entry))
    if faults:
        raise StudyError(f"{study.source}: the same measurement is listed twice:", faults)


def check_cohort(study: CohortStudy, model: Model) -> None:
    """Refuse names unknown to the model or the curve sets, and duplicated files.

    Raises
    ------
    StudyError, UnknownNameError
        Naming file and field.
    """
    _check_settings(study, model)
    _refuse_copies(study)


def _check_settings(study: CohortStudy, model: Model) -> None:
    """Faults of names that only the model or the curve sets can resolve."""
    from momentshare.study.run import check_settings

    check_settings(study.file.settings, model, study.source)
    check_heads(study.file, model.head_names, study.source)


_TABLES = 8
"""Version of the tables kept for a trial."""

_AFTERWARDS = {"failed_checks", "short_heads"}
"""Settings that decide what happens to a solved trial."""


def trial_tag(study: CohortStudy, number: int, model: Model) -> str:
    """Digest of everything that the answer of a trial depends on."""
    file, entry = study.file, study.file.trial[number - 1]
    maximal = [m for m in file.maximal_contraction if m.person == entry.person]
    static = [m for m in file.static if m.person == entry.person]
    layouts = {
        *(m.layout for m in static),
        entry.layout,
        *(m.layout for m in entry.more),
        *(m.layout for m in maximal),
    }
    files = [
        entry.file,
        *(m.file for m in static),
        *(m.file for m in entry.more),
        *(f for m in maximal for f in m.every_file),
    ]
    parts: dict[str, Any] = {
        "tables": _TABLES,
        "version": metadata.version("momentshare"),
        "model": model.digest,
        "settings": file.settings.model_dump(mode="json"),
        "processing": file.processing.model_dump(mode="json", exclude=_AFTERWARDS),
        "emg": file.emg.model_dump(mode="json"),
        "sensitivity": file.statistics.sensitivity,
        "outcomes": [file.statistics.descents, file.statistics.both_arms],
        "person": study.person(entry.person).model_dump(mode="json"),
        "condition": study.condition(entry.condition).model_dump(mode="json"),
        "trial": entry.model_dump(mode="json"),
        "maximal": [m.model_dump(mode="json") for m in maximal],
        "static": [m.model_dump(mode="json") for m in static],
        "layouts": [x.model_dump(mode="json") for x in file.layout if x.name in layouts],
        "files": [file_digest(study.path(name)) for name in files],
    }
    if raised := study.raised.get(entry.person):
        parts["raised"] = {group: f"{factor:.12g}" for group, factor in raised.items()}
    if entry.person in study.upper_arms:
        arm = study.upper_arms[entry.person]
        parts["upper_arm"] = arm and [f"{value:.9g}" for value in (*arm.offset, arm.length)]
    if slope := study.slopes.get(entry.person):
        parts["slope"] = [f"{value:.9g}" for value in (slope.angle, slope.spread, slope.shared)]
        parts["slope"].append(slope.people)
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
