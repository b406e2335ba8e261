"""Why a head works more in one condition than in another: moments, lateral force, arms, capacity.

An answer follows from four things: the net moments due to load and weight, what the lateral force
of the hand adds to them, the moment arms of all heads, and their capacities. Between two frames all
four change. Every mixture of the two is solved, and the part of each factor is its mean over the
orders in which they may be changed (:mod:`momentshare.explain.owen`), so that no order is preferred
and the parts add up to the difference. The same is done within a factor for its components: the
rows of moments and arms, the strength groups of the capacity.

Where the limit of the glenoid is kept, the force of load and weight across the joint counts as a
component of the moments, that of the push as one of the lateral force, and the lines of the heads
together with the position of the glenoid as one of the arms.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.explain.given import GivenFrame, given_frame, given_frames, solve_given
from momentshare.explain.mixtures import FACTORS, UNITS, Member, differing_components, mixed
from momentshare.explain.owen import member_values
from momentshare.explain.problem import (
    frame_at,
    head_index,
    keeps_glenoid,
    require_frame,
    weakest_frame,
)
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult

    Floats = NDArray[np.float64]

__all__ = ["Difference", "explain_difference", "factor_parts", "factor_parts_along"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Difference(ReadOnly):
    """Two frames compared head by head; the first less the second.

    Attributes
    ----------
    names : pair of str
        Names of the two.
    frames : pair of int
    heights : pair of float
        Fraction of the bar height.
    lateral : pair of str
        Treatment of the lateral force.
    head_names : tuple of str
    activation, force : float array, shape (2, heads)
        [1], [N]
    members : tuple of Member
    parts : float array, shape (members, 2, heads)
        Part of each component in the difference of activation [1] and of force [N].
    moments, lateral_moments : float array, shape (2, rows)
        Net moments without the lateral force, and what it adds [N·m].
    arms : float array, shape (2, rows, heads)
        [m]
    capacity : float array, shape (2, heads)
        Greatest active force here [N].
    row_names : tuple of str
    states, short : int
        Number of mixtures solved, and of those in which a moment could not be met.
    mismatch : float
        Greatest difference in activation between the two frames as solved here and in their lifts.
    """

    names: tuple[str, str]
    frames: tuple[int, int]
    heights: tuple[float, float]
    lateral: tuple[str, str]
    head_names: tuple[str, ...]
    activation: Floats
    force: Floats
    members: tuple[Member, ...]
    parts: Floats
    moments: Floats
    lateral_moments: Floats
    arms: Floats
    capacity: Floats
    row_names: tuple[str, ...]
    states: int
    short: int
    mismatch: float
    _factors: Floats = field(init=False, repr=False)

    __repr__ = brief

    def __post_init__(self) -> None:
        total = np.zeros((len(FACTORS), *self.parts.shape[1:]))
        for member, part in zip(self.members, self.parts, strict=True):
            total[FACTORS.index(member.factor)] += part
        object.__setattr__(self, "_factors", total)
        ReadOnly.__post_init__(self)

    @property
    def gap(self) -> Floats:
        """Activation in the first less that in the second, shape (heads,)."""
        return np.asarray(self.activation[0] - self.activation[1])

    def factors(self, head: str) -> dict[str, float]:
        """Return the part of each factor in the difference of a head's activation."""
        index = head_index(self.head_names, head)
        return dict(zip(FACTORS, self._factors[:, 0, index].tolist(), strict=True))

    def components(self, head: str, factor: str) -> dict[str, float]:
        """Return the part of each component of a factor in a head's activation."""
        index = head_index(self.head_names, head)
        return {
            member.name: float(part[0, index])
            for member, part in zip(self.members, self.parts, strict=True)
            if member.factor == factor
        }

    def to_dataframe(self) -> pd.DataFrame:
        """One line per head: both answers, the difference and the part of each factor."""
        import pandas as pd

        columns: dict[str, object] = {
            "head": list(self.head_names),
            "condition": self.names[0],
            "other": self.names[1],
            "capacity_first_n": self.capacity[0],
            "capacity_second_n": self.capacity[1],
        }
        for k, (quantity, unit, values) in enumerate(
            (("activation", "", self.activation), ("force", "_n", self.force))
        ):
            columns[f"{quantity}_first{unit}"] = values[0]
            columns[f"{quantity}_second{unit}"] = values[1]
            columns[f"{quantity}_difference{unit}"] = values[0] - values[1]
            for factor, part in zip(FACTORS, self._factors[:, k], strict=True):
                columns[f"{quantity}_by_{factor.replace(' ', '_')}{unit}"] = part
        return pd.DataFrame(columns)

    def to_components(self) -> pd.DataFrame:
        """One line per head and component: its part, and its values where it has any.

        Values are net moments [N·m] or the head's own arm [m].
        """
        import pandas as pd

        lines = [
            {
                "head": head,
                "factor": member.factor,
                "component": member.name,
                "activation_part": float(part[0, index]),
                "force_part_n": float(part[1, index]),
                **dict(
                    zip(("value_first", "value_second"), self.values(member, head), strict=True)
                ),
                "unit": UNITS[member.factor],
            }
            for index, head in enumerate(self.head_names)
            for member, part in zip(self.members, self.parts, strict=True)
        ]
        names = ["head", "factor", "component", "activation_part", "force_part_n", "value_first",
                 "value_second", "unit"]  # fmt: skip
        return pd.DataFrame(lines, columns=names)

    def values(self, member: Member, head: str) -> tuple[float, float]:
        """Return the values of a component in both: net moment [N·m], or arm of a head [m].

        NaN where it is not a single number: a group, or what acts at the glenoid.
        """
        if member.name not in self.row_names:
            return float("nan"), float("nan")
        row = self.row_names.index(member.name)
        if member.factor == "arms":
            pair = self.arms[:, row, head_index(self.head_names, head)]
        else:
            own = self.moments if member.factor == "moments" else self.lateral_moments
            pair = own[:, row]
        return float(pair[0]), float(pair[1])

    def to_rows(self) -> pd.DataFrame:
        """One line per row: the net moments of both, due to load and weight and due to the push."""
        import pandas as pd

        return pd.DataFrame(
            {
                "row": list(self.row_names),
                "moment_first_nm": self.moments[0],
                "moment_second_nm": self.moments[1],
                "by_lateral_force_first_nm": self.lateral_moments[0],
                "by_lateral_force_second_nm": self.lateral_moments[1],
            }
        )


