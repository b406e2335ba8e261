"""Two electrodes that look exchanged: each channel works as the other does everywhere else.

A channel is known by the course of its envelope along the lift, by how that changes between
conditions, and by its level in volts, which no maximal contraction that was exchanged too can
hide. One trial is compared with the person's other trials, a whole person with the other people,
whose levels differ by electrode and skin and therefore do not count there. Heads that work alike
cannot be told from each other and are never named.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.cohort.electromyograms import POINTS

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.cohort.peers import Measured

__all__ = ["ElectrodeTrial", "electrode_trials", "exchanged_table", "exchanged_text"]

_LEAST_OTHERS = 3
"""Other trials of the person, or other people, from which a channel is known; assumed."""

_OUT_TRIAL, _OUT_PERSON = 2.5, 2.0
"""Distance of a channel from its own usual course, over the usual distance, beyond which both
channels of a pair have to lie. With the limits below, no pair of 120 invented sound cohorts was
named; of pairs that had been exchanged about half were (heads that work alike hardly ever)."""

_NEARER = 0.5
"""Distance when exchanged over that as named, below which they count as exchanged; assumed."""

_USUAL = 1.6
"""Distance of a channel when exchanged, over the usual one, that is still like the others."""

_FLOOR = 0.1
"""Least usual distance that is accepted, of natural logarithms; assumed."""

_QUIET = 0.1
"""Part of its own mean below which an envelope is noise; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodeTrial:
    """A trial and the mean envelope of each channel in ``POINTS`` stretches of the lift [V].

    ``courses`` is by head; ``labels`` names the channel of each.
    """

    number: int
    person: str
    condition: str
    courses: Mapping[str, Sequence[float]]
    labels: Mapping[str, str]


def electrode_trials(trials: Iterable[Measured]) -> list[ElectrodeTrial]:
    """Trials whose record holds ``emg_courses``."""
    return [
        ElectrodeTrial(
            number=o.number,
            person=o.person,
            condition=o.condition,
            courses={head: x["course"] for head, x in courses.items()},
            labels={head: x["channel"] for head, x in courses.items()},
        )
        for o in trials
        if (courses := o.record.get("emg_courses"))
    ]


def exchanged_text(row: Mapping[Hashable, Any]) -> str:
    """State a row of ``exchanged.csv``, and what to do."""
    if row["trial"] > 0:
        where, usual = f"Trial {row['trial']} of {row['person']}", "the person's other trials"
    else:
        where, usual = f"All trials of {row['person']}", "the other people"
    return (
        f"{where}: the electrodes of {row['head']} ({row['channel']}) and {row['other_head']} "
        f"({row['other_channel']}) may be exchanged: their envelopes are {row['distance']:.1f} "
        f"times as far from those of {usual} as usual, and {row['distance_exchanged']:.1f} times "
        "when exchanged; check cables and labels."
    )


def exchanged_table(trials: Sequence[ElectrodeTrial]) -> pd.DataFrame:
    """Find trials, and people, two of whose channels fit far better when exchanged.

    Returns
    -------
    DataFrame
        One row per pair: ``trial`` (0 for all trials of a person), ``person``, ``head``,
        ``channel``, ``other_head``, ``other_channel``, ``distance`` and ``distance_exchanged``
        (over the usual distance). Empty where none was found.
    """
    logs = {t.number: _logarithms(t) for t in trials}
    rows = []
    for trial, one, other, found in _odd_trials(trials, logs):
        rows.append(_row(trial.number, trial, one, other, found))
        mine = logs[trial.number]
        mine[one], mine[other] = mine[other], mine[one]
    rows += [_row(0, t, one, other, found) for t, one, other, found in _odd_people(trials, logs)]
    return pd.DataFrame(rows)


def _row(
    number: int, trial: ElectrodeTrial, one: str, other: str, found: tuple[float, float]
) -> dict[str, Any]:
    return {
        "trial": number,
        "person": trial.person,
        "head": one,
        "channel": trial.labels[one],
        "other_head": other,
        "other_channel": trial.labels[other],
        "distance": found[0],
        "distance_exchanged": found[1],
    }


def _logarithms(trial: ElectrodeTrial) -> dict[str, NDArray[np.float64]]:
    """Logarithms of the courses; one head of each channel."""
    found, seen = {}, set()
    for head, course in trial.courses.items():
        values = np.asarray(course, dtype=float)
        if trial.labels[head] in seen or not np.isfinite(values).all() or values.mean() <= 0.0:
            continue
        seen.add(trial.labels[head])
        found[head] = np.log(np.maximum(values, _QUIET * values.mean()))
    return found


