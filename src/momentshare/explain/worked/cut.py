"""A small case extracted from a frame of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.explain.problem import row_joint
from momentshare.explain.worked.case import WorkedCase

if TYPE_CHECKING:
    from momentshare.explain.head import HeadExplanation

__all__ = ["case_from_frame"]


def case_from_frame(found: HeadExplanation, other: HeadExplanation | None = None) -> WorkedCase:
    """Extract a small case from a frame of a study.

    The two-joint head is the head explained, or the second one, or else the strongest at the
    elbow; E and S are the strongest heads that cross one joint only and act in the direction
    of the net moment, the second head being used as E or S where possible. The moments are
    those that these three supply actively in the whole answer. The shoulder row is the one
    in which the two-joint head's part is greatest.

    Parameters
    ----------
    found : HeadExplanation
    other : HeadExplanation, optional
        A second head of the same frame.

    Returns
    -------
    WorkedCase

    Raises
    ------
    InputError
        The limb lacks a head of one of the three kinds that can pull here.
    """
    problem, answer = found.problem, found.sharing
    given = [found.index] + ([other.index] if other is not None else [])
    strength = np.abs(problem.moment_arms) * problem.capacity
    e = next((j for j, row in enumerate(problem.row_names) if row_joint(row) == "elbow"), None)
    shoulder = problem.joint_rows("shoulder")
    if e is None or not shoulder:
        raise InputError("the worked case needs an elbow row and a shoulder row in the balance")
    crossed = [set(problem.crosses(i)) for i in range(len(problem.head_names))]

    def strongest(among: list[int], row: int, kind: str) -> int:
        able = [i for i in among if strength[row, i] > 0.0]
        if not able:
            raise InputError(f"the worked case needs {kind} that can pull here; there is none")
        first = [i for i in given if i in able]
        if first:
            return first[0]
        net = found.moments[row].net_moment
        helping = [i for i in able if problem.moment_arms[row, i] * net > 0.0]
        return max(helping or able, key=lambda i: strength[row, i])

    both = [i for i, joints in enumerate(crossed) if {"elbow", "shoulder"} <= joints]
    two = strongest(both, e, "a head that crosses elbow and shoulder")
    part = problem.capacity[two] * answer.multipliers * problem.moment_arms[:, two]
    s = max(shoulder, key=lambda j: abs(part[j]))
    one = strongest([i for i, c in enumerate(crossed) if c == {"elbow"}], e,
                    "a head that crosses the elbow only")  # fmt: skip
    three = strongest([i for i, c in enumerate(crossed) if c == {"shoulder"}], s,
                      "a head that crosses the shoulder only")  # fmt: skip
    chosen = [two, one, three]
    active = answer.active_force[chosen]
    moments = problem.moment_arms[np.ix_([e, s], chosen)] @ active
    names = tuple(problem.head_names[i] for i in chosen)
    capacity, weights = problem.capacity[chosen], problem.weights[chosen]
    return WorkedCase(
        heads=names,  # type: ignore[arg-type]  # three, as chosen
        rows=(problem.row_names[e], problem.row_names[s]),
        capacity=tuple(float(x) for x in capacity),  # type: ignore[arg-type]
        two_joint_arms=(float(problem.moment_arms[e, two]), float(problem.moment_arms[s, two])),
        elbow_arm=float(problem.moment_arms[e, one]),
        shoulder_arm=float(problem.moment_arms[s, three]),
        moments=(float(moments[0]), float(moments[1])),
        weights=tuple(float(x) for x in weights),  # type: ignore[arg-type]
        exponent=problem.exponent,
        origin=(
            "Capacities and moment arms are those of the study at this bar height; the moments are "
            "what these three supply there by active force. All other heads and rows "
            + ("and the limit of the glenoid " if problem.glenoid is not None else "")
            + "are left out, so the small answer is not that of the whole limb, in which the "
            "three work at "
            + ", ".join(
                f"{letter} {float(answer.activation[i]):.3f}"
                for letter, i in zip("LES", chosen, strict=True)
            )
            + "."
        ),
    )
