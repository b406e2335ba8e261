"""Why one head works more than another in the same frame: what it is, and what it must do.

The same difference is read in two ways, each exact.

By what the heads are: the first is given the other's moment arms, row by row, its capacity, passive
force and weight; with all of them it is a twin and works as the other does. By what is demanded:
the net moments of load and weight and those of the lateral force are removed, row by row; without
any of them only passive forces are left to balance. Every mixture is solved again, and each part is
its mean over all orders (:mod:`momentshare.explain.owen`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.explain.given import GivenFrame, given_frame, solve_given
from momentshare.explain.glenoid import GLENOID
from momentshare.explain.mixtures import Member
from momentshare.explain.owen import member_values
from momentshare.explain.problem import head_index, weakest_frame
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult

    Floats = NDArray[np.float64]

__all__ = ["READINGS_BY_FACTOR", "HeadsApart", "explain_heads_apart"]

READINGS_BY_FACTOR = {
    "arms": "what the heads are",
    "capacity": "what the heads are",
    "moments": "what is asked",
    "lateral force": "what is asked",
}
"""Factor → the reading that it belongs to."""

_STRENGTH = {"capacity": "capacity", "passive force": "passive", "weight": "weights"}
"""Component of the capacity → field of a given frame."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeadsApart(ReadOnly):
    """Two heads of one frame; the first less the second.

    Attributes
    ----------
    head, other : str
    frame : int
    activation, force : float array, shape (2,)
        Of both [1], [N].
    members : tuple of Member
        Components of arms and capacity, by what the heads are.
    parts : float array, shape (members, 2)
        Part of each in the difference of activation [1] and of force [N].
    asked : tuple of Member
        Components of moments and lateral force, by what is demanded.
    asked_parts : float array, shape (asked, 2)
    rest : float array, shape (2,)
        Difference that remains where no moment is demanded [1], [N].
    states : int
        Number of mixtures solved.
    """

    head: str
    other: str
    frame: int
    activation: Floats
    force: Floats
    members: tuple[Member, ...]
    parts: Floats
    asked: tuple[Member, ...]
    asked_parts: Floats
    rest: Floats
    states: int

    __repr__ = brief

    @property
    def gap(self) -> float:
        """Activation of the first less that of the second."""
        return float(self.activation[0] - self.activation[1])

    def factors(self) -> dict[str, float]:
        """Parts of the activation by factor: arms and capacity, then moments and lateral force."""
        out: dict[str, float] = {"arms": 0.0, "capacity": 0.0, "moments": 0.0, "lateral force": 0.0}
        for member, part in (
            *zip(self.members, self.parts, strict=True),
            *zip(self.asked, self.asked_parts, strict=True),
        ):
            out[member.factor] += float(part[0])
        return out

    def to_dataframe(self) -> pd.DataFrame:
        """One line per component, and one for what remains without any moment."""
        import pandas as pd

        lines = [
            {
                "head": self.head,
                "other": self.other,
                "reading": reading,
                "factor": member.factor,
                "component": member.name,
                "activation_part": float(part[0]),
                "force_part_n": float(part[1]),
            }
            for reading, members, parts in (
                ("what the heads are", self.members, self.parts),
                ("what is asked", self.asked, self.asked_parts),
                ("what is asked", (Member("no moment asked", "passive forces"),), self.rest[None]),
            )
            for member, part in zip(members, parts, strict=True)
        ]
        return pd.DataFrame(lines)


