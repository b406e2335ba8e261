"""What would be different: the same frame solved again with one thing changed.

Each case is a complete new solution of the frame, so that every head, every multiplier and a free
lateral force may respond. The cases, for one head:

- ``no_arm_<joint>``: it pulls, but without any moment arm at that joint;
- ``only_<joint>``: a twin that crosses this joint alone. For a head that crosses two joints
  it is the same change as removing the arm at the other, and is then not listed twice:
  :attr:`Counterfactuals.twin_of` says which joint the twin keeps;
- ``best_length``: fibres at the peak of the active curve, velocity factor as it is;
  passive force and pennation follow the length;
- ``twice_the_area``: active and passive force doubled; where effort is weighted by size, the
  weight doubles too, because a fibre of the same length holds twice the volume;
- ``removed``: no force at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import UnknownNameError
from momentshare.explain.problem import FrameProblem, head_index, solve_problems
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.sharing import Sharing

__all__ = ["AS_IT_IS", "NO_JOINT", "Counterfactuals", "changed_problems", "counterfactuals"]

AS_IT_IS = "as_it_is"
"""Name of the first case, in which nothing is changed."""

NO_JOINT = "no joint"
"""What a one-joint head still crosses when its arm is removed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Counterfactuals(ReadOnly):
    """Solutions of one frame: the first unchanged, each of the others with one change.

    Attributes
    ----------
    head : str
        The head that is changed.
    index : int
    cases : tuple of str
        Names of the cases; the first is :data:`AS_IT_IS`.
    problems : tuple of FrameProblem
        One per case.
    sharing : Sharing
        Leading axis cases.
    effort : float array, shape (cases,)
        Total effort.
    twin_of : mapping
        Case → the only joint that the head still crosses in it, or :data:`NO_JOINT`.
    """

    head: str
    index: int
    cases: tuple[str, ...]
    problems: tuple[FrameProblem, ...]
    sharing: Sharing
    effort: NDArray[np.float64]
    twin_of: dict[str, str]

    __repr__ = brief

    @property
    def told(self) -> tuple[str, ...]:
        """The cases without one that leaves the head no joint, since that removes it."""
        return tuple(case for case in self.cases if self.twin_of.get(case) != NO_JOINT)

    def place(self, case: str) -> int:
        """Index of a case, or an error that suggests the nearest names."""
        if case not in self.cases:
            raise UnknownNameError("case", case, self.cases)
        return self.cases.index(case)

    def activation_change(self, case: str) -> NDArray[np.float64]:
        """Activation in a case less the activation as it is, shape (heads,)."""
        return np.asarray(self.sharing.activation[self.place(case)] - self.sharing.activation[0])

    def force_change(self, case: str) -> NDArray[np.float64]:
        """Force in a case less the force as it is [N], shape (heads,)."""
        return np.asarray(self.sharing.force[self.place(case)] - self.sharing.force[0])

    def lateral_force(self, case: str) -> float:
        """Free lateral force in a case [N]; NaN where it is given."""
        found = self.sharing.free_values[self.place(case)]
        push = found.size % 2 == 1  # two couples may follow the push, or come without it
        return float(found[0]) if push else float("nan")

    def to_dataframe(self) -> pd.DataFrame:
        """One line per case and head: activation, force, and their changes."""
        import pandas as pd

        parts = []
        for k, case in enumerate(self.cases):
            parts.append(
                pd.DataFrame(
                    {
                        "changed_head": self.head,
                        "case": case,
                        "head": list(self.problems[0].head_names),
                        "capacity_n": self.problems[k].capacity,
                        "activation": self.sharing.activation[k],
                        "activation_change": self.activation_change(case),
                        "force_n": self.sharing.force[k],
                        "force_change_n": self.force_change(case),
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)

    def to_cases(self) -> pd.DataFrame:
        """One line per case: total effort, multipliers, unmet moment, lateral force, proof."""
        import pandas as pd

        lines = []
        proof = self.sharing.certificate
        for k, case in enumerate(self.cases):
            line: dict[str, object] = {
                "changed_head": self.head,
                "case": case,
                "twin_crosses_only": self.twin_of.get(case, ""),
                "total_effort": float(self.effort[k]),
                "total_effort_change": float(self.effort[k] - self.effort[0]),
                "lateral_force_n": self.lateral_force(case),
            }
            for j, row in enumerate(self.problems[0].row_names):
                line[f"multiplier_{row}_per_nm"] = float(self.sharing.multipliers[k, j])
                line[f"unmet_{row}_nm"] = float(self.sharing.unmet[k, j])
            line["status"] = str(self.sharing.status_text[k])
            line["moment_residual_nm"] = float(proof.moment_residual[k])
            line["stationarity"] = float(proof.stationarity[k])
            line["duality_gap"] = float(proof.duality_gap[k])
            lines.append(line)
        return pd.DataFrame(lines)


def changed_problems(
    problem: FrameProblem, head: str
) -> tuple[dict[str, FrameProblem], dict[str, str]]:
    """Build the cases of one head.

    Returns
    -------
    cases : dict
        Name → problem; the first is the problem as given.
    twin_of : dict
        Case → the only joint that the head still crosses in it.
    """
    index = head_index(problem.head_names, head)
    cases = {AS_IT_IS: problem}
    twin_of: dict[str, str] = {}
    crossed = problem.crosses(index)
    for joint in crossed:
        name = f"no_arm_{joint}"
        cases[name] = _without_arms(problem, index, (joint,))
        kept = tuple(other for other in crossed if other != joint)
        if len(kept) < 2:
            twin_of[name] = kept[0] if kept else NO_JOINT
    if len(crossed) > 2:
        for joint in crossed:
            name = f"only_{joint}"
            cases[name] = _without_arms(
                problem, index, tuple(other for other in crossed if other != joint)
            )
            twin_of[name] = joint
    if problem.best_capacity is not None:
        best = _set(problem.capacity, index, problem.best_capacity[index])
        resist = problem.passive_force
        if problem.best_passive_force is not None:
            resist = _set(resist, index, problem.best_passive_force[index])
        cases["best_length"] = replace(problem, capacity=best, passive_force=resist)
    heavier = problem.weights
    if problem.weights_follow_size:
        heavier = _set(problem.weights, index, 2.0 * problem.weights[index])
    cases["twice_the_area"] = replace(
        problem,
        capacity=_set(problem.capacity, index, 2.0 * problem.capacity[index]),
        passive_force=_set(problem.passive_force, index, 2.0 * problem.passive_force[index]),
        weights=heavier,
    )
    cases["removed"] = replace(
        problem,
        capacity=_set(problem.capacity, index, 0.0),
        passive_force=_set(problem.passive_force, index, 0.0),
    )
    return cases, twin_of


def counterfactuals(problem: FrameProblem, head: str) -> Counterfactuals:
    """Solve a frame unchanged and with one thing changed at a time.

    Parameters
    ----------
    problem : FrameProblem
    head : str
        The head that is changed.

    Returns
    -------
    Counterfactuals

    Raises
    ------
    UnknownNameError
        No head of that name.

    Examples
    --------
    >>> from momentshare import counterfactuals, frame_problem, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> problem = frame_problem(result.cases[0].results[0], 2)
    >>> changes = counterfactuals(problem, "triceps_brachii/lateral")
    >>> changes.cases[0], "removed" in changes.cases
    ('as_it_is', True)
    >>> removed = changes.sharing.force[changes.place("removed"), changes.index]
    >>> bool(removed < 1e-9)
    True
    """
    index = head_index(problem.head_names, head)
    cases, twin_of = changed_problems(problem, head)
    problems = tuple(cases.values())
    answer = solve_problems(problems)
    effort = np.array(
        [float(p.effort(answer.activation[k])) for k, p in enumerate(problems)], dtype=float
    )
    return Counterfactuals(
        head=problem.head_names[index],
        index=index,
        cases=tuple(cases),
        problems=problems,
        sharing=answer,
        effort=effort,
        twin_of=twin_of,
    )


def _without_arms(problem: FrameProblem, index: int, joints: tuple[str, ...]) -> FrameProblem:
    arms = problem.moment_arms.copy()
    for joint in joints:
        arms[problem.joint_rows(joint), index] = 0.0
    return replace(problem, moment_arms=arms)


def _set(values: NDArray[np.float64], index: int, value: float) -> NDArray[np.float64]:
    out = values.copy()
    out[index] = value
    return out
