"""The min–max criterion within inequalities, for frames whose answer without them breaks one.

    minimise s  subject to  A a = b,  G F ≤ h,  0 ≤ a_i ≤ min(1, s/w_i).

Least squares within the inequalities say first whether the moment can be met at all. Where it can,
a linear programme finds s and the prices that prove it, frame by frame; then heads that may reach
min(1, s/w) share the moment within the inequalities with least Σ (w a)², which is the answer that
is asked for among equal ones.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.balance import normalise
from momentshare.sharing._backends.minmax import certify_minmax
from momentshare.sharing._result import Status, replaced

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray, RawSharing

TIED = 1e-9
"""Part of the greatest drive below which a head is drawn to no bound."""


def without_inequalities(problem: Problem) -> Problem:
    """Leave the inequalities of a problem out."""
    return replace(
        problem,
        coefficients=np.zeros((1, 0, problem.heads)),
        levels=np.zeros((1, 0)),
        cone=None,
    )


def keep_inequalities(
    problem: Problem, raw: RawSharing, squares: Callable[[Problem], RawSharing]
) -> RawSharing:
    """Keep the answers without inequalities that break none, and solve the other frames.

    ``squares`` shares with least Σ w a² within the inequalities.
    """
    raw = certify_minmax(problem, normalise(problem), raw.activation, raw.multipliers)
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if left.size == 0:
        return raw
    part = problem.take(left)
    near = squares(replace(part, exponent=2.0))
    settled = (near.status == Status.SHORTFALL) | (near.status == Status.INFEASIBLE)
    raw = replaced(raw, left[settled], near.take(settled))
    met = np.flatnonzero(near.status == Status.SOLVED)
    return replaced(raw, left[met], _least_peaks(part.take(met), squares)) if met.size else raw


def _least_peaks(problem: Problem, squares: Callable[[Problem], RawSharing]) -> RawSharing:
    """Frames whose moment can be met: the programme, then least squares under its s."""
    balance = normalise(problem)
    weights = np.broadcast_to(problem.weights, (problem.frames, problem.heads))
    activation = np.zeros((problem.frames, problem.heads))
    prices = np.zeros((problem.frames, problem.rows))
    held = np.zeros((problem.frames, problem.facets))
    for frame in range(problem.frames):
        found = _programme(problem, balance, frame, weights[frame])
        if found is not None:
            activation[frame], prices[frame], held[frame] = found
    across = prices - np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, prices)
    multipliers = across / balance.row_size
    raw = certify_minmax(problem, balance, activation, multipliers, held)
    even = evened(problem, raw, weights, squares)
    second = certify_minmax(problem, balance, even, multipliers, held)
    better = np.flatnonzero(second.status == Status.SOLVED)
    return replaced(raw, better, second.take(better))


def evened(
    problem: Problem,
    raw: RawSharing,
    weights: FloatArray,
    squares: Callable[[Problem], RawSharing],
) -> FloatArray:
    """Activations with least Σ (w a)² of heads that no price draws to a bound."""
    pulled = np.einsum("fji,fj->fi", problem.arms, raw.multipliers)
    drive = problem.capacity * (pulled - np.einsum("fgi,fg->fi", problem.limits, raw.held))
    apart = TIED * np.abs(drive).max(axis=1, initial=0.0, keepdims=True)
    greatest = (weights * raw.activation).max(axis=1, keepdims=True)
    greatest = np.where(greatest > 0.0, greatest, 1.0)  # no programme was solved
    reach = np.minimum(1.0, greatest / weights)
    tied = np.abs(drive) <= apart
    fixed = np.where(drive > apart, reach, 0.0)
    part = replace(
        problem,
        exponent=2.0,
        capacity=np.where(tied, problem.capacity * reach, 0.0),
        passive=problem.passive + problem.capacity * fixed,
        weights=np.ascontiguousarray((weights * reach / greatest) ** 2),
    )
    return np.asarray(np.where(tied, reach * squares(part).activation, fixed))


def _programme(
    problem: Problem, balance: Balance, frame: int, w: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Activations and prices of rows and inequalities of one frame; None where it fails."""
    from scipy.optimize import linprog

    A, b, heads = balance.matrix[frame], balance.target[frame], w.size
    capacity, G = _frame_values(problem.capacity, frame), _frame_values(problem.limits, frame)
    rows = G * capacity
    strength = np.maximum(np.linalg.norm(rows, axis=1), 1e-300)
    levels = _frame_values(problem.levels, frame) - G @ _frame_values(problem.passive, frame)
    heaviest = w.max()
    answer = linprog(
        np.append(np.zeros(heads), 1.0),
        A_eq=np.hstack([A, np.zeros((b.size, 1))]),
        b_eq=b,
        A_ub=np.vstack(
            [
                np.hstack([np.diag(w / heaviest), -np.ones((heads, 1))]),
                np.hstack([rows / strength[:, None], np.zeros((strength.size, 1))]),
            ]
        ),
        b_ub=np.append(np.zeros(heads), levels / strength),
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)],
        method="highs-ds",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    if answer.status != 0:
        return None
    held = np.maximum(-np.asarray(answer.ineqlin.marginals)[heads:], 0.0) / strength
    activation = np.clip(np.asarray(answer.x)[:-1], 0.0, 1.0)
    return activation, heaviest * np.asarray(answer.eqlin.marginals), heaviest * held


def _frame_values(array: FloatArray, frame: int) -> FloatArray:
    """Give what belongs to a frame of an array that one value of may hold for all."""
    return np.asarray(array[frame if array.shape[0] > 1 else 0])
