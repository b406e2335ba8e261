"""The least strength that a task requires of muscle groups.

Whoever has lifted a load had enough strength for it in every posture of the lift. In one frame,
with moment arms R, capacities C of the heads, passive forces p and the net moments m of the task,
the factors f of the groups allow it where

    R (p + x) + L z = m,   0 ≤ x_h ≤ f_g(h) C_h,   z within its bounds

has a solution x, z, where L z is what the hand is free to add. By duality (Farkas) this holds if
for every direction y of the moments

    Σ_g f_g Σ_{h in g} C_h max(0, y·R_h) ≥ y·(m − R p) − Σ_k max over z_k of y·L_k z_k:

the strength of the groups in that direction is no less than what the task requires. Directions that
a set of factors violates are found one at a time by linear programming and kept as cuts; the
factors nearest to those known so far, relative to their spreads, that satisfy all cuts solve a
quadratic program in as many unknowns as there are groups (least distance programming, Lawson and
Hanson's textbook, from memory). The result is the least change of the groups' strength that
explains the task.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import SolverError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.balance import Balance

    Floats = NDArray[np.float64]

__all__ = ["NeededStrength", "TaskFrames", "least_raise", "nearest_above", "needed_strength"]

_MISSED = 1e-6
"""Fraction of the greatest moment of a task that may stay unmet; rounding."""

_ROUNDS = 200
"""Number of cuts after which the search is given up; a few tens suffice for a lift."""

_LARGEST = 1e3
"""Factor beyond which no strength explains a task; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskFrames:
    """Frames of a task: the moments to be met, and the means to meet them.

    Attributes
    ----------
    pull : float array, shape (frames, rows, heads)
        Moment of each head at full capacity [N·m].
    asked : float array, shape (frames, rows)
        Net moment less the moments of passive forces [N·m].
    groups : int array, shape (heads,)
        Group of each head.
    columns : float array, shape (frames, rows, k)
        Moment of one unit of each free value; none where k is 0.
    low, high : float array, shape (frames, k)
        Bounds of the free values.
    """

    pull: Floats
    asked: Floats
    groups: NDArray[np.intp]
    columns: Floats
    low: Floats
    high: Floats

    @classmethod
    def of(cls, balance: Balance, names: tuple[str, ...]) -> TaskFrames:
        """Build from a balance with a treated lateral force; ``names`` are those of the groups."""
        posed = balance.posed
        free = balance.columns
        frames, rows = balance.known_moments.shape
        columns = np.zeros((frames, rows, 0)) if free is None else free
        endless = np.full((frames, columns.shape[-1]), np.inf)
        low, high = balance.free_bounds or (-endless, endless)
        passive = np.einsum("frh,fh->fr", balance.arms, balance.passive)
        return cls(
            pull=(balance.arms * balance.capacity[:, None, :])[posed],
            asked=(balance.known_moments - passive)[posed],
            groups=np.array([names.index(g) for g in balance.groups]),
            columns=columns[posed],
            low=low[posed],
            high=high[posed],
        )

    def short(self, frame: int, factors: Floats) -> tuple[float, Floats]:
        """Least sum of unmet moments of a frame [N·m], and the direction that is violated."""
        from scipy.optimize import linprog

        pull, free = self.pull[frame], self.columns[frame]
        rows, heads = pull.shape
        unmet = np.eye(rows)
        answer = linprog(
            np.concatenate([np.zeros(heads + free.shape[1]), np.ones(2 * rows)]),
            A_eq=np.hstack([pull, free, unmet, -unmet]),
            b_eq=self.asked[frame],
            bounds=[
                *((0.0, float(f)) for f in factors[self.groups]),
                *zip(self.low[frame].tolist(), self.high[frame].tolist(), strict=True),
                *((0.0, None),) * (2 * rows),
            ],
            method="highs",
        )
        if answer.status != 0:
            raise SolverError(f"needed strength: linear program of frame {frame}: {answer.message}")
        return float(answer.fun or 0.0), np.asarray(answer.eqlin.marginals)

    def cut(self, frame: int, direction: Floats, groups: int) -> tuple[Floats, float]:
        """Strength of each group in a direction [N·m], and what is required of all."""
        head = np.maximum(direction @ self.pull[frame], 0.0)
        strength = np.bincount(self.groups, weights=head, minlength=groups).astype(np.float64)
        free = direction @ self.columns[frame]
        with np.errstate(invalid="ignore"):
            ends = np.stack([free * self.low[frame], free * self.high[frame]])
        added = np.where(np.abs(free) < 1e-12, 0.0, ends.max(axis=0)) if free.size else np.zeros(0)
        return strength, float(direction @ self.asked[frame] - added.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeededStrength:
    """What a task requires of the strength of a limb; factors apply to the strength known so far.

    Attributes
    ----------
    factors : float array, shape (groups,)
        Least change, over the spreads, that meets all frames; ones where nothing is missing, NaN
        where no strength of any group meets them.
    common : float
        Least common factor on all groups.
    alone : float array, shape (groups,)
        Least factor of each group when the others stay unchanged; NaN where it is not enough alone.
    """

    factors: Floats
    common: float
    alone: Floats

    @property
    def possible(self) -> bool:
        """Whether some strength meets the task."""
        return bool(np.isfinite(self.factors).all())


def needed_strength(task: TaskFrames, spreads: Floats) -> NeededStrength:
    """Find the least strength that a task requires.

    Parameters
    ----------
    task : TaskFrames
    spreads : float array, shape (groups,)
        Relative spread of the strength of each group that is known so far: a measured one moves
        less than an estimated one.

    Returns
    -------
    NeededStrength

    Examples
    --------
    One moment of 60 N·m and two groups that give 30 and 20 N·m; the first is known twice as well.

    >>> import numpy as np
    >>> task = TaskFrames(
    ...     pull=np.array([[[30.0, 20.0]]]), asked=np.array([[60.0]]), groups=np.array([0, 1]),
    ...     columns=np.zeros((1, 1, 0)), low=np.zeros((1, 0)), high=np.zeros((1, 0)),
    ... )
    >>> found = needed_strength(task, np.array([0.25, 0.5]))
    >>> found.factors.round(3), round(found.common, 3), found.alone.round(3)
    (array([1.12, 1.32]), 1.2, array([1.333, 1.5  ]))
    """
    count = len(spreads)
    factors = least_raise(task, np.diag(np.asarray(spreads, dtype=float)))
    if not np.isfinite(factors).all():
        return NeededStrength(factors=factors, common=np.nan, alone=np.full(count, np.nan))
    common = least_raise(task, np.ones((count, 1)))
    alone = [least_raise(task, np.eye(count)[:, [k]])[k] for k in range(count)]
    return NeededStrength(factors=factors, common=float(common[0]), alone=np.array(alone))


def least_raise(task: TaskFrames, ways: Floats) -> Floats:
    """Factors 1 + W u of the groups that meet all frames with the least |u|.

    Parameters
    ----------
    task : TaskFrames
    ways : float array, shape (groups, unknowns)
        W: gain of the factors per unit of each unknown, not negative.

    Returns
    -------
    float array, shape (groups,)
        NaN where no u below a thousandfold strength suffices.
    """
    groups = ways.shape[0]
    allowed = _MISSED * max(1.0, float(np.abs(task.asked).max(initial=0.0)))
    factors, cuts, levels = np.ones(groups), [], []
    for _ in range(_ROUNDS):
        missed = [task.short(frame, factors) for frame in range(len(task.asked))]
        worst = int(np.argmax([short for short, _ in missed])) if missed else 0
        if not missed or missed[worst][0] <= allowed:
            return factors
        for frame in {worst, *_further(missed, allowed)}:
            strength, asked = task.cut(frame, missed[frame][1], groups)
            cuts.append(strength @ ways)
            levels.append(asked - float(strength.sum()))
        moved = nearest_above(np.array(cuts), np.array(levels))
        if moved is None or float((ways @ moved).max()) > _LARGEST:
            return np.full(groups, np.nan)
        factors = 1.0 + ways @ moved
    raise SolverError(f"needed strength: not found within {_ROUNDS} rounds")


def _further(missed: list[tuple[float, Floats]], allowed: float) -> list[int]:
    """Frames whose cuts are kept in addition to that of the worst one: local worst ones."""
    short = [value for value, _ in missed]
    padded = [-1.0, *short, -1.0]
    return [
        k
        for k, value in enumerate(short)
        if value > allowed and value >= padded[k] and value >= padded[k + 2]
    ]


def nearest_above(cuts: Floats, levels: Floats) -> Floats | None:
    """Shortest u with G u ≥ h, by Lawson and Hanson's least distance programming.

    Returns
    -------
    float array, shape (unknowns,), or None
        None where there is no such u.
    """
    from scipy.optimize import nnls

    size = np.linalg.norm(cuts, axis=1)
    if np.any((size <= 0.0) & (levels > 0.0)):
        return None
    keep = size > 0.0
    g, h = cuts[keep] / size[keep, None], levels[keep] / size[keep]
    unknowns = cuts.shape[1]
    aim = np.zeros(unknowns + 1)
    aim[-1] = 1.0
    weights, _ = nnls(np.vstack([g.T, h]), aim, maxiter=50 * (len(h) + unknowns + 1))
    rest = np.vstack([g.T, h]) @ weights - aim
    if np.linalg.norm(rest) < 1e-12 or rest[-1] >= 0.0:
        return None
    return np.asarray(-rest[:-1] / rest[-1])
