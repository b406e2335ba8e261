"""Damped Newton method on the dual of the sharing problem, many frames side by side.

With multipliers λ and drive z = Aᵀλ the effort Σ w aᵖ leaves each head the activation

    a(z) = min(1, (z / (p w)) ** (1/(p − 1))) for z > 0, else 0,

and the dual asks for λ with A a(λ) = b. The dual is concave, piecewise smooth with kinks
where a head enters or leaves its bounds. Each Newton step solves

    (A diag(da/dz) Aᵀ + ρ I + Q Qᵀ) d = b − A a − ρ (λ − λ_c)

and is followed by a line search that is exact over the kinks. The small ρ is the
reciprocal slack weight; moving the centre λ_c to the solution (a multiplier step) takes
its bias away. When b cannot be met the multiplier steps settle on the nearest point that
can, and among its activations on those of least effort; the separating direction proves
it. Multipliers are kept in units of σ^(p−1), σ being about the greatest activation, so
that small moments and large exponents keep their digits.

This is the readable form; ``kernels.frames`` is the same method compiled, one frame at a time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray

SLACK_WEIGHT = 1e6
"""Weight of the squared unmet moment per row norm, before multiplier steps."""

RESIDUAL = 1e-13
"""Unmet moment that counts as zero, relative to the size of the terms."""

SHORT = 1e-10
"""Unmet moment from which a separating direction is accepted, relative."""

CURVATURE = 0.1
"""A step is taken when the slope along it has fallen to this part."""

SETTLED = 1e-6
"""Slope of the damped dual, relative to the slack it carries, that ends a multiplier step."""

STEPS = 80
"""Newton steps before a frame is handed to rescue."""

ACROSS = 1e-7
"""A head closer than this (sine) to the plane across the separating direction lies in it."""

SPANNED = 1e-13
"""Square of the relative size below which a direction is not spanned."""

NEAR = 1e-8
"""For p > 2: unmet moment from which the last steps move activations as well, relative."""

CLOSED = 1e-11
"""Relative residual and mismatch of drive after those steps that need no rescue."""

FINISH = 4
"""Newton steps on activations and multipliers together."""


@dataclass(slots=True, kw_only=True)
class Dual:
    """Answer of the Newton method in normalised units, frame axis first."""

    multipliers: FloatArray
    activation: FloatArray
    unmet: FloatArray
    short: BoolArray
    done: BoolArray

    def take(self, index: NDArray[np.intp]) -> Dual:
        """Return the answers of some frames."""
        return Dual(**{name: getattr(self, name)[index] for name in self.__slots__})

    def distance(self) -> FloatArray:
        """Norm of the unmet moment."""
        return np.asarray(np.linalg.norm(self.unmet, axis=1))

    def size(self, balance: Balance) -> FloatArray:
        """Magnitude that an unmet moment is compared with."""
        return np.asarray(balance.target_size + np.linalg.norm(self.activation, axis=1))

    def put(self, index: NDArray[np.intp], part: Dual) -> None:
        """Write the answers of some frames."""
        for name in self.__slots__:
            getattr(self, name)[index] = getattr(part, name)


class Effort:
    """Activation and its slope as functions of the drive, in units of σ."""

    def __init__(self, exponent: float, weights: FloatArray, scale: FloatArray) -> None:
        self.power = 1.0 / (exponent - 1.0)
        self.reciprocal = 1.0 / (exponent * weights)
        self.scale = scale[:, None]
        ceiling = (1.0 / scale) ** (exponent - 1.0)
        self.full = ceiling[:, None] / self.reciprocal  # drive at which a = 1

    def take(self, index: BoolArray | NDArray[np.intp]) -> Effort:
        """Return the functions of some frames."""
        part = object.__new__(Effort)
        part.power = self.power
        part.reciprocal = self.reciprocal[index]
        part.scale = self.scale[index]
        part.full = self.full[index]
        return part

    def activation(self, drive: FloatArray) -> FloatArray:
        """Activation that a drive calls for."""
        reduced = np.clip(drive, 0.0, self.full) * self.reciprocal
        raised = reduced if self.power == 1.0 else reduced**self.power
        return np.where(drive >= self.full, 1.0, np.minimum(self.scale * raised, 1.0))

    def slope(self, drive: FloatArray, activation: FloatArray) -> FloatArray:
        """Change of activation per drive; zero at the bounds."""
        inside = (drive > 0.0) & (drive < self.full)
        if self.power == 1.0:
            return np.where(inside, self.scale * self.reciprocal, 0.0)
        return np.where(inside, self.power * activation / np.where(inside, drive, 1.0), 0.0)


def solve_dual(
    balance: Balance,
    weights: FloatArray,
    exponent: float,
    start: FloatArray | None = None,
    slack_weight: float = SLACK_WEIGHT,
    offset: FloatArray | None = None,
) -> Dual:
    """Solve every frame; ``start`` holds multipliers λ_A in the units of the balance.

    ``offset`` (frames, heads) is added to every drive: a reward that is linear in the
    activations, ``− offset·a``, joins the effort.
    """
    matrix, basis = balance.matrix, balance.basis
    target = balance.target.copy()
    frames = target.shape[0]
    weights = np.broadcast_to(weights, (frames, matrix.shape[2]))
    heaviest = weights.max(axis=1, initial=0.0, keepdims=True)
    multipliers, scale = first_guess(balance, weights / heaviest, exponent)
    if offset is not None:
        scale = np.ones(frames)
    unit = scale[:, None] ** (exponent - 1.0) * heaviest
    if start is not None:
        given = np.any(start != 0.0, axis=1, keepdims=True)
        multipliers = np.where(given, start / unit, multipliers)
    effort = Effort(exponent, weights / heaviest, scale)
    damping = scale / slack_weight
    lead = np.zeros((frames, 1)) if offset is None else offset / unit

    activation = effort.activation(lead + np.einsum("fji,fj->fi", matrix, multipliers))
    unmet = np.zeros_like(target)
    short = np.zeros(frames, dtype=np.bool_)
    done = np.zeros(frames, dtype=np.bool_)
    centre = multipliers.copy()
    active = np.arange(frames)
    step = 0
    blunt = exponent > 2.0
    while active.size and step < STEPS:
        step += 1
        A, Q, part = matrix[active], basis[active], effort.take(active)
        rho = damping[active, None]
        lam, mid = multipliers[active], centre[active]
        drive = lead[active] + np.einsum("fji,fj->fi", A, lam)
        a = part.activation(drive)
        rest = target[active] - np.einsum("fji,fi->fj", A, a)
        size = balance.target_size[active] + np.linalg.norm(a, axis=1)

        near = np.abs(rest).max(axis=1) <= NEAR * size if blunt else False
        met = np.abs(rest).max(axis=1) <= RESIDUAL * size
        pull = rho * (lam - mid)
        enough = np.maximum(SETTLED * np.abs(pull).max(axis=1), 0.1 * RESIDUAL * size)
        settled = np.abs(rest - pull).max(axis=1) <= enough
        nearest = ~met & is_nearest(A, a, rest, size)
        finished = met | nearest | near
        frame = active[finished]
        activation[frame] = a[finished]
        multipliers[frame] = lam[finished]
        unmet[frame] = rest[finished]
        short[frame] = nearest[finished]
        done[frame] = (met | nearest)[finished]

        mid = np.where(settled[:, None], lam, mid)
        centre[active] = mid
        go = ~finished
        if not go.any():
            break
        active, A, Q, part = active[go], A[go], Q[go], part.take(go)
        lam, mid, drive, a, rest, rho = lam[go], mid[go], drive[go], a[go], rest[go], rho[go]
        uphill = rest - rho * (lam - mid)
        direction = newton_direction(A, Q, part.slope(drive, a), rho, uphill)
        length = line_search(A, part, drive, direction, target[active], lam - mid, rho[:, 0])
        multipliers[active] = lam + length[:, None] * direction
    found = Dual(
        multipliers=multipliers, activation=activation, unmet=unmet, short=short, done=done
    )
    if not done.all():
        finish_open(balance, effort, found, damping, lead)
    return replace(found, multipliers=multipliers * unit)


def finish_open(
    balance: Balance, effort: Effort, found: Dual, damping: FloatArray, lead: FloatArray
) -> None:
    """Close, in place, the balances of the frames that Newton's method has left open."""
    left = np.flatnonzero(~found.done)
    matrix, target = balance.matrix[left], balance.target[left]
    a, lam, mismatch = finish(
        matrix,
        balance.basis[left],
        target,
        effort.take(left),
        damping[left, None],
        found.multipliers[left],
        lead[left],
    )
    rest = target - np.einsum("fji,fi->fj", matrix, a)
    size = balance.target_size[left] + np.linalg.norm(a, axis=1)
    found.activation[left], found.multipliers[left], found.unmet[left] = a, lam, rest
    found.done[left] = (np.abs(rest).max(axis=1) <= CLOSED * size) & (mismatch <= CLOSED)


