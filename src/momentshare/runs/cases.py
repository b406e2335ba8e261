"""Cases: who lifts what, with which treatments of the lateral force; and their answers.

Everything that is solved begins as a :class:`Setup`: how the limbs are built, and one
:class:`Task` for each person and condition, planned or measured. Commands differ in the origin of
their setup and in what they read from the answers.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import Criterion
from momentshare.errors import MomentshareError
from momentshare.exercise import make_lifts
from momentshare.limb import Limb, LimbOptions, build_limbs
from momentshare.model import Model
from momentshare.model.numbers import Numbers
from momentshare.runs.block import FRAMES, make_blocks
from momentshare.skeleton import Skeleton

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import Self

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult, Prepared
    from momentshare.balance import Balance, Lateral
    from momentshare.exercise import Exercise, GivenMoments, Lift
    from momentshare.files import Shelf
    from momentshare.limb import MeasuredStrength
    from momentshare.person import Person
    from momentshare.runs.block import Block

__all__ = [
    "Case",
    "CaseSet",
    "LimbPlan",
    "PreparedSetup",
    "Refusal",
    "Setup",
    "Task",
    "built_limbs",
    "prepare_setup",
    "raised_limbs",
    "shelf_in",
    "solve_setup",
]


_SHELVED = 4_000
"""Frames of a block whose answers go on a shelf; some 30 kB a frame are in work at once."""

_TOGETHER = 4_000
"""Frames from which cases in memory are tabled apart; some 20 kB of tables a frame."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimbPlan:
    """How limbs are built, one per person.

    Attributes
    ----------
    people : tuple of Person
    model : Model
    scapula : str or None
        Scapula policy; the model's default when None.
    strengths : tuple of sequence of MeasuredStrength
        Tests of each person.
    raised : tuple of mapping
        Of each person: group → factor on its strength after the tests, such as a best lift
        requires.
    numbers : Numbers
    options : LimbOptions
    shorten : bool
        Whether a fibre that is longer than its path is shortened; otherwise there is no such limb.
    """

    people: tuple[Person, ...]
    model: Model
    scapula: str | None = None
    strengths: tuple[Sequence[MeasuredStrength], ...] = ()
    raised: tuple[Mapping[str, float], ...] = ()
    numbers: Numbers = field(default_factory=Numbers)
    options: LimbOptions = field(default_factory=LimbOptions)
    shorten: bool = False

    def build(self) -> tuple[Limb, dict[int, MomentshareError]]:
        """Build the limbs; see :func:`momentshare.limb.build_limbs`."""
        limbs, faults = build_limbs(
            self.people,
            self.model,
            scapula=self.scapula,
            strengths=self.strengths or None,
            numbers=self.numbers,
            options=self.options,
            shorten=self.shorten,
        )
        return (raised_limbs(limbs, self.raised) if self.raised else limbs), faults


