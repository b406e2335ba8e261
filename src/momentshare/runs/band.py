"""What the posture rule and the couples of the hands change in planned results.

Every planned condition is solved again with its posture rule moved to its edges and corners
(:mod:`momentshare.exercise.rule`), and once with the couples of the hands free, all in one batch.
A band is the range of a lift mean over these and the result itself. A moved posture that leaves
frames out of reach which the condition itself reaches does not count.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.rule import SIGNS, posture_rules, ruled
from momentshare.runs.cases import CaseSet, Setup, Task, solve_setup

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.runs.cases import Case

    Floats = NDArray[np.float64]

__all__ = ["Band", "Varied", "solve_band"]

_TOGETHER = 600
"""Lifts solved at once; what is kept of them is little."""

_COUPLES = 1000
"""Number by which tasks with free couples are told from those with a moved posture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Varied:
    """Lift means of one person, condition and lateral treatment, one row a variation.

    Attributes
    ----------
    activation, force : float array, shape (variations, heads)
        Lift means; NaN where a posture cannot be taken. The first row is the result itself.
    load, ratio : float array, shape (variations,)
        Greatest load through the lift [kg], and lift mean of the lateral ratio.
    """

    activation: Floats
    force: Floats
    load: Floats
    ratio: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """Variations of every planned result; keys are person, condition and lateral mode.

    Attributes
    ----------
    rules : mapping
        Condition → names of its posture rules, with their amounts.
    posture : mapping
        Key → what the posture rule changes.
    couples : mapping
        Key → what free couples of the hands change, two rows; only where there is a bar and
        the couples are not free already.
    """

    rules: dict[str, tuple[str, ...]]
    posture: dict[tuple[str, str, str], Varied]
    couples: dict[tuple[str, str, str], Varied]

    def __repr__(self) -> str:
        return f"Band(conditions={len(self.rules)}, results={len(self.posture)})"


def solve_band(
    setup: Setup,
    solved: CaseSet,
    *,
    greatest_load: bool = True,
    progress: Callable[[int, int, str], None] | None = None,
) -> Band | None:
    """Solve the variations of a setup; None where nothing in it is planned.

    Parameters
    ----------
    setup : Setup
    solved : CaseSet
        Its answers.
    greatest_load : bool
    progress : callable, optional
        Called with the number of lifts done, that of all, and what is done.
    """
    base = {(case.person, case.condition): case for case in solved.cases}
    tasks, rules = _varied_tasks(setup, base)
    if not tasks:
        return None
    found: dict[tuple[str, str, str], dict[int, tuple[Floats, Floats, float, float]]]
    found = defaultdict(dict)
    for first in range(0, len(tasks), _TOGETHER):
        if progress is not None:
            progress(first, len(tasks), "posture band")
        part = replace(setup, tasks=tuple(tasks[first : first + _TOGETHER]))
        for case in solve_setup(part, greatest_load=greatest_load, compared=False).cases:
            if _reaches(case, base[case.person, case.condition]):
                for result in case.results:
                    key = (case.person, case.condition, result.lateral.mode)
                    found[key][case.repetition] = _means(result)
    if progress is not None:
        progress(len(tasks), len(tasks), "posture band")
    posture: dict[tuple[str, str, str], Varied] = {}
    couples: dict[tuple[str, str, str], Varied] = {}
    for case, result in solved.pairs():
        key = (case.person, case.condition, result.lateral.mode)
        if case.condition in rules:
            mine = found.get(key, {})
            ways = len(SIGNS[len(rules[case.condition])])
            posture[key] = _varied(result, [mine.get(k) for k in range(1, ways + 1)])
            if _COUPLES in mine:
                couples[key] = _varied(result, [mine[_COUPLES]])
    return Band(rules=rules, posture=posture, couples=couples)


def _varied_tasks(
    setup: Setup, base: Mapping[tuple[str, str], Case]
) -> tuple[list[Task], dict[str, tuple[str, ...]]]:
    """List the variations of every planned lift that was solved, and the rules varied."""
    tasks: list[Task] = []
    rules: dict[str, tuple[str, ...]] = {}
    for task in setup.tasks:
        if task.exercise is None or (task.person, task.condition) not in base:
            continue
        known = posture_rules(task.exercise, setup.limbs.model.quantities)
        rules[task.condition] = tuple(rule.name for rule in known)
        tasks += [
            replace(task, exercise=ruled(task.exercise, known, signs), repetition=k)
            for k, signs in enumerate(SIGNS[len(known)], start=1)
        ]
        freed = tuple(
            replace(lateral, couples="free")
            for lateral in task.treatments
            if lateral.couples == "zero"
        )
        if freed:
            tasks.append(replace(task, treatments=freed, repetition=_COUPLES))
    return tasks, rules


def _reaches(case: Case, base: Case) -> bool:
    """Whether a moved posture reaches whatever the condition itself reaches."""
    here, there = case.prepared.lift.reachable, base.prepared.lift.reachable
    return bool(here.shape == there.shape and np.all(here | ~there))


def _means(result: LiftResult) -> tuple[Floats, Floats, float, float]:
    good = result.prepared.lift.reachable
    load = np.nan
    if result.greatest is not None:
        load = float(np.min(result.greatest.factor[good]))
    return (
        result.activation[good].mean(axis=0),
        result.force[good].mean(axis=0),
        load,
        float(result.lateral_ratio[good].mean()),
    )


def _varied(result: LiftResult, others: list[tuple[Floats, Floats, float, float] | None]) -> Varied:
    own = _means(result)
    lost = (np.full_like(own[0], np.nan), np.full_like(own[1], np.nan), np.nan, np.nan)
    rows = [own, *(lost if other is None else other for other in others)]
    return Varied(
        activation=np.array([row[0] for row in rows]),
        force=np.array([row[1] for row in rows]),
        load=np.array([row[2] for row in rows]),
        ratio=np.array([row[3] for row in rows]),
    )
