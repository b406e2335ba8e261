"""Interior-point method for frames on which the dual loses its digits.

With a large exponent the drive of a head that works little is below rounding, and λ alone
no longer fixes its activation. Here activations a, marginal efforts y, multipliers and the
prices of both bounds move together (predictor and corrector steps after Mehrotra 1992, SIAM
J. Optim. 2, 575–601), so every activation keeps its own digits:

    y − Aᵀλ − l + u = 0,   A a = b,   log y = log(p w) + (p − 1) log a,   l a = μ,
    u (1 − a) = μ,   μ → 0.

A marginal effort of its own makes the balances linear, and the logarithm makes the curve between
activation and marginal effort a straight line. Written in units of σ, an activation near the
greatest one, as in ``newton``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.newton import solve_each

if TYPE_CHECKING:
    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray

STEPS = 150
"""Most steps; fifteen to fifty are usual."""

CENTRED, BEHIND, ENDED = 1e-18, 1e-13, 1e-12
"""Mean product of activation and price, in units of effort, and mismatch over p or the greatest
multiplier that end the method; mean product that is enough."""

GROWTH = 10.0
"""Relative rise of an activation in one step times p − 1; keeps powers in reach."""

APART, LEAST = 3.0, 1e-290
"""Logarithm by which y may lie below the marginal effort of a; y that counts as nothing."""

LATE, FAR, HOLD = 0.1, 100.0, 0.3
"""Least fall of μ in one step while the mismatch is above μ, and above ``FAR`` times μ."""

INSIDE, SHORT_STEP = 0.995, 0.1
"""Part of the way to the nearest bound that a step may go; one so short is taken without the
second order of the prediction."""

UNEVEN = 0.5
"""Marginal effort of the hardest working head, in units of σ, from which σ is taken anew."""


@dataclass(slots=True)
class _Place:
    """Where every frame stands; ``scale`` is σ."""

    x: FloatArray
    room: FloatArray
    low: FloatArray
    high: FloatArray
    marginal: FloatArray
    lam: FloatArray
    scale: FloatArray

    def rescale(self, power: float) -> None:
        """Write everything in units of the greatest activation where σ lies far from it."""
        top = np.minimum(self.x.max(axis=1, keepdims=True), 1.0 / self.scale)
        apart = ~((top**power >= UNEVEN) & (top**power <= 1.0 / UNEVEN)) & (top > 0.0)
        top = np.where(apart, np.maximum(top, 1e-100 / self.scale), 1.0)
        self.x, self.room, self.scale = self.x / top, self.room / top, self.scale * top
        priced = top**power
        self.low, self.high, self.lam = self.low / priced, self.high / priced, self.lam / priced
        self.marginal = self.marginal / priced

    def mean(self) -> FloatArray:
        """Mean product of values and prices."""
        total = (self.low * self.x).sum(axis=1) + (self.high * self.room).sum(axis=1)
        return np.asarray(total / (2 * self.x.shape[1]))


@dataclass(slots=True)
class _Step:
    """Changes of one step, and how far along them every frame stays inside."""

    x: FloatArray
    low: FloatArray
    high: FloatArray
    lam: FloatArray
    length: FloatArray

    def better(self, other: _Step) -> _Step:
        """Take the other step where this one is short."""
        worse = self.length < SHORT_STEP
        return _Step(
            *(
                np.where(worse, getattr(other, name), getattr(self, name))
                for name in ("x", "low", "high", "lam", "length")
            )
        )


def solve_inside(
    balance: Balance, weights: FloatArray, exponent: float, scale: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Multipliers, activation and whether the method ended, for moments that can be met."""
    A, b = balance.matrix, balance.target
    frames, rows, heads = A.shape
    heaviest = weights.max(axis=1, keepdims=True)
    cost = exponent * weights / heaviest
    power = exponent - 1.0
    top = 1.0 / scale[:, None]
    x = np.minimum(0.5 * top, 1.0) * np.ones((frames, heads))
    at = _Place(
        x=x, room=top - x, low=np.ones((frames, heads)), high=np.ones((frames, heads)),
        marginal=cost * x**power, lam=np.zeros((frames, rows)), scale=scale[:, None],
    )  # fmt: skip
    lift = np.einsum("fjk,flk->fjl", balance.basis, balance.basis)
    ended = np.zeros(frames, dtype=np.bool_)
    for _ in range(STEPS):
        at.rescale(power)
        made = cost * at.x**power
        at.marginal = np.maximum(np.maximum(at.marginal, made * np.exp(-APART)), LEAST)
        bent = np.log(np.maximum(made, LEAST) / at.marginal)
        off = at.marginal - np.einsum("fji,fj->fi", A, at.lam) - at.low + at.high
        rest = b / at.scale - np.einsum("fji,fi->fj", A, at.x)
        mean = at.mean()
        behind = np.abs(off).max(axis=1) + np.abs(at.marginal - made).max(axis=1)
        longest = np.maximum(np.abs(at.lam).max(axis=1, initial=0.0), exponent)
        ended = np.asarray((mean <= CENTRED) & (behind <= BEHIND * longest))
        if ended.all():
            break
        soft = 1.0 / (power * at.marginal / at.x + at.low / at.x + at.high / at.room)
        hessian = np.einsum("fji,fi,fli->fjl", A, soft, A, optimize=True)
        size = np.trace(hessian, axis1=1, axis2=2)[:, None, None]
        hessian = hessian + size * lift + 1e-15 * size * np.eye(rows)

        known = (A, hessian, soft, off, rest, power)
        first = _move(at, known, bent, 0.0, None)
        ahead = _mean_ahead(at, first)
        least = np.where(behind <= mean, 0.0, np.where(behind <= FAR * mean, LATE, HOLD))
        aim = (mean * np.maximum((ahead / mean) ** 3, least))[:, None]
        bent = _bent_on(at, bent, first, power)
        step = _move(at, known, bent, aim, first)
        step = step.better(_move(at, known, bent, aim, None))
        _take(at, step, np.where(ended[:, None], 0.0, step.length), bent, cost, power)
    # A head that cannot help would stay between the bounds; it rests.
    activation = np.where((A != 0.0).any(axis=1), np.minimum(at.x * at.scale, 1.0), 0.0)
    unit = heaviest * at.scale**power
    return at.lam * unit, activation, np.asarray(at.mean() <= ENDED)


