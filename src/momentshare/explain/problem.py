"""The sharing problem of one frame of a lift, as data that can be changed and solved again."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.errors import InputError
from momentshare.explain.glenoid import HeldGlenoid, held_glenoid
from momentshare.head_names import find_head
from momentshare.muscle.curves import CurveSet, curve_set
from momentshare.results import ReadOnly, brief, take_frames
from momentshare.sharing import Cone, Sharing, share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult

__all__ = [
    "FrameProblem",
    "answer_at",
    "best_length",
    "frame_at",
    "frame_problem",
    "hardest_frames",
    "head_index",
    "keeps_glenoid",
    "require_frame",
    "row_joint",
    "solve_problems",
    "weakest_frame",
]

_LONGEST = 2.0
"""Normalised fibre length up to which the peak of the active curve is searched for."""

_NOTHING = "no frame of this lift can be reached, so there is nothing to explain"


def row_joint(row: str) -> str:
    """Joint that a moment row belongs to; for an unknown row, the first word of its name.

    The facets of the limit of the glenoid belong to ``glenoid``.
    """
    return row_named(row).joint if row in ROWS else row.split("_", maxsplit=1)[0]


def head_index(names: tuple[str, ...], head: str) -> int:
    """Index of a head by any of its names (:func:`momentshare.head_names.find_head`)."""
    return names.index(find_head(head, names))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameProblem(ReadOnly):
    """The sharing problem of one frame, as data that can be changed and solved again.

    Attributes
    ----------
    head_names, row_names : tuple of str
        The first word of a row's name is its joint.
    moment_arms : float array, shape (rows, heads)
        [m]
    capacity, passive_force : float array, shape (heads,)
        Greatest active force here and passive force [N].
    moments : float array, shape (rows,)
        Net moments without the contribution of a free lateral force [N·m].
    exponent : float
    weights : float array, shape (heads,)
    free_columns : float array, shape (rows, k)
        Moment supplied by one newton of free lateral force, and by one newton metre of each free
        couple of the hands; no column where they are given.
    free_bounds : pair of float array, shape (k,), optional
        Least and greatest free values [N, N·m].
    weights_follow_size : bool
        Whether a head of twice the volume and area has twice the weight.
    best_capacity, best_passive_force : float array, shape (heads,), optional
        Capacity and passive force with every fibre at the peak of its active curve and its
        velocity factor as here [N].
    glenoid : HeldGlenoid, optional
        The limit of the glenoid, where it is kept.
    """

    head_names: tuple[str, ...]
    row_names: tuple[str, ...]
    moment_arms: NDArray[np.float64]
    capacity: NDArray[np.float64]
    passive_force: NDArray[np.float64]
    moments: NDArray[np.float64]
    exponent: float
    weights: NDArray[np.float64]
    free_columns: NDArray[np.float64]
    free_bounds: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
    weights_follow_size: bool = False
    best_capacity: NDArray[np.float64] | None = None
    best_passive_force: NDArray[np.float64] | None = None
    glenoid: HeldGlenoid | None = None

    __repr__ = brief

    @property
    def joints(self) -> tuple[str, ...]:
        """Joints of the balanced rows, in the order of the rows."""
        return tuple(dict.fromkeys(row_joint(row) for row in self.row_names))

    def joint_rows(self, joint: str) -> list[int]:
        """Return the indices of the rows of a joint."""
        return [j for j, row in enumerate(self.row_names) if row_joint(row) == joint]

    def crosses(self, head: int) -> tuple[str, ...]:
        """Joints at which a head has any moment arm in a balanced row."""
        return tuple(
            joint
            for joint in self.joints
            if np.any(self.moment_arms[self.joint_rows(joint), head] != 0.0)
        )

    def effort(self, activation: NDArray[np.float64]) -> NDArray[np.float64]:
        """Total effort: Σ w aᵖ, or the greatest w a for min-max; last axis heads."""
        if math.isinf(self.exponent):
            return np.asarray(np.max(self.weights * activation, axis=-1))
        return np.asarray(np.sum(self.weights * activation**self.exponent, axis=-1))

    def cone(self) -> Cone | None:
        """Facets that the contact force must stay behind; None where the limit is not kept."""
        if self.glenoid is None:
            return None
        return self.glenoid.cone(self.moment_arms, self.moments)

    def solve(self) -> Sharing:
        """Share the moments of this frame again; arrays without a frame axis."""
        return answer_at(solve_problems([self]), 0)


def solve_problems(problems: Sequence[FrameProblem]) -> Sharing:
    """Solve problems of one frame together, the first axis over the problems.

    All have the heads, rows, exponent and kind of lateral force of the first.
    """
    first = problems[0]
    bounds = first.free_bounds
    return share(
        np.stack([p.moment_arms for p in problems]),
        np.stack([p.capacity for p in problems]),
        np.stack([p.moments for p in problems]),
        passive_force=np.stack([p.passive_force for p in problems]),
        exponent=first.exponent,
        weights=None if math.isinf(first.exponent) else np.stack([p.weights for p in problems]),
        free_columns=np.stack([p.free_columns for p in problems])
        if first.free_columns.shape[1]
        else None,
        free_bounds=bounds,
        inequalities=_stacked([p.cone() for p in problems]),
        head_names=first.head_names,
        row_names=first.row_names,
    )


def _stacked(cones: Sequence[Cone | None]) -> Cone | None:
    kept = [cone for cone in cones if cone is not None]
    if not kept:
        return None
    return Cone(**{name: np.stack([getattr(c, name) for c in kept]) for name in Cone.__slots__})


def weakest_frame(result: LiftResult) -> int:
    """Frame where the greatest load is least; that of greatest effort if no load can be held."""
    good = np.flatnonzero(result.prepared.lift.reachable)
    if good.size == 0:
        raise InputError(_NOTHING)
    if result.greatest is not None and np.isfinite(result.greatest.factor).any():
        return int(np.nanargmin(result.greatest.factor))
    return int(np.nanargmax(np.sum(result.sharing.activation**2, axis=1)))


def frame_at(result: LiftResult, height: float) -> int:
    """Reachable frame nearest to a height fraction, 0 chest to 1 lock-out."""
    if not 0.0 <= height <= 1.0:
        raise InputError(
            "height: must be a fraction from 0 (chest) to 1 (lock-out), 0.5 for 50 %; "
            f"got {height!r}"
        )
    lift = result.prepared.lift
    good = np.flatnonzero(lift.reachable)
    if good.size == 0:
        raise InputError(_NOTHING)
    return int(good[np.argmin(np.abs(lift.fraction[good] - height))])


def hardest_frames(results: Sequence[LiftResult]) -> list[int]:
    """Frames of several lifts at the one height where their net moments together are greatest.

    The size of the moments of a frame is the root of the sum of squares of the balanced ones; the
    sizes of the lifts are added up at 101 heights.
    """
    heights = np.linspace(0.0, 1.0, 101)
    total = np.zeros(len(heights))
    for result in results:
        lift = result.prepared.lift
        rows = [ROWS.index(row) for row in result.criterion.rows]
        at = np.flatnonzero(lift.reachable)
        if at.size == 0:
            raise InputError(_NOTHING)
        at = at[np.argsort(lift.fraction[at], kind="stable")]
        size = np.linalg.norm(result.moments[at][:, rows], axis=-1)
        total += np.interp(heights, lift.fraction[at], size)
    height = float(heights[np.argmax(total)])
    return [frame_at(result, height) for result in results]


def frame_problem(result: LiftResult, frame: int) -> FrameProblem:
    """Extract the sharing problem of one frame of a lift.

    Parameters
    ----------
    result : LiftResult
    frame : int
        A reachable frame.

    Returns
    -------
    FrameProblem
        Solving it reproduces the lift's own answer.

    Raises
    ------
    InputError
        There is no such frame, or it is out of reach.

    Examples
    --------
    >>> from momentshare import frame_problem, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> problem = frame_problem(result.cases[0].results[0], 2)
    >>> problem.head_names == result.model.head_names
    True
    """
    require_frame(result, frame)
    chosen = result.criterion
    held = keeps_glenoid(result)
    balance = result.prepared.balance(chosen, glenoid=held).treated(result.lateral).take(frame)
    columns, bounds = balance.columns, balance.free_bounds
    weights = balance.weights(chosen)
    best, resist = _at_best_length(result, frame)
    return FrameProblem(
        head_names=balance.head_names,
        row_names=balance.row_names,
        moment_arms=balance.arms.copy(),
        capacity=balance.capacity.copy(),
        passive_force=balance.passive.copy(),
        moments=balance.known_moments,
        exponent=chosen.exponent,
        weights=np.ones(len(balance.head_names)) if weights is None else weights.copy(),
        free_columns=np.zeros((len(balance.row_names), 0)) if columns is None else columns,
        free_bounds=bounds,
        weights_follow_size=chosen.by_size is not None,
        best_capacity=best,
        best_passive_force=resist,
        glenoid=held_glenoid(balance) if held else None,
    )


def keeps_glenoid(result: LiftResult) -> bool:
    """Whether an answer keeps the contact force within the limit of the glenoid."""
    return bool(result.sharing.inequality_multipliers.shape[-1] > 0)


def require_frame(result: LiftResult, frame: int) -> None:
    """Raise ``InputError`` where there is no such frame, or it is out of reach."""
    good = result.prepared.lift.reachable
    if not 0 <= frame < len(good) or not good[frame]:
        raise InputError(
            f"frame: must be a reachable one from 0 to {len(good) - 1}; got {frame}; "
            "choose another bar height"
        )


def best_length(curves: CurveSet) -> float:
    """Normalised fibre length at the peak of the active curve.

    Examples
    --------
    >>> from momentshare.muscle.curves import curve_set
    >>> round(best_length(curve_set("thelen2003")), 6)
    1.0
    """
    from scipy.optimize import minimize_scalar

    grid = np.linspace(0.2, _LONGEST, 361)
    top = int(np.argmax(curves.active_force_length(grid)))
    found = minimize_scalar(
        lambda x: -float(curves.active_force_length(x)),
        bounds=(grid[max(top - 1, 0)], grid[min(top + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(found.x)


def _at_best_length(
    result: LiftResult, frame: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Capacity and passive force with the fibre at its best length, velocity factor as here."""
    limb, state = result.prepared.limb, result.prepared.state
    curves = curve_set(limb.options.curves)
    best = best_length(curves)
    cosine = np.sqrt(1.0 - np.minimum(np.sin(limb.pennation) / best, 1.0) ** 2)
    peak = float(curves.active_force_length(best))
    resist = float(curves.passive_force_length(best)) if limb.options.passive else 0.0
    capacity = limb.greatest_isometric_force * cosine * peak * state.velocity_factor[frame]
    return capacity, limb.passive_scale * cosine * resist


def answer_at(whole: Sharing, frame: int) -> Sharing:
    """One frame of an answer, without its frame axis."""
    return take_frames(whole, frame)
