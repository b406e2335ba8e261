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
from momentshare.helpers import Shared
from momentshare.runs.cases import CaseSet, Setup, Task, built_limbs, prepare_setup

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.helpers import Helpers
    from momentshare.limb import Limb

    Floats = NDArray[np.float64]
    Means = tuple[Floats, Floats, float, float]
    Reach = Mapping[tuple[str, str], NDArray[np.bool_]]

__all__ = ["Band", "BandWork", "Varied", "begin_band", "solve_band"]

_TOGETHER = 160
"""Number of lifts solved at once; little is kept of them."""

_FRAMES = 16_200
"""Frames from which no more lifts are added to them, some 15 MB of postures."""

_COUPLES = 1000
"""Number that distinguishes tasks with free couples from those with a moved posture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Varied:
    """Lift means of one person, condition and lateral treatment, one row per variation.

    Attributes
    ----------
    activation, force : float array, shape (variations, heads)
        Lift means; NaN where a posture cannot be reached. The first row is the result itself.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandWork:
    """Variations that are being solved.

    Attributes
    ----------
    rules : mapping
        Condition → names of its posture rules, with their amounts.
    counts : tuple of int
        Number of lifts in each part.
    shared : Shared
        The parts, by number.
    """

    rules: dict[str, tuple[str, ...]]
    counts: tuple[int, ...]
    shared: Shared[int, list[tuple[tuple[str, str, str], int, Means]]]


def begin_band(
    setup: Setup,
    reach: Reach,
    limbs: Limb,
    *,
    greatest_load: bool = True,
    helpers: Helpers | None = None,
) -> BandWork | None:
    """Let helpers begin the variations of a setup; None if nothing in it is planned.

    Parameters
    ----------
    setup : Setup
    reach : mapping
        Person and condition → frames that a lift reaches, of every lift that has any.
    limbs : Limb
        Those of the setup.
    greatest_load : bool
    helpers : Helpers, optional
        Processes that solve too; the answer does not depend on them.
    """
    tasks, rules = _varied_tasks(setup, reach)
    if not tasks:
        return None
    parts = [replace(setup, tasks=tuple(together)) for together in _parted(tasks, reach)]
    shared = Shared(
        range(len(parts)),
        lambda number: _solved(parts[number], limbs, reach, greatest_load),
        lambda number: (_solved, (parts[number], limbs, reach, greatest_load)),
    )
    if helpers is not None:
        helpers.join(shared)
    return BandWork(rules=rules, counts=tuple(len(part.tasks) for part in parts), shared=shared)


def solve_band(
    setup: Setup,
    solved: CaseSet,
    *,
    limbs: Limb | None = None,
    greatest_load: bool = True,
    begun: BandWork | None = None,
    helpers: Helpers | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> Band | None:
    """Solve the variations of a setup; None if nothing in it is planned.

    Parameters
    ----------
    setup : Setup
    solved : CaseSet
        Its answers.
    limbs : Limb, optional
        Those of the setup, if they have been built.
    greatest_load : bool
    begun : BandWork, optional
        What has been begun of it; otherwise all is begun here.
    helpers : Helpers, optional
        Processes that solve too; the answer does not depend on them.
    progress : callable, optional
        Called with the number of lifts done, the total, and what is being done.
    """
    if begun is None:
        built = built_limbs(setup.limbs) if limbs is None else limbs
        reach = {(c.person, c.condition): c.prepared.lift.reachable for c in solved.cases}
        begun = begin_band(setup, reach, built, greatest_load=greatest_load, helpers=helpers)
    if begun is None:
        return None
    shared, counts, rules = begun.shared, begun.counts, begun.rules

    def tell(_: int) -> None:
        if progress is not None:
            progress(sum(counts[k] for k in shared.done), sum(counts), "posture band")

    found: dict[tuple[str, str, str], dict[int, Means]] = defaultdict(dict)
    for answers in shared.finish(tell).values():
        for key, repetition, means in answers:
            found[key][repetition] = means
    if progress is not None:
        progress(sum(counts), sum(counts), "posture band")
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


def _parted(tasks: Sequence[Task], reach: Reach) -> Iterator[Sequence[Task]]:
    """Tasks in parts of so many lifts, fewer where these are long."""
    first, frames = 0, 0
    for at, task in enumerate(tasks, start=1):
        frames += len(reach[task.person, task.condition])
        if at - first >= _TOGETHER or frames >= _FRAMES or at == len(tasks):
            yield tasks[first:at]
            first, frames = at, 0


def _varied_tasks(setup: Setup, reach: Reach) -> tuple[list[Task], dict[str, tuple[str, ...]]]:
    """List the variations of every planned lift that has a posture, and the rules varied."""
    tasks: list[Task] = []
    rules: dict[str, tuple[str, ...]] = {}
    for task in setup.tasks:
        if task.exercise is None or (task.person, task.condition) not in reach:
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


def _solved(
    setup: Setup, limbs: Limb, reach: Reach, greatest_load: bool
) -> list[tuple[tuple[str, str, str], int, Means]]:
    """Solve tasks and keep only means: person, condition and lateral mode, variation, means.

    A moved posture that does not reach whatever the condition itself reaches is left out.
    """
    ready = prepare_setup(setup, limbs=limbs)
    found: list[tuple[tuple[str, str, str], int, Means]] = []
    for block in ready.blocks:
        tasks = [ready.tasks[number] for number in block.numbers]
        wanted = [
            (k, lateral)
            for k, (task, lift) in enumerate(zip(tasks, block.lifts, strict=True))
            if _reaches(lift.reachable, reach[task.person, task.condition])
            for lateral in task.treatments
        ]
        if not wanted:
            continue
        for answer in block.solve(
            wanted, setup.criterion, greatest_load=greatest_load, glenoid=setup.glenoid,
            change=setup.balance,
        ):  # fmt: skip
            ratio = answer.hand.ratio(answer.balance.vertical)
            factor = None if answer.greatest is None else answer.greatest.factor
            for place, (k, lateral) in enumerate(answer.members):
                at, good = answer.span(place), block.lifts[k].reachable
                sharing = answer.sharing
                load = None if factor is None else factor[at]
                means = _means(good, sharing.activation[at], sharing.force[at], load, ratio[at])
                key = (tasks[k].person, tasks[k].condition, lateral.mode)
                found.append((key, tasks[k].repetition, means))
    return found


def _reaches(here: NDArray[np.bool_], there: NDArray[np.bool_]) -> bool:
    """Whether a moved posture reaches whatever the condition itself reaches."""
    return bool(here.shape == there.shape and np.all(here | ~there))


def _means(
    good: NDArray[np.bool_],
    activation: Floats,
    force: Floats,
    factor: Floats | None,
    ratio: Floats,
) -> Means:
    return (
        activation[good].mean(axis=0),
        force[good].mean(axis=0),
        np.nan if factor is None else float(np.min(factor[good])),
        float(ratio[good].mean()),
    )


def _lift_means(result: LiftResult) -> Means:
    return _means(
        result.prepared.lift.reachable,
        result.activation,
        result.force,
        None if result.greatest is None else result.greatest.factor,
        result.lateral_ratio,
    )


def _varied(result: LiftResult, others: list[Means | None]) -> Varied:
    own = _lift_means(result)
    lost = (np.full_like(own[0], np.nan), np.full_like(own[1], np.nan), np.nan, np.nan)
    rows = [own, *(lost if other is None else other for other in others)]
    return Varied(
        activation=np.array([row[0] for row in rows]),
        force=np.array([row[1] for row in rows]),
        load=np.array([row[2] for row in rows]),
        ratio=np.array([row[3] for row in rows]),
    )