def _move(
    at: _Place,
    known: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, float],
    bent: FloatArray,
    aim: FloatArray | float,
    before: _Step | None,
) -> _Step:
    """Solve for a step; the products of a prediction ``before`` are to be met too."""
    A, hessian, soft, off, rest, power = known
    want_low = aim / at.x - at.low
    want_high = aim / at.room - at.high
    if before is not None:
        square = before.length**2
        want_low = want_low - square * before.x * before.low / at.x
        want_high = want_high + square * before.x * before.high / at.room
    push = want_low - off - want_high - at.marginal * bent
    d_lam = solve_each(hessian, rest - np.einsum("fji,fi->fj", A, soft * push))
    d_x = soft * (push + np.einsum("fji,fj->fi", A, d_lam))
    d_low = want_low - at.low / at.x * d_x
    d_high = want_high + at.high / at.room * d_x
    growth = (np.maximum(d_x, 0.0) / np.maximum(at.x, 0.3)).max(axis=1) * power
    steps = [
        _longest(at.x, d_x), _longest(at.room, -d_x), _longest(at.low, d_low),
        _longest(at.high, d_high), GROWTH / np.maximum(growth, GROWTH),
    ]  # fmt: skip
    return _Step(d_x, d_low, d_high, d_lam, np.minimum.reduce(steps)[:, None])


def _mean_ahead(at: _Place, step: _Step) -> FloatArray:
    """Mean product of values and prices after a step."""
    t = step.length
    total = ((at.low + t * step.low) * (at.x + t * step.x)).sum(axis=1)
    total = total + ((at.high + t * step.high) * (at.room - t * step.x)).sum(axis=1)
    return np.asarray(total / (2 * at.x.shape[1]))


def _bent_on(at: _Place, bent: FloatArray, step: _Step, power: float) -> FloatArray:
    """Add what a step would leave of second order in the logarithms, where that is small."""
    own = step.length * step.x / at.x
    gain = power * own + step.length * bent
    small = (np.abs(power * own) < 2.0) & (np.abs(gain) < 0.8) & (at.marginal > LEAST)
    own, gain = np.where(small, np.maximum(own, -0.9), 0.0), np.where(small, gain, 0.0)
    return np.asarray(bent + power * own**2 * (own / 3.0 - 0.5) - gain**2 * (gain / 3.0 - 0.5))


def _take(
    at: _Place, step: _Step, length: FloatArray, bent: FloatArray, cost: FloatArray, power: float
) -> None:
    """Take a step."""
    part = length * step.x
    gain = power * part / at.x + length * bent
    made = cost * (at.x + part) ** power
    fallen = np.minimum(0.1 * at.marginal, made)
    at.marginal = np.where(gain >= -0.9, at.marginal * (1.0 + gain), fallen)
    at.x, at.room = at.x + part, at.room - part
    at.low, at.high = at.low + length * step.low, at.high + length * step.high
    at.lam = at.lam + length * step.lam


def _longest(value: FloatArray, change: FloatArray) -> FloatArray:
    """Longest step, at most one, that keeps ``value`` above zero."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = np.where(change < 0.0, -value / change, np.inf)
    return np.asarray(np.minimum(1.0, INSIDE * ratio.min(axis=1)))