def first_guess(
    balance: Balance, weights: FloatArray, exponent: float
) -> tuple[FloatArray, FloatArray]:
    """Multipliers as if no head had bounds and p were 2, and σ, the activation to expect."""
    reciprocal = 1.0 / (exponent * weights)
    nothing = np.full((balance.target.shape[0], 1), 1e-9)
    direction = newton_direction(balance.matrix, balance.basis, reciprocal, nothing, balance.target)
    drive = np.einsum("fji,fj->fi", balance.matrix, direction)
    greatest = np.abs(drive * reciprocal).max(axis=1, initial=0.0)
    asked = np.abs(balance.target).max(axis=1) > RESIDUAL * balance.target_size
    scale = np.where(asked, np.clip(2.0 * greatest, 1e-100, 1.0), 1.0)
    return np.where(asked[:, None], direction / scale[:, None], 0.0), scale


def newton_direction(
    matrix: FloatArray, basis: FloatArray, slope: FloatArray, rho: FloatArray, uphill: FloatArray
) -> FloatArray:
    """Solve (A S Aᵀ + ρ I + τ Q Qᵀ) d = uphill, τ at the size of the first term."""
    rows = matrix.shape[1]
    hessian = np.einsum("fji,fi,fli->fjl", matrix, slope, matrix, optimize=True)
    size = np.trace(hessian, axis1=1, axis2=2)[:, None, None] + rho[:, :, None]
    hessian = hessian + size * (basis @ basis.transpose(0, 2, 1))
    hessian = hessian + np.maximum(rho[:, :, None], 1e-15 * size) * np.eye(rows)
    return solve_each(hessian, uphill)


