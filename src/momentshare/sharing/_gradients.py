"""How the shared forces respond to small changes of moment, capacity and moment arms.

At the optimum a head between its bounds has p w a^(p−1) = c q, c its capacity and
q = Σ_j R_j λ_j − Σ_g G_g μ_g, and the moments are met. Differentiated, with s = da/d(c q),

    dF = e∘(Nᵀ dx) + k∘dc + e∘(dRᵀ λ),      e = c² s,   k = a + c s q,   N = [R; −G],

where x stacks λ and the multipliers of the inequalities in force; heads at a bound have
e = 0 and k = a. The balance R dF + dR F + C df = dm, the inequalities G dF = 0 and
Cᵀ dλ = 0 then fix dx and df: one small linear system per frame. With T the response of the forces
to a unit on the right-hand side of each row, P = I − T N and F the total forces,

    ∂F/∂m = T,    ∂F/∂c = P diag(k),    ∂F_i/∂R_jl = P_il e_l λ_j − T_ij F_l,    ∂F/∂F_pas = P.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from momentshare.errors import ShapeError
from momentshare.results import ReadOnly, brief
from momentshare.sharing._arguments import require_choice
from momentshare.sharing._problem import OnInvalid, build_problem
from momentshare.sharing._result import BoolArray, FloatArray, IntArray, Status
from momentshare.sharing._share import choose_route, solve

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._force_cone import Cone
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import RawSharing

Kinks: TypeAlias = Literal["inside", "bound"]

AT_KINK = 1e-9
"""Drive that counts as exactly that of a bound, relative to the largest marginal effort."""

SINGULAR = 1e-12
"""Reciprocal condition below which the moments cannot be moved in every direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gradients(ReadOnly):
    """Derivatives of the total forces; NaN where the forces have none.

    Attributes
    ----------
    by_moment : float array, shape (..., heads, rows)
        ∂F_i/∂m_j [N/(N·m)].
    by_capacity : float array, shape (..., heads, heads)
        ∂F_i/∂(active capacity)_l [N/N].
    by_arms : float array, shape (..., heads, rows, heads)
        ∂F_i/∂R_jl [N/m].
    by_passive_force : float array, shape (..., heads, heads)
        ∂F_i/∂(passive force)_l [N/N].
    multipliers_by_moment : float array, shape (..., rows, rows)
        ∂λ_j/∂m_l, the curvature of the least effort.
    at_kink : bool array, shape (..., heads)
        Heads exactly at the point where they reach or leave a bound; there the derivatives are
        one-sided, and NaN where no change of the moments has all of them on the side asked for, as
        with heads on either side of a joint at rest.
    status : int array, shape (...)
        Of the frame as shared; derivatives are NaN unless it is solved.

    Examples
    --------
    >>> from momentshare.sharing import force_gradients
    >>> slope = force_gradients([[0.05, 0.04]], [1000.0, 500.0], [25.0])
    >>> slope.by_moment.shape, slope.by_arms.shape
    ((2, 1), (2, 1, 2))
    >>> float(([0.05, 0.04] @ slope.by_moment).round(9).item())  # one N·m more in, one out
    1.0
    """

    by_moment: FloatArray
    by_capacity: FloatArray
    by_arms: FloatArray
    by_passive_force: FloatArray
    multipliers_by_moment: FloatArray
    at_kink: BoolArray
    status: IntArray

    __repr__ = brief