def explain_heads_apart(
    result: LiftResult, head: str, other: str, *, frame: int | None = None
) -> HeadsApart:
    """Split the difference between two heads of one frame.

    Parameters
    ----------
    result : LiftResult
    head, other : str
    frame : int, optional
        A reachable frame; by default the one where the greatest load is least.

    Returns
    -------
    HeadsApart
        The first less the second; activation dimensionless, force in newtons.

    Raises
    ------
    UnknownNameError, InputError
        An unknown head, the same head twice, or a frame out of reach.

    Examples
    --------
    >>> from momentshare import explain_heads_apart, run_study
    >>> from momentshare.demo import small_study
    >>> lift = run_study(small_study(), band=False).cases[0].results[0]
    >>> found = explain_heads_apart(
    ...     lift, "triceps_brachii/long", "triceps_brachii/lateral", frame=2
    ... )
    >>> parts = found.factors()
    >>> bool(abs(parts["arms"] + parts["capacity"] - found.gap) < 1e-9)
    True
    >>> asked = parts["moments"] + parts["lateral force"] + found.rest[0]
    >>> bool(abs(asked - found.gap) < 1e-9)
    True
    """
    names = result.prepared.limb.head_names
    x, y = head_index(names, head), head_index(names, other)
    if x == y:
        raise InputError(f"heads: must be two different ones; got {names[x]!r} twice")
    at = weakest_frame(result) if frame is None else frame
    given, rows = given_frame(result, at), result.criterion.rows
    members, asked = _members(given, x, y, rows), _asked(given, rows)
    count = [0]

    def gaps(cases: GivenFrame) -> Floats:
        activation, force, _ = solve_given(cases, result)
        count[0] += len(activation)
        return np.stack([activation[:, x] - activation[:, y], force[:, x] - force[:, y]], axis=1)

    def swapped(states: NDArray[np.bool_]) -> Floats:
        return gaps(_twins(states, given, members, rows, (x, y)))

    def eased(states: NDArray[np.bool_]) -> Floats:
        return gaps(_eased(states, given, asked, rows))

    sizes = [sum(m.factor == f for m in members) for f in ("arms", "capacity")]
    asked_sizes = [sum(m.factor == f for m in asked) for f in ("moments", "lateral force")]
    activation, force, _ = solve_given(_copies(given, 1), result)
    return HeadsApart(
        head=names[x],
        other=names[y],
        frame=at,
        activation=activation[0, [x, y]],
        force=force[0, [x, y]],
        members=members,
        parts=member_values(sizes, swapped),
        asked=asked,
        asked_parts=member_values(asked_sizes, eased),
        rest=eased(np.zeros((1, len(asked)), dtype=bool))[0],
        states=count[0],
    )


def _members(given: GivenFrame, x: int, y: int, rows: Sequence[str]) -> tuple[Member, ...]:
    found = [
        Member("arms", row) for j, row in enumerate(rows) if given.arms[j, x] != given.arms[j, y]
    ]
    if not np.array_equal(given.lines[x], given.lines[y]):
        found.append(Member("arms", GLENOID))
    found += [
        Member("capacity", name)
        for name, field in _STRENGTH.items()
        if getattr(given, field)[x] != getattr(given, field)[y]
    ]
    return tuple(found)


def _asked(given: GivenFrame, rows: Sequence[str]) -> tuple[Member, ...]:
    found = []
    for factor, moments, across in (
        ("moments", given.moments, given.across),
        ("lateral force", given.lateral, given.pushed),
    ):
        found += [Member(factor, row) for j, row in enumerate(rows) if moments[j] != 0.0]
        if np.any(across != 0.0):
            found.append(Member(factor, GLENOID))
    return tuple(found)


def _copies(given: GivenFrame, count: int) -> GivenFrame:
    return GivenFrame(
        **{
            name: np.repeat(getattr(given, name)[None], count, axis=0)
            for name in GivenFrame.__dataclass_fields__
        }
    )


def _twins(
    states: NDArray[np.bool_],
    given: GivenFrame,
    members: Sequence[Member],
    rows: Sequence[str],
    pair: tuple[int, int],
) -> GivenFrame:
    """Give the first head the second's values, except where a state keeps its own."""
    x, y = pair
    out = _copies(given, len(states))
    for place, member in enumerate(members):
        off = ~states[:, place]
        if member.name == GLENOID:
            out.lines[off, x] = given.lines[y]
        elif member.factor == "capacity":
            field = _STRENGTH[member.name]
            getattr(out, field)[off, x] = getattr(given, field)[y]
        else:
            row = rows.index(member.name)
            out.arms[off, row, x] = given.arms[row, y]
    return out


def _eased(
    states: NDArray[np.bool_], given: GivenFrame, asked: Sequence[Member], rows: Sequence[str]
) -> GivenFrame:
    """Remove what a state does not demand."""
    out = _copies(given, len(states))
    for place, member in enumerate(asked):
        off = ~states[:, place]
        lateral = member.factor == "lateral force"
        if member.name == GLENOID:
            (out.pushed if lateral else out.across)[off] = 0.0
        else:
            (out.lateral if lateral else out.moments)[off, rows.index(member.name)] = 0.0
    return out