def solve_each(matrices: FloatArray, right: FloatArray) -> FloatArray:
    """Solve every frame on its own: one that cannot be solved gets zeros, no other notices."""
    usable = np.asarray(np.isfinite(matrices).all(axis=(1, 2)) & np.isfinite(right).all(axis=1))
    if not usable.all():
        matrices = np.where(usable[:, None, None], matrices, np.eye(matrices.shape[1]))
        right = np.where(usable[:, None], right, 0.0)
    try:
        return np.asarray(np.linalg.solve(matrices, right[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        return np.stack(
            [np.linalg.lstsq(A, b, rcond=None)[0] for A, b in zip(matrices, right, strict=True)]
        )


def line_search(
    matrix: FloatArray,
    effort: Effort,
    drive: FloatArray,
    direction: FloatArray,
    target: FloatArray,
    offset: FloatArray,
    rho: FloatArray,
) -> FloatArray:
    """Length at which the slope of the dual along ``direction`` has (nearly) vanished.

    The slope ψ(t) falls monotonically and is smooth between kinks. The unit step is taken
    if it removes most of the slope; otherwise the kinks are sorted, the pair around the
    zero found by halving the list, and the zero located inside that smooth piece.
    """
    change = np.einsum("fji,fj->fi", matrix, direction)
    constant = np.einsum("fj,fj->f", direction, target) - rho * np.einsum(
        "fj,fj->f", direction, offset
    )
    bend = rho * np.einsum("fj,fj->f", direction, direction)

    def slope_at(t: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        part = effort.take(rows)
        a = part.activation(drive[rows] + t[:, None] * change[rows])
        supplied = np.einsum("fi,fi->f", change[rows], a)
        return np.asarray(constant[rows] - supplied - bend[rows] * t)

    every = np.arange(drive.shape[0])
    begin = slope_at(np.zeros(every.size), every)
    length = np.ones(every.size)
    at_one = slope_at(length, every)
    rows = np.flatnonzero(np.abs(at_one) > CURVATURE * np.abs(begin))
    if rows.size == 0:
        return length
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        enter = -drive[rows] / change[rows]
        leave = (effort.full[rows] - drive[rows]) / change[rows]
    kinks = np.concatenate([enter, leave], axis=1)
    kinks = np.where(np.isfinite(kinks) & (kinks > 0.0), kinks, np.inf)
    kinks.sort(axis=1)

    low_index = np.full(rows.size, -1)
    high_index = np.isfinite(kinks).sum(axis=1)
    low, low_slope = np.zeros(rows.size), begin[rows]
    high, high_slope = np.full(rows.size, np.inf), np.full(rows.size, -np.inf)
    while True:
        open_ = np.flatnonzero(high_index - low_index > 1)
        if open_.size == 0:
            break
        middle = (low_index[open_] + high_index[open_]) // 2
        t = kinks[open_, middle]
        value = slope_at(t, rows[open_])
        up = value > 0.0
        low_index[open_[up]], high_index[open_[~up]] = middle[up], middle[~up]
        low[open_[up]], low_slope[open_[up]] = t[up], value[up]
        high[open_[~up]], high_slope[open_[~up]] = t[~up], value[~up]
    # Beyond the last kink every moving head rests at a bound and only the slack bends.
    beyond = ~np.isfinite(high)
    tail = low + np.maximum(low_slope, 0.0) / np.maximum(bend[rows], 1e-300)
    length[rows] = np.where(beyond, tail, low)
    inner = np.flatnonzero(~beyond)
    if inner.size:
        length[rows[inner]] = _zero_inside(
            lambda t, part: slope_at(t, rows[inner[part]]),
            (low[inner], low_slope[inner], high[inner], high_slope[inner]),
            CURVATURE * np.abs(begin[rows[inner]]),
            exact=effort.power == 1.0,
        )
    return length


def _zero_inside(
    slope_at: Callable[[FloatArray, NDArray[np.intp]], FloatArray],
    bracket: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    enough: FloatArray,
    *,
    exact: bool,
) -> FloatArray:
    """Zero of a falling function inside a bracket: chord for p = 2, else Illinois rule."""
    low, low_slope, high, high_slope = (part.copy() for part in bracket)
    chord = low + (high - low) * low_slope / np.maximum(low_slope - high_slope, 1e-300)
    if exact:
        return chord
    best = chord.copy()
    open_ = np.arange(low.size)
    side = np.zeros(low.size)
    for _ in range(60):
        span = np.maximum(low_slope[open_] - high_slope[open_], 1e-300)
        t = low[open_] + (high[open_] - low[open_]) * low_slope[open_] / span
        value = slope_at(t, open_)
        best[open_] = t
        up = value > 0.0
        again_up, again_down = up & (side[open_] > 0), ~up & (side[open_] < 0)
        low[open_[up]], low_slope[open_[up]] = t[up], value[up]
        high[open_[~up]], high_slope[open_[~up]] = t[~up], value[~up]
        high_slope[open_[again_up]] *= 0.5
        low_slope[open_[again_down]] *= 0.5
        side[open_] = np.where(up, 1.0, -1.0)
        open_ = open_[np.abs(value) > enough[open_]]
        if open_.size == 0:
            break
    return best


def finish(
    A: FloatArray,
    Q: FloatArray,
    target: FloatArray,
    effort: Effort,
    rho: FloatArray,
    multipliers: FloatArray,
    lead: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Close the balance in the activations themselves.

    For p > 2 a head near a = 0 answers a drive of rounding size with an activation far
    above it, so no λ in floating point balances the moments. Newton's method then
    continues on activations and multipliers together; the mismatch this leaves in the
    drive is of second order.
    """
    drive = lead + np.einsum("fji,fj->fi", A, multipliers)
    a = effort.activation(drive)
    for _ in range(FINISH):
        rest = target - np.einsum("fji,fi->fj", A, a)
        slope = np.where(a < 1.0, effort.slope(drive, a), 0.0)
        d = newton_direction(A, Q, slope, 1e-6 * rho, rest)
        a = np.clip(a + slope * np.einsum("fji,fj->fi", A, d), 0.0, 1.0)
        multipliers = multipliers + d
        drive = lead + np.einsum("fji,fj->fi", A, multipliers)
    marginal = effort.full * a ** (1.0 / effort.power)
    excess = drive - marginal
    excess = np.where(a >= 1.0, np.minimum(excess, 0.0), excess)
    excess = np.where(a <= 0.0, np.maximum(excess, 0.0), excess)
    greatest = np.maximum(marginal.max(axis=1), 1e-300)
    return a, multipliers, np.abs(excess).max(axis=1) / greatest


def is_nearest(A: FloatArray, a: FloatArray, rest: FloatArray, size: FloatArray) -> BoolArray:
    """Where ``rest`` separates the target from everything the heads can supply.

    For v = b − A a no activation supplies more along v than Σ max(0, Aᵀv); when a supplies
    just that, A a is the nearest point and |v| the distance. So every head that pushes along
    or against v has to be at its bound.
    """
    along, bound = push(A, rest)
    held = np.where(along > 0.0, a >= 1.0, a <= 0.0) | ~bound
    square = np.einsum("fj,fj->f", rest, rest)
    return np.asarray((square > (SHORT * size) ** 2) & held.all(axis=1))


def push(A: FloatArray, rest: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return what each head adds along ``rest``, and whether that differs from nothing."""
    along = np.einsum("fji,fj->fi", A, rest)
    length = np.linalg.norm(A, axis=1) * np.linalg.norm(rest, axis=1)[:, None]
    return along, np.abs(along) > ACROSS * length
