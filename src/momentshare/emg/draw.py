"""Predicted activation drawn towards measured electromyograms, with the balance kept.

The sharing is repeated with one additional term:

    minimise   Σ_i w_i a_i² + weight · Σ_measured (a_i − e_i)²
    subject to the same moment balance,   0 ≤ a ≤ 1.

Completing the square makes it Σ c_i (a_i − t_i)² with c = w + weight and t = weight·e / c for a
measured head, c = w and t = 0 for another. Every head is then written as a pair, one part that adds
to t and one that subtracts from it, which turns it into a sharing problem with twice the heads;
which the solver of :mod:`momentshare.sharing` answers exactly. At the optimum at most one part of a
pair is active, since both together would cost more and achieve nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.results import ReadOnly, brief
from momentshare.sharing import share

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Drawn", "draw_activation"]


_NOTHING = 1e-9
"""Aim below which nothing can be subtracted from it; moves no activation by more than this."""

_RESIDUAL = 1e-6
"""Moment residual of a certified frame, over the size of its row."""

_MISMATCH = 1e-6
"""Distance in activation from the optimality condition that a certified frame may have."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn(ReadOnly):
    """Activation drawn towards a measurement, frame by frame, with its proof; NaN out of reach.

    Attributes
    ----------
    activation : float array, shape (frames, heads)
    multipliers : float array, shape (frames, rows)
        λ, the price of each moment. With the drive d = capacity ∘ Rᵀλ the optimum is
        a = clip(t + d / (2 c), 0, 1).
    moment_residual : float array, shape (frames,)
        Greatest part of a moment that is missed [N·m].
    bound_violation : float array, shape (frames,)
        Greatest distance of an activation from 0 to 1.
    mismatch : float array, shape (frames,)
        Greatest distance of an activation from the optimality condition above. The problem is
        convex, so residual, violation and mismatch of zero prove the optimum.
    certified : bool array, shape (frames,)
        Residual up to 1e-6 of the size of the row, violation and mismatch up to 1e-6; False out of
        reach.
    """

    activation: NDArray[np.float64]
    multipliers: NDArray[np.float64]
    moment_residual: NDArray[np.float64]
    bound_violation: NDArray[np.float64]
    mismatch: NDArray[np.float64]
    certified: NDArray[np.bool_]

    __repr__ = brief


def draw_activation(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    moments: ArrayLike,
    emg: ArrayLike,
    weight: float,
    *,
    weights: ArrayLike | None = None,
) -> Drawn:
    """Share moments with least effort and least distance from measured activation.

    Parameters
    ----------
    moment_arms : array_like, shape (frames, rows, heads)
        R [m].
    active_capacity : array_like, shape (frames, heads)
        [N]
    moments : array_like, shape (frames, rows)
        What active forces have to supply [N·m]: net moments less those of passive forces.
    emg : array_like, shape (frames, heads)
        e; NaN where not measured; values outside 0 to 1 count as the nearer of the two.
    weight : float
        0 to 1e6.
    weights : array_like, shape (heads,), optional
        w of the effort; one where not given.

    Examples
    --------
    Two like heads at one joint share alike, until one is measured to work harder.

    >>> import numpy as np
    >>> from momentshare.emg import draw_activation
    >>> arms, capacity = np.array([[[0.04, 0.04]]]), np.array([[500.0, 500.0]])
    >>> drawn = draw_activation(arms, capacity, [[20.0]], [[0.8, np.nan]], weight=2.0)
    >>> drawn.activation.round(3)
    array([[0.65, 0.35]])
    """
    arms = np.asarray(moment_arms, dtype=np.float64)
    capacity = np.asarray(active_capacity, dtype=np.float64)
    wanted = np.asarray(moments, dtype=np.float64)
    heads = arms.shape[-1]
    base = np.ones(heads) if weights is None else np.asarray(weights, dtype=np.float64)
    cost, aim = _completed_square(base, np.asarray(emg, dtype=np.float64), weight)
    add, take = 1.0 - aim, aim
    answer = share(
        np.concatenate([arms, -arms], axis=-1),
        np.concatenate([capacity * add, capacity * take], axis=-1),
        wanted - np.einsum("frh,fh->fr", arms, capacity * aim),
        weights=np.concatenate([_part_cost(cost, add), _part_cost(cost, take)], axis=-1),
    )
    part = answer.activation
    activation = aim + add * part[:, :heads] - take * part[:, heads:]
    return _judged(arms * capacity[:, None], wanted, cost, aim, activation, answer.multipliers)


def _completed_square(
    base: NDArray[np.float64], measured: NDArray[np.float64], weight: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cost c and aim t of Σ c (a − t)², the objective but for a constant."""
    known = ~np.isnan(measured)
    cost = base + weight * known
    aim = weight * np.where(known, np.clip(measured, 0.0, 1.0), 0.0) / cost
    return cost, np.asarray(np.where(aim < _NOTHING, 0.0, aim))


def _part_cost(cost: NDArray[np.float64], reach: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weight of one part of a pair whose full activation moves the head by ``reach``."""
    return np.asarray(cost * np.where(reach > 0.0, reach, 1.0) ** 2)


def _judged(
    loads: NDArray[np.float64],
    wanted: NDArray[np.float64],
    cost: NDArray[np.float64],
    aim: NDArray[np.float64],
    activation: NDArray[np.float64],
    multipliers: NDArray[np.float64],
) -> Drawn:
    """Certificate from the data and the answer alone."""
    over = np.maximum(np.maximum(-activation, activation - 1.0), 0.0)
    missed = np.abs(np.einsum("frh,fh->fr", loads, activation) - wanted)
    drive = np.einsum("frh,fr->fh", loads, multipliers)
    best = np.clip(aim + drive / (2.0 * cost), 0.0, 1.0)
    row = np.linalg.norm(loads, axis=-1) + np.abs(wanted)
    violation = over.max(axis=-1, initial=0.0)
    mismatch = np.abs(activation - best).max(axis=-1, initial=0.0)
    return Drawn(
        activation=activation,
        multipliers=multipliers,
        moment_residual=missed.max(axis=-1, initial=0.0),
        bound_violation=violation,
        mismatch=mismatch,
        certified=(missed <= _RESIDUAL * row).all(axis=-1)
        & (violation <= _MISMATCH)
        & (mismatch <= _MISMATCH),
    )