def _odd_trials(
    trials: Sequence[ElectrodeTrial], logs: Mapping[int, dict[str, NDArray[np.float64]]]
) -> list[tuple[ElectrodeTrial, str, str, tuple[float, float]]]:
    """Trials whose channels are exchanged beside the person's others, level included."""
    effect = _condition_effects(trials, logs)
    none = np.zeros(POINTS)
    expected: dict[int, dict[str, NDArray[np.float64]]] = {}
    for trial in trials:
        others = [t for t in trials if t.person == trial.person and t.number != trial.number]
        expected[trial.number] = {}
        for head in logs[trial.number]:
            level = [
                logs[t.number][head] - effect.get((head, t.condition), none)
                for t in others
                if head in logs[t.number]
            ]
            if len(level) >= _LEAST_OTHERS:
                own = effect.get((head, trial.condition), none)
                expected[trial.number][head] = np.median(level, axis=0) + own
    usual = _usual([(logs[n], known) for n, known in expected.items()])
    return [
        (trial, *pair)
        for trial in trials
        for pair in _pairs(logs[trial.number], expected[trial.number], usual, _OUT_TRIAL)
    ]


def _odd_people(
    trials: Sequence[ElectrodeTrial], logs: Mapping[int, dict[str, NDArray[np.float64]]]
) -> list[tuple[ElectrodeTrial, str, str, tuple[float, float]]]:
    """People whose channels are exchanged in every trial, by shape and conditions alone."""
    curves = _curves(trials, logs)
    conditions = sorted({t.condition for t in trials})
    people = list(dict.fromkeys(t.person for t in trials))
    own: dict[str, dict[str, NDArray[np.float64]]] = {}
    known: dict[str, dict[str, NDArray[np.float64]]] = {}
    for person in people:
        own[person], known[person] = {}, {}
        for head in sorted({h for p, h, _ in curves if p == person}):
            mine = [c for c in conditions if (person, head, c) in curves]
            peers = [
                np.stack([curves[p, head, c] for c in mine])
                for p in people
                if p != person and all((p, head, c) in curves for c in mine)
            ]
            if len(peers) >= _LEAST_OTHERS:
                middle = np.median([x - x.mean() for x in peers], axis=0)
                here = np.stack([curves[person, head, c] for c in mine])
                own[person][head], known[person][head] = here - here.mean(), middle
    usual = _usual([(own[p], known[p]) for p in people])
    first = {t.person: t for t in reversed(trials)}
    return [
        (first[person], *pair)
        for person in people
        for pair in _pairs(own[person], known[person], usual, _OUT_PERSON)
    ]


def _curves(
    trials: Sequence[ElectrodeTrial], logs: Mapping[int, dict[str, NDArray[np.float64]]]
) -> dict[tuple[str, str, str], NDArray[np.float64]]:
    """Median course of each person, head and condition."""
    found: dict[tuple[str, str, str], list[NDArray[np.float64]]] = {}
    for trial in trials:
        for head, values in logs[trial.number].items():
            found.setdefault((trial.person, head, trial.condition), []).append(values)
    return {key: np.median(values, axis=0) for key, values in found.items()}


def _condition_effects(
    trials: Sequence[ElectrodeTrial], logs: Mapping[int, dict[str, NDArray[np.float64]]]
) -> dict[tuple[str, str], NDArray[np.float64]]:
    """Change of a head's course with the condition, median over people; levels taken out."""
    curves = _curves(trials, logs)
    level: dict[tuple[str, str], list[NDArray[np.float64]]] = {}
    for (person, head, _), values in curves.items():
        level.setdefault((person, head), []).append(values)
    middle = {key: np.median(values, axis=0) for key, values in level.items()}
    found: dict[tuple[str, str], list[NDArray[np.float64]]] = {}
    for (person, head, condition), values in curves.items():
        found.setdefault((head, condition), []).append(values - middle[person, head])
    return {k: np.median(v, axis=0) for k, v in found.items() if len(v) > _LEAST_OTHERS}


def _distance(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean((one - other) ** 2)))


def _usual(
    pairs: Sequence[tuple[Mapping[str, Any], Mapping[str, Any]]],
) -> dict[str, float]:
    """Usual distance of each head from its expected course."""
    found: dict[str, list[float]] = {}
    for own, known in pairs:
        for head in known:
            found.setdefault(head, []).append(_distance(own[head], known[head]))
    return {head: max(float(np.median(far)), _FLOOR) for head, far in found.items()}


def _pairs(
    own: Mapping[str, NDArray[np.float64]],
    known: Mapping[str, NDArray[np.float64]],
    usual: Mapping[str, float],
    out: float,
) -> list[tuple[str, str, tuple[float, float]]]:
    """Pairs of channels that fit when exchanged and do not as they are named, best first."""
    found = []
    for one, other in combinations(known, 2):
        if own[one].shape != own[other].shape:
            continue
        named = [_distance(own[h], known[h]) / usual[h] for h in (one, other)]
        turned = [_distance(own[a], known[b]) / usual[b] for a, b in ((one, other), (other, one))]
        before, after = (float(np.sqrt(np.mean(np.square(x)))) for x in (named, turned))
        fits = max(turned) < _USUAL and after < _NEARER * before
        if min(named) > out and fits:
            found.append((one, other, (before, after)))
    taken: set[str] = set()
    best = []
    for one, other, far in sorted(found, key=lambda x: x[2][1] / x[2][0]):
        if not {one, other} & taken:
            taken |= {one, other}
            best.append((one, other, far))
    return best
