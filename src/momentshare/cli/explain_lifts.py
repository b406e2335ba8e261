"""The lifts that ``momentshare explain`` is about: one person, one or more conditions, solved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.analysis import LiftResult
    from momentshare.cohort.schema import CohortStudy
    from momentshare.limits import LiftKind
    from momentshare.runs import Setup, Task
    from momentshare.study import Study

__all__ = ["HeadsAsked", "SolvedLifts", "chosen_names", "pick", "solve_lifts"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolvedLifts:
    """Lifts of one person.

    Attributes
    ----------
    person : str
    setup : Setup
        Setup from which they were solved; draws are made around it.
    tasks : dict
        Condition → its task.
    results : dict
        Condition → treatment of the lateral force → its answer.
    kinds : dict
        Condition → what kind of lift it is.
    """

    person: str
    setup: Setup
    tasks: dict[str, Task]
    results: dict[str, dict[str, LiftResult]]
    kinds: dict[str, LiftKind]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadsAsked:
    """Options for the heads of one lift, as on the command line.

    Attributes
    ----------
    lifts : SolvedLifts
    condition : str
    mode : str
        Treatment of the lateral force.
    frame : int
    note : str
        Why this frame.
    heads : tuple of str
    worked : bool
    draws : int
    """

    lifts: SolvedLifts
    condition: str
    mode: str
    frame: int
    note: str
    heads: tuple[str, ...]
    worked: bool
    draws: int

    @property
    def title(self) -> str:
        """Who lifts what."""
        return f"{self.lifts.person}, '{self.condition}'"

    @property
    def results(self) -> dict[str, LiftResult]:
        """Answers by treatment of the lateral force."""
        return self.lifts.results[self.condition]

    @property
    def result(self) -> LiftResult:
        """Return the answer that is explained."""
        return self.results[self.mode]

    @property
    def kind(self) -> LiftKind:
        """Exercise and spacing."""
        return self.lifts.kinds[self.condition]


def chosen_names(
    source: Study | CohortStudy, person: str | None, condition: str | None
) -> tuple[str, str]:
    """Names of person and condition, the first of the study where none is given."""
    file = source.file
    who = file.person[0].name if person is None else person
    return who, file.condition[0].name if condition is None else condition


def solve_lifts(
    source: Study | CohortStudy, who: str, conditions: Sequence[str], repetition: int
) -> SolvedLifts:
    """Solve one person in some conditions, for every treatment of the lateral force.

    Raises
    ------
    StudyError, PostureError
        A study without lifts; a condition without treatment of the lateral force, or one that
        cannot be performed.
    """
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.setup import repetition_setup
    from momentshare.errors import PostureError, StudyError
    from momentshare.limits import LiftKind, lift_kinds
    from momentshare.runs import solve_setup
    from momentshare.study import plan_study

    if isinstance(source, CohortStudy) and not source.file.trial:
        raise StudyError(
            f"{source.source}: trial: there is none; explain takes a planned study or measured "
            "trials, no published table"
        )
    if isinstance(source, CohortStudy):
        setup = repetition_setup(source.only([who], list(conditions)), repetition)
        solved = solve_setup(setup, greatest_load=False, compared=False)
    else:
        planned = plan_study(source, people=[who], conditions=list(conditions))
        setup, solved = planned.setup, planned.solve()
    results = {
        case.condition: {str(r.lateral.mode): r for r in case.results} for case in solved.cases
    }
    for name in conditions:
        reasons = [r.reason for r in solved.refusals if r.condition == name]
        if reasons:
            raise PostureError(f"{source.source}: {who}, condition {name!r}: {reasons[0]}")
        if name not in results:
            raise StudyError(
                f"{source.source}: {who} has no lift of condition {name!r} as repetition "
                f"{repetition}; choose another --condition or --repetition"
            )
        if not results[name]:
            raise StudyError(
                f"{source.source}: condition {name!r} has no treatment of the lateral force; "
                "give lateral_ratio, or another treatment in settings → lateral"
            )
    known = lift_kinds(source.file.condition)
    tasks = {task.condition: task for task in setup.tasks}
    return SolvedLifts(
        person=who,
        setup=replace(setup, tasks=tuple(tasks.values())),
        tasks=tasks,
        results=results,
        kinds={name: known.get(name, LiftKind()) for name in conditions},
    )


def pick(results: dict[str, LiftResult], lateral: str | None, task: str) -> str:
    """Treatment of the lateral force: the one named, or the first.

    A condition with ``zero`` only, such as dumbbells, has no other.
    """
    from momentshare.errors import UnknownNameError

    if lateral is None:
        return next(iter(results))
    if lateral not in results:
        raise UnknownNameError("lateral mode", lateral, results, f"condition {task!r}")
    return lateral