def raised_limbs(limbs: Limb, factors: Sequence[Mapping[str, float]]) -> Limb:
    """Return limbs with the strength of groups raised, one mapping per limb; stiffness stays."""
    if not any(factors):
        return limbs
    heads = limbs.model.heads
    scale = np.array([[own.get(head.group, 1.0) for head in heads] for own in factors])
    changes = tuple(
        {**before, **{g: before.get(g, 1.0) * f for g, f in own.items()}}
        for before, own in zip(limbs.strength_changes, factors, strict=True)
    )
    force = limbs.greatest_isometric_force * scale.reshape(limbs.greatest_isometric_force.shape)
    return replace(limbs, greatest_isometric_force=force, strength_changes=changes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """One person in one condition.

    Attributes
    ----------
    person, condition : str
    repetition : int
        Number of a measured repetition; 0 for a planned lift.
    limb : int
        Row of the limb.
    treatments : tuple of Lateral
        Treatments of the lateral force to solve.
    exercise : Exercise or None
        What a planned lift is solved from.
    lift : Lift or None
        A measured lift; it replaces an exercise.
    exercise_for : callable or None
        Makes the exercise again for a person of other sizes.
    given : GivenMoments or None
        What ``lift`` was made from if its moments are given.
    slope_spread : float
        Spread of a slope of the sternum, not measured, on which the trunk of a measured lift
        rests; the slope is the same in every lift of a person [rad]. 0 where it was measured.
    slope_shared : float
        Part of that spread that all people have in common, since their sternums were held against
        each other [rad].
    """

    person: str
    condition: str
    limb: int
    treatments: tuple[Lateral, ...]
    repetition: int = 0
    exercise: Exercise | None = None
    lift: Lift | None = None
    exercise_for: Callable[[Person, Model], Exercise] | None = None
    given: GivenMoments | None = None
    slope_spread: float = 0.0
    slope_shared: float = 0.0

    @property
    def key(self) -> tuple[str, str, int, int]:
        """Key that distinguishes the tasks of a setup."""
        return self.person, self.condition, self.repetition, self.limb


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setup:
    """Everything to be solved, before solving.

    Attributes
    ----------
    limbs : LimbPlan
    tasks : tuple of Task
    criterion : Criterion
    glenoid : bool
        Whether the contact force is kept within the stability limits of the glenoid.
    balance : callable, optional
        Change of the balance of every frame before it is solved.
    """

    limbs: LimbPlan
    tasks: tuple[Task, ...]
    criterion: Criterion = field(default_factory=Criterion)
    glenoid: bool = False
    balance: Callable[[Balance], Balance] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One person in one condition, with an answer for each treatment of the lateral force.

    Where the settings ask for it, ``results`` keep the contact force within the stability limits
    of the glenoid; ``without_limit`` then holds the same answers without them, and is empty
    otherwise.
    """

    person: str
    condition: str
    prepared: Prepared
    results: tuple[LiftResult, ...]
    without_limit: tuple[LiftResult, ...] = ()
    repetition: int = 0

    def __repr__(self) -> str:
        modes = ", ".join(result.lateral.mode for result in self.results)
        return f"Case({self.person!r}, {self.condition!r}, lateral force {modes})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A person and condition without any reachable posture, and why."""

    person: str
    condition: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class CaseSet:
    """Cases of one limb model, planned or measured; the input of the readings.

    Where there is a ``shelf``, the arrays of the cases lie on it.
    """

    model: Model
    cases: tuple[Case, ...]
    limbs: tuple[Limb, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    shelf: Shelf | None = None

    def __repr__(self) -> str:
        return (
            f"{type(self).__name__}({self.model.name!r}, cases={len(self.cases)}, "
            f"refusals={len(self.refusals)})"
        )

    def pairs(self) -> Iterator[tuple[Case, LiftResult]]:
        """Every case with each of its results."""
        for case in self.cases:
            for result in case.results:
                yield case, result
            self.release()

    def parts(self) -> Iterator[Self]:
        """Give sets of some cases, for tables that may be too long; few cases are one part.

        On a shelf every case is a part.
        """
        most = 0 if self.shelf is not None else _TOGETHER
        first, frames = 0, 0
        for at, case in enumerate(self.cases, start=1):
            frames += len(case.prepared.lift.fraction)
            if frames >= most or at == len(self.cases):
                whole = at - first == len(self.cases)
                yield self if whole else replace(self, cases=self.cases[first:at])
                self.release()
                first, frames = at, 0

    def release(self) -> None:
        """Give back the memory of arrays that were read from the shelf."""
        if self.shelf is not None:
            self.shelf.release()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreparedSetup:
    """The part of a setup that depends on neither lateral force nor criterion nor balance.

    Attributes
    ----------
    limbs : Limb
    tasks : tuple of Task
        Those whose lift can be reached; the numbers of the blocks count them.
    blocks : iterable of Block
        Read once if it is an iterator, which holds one block at a time.
    refusals : tuple of Refusal
    reach : mapping
        Person and condition of each task → the frames that its lift reaches.
    """

    limbs: Limb
    tasks: tuple[Task, ...]
    blocks: Iterable[Block]
    refusals: tuple[Refusal, ...]
    reach: Mapping[tuple[str, str], NDArray[np.bool_]]


def built_limbs(plan: LimbPlan) -> Limb:
    """Build all limbs of a plan.

    Raises
    ------
    LimbError
        A limb cannot be built; the error says whose.
    """
    limbs, faults = plan.build()
    for row, err in faults.items():
        raise LimbError(row, plan.people[row].name, err) from err
    return limbs


def block_frames(shelf: Shelf | None) -> int:
    """Return the number of frames of a block, for cases in memory or on a shelf."""
    return FRAMES if shelf is None else _SHELVED


def prepare_setup(
    setup: Setup, *, limbs: Limb | None = None, frames: int = FRAMES
) -> PreparedSetup:
    """Build limbs and lifts; paths, capacity and demand follow block by block.

    Parameters
    ----------
    setup : Setup
    limbs : Limb, optional
        Those of the setup, if they have been built.
    frames : int
        Frames of a block.

    Raises
    ------
    MomentshareError
        A limb cannot be built; the error says whose.
    """
    limbs = built_limbs(setup.limbs) if limbs is None else limbs
    found, refusals = place_lifts(setup, limbs)
    tasks = tuple(task for task, _ in found)
    return PreparedSetup(
        limbs=limbs,
        tasks=tasks,
        blocks=make_blocks(
            limbs, [lift for _, lift in found], [task.limb for task in tasks], frames=frames
        ),
        refusals=refusals,
        reach={(task.person, task.condition): lift.reachable for task, lift in found},
    )


def solve_setup(
    setup: Setup,
    *,
    prepared: PreparedSetup | None = None,
    limbs: Limb | None = None,
    greatest_load: bool = True,
    compared: bool = True,
    shelf: Shelf | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> CaseSet:
    """Build limbs and lifts and solve everything, blocks of lifts at a time.

    Parameters
    ----------
    setup : Setup
    prepared : PreparedSetup, optional
        Of this setup, or of one with the same limbs and lifts; tasks that ``setup`` does not
        list are left out.
    limbs : Limb, optional
        Those of the setup, if they have been built.
    greatest_load : bool
        Also find the greatest load at each height.
    compared : bool
        If the limits of the glenoid are kept, also share without them.
    shelf : Shelf, optional
        Takes the arrays of every block in place of memory; see :func:`shelf_in`.
    progress : callable, optional
        Called after every block with the number of tasks done, the total, and what is being done.

    Returns
    -------
    CaseSet
        Cases in the order of the tasks; what cannot be reached is a refusal.

    Raises
    ------
    MomentshareError
        A limb cannot be built; the error says whose.
    """
    if prepared is None:
        prepared = prepare_setup(setup, limbs=limbs, frames=block_frames(shelf))
    ready = prepared
    listed = {task.key: task for task in setup.tasks}
    tasks = [listed.get(task.key) for task in ready.tasks]
    refusals = ready.refusals
    cases: dict[int, Case] = {}

    def tell(what: str) -> None:
        if progress is not None:
            progress(len(cases) + len(refusals), len(setup.tasks), what)

    tell("solving")
    for block in ready.blocks:
        asked = [(k, task) for k, n in enumerate(block.numbers) if (task := tasks[n]) is not None]
        wanted = [(k, lateral) for k, task in asked for lateral in task.treatments]
        found = block.results(
            wanted, setup.criterion, greatest_load=greatest_load, glenoid=setup.glenoid,
            change=setup.balance,
        )  # fmt: skip
        without = (
            block.results(wanted, setup.criterion, greatest_load=False, change=setup.balance)
            if setup.glenoid and compared
            else []
        )
        made: dict[int, Case] = {}
        for k, task in asked:
            mine = [at for at, (place, _) in enumerate(wanted) if place == k]
            made[block.numbers[k]] = Case(
                person=task.person,
                condition=task.condition,
                prepared=found[mine[0]].prepared if mine else block.part(k),
                results=tuple(found[at] for at in mine),
                without_limit=tuple(without[at] for at in mine) if without else (),
                repetition=task.repetition,
            )
        cases |= made if shelf is None else shelf.put(made)
        tell("solving")
    return CaseSet(
        model=setup.limbs.model,
        cases=tuple(cases[number] for number in sorted(cases)),
        limbs=tuple(ready.limbs.take(row) for row in range(len(setup.limbs.people))),
        refusals=refusals,
        shelf=shelf,
    )


def shelf_in(folder: str | Path) -> Shelf:
    """Make a shelf for cases; limbs and models stay in memory."""
    from momentshare.files import Shelf

    return Shelf(folder, (Limb, Skeleton, Model))


def place_lifts(setup: Setup, limbs: Limb) -> tuple[list[tuple[Task, Lift]], tuple[Refusal, ...]]:
    """Lifts of all tasks, in their order; those without any posture are refusals."""
    planned = [k for k, task in enumerate(setup.tasks) if task.lift is None]
    exercises = [x for k in planned if (x := setup.tasks[k].exercise) is not None]
    solved = dict(
        zip(
            planned,
            make_lifts(exercises, limbs.skeleton, [setup.tasks[k].limb for k in planned]),
            strict=True,
        )
    )
    found: list[tuple[Task, Lift]] = []
    refusals = []
    for k, task in enumerate(setup.tasks):
        lift = solved.get(k, task.lift)
        if isinstance(lift, MomentshareError):
            refusals.append(Refusal(person=task.person, condition=task.condition, reason=str(lift)))
        elif lift is not None:
            found.append((task, lift))
    return found, tuple(refusals)


class LimbError(MomentshareError):
    """A limb that cannot be built.

    Parameters
    ----------
    row : int
        Of the person among the people of the setup.
    person : str
    reason : MomentshareError
    """

    def __init__(self, row: int, person: str, reason: MomentshareError) -> None:
        super().__init__(f"person {person!r}: {reason}")
        self.row = row
        self.person = person
        self.reason = reason

    def __reduce__(self) -> tuple[type[LimbError], tuple[int, str, MomentshareError]]:
        return LimbError, (self.row, self.person, self.reason)