def force_gradients(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    joint_moments: ArrayLike,
    *,
    passive_force: ArrayLike | None = None,
    exponent: float = 2.0,
    weights: ArrayLike | None = None,
    free_columns: ArrayLike | None = None,
    free_bounds: tuple[ArrayLike, ArrayLike] | None = None,
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
    kinks: Kinks = "inside",
    on_invalid: OnInvalid = "raise",
) -> Gradients:
    """Differentiate the shared forces by moment, capacity, moment arms and passive force.

    Parameters
    ----------
    moment_arms, active_capacity, joint_moments, passive_force, weights, free_columns, \
free_bounds, inequalities
        As in :func:`~momentshare.sharing.share`.
    exponent : float
        p > 1, finite.
    kinks : {'inside', 'bound'}
        Which one-sided derivative a head gets that is exactly at the point where it reaches or
        leaves a bound: that of the side where it is between its bounds, or that of the side where
        it stays at one.
    on_invalid : {'raise', 'mark'}
        As in :func:`~momentshare.sharing.share`.

    Returns
    -------
    Gradients
        NaN in frames that are not solved, where the heads between their bounds cannot
        move the moments in every direction, and where kinks leave no side (``at_kink``).

    Raises
    ------
    ShapeError
        As in :func:`~momentshare.sharing.share`, and for p = ∞.

    Notes
    -----
    For p > 2 the derivative grows without bound as an activation goes to zero.

    Examples
    --------
    Of one N·m more, the flexor with the stronger pull takes the greater part.

    >>> from momentshare.sharing import force_gradients
    >>> slope = force_gradients([[0.05, 0.04]], [1000.0, 500.0], [25.0]).by_moment
    >>> slope[:, 0].round(2)
    array([17.24,  3.45])
    """
    require_choice("kinks", kinks, ("inside", "bound"))
    problem = build_problem(
        moment_arms,
        active_capacity,
        joint_moments,
        passive_force=passive_force,
        exponent=exponent,
        weights=weights,
        free_columns=free_columns,
        free_bounds=free_bounds,
        inequalities=inequalities,
        on_invalid=on_invalid,
    )
    if math.isinf(problem.exponent):
        raise ShapeError(
            "exponent", "finite", "inf", "min–max forces have kinks everywhere; take a finite p"
        )
    raw, _ = solve(problem, choose_route("auto"), None, chain=False)
    return _differentiate(problem, raw, inside=kinks == "inside")


def _differentiate(problem: Problem, raw: RawSharing, *, inside: bool) -> Gradients:
    frames, rows, heads = problem.frames, problem.rows, problem.heads
    R = np.broadcast_to(problem.arms, (frames, rows, heads))
    slope, push, at_kink = _slopes(problem, raw, inside=inside)
    c, a = problem.capacity, raw.activation
    e = c * c * slope
    k = a + c * slope * push
    force = c * a + problem.passive
    held = raw.held > 0.0
    limits = np.where(held[:, :, None], -problem.limits, 0.0)
    N = np.concatenate([R, np.broadcast_to(limits, (frames, *limits.shape[1:]))], axis=1)
    inverse, regular = _inverse(problem, raw, N, e, held)
    # Response of λ, and of the forces through it, to a unit on the right-hand side of each row.
    rate = np.einsum("fxi,fxy->fiy", N, inverse)
    T = e[:, :, None] * rate
    P = np.eye(heads) - np.einsum("fiy,fyl->fil", T, N)
    priced = e[:, None, :] * raw.multipliers[:, :, None]
    by_arms = np.einsum("fil,fjl->fijl", P, priced)
    by_arms -= T[:, :, :rows, None] * force[:, None, None, :]
    known = regular & (raw.status == Status.SOLVED) & ~problem.invalid
    towards = np.where(a > 0.0, -1.0, 1.0) * (1.0 if inside else -1.0)
    for frame in np.flatnonzero(known & (at_kink.sum(axis=1) > 1)):
        at = at_kink[frame]
        known[frame] = _have_a_side(towards[frame, at, None] * rate[frame, at, :rows])

    def shaped(values: FloatArray) -> FloatArray:
        marked = np.where(known.reshape(-1, *(1,) * (values.ndim - 1)), values, math.nan)
        return np.asarray(marked.reshape(problem.batch + values.shape[1:]))

    return Gradients(
        by_moment=shaped(T[:, :, :rows]),
        by_capacity=shaped(P * k[:, None, :]),
        by_arms=shaped(by_arms),
        by_passive_force=shaped(P),
        multipliers_by_moment=shaped(inverse[:, :rows, :rows]),
        at_kink=at_kink.reshape(*problem.batch, heads),
        status=np.where(problem.invalid, Status.INVALID, raw.status)
        .astype(np.int8)
        .reshape(problem.batch),
    )