def explain_difference(
    first: LiftResult,
    second: LiftResult,
    *,
    frame: int | None = None,
    other_frame: int | None = None,
    names: tuple[str, str] = ("first", "second"),
) -> Difference:
    """Split the difference between two frames of one person, for every head.

    Parameters
    ----------
    first, second : LiftResult
        Of one limb and one criterion; the same lift twice to compare two of its heights.
    frame : int, optional
        A reachable frame of the first; by default the one where its greatest load is least.
    other_frame : int, optional
        Of the second; by default the one nearest to the height of the first.
    names : pair of str
        Names of the two.

    Returns
    -------
    Difference
        The first less the second; activation dimensionless, force in newtons. The parts of all
        components of a head sum to its difference. A free push is kept as it was chosen.

    Raises
    ------
    InputError
        A frame out of reach; limbs with different heads, criteria or treatment of the glenoid.

    Examples
    --------
    >>> from momentshare import explain_difference, run_study
    >>> from momentshare.demo import small_study
    >>> narrow, wide = run_study(small_study(), band=False).cases
    >>> found = explain_difference(
    ...     wide.results[0], narrow.results[0], frame=2, names=("wide", "narrow")
    ... )
    >>> parts = found.factors("pectoralis_major/sternocostal_lower")
    >>> list(parts)
    ['moments', 'lateral force', 'arms', 'capacity']
    >>> index = found.head_names.index("pectoralis_major/sternocostal_lower")
    >>> bool(abs(sum(parts.values()) - found.gap[index]) < 1e-9)
    True
    """
    _require_alike(first, second)
    at = weakest_frame(first) if frame is None else frame
    require_frame(first, at)
    if other_frame is None:
        other_frame = frame_at(second, float(first.prepared.lift.fraction[at]))
    a, b = given_frame(first, at), given_frame(second, other_frame)
    rows = first.criterion.rows
    groups = tuple(head.group for head in first.prepared.limb.model.heads)
    members = differing_components(a, b, rows, groups)
    counted = [0, 0]

    def solve(states: NDArray[np.bool_]) -> Floats:
        activation, force, unmet = solve_given(mixed(states, a, b, members, rows, groups), first)
        counted[0] += len(states)
        counted[1] += int(np.count_nonzero(unmet > _UNMET))
        return np.stack([activation, force], axis=1)

    sizes = [sum(member.factor == name for member in members) for name in FACTORS]
    parts = member_values(sizes, solve)
    ends = solve_given(_pair(a, b), first)
    own = np.stack([first.activation[at], second.activation[other_frame]])
    return Difference(
        names=names,
        frames=(at, other_frame),
        heights=tuple(
            float(r.prepared.lift.fraction[k]) for r, k in ((first, at), (second, other_frame))
        ),  # type: ignore[arg-type]  # two
        lateral=(first.lateral.mode, second.lateral.mode),
        head_names=first.prepared.limb.head_names,
        activation=ends[0].copy(),
        force=ends[1].copy(),
        members=members,
        parts=parts,
        moments=np.stack([a.moments, b.moments]),
        lateral_moments=np.stack([a.lateral, b.lateral]),
        arms=np.stack([a.arms, b.arms]),
        capacity=np.stack([a.capacity, b.capacity]),
        row_names=rows,
        states=counted[0],
        short=counted[1],
        mismatch=float(np.abs(ends[0] - own).max()),
    )


