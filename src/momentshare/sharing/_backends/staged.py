"""Stages around the Newton method: shortfall, and rescue of frames it leaves open."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.interior import solve_inside
from momentshare.sharing._backends.newton import CLOSED, SHORT, Dual, push, solve_dual
from momentshare.sharing._backends.whiten import whiten

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray

SPANNED = 1e-13
"""Square of the relative size below which a direction is not spanned."""

GROWTH = 1.5
"""Ratio of successive exponents when a large one is approached from 2."""

DIRECT = 9.0
"""Exponent from which the interior-point method follows p = 2 at once."""

SLIGHT = 1e-5
"""Shortfall, relative, that is looked at twice."""

SOFT = 1e4
"""Slack weight of the second attempt at p = 2."""


def solve_balance(
    balance: Balance, weights: FloatArray, exponent: float, start: FloatArray | None = None
) -> Dual:
    """Newton method, then whatever stage each frame still needs.

    1. The Newton method as it stands.
    2. Frames it leaves open: p = 2 with a softer slack, or else bounded least squares,
       says whether the moment can be met.
       A shortfall so slight that rows nearly depending on each other could feign it is
       tried as one that can be met.
    3. Those that can, in orthonormal rows: the exponent moves from 2 to p in steps that
       start each other, and the interior-point method takes what is still open; for large p
       it comes first.
    """
    answer = solve_dual(balance, weights, exponent, start)
    left = np.flatnonzero(~answer.done)
    if left.size:
        part, heads = balance.take(left), weights[left]
        guide = solve_dual(part, heads, 2.0, slack_weight=SOFT)
        _nearest_by_active_set(guide, part, np.flatnonzero(~guide.done))
        feasible = np.flatnonzero(~guide.short)
        if feasible.size:
            found = _approach_straight(part.take(feasible), heads[feasible], exponent)
            guide.put(feasible, found)
        answer.put(left, guide)
    doubtful = np.flatnonzero(answer.short & _is_slight(answer, balance))
    if doubtful.size:
        part = balance.take(doubtful)
        second = _approach_straight(part, weights[doubtful], exponent)
        met = second.done & (second.distance() <= CLOSED * second.size(part))
        answer.put(doubtful[met], second.take(np.flatnonzero(met)))
    short = np.flatnonzero(answer.short)
    if short.size:
        rough = answer.take(short)
        answer.put(short, solve_shortfall(balance.take(short), weights[short], exponent, rough))
    return answer


def _is_slight(answer: Dual, balance: Balance) -> BoolArray:
    return np.asarray(answer.distance() <= SLIGHT * answer.size(balance))


def _approach_straight(balance: Balance, weights: FloatArray, exponent: float) -> Dual:
    """Solve for a moment that can be met, in orthonormal rows."""
    straight = whiten(balance)
    answer = _approach(straight.balance, weights, exponent)
    answer.multipliers = straight.back(answer.multipliers)
    answer.unmet = balance.target - np.einsum("fji,fi->fj", balance.matrix, answer.activation)
    return answer


def _approach(balance: Balance, weights: FloatArray, exponent: float) -> Dual:
    """Solve for p from the answer for 2; exponents in between come where one step is too long."""
    answer = solve_dual(balance, weights, 2.0)
    if exponent < DIRECT:
        return _by_exponents(answer, balance, weights, exponent)
    answer.done[:] = False
    _move_inside(answer, balance, weights, exponent, np.arange(answer.done.size))
    left = np.flatnonzero(~answer.done)
    if left.size:
        part = balance.take(left)
        answer.put(left, _by_exponents(answer.take(left), part, weights[left], exponent))
    return answer


def _by_exponents(answer: Dual, balance: Balance, weights: FloatArray, exponent: float) -> Dual:
    """Move the exponent from 2 to p, scaling multipliers to the greatest activation."""
    power = 2.0
    while power != exponent:
        step = min(GROWTH, exponent / power) if exponent > power else exponent / power
        following = exponent if abs(step * power - exponent) < 1e-12 else step * power
        top = np.maximum(answer.activation.max(axis=1, keepdims=True), 1e-100)
        start = answer.multipliers * (following / power) * top ** (following - power)
        power = following
        answer = solve_dual(balance, weights, power, start)
    left = np.flatnonzero(~answer.done)
    if left.size:
        _move_inside(answer, balance, weights, exponent, left)
    return answer


def _move_inside(
    answer: Dual, balance: Balance, weights: FloatArray, exponent: float, frames: NDArray[np.intp]
) -> None:
    """Try the interior-point method on frames that are still open."""
    part = balance.take(frames)
    scale = np.clip(answer.activation[frames].max(axis=1), 1e-6, 1.0)
    multipliers, activation, ended = solve_inside(part, weights[frames], exponent, scale)
    rest = part.target - np.einsum("fji,fi->fj", part.matrix, activation)
    size = part.target_size + np.linalg.norm(activation, axis=1)
    better = ended & (np.abs(rest).max(axis=1) <= CLOSED * size)
    chosen = frames[better]
    answer.multipliers[chosen] = multipliers[better]
    answer.activation[chosen] = activation[better]
    answer.unmet[chosen] = rest[better]
    answer.short[chosen] = False
    answer.done[chosen] = True


def _nearest_by_active_set(guide: Dual, balance: Balance, frames: NDArray[np.intp]) -> None:
    """Say by bounded least squares, one frame after the other, how near a moment can be met.

    The multiplier steps approach the nearest point slowly when what is left of the moment
    can only be supplied by heads of very little strength; active sets do not mind.
    """
    if frames.size == 0:
        return
    from scipy.optimize import lsq_linear

    for frame in frames:
        if not (
            np.isfinite(balance.matrix[frame]).all() and np.isfinite(balance.target[frame]).all()
        ):
            continue
        found = lsq_linear(
            balance.matrix[frame], balance.target[frame], (0.0, 1.0), method="bvls", tol=1e-15
        )
        rest = balance.target[frame] - balance.matrix[frame] @ found.x
        size = balance.target_size[frame] + np.linalg.norm(found.x)
        guide.activation[frame] = found.x
        guide.unmet[frame] = rest
        guide.short[frame] = np.linalg.norm(rest) > SHORT * size


def solve_shortfall(balance: Balance, weights: FloatArray, exponent: float, rough: Dual) -> Dual:
    """Least effort among the nearest points, for frames whose moment cannot be met.

    The heads that push along the separating direction v rest at their bounds. The others
    act across v: what they have to supply is the target less the bound heads and less the
    part they cannot reach, an ordinary balance that can be met. Any multiple of v may
    be added to its multipliers; the smallest that holds the bound heads is taken.
    """
    A, unmet = balance.matrix, rough.unmet
    for _ in range(2):
        along, bound = push(A, unmet)
        fixed = np.where(bound & (along > 0.0), 1.0, 0.0)
        across = np.where(bound[:, None, :], 0.0, A)
        left = balance.target - np.einsum("fji,fi->fj", A, fixed)
        onto = projector(across)
        unmet = left - np.einsum("fjl,fl->fj", onto, left)
        # Once more: a small shortfall is a difference of large numbers.
        unmet = unmet - np.einsum("fjl,fl->fj", onto, unmet)
    part = replace(balance, matrix=across, target=left - unmet)
    answer = solve_dual(part, weights, exponent)
    open_ = np.flatnonzero(~answer.done)
    if open_.size:
        answer.put(open_, _approach_straight(part.take(open_), weights[open_], exponent))
    answer.activation = np.where(bound, fixed, answer.activation)

    drive = np.einsum("fji,fj->fi", A, answer.multipliers)
    along = np.einsum("fji,fj->fi", A, unmet)
    needed = np.where(along > 0.0, exponent * weights - drive, -drive)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(bound & (along != 0.0), needed / along, 0.0).max(axis=1, initial=0.0)
    answer.multipliers = answer.multipliers + reach[:, None] * unmet
    answer.unmet = unmet
    answer.short[:] = True
    return answer


def projector(A: FloatArray) -> FloatArray:
    """Orthogonal projector on the span of the columns of A."""
    values, vectors = np.linalg.eigh(A @ A.transpose(0, 2, 1))
    kept = values > SPANNED * values[:, -1:]
    return np.asarray(np.einsum("fjl,fl,fkl->fjk", vectors, kept.astype(float), vectors))