def _have_a_side(rates: FloatArray) -> bool:
    """Whether some change of the moments gives every row of rates a product above zero.

    Parameters
    ----------
    rates : float array, shape (heads, rows)
    """
    from scipy.optimize import linprog

    size = np.linalg.norm(rates, axis=1, keepdims=True)
    heads, rows = rates.shape
    answer = linprog(
        np.append(np.zeros(rows), -1.0),
        A_ub=np.hstack([-rates / np.where(size > 0.0, size, 1.0), np.ones((heads, 1))]),
        b_ub=np.zeros(heads),
        bounds=[(-1.0, 1.0)] * (rows + 1),
    )
    return bool(answer.status == 0 and np.asarray(answer.x)[-1] > AT_KINK)


def _slopes(
    problem: Problem, raw: RawSharing, *, inside: bool
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Slope of every activation in its drive, drive per newton, and heads at a kink."""
    p, w, a = problem.exponent, problem.weights, raw.activation
    push = np.einsum("fji,fj->fi", problem.arms, raw.multipliers)
    push = push - np.einsum("fgi,fg->fi", problem.limits, raw.held)
    drive = problem.capacity * push
    full = p * w
    largest = np.maximum((full * a ** (p - 1.0)).max(axis=1, keepdims=True), 1e-300)
    helps = (problem.arms != 0.0).any(axis=1) & (problem.capacity > 0.0)
    near_full = np.abs(drive - full) <= AT_KINK * full
    # For p ≠ 2 an activation leaves zero with slope zero or infinity: there is no kink to choose.
    near_rest = (np.abs(drive) <= AT_KINK * largest) & (p == 2.0)
    at_kink = np.asarray(helps & (near_full | near_rest))
    moving = (a > 0.0) & (a < 1.0) & (drive > 0.0)
    moving = np.where(at_kink, inside, moving)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = a / ((p - 1.0) * drive) if p != 2.0 else np.broadcast_to(0.5 / w, a.shape)
    return np.where(moving, slope, 0.0), push, at_kink


def _inverse(
    problem: Problem, raw: RawSharing, N: FloatArray, e: FloatArray, held: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """Inverse of the linear system without its free values, and where it exists."""
    frames, size, _ = N.shape
    rows, free = problem.rows, problem.free
    system = np.zeros((frames, size + free, size + free))
    system[:, :size, :size] = np.einsum("fxi,fi,fyi->fxy", N, e, N, optimize=True)
    # An absent row has no response and no demand.
    absent = np.concatenate([np.zeros((frames, rows), dtype=np.bool_), ~held], axis=1)
    if free:
        at_bound = (raw.free_values <= problem.lower) | (raw.free_values >= problem.upper)
        columns = np.where(at_bound[:, None, :], 0.0, problem.columns)
        system[:, :rows, size:] = columns
        system[:, size:, :rows] = columns.transpose(0, 2, 1)
        absent = np.concatenate([absent, at_bound], axis=1)
    scale = np.sqrt(np.einsum("fxx->fx", system[:, :size, :size]))
    scale = np.concatenate([scale, np.ones((frames, free))], axis=1)
    scale = np.where(scale > 0.0, scale, 1.0)
    if free:
        length = np.linalg.norm(system[:, :size, size:] / scale[:, :size, None], axis=1)
        scale[:, size:] = np.where(length > 0.0, length, 1.0)
    system = system / scale[:, :, None] / scale[:, None, :]
    system = np.where(absent[:, :, None] & np.eye(size + free, dtype=np.bool_), 1.0, system)
    finite = np.asarray(np.isfinite(system).all(axis=(1, 2)))
    system = np.where(finite[:, None, None], system, np.eye(size + free))
    values = np.linalg.svd(system, compute_uv=False)
    regular: BoolArray = np.asarray(finite & (values[:, -1] > SINGULAR * values[:, 0]))
    system = np.where(regular[:, None, None], system, np.eye(size + free))
    inverse = np.linalg.inv(system) / scale[:, :, None] / scale[:, None, :]
    inverse = np.where(absent[:, :, None] | absent[:, None, :], 0.0, inverse)
    return inverse[:, :size, :size], regular