_UNMET = 1e-6
"""Moment [N·m] below which a missing moment is rounding."""


def _pair(a: GivenFrame, b: GivenFrame) -> GivenFrame:
    return GivenFrame(
        **{n: np.stack([getattr(a, n), getattr(b, n)]) for n in GivenFrame.__dataclass_fields__}
    )


def _require_alike(first: LiftResult, second: LiftResult) -> None:
    if first.prepared.limb.head_names != second.prepared.limb.head_names:
        raise InputError(
            "difference: both lifts must be of one model; got limbs with different heads"
        )
    if first.criterion != second.criterion:
        raise InputError("difference: both lifts must have the same criterion; got two")
    if keeps_glenoid(first) != keeps_glenoid(second):
        raise InputError(
            "difference: the limit of the glenoid is kept in one of the lifts and not in the "
            "other; solve both in the same way"
        )


def factor_parts(
    first: Sequence[GivenFrame], second: Sequence[GivenFrame], like: LiftResult
) -> tuple[Floats, Floats]:
    """Split pairs of frames by factor alone, all in one solve.

    Parameters
    ----------
    first, second : sequence of GivenFrame
        Corresponding members of the pairs.
    like : LiftResult
        Provides names, criterion and whether the limit of the glenoid is kept.

    Returns
    -------
    parts : float array, shape (pairs, factors, heads)
        Parts of the difference of activation.
    ends : float array, shape (pairs, 2, heads)
        Activation in the first and in the second.
    """
    names = GivenFrame.__dataclass_fields__
    whose = {"moments": 0, "across": 0, "lateral": 1, "pushed": 1, "arms": 2, "lines": 2,
             "frame": 2, "capacity": 3, "passive": 3, "weights": 3}  # fmt: skip
    a = {n: np.stack([getattr(x, n) for x in first]) for n in names}
    b = {n: np.stack([getattr(x, n) for x in second]) for n in names}
    ends: list[Floats] = []

    def solve(states: NDArray[np.bool_]) -> Floats:
        def pick(n: str) -> Floats:
            on = states[:, whose[n]].reshape(-1, *[1] * a[n].ndim)
            value = np.where(on, a[n], b[n])
            return value.reshape(-1, *a[n].shape[1:])

        activation, _, _ = solve_given(GivenFrame(**{n: pick(n) for n in names}), like)
        found = activation.reshape(len(states), len(first), -1)
        everything = np.flatnonzero(states.all(axis=1))[0]
        ends.append(np.stack([found[everything], found[np.flatnonzero(~states.any(axis=1))[0]]], 1))
        return found

    parts = member_values([1] * len(FACTORS), solve)
    return np.swapaxes(parts, 0, 1), ends[0]


def factor_parts_along(first: LiftResult, second: LiftResult) -> pd.DataFrame:
    """Split the difference by factor at every height of the first lift.

    Returns
    -------
    pandas.DataFrame
        One line per head and frame that both lifts reach, the frame of the second being the one
        nearest in height: ``activation_first``, ``activation_second``, ``difference`` and
        ``by_<factor>``.
    """
    import pandas as pd

    _require_alike(first, second)
    good = np.flatnonzero(first.prepared.lift.reachable)
    fraction = first.prepared.lift.fraction
    others = [frame_at(second, float(fraction[k])) for k in good]
    every, against = given_frames(first), given_frames(second)
    parts, ends = factor_parts(
        [every.at(int(k)) for k in good], [against.at(k) for k in others], first
    )
    heads = first.prepared.limb.head_names
    columns: dict[str, object] = {
        "head": np.tile(np.array(heads, dtype=object), len(good)),
        "frame": np.repeat(good, len(heads)),
        "height_fraction": np.repeat(fraction[good], len(heads)),
        "other_frame": np.repeat(others, len(heads)),
        "activation_first": ends[:, 0].ravel(),
        "activation_second": ends[:, 1].ravel(),
        "difference": (ends[:, 0] - ends[:, 1]).ravel(),
    }
    for k, factor in enumerate(FACTORS):
        columns[f"by_{factor.replace(' ', '_')}"] = parts[:, k].ravel()
    return pd.DataFrame(columns)
