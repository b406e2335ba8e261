"""Trials whose hands are as far apart as in another condition than the one they are filed under."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

__all__ = ["Misfiled", "SpacedTrial", "misfiled_table", "misfiled_text", "misfiled_trials"]

_LEAST_PEOPLE = 3
"""Number of people in a condition from which its spacing is known; assumed."""

_OUT = 4.0
"""Robust standard deviations beyond which a spacing is not that of its condition; assumed."""

_FLOOR = 0.02
"""Least spread of spacings that is accepted, relative; assumed."""

_NEARER = 0.35
"""Distance from the other condition over that from its own, below which a trial belongs to the
other; assumed."""

_ROUNDS = 3
"""Rounds in which the levels of people and conditions are found from each other."""

_TO_SD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpacedTrial:
    """A trial and the distance between its hands [m]."""

    number: int
    person: str
    condition: str
    file: str
    spacing: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfiled:
    """A trial that looks like one of another condition; distances in metres.

    ``expected`` and ``expected_other`` are what the other trials lead one to expect of this person
    in the condition named by the study and in ``other``.
    """

    trial: SpacedTrial
    other: str
    expected: float
    expected_other: float

    def row(self) -> dict[str, Any]:
        """Return it as a row of ``misfiled.csv``."""
        trial = self.trial
        return {
            "trial": trial.number,
            "person": trial.person,
            "condition": trial.condition,
            "file": trial.file,
            "hand_spacing_cm": 100.0 * trial.spacing,
            "expected_cm": 100.0 * self.expected,
            "other": self.other,
            "expected_other_cm": 100.0 * self.expected_other,
        }


def misfiled_text(row: Mapping[Hashable, Any]) -> str:
    """State a row of ``misfiled.csv``, and what to do."""
    return (
        f"Trial {row['trial']}, {row['file']} of {row['person']}, may not be {row['condition']}: "
        f"its hands are {row['hand_spacing_cm']:.0f} cm apart, where the other trials lead to "
        f"{row['expected_cm']:.0f} cm, and to {row['expected_other_cm']:.0f} cm in {row['other']}; "
        "check the condition of the trial, or the name of its file."
    )


def misfiled_table(trials: Sequence[SpacedTrial]) -> pd.DataFrame:
    """Rows of :func:`misfiled_trials` as a table, empty where none was found."""
    return pd.DataFrame([found.row() for found in misfiled_trials(trials)])


def misfiled_trials(trials: Sequence[SpacedTrial]) -> list[Misfiled]:
    """Find trials whose spacing is that of another condition.

    Logarithms of the spacings are taken apart into a level of the person and one of the condition
    by medians, so that a few misfiled trials do not hide themselves. A trial is found where it is
    far from its own condition and near another. Conditions in which people hold alike are never
    taken for each other.
    """
    known = [t for t in trials if np.isfinite(t.spacing) and t.spacing > 0.0]
    own: dict[str, dict[str, list[float]]] = {}
    for trial in known:
        own.setdefault(trial.condition, {}).setdefault(trial.person, []).append(
            float(np.log(trial.spacing))
        )
    rows = {
        condition: {person: float(np.median(values)) for person, values in people.items()}
        for condition, people in own.items()
        if len(people) >= _LEAST_PEOPLE
    }
    if len(rows) < 2:
        return []
    conditions, people = _levels(rows)
    rest = [
        np.log(t.spacing) - conditions[t.condition] - people[t.person]
        for t in known
        if t.condition in conditions
    ]
    spread = max(_TO_SD * float(np.median(np.abs(rest))), _FLOOR)
    found = []
    for trial in known:
        if trial.condition not in conditions:
            continue
        value = float(np.log(trial.spacing)) - people[trial.person]
        off = {condition: abs(value - level) for condition, level in conditions.items()}
        mine = off.pop(trial.condition)
        other = min(off, key=lambda condition: off[condition])
        if mine > _OUT * spread and off[other] < _NEARER * mine:
            level = people[trial.person]
            found.append(
                Misfiled(
                    trial=trial,
                    other=other,
                    expected=float(np.exp(conditions[trial.condition] + level)),
                    expected_other=float(np.exp(conditions[other] + level)),
                )
            )
    return found


def _levels(
    rows: Mapping[str, Mapping[str, float]],
) -> tuple[dict[str, float], dict[str, float]]:
    """Levels of conditions and of people whose sums come nearest, by medians in turn."""
    people = {person: 0.0 for row in rows.values() for person in row}
    conditions: dict[str, float] = {}
    for _ in range(_ROUNDS):
        conditions = {
            condition: float(np.median([value - people[person] for person, value in row.items()]))
            for condition, row in rows.items()
        }
        people = {
            person: float(
                np.median([row[person] - conditions[c] for c, row in rows.items() if person in row])
            )
            for person in people
        }
    return conditions, people
