"""Interior-point method for frames on which the dual loses its digits.

With a large exponent the drive of a head that works little is below rounding, and λ alone
no longer fixes its activation. Here activations, multipliers and the prices of both
bounds move together (predictor and corrector steps after Mehrotra 1992, SIAM J. Optim. 2,
575–601), so every activation keeps its own digits:

    p w a^(p−1) − Aᵀλ − l + u = 0,   A a = b,   l a = μ,   u (1 − a) = μ,   μ → 0.

Written in units of σ, an activation near the greatest one, as in ``newton``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.newton import solve_each

if TYPE_CHECKING:
    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray

STEPS = 100
"""Most steps; twenty to forty are usual."""

CENTRED = 1e-15
"""Mean product of activation and price, in units of effort, that ends the method."""

GROWTH = 3.0
"""Relative change of an activation in one step times p − 2; keeps powers near linear."""

PATIENCE = 0.3
"""Least fall of μ in one step while the drives lag behind it."""

INSIDE = 0.995
"""Part of the way to the nearest bound that a step may go."""


def solve_inside(
    balance: Balance, weights: FloatArray, exponent: float, scale: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Multipliers, activation and whether the method ended, for moments that can be met."""
    A, b = balance.matrix, balance.target
    frames, rows, heads = A.shape
    heaviest = weights.max(axis=1, keepdims=True)
    w = weights / heaviest
    sigma = scale[:, None]
    top = 1.0 / sigma
    # x = a / σ runs from 0 to 1/σ; B x = c is the balance in these units.
    c = b / sigma
    x = np.minimum(0.5 * top, 1.0) * np.ones((frames, heads))
    room = top - x
    low = np.ones((frames, heads))
    high = np.ones((frames, heads))
    lam = np.zeros((frames, rows))
    lift = np.einsum("fjk,flk->fjl", balance.basis, balance.basis)
    mean = np.full(frames, 1.0)

    for _ in range(STEPS):
        raised = x ** (exponent - 2.0)
        dual_rest = exponent * w * raised * x - np.einsum("fji,fj->fi", A, lam) - low + high
        rest = c - np.einsum("fji,fi->fj", A, x)
        mean = ((low * x).sum(axis=1) + (high * room).sum(axis=1)) / (2 * heads)
        behind = np.abs(dual_rest).max(axis=1)
        if ((mean <= CENTRED) & (behind <= 1e-12)).all():
            break
        stiff = exponent * (exponent - 1.0) * w * raised + low / x + high / room
        soft = 1.0 / stiff
        hessian = np.einsum("fji,fi,fli->fjl", A, soft, A, optimize=True)
        size = np.trace(hessian, axis1=1, axis2=2)[:, None, None]
        hessian = hessian + size * lift + 1e-14 * size * np.eye(rows)
        moved = (np.zeros_like(x), np.zeros_like(x), np.zeros_like(x))
        aim = np.zeros((frames, 1))
        for corrector in (False, True):
            # Second-order terms of the predictor enter the corrector.
            want_low = (aim - moved[0] * moved[1] - low * x) / x
            want_high = (aim + moved[0] * moved[2] - high * room) / room
            push = -dual_rest + want_low - want_high
            right = rest - np.einsum("fji,fi->fj", A, soft * push)
            d_lam = solve_each(hessian, right)
            d_x = soft * (push + np.einsum("fji,fj->fi", A, d_lam))
            d_low = want_low - low / x * d_x
            d_high = want_high + high / room * d_x
            steps = [
                _longest(x, d_x), _longest(room, -d_x), _longest(low, d_low), _longest(high, d_high)
            ]  # fmt: skip
            growth = (np.abs(d_x) / np.maximum(x, 0.5)).max(axis=1) * (exponent - 2.0)
            steps.append(GROWTH / np.maximum(growth, GROWTH))
            length = np.minimum.reduce(steps)[:, None]
            if not corrector:
                ahead = (
                    ((low + length * d_low) * (x + length * d_x)).sum(axis=1)
                    + ((high + length * d_high) * (room - length * d_x)).sum(axis=1)
                ) / (2 * heads)
                late = behind > mean
                least = np.where(late, PATIENCE, 0.0)
                aim = (mean * np.maximum((ahead / mean) ** 3, least))[:, None]
                moved = (d_x, d_low, d_high)
        length = np.where(((mean > CENTRED) | (behind > 1e-12))[:, None], length, 0.0)
        x, room = x + length * d_x, room - length * d_x
        low, high = low + length * d_low, high + length * d_high
        lam = lam + length * d_lam
    # A head that cannot help would stay between the bounds; it rests.
    activation = np.where((A != 0.0).any(axis=1), np.minimum(x * sigma, 1.0), 0.0)
    unit = heaviest * sigma ** (exponent - 1.0)
    return lam * unit, activation, np.asarray(mean <= 1e3 * CENTRED)


def _longest(value: FloatArray, change: FloatArray) -> FloatArray:
    """Longest step, at most one, that keeps ``value`` above zero."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = np.where(change < 0.0, -value / change, np.inf)
    return np.asarray(np.minimum(1.0, INSIDE * ratio.min(axis=1)))
